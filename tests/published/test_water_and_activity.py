"""Water, activities, conductivity and the solubilities that everybody knows, against tables.

The source stands beside every number. "From memory" marks a number that was recalled and not looked
up again for this test.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pourcheck.rules.chemistry.conductivity import ec_ms_per_cm
from pourcheck.rules.chemistry.constants import load
from pourcheck.rules.chemistry.phases import phases
from pourcheck.rules.chemistry.speciate import equilibrate
from pourcheck.rules.chemistry.water_properties import (
    debye_hueckel,
    density_kg_per_l,
    permittivity,
)

MOLAR_MASS_GYPSUM = 172.17  # CaSO4.2H2O [g/mol], IUPAC atomic weights
MOLAR_MASS_ANHYDRITE = 136.14  # CaSO4
MOLAR_MASS_LIME = 100.087  # CaCO3
WATER_KG_PER_L_25C = 0.99705  # CRC Handbook, from memory


def _solution(totals: dict[str, float], temperature_c: float, phases=(), **held):
    constants = load()
    row = np.zeros((1, len(constants.masters)))
    for master, amount in totals.items():
        row[0, constants.master(master)] = amount
    held = {name: np.array([value]) for name, value in held.items()}
    solution = equilibrate(row, np.array([temperature_c]), phases, **held)
    assert solution.converged[0]
    return solution


def _kelvin(temperature_c: float) -> np.ndarray:
    return np.array([temperature_c + 273.15])


@pytest.mark.parametrize(
    ("expected", "temperature_c"),
    # CRC Handbook of Chemistry and Physics, density of water [kg/L]; from memory.
    [
        (0.99984, 0),
        (0.99997, 4),
        (0.99970, 10),
        (0.99821, 20),
        (0.99705, 25),
        (0.99565, 30),
        (0.99222, 40),
    ],
)
def test_density_of_water_matches_the_table(expected, temperature_c):
    """Density of water to the last printed digit, 0.00001 kg/L."""
    assert expected == pytest.approx(density_kg_per_l(_kelvin(temperature_c))[0], abs=1e-5)


@pytest.mark.parametrize(
    ("expected", "temperature_c"),
    # Fernandez et al., J. Phys. Chem. Ref. Data 26 (1997) 1125 (the IAPWS release); from memory.
    [(87.90, 0), (80.20, 20), (78.41, 25)],
)
def test_permittivity_of_water_matches_the_table(expected, temperature_c):
    """Relative permittivity of water within 0.1 %: 0.0008 in log gamma at I = 0.5, z = 2."""
    assert expected == pytest.approx(permittivity(_kelvin(temperature_c))[0], rel=1e-3)


@pytest.mark.parametrize("row", range(9))
def test_debye_hueckel_slopes_match_phreeqc(table, row):
    """A and B within 0.01 % of PHREEQC 3.7.3 (data/debye_hueckel.csv), 0 to 40 degC."""
    line = table("debye_hueckel.csv")[row]
    a, b = debye_hueckel(_kelvin(float(line["temp_C"])))
    assert float(line["A_log10_kg05_mol05"]) == pytest.approx(a[0], rel=1e-4)
    assert float(line["B_per_angstrom"]) == pytest.approx(b[0], rel=1e-4)


def _pkw(temperature_c: float) -> float:
    constants = load()
    hydroxide = constants.species.index("OH-")
    return -float(constants.ln_k(_kelvin(temperature_c))[0, hydroxide]) / np.log(10.0)


@pytest.mark.parametrize("row", range(9))
def test_temperature_moves_constants_as_in_phreeqc(table, row):
    """pKw from the line's log K and delta H as in PHREEQC 3.7.3 (data/debye_hueckel.csv)."""
    line = table("debye_hueckel.csv")[row]
    assert float(line["pKw"]) == pytest.approx(_pkw(float(line["temp_C"])), abs=1e-4)


@pytest.mark.parametrize(
    ("expected", "temperature_c"),
    # Harned and Owen, Physical Chemistry of Electrolytic Solutions, pKw; from memory.
    [
        (14.5346, 10),
        (14.3463, 15),
        (14.1669, 20),
        (13.9965, 25),
        (13.8330, 30),
        (13.6801, 35),
        (13.5348, 40),
    ],
)
def test_ion_product_of_water_is_the_measured_one(expected, temperature_c):
    """pKw within 0.02 of the measured value, in the temperatures of irrigation water."""
    assert expected == pytest.approx(_pkw(temperature_c), abs=0.02)


