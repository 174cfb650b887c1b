"""Rules of the water by itself in a verdict: what they say, their numbers, and ranges across an edge."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest

from pourcheck import Catalog, Verdict, WaterTest, check
from pourcheck.rules.answer.verdict import Finding
from pourcheck.rules.answer.water import oddities
from pourcheck.rules.families.registry import rules
from pourcheck.rules.policy import default_unknowns

#: Balanced by hand: 5 + 2 + 1 meq/L against 6 + 1 + 1 (20.039, 12.1525 and 22.990 mg per meq; 50.04, 35.45 and 48.03).
WATER = {
    "ph": 7.4, "calcium": "100.2 mg/L", "magnesium": "24.305 mg/L", "sodium": "22.99 mg/L",
    "alkalinity": "300.24 mg/L CaCO3", "chloride": "35.45 mg/L", "sulfate": "48.03 mg/L", "iron": "0 mg/L",
    "manganese": "0 mg/L",
}  # fmt: skip
ODDITIES = ("water-test-does-not-balance", "ec-does-not-fit-test", "hardness-may-be-grains", "water-test-old")
FAMILY = ("water-scales-by-itself", *ODDITIES, "water-test-incomplete")


def answer(catalog: Catalog, water: dict[str, Any] | None, product: str = "urea", **tables: Any) -> Verdict:
    """The verdict on 4 oz of a product in a water."""
    pour: dict[str, Any] = {
        "product": [{"name": product, "amount": "4 oz"}],
        "bucket": {"volume": "5 gal", "temperature": "20 degC"},
        "injection": {"ratio": "1:100", "line_temperature": "25 degC"},
        "poured_on": "2026-06-01",
        **tables,
    }
    if water is not None:
        pour["water"] = water
    return check(pour, catalog, depth="numbers")


def finding(verdict: Verdict, rule: str) -> Finding | None:
    """A rule's finding; None where it is silent."""
    return next((f for f in verdict.findings if f.rule == rule), None)


def test_the_family() -> None:
    """The rules of the family, and nothing else, stand under water."""
    assert [rule.name for rule in rules() if rule.family == "water"] == list(FAMILY)


@pytest.mark.parametrize(
    ("sodium", "chloride", "more", "less", "percent"),
    [
        (3.0, 1.0, 10.0, 8.0, 100 * 2 / 18),
        (1.0, 4.0, 11.0, 8.0, 100 * 3 / 19),
        (9.0, 1.0, 16.0, 8.0, 100 * 8 / 24),
    ],
)
def test_numbers_of_a_balance(
    catalog: Catalog, sodium: float, chloride: float, more: float, less: float, percent: float
) -> None:
    """The sums and the percent are those added up by hand; the words and the water of the verdict agree."""
    water = {**WATER, "sodium": f"{sodium * 22.99:.5g} mg/L", "chloride": f"{chloride * 35.45:.5g} mg/L"}
    verdict = answer(catalog, water)
    found = finding(verdict, "water-test-does-not-balance")
    assert found is not None
    assert found.where == "water"
    assert found.numbers["more"].value == pytest.approx(more, rel=1e-3)
    assert found.numbers["less"].value == pytest.approx(less, rel=1e-3)
    assert found.numbers["off"].value == pytest.approx(percent, rel=2e-3)
    assert found.numbers["allowed"].value == (2.0 if chloride + 7 < 10 else 5.0)
    sides = ("cations", "anions") if sodium > chloride else ("anions", "cations")
    assert f"{more:.3g} meq/L of {sides[0]} against {less:.3g} of {sides[1]}" in found.message
    assert verdict.water is not None
    sign = 1 if sodium > chloride else -1
    assert verdict.water.charge_off_percent == pytest.approx(sign * percent, rel=2e-3)


def test_the_verdict_and_the_water_check_say_the_same(catalog: Catalog) -> None:
    """The slip that the rule names is the first that `water check` names: 16 mg/L of sulfur for 48 of sulfate."""
    water = {**WATER, "calcium": "180.4 mg/L", "sulfate": "80.15 mg/L"}  # 9 meq/L of calcium, 5 of sulfur
    found = finding(answer(catalog, water), "water-test-does-not-balance")
    odd = oddities(WaterTest.model_validate(water), default_unknowns())
    assert found is not None
    assert len(odd) >= 2
    assert odd[1].removeprefix("it") in found.message
    assert "sulfate was meant as S instead of as SO4 (240 mg/L)" in odd[1]  # 80.15 x 96.06 / 32.06


def test_a_slip_is_not_named_where_the_test_can_be_used(catalog: Catalog) -> None:
    """A test that is a little off is a note, without guesses."""
    found = finding(answer(catalog, {**WATER, "sodium": "40 mg/L"}), "water-test-does-not-balance")
    assert found is not None
    assert found.level == "note"
    assert "was meant" not in found.message


@pytest.mark.parametrize("product", ["urea", "technical MAP", "calcium nitrate"])
def test_a_water_that_cannot_be_believed_is_never_clear(catalog: Catalog, product: str) -> None:
    """More than 25 % off: unknown whatever is poured, and the finding says to read the units again."""
    verdict = answer(catalog, {**WATER, "calcium": "5 mg/L", "magnesium": "0 mg/L"}, product)
    found = finding(verdict, "water-test-does-not-balance")
    assert found is not None
    assert found.level == "unknown"
    assert verdict.verdict in {"unknown", "stop"}
    assert "units" in found.do[0]


