"""Water tests: numbers, ranges and limits of detection, and what is refused."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from pourcheck import InputError, WaterTest
from pourcheck.catalog.store import seeds


def water(**items: Any) -> WaterTest:
    """A water test of these items, as a file would give it."""
    return WaterTest.model_validate(items)


@pytest.mark.parametrize(
    ("item", "text", "low_mmol", "high_mmol"),
    # IUPAC weights: Ca 40.078, CaCO3 100.087, Fe 55.845, HCO3 61.017, SO4 96.06; 1 gpg = 64.79891 mg / 3.785412 L
    [
        ("calcium", "95 mg/L", 95 / 40.078, 95 / 40.078),
        ("calcium", "80 to 120 mg/L", 80 / 40.078, 120 / 40.078),
        ("calcium", "200-300 mg/L CaCO3", 200 / 100.087, 300 / 100.087),
        ("calcium", "95 +/- 5 mg/L", 90 / 40.078, 100 / 40.078),
        ("calcium", "4 to 5 meq/L", 2.0, 2.5),
        ("iron", "<0.05 mg/L", 0.0, 0.05 / 55.845),
        ("iron", "< 50 ppb", 0.0, 0.05 / 55.845),
        ("iron", "ND (<0.05 mg/L)", 0.0, 0.05 / 55.845),
        ("hardness", "12 grains", 205.42 / 100.087, 205.42 / 100.087),
        ("nitrate", "5 mg/L NO3-N", 5 / 14.007, 5 / 14.007),
        ("alkalinity", "95 mg/L CaCO3 +/- 5 %", 180.5 / 100.087, 199.5 / 100.087),
        ("alkalinity", "200 to 220 mg CaCO3/L", 400 / 100.087, 440 / 100.087),
        ("hardness", "10 to 12 gpg", 171.18 / 100.087, 205.42 / 100.087),
        ("alkalinity", "200 to 220 mg/L CaCO3", 400 / 100.087, 440 / 100.087),
        ("sulfate", "96.06 mg/L +/- 10 %", 0.9, 1.1),
    ],
)
def test_concentrations_as_ranges(item: str, text: str, low_mmol: float, high_mmol: float) -> None:
    """Lowest and highest in mol/L, and the middle for those that want one number."""
    tested = water(**{item: text})
    low, high = tested.ranges_mol_per_l()[item]
    assert low * 1000 == pytest.approx(low_mmol, rel=3e-4, abs=1e-12)
    assert high * 1000 == pytest.approx(high_mmol, rel=3e-4)
    assert tested.concentrations_mol_per_l()[item] * 1000 == pytest.approx(0.5 * (low_mmol + high_mmol), rel=3e-4)


def test_bicarbonate_is_read_as_alkalinity() -> None:
    """61.017 g of bicarbonate per mol of charge (IUPAC weights)."""
    low, high = water(bicarbonate="244 to 305 mg/L").ranges_mol_per_l()["alkalinity"]
    assert [low, high] == pytest.approx([4e-3, 5e-3], rel=1e-3)


@pytest.mark.parametrize(
    ("ph", "ends"),
    [
        (7.6, (7.6, 7.6)),
        (7, (7.0, 7.0)),
        ("7.6", (7.6, 7.6)),
        ("7.2 to 7.8", (7.2, 7.8)),
        ("7.2-7.8", (7.2, 7.8)),
        ("7.5 +/- 0.3", (7.2, 7.8)),
        (None, None),
    ],
)
def test_ph(ph: object, ends: tuple[float, float] | None) -> None:
    """One number or a range."""
    found = water(ph=ph).ph_range
    assert (found is None) == (ends is None)
    assert found is None or list(found) == pytest.approx(list(ends or ()))


def test_other_items_as_ranges() -> None:
    """Both ends, 50 and 59 degF are 10 and 15 degC; and the higher end for who wants one number."""
    tested = water(temperature="50 to 59 degF", suspended_solids="10 to 40 mg/L", bacteria="<10000 per mL")
    assert list(tested.other_range("temperature") or ()) == pytest.approx([10.0, 15.0])
    assert list(tested.other_range("suspended_solids") or ()) == pytest.approx([10.0, 40.0])
    assert list(tested.other_range("bacteria") or ()) == pytest.approx([0.0, 10_000.0])
    assert tested.other("suspended_solids") == pytest.approx(40.0)
    assert tested.other("bacteria") == pytest.approx(10_000.0)
    assert tested.other("temperature") == pytest.approx(15.0)
    assert water().other_range("temperature") is None
    assert water().other("bacteria") is None


@pytest.mark.parametrize(
    ("says", "items"),
    [
        # not detected says nothing without its limit
        ('write "<" and the reporting limit of the lab, "<0.05 mg/L"', {"iron": "ND"}),
        ("reporting limit", {"iron": "not detected"}),
        ("reporting limit", {"manganese": "n.d."}),
        ("reporting limit", {"sulfide": "trace"}),
        ("reporting limit", {"bacteria": "ND"}),
        # no end, or backwards
        ("no upper end", {"calcium": ">400 mg/L"}),
        ("write a range, up to the most that it can be", {"calcium": ">400 mg/L"}),
        ("no upper end", {"ph": ">7"}),
        ("no fraction of a measure", {"calcium": "80/120 mg/L"}),
        ("runs backwards", {"calcium": "120 to 80 mg/L"}),
        ("runs backwards", {"ph": "7.8 to 7.2"}),
        ("goes below zero", {"calcium": "5 +/- 6 mg/L"}),
        # nonsense
        ("not a pH of irrigation water", {"ph": "2 to 7"}),
        ("not a pH of irrigation water", {"ph": "7 to 12"}),
        ("not a pH of irrigation water", {"ph": "<7"}),
        ("not a pH", {"ph": "sour"}),
        ("not a pH", {"ph": "nan"}),
        ("no unit", {"calcium": "80 to 120"}),
        ("unit that fits", {"calcium": "80 to 120 furlong"}),
        ("not possible for calcium", {"calcium": "5 to 90000 g/L"}),
        ("not possible for calcium", {"calcium": "-5 mg/L"}),
        ("basis", {"alkalinity": "200 to 220 mg/L"}),
        ("hardness unit", {"sodium": "3 to 4 gpg"}),
        ("not a temperature", {"temperature": "50 to 500 degF"}),
        ("both given", {"alkalinity": "4 meq/L", "bicarbonate": "4 meq/L"}),
        ("not a day", {"tested_on": "last spring"}),
    ],
)
def test_water_that_is_refused(says: str, items: dict[str, Any]) -> None:
    """What is no number, or cannot be in water, is refused in one line that names the item and the cure."""
    with pytest.raises((InputError, ValidationError)) as refused:
        water(**items)
    if isinstance(refused.value, InputError):
        told = str(refused.value)
        assert "\n" not in told
        assert told.startswith(tuple(items))
        assert ";" in told
    assert says in str(refused.value)


@given(
    st.sampled_from(["calcium", "magnesium", "hardness", "sodium", "chloride", "sulfate"]),
    st.floats(0.0, 200.0),
    st.floats(0.0, 200.0),
)
@settings(max_examples=100, deadline=None, derandomize=True)
def test_a_range_holds_what_lies_in_it(item: str, one: float, other: float) -> None:
    """Any number between the two ends is read as lying between them."""
    low, high = sorted((round(one, 2), round(other, 2)))
    unit = "mg/L CaCO3" if item == "hardness" else "mg/L"
    ends = water(**{item: f"{low:.2f} to {high:.2f} {unit}"}).ranges_mol_per_l()[item]
    middle = water(**{item: f"{0.5 * (low + high):.4f} {unit}"}).ranges_mol_per_l()[item]
    assert middle[0] == middle[1]
    assert ends[0] - 1e-9 <= middle[0] <= ends[1] + 1e-9


@pytest.mark.parametrize("well", seeds.seed_waters(), ids=lambda well: well.id)
def test_demo_wells_are_single_numbers(well: WaterTest) -> None:
    """An analysis by a lab states numbers: no item of a demo well is a range."""
    assert well.ranges_mol_per_l()
    assert all(low == high for low, high in well.ranges_mol_per_l().values())
    assert well.ph_range is not None
    assert well.ph_range[0] == well.ph_range[1]
