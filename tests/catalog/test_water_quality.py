"""A water test by itself: clogging classes, hardness, charge balance, and units that were misread."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import phreeqpython
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from pourcheck import Catalog, InputError, WaterTest, check
from pourcheck.catalog.water.quality import (
    Misreading,
    charge_balance,
    clogging,
    flags,
    hardness_may_be_grains,
    hardness_mg_per_l_caco3,
    hardness_word,
    misreadings,
)
from pourcheck.rules.answer.water import oddities, water_state
from pourcheck.rules.policy import default_unknowns, usual_mg_per_l
from pourcheck.rules.policy.region import region_named

#: mg per milliequivalent (IUPAC atomic weights); alkalinity 100.087/2 as CaCO3.
MG_PER_MEQ = {
    "calcium": 40.078 / 2,
    "magnesium": 24.305 / 2,
    "sodium": 22.990,
    "potassium": 39.098,
    "alkalinity": 50.04,
    "chloride": 35.45,
    "sulfate": 96.06 / 2,
    "nitrate": 62.004,
}
CATIONS = ("calcium", "magnesium", "sodium", "potassium")
#: Nothing that is left out may help: every untested item is none.
NONE_UNTESTED = dict.fromkeys(("calcium", "magnesium", "sodium", "alkalinity", "chloride", "sulfate"), (0.0, 0.0))
#: mg/L in a US grain per US gallon: 64.79891 mg (definition of the grain) in 3.785411784 L (of the gallon).
GRAIN = 64.79891 / 3.785411784


def water(meq_per_l: Mapping[str, float], **other: object) -> WaterTest:
    """A water test of an analysis in meq/L, written in mg/L; other items replace."""
    items: dict[str, object] = {
        item: f"{value * MG_PER_MEQ[item]:.6g} mg/L" + (" CaCO3" if item == "alkalinity" else "")
        for item, value in meq_per_l.items()
    }
    return WaterTest.model_validate({"ph": 7.4, **items, **other})


# --- clogging classes -----------------------------------------------------------------------------

#: Item, unit, moderate from, severe from: Bucks, Nakayama and Gilbert 1979 (Agric. Water Manage. 2:149-162), as
#: reprinted in irrigation guidance; the reprint was read.
CLASSES = [
    ("suspended_solids", "mg/L", 50.0, 100.0),
    ("ph", "", 7.0, 8.0),
    ("dissolved_solids", "mg/L", 500.0, 2000.0),
    ("manganese", "mg/L", 0.1, 1.5),
    ("iron", "mg/L", 0.1, 1.5),
    ("sulfide", "mg/L", 0.5, 2.0),
    ("bacteria", "per mL", 10_000.0, 50_000.0),
]
EDGES = [
    (item, unit, factor * edge, expected)
    for item, unit, moderate, severe in CLASSES
    for edge, below, above in ((moderate, "slight", "moderate"), (severe, "moderate", "severe"))
    for factor, expected in ((0.99, below), (1.01, above))
]


@pytest.mark.parametrize(("item", "unit", "value", "expected"), EDGES)
def test_clogging_classes(item: str, unit: str, value: float, expected: str) -> None:
    """An item's class, on both sides of each published edge."""
    tested = WaterTest.model_validate({item: f"{value:.6g} {unit}".strip()})
    (found,) = clogging(tested)
    assert (found.item, found.grade) == (item, expected)
    assert found.value == pytest.approx(value, rel=1e-5)
    assert water_state(tested, default_unknowns()).worst == expected


def test_the_worst_comes_first() -> None:
    """Classes of several items, the worst first; the higher end of a range counts."""
    tested = WaterTest.model_validate({"ph": "6.5 to 7.2", "iron": "1 to 2 mg/L", "manganese": "0.05 mg/L"})
    assert [(c.item, c.grade) for c in clogging(tested)] == [
        ("iron", "severe"),
        ("ph", "moderate"),
        ("manganese", "slight"),
    ]
    assert clogging(WaterTest.model_validate({"calcium": "95 mg/L"})) == []


@pytest.mark.parametrize("item", ["calcium", "magnesium", "alkalinity", "sulfate"])
def test_flags(item: str) -> None:
    """Above 2.5 meq/L (University of California, Maintenance of Microirrigation Systems: any one exceeding)."""
    assert flags(water({item: 2.52})) == [item]
    assert flags(water({item: 2.48})) == []


