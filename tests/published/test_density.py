"""Density, volume and heat capacity of strong solutions, against another program and against tables.

The library `thermo` has the same model and coefficients, but takes salts by weight instead of ions by
moles. The source stands beside every number of a table. "From memory" marks a number that was recalled
and not looked up again for this test.
"""

from __future__ import annotations

import csv
from importlib import resources

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from thermo.electrochem import Laliberte_density, Laliberte_heat_capacity, Laliberte_heat_capacity_w

from pourcheck.catalog.species import molar_mass_g_per_mol, species_molar_mass_g_per_mol
from pourcheck.rules.chemistry.constants import load
from pourcheck.rules.chemistry.density import (
    heat_capacity_kj_per_kg_k,
    solute_kg_per_kg_water,
    solution_density_kg_per_l,
    volume_l_per_kg_water,
)
from pourcheck.rules.chemistry.water_properties import density_kg_per_l

MASTERS = load().masters
MOLAR_MASSES = np.array([species_molar_mass_g_per_mol(name) for name in MASTERS])
WATER_G_PER_MOL = molar_mass_g_per_mol("H2O")
SHIPPED = resources.files("pourcheck.rules.chemistry") / "data" / "laliberte.csv"
ROWS = {row["formula"]: row for row in csv.DictReader(SHIPPED.read_text("utf-8").splitlines())}

#: Solutes in master species; "H2O" is water on the same side.
IONS: dict[str, dict[str, float]] = {
    "OH-": {"H+": -1, "H2O": 1},
    "NH3": {"NH4+": 1, "H+": -1},
    "CO2": {"CO3-2": 1, "H+": 2, "H2O": -1},
    "HCO3-": {"CO3-2": 1, "H+": 1},
    "HSO4-": {"SO4-2": 1, "H+": 1},
    "HPO4-2": {"PO4-3": 1, "H+": 1},
    "H2PO4-": {"PO4-3": 1, "H+": 2},
    "H3PO4": {"PO4-3": 1, "H+": 3},
    "CH3COOH": {"CH3COO-": 1, "H+": 1},
}
#: What is not in the table of coefficients: formula and what it dissolves to.
OTHERS: dict[str, dict[str, float]] = {
    "CO(NH2)2": {"urea": 1},
    "K2S2O3": {"K+": 2, "S2O3-2": 1},
    "(NH4)2S2O3": {"NH4+": 2, "S2O3-2": 1},
    "CaS2O3": {"Ca+2": 1, "S2O3-2": 1},
    "K4P2O7": {"K+": 4, "P2O7-4": 1},
    "NH4H2PO4": {"NH4+": 1, "PO4-3": 1, "H+": 2},
    "(NH4)2HPO4": {"NH4+": 2, "PO4-3": 1, "H+": 1},
    "(NH4)3HP2O7": {"NH4+": 3, "P2O7-4": 1, "H+": 1},
    "H3BO3": {"H3BO3": 1},
    "NaB(OH)4": {"Na+": 1, "H3BO3": 1, "H+": -1, "H2O": 1},
    "H4SiO4": {"H4SiO4": 1},
    "ZnNa2C10H12N2O8": {"Zn+2": 1, "Na+": 2, "Edta-4": 1},
    "KFeC18H16N2O6": {"K+": 1, "FeEddha-": 1},
    "NaHFeC14H18N3O10": {"Na+": 1, "H+": 1, "FeDtpa-2": 1},
    "(NH4)2MoO4": {"NH4+": 2, "MoO4-2": 1},
    "KOCl": {"K+": 1, "OCl-": 1},
    "MgF2": {"Mg+2": 1, "F-": 2},
}


def _charge(name: str) -> int:
    return round(float(load().charge[load().species.index(name)]))


