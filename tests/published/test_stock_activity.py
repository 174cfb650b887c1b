"""Activities of the stock (bucket) model: single salts against tables, mixtures against PHREEQC.

Sources of the expected numbers: data/osmotic_activity.csv, the source beside each; and PHREEQC 3
(USGS) with its own pitzer.dat, itself a fit. Activities of single ions are a convention, so only
combinations without charge are compared. `pytest -s` prints every error.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

from pourcheck.rules.chemistry.solution import Solution
from pourcheck.rules.chemistry.speciate import equilibrate
from pourcheck.rules.chemistry.stock import load_stock

WATER_KG_PER_MOL = 0.0180153  # IUPAC atomic weights

#: Ions of a formula unit, and the molality up to which its parameters were fitted: May, Rowland,
#: Hefter and Konigsberger (2011), 10.1021/je2009329, as in the database of pyEQL 1.7.0.
SALTS = {
    "(NH4)2SO4": ({"NH4+": 2, "SO4-2": 1}, 5.5),
    "Ca(NO3)2": ({"Ca+2": 1, "NO3-": 2}, 6.0),
    "CaCl2": ({"Ca+2": 1, "Cl-": 2}, 5.0),
    "Cu(NO3)2": ({"Cu+2": 1, "NO3-": 2}, 7.84),
    "CuSO4": ({"Cu+2": 1, "SO4-2": 1}, 1.42),
    "HCl": ({"H+": 1, "Cl-": 1}, 10.5),
    "HNO3": ({"H+": 1, "NO3-": 1}, 11.0),
    "K2SO4": ({"K+": 2, "SO4-2": 1}, 2.0),
    "KCl": ({"K+": 1, "Cl-": 1}, 5.0),
    "KH2PO4": ({"K+": 1, "H2PO4-": 1}, 1.8),
    "KNO3": ({"K+": 1, "NO3-": 1}, 3.8),
    "Mg(NO3)2": ({"Mg+2": 1, "NO3-": 2}, 4.0),
    "MgCl2": ({"Mg+2": 1, "Cl-": 2}, 5.925),
    "MgSO4": ({"Mg+2": 1, "SO4-2": 1}, 3.618),
    "MnSO4": ({"Mn+2": 1, "SO4-2": 1}, 4.966),
    "NH4Cl": ({"NH4+": 1, "Cl-": 1}, 7.405),
    "NH4NO3": ({"NH4+": 1, "NO3-": 1}, 20.0),
    "Na2SO4": ({"Na+": 2, "SO4-2": 1}, 5.0),
    "NaCl": ({"Na+": 1, "Cl-": 1}, 6.148),
    "NaNO3": ({"Na+": 1, "NO3-": 1}, 10.75),
    "Zn(NO3)2": ({"Zn+2": 1, "NO3-": 2}, 7.103),
    "ZnSO4": ({"Zn+2": 1, "SO4-2": 1}, 3.5),
}
#: The saturated solution may hold this much more than the last fitted molality says.
FITTED_SLACK = 1.01
#: Ions that are no master species.
MADE_OF = {"H2PO4-": {"PO4-3": 1, "H+": 2}, "HCO3-": {"CO3-2": 1, "H+": 1}}

#: Allowed, relative. Osmotic and activity coefficients: 2 %; a ratio of two of them 3 %. Values read
#: off a figure (confidence low): 5 %, as the suite that quotes them allows. ln of the water activity
#: of a saturated solution: 2 %, and 1 % each for the molality of saturation and for the humidity.
ALLOWED = 0.02
ALLOWED_RATIO = 0.03
ALLOWED_OFF_A_FIGURE = 0.05
ALLOWED_LN_WATER_OF_SATURATED = 0.04
#: Salts whose parameters are for 25 degC only, at another temperature: no claim but the order.
ALLOWED_AWAY_FROM_25C = 0.10
ONLY_AT_25C = {"NH4NO3", "NaNO3"}


class Wider(NamedTuple):
    """Where the model is known not to hold the 2 %, from a molality on, and why."""

    from_mol_per_kg: float
    allowed: float
    why: str


_WHOLE_RANGE = "one fit of three parameters over the whole range, up to 6 and 7.8 mol/kg"
_MGCL2 = "pitzer.dat bends up beyond the 92nd CRC by 5 %; the two tables lie 3 % apart at 5 mol/kg (14.40, 13.92)"
WIDER = {
    ("Ca(NO3)2", "mean_activity_coefficient"): Wider(0.0, 0.03, _WHOLE_RANGE),
    ("Ca(NO3)2", "osmotic_coefficient"): Wider(0.0, 0.03, _WHOLE_RANGE),
    ("Cu(NO3)2", "mean_activity_coefficient"): Wider(0.0, 0.03, _WHOLE_RANGE),
    ("CaCl2", "mean_activity_coefficient"): Wider(2.0, 0.03, "the tables lie 1 % apart (0.784, 0.792)"),
    ("K2SO4", "mean_activity_coefficient"): Wider(0.0, 0.05, "two editions of the CRC lie 4 to 5 % apart"),
    ("MgCl2", "mean_activity_coefficient"): Wider(4.0, 0.06, _MGCL2),
    ("MgCl2", "osmotic_coefficient"): Wider(4.0, 0.03, _MGCL2),
    ("MgCl2", "water_activity"): Wider(4.0, 0.05, _MGCL2),
}

TABLE = list(csv.DictReader((Path(__file__).parent / "data" / "osmotic_activity.csv").read_text("utf-8").splitlines()))
WITHIN_THE_FIT = [row for row in TABLE if float(row["molality_mol_per_kg"]) <= SALTS[row["salt"]][1] * FITTED_SLACK]


def _solve(totals_of: Sequence[dict[str, float]], temperatures_c: Sequence[float]) -> Solution:
    """Solutions without solids; ions that are no masters are given as what they are made of."""
    stock = load_stock()
    totals = np.zeros((len(totals_of), len(stock.masters)))
    for i, ions in enumerate(totals_of):
        for ion, amount in ions.items():
            for master, count in MADE_OF.get(ion, {ion: 1}).items():
                totals[i, stock.master(master)] += count * amount
    solution = equilibrate(totals, np.array(temperatures_c, dtype=float), constants=stock)
    assert np.all(solution.converged)
    return solution


def _ln_activity(solution: Solution, ion: str) -> np.ndarray:
    """(B,) ln of the activity of a master or another species, on the model's own scale of single ions."""
    constants = solution.constants
    row = constants.species.index(ion)
    ln_k = constants.ln_k(solution.temperature_c + 273.15)[:, row]
    ln_water = np.log(solution.water_activity)
    used = np.flatnonzero(constants.stoich[row])
    return ln_k + solution.ln_activity[:, used] @ constants.stoich[row, used] + constants.water[row] * ln_water