@pytest.mark.parametrize(
    ("expected_ms_per_cm", "mol_per_l"),
    # Potassium chloride conductivity standards at 25 degC (OIML R 56, ASTM D1125); from memory.
    [(1.413, 0.01), (12.89, 0.1)],
)
def test_conductivity_of_potassium_chloride_standards(expected_ms_per_cm, mol_per_l):
    """EC of the KCl standards within 3 %."""
    molality = mol_per_l / WATER_KG_PER_L_25C
    solution = _solution({"K+": molality, "Cl-": molality}, 25.0)
    assert expected_ms_per_cm == pytest.approx(ec_ms_per_cm(solution)[0], rel=0.03)


def _gypsum_g_per_100_g(temperature_c):
    excess = 0.05
    solution = _solution({"Ca+2": excess, "SO4-2": excess}, temperature_c, ("Gypsum",))
    return (excess - solution.precipitated("Gypsum")[0]) * MOLAR_MASS_GYPSUM / 10.0


@pytest.mark.parametrize(
    ("expected", "temperature_c", "allowed"),
    # g CaSO4.2H2O per 100 g water: Lange's Handbook / CRC Handbook, aqueous solubility; from memory.
    [(0.223, 0, 0.01), (0.244, 10, 0.01), (0.255, 20, 0.01), (0.264, 30, 0.01), (0.265, 40, 0.01)],
)
def test_gypsum_dissolves_as_the_handbooks_say(expected, temperature_c, allowed):
    """Gypsum in pure water is within 1 % of the handbook at 0-40 degC, with its maximum near 40 degC."""
    assert expected == pytest.approx(_gypsum_g_per_100_g(temperature_c), rel=allowed)


@pytest.mark.parametrize(
    ("mass_percent", "temperature_c"),
    # CaSO4 as mass % of the saturated solution: CRC Handbook of Chemistry and Physics, 98th ed. (2017), section 5,
    # aqueous solubility of inorganic compounds at various temperatures; read.
    [(0.191, 10), (0.202, 20), (0.205, 25), (0.208, 30), (0.210, 40), (0.207, 50)],
)
def test_gypsum_in_the_line_dissolves_as_printed(mass_percent, temperature_c):
    """Within 0.5 % of the printed solubility, one digit of the last place, from 10 to 50 degC."""
    molality = mass_percent / (100.0 - mass_percent) * 1000.0 / MOLAR_MASS_ANHYDRITE
    excess = 0.05
    solution = _solution({"Ca+2": excess, "SO4-2": excess}, temperature_c, ("Gypsum",))
    assert molality == pytest.approx(excess - solution.precipitated("Gypsum")[0], rel=0.005)


def test_gypsum_dissolves_to_about_two_and_a_half_grams():
    """Pure water at 25 degC holds near 2.4 to 2.6 g/L of gypsum, and within 2 % what Hulett and Allen measured.

    The range is that of the handbooks' printings (CRC, Lange; from memory); Hulett and Allen 1902
    measured 2.63 g/L (2.080 g CaSO4 per liter; from memory), over the range.
    """
    grams_per_l = 10.0 * _gypsum_g_per_100_g(25.0) * WATER_KG_PER_L_25C
    assert 2.4 <= grams_per_l <= 2.6
    assert grams_per_l == pytest.approx(2.080 * MOLAR_MASS_GYPSUM / MOLAR_MASS_ANHYDRITE, rel=0.02)


def _gregory(temperature_c: float) -> float:
    """log10 of the ion activity product Ca HPO4 of brushite in water: Gregory, Moreno and Brown, J. Res. NBS 74A
    (1970) 461, abstract, ln Ks = -8403.5/T + 41.863 - 0.09678 T from 5 to 37.5 degC; read."""
    kelvin = temperature_c + 273.15
    return (-8403.5 / kelvin + 41.863 - 0.09678 * kelvin) / np.log(10.0)


def _brushite_to_hpo4(temperature_c: float) -> float:
    constants = load()
    phase = np.array([constants.phase("Brushite")])
    hpo4 = constants.ln_k(_kelvin(temperature_c))[0, constants.species.index("HPO4-2")]
    return float(constants.phase_ln_k(_kelvin(temperature_c), phase)[0, 0] + hpo4) / float(np.log(10.0))


