"""The sweep over what is not known: its scenarios, what explains a disagreement, and where a verdict turns."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product as cross
from typing import Any

import numpy as np
import pytest
from scipy.stats import f_oneway

from pourcheck import Catalog, InputError, Pour, UnknownName, check
from pourcheck.catalog.label.directions import DIRECTIONS
from pourcheck.catalog.quantity.table import INJECTION_RATIO, QUANTITIES
from pourcheck.rules.answer.assess import weigh
from pourcheck.rules.answer.findings import decided, looked_at
from pourcheck.rules.ask.question import Question, ask
from pourcheck.rules.case.case import Case
from pourcheck.rules.explore.deciding import TurningPoint, explained, turning_points
from pourcheck.rules.explore.openings import inputs
from pourcheck.rules.explore.scenarios import scenarios

WATER: dict[str, Any] = {
    "phosphate": "0 mg/L", "boron": "0 mg/L",
    "ph": 7.6, "alkalinity": "210 mg/L CaCO3", "calcium": "95 mg/L", "magnesium": "8 mg/L", "sodium": "10 mg/L",
    "potassium": "1 mg/L", "chloride": "30 mg/L", "sulfate": "40 mg/L", "nitrate": "5 mg/L", "iron": "0.01 mg/L",
    "manganese": "0.005 mg/L", "silica": "10 mg/L", "temperature": "14 degC",
}  # fmt: skip
LOOSE = {
    "name": "loose", "amount": "1 kg", "grade": "10-0-10", "form": "dry",
    "derived_from": ["urea", "potassium chloride", "potassium sulfate", "ammonium sulfate"],
}  # fmt: skip
LIME = {
    "name": "lime feed", "amount": "1 kg", "grade": "12-0-12", "form": "dry",
    "derived_from": ["calcium nitrate", "potassium nitrate", "potassium chloride", "calcium chloride"],
}  # fmt: skip
UNLISTED = {"name": "no sources", "amount": "1 kg", "grade": "10-5-10", "form": "dry"}


def pour(*products: dict[str, Any] | str, without: tuple[str, ...] = (), **changed: Any) -> dict[str, Any]:
    """A pour that states everything, but for what is left out of the water or changed; products as "name=amount"."""
    named = [
        p if isinstance(p, dict) else dict(zip(("name", "amount"), p.rsplit("=", 1), strict=True)) for p in products
    ]
    injection = {"ratio": "1:100", "injector": "measured", "line_temperature": "25 degC"}
    water = {k: v for k, v in WATER.items() if k not in without}
    return {
        "product": named,
        "bucket": {"volume": "20 L", "temperature": changed.pop("bucket_temperature", "15 degC")},
        "injection": {k: v for k, v in (injection | changed.pop("injection", {})).items() if v is not None},
        "site": {"backflow_preventer": True},
        "water": water | changed,
    }


def asked(catalog: Catalog, data: dict[str, Any]) -> Question:
    """The question of a pour."""
    return ask(Pour.parse(data), catalog)


# --- scenarios ------------------------------------------------------------------------------------

QUESTIONS = {
    "nothing": pour("technical MAP=0.2 kg"),
    "calcium": pour("technical MAP=0.2 kg", without=("calcium",)),
    "three": pour("technical MAP=0.2 kg", without=("calcium", "iron", "sulfate")),
    "by a pump": pour("technical MAP=0.2 kg", injection={"injector": "pump"}),
    "a range": pour(
        "technical MAP=0.2 kg", calcium="80 to 120 mg/L", ph="7.2 to 7.8", bucket_temperature="10 to 20 degC"
    ),
    "everything": pour("technical MAP=0.2 kg", without=tuple(WATER)),
    "a label": pour(LOOSE),
    "two labels": pour(LOOSE, LIME, without=("calcium",)),
    "two labels, everything": pour(LOOSE, LIME, without=tuple(WATER)),
    "no sources": pour(UNLISTED),
}


@pytest.mark.parametrize("which", QUESTIONS)
def test_the_best_estimate_is_the_first_scenario(catalog: Catalog, which: str) -> None:
    """Row 0 is what is stated, and the best estimate of what is not."""
    question = asked(catalog, QUESTIONS[which])
    columns = scenarios(question)
    first = {name: float(column[0]) for name, column in columns.numbers.items()}
    assert first == pytest.approx(question.nominal())
    assert len({len(column) for column in (*columns.numbers.values(), columns.mixture, columns.leaning)}) == 1
    assert not np.any(columns.mixture[0])


@pytest.mark.parametrize("which", QUESTIONS)
def test_scenarios_reach_the_ends_and_not_beyond(catalog: Catalog, which: str) -> None:
    """Every range is swept from end to end, and each end of each alone too; what is stated stays as it is."""
    question = asked(catalog, QUESTIONS[which])
    columns = scenarios(question)
    for unknown in question.unknowns:
        values = columns.numbers[unknown.name]
        assert np.min(values) == pytest.approx(unknown.low, abs=1e-9)
        assert np.max(values) == pytest.approx(unknown.high, abs=1e-9)
    for name, value in question.fixed.items():
        assert np.all(columns.numbers[name] == value)
    for place, product in enumerate(question.poured):
        assert set(np.unique(columns.mixture[:, place])) <= set(range(max(1, len(product.composition.mixtures))))
        assert np.all((columns.leaning[:, place] >= 0.0) & (columns.leaning[:, place] <= 1.0))


@pytest.mark.parametrize("which", ["calcium", "three", "a range", "by a pump"])
def test_few_unknowns_are_tried_in_every_corner(catalog: Catalog, which: str) -> None:
    """All combinations of lowest and highest."""
    question = asked(catalog, QUESTIONS[which])
    columns = scenarios(question)
    table = np.array([columns.numbers[unknown.name] for unknown in question.unknowns]).T
    assert 1 <= len(question.unknowns) <= 5
    for corner in cross(*((unknown.low, unknown.high) for unknown in question.unknowns)):
        assert np.any(np.all(np.isclose(table, corner, atol=1e-9), axis=1)), corner


def test_many_unknowns_are_tried_all_low_all_high_and_one_at_a_time(catalog: Catalog) -> None:
    """With everything open: both ends of all, of each one alone, and of others in turn."""
    question = asked(catalog, QUESTIONS["everything"])
    columns, nominal = scenarios(question), question.nominal()
    table = np.array([columns.numbers[unknown.name] for unknown in question.unknowns]).T
    lows, highs = (np.array([getattr(u, end) for u in question.unknowns]) for end in ("low", "high"))
    middle = np.array([nominal[u.name] for u in question.unknowns])
    expected = [lows, highs]
    for i in range(len(middle)):
        for ends in (lows, highs):
            expected.append(np.where(np.arange(len(middle)) == i, ends, middle))
    for row in expected:
        assert np.any(np.all(np.isclose(table, row, atol=1e-9), axis=1))


@pytest.mark.parametrize("which", ["a label", "two labels", "two labels, everything", "no sources"])
def test_every_lean_of_the_labels_is_tried(catalog: Catalog, which: str) -> None:
    """For each direction a scenario in which every product goes as far in it as its label allows, with the rest at
    its best estimate, and one in which it is not."""
    question = asked(catalog, QUESTIONS[which])
    columns, nominal = scenarios(question), question.nominal()
    numbers = np.array([columns.numbers[unknown.name] for unknown in question.unknowns]).reshape(-1, len(columns))
    best = np.array([nominal[unknown.name] for unknown in question.unknowns])
    nominal_row = np.all(np.isclose(numbers.T, best), axis=1)
    places = list(question.open_labels)
    picks = columns.mixture[:, places]
    whole = np.all(columns.leaning[:, places] == 1.0, axis=1)
    labels = [question.poured[place].composition for place in places]
    for i, direction in enumerate(DIRECTIONS):
        lean = [known.towards(i) for known in labels]
        same = whole & np.all(picks == lean, axis=1)
        assert np.any(same & nominal_row), direction.name
        if len(question.unknowns) and all(known.listed for known in labels) and any(lean):
            assert np.any(same & ~nominal_row), direction.name
    assert not np.all(whole), "points inside are tried too"


@pytest.mark.parametrize("which", ["everything", "two labels", "no sources"])
def test_the_same_question_has_the_same_scenarios(catalog: Catalog, which: str) -> None:
    """Nothing is left to chance."""
    one, other = (scenarios(asked(catalog, QUESTIONS[which])) for _ in range(2))
    assert one.numbers.keys() == other.numbers.keys()
    for name in one.numbers:
        np.testing.assert_array_equal(one.numbers[name], other.numbers[name])
    np.testing.assert_array_equal(one.mixture, other.mixture)
    np.testing.assert_array_equal(one.leaning, other.leaning)


def test_a_set_ratio_is_swept_and_a_measured_one_is_not(catalog: Catalog) -> None:
    """A pump by 10 % either way (from memory: makers of proportional injectors); what it is set to is the estimate."""
    pump = asked(catalog, QUESTIONS["by a pump"])
    swept = scenarios(pump).of(INJECTION_RATIO)
    assert swept[0] == pytest.approx(100.0)
    assert [np.min(swept), np.max(swept)] == pytest.approx([90.0, 110.0])
    assert [one.input for one in pump.assumed if one.why == "read-off-setting"] == ["injection_ratio"]
    assert asked(catalog, QUESTIONS["nothing"]).fixed["injection_ratio"] == 100.0
    stated = asked(catalog, pour("technical MAP=0.2 kg", injection={"ratio": "1:80 to 1:120"}))
    assert {(u.low, u.high) for u in stated.unknowns} == {(80.0, 120.0)}


# --- what explains a disagreement -----------------------------------------------------------------


def test_what_decides_explains_all_and_what_does_not_nothing() -> None:
    """bad where x1 > 0.5, whatever x2 is."""
    rng = np.random.default_rng(3)
    x1, x2 = rng.random((2, 800))
    bad = x1 > 0.5
    assert explained(x1, bad) > 0.95
    assert explained(x2, bad) < 0.03


def test_the_share_is_the_same_on_any_scale() -> None:
    """Only the order of the values counts."""
    rng = np.random.default_rng(4)
    x1, x2 = rng.random((2, 600))
    bad = x1 + 0.5 * x2 > 0.8
    assert explained(x1, bad) == pytest.approx(explained(np.exp(5 * x1), bad), abs=1e-9)
    assert explained(x1, bad) > explained(x2, bad) > 0.0


@pytest.mark.parametrize(("a", "b"), [(1.0, 0.0), (1.0, 0.4), (1.0, 1.0), (0.3, 1.0)])
def test_against_the_analysis_of_variance(a: float, b: float) -> None:
    """Correlation ratio over eight classes of equal size, corrected for chance (Kelley's epsilon squared, from memory:
    1 - (1 - eta squared) (n - 1) / (n - k)), from scipy's one-way analysis of variance."""
    rng = np.random.default_rng(5)
    x1, x2 = rng.random((2, 1600))
    bad = a * x1 + b * x2 > 0.5 * (a + b)
    for values in (x1, x2):
        groups = np.array_split(bad[np.argsort(values)].astype(float), 8)
        if all(np.ptp(group) == 0.0 for group in groups):
            expected = 1.0
        else:
            f = float(f_oneway(*groups).statistic)
            n, k = len(values), 8
            eta = f * (k - 1) / (f * (k - 1) + n - k)
            expected = max(0.0, 1.0 - (1.0 - eta) * (n - 1) / (n - k))
        assert explained(values, bad) == pytest.approx(expected, abs=0.02)