def _ln_mean_coefficient(solution: Solution, ions: dict[str, int], molality: np.ndarray) -> np.ndarray:
    """(B,) ln of the stoichiometric mean activity coefficient of a salt."""
    total = sum(nu * (_ln_activity(solution, ion) - np.log(nu * molality)) for ion, nu in ions.items())
    return total / sum(ions.values())


def _allowed(row: dict[str, str]) -> float:
    if row["salt"] in ONLY_AT_25C and float(row["temperature_c"]) != 25.0:
        return ALLOWED_AWAY_FROM_25C
    if row["relative_to_mol_per_kg"]:
        return ALLOWED_RATIO
    if row["confidence"] == "low":
        return ALLOWED_OFF_A_FIGURE
    wider = WIDER.get((row["salt"], row["quantity"]))
    if wider and float(row["molality_mol_per_kg"]) >= wider.from_mol_per_kg:
        return wider.allowed
    return ALLOWED_LN_WATER_OF_SATURATED if row["quantity"] == "water_activity" else ALLOWED


def _errors(salt: str, quantity: str, rows: list[dict[str, str]]) -> np.ndarray:
    """Relative error of each row; of ln a_w where the row gives a water activity."""
    ions, _ = SALTS[salt]
    molality = np.array([float(row["molality_mol_per_kg"]) for row in rows])
    temperature_c = [float(row["temperature_c"]) for row in rows]
    expected = np.array([float(row["value"]) for row in rows])
    solution = _solve([{ion: nu * m for ion, nu in ions.items()} for m in molality], temperature_c)
    ln_water = np.log(solution.water_activity)
    if quantity == "water_activity":
        return ln_water / np.log(expected) - 1.0
    if quantity == "osmotic_coefficient":
        return -ln_water / (WATER_KG_PER_MOL * sum(ions.values()) * molality) / expected - 1.0
    found = _ln_mean_coefficient(solution, ions, molality)
    # Where the source set its value at one molality by an estimate, only the ratio to it is measured.
    there = np.array([float(row["relative_to_mol_per_kg"] or molality[i]) for i, row in enumerate(rows)])
    value_there = np.array([float(row["value_there"] or 1.0) for row in rows])
    at = _solve([{ion: nu * m for ion, nu in ions.items()} for m in there], temperature_c)
    is_ratio = np.array([row["relative_to_mol_per_kg"] != "" for row in rows])
    reference = np.where(is_ratio, _ln_mean_coefficient(at, ions, there), 0.0)
    return np.exp(found - reference) / (expected / value_there) - 1.0