# --- hardness -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("calcium", "magnesium"), [(100.0, 0.0), (0.0, 100.0), (95.0, 22.0), (4.0, 1.2)])
def test_hardness_of_calcium_and_magnesium(calcium: float, magnesium: float) -> None:
    """2.497 x Ca + 4.115 x Mg (water hardness standards page, read), factors good to 0.005."""
    tested = WaterTest.model_validate({"calcium": f"{calcium} mg/L", "magnesium": f"{magnesium} mg/L"})
    found = hardness_mg_per_l_caco3(tested)
    expected = 2.497 * calcium + 4.115 * magnesium
    assert found == pytest.approx((expected, expected), abs=0.005 * (calcium + magnesium) + 1e-9)


@pytest.mark.parametrize(
    ("text", "expected", "within"),
    [
        ("1 gpg", 17.1, 0.05),  # water hardness standards page, read
        ("10 gpg", 171.0, 1.0),  # treatment dealer page, read
        ("1 dH", 17.85, 0.02),  # 10 mg/L CaO
        ("1 meq/L", 50.04, 0.05),  # 100.087/2, IUPAC atomic weights
        ("180 ppm CaCO3", 180.0, 1e-6),
        ("2 to 4 meq/L", (2 * 50.04, 4 * 50.04), 0.2),
    ],
)
def test_hardness_as_tested(text: str, expected: float | tuple[float, float], within: float) -> None:
    """Hardness in the units that strips print."""
    ends = expected if isinstance(expected, tuple) else (expected, expected)
    found = hardness_mg_per_l_caco3(WaterTest.model_validate({"hardness": text}))
    assert found == pytest.approx(ends, abs=within)


def test_hardness_of_half_a_test() -> None:
    """Calcium alone is no hardness."""
    assert hardness_mg_per_l_caco3(WaterTest.model_validate({"calcium": "95 mg/L"})) is None
    assert water_state(WaterTest.model_validate({"ph": 7.0}), default_unknowns()).hardness is None


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (0.0, "soft"),
        (60.0, "soft"),
        (61.0, "moderately hard"),
        (120.0, "moderately hard"),
        (121.0, "hard"),
        (180.0, "hard"),
        (181.0, "very hard"),
        (2000.0, "very hard"),
    ],
)
def test_hardness_words(value: float, expected: str) -> None:
    """0-60, 61-120, 121-180, over 180 mg/L CaCO3 (Goyal (ed.), micro irrigation book excerpt, read; after USGS)."""
    assert hardness_word(value) == expected
    tested = WaterTest.model_validate({"hardness": f"{value} mg/L CaCO3"})
    assert water_state(tested, default_unknowns()).hardness == expected


# --- charge balance -------------------------------------------------------------------------------

REFERENCE = {"calcium": 5.0, "magnesium": 2.0, "sodium": 1.0, "alkalinity": 6.0, "chloride": 1.0, "sulfate": 1.0}
BY_HAND = [
    # replaced, cations, anions [meq/L], percent: 100 (cations - anions) / their sum
    ({}, 8.0, 8.0, 0.0),
    ({"sodium": 2.0}, 9.0, 8.0, 100 / 17),
    ({"chloride": 3.0}, 8.0, 10.0, -200 / 18),
    ({"nitrate": 1.0}, 8.0, 9.0, -100 / 17),
    ({"potassium": 0.5}, 8.5, 8.0, 50 / 16.5),
    ({"calcium": 0.0, "magnesium": 0.0}, 1.0, 8.0, -700 / 9),
]


@pytest.mark.parametrize(("changed", "cations", "anions", "percent"), BY_HAND)
def test_balance_by_hand(changed: dict[str, float], cations: float, anions: float, percent: float) -> None:
    """Sums and percent of analyses that were added up by hand in meq/L."""
    found = charge_balance(water({**REFERENCE, **changed}), NONE_UNTESTED)
    assert found is not None
    assert found.cations_meq_per_l == pytest.approx((cations, cations), rel=1e-4)
    assert found.anions_meq_per_l == pytest.approx((anions, anions), rel=1e-4)
    assert found.off_percent == pytest.approx(percent, abs=0.02)