def test_nothing_to_explain() -> None:
    """No disagreement, or an input with one value."""
    values, one = np.linspace(0.0, 1.0, 50), np.ones(50)
    assert explained(values, np.zeros(50, dtype=bool)) == 0.0
    assert explained(values, np.ones(50, dtype=bool)) == 0.0
    assert explained(one, values > 0.5) == 0.0


def test_a_choice_of_few_explains_by_its_classes() -> None:
    """bad for two of four mixtures."""
    picks = np.tile([0.0, 1.0, 2.0, 3.0], 50)
    assert explained(picks, (picks == 1.0) | (picks == 3.0)) == pytest.approx(1.0)


# --- where it turns -------------------------------------------------------------------------------


def answer(data: dict[str, Any], catalog: Catalog) -> str:
    """Trouble or none. A water test of which one number alone is changed is out of balance, as no water is: what is
    said of the test as such is left out."""
    found = check(data, catalog, depth="numbers").findings
    bad = {f.rule for f in found if f.level in {"stop", "unknown"} and not f.rule.startswith("water-test-")}
    return "trouble" if bad else "none"


#: pours with one thing open, by the name that the verdict has for it; put: states it.
ONE_OPEN: dict[str, tuple[str, dict[str, Any], Any]] = {
    "calcium": (
        "water calcium",
        pour("technical MAP=0.3 kg", calcium="5 to 200 mg/L"),
        lambda v: pour("technical MAP=0.3 kg", calcium=f"{v!r} mg/L"),
    ),
    "calcium of gypsum": (
        "water calcium",
        pour("potassium sulfate=1.4 kg", calcium="300 to 550 mg/L"),
        lambda v: pour("potassium sulfate=1.4 kg", calcium=f"{v!r} mg/L"),
    ),
    "alkalinity": (
        "water alkalinity",
        pour("calcium nitrate=1 kg", without=("alkalinity",), ph=8.0),
        lambda v: pour("calcium nitrate=1 kg", alkalinity=f"{v!r} mg/L CaCO3", ph=8.0),
    ),
    "pH": (
        "water pH",
        pour("potassium carbonate=0.06 kg", ph="7.0 to 8.2"),
        lambda v: pour("potassium carbonate=0.06 kg", ph=v),
    ),
    "ratio": (
        "injection ratio",
        pour("potassium carbonate=0.06 kg", injection={"ratio": "1:60 to 1:200"}),
        lambda v: pour("potassium carbonate=0.06 kg", injection={"ratio": f"1:{v!r}"}),
    ),
    "bucket temperature": (
        "bucket temperature",
        pour("potassium nitrate=3.5 kg", bucket_temperature="2 to 30 degC"),
        lambda v: pour("potassium nitrate=3.5 kg", bucket_temperature=f"{v!r} degC"),
    ),
}