@pytest.mark.parametrize(
    ("salt", "quantity"), sorted({(row["salt"], row["quantity"]) for row in WITHIN_THE_FIT}), ids=lambda value: value
)
def test_single_salts_match_published_tables(salt, quantity):
    """Osmotic and mean activity coefficients within 2 % of the table, up to the fitted molality.

    Wider where ALLOWED_... and WIDER above say so.
    """
    rows = [row for row in WITHIN_THE_FIT if (row["salt"], row["quantity"]) == (salt, quantity)]
    errors = _errors(salt, quantity, rows)
    allowed = np.array([_allowed(row) for row in rows])
    lines = [
        f"{salt} {row['molality_mol_per_kg']} mol/kg {row['temperature_c']} degC {quantity} {row['value']}: "
        f"off {error:+.2%}, allowed {most:.0%}{'' if abs(error) <= most else '  OUTSIDE'} ({row['source'][:40]})"
        for row, error, most in zip(rows, errors, allowed, strict=True)
    ]
    print("\n".join(lines))
    assert np.all(np.abs(errors) <= allowed), "\n".join(line for line in lines if "OUTSIDE" in line)


def test_the_table_holds_enough_salts():
    """Every salt of the table is known here, and of at least 12 salts some row lies within the fit."""
    assert {row["salt"] for row in TABLE} == set(SALTS)
    assert len({row["salt"] for row in WITHIN_THE_FIT}) >= 12