@pytest.mark.parametrize("temperature_c", [5.0, 15.0, 25.0, 37.5, 45.0])
def test_brushite_is_flat_in_temperature_as_measured(temperature_c):
    """Within 0.035 of Gregory's constant from 5 to 37.5 degC, and on to the warmest line of 45 degC."""
    assert _gregory(temperature_c) == pytest.approx(_brushite_to_hpo4(temperature_c), abs=0.035)


@pytest.mark.parametrize(
    ("constant", "temperature_c"),
    # Ion activity products of brushite, read in abstracts: Moreno, Gregory and Brown, J. Res. NBS 70A (1966), 37.5;
    # Patel, Gregory and Brown, J. Res. NBS 78A (1974), 25 degC, in NaCl to I = 0.545.
    [(2.19e-7, 37.5), (2.49e-7, 25.0)],
)
def test_brushite_agrees_with_other_measurements(constant, temperature_c):
    """Within 0.05, what the rules leave open above saturation."""
    assert np.log10(constant) == pytest.approx(_brushite_to_hpo4(temperature_c), abs=0.05)


#: Ion pairs of Gregory, Moreno and Brown (1970), same abstract: ln K of CaHPO4 and CaH2PO4+ from 5 to 37.5 degC.
_GREGORY_PAIRS = {"CaHPO4": (51090.0, -341.14, 0.5880), "CaH2PO4+": (19373.0, -122.81, 0.1994)}


def _with_gregory_s_constants(temperature_c: float):
    """The line's constants at one temperature, with brushite and its ion pairs as Gregory has them."""
    constants, kelvin = load(), temperature_c + 273.15
    log_k = constants.ln_k(_kelvin(temperature_c))[0] / np.log(10.0)
    acid = {"CaHPO4": "HPO4-2", "CaH2PO4+": "H2PO4-"}
    for pair, (over, flat, times) in _GREGORY_PAIRS.items():
        ln_k = over / kelvin + flat + times * kelvin
        log_k[constants.species.index(pair)] = log_k[constants.species.index(acid[pair])] + ln_k / np.log(10.0)
    phase_log_k = constants.phase_log_k.copy()
    phase_log_k[constants.phase("Brushite")] = _gregory(temperature_c) - log_k[constants.species.index("HPO4-2")]
    return replace(
        constants,
        log_k=log_k,
        delta_h=np.zeros_like(constants.delta_h),
        phase_log_k=phase_log_k,
        phase_delta_h=np.zeros_like(constants.phase_delta_h),
    )


@pytest.mark.parametrize("temperature_c", [5.0, 15.0, 25.0, 37.5])
@pytest.mark.parametrize("phosphoric_acid_mmol", [0.5, 2.0, 6.0, 12.0])
def test_brushite_that_gregory_would_see_is_not_missed(phosphoric_acid_mmol, temperature_c):
    """Water with phosphoric acid that brushite saturates by Gregory's constants and ion pairs lies within what
    the rules leave open: pH 7 down to 4.5."""
    theirs, acid, solid = _with_gregory_s_constants(temperature_c), phosphoric_acid_mmol * 1e-3, 0.1
    totals = np.zeros((1, len(theirs.masters)))
    for ion, amount in {"Ca+2": solid, "PO4-3": solid + acid, "H+": solid + 3.0 * acid}.items():
        totals[0, theirs.master(ion)] = amount
    saturated = equilibrate(totals, np.array([temperature_c]), ("Brushite",), constants=theirs)
    for ion in ("Ca+2", "PO4-3", "H+"):
        totals[0, theirs.master(ion)] -= saturated.precipitated("Brushite")[0]
    index = equilibrate(totals, np.array([temperature_c])).si("Brushite")[0]
    brushite = phases()["Brushite"]
    assert brushite.surely_below_si <= index <= brushite.surely_above_si
    assert 4.4 < saturated.ph[0] < 7.0