def _dissolved(formula: str) -> dict[str, float]:
    """Masters and water per mole of a solute."""
    if formula in OTHERS:
        return OTHERS[formula]
    ions = ROWS[formula]["solute"].split()
    counts = [1]
    if len(ions) == 2:
        cation, anion = map(_charge, ions)
        equivalents = np.lcm(cation, -anion)
        counts = [equivalents // cation, equivalents // -anion]
    total: dict[str, float] = {}
    for ion, count in zip(ions, counts, strict=True):
        for name, moles in IONS.get(ion, {ion: 1.0}).items():
            total[name] = total.get(name, 0.0) + count * moles
    return total


def _bucket(shares: dict[str, float]) -> np.ndarray:
    """Totals (1, N) per kg of water of a solution of salts by mass fraction."""
    totals, water = np.zeros(len(MASTERS)), 1.0 - sum(shares.values())
    for formula, share in shares.items():
        moles = 1000.0 * share / molar_mass_g_per_mol(formula)
        for name, count in _dissolved(formula).items():
            if name == "H2O":
                water += moles * count * WATER_G_PER_MOL / 1000.0
            else:
                totals[MASTERS.index(name)] += moles * count
    return totals[None, :] / water


def _density(shares: dict[str, float], temperature_c: float) -> float:
    return float(solution_density_kg_per_l(_bucket(shares), np.array([temperature_c]), MASTERS)[0])


def _heat(shares: dict[str, float], temperature_c: float) -> float:
    return float(heat_capacity_kj_per_kg_k(_bucket(shares), np.array([temperature_c]), MASTERS)[0])


def _library(function, shares: dict[str, float], temperature_c: float) -> float:
    """A function of the library for the same salts, in kg/L or kJ/(kg K)."""
    numbers = [CAS.get(formula, ROWS[formula]["cas"]) for formula in shares]
    return function(temperature_c + 273.15, list(shares.values()), numbers) / 1000.0


#: The library keeps a blank before this number.
CAS = {"Na2HPO4": " 7558-79-4"}


def _points(row: dict[str, str], kind: str) -> list[tuple[float, float]]:
    """Mass fractions and temperatures within the range of a fit, as far as buckets go."""
    low, high = float(row[f"{kind}_min_t_c"]), min(float(row[f"{kind}_max_t_c"]), 60.0)
    strongest = float(row[f"{kind}_max_w"])
    return [(part * strongest, t) for part in (0.05, 0.3, 0.7, 0.95) for t in np.linspace(max(low, 0.0), high, 4)]


# --- the other program ----------------------------------------------------------------------------


@pytest.mark.parametrize("formula", ROWS)
def test_density_of_a_single_solute_matches_the_library(formula):
    """Density within 0.1 % at four strengths and temperatures of its range."""
    for share, temperature_c in _points(ROWS[formula], "density"):
        expected = _library(Laliberte_density, {formula: share}, temperature_c)
        assert expected == pytest.approx(_density({formula: share}, temperature_c), rel=1e-3), (share, temperature_c)


@pytest.mark.parametrize("formula", [formula for formula, row in ROWS.items() if row["a1"]])
def test_heat_capacity_of_a_single_solute_matches_the_library(formula):
    """Heat capacity within 0.1 % at four strengths and temperatures of its range."""
    for share, temperature_c in _points(ROWS[formula], "heat"):
        expected = _library(Laliberte_heat_capacity, {formula: share}, temperature_c)
        assert expected == pytest.approx(_heat({formula: share}, temperature_c), rel=1e-3), (share, temperature_c)


@pytest.mark.parametrize("temperature_c", [0.0, 7.5, 22.0, 35.0, 45.0])
def test_heat_capacity_of_water_matches_the_library(temperature_c):
    """Heat capacity of pure water within 0.05 %."""
    expected = Laliberte_heat_capacity_w(temperature_c + 273.15) / 1000.0
    assert expected == pytest.approx(_heat({}, temperature_c), rel=5e-4)


MIXTURES = [
    {"KNO3": 0.05, "MgSO4": 0.05, "NH4NO3": 0.05},
    {"Ca(NO3)2": 0.15, "NH4NO3": 0.05, "Mg(NO3)2": 0.05},
    {"K2SO4": 0.04, "KH2PO4": 0.08, "ZnSO4": 0.005},
    {"H3PO4": 0.10, "HNO3": 0.05, "KNO3": 0.05},
    {"(NH4)2SO4": 0.15, "KCl": 0.10},
    {"(NH4)2SO4": 0.10, "KNO3": 0.10, "MgSO4": 0.05},
    {"KCl": 0.10, "NaNO3": 0.05, "CaCl2": 0.05},
    {"MgSO4": 0.08, "MnSO4": 0.02, "CuSO4": 0.01, "FeSO4": 0.02},
    {"KOH": 0.05, "K2CO3": 0.10, "NaCl": 0.02},
    {"NaH2PO4": 0.10, "NH4Cl": 0.10},
]


@pytest.mark.parametrize("shares", MIXTURES, ids=" ".join)
@pytest.mark.parametrize("temperature_c", [15.0, 25.0, 40.0])
def test_density_of_a_mixture_matches_the_library(shares, temperature_c):
    """Density within 0.5 % of the library with the salts that were dissolved: which salts the ions are
    paired to hardly matters."""
    expected = _library(Laliberte_density, shares, temperature_c)
    assert expected == pytest.approx(_density(shares, temperature_c), rel=5e-3)


@pytest.mark.parametrize("shares", [{"KNO3": 0.05, "NaCl": 0.05}, {"KCl": 0.08, "NaNO3": 0.08}], ids=" ".join)
@pytest.mark.parametrize("temperature_c", [15.0, 25.0, 40.0])
def test_heat_capacity_of_a_mixture_matches_the_library(shares, temperature_c):
    """Heat capacity within 0.5 % of the library with the salts that were dissolved."""
    expected = _library(Laliberte_heat_capacity, shares, temperature_c)
    assert expected == pytest.approx(_heat(shares, temperature_c), rel=5e-3)


# --- tables ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("expected", "share", "formula"),
    # CRC Handbook of Chemistry and Physics, concentrative properties of aqueous solutions, density at
    # 20 degC [kg/L] by mass fraction; from memory.
    [
        (1.0627, 0.10, "KNO3"),
        (1.0633, 0.10, "KCl"),
        (1.1328, 0.20, "KCl"),
        (1.0707, 0.10, "NaCl"),
        (1.1478, 0.20, "NaCl"),
        (1.1429, 0.20, "NaNO3"),
        (1.1154, 0.20, "(NH4)2SO4"),
        (1.0567, 0.20, "NH4Cl"),
        (1.1034, 0.10, "MgSO4"),
        (1.1775, 0.20, "CaCl2"),
        (1.1029, 0.10, "Na2CO3"),
        (1.0703, 0.10, "KH2PO4"),
        (1.1134, 0.20, "H3PO4"),
        (1.1150, 0.20, "HNO3"),
        (1.1394, 0.20, "H2SO4"),
        (1.0980, 0.20, "HCl"),
        (1.2191, 0.20, "NaOH"),
        (0.9575, 0.10, "NH3"),
        (1.0263, 0.20, "HCH3CO2"),
    ],
)
def test_density_is_the_handbooks(expected, share, formula):
    """Density at 20 degC within 0.5 %."""
    assert expected == pytest.approx(_density({formula: share}, 20.0), rel=5e-3)