#: Mixtures by moles of each salt, for the grid; each is scaled to the ionic strengths below.
MIXTURES = {
    "NaCl": {"NaCl": 1},
    "KCl": {"KCl": 1},
    "MgCl2": {"MgCl2": 1},
    "CaCl2": {"CaCl2": 1},
    "Na2SO4": {"Na2SO4": 1},
    "K2SO4": {"K2SO4": 1},
    "MgSO4": {"MgSO4": 1},
    "NaCl and KCl": {"NaCl": 1, "KCl": 1},
    "KCl and K2SO4": {"KCl": 2, "K2SO4": 1},
    "NaCl and MgCl2": {"NaCl": 1, "MgCl2": 1},
    "KCl and CaCl2": {"KCl": 1, "CaCl2": 1},
    "MgCl2 and CaCl2": {"MgCl2": 1, "CaCl2": 1},
    "K2SO4 and MgSO4": {"K2SO4": 1, "MgSO4": 1},
    "Na2SO4 and K2SO4": {"Na2SO4": 1, "K2SO4": 1},
    "KCl and MgSO4": {"KCl": 1, "MgSO4": 1},
    "CaSO4 in NaCl": {"NaCl": 1, "CaSO4": 0.01},
    "CaSO4 in K2SO4": {"K2SO4": 1, "CaSO4": 0.01},
    "CaSO4 in MgSO4": {"MgSO4": 1, "CaSO4": 0.01},
    "CaSO4 in CaCl2": {"CaCl2": 1, "CaSO4": 0.01},
    "all, sulfate low": {"NaCl": 1, "KCl": 1, "MgCl2": 1, "CaCl2": 1, "K2SO4": 0.02},
    "all, calcium low": {"NaCl": 1, "KCl": 1, "MgSO4": 1, "K2SO4": 1, "CaCl2": 0.02},
    "NaCl and NaHCO3": {"NaCl": 1, "NaHCO3": 0.1},
    "KCl, MgCl2 and KHCO3": {"KCl": 1, "MgCl2": 0.2, "KHCO3": 0.02},
    "K2SO4 and KHCO3": {"K2SO4": 1, "KHCO3": 0.1},
    "KCl, CaCl2 and KHCO3": {"KCl": 1, "CaCl2": 0.005, "KHCO3": 0.002},
}
#: For the carbonate solids.
CARBONATE_MIXTURES = {
    "KCl with Mg and KHCO3": ({"KCl": 1, "MgCl2": 0.2, "KHCO3": 0.02}, "Mg+2"),
    "KCl with Ca and KHCO3": ({"KCl": 1, "CaCl2": 0.02, "KHCO3": 0.005}, "Ca+2"),
}
SALT_IONS = {
    "NaCl": {"Na+": 1, "Cl-": 1},
    "KCl": {"K+": 1, "Cl-": 1},
    "MgCl2": {"Mg+2": 1, "Cl-": 2},
    "CaCl2": {"Ca+2": 1, "Cl-": 2},
    "Na2SO4": {"Na+": 2, "SO4-2": 1},
    "K2SO4": {"K+": 2, "SO4-2": 1},
    "MgSO4": {"Mg+2": 1, "SO4-2": 1},
    "CaSO4": {"Ca+2": 1, "SO4-2": 1},
    "NaHCO3": {"Na+": 1, "HCO3-": 1},
    "KHCO3": {"K+": 1, "HCO3-": 1},
}
CHARGE = {"Na+": 1, "K+": 1, "Mg+2": 2, "Ca+2": 2, "Cl-": -1, "SO4-2": -2, "HCO3-": -1, "CO3-2": -2}
#: Solids as ions and water: what the saturation indices are made of.
SOLIDS = {
    "Halite": {"Na+": 1, "Cl-": 1},
    "Sylvite": {"K+": 1, "Cl-": 1},
    "Bischofite": {"Mg+2": 1, "Cl-": 2, "H2O": 6},
    "Antarcticite": {"Ca+2": 1, "Cl-": 2, "H2O": 6},
    "Carnallite": {"K+": 1, "Mg+2": 1, "Cl-": 3, "H2O": 6},
    "Thenardite": {"Na+": 2, "SO4-2": 1},
    "Mirabilite": {"Na+": 2, "SO4-2": 1, "H2O": 10},
    "Arcanite": {"K+": 2, "SO4-2": 1},
    "Glaserite": {"Na+": 1, "K+": 3, "SO4-2": 2},
    "Epsomite": {"Mg+2": 1, "SO4-2": 1, "H2O": 7},
    "Schoenite": {"K+": 2, "Mg+2": 1, "SO4-2": 2, "H2O": 6},
    "Leonite": {"K+": 2, "Mg+2": 1, "SO4-2": 2, "H2O": 4},
    "Kainite": {"K+": 1, "Mg+2": 1, "Cl-": 1, "SO4-2": 1, "H2O": 3},
    "Bloedite": {"Na+": 2, "Mg+2": 1, "SO4-2": 2, "H2O": 4},
    "Gypsum": {"Ca+2": 1, "SO4-2": 1, "H2O": 2},
    "Syngenite": {"K+": 2, "Ca+2": 1, "SO4-2": 2, "H2O": 1},
    "Glauberite": {"Na+": 2, "Ca+2": 1, "SO4-2": 2},
    "Polyhalite": {"K+": 2, "Mg+2": 1, "Ca+2": 2, "SO4-2": 4, "H2O": 2},
    "Nahcolite": {"Na+": 1, "HCO3-": 1},
    "Kalicinite": {"K+": 1, "HCO3-": 1},
}
#: Ionic strength as if all were ions [mol/kg].
IONIC_STRENGTHS = (0.1, 0.5, 1.0, 2.0, 4.0, 6.0)
TEMPERATURES_C = (0.0, 10.0, 25.0, 45.0)
#: Allowed difference of ln(mean activity coefficient): 2 %, per ion of the formula.
ALLOWED_LN_PER_ION = 0.02
#: With carbonate: the constants of HCO3-, CO2 and the ion pairs are not those of pitzer.dat.
ALLOWED_LN_PER_ION_WITH_CARBONATE = 0.03


def _mixed(parts: dict[str, float], strength: float) -> tuple[dict[str, float], dict[str, float]]:
    """(salts, ions) [mol/kg] of a mixture at an ionic strength, everything taken as ions."""
    per_part = sum(
        0.5 * moles * sum(count * CHARGE[ion] ** 2 for ion, count in SALT_IONS[salt].items())
        for salt, moles in parts.items()
    )
    salts = {salt: moles * strength / per_part for salt, moles in parts.items()}
    ions: dict[str, float] = {}
    for salt, moles in salts.items():
        for ion, count in SALT_IONS[salt].items():
            ions[ion] = ions.get(ion, 0.0) + count * moles
    return salts, ions


def _phreeqc_ln_activities(
    program, parts: dict[str, float], temperature_c: float, ions: list[str]
) -> dict[str, np.ndarray]:
    """ln activities by ion and of H2O over IONIC_STRENGTHS: salts dissolved in pure water, no solids."""
    punch = " ".join(f'LA("{ion}"),' for ion in ions)
    text = [
        "SELECTED_OUTPUT 1\n-reset false\n-high_precision true\nUSER_PUNCH 1",
        f'-headings {" ".join(ions)} H2O\n-start\n10 PUNCH {punch} LOG10(ACT("H2O"))\n-end',
    ]
    for n, strength in enumerate(IONIC_STRENGTHS, start=1):
        salts, _ = _mixed(parts, strength)
        reactants = "\n".join(f"{salt} {moles:.15g}" for salt, moles in salts.items())
        text.append(f"SOLUTION {n}\ntemp {temperature_c}\npH 7 charge\nREACTION {n}\n{reactants}\n1 mol\nEND")
    # Each solution gives two rows: the water at the start, then with the salts.
    found = {name: column[1::2] for name, column in program.run("\n".join(text) + "\n").items()}
    assert len(found["H2O"]) == len(IONIC_STRENGTHS)
    return {name: column * np.log(10.0) for name, column in found.items()}