@pytest.mark.parametrize(
    ("anions", "expected"),
    [(1.0, 0.2), (2.9, 0.2), (3.1, 2.0), (9.9, 2.0), (10.1, 5.0), (40.0, 5.0)],
)
def test_what_a_good_analysis_is_off_by(anions: float, expected: float) -> None:
    """0.2 meq/L up to an anion sum of 3 meq/L, 2 % up to 10, 5 % beyond (from memory: Standard Methods for the
    Examination of Water and Wastewater, 1030 E)."""
    tested = water({"calcium": anions + 0.1, "magnesium": 0.0, "sodium": 0.0, "alkalinity": anions})
    found = charge_balance(tested, NONE_UNTESTED)
    assert found is not None
    allowed = 100.0 * expected / (2 * anions + 0.1) if anions < 3 else expected
    assert found.allowed_percent == pytest.approx(allowed, rel=1e-3)


#: Waters of wells [meq/L] (common practice, no source).
USUAL = {
    "calcium": (0.3, 10.0),
    "magnesium": (0.1, 5.0),
    "sodium": (0.1, 8.0),
    "potassium": (0.01, 0.3),
    "alkalinity": (0.3, 7.0),
    "chloride": (0.1, 8.0),
    "sulfate": (0.1, 8.0),
    "nitrate": (0.01, 1.0),
}


def analyses(**changed: tuple[float, float]) -> st.SearchStrategy[dict[str, float]]:
    """Analyses in meq/L, not balanced; some items within other ranges than usual."""
    return st.fixed_dictionaries({item: st.floats(*ends) for item, ends in {**USUAL, **changed}.items()})


@pytest.fixture(scope="module")
def phreeqc() -> phreeqpython.PhreeqPython:
    """PHREEQC (USGS) with its phreeqc.dat."""
    return phreeqpython.PhreeqPython(database="phreeqc.dat")


def phreeqc_percent_error(program: phreeqpython.PhreeqPython, meq_per_l: Mapping[str, float]) -> float:
    """Percent error of a solution as PHREEQC prints it: 100 (cations - anions) / (cations + anions)."""
    names = {
        "calcium": "Ca", "magnesium": "Mg", "sodium": "Na", "potassium": "K", "alkalinity": "Alkalinity",
        "chloride": "Cl", "sulfate": "S(6)", "nitrate": "N(5)",
    }  # fmt: skip
    charges = {"calcium": 2, "magnesium": 2, "sulfate": 2}
    lines = [f" {names[item]} {value / charges.get(item, 1):.8f}" for item, value in meq_per_l.items()]
    program.ip.run_string(
        "SOLUTION 1\n units mmol/kgw\n pH 7.0\n temp 25\n"
        + "\n".join(lines)
        + "\nSELECTED_OUTPUT\n -reset false\n -high_precision true\n -percent_error true\nEND\n"
    )
    heads, *rows = program.ip.get_selected_output_array()
    return float(rows[-1][heads.index("pct_err")])


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(analysis=analyses())
def test_balance_against_phreeqc(phreeqc: phreeqpython.PhreeqPython, analysis: dict[str, float]) -> None:
    """The percent error is PHREEQC's, which counts ion pairs at their own charge: a little less on both sides."""
    found = charge_balance(water(analysis), NONE_UNTESTED)
    assert found is not None
    cations = sum(analysis[item] for item in CATIONS)
    anions = sum(value for item, value in analysis.items() if item not in CATIONS)
    expected = phreeqc_percent_error(phreeqc, analysis)
    # The difference of the sums is the same for both; pairs take charge from both sums alike.
    assert (found.off_percent > 0) == (expected > 0) or abs(expected) < 0.1
    assert found.off_percent == pytest.approx(100.0 * (cations - anions) / (cations + anions), abs=0.01)
    assert abs(found.off_percent) <= abs(expected) + 0.05
    assert abs(found.off_percent) >= 0.75 * abs(expected) - 0.05


def test_what_was_not_tested_helps() -> None:
    """An item that was left out stands where it helps most within its range, and no further."""
    lacking = {"calcium": 1.0, "magnesium": 0.0, "alkalinity": 6.0, "chloride": 1.0, "sulfate": 1.0}
    enough, short = ({**NONE_UNTESTED, "sodium": (0.0, meq * MG_PER_MEQ["sodium"])} for meq in (7.1, 5.0))
    balanced, off = charge_balance(water(lacking), enough), charge_balance(water(lacking), short)
    assert balanced is not None
    assert balanced.off_percent == 0.0
    assert off is not None
    assert off.off_percent == pytest.approx(100 * (6.0 - 8.0) / 14.0, abs=0.02)


