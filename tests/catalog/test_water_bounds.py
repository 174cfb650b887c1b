"""What a water test says of what it leaves out, against waters whose conductance PHREEQC computes; EC as labs write."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from phreeqpython import PhreeqPython

from pourcheck.catalog import InputError, WaterTest
from pourcheck.catalog.quantity.concentration import ec_ms_per_cm, mol_per_mg
from pourcheck.catalog.water.bounds import bounds, ec_agreement

#: Water items as PHREEQC names them, and their charges.
NAMES = {
    "calcium": ("Ca", 2), "magnesium": ("Mg", 2), "sodium": ("Na", 1), "potassium": ("K", 1),
    "chloride": ("Cl", -1), "sulfate": ("S(6)", -2), "nitrate": ("N(5)", -1), "alkalinity": ("Alkalinity", -1),
}  # fmt: skip
Water = dict[str, float]


@pytest.fixture(scope="module")
def phreeqc() -> PhreeqPython:
    """PHREEQC with the database phreeqc.dat, whose conductances follow from diffusion coefficients."""
    return PhreeqPython(database="phreeqc.dat")


def ec_of(phreeqc: PhreeqPython, water: Water) -> float:
    """Its conductance at 25 degC [mS/cm] of a water [mmol/L; alkalinity meq/L]."""
    given: dict[str, Any] = {"units": "mmol/kgw", "pH": 7.3, "temp": 25}
    solution = phreeqc.add_solution({**given, **{NAMES[item][0]: mmol for item, mmol in water.items() if mmol > 0}})
    found = solution.sc / 1000.0
    solution.forget()
    return float(found)


def residue_mg_per_l(water: Water) -> float:
    """Residue on drying: all ions, bicarbonate as carbonate [mg/L]."""
    grams = {"calcium": 40.08, "magnesium": 24.31, "sodium": 22.99, "potassium": 39.10, "chloride": 35.45}
    grams |= {"sulfate": 96.06, "nitrate": 62.00, "alkalinity": 30.00}
    return sum(grams[item] * mmol for item, mmol in water.items())


def waters(count: int) -> list[Water]:
    """Waters that balance, from soft to brackish, each led by a cation and an anion of its own."""
    rng = np.random.default_rng(20_260_401)
    cations = [item for item, (_, charge) in NAMES.items() if charge > 0]
    anions = [item for item, (_, charge) in NAMES.items() if charge < 0]
    found = []
    for _ in range(count):
        size = 10 ** rng.uniform(-0.3, 1.45)  # 0.5 to 28 meq/L
        meq = {}
        for side in (cations, anions):
            shares = rng.dirichlet(np.full(len(side), 0.6))
            meq |= dict(zip(side, size * shares, strict=True))
        meq["alkalinity"], meq["potassium"] = min(0.05 + meq["alkalinity"], 8.0), min(meq["potassium"], 5.0)
        meq["sodium"] += size - sum(meq[item] for item in cations)
        meq["chloride"] += size - sum(meq[item] for item in anions)
        if meq["chloride"] < 0.0:
            continue
        found.append({item: value / abs(NAMES[item][1]) for item, value in meq.items()})
    return found


def as_test(water: Water, without: tuple[str, ...] = (), **more: Any) -> WaterTest:
    """A test of a water that leaves items out."""
    items = {
        item: f"{mmol:.6f} {'meq/L' if item == 'alkalinity' else 'mmol/L'}"
        for item, mmol in water.items()
        if item not in without
    }
    return WaterTest.model_validate(items | more)


LEFT_OUT = [
    ("sulfate",),
    ("sodium",),
    ("sulfate", "potassium"),
    ("sodium", "potassium", "sulfate", "chloride"),
    ("sodium", "potassium", "sulfate", "chloride", "nitrate", "calcium", "magnesium"),
    tuple(NAMES),
]


@pytest.mark.parametrize("without", LEFT_OUT, ids=" ".join)
def test_ec_and_balance_bound_what_is_missing(phreeqc: PhreeqPython, without: tuple[str, ...]) -> None:
    """What a water holds lies within the bounds, whatever was left out of its test; EC bounds each of them."""
    for water in waters(150):
        ec = ec_of(phreeqc, water)
        if ec > 5.0:
            continue
        found = bounds(as_test(water, without, ec=f"{ec:.4f} mS/cm"))
        assert found.keys() == set(without)
        for item, (low, high) in found.items():
            assert low - 1e-9 <= water[item] / 1000.0 <= high + 1e-9, (item, water, ec)


@pytest.mark.parametrize("meter", [False, True], ids=["residue", "meter"])
def test_dissolved_solids_bound_what_is_missing(phreeqc: PhreeqPython, meter: bool) -> None:
    """Be they a residue on drying, or a meter's display of 500 to 700 mg/L for each mS/cm (common practice, no
    source)."""
    for water in waters(80):
        ec = ec_of(phreeqc, water)
        shown = 500.0 * ec if meter else residue_mg_per_l(water)
        if not meter and shown / 470.0 > 5.0:
            continue
        found = bounds(as_test(water, LEFT_OUT[3], dissolved_solids=f"{shown:.2f} mg/L"))
        assert ec > 4.0 or found.keys() == set(LEFT_OUT[3])
        for item, (low, high) in found.items():
            assert low - 1e-9 <= water[item] / 1000.0 <= high + 1e-9, (item, water)


def test_ec_bounds_well(phreeqc: PhreeqPython) -> None:
    """A hard well without its sulfate, sodium, chloride, nitrate and potassium: with its EC the most of sulfate is
    below the 1,000 mg/L that a well may hold."""
    water = {"calcium": 2.37, "magnesium": 0.905, "sodium": 0.48, "potassium": 0.05, "alkalinity": 4.2}
    water |= {"chloride": 1.72, "sulfate": 0.416, "nitrate": 0.29}
    ec = ec_of(phreeqc, water)
    found = bounds(as_test(water, LEFT_OUT[3], ec=f"{ec:.3f} mS/cm"))
    assert 0.416e-3 < found["sulfate"][1] < 500 * mol_per_mg("sulfate")
    assert bounds(as_test(water, LEFT_OUT[3])) == {}


def test_balance_alone() -> None:
    """Rainwater's textbook case: 2 meq/L of calcium, 1.5 of alkalinity, everything else but sulfate tested as none
    leaves 0.5 meq/L of sulfate, give or take a tenth of the sum and 0.2 meq/L."""
    none = dict.fromkeys(("magnesium", "sodium", "potassium", "chloride", "nitrate"), "0 mg/L")
    low, high = bounds(WaterTest.model_validate({"calcium": "2 meq/L", "alkalinity": "1.5 meq/L", **none}))["sulfate"]
    assert 2e3 * low == pytest.approx((0.9 * 2.0 - 0.2) / 1.1 - 1.5, abs=1e-6) or low == 0.0
    assert 2e3 * high == pytest.approx((1.1 * 2.0 + 0.2) / 0.9 - 1.5, abs=1e-6)


def test_counter_ions_that_are_not_known() -> None:
    """With a cation and an anion missing plus and minus bound neither; the most of one, known from elsewhere, bounds
    the other."""
    test = WaterTest.model_validate(
        {"calcium": "2 meq/L", "magnesium": "0 mg/L", "alkalinity": "1.5 meq/L", "sodium": "0 mg/L"}
        | {"chloride": "0 mg/L", "nitrate": "0 mg/L"}
    )
    assert bounds(test) == {}
    found = bounds(test, most={"potassium": 0.0005})
    assert 2e3 * found["sulfate"][1] == pytest.approx((1.1 * 2.5 + 0.2) / 0.9 - 1.5, abs=1e-6)
    assert found["potassium"][1] == pytest.approx(0.0005)


def test_hardness_bounds_both_of_its_parts() -> None:
    """300 mg/L CaCO3 are 3 mmol/L: 120 mg/L of calcium at most, 73 of magnesium."""
    found = bounds(WaterTest.model_validate({"hardness": "300 mg/L CaCO3"}))
    assert found["calcium"][1] / mol_per_mg("calcium") == pytest.approx(120.1, abs=0.2)
    assert found["magnesium"][1] / mol_per_mg("magnesium") == pytest.approx(72.9, abs=0.2)


@pytest.mark.parametrize(
    "test",
    [
        {},
        {"ph": 7.6},
        {"calcium": "95 mg/L"},
        {
            "calcium": "2 meq/L",
            "magnesium": "0 mg/L",
            "sodium": "0 mg/L",
            "potassium": "0 mg/L",
            "alkalinity": "9 meq/L",
        },
        {"calcium": "200 mg/L", "ec": "0.2 mS/cm"},
        {"ec": "12 mS/cm"},
    ],
)
def test_nothing_is_bounded(test: dict[str, Any]) -> None:
    """By too little, by a test that contradicts itself, by an EC beyond what was compared."""
    assert bounds(WaterTest.model_validate(test)) == {}


def test_a_wider_test_bounds_less() -> None:
    """A range around an EC never makes the bounds narrower."""
    test = {"calcium": "95 mg/L", "alkalinity": "210 mg/L CaCO3"}
    sure = bounds(WaterTest.model_validate({**test, "ec": "0.8 mS/cm"}))
    wide = bounds(WaterTest.model_validate({**test, "ec": "0.7 to 0.9 mS/cm"}))
    assert sure.keys() == wide.keys()
    for item, (low, high) in sure.items():
        assert wide[item][0] <= low + 1e-12
        assert wide[item][1] > high


# --- EC against the ions --------------------------------------------------------------------------


def test_ec_of_a_true_test_agrees(phreeqc: PhreeqPython) -> None:
    """The conductance of a water fits its own ions; so it does within what a meter is off."""
    for water in waters(200):
        ec = ec_of(phreeqc, water)
        if ec > 5.0:
            continue
        for off in (0.96, 1.0, 1.04):
            found = ec_agreement(as_test(water, ec=f"{off * ec:.4f} mS/cm"))
            assert found is not None
            assert found.times_off == 1.0, (water, ec, found)


def test_a_slip_of_the_unit_is_seen(phreeqc: PhreeqPython) -> None:
    """EC as CaCO3-like numbers: half or twice of a true test does not fit, and says which way it is off."""
    for water in waters(60):
        ec = ec_of(phreeqc, water)
        if ec > 2.0:
            continue
        for off in (0.4, 2.0):
            found = ec_agreement(as_test(water, ec=f"{off * ec:.4f} mS/cm"))
            assert found is not None
            assert (found.times_off - 1.0) * (off - 1.0) > 0.0, (water, ec, found)


def test_ec_says_nothing_of_a_test_without_ions() -> None:
    """Nor where anything may be missing is it too high."""
    assert ec_agreement(WaterTest.model_validate({"ec": "0.9 mS/cm", "ph": 7})) is None
    found = ec_agreement(WaterTest.model_validate({"ec": "0.9 mS/cm", "calcium": "20 mg/L"}))
    assert found is not None
    assert found.times_off == 1.0


@pytest.mark.parametrize(
    "text",
    [
        *("0.9 mS/cm", "0.9 dS/m", "900 µS/cm", "900 μS/cm", "900 uS/cm", "900 umhos/cm", "900 umho/cm"),
        *("0.9 mmhos/cm", "0.9 mmho/cm", "900 micromhos/cm", "90 mS/m", "0.09 S/m", "0.9 mS/cm @ 25 C"),
        *("900 microsiemens per cm", "900 uS/cm at 25 °C", "0.9mS/cm", "900 UMHOS/CM"),
    ],
)
def test_ec_as_labs_write_it(text: str) -> None:
    """1 dS/m = 1 mS/cm = 1000 uS/cm = 1 mmho/cm = 0.1 S/m, by definition of the siemens (1 mho)."""
    assert ec_ms_per_cm(text) == pytest.approx(0.9)
    test = WaterTest.model_validate({"ec": text})
    assert test.other_range("ec") == pytest.approx((0.9, 0.9))
    assert test.model_dump(exclude_none=True)["ec"] == text


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("900 ppm", "dissolved_solids"),
        ("900", "0.9 mS/cm"),
        ("900 mS/cm", "mS/cm or uS/cm"),
        ("9 mg/L", "dissolved_solids"),
        ("0.9 mS", "0.9 dS/m"),
        ("-1 mS/cm", "mS/cm or uS/cm"),
    ],
)
def test_ec_that_cannot_be_read(text: str, says: str) -> None:
    """It says what to write instead."""
    with pytest.raises((InputError, ValueError), match=says):
        WaterTest.model_validate({"ec": text})


@pytest.mark.parametrize(
    "data",
    [
        {"ec_ms_per_cm": 0.9},
        {"ec_us_per_cm": 900},
        {"ec_ds_per_m": 0.9},
        {"conductivity": "900 uS/cm"},
        {"electrical_conductivity": "0.9 dS/m"},
        {"ec": "0.8 to 1.0 mS/cm"},
    ],
)
def test_other_names_of_ec(data: dict[str, Any]) -> None:
    """Plain numbers under a name with its unit, and names that labs print."""
    span = WaterTest.model_validate(data).other_range("ec")
    assert span is not None
    assert 0.5 * sum(span) == pytest.approx(0.9)


def test_tds_is_dissolved_solids() -> None:
    """Under either name, once."""
    assert WaterTest.model_validate({"tds": "500 mg/L"}).other("dissolved_solids") == pytest.approx(500)
    with pytest.raises(ValueError, match="given twice"):
        WaterTest.model_validate({"tds": "500 mg/L", "dissolved_solids": "500 mg/L"})