@pytest.mark.parametrize(
    ("low", "high", "temperature_c", "shares"),
    [
        # ISO 22241-1, aqueous urea solution of 32.5 %: 1.087 to 1.093 kg/L at 20 degC; from memory.
        (1.087, 1.093, 20.0, {"CO(NH2)2": 0.325}),
        # Urea and ammonium nitrate solutions of 32 % and 28 % nitrogen: 11.06 and 10.66 lb/gal at
        # 60 degF, as traded in the United States; from memory, 0.5 % either way for the make-up.
        (1.319, 1.332, 15.6, {"NH4NO3": 0.443, "CO(NH2)2": 0.354}),
        (1.271, 1.284, 15.6, {"NH4NO3": 0.395, "CO(NH2)2": 0.305}),
    ],
)
def test_urea_solutions_have_the_traded_density(low, high, temperature_c, shares):
    """Density of urea solutions within the range of the trade."""
    assert low <= _density(shares, temperature_c) <= high


def _phosphates(nitrogen: float, oxide: float, poly: float) -> dict[str, float]:
    """Mass fractions of the ammonium phosphates of a liquid with N and P2O5 by mass fraction, the part
    `poly` of the phosphorus as pyrophosphate."""
    phosphorus, ammonium = 2.0 * oxide / molar_mass_g_per_mol("P2O5"), nitrogen / molar_mass_g_per_mol("N")
    pyro, ortho = phosphorus * poly / 2.0, phosphorus * (1.0 - poly)
    diammonium = ammonium - 3.0 * pyro - ortho
    moles = {"NH4H2PO4": ortho - diammonium, "(NH4)2HPO4": diammonium, "(NH4)3HP2O7": pyro}
    return {formula: amount * molar_mass_g_per_mol(formula) for formula, amount in moles.items()}