def test_a_range_that_can_balance() -> None:
    """Ranges that overlap balance; those that do not are off by the least that they leave."""
    parts = {item: value for item, value in REFERENCE.items() if item != "sodium"}
    near = charge_balance(water(parts, sodium="0.5 to 2 meq/L"), NONE_UNTESTED)
    far = charge_balance(water(parts, sodium="3 to 5 meq/L"), NONE_UNTESTED)
    assert near is not None
    assert near.off_percent == 0.0
    assert far is not None
    assert far.off_percent == pytest.approx(100 * 2 / 18, abs=0.02)


@pytest.mark.parametrize("kept", [("calcium", "sodium"), ("alkalinity", "chloride"), ()])
def test_too_little_for_a_balance(kept: tuple[str, ...]) -> None:
    """Without alkalinity, or calcium or hardness, nothing is said."""
    assert charge_balance(water({item: REFERENCE[item] for item in kept}), NONE_UNTESTED) is None


def test_the_invented_wells_balance(catalog: Catalog) -> None:
    """The demo wells are what a good lab would print."""
    for well in catalog.waters():
        assert oddities(well, default_unknowns()) == [], well.id


# --- units that were misread ----------------------------------------------------------------------

#: Slip: item, how its number was typed (the true value in meq/L in, the text out), what it was meant in.
Slip = tuple[str, Callable[[float], str], str]
#: Small slips show only where the item weighs much [meq/L].
MUCH = {
    "nitrogen typed as nitrate": {"nitrate": (0.6, 2.0), "alkalinity": (0.3, 3.0)},
    "bicarbonate typed as CaCO3": {"alkalinity": (4.0, 7.0), "chloride": (0.1, 1.0), "sulfate": (0.1, 1.0)},
    "CaCO3 typed as bicarbonate": {"alkalinity": (4.0, 7.0), "chloride": (0.1, 1.0), "sulfate": (0.1, 1.0)},
}
SLIPS: dict[str, Slip] = {
    "bicarbonate typed as CaCO3": ("alkalinity", lambda meq: f"{meq * 61.017:.6g} mg/L CaCO3", "as HCO3"),
    "CaCO3 typed as bicarbonate": ("bicarbonate", lambda meq: f"{meq * 50.04:.6g} mg/L HCO3", "as CaCO3"),
    "nitrogen typed as nitrate": ("nitrate", lambda meq: f"{meq * 14.007:.6g} mg/L NO3", "as N"),
    "sulfur typed as sulfate": ("sulfate", lambda meq: f"{meq * 16.03:.6g} mg/L SO4", "as S"),
    "calcium as CaCO3 typed as the element": ("calcium", lambda meq: f"{meq * 50.04:.6g} mg/L", "as CaCO3"),
    "magnesium as CaCO3 typed as the element": ("magnesium", lambda meq: f"{meq * 50.04:.6g} mg/L", "as CaCO3"),
    "the element typed as CaCO3": ("calcium", lambda meq: f"{meq * 20.039:.6g} mg/L CaCO3", "as the element"),
    "grains of alkalinity": ("alkalinity", lambda meq: f"{meq * 50.04 / GRAIN:.6g} mg/L CaCO3", "grains per gallon"),
    "meq/L of calcium": ("calcium", lambda meq: f"{meq:.6g} mg/L", "meq/L"),
    "meq/L of sulfate": ("sulfate", lambda meq: f"{meq:.6g} mg/L", "meq/L"),
    "meq/L of sodium": ("sodium", lambda meq: f"{meq:.6g} mg/L", "meq/L"),
    "meq/L of chloride": ("chloride", lambda meq: f"{meq:.6g} mg/L", "meq/L"),
    "meq/L of alkalinity": ("alkalinity", lambda meq: f"{meq:.6g} mg/L CaCO3", "meq/L"),
}


def balanced(analysis: dict[str, float]) -> dict[str, float]:
    """The analysis with sodium or chloride added until it balances."""
    cations = sum(analysis[item] for item in CATIONS)
    anions = sum(analysis.values()) - cations
    closing = "chloride" if cations > anions else "sodium"
    return {**analysis, closing: analysis[closing] + abs(cations - anions)}


def slipped(analysis: Mapping[str, float], slip: Slip) -> WaterTest:
    """The test of an analysis with one slip in it."""
    item, typed, _ = slip
    kept = {name: value for name, value in analysis.items() if (name, item) != ("alkalinity", "bicarbonate")}
    meq = analysis["alkalinity" if item == "bicarbonate" else item]
    return water(kept, **{item: typed(meq)})