@pytest.mark.parametrize("which", ONE_OPEN)
def test_the_turning_value_is_where_it_turns(catalog: Catalog, which: str) -> None:
    """With that input stated 3 % (0.1 pH, 1 degC) to either side, the verdict is a go here and none there."""
    name, data, put = ONE_OPEN[which]
    verdict = check(data, catalog)
    assert verdict.verdict == "unknown"
    assert [decider.input for decider in verdict.decided_by] == [name]
    decider = verdict.decided_by[0]
    at = decider.turns_at
    assert at is not None
    assert decider.low is not None
    assert decider.high is not None
    assert decider.low <= at <= decider.high
    assert 0.3 < decider.explains <= 1.0
    assert decider.find_out
    step = {"water pH": 0.1, "bucket temperature": 1.0}.get(name, 0.03 * at)
    outwards = 1.0 if decider.worse_when == "above" else -1.0
    assert answer(put(at + outwards * step), catalog) == "trouble"
    assert answer(put(at - outwards * step), catalog) == "none"


def test_with_two_things_open_it_turns_at_the_best_estimate_of_the_other(catalog: Catalog) -> None:
    """Calcium and pH open: with the pH stated at the middle of its range the verdict turns at the calcium that is
    named; at other pH between the two ends that are given."""
    data = pour("technical MAP=0.3 kg", calcium="5 to 200 mg/L", ph="7.0 to 7.4")
    verdict = check(data, catalog)
    assert verdict.verdict == "unknown"
    assert 1 <= len(verdict.decided_by) <= 2
    calcium = next(decider for decider in verdict.decided_by if decider.input == "water calcium")
    assert calcium.turns_at is not None
    assert calcium.low is not None
    assert calcium.high is not None
    for ph in (7.0, 7.2, 7.4):
        above = pour("technical MAP=0.3 kg", calcium=f"{1.04 * calcium.high!r} mg/L", ph=ph)
        below = pour("technical MAP=0.3 kg", calcium=f"{0.94 * calcium.low!r} mg/L", ph=ph)
        assert answer(above, catalog) == "trouble", ph
        assert answer(below, catalog) == "none", ph
    for factor, expected in ((1.03, "trouble"), (0.97, "none")):
        told = pour("technical MAP=0.3 kg", calcium=f"{factor * calcium.turns_at!r} mg/L", ph=7.2)
        assert answer(told, catalog) == expected