@pytest.mark.parametrize(
    ("expected", "shares"),
    # Liquid fertilizers as traded, density near 20 degC [kg/L]; from memory. None is in the table of
    # coefficients: all come from additivity, and most lie beyond the strengths fitted.
    [
        (1.46, {"K2S2O3": 0.50}),
        (1.32, {"(NH4)2S2O3": 0.60}),
        (1.25, {"CaS2O3": 0.24}),
        (1.69, {"K4P2O7": 0.60}),
        (1.258, _phosphates(0.08, 0.24, 0.0)),
        (1.39, _phosphates(0.10, 0.34, 0.65)),
    ],
)
def test_density_by_additivity_is_near_the_traded_one(expected, shares):
    """Density of strong liquids without coefficients of their own within 1.5 %."""
    assert expected == pytest.approx(_density(shares, 20.0), rel=0.015)


@pytest.mark.parametrize(
    ("expected", "temperature_c"),
    # IAPWS-95, heat capacity of water at 0.1 MPa [kJ/(kg K)]; from memory.
    [(4.2199, 0), (4.1955, 10), (4.1844, 20), (4.1816, 25), (4.1796, 40)],
)
def test_heat_capacity_of_water_matches_the_table(expected, temperature_c):
    """Heat capacity of water within 0.02 %."""
    assert expected == pytest.approx(_heat({}, float(temperature_c)), rel=2e-4)


# --- what must hold always ------------------------------------------------------------------------

TEMPERATURES = st.floats(0.0, 45.0)
AMOUNTS = st.lists(st.floats(0.0, 1.5), min_size=len(MASTERS), max_size=len(MASTERS))
FERTILIZERS = [
    *("KNO3", "Ca(NO3)2", "Mg(NO3)2", "KCl", "K2SO4", "KH2PO4", "(NH4)2SO4", "NH4NO3", "NH4Cl"),
    *("NH4H2PO4", "CO(NH2)2", "H3PO4", "HNO3", "Zn(NO3)2", "Cu(NO3)2", "MnCl2", "FeCl3"),
]
RECIPES = st.dictionaries(st.sampled_from(FERTILIZERS), st.floats(0.001, 0.06), min_size=1, max_size=6)


def _grams(shares: dict[str, float], factor: float = 1.0) -> np.ndarray:
    """Totals (1, N) of salts by kg per kg of water, the water that their ions take up or set free in it."""
    moles = {formula: 1000.0 * factor * share / molar_mass_g_per_mol(formula) for formula, share in shares.items()}
    totals = np.zeros((1, len(MASTERS)))
    for formula, amount in moles.items():
        for name, count in _dissolved(formula).items():
            if name != "H2O":
                totals[0, MASTERS.index(name)] += amount * count
    return totals


@given(RECIPES, TEMPERATURES)
def test_fertilizers_make_water_denser_and_take_room(shares, temperature_c):
    """The more dissolves, the denser the solution, the greater its volume and the smaller its heat capacity."""
    t = np.array([temperature_c])
    steps = [_grams(shares, factor) for factor in (0.0, 0.5, 1.0, 1.5)]
    density = np.array([solution_density_kg_per_l(step, t, MASTERS)[0] for step in steps])
    assert density[0] == pytest.approx(density_kg_per_l(t + 273.15)[0], rel=1e-12)
    assert np.all(np.diff(density) > 0.0)
    assert np.all(np.diff([volume_l_per_kg_water(step, t, MASTERS)[0] for step in steps]) > 0.0)
    assert np.all(np.diff([heat_capacity_kj_per_kg_k(step, t, MASTERS)[0] for step in steps]) < 0.0)


@pytest.mark.parametrize("share", [0.02, 0.1, 0.25])
def test_ammonia_makes_water_lighter(share):
    """Ammonia is the one fertilizer that lowers the density."""
    assert _density({"NH3": share}, 20.0) < _density({"NH3": share / 2.0}, 20.0) < _density({}, 20.0)


@given(AMOUNTS, TEMPERATURES, st.randoms(use_true_random=False))
def test_order_of_masters_does_not_matter(amounts, temperature_c, random):
    """Columns may come in any order."""
    totals, t = np.array([amounts]), np.array([temperature_c])
    order = list(range(len(MASTERS)))
    random.shuffle(order)
    names = [MASTERS[i] for i in order]
    for function in (solution_density_kg_per_l, volume_l_per_kg_water, heat_capacity_kj_per_kg_k):
        expected = function(totals, t, MASTERS)[0]
        assert expected == pytest.approx(function(totals[:, order], t, names)[0], rel=1e-9)