def right(found: Misreading, slip: Slip, meq_per_l: float) -> bool:
    """Whether an offered reading names the item and gives back its true number."""
    item = "alkalinity" if slip[0] == "bicarbonate" else slip[0]
    return found.item == item and found.mg_per_l == pytest.approx(meq_per_l * MG_PER_MEQ[item], rel=0.01)


@pytest.mark.parametrize("name", SLIPS)
def test_a_slip_is_found(name: str) -> None:
    """A slip in a balanced analysis shows, and the first or second reading that is offered is what was meant."""
    slip = SLIPS[name]
    item = "alkalinity" if slip[0] == "bicarbonate" else slip[0]
    shown = 0

    @settings(max_examples=60, deadline=None, derandomize=True)
    @given(analysis=analyses(**MUCH.get(name, {})))
    def draw(analysis: dict[str, float]) -> None:
        nonlocal shown
        whole = balanced(analysis)
        tested = slipped(whole, slip)
        balance = charge_balance(tested, NONE_UNTESTED)
        assert balance is not None
        assume(abs(balance.off_percent) > balance.allowed_percent)
        assert oddities(tested, default_unknowns()), "a slip that shows is told"
        offered = misreadings(tested, NONE_UNTESTED)
        assert any(right(one, slip, whole[item]) for one in offered[:2]), [one.words for one in offered]
        shown += 1

    draw()
    assert shown > 20, "too few slips that show"


def test_a_lab_that_prints_both_as_caco3() -> None:
    """Who prints calcium as CaCO3 prints magnesium so too (common practice, no source)."""
    typed = {item: f"{REFERENCE[item] * 50.04:.6g} mg/L" for item in ("calcium", "magnesium")}
    offered = misreadings(water(REFERENCE, **typed), NONE_UNTESTED)
    told = " ".join(one.words for one in offered[:2])
    assert "calcium" in told
    assert "magnesium" in told


def test_a_sound_analysis_is_not_suspected() -> None:
    """A balanced analysis with every item tested: nothing is odd, whatever it holds."""

    @settings(max_examples=60, deadline=None, derandomize=True)
    @given(analysis=analyses())
    def draw(analysis: dict[str, float]) -> None:
        assert oddities(water(balanced(analysis)), default_unknowns()) == []

    draw()


# --- grains ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("grains", [6.0, 12.0, 25.0])
def test_grains_that_were_typed_as_mg_per_l(grains: float) -> None:
    """17.1 ppm in a grain (water hardness standards page, read): what it would be is named."""
    hard = 17.1 * grains
    typed = WaterTest.model_validate({"hardness": f"{grains} mg/L CaCO3", "alkalinity": f"{hard} mg/L CaCO3"})
    assert hardness_may_be_grains(typed) == pytest.approx(hard, rel=3e-3)
    for known in ({"softened": True}, {"sodium": f"{hard / 50.04 * 22.99:.0f} mg/L"}, {"hardness": f"{grains} gpg"}):
        assert hardness_may_be_grains(WaterTest.model_validate(typed.model_dump(exclude_none=True) | known)) is None


def strip(hardness_grains: float, alkalinity: float, **other: str) -> dict[str, object]:
    """A strip test of pH, hardness and alkalinity on which grains were typed as mg/L."""
    return {
        "ph": 7.4,
        "hardness": f"{hardness_grains:.4g} mg/L CaCO3",
        "alkalinity": f"{alkalinity:.4g} mg/L CaCO3",
        **other,
    }


#: Hard waters as strips find them (mg/L CaCO3): hardness that stops or clouds phosphate, alkalinity that comes with it.
STRIPS = [(120.0, 60.0), (120.0, 90.0), (120.0, 120.0), (180.0, 140.0), (250.0, 250.0), (425.0, 240.0)]


@pytest.mark.parametrize(("hardness", "alkalinity"), STRIPS)
@pytest.mark.parametrize("product", ["technical MAP=1 lb", "technical DAP=1 lb"])
def test_grains_on_a_strip_never_end_clear(catalog: Catalog, product: str, hardness: float, alkalinity: float) -> None:
    """pH, hardness and alkalinity with grains typed as mg/L: no phosphate goes into it."""
    name, amount = product.split("=")
    pour = {
        "product": [{"name": name, "amount": amount}],
        "bucket": {"volume": "5 gal"},
        "injection": {"ratio": "1:100"},
        "water": strip(hardness / GRAIN, alkalinity),
    }
    verdict = check(pour, catalog, depth="numbers")
    assert verdict.verdict in {"stop", "unknown"}
    assert "hardness-may-be-grains" in {finding.rule for finding in verdict.findings}