def test_the_deciding_input_is_named_among_many(catalog: Catalog) -> None:
    """Nothing but iron and manganese known of the water, phosphate in the bucket: one or two inputs, calcium,
    alkalinity or pH among them, since calcium phosphate comes of these."""
    open_ = tuple(item for item in WATER if item not in {"iron", "manganese"})
    verdict = check(pour("technical MAP=0.3 kg", without=open_), catalog)
    assert verdict.verdict == "unknown"
    names = [decider.input for decider in verdict.decided_by]
    assert 1 <= len(names) == len(set(names)) <= 2
    assert {"water calcium", "water alkalinity", "water pH"} & set(names)
    assert all(0.0 < decider.explains <= 1.0 for decider in verdict.decided_by)


def test_what_is_looked_for_together_is_found_as_if_alone(catalog: Catalog) -> None:
    """Where each finding turns, and what the verdict turns on, each by itself and all in one batch a round."""
    open_ = tuple(item for item in WATER if item not in {"iron", "manganese"})
    weighed = weigh(asked(catalog, pour("technical MAP=0.3 kg", without=open_)))
    question, columns, judge = weighed.question, weighed.case.columns, weighed.judge
    wanted = [*looked_at(weighed.judged), *decided(weighed.judged)]
    assert len(wanted) > 2

    def told(turns: Sequence[TurningPoint]) -> list[tuple[object, ...]]:
        return [(turn.input.name, turn.at, turn.low, turn.high, turn.worse_above, turn.explains) for turn in turns]

    together = turning_points(question, columns, judge, wanted)
    assert any(turn.at is not None for turns in together for turn in turns)
    for one, turns in zip(wanted, together, strict=True):
        (alone,) = turning_points(question, columns, judge, [one])
        assert told(turns) == told(alone)