@pytest.mark.parametrize(
    ("dissolved_g_per_l", "temperature_c"),
    # CaSO4 in a saturated solution; Hulett and Allen, J. Am. Chem. Soc. 24 (1902) 667, as reprinted
    # in Seidell and Linke, Solubilities; from memory.
    [(1.928, 10), (2.016, 18), (2.080, 25), (2.090, 30), (2.096, 35)],
)
def test_measured_saturated_gypsum_is_saturated(dissolved_g_per_l, temperature_c):
    """The saturation index of a measured saturated solution is 0 within the rules' margin, 0.05."""
    density = {10: 0.99970, 18: 0.99860, 25: 0.99705, 30: 0.99565, 35: 0.99403}  # as above
    molality = dissolved_g_per_l / MOLAR_MASS_ANHYDRITE / density[temperature_c]
    solution = _solution({"Ca+2": molality, "SO4-2": molality}, temperature_c)
    assert abs(solution.si("Gypsum")[0]) <= 0.05


def test_lime_makes_pure_water_alkaline():
    """Water with excess calcite, closed to the air, stands at pH 9.9 at 25 degC.

    Stumm and Morgan, Aquatic Chemistry, from memory; to the printed digit.
    """
    solution = _solution({"Ca+2": 1e-3, "CO3-2": 1e-3}, 25.0, ("Calcite",))
    expected_ph = 9.9
    assert expected_ph == pytest.approx(solution.ph[0], abs=0.05)


#: The closed formula carries an old solubility of calcite and one temperature slope. It falls below
#: the equilibrium in soft and cold water; PHREEQC with its own constants says so too (next test).
_FORMULA_LOW = pytest.mark.xfail(
    strict=True, reason="the closed formula is 0.17, 0.19 and 0.32 below the equilibrium here"
)


def _hard_water(row: dict[str, str]) -> dict[str, float]:
    """Calcium and alkalinity [mol, eq/kg] of a Langelier example, and NaCl up to its TDS."""
    calcium = float(row["calcium_hardness_mg_per_l_caco3"]) / 1000.0 / MOLAR_MASS_LIME
    alkalinity = float(row["alkalinity_mg_per_l_caco3"]) / 1000.0 / (MOLAR_MASS_LIME / 2.0)
    chloride, sodium = max(2 * calcium - alkalinity, 0.0), max(alkalinity - 2 * calcium, 0.0)
    grams = 40.078 * calcium + 61.017 * alkalinity + 35.45 * chloride + 22.990 * sodium
    salt = max(float(row["tds_mg_per_l"]) / 1000.0 - grams, 0.0) / 58.44
    return {
        "Ca+2": calcium,
        "Na+": sodium + salt,
        "Cl-": chloride + salt,
        "alkalinity": alkalinity,
    }


def _calcite_si(row: dict[str, str]) -> float:
    water = _hard_water(row)
    alkalinity = water.pop("alkalinity")
    solution = _solution(water, float(row["temperature_c"]), ph=float(row["ph"]), alkalinity_eq_per_kg=alkalinity)
    return float(solution.si("Calcite")[0])


@pytest.mark.parametrize(
    "row",
    [
        pytest.param(0, marks=_FORMULA_LOW),
        pytest.param(1, marks=_FORMULA_LOW),
        pytest.param(2, marks=_FORMULA_LOW),
        3,
    ],
)
def test_calcite_index_is_near_the_langelier_formula(table, row):
    """SI of calcite within 0.15 of the Langelier index by formula (data/langelier.csv)."""
    line = table("langelier.csv")[row]
    assert float(line["langelier_index"]) == pytest.approx(_calcite_si(line), abs=0.15)


@pytest.mark.parametrize("row", range(4))
def test_calcite_index_matches_phreeqc_with_its_own_constants(table, phreeqc_dat, row):
    """SI of calcite of the same waters within 0.05 of PHREEQC with its own constants."""
    line = table("langelier.csv")[row]
    water = _hard_water(line)
    expected = phreeqc_dat.run(
        "SELECTED_OUTPUT\n-reset false\n-saturation_indices Calcite\n"
        f"SOLUTION 1\nunits mol/kgw\ntemp {line['temperature_c']}\npH {line['ph']}\n"
        f"Alkalinity {water['alkalinity']}\nCa {water['Ca+2']}\nNa {water['Na+']}\n"
        f"Cl {water['Cl-']}\nEND\n"
    )["si_Calcite"][0]
    assert expected == pytest.approx(_calcite_si(line), abs=0.05)