@pytest.mark.parametrize("temperature_c", TEMPERATURES_C)
@pytest.mark.parametrize("mixture", MIXTURES)
def test_mixtures_match_phreeqc_with_pitzer(pitzer_dat, mixture, temperature_c):
    """Ion activity products within 2 % per ion (3 % with carbonate), osmotic coefficient 2 %, up to I = 6 mol/kg.

    Compared are the mean activity of every pair of ions and the product of every solid of SOLIDS.
    """
    parts = MIXTURES[mixture]
    contents = [_mixed(parts, strength)[1] for strength in IONIC_STRENGTHS]
    ions = list(contents[0])
    allowed = ALLOWED_LN_PER_ION_WITH_CARBONATE if "HCO3-" in ions else ALLOWED_LN_PER_ION
    theirs = _phreeqc_ln_activities(pitzer_dat, parts, temperature_c, ions)
    solution = _solve(contents, [temperature_c] * len(contents))
    ours = {ion: _ln_activity(solution, ion) for ion in ions} | {"H2O": np.log(solution.water_activity)}
    pairs = {
        f"{cation} {anion}": {cation: -CHARGE[anion], anion: CHARGE[cation]}
        for cation in ions
        for anion in ions
        if CHARGE[cation] > 0 > CHARGE[anion]
    }
    solids = {name: made for name, made in SOLIDS.items() if set(made) <= {*ions, "H2O"}}
    assert pairs
    lines, worst = [], 0.0
    for name, made in {**pairs, **solids}.items():
        assert sum(count * CHARGE.get(part, 0) for part, count in made.items()) == 0
        count_of_ions = sum(count for part, count in made.items() if part != "H2O")
        off = sum(count * (ours[part] - theirs[part]) for part, count in made.items()) / count_of_ions
        worst = max(worst, float(np.max(np.abs(off))))
        lines.append(_line(f"{mixture} {temperature_c:.0f} degC {name}, ln per ion", off, allowed))
    osmotic = ours["H2O"] / theirs["H2O"] - 1.0
    lines.append(_line(f"{mixture} {temperature_c:.0f} degC osmotic coefficient", osmotic, ALLOWED))
    print("\n".join(lines))
    outside = "\n".join(line for line in lines if "OUTSIDE" in line)
    assert worst <= allowed, outside
    assert np.max(np.abs(osmotic)) <= ALLOWED, outside


#: Allowed difference of the saturation index: ln products of two ions, 6 % each.
ALLOWED_SI_OF_CARBONATES = 0.06


@pytest.mark.parametrize("temperature_c", TEMPERATURES_C)
@pytest.mark.parametrize("mixture", CARBONATE_MIXTURES)
def test_carbonate_solids_match_phreeqc_with_pitzer(pitzer_dat, mixture, temperature_c):
    """The saturation index of CaCO3 and MgCO3 lies within 0.06 of PHREEQC's, up to I = 6 mol/kg."""
    parts, cation = CARBONATE_MIXTURES[mixture]
    contents = [_mixed(parts, strength)[1] for strength in IONIC_STRENGTHS]
    theirs = _phreeqc_ln_activities(pitzer_dat, parts, temperature_c, [*contents[0], "CO3-2"])
    solution = _solve(contents, [temperature_c] * len(contents))
    ours = _ln_activity(solution, cation) + _ln_activity(solution, "CO3-2")
    off = (ours - theirs[cation] - theirs["CO3-2"]) / np.log(10.0)
    line = _line(f"{mixture} {temperature_c:.0f} degC {cation} CO3-2, saturation index", off, ALLOWED_SI_OF_CARBONATES)
    print(line)
    assert np.max(np.abs(off)) <= ALLOWED_SI_OF_CARBONATES, line


def _line(name: str, off: np.ndarray, allowed: float) -> str:
    by_strength = ", ".join(f"I {i:g}: {o:+.4f}" for i, o in zip(IONIC_STRENGTHS, off, strict=True))
    return f"{name}: off {by_strength}{'' if np.max(np.abs(off)) <= allowed else '  OUTSIDE'}"