def test_nothing_decides_a_verdict_that_is_known(catalog: Catalog) -> None:
    """Clear, caution and stop have no deciding inputs."""
    for data in (pour("urea=0.3 kg"), pour("technical MAP=0.3 kg")):
        verdict = check(data, catalog)
        assert verdict.verdict != "unknown"
        assert verdict.decided_by == ()


def test_a_label_without_sources_is_told_in_words(catalog: Catalog) -> None:
    """Which sources it is made of is no number: the derived-from line is asked for."""
    question = asked(catalog, pour(UNLISTED))
    found = [one for one in inputs(question, scenarios(question)) if one.choose is not None]
    assert [one.name for one in found] == ["sources of no sources"]
    assert "derived from" in found[0].find_out
    assert found[0].choose is not None
    mixtures = question.poured[0].composition.mixtures
    bad = np.array([mixtures[int(i)].species_mol_per_kg.get("SO4-2", 0.0) > 1.0 for i in found[0].values])
    assert 0 < np.sum(bad) < len(bad)
    choice = found[0].choose(bad)
    assert "sulfate" in choice.worse
    assert choice.better


def test_what_a_label_leaves_open_is_an_input_for_each_species(catalog: Catalog) -> None:
    """10-0-10 of two potash and two nitrogen sources leaves chloride, sulfate, ammonium and urea open."""
    question = asked(catalog, pour(LOOSE))
    names = {one.name for one in inputs(question, scenarios(question))}
    assert {"chloride in loose", "sulfate in loose"} <= names
    for one in inputs(question, scenarios(question)):
        places = np.linspace(*one.ends, 5)
        percent = one.value(places)
        assert np.all(np.diff(percent) > 0), "from least to most"
        assert percent[0] <= np.min(one.values) + 1e-9
        assert percent[-1] >= np.max(one.values) - 1e-9