def test_grains(catalog: Catalog) -> None:
    """12 x 17.118 = 205.4 mg/L (grain and gallon by definition)."""
    strip = {"ph": 7.4, "hardness": "12 mg/L CaCO3", "alkalinity": "205 mg/L CaCO3", "iron": "0 mg/L"}
    found = finding(answer(catalog, strip), "hardness-may-be-grains")
    assert found is not None
    assert found.numbers["if_grains"].value == pytest.approx(12 * 64.79891 / 3.785411784, rel=1e-4)
    assert "write gpg" in found.do[0]


@pytest.mark.parametrize("years", [1, 2, 4, 10, 30])
def test_age(catalog: Catalog, years: int) -> None:
    """The age is from the test to the day of the pour, not to today."""
    poured = date(2026, 6, 1)
    tested = poured - timedelta(days=round(years * 365.25))
    verdict = answer(catalog, {**WATER, "tested_on": tested.isoformat()}, poured_on=poured.isoformat())
    found = finding(verdict, "water-test-old")
    assert (found is not None) == (years > 3)
    if found is not None:
        assert found.level == "note"
        assert f"{years} years old" in found.message
        assert found.numbers["years"].value == pytest.approx(years, abs=2 / 365.25)


def test_the_age_of_a_test_never_changes_a_verdict(catalog: Catalog) -> None:
    """Old, new and undated tests of the same numbers have the same verdict."""
    days = [{}, {"tested_on": "2026-05-01"}, {"tested_on": "1990-05-01"}]
    assert len({answer(catalog, {**WATER, **day}).verdict for day in days}) == 1


@pytest.mark.parametrize(
    ("item", "edge", "unit"),
    # Bucks, Nakayama and Gilbert 1979 classes, as reprinted: severe from
    [("iron", 1.5, "mg/L"), ("manganese", 1.5, "mg/L"), ("sulfide", 2.0, "mg/L")],
)
@pytest.mark.parametrize(
    ("low", "high", "expected"), [(0.8, 0.95, "caution"), (0.9, 1.1, "unknown"), (1.05, 1.2, "stop")]
)
def test_a_range_across_an_edge(
    catalog: Catalog, item: str, edge: float, unit: str, low: float, high: float, expected: str
) -> None:
    """An item stated as a range: definite where the range is on one side of the edge, unknown across it."""
    text = f"{low * edge:.4g} to {high * edge:.4g} {unit}"
    found = finding(answer(catalog, {**WATER, item: text}), f"{item}-in-water")
    assert found is not None
    assert found.level == expected


@pytest.mark.parametrize("product", ["technical MAP", "urea"])
def test_iron_below_what_the_lab_can_see(catalog: Catalog, product: str) -> None:
    """Text such as <0.05 mg/L is less than the moderate class (0.1 mg/L): silent, with phosphate too."""
    verdict = answer(catalog, {**WATER, "calcium": "1 mg/L", "iron": "<0.05 mg/L"}, product)
    assert finding(verdict, "iron-in-water") is None


@pytest.mark.parametrize("left_out", ["ph", "magnesium", "sulfate", "sodium", "chloride", "iron", "manganese"])
def test_what_a_test_leaves_out(catalog: Catalog, left_out: str) -> None:
    """One item left out is named alone, and swept; hardness stands for calcium."""
    water = {name: text for name, text in WATER.items() if name != left_out}
    verdict = answer(catalog, water)
    found = finding(verdict, "water-test-incomplete")
    assert found is not None
    name = "pH" if left_out == "ph" else left_out
    assert found.message.startswith(f"The water test leaves out {name}:")
    assert any(one.input == left_out and one.why == "not-stated" for one in verdict.assumed)
    assert finding(answer(catalog, WATER), "water-test-incomplete") is None


def test_no_water(catalog: Catalog) -> None:
    """Without a test there is no water in the verdict, and the note says so."""
    verdict = answer(catalog, None)
    assert verdict.water is None
    found = finding(verdict, "water-test-incomplete")
    assert found is not None
    assert found.message.startswith("No water test:")
    assert not [f for f in verdict.findings if f.rule in ODDITIES]


def test_the_water_of_a_verdict(catalog: Catalog) -> None:
    """Classes, hardness, flags and balance of a known well stand in the verdict, whatever is poured."""
    verdict = answer(catalog, {"name": "bog-well"})
    water = verdict.water
    assert water is not None
    # Bucks, Nakayama and Gilbert 1979, as reprinted: pH 6.7, iron 3.2, manganese 0.4, sulfide 0.05 mg/L
    assert water.clogging == {"iron": "severe", "manganese": "moderate", "ph": "slight", "sulfide": "slight"}
    assert water.worst == "severe"
    # 2.497 x 48 + 4.115 x 11 (water hardness standards page, factors read); over 120 to 180 is hard
    assert water.hardness_mg_per_l_caco3 == pytest.approx(2.497 * 48 + 4.115 * 11, rel=1e-3)
    assert water.hardness == "hard"
    # 48 mg/L of calcium are 2.395 meq/L, 160 mg/L CaCO3 3.197 (IUPAC atomic weights); over 2.5 is flagged
    assert water.above_2_5_meq_per_l == ("alkalinity",)
    assert answer(catalog, {"name": "bog-well"}, "potassium nitrate").water == water