@pytest.mark.parametrize(("hardness", "alkalinity"), STRIPS)
def test_grains_on_a_strip_with_iron_never_end_clear(catalog: Catalog, hardness: float, alkalinity: float) -> None:
    """The same where iron was tested too, so that nothing but the hardness can hold the phosphate back."""
    pour = {
        "product": [{"name": "technical MAP", "amount": "1 lb"}],
        "bucket": {"volume": "5 gal"},
        "injection": {"ratio": "1:100"},
        "water": strip(hardness / GRAIN, alkalinity, iron="0 mg/L"),
    }
    right_unit = {**pour, "water": {**strip(1.0, alkalinity, iron="0 mg/L"), "hardness": f"{hardness} mg/L CaCO3"}}
    assert check(right_unit, catalog, depth="numbers").verdict != "clear"
    assert check(pour, catalog, depth="numbers").verdict in {"stop", "unknown"}


# --- what cannot be -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("item", "text"),
    [
        # seawater (from memory): calcium 412, magnesium 1290, sodium 10,800, chloride 19,400, sulfate 2,700 mg/L
        ("magnesium", "1290 mg/L"),
        ("sodium", "10800 mg/L"),
        ("chloride", "19400 mg/L"),
        ("calcium", "95 g/L"),
        ("alkalinity", "210 meq/L"),
        ("hardness", "350 dH"),
        ("hardness", "300 gpg"),
        ("bicarbonate", "256 mmol/L"),
        ("iron", "300 mg/L"),
        ("sulfide", "-1 mg/L"),
        ("silica", "14 g/L"),
        ("nitrate", "2000 mg/L"),
        ("ph", "0"),
        ("ph", "14"),
        ("ph", "8 to 7"),
        ("bacteria", "-5 per mL"),
        ("suspended_solids", "-5 mg/L"),
        ("dissolved_solids", "900 g/L"),
        ("temperature", "400 degC"),
        ("calcium", "120 to 80 mg/L"),
    ],
)
def test_impossible_numbers(item: str, text: str) -> None:
    """No irrigation water holds this: refused in one line that names the item or the number."""
    with pytest.raises((InputError, ValueError)) as refused:
        WaterTest.model_validate({item: text})
    said = str(refused.value)
    assert item in said or text in said


@pytest.mark.parametrize(
    ("item", "text"),
    [
        # FAO Irrigation and Drainage Paper 29, table 2, usual ranges in irrigation water (from memory), meq/L
        ("calcium", "20 meq/L"),
        ("magnesium", "5 meq/L"),
        ("sodium", "40 meq/L"),
        ("bicarbonate", "10 meq/L"),
        ("chloride", "30 meq/L"),
        ("sulfate", "20 meq/L"),
        ("nitrate", "10 mg/L N"),
        ("ph", "6.0 to 8.5"),
    ],
)
def test_possible_numbers(item: str, text: str) -> None:
    """The ends of the usual ranges are read."""
    tested = WaterTest.model_validate({item: text})
    assert tested.ranges_mol_per_l() or tested.ph_range


def test_the_usual_ranges_are_those_of_the_policy() -> None:
    """What stands in for an untested item: the region's ranges in mg/L, alkalinity as CaCO3."""
    usual = usual_mg_per_l(region_named("aldervane").unknowns())
    assert usual["calcium"] == (3, 140)  # rules/policy/regions/aldervane.toml
    assert usual["sodium"] == usual_mg_per_l(default_unknowns())["sodium"]
    assert "ph" not in usual


@pytest.mark.parametrize("item", ["calcium", "sodium", "sulfate", "chloride"])
@pytest.mark.parametrize("share", [0.05, 0.1, 0.2])
def test_a_range_around_a_number_is_judged_no_milder(item: str, share: float) -> None:
    """A test that is off by a number is off by the range around it too."""
    off = {**REFERENCE, item: 3.0 * REFERENCE[item]}
    around = water({**off, item: 0.0}, **{item: f"{off[item] * (1 - share)} to {off[item] * (1 + share)} meq/L"})
    number, ranged = charge_balance(water(off), NONE_UNTESTED), charge_balance(around, NONE_UNTESTED)
    assert number is not None
    assert ranged is not None
    assert abs(ranged.off_percent) >= abs(number.off_percent) - 1e-3 > 0.0