# --- what the rest of a water test says of what was not tested ------------------------------------


def swept(catalog: Catalog, item: str, water: dict[str, Any]) -> tuple[float, float]:
    """Range over which an item of the water is swept, in its unit."""
    question = asked(catalog, pour("calcium nitrate=1 kg") | {"water": water})
    return next((unknown.low, unknown.high) for unknown in question.unknowns if unknown.name == item)


def test_untested_sulfate_is_what_plus_and_minus_leave(catalog: Catalog) -> None:
    """By hand: 95/20.04 + 8/12.15 + 10/22.99 + 1/39.1 = 5.86 meq/L of cations against 210/50.04 + 30/35.45 + 5/62.0 =
    5.12 of anions leave 0.73 meq/L, 35 mg/L; a test that may be off by a tenth of all charges leaves up to 1.3 + 0.2
    meq/L more, 107 mg/L in all."""
    low, high = swept(catalog, "sulfate", {k: v for k, v in WATER.items() if k != "sulfate"})
    assert low == 0.0
    assert 35.0 < high < 110.0


def test_a_meter_bounds_sulfate(catalog: Catalog) -> None:
    """Hardness, alkalinity and an EC of 0.3 mS/cm: that is some 3 meq/L of salts in all (common practice, no source:
    10 meq/L to 1 mS/cm), so no water of gypsum rock. At 2.5 mS/cm it may be one; without a meter nothing is known."""
    strip = {"ph": 7.2, "hardness": "60 mg/L CaCO3", "alkalinity": "60 mg/L CaCO3"}
    assert swept(catalog, "sulfate", {**strip, "ec": "0.3 mS/cm"})[1] < 4.5 * 48.0
    assert swept(catalog, "sulfate", {**strip, "ec": "2.5 mS/cm"})[1] > 600.0
    assert swept(catalog, "sulfate", strip) == (0.0, 1000.0)


def test_a_least_amount_beyond_the_usual_is_believed(catalog: Catalog) -> None:
    """Cations of 31 meq/L against 8 of anions: the sulfate that is missing is 1,100 mg/L by hand, not 1,000 at most."""
    rock = {**WATER, "calcium": "560 mg/L", "magnesium": "30 mg/L", "sodium": "10 mg/L"}
    low, high = swept(catalog, "sulfate", {k: v for k, v in rock.items() if k != "sulfate"})
    missing = 48.03 * (560 / 20.04 + 30 / 12.15 + 10 / 22.99 + 1 / 39.1 - 210 / 50.04 - 30 / 35.45 - 5 / 62.0)
    assert low < missing < high
    assert missing > 1000.0


def test_a_unit_in_doubt_bounds_nothing(catalog: Catalog) -> None:
    """Hardness that may be in grains is no number to count on."""
    assert swept(catalog, "sulfate", {**STRIP, "ec": "0.3 mS/cm"}) == (0.0, 1000.0)


# --- a unit that was perhaps misread --------------------------------------------------------------

#: A strip of which iron was tested too; what it says of hardness and alkalinity may be grains.
STRIP = {"ph": 7.6, "hardness": "19 mg/L", "alkalinity": "12 mg/L CaCO3", "iron": "0.02 mg/L"}
GRAINS = "hardness_in_grains"
#: mg/L in a US grain per US gallon: 64.79891 mg (definition of the grain) in 3.785411784 L (of the gallon).
GRAIN = 64.79891 / 3.785411784