@pytest.mark.parametrize("formula", [*ROWS, *OTHERS])
def test_mass_is_conserved(formula):
    """Density times volume is the mass of the water and of all that dissolved, within 0.05 %: the molar
    masses of the coefficients are rounded."""
    totals, t = _grams({formula: 0.1, "KNO3": 0.05}), np.array([20.0])
    expected = 1.0 + solute_kg_per_kg_water(totals, MOLAR_MASSES)[0]
    product = solution_density_kg_per_l(totals, t, MASTERS) * volume_l_per_kg_water(totals, t, MASTERS)
    assert expected == pytest.approx(product[0], rel=5e-4)


def test_dissolved_mass_counts_protons_with_their_sign():
    """A kilogram of water takes up what the bottle of ammonia or nitric acid held."""
    totals = _grams({"NH3": 0.10, "HNO3": 0.20})
    expected = 0.30
    assert expected == pytest.approx(solute_kg_per_kg_water(totals, MOLAR_MASSES)[0], rel=1e-6)


@pytest.mark.parametrize(
    ("given_ions", "closed"),
    [({"K+": 1.0}, {"K+": 1.0, "Cl-": 1.0}), ({"NO3-": 1.0}, {"Na+": 1.0, "NO3-": 1.0})],
)
def test_a_charge_that_does_not_balance_is_closed(given_ions, closed):
    """Missing charge counts as chloride or sodium."""
    totals = np.array([[ions.get(name, 0.0) for name in MASTERS] for ions in (given_ions, closed)])
    t = np.full(2, 20.0)
    for function in (solution_density_kg_per_l, volume_l_per_kg_water, heat_capacity_kj_per_kg_k):
        expected, found = function(totals, t, MASTERS)[::-1]
        assert expected == pytest.approx(found, rel=1e-12)
        assert expected != pytest.approx(function(0.0 * totals, t, MASTERS)[0], rel=1e-3)


@given(
    st.lists(st.floats(0.0, 1e6), min_size=len(MASTERS), max_size=len(MASTERS)),
    st.floats(-1e6, 1e6),
    st.floats(-100.0, 500.0),
)
def test_nothing_breaks_whatever_is_poured(amounts, protons, temperature_c):
    """Any amounts, balanced or not, at any temperature, give sane numbers."""
    totals, t = np.array([amounts]), np.array([temperature_c])
    totals[0, MASTERS.index("H+")] = protons
    assert 0.8 <= solution_density_kg_per_l(totals, t, MASTERS)[0] <= 2.5
    assert 0.4 <= volume_l_per_kg_water(totals, t, MASTERS)[0] < np.inf
    assert 1.0 <= heat_capacity_kj_per_kg_k(totals, t, MASTERS)[0] <= 5.0


@pytest.mark.parametrize(("beyond", "end"), [(-60.0, 0.0), (-20.0, 0.0), (200.0, 100.0)])
def test_beyond_liquid_water_the_last_density_is_kept(beyond, end):
    """A temperature that makes no sense gives the density at the end of the range."""
    expected = density_kg_per_l(np.array([end + 273.15]))[0]
    assert expected == pytest.approx(_density({}, beyond), rel=1e-12)


def test_rows_of_a_batch_do_not_touch_each_other():
    """A batch gives what its rows give alone."""
    totals = np.vstack([_bucket(shares) for shares in (*MIXTURES, {})])
    t = np.linspace(5.0, 40.0, len(totals))
    for function in (solution_density_kg_per_l, volume_l_per_kg_water, heat_capacity_kj_per_kg_k):
        alone = [function(totals[i : i + 1], t[i : i + 1], MASTERS)[0] for i in range(len(totals))]
        np.testing.assert_allclose(function(totals, t, MASTERS), alone, rtol=1e-12)


def test_an_unknown_species_is_refused():
    """A master without a volume is an error, not a silent nothing."""
    with pytest.raises(ValueError, match="Unobtainium"):
        solution_density_kg_per_l(np.ones((1, 1)), np.array([20.0]), ["Unobtainium+2"])