def on_a_strip(product: str = "technical MAP=1 lb", **changed: Any) -> dict[str, Any]:
    """A pour of 5 gal into 1:100 with the water of STRIP; items that are None are left out."""
    name, amount = product.split("=")
    return {
        "product": [{"name": name, "amount": amount}],
        "bucket": {"volume": "5 gal"},
        "injection": {"ratio": "1:100"},
        "water": {key: value for key, value in (STRIP | changed).items() if value is not None},
    }


def test_a_low_hardness_is_swept_over_both_units(catalog: Catalog) -> None:
    """Row 0 as typed; rows in grains too, of 17.1 times the calcium, magnesium and alkalinity."""
    question = asked(catalog, on_a_strip())
    columns = scenarios(question)
    assert columns.numbers[GRAINS][0] == 0.0
    assert {0.0, 1.0} <= set(np.unique(columns.numbers[GRAINS]))
    column = next(unknown for unknown in question.unknowns if unknown.name == GRAINS)
    assert (column.low, column.high) == (0.0, 1.0)
    case = Case(question, question.columns(2).moved(QUANTITIES[GRAINS], np.array([0.0, 1.0])))
    totals = dict(zip(case.constants.masters, 1000.0 * case.water.totals_mol_per_kg.T, strict=True))
    # CaCO3 100.087 g/mol (IUPAC weights); at pH 7.6 alkalinity is bicarbonate, and carbonic acid goes along with it.
    hardness = [19 / 100.087, 19 * GRAIN / 100.087]
    assert totals["Ca+2"] + totals["Mg+2"] == pytest.approx(np.array(hardness), rel=2e-3)
    assert totals["CO3-2"][1] / totals["CO3-2"][0] == pytest.approx(GRAIN, rel=0.05)


@pytest.mark.parametrize(
    ("swept", "changed"),
    [
        (True, {}),
        (True, {"hardness": "19 ppm"}),
        (True, {"hardness": "40 mg/L CaCO3"}),
        (True, {"hardness": "15 to 40 mg/L CaCO3"}),
        (False, {"hardness": "41 mg/L CaCO3"}),  # wells run from 1 to some 30 grains (common practice, no source)
        (False, {"hardness": "30 to 41 mg/L CaCO3"}),
        (False, {"hardness": "19 gpg"}),
        (False, {"hardness": "19 grains"}),
        (False, {"hardness": "1.1 dH"}),
        (False, {"hardness": "0.38 meq/L"}),
        (False, {"softened": True}),
        (False, {"sodium": "10 mg/L"}),
        (False, {"calcium": "6 mg/L"}),
        (False, {"hardness": None, "calcium": "7.6 mg/L"}),
    ],
)
def test_when_both_units_are_swept(catalog: Catalog, swept: bool, changed: dict[str, Any]) -> None:
    """A low number in mg/L, of which nothing else says what it is; up to 40."""
    question = asked(catalog, on_a_strip(**changed))
    assert (GRAINS in {unknown.name for unknown in question.unknowns}) == swept


def test_a_strip_that_may_be_in_grains_is_not_clear(catalog: Catalog) -> None:
    """Phosphate goes into the water as typed and not into the same numbers in grains: unknown, and the unit decides."""
    soft = check(on_a_strip(softened=True), catalog, depth="numbers")
    hard = check(on_a_strip(hardness="19 gpg", alkalinity="12 gpg"), catalog, depth="numbers")
    verdict = check(on_a_strip(), catalog)
    assert soft.verdict in {"clear", "caution"}
    assert hard.verdict in {"stop", "unknown"}
    assert verdict.verdict == "unknown"
    unit = next(decider for decider in verdict.decided_by if decider.input == "unit of the hardness")
    assert unit.turns_at is None
    assert unit.worse_if == "grains per gallon"
    assert "gpg" in unit.find_out
    assert "hardness-may-be-grains" in {finding.rule for finding in verdict.findings}


# --- names for several materials ------------------------------------------------------------------

#: Calcium 45 mg/L.
MIDDLING = {"calcium": "45 mg/L", "magnesium": "10 mg/L", "alkalinity": "110 mg/L CaCO3", "sodium": "10 mg/L",
            "chloride": "20 mg/L", "sulfate": "20 mg/L", "nitrate": "2 mg/L"}  # fmt: skip


@pytest.mark.parametrize("amount", ["4 oz", "12 oz", "1 lb"])
def test_ammonium_phosphate_on_a_label_is_either_of_two(catalog: Catalog, amount: str) -> None:
    """20-20-20 with the acid salt can be poured, with the other it is stopped (2.15 and 7.2 are the first two pK of
    phosphoric acid, textbook, from memory: the second salt's phosphate is HPO4, which calcium takes): named as
    ammonium phosphate it is unknown."""
    found = {}
    for salt in ("monoammonium phosphate", "diammonium phosphate", "ammonium phosphate"):
        feed = {"name": "feed", "amount": amount, "form": "dry", "grade": "20-20-20",
                "derived_from": ["urea", salt, "potassium nitrate"]}  # fmt: skip
        data = pour(feed, bucket_temperature="20 degC", **MIDDLING)
        found[salt] = check(data, catalog, depth="numbers").verdict
    assert found["monoammonium phosphate"] in {"clear", "caution"}
    assert found["diammonium phosphate"] == "stop"
    assert found["ammonium phosphate"] == "unknown"


@pytest.mark.parametrize(
    ("name", "nearest"),
    [
        ("ammonium phosphate", {"monoammonium phosphate, technical", "diammonium phosphate, technical"}),
        ("ammonium phosphates", {"monoammonium phosphate, technical", "diammonium phosphate, technical"}),
        ("potassium phosphate", {"monopotassium phosphate", "dipotassium phosphate"}),
        ("iron chelate", {"iron EDTA", "iron DTPA", "iron EDDHA"}),
    ],
)
def test_a_name_for_several_is_no_product_to_pour(catalog: Catalog, name: str, nearest: set[str]) -> None:
    """Which of them it is, is asked: refused, with all of them named."""
    with pytest.raises((UnknownName, InputError)) as refused:
        check(pour(f"{name}=0.2 kg"), catalog)
    told = str(refused.value)
    assert f'"{name}"' in told
    assert all(f'"{one}"' in told for one in nearest)


# --- heat of what was dissolved before ------------------------------------------------------------


def cooling_c(catalog: Catalog, product: dict[str, Any] | str) -> float:
    """How much a pour cools the bucket at its best estimate [degC]."""
    question = asked(catalog, pour(product, bucket_temperature="20 degC"))
    return float(Case(question, question.columns(1)).cooling_c[0])


def test_a_liquid_was_cooled_by_its_maker(catalog: Catalog) -> None:
    """Urea takes up 15.4 kJ/mol (CRC enthalpy table): 1 kg (60.056 g/mol) in 20 L cools by 256 kJ over about 80 kJ/K
    (4.0 kJ/(kg K) of solution, from memory). The same as 2.17 kg of a bought solution of 21 % N cools nothing."""
    dry = {"name": "feed", "amount": "1 kg", "form": "dry", "grade": "46-0-0", "derived_from": ["urea"]}
    wet = {"name": "feed", "amount": "2.17 kg", "form": "liquid", "grade": "21-0-0", "derived_from": ["urea"]}
    assert cooling_c(catalog, "urea=1 kg") == pytest.approx(256 / 80, rel=0.06)
    assert cooling_c(catalog, dry) == pytest.approx(256 / 80, rel=0.06)
    assert cooling_c(catalog, wet) == 0.0
    both = cooling_c(catalog, "UAN 32=1 kg")
    assert both == pytest.approx(0.0, abs=0.5)
