"""The bucket's activity model is as good as its band says: half-width in SI by ionic strength.

The bucket uses dilute-solution activities beyond their range and answers "cannot tell" within
`BAND_SI`. Source of the expected numbers: PHREEQC 3 (USGS) with its own pitzer.dat, a model made
for strong solutions and fitted to measured solubilities. It knows no ammonium or nitrate; for those
see the second test. Gypsum is the solid whose answer hangs on the band.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pytest

from pourcheck.rules.chemistry.constants import load
from pourcheck.rules.chemistry.speciate import equilibrate
from pourcheck.rules.families.solids import BAND_SI

#: Ions of a formula unit, ionic strength of 1 mol/kg of it fully dissociated, and about as much as
#: dissolves at 25 degC [mol/kg] (handbook, from memory).
MEDIA = {
    "NaCl": ({"Na+": 1, "Cl-": 1}, 1.0, 6.1),
    "KCl": ({"K+": 1, "Cl-": 1}, 1.0, 4.8),
    "MgSO4": ({"Mg+2": 1, "SO4-2": 1}, 4.0, 3.0),
    "K2SO4": ({"K+": 2, "SO4-2": 1}, 3.0, 0.69),
    "Na2SO4": ({"Na+": 2, "SO4-2": 1}, 3.0, 1.9),
    "CaCl2": ({"Ca+2": 1, "Cl-": 2}, 3.0, 7.0),
    "MgCl2": ({"Mg+2": 1, "Cl-": 2}, 3.0, 5.8),
    "KNO3": ({"K+": 1, "NO3-": 1}, 1.0, 3.8),
    "NaNO3": ({"Na+": 1, "NO3-": 1}, 1.0, 10.8),
    "(NH4)2SO4": ({"NH4+": 2, "SO4-2": 1}, 3.0, 5.8),
    "Ca(NO3)2": ({"Ca+2": 1, "NO3-": 2}, 3.0, 8.0),
}
WITHOUT_NITROGEN = ("NaCl", "KCl", "MgSO4", "K2SO4", "Na2SO4", "CaCl2", "MgCl2")
IONIC_STRENGTHS = (0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0)
DISSOLVED_GYPSUM = 0.005  # mol/kg
TEMPERATURES_C = (10.0, 25.0, 35.0)
ELEMENTS = {"Ca+2": "Ca", "Mg+2": "Mg", "Na+": "Na", "K+": "K", "Cl-": "Cl", "SO4-2": "S(6)"}


def _mixed(medium: str, mol_per_kg: float, gypsum: float) -> dict[str, float]:
    totals = {"Ca+2": gypsum, "SO4-2": gypsum}
    for ion, count in MEDIA[medium][0].items():
        totals[ion] = totals.get(ion, 0.0) + count * mol_per_kg
    return totals


class Strong(NamedTuple):
    """A solution: medium, its formal ionic strength, temperature and totals [mol/kg]."""

    medium: str
    formal_strength: float
    temperature_c: float
    totals: dict[str, float]


def _ours(cases: list[Strong]):
    """(SI of gypsum, half-width of the band at the ionic strength that the bucket finds)."""
    constants = load()
    totals = np.zeros((len(cases), len(constants.masters)))
    for i, case in enumerate(cases):
        for master, amount in case.totals.items():
            totals[i, constants.master(master)] = amount
    solution = equilibrate(totals, np.array([case.temperature_c for case in cases]))
    assert np.all(solution.converged)
    strength = solution.ionic_strength
    band = np.select([strength <= limit for limit, _ in BAND_SI], [half for _, half in BAND_SI])
    return solution.si("Gypsum"), band


def _within_band(cases: list[Strong], expected, si, band) -> None:
    assert len(cases) >= 3
    lines = [
        f"{c.medium} I {c.formal_strength:.3g} at {c.temperature_c:.0f} degC: expected {e:+.3f}, "
        f"here {s:+.3f}, off {s - e:+.3f}, band {b:.2f}{'' if abs(s - e) <= b else '  OUTSIDE'}"
        for c, e, s, b in zip(cases, expected, si, band, strict=True)
    ]
    print("\n".join(lines))
    assert np.all(np.abs(si - expected) <= band), "\n".join(lines)


@pytest.mark.parametrize("temperature_c", TEMPERATURES_C)
@pytest.mark.parametrize("medium", WITHOUT_NITROGEN)
def test_gypsum_index_lies_within_the_band_of_a_pitzer_model(pitzer_dat, medium, temperature_c):
    """SI of gypsum minus PHREEQC's with pitzer.dat lies within the band, up to I = 5 mol/kg."""
    _, per_mol, most = MEDIA[medium]
    cases = [
        Strong(medium, i, temperature_c, _mixed(medium, i / per_mol, DISSOLVED_GYPSUM))
        for i in IONIC_STRENGTHS
        if i / per_mol <= most
    ]
    text = ["SELECTED_OUTPUT\n-reset false\n-saturation_indices Gypsum"]
    for n, case in enumerate(cases, start=1):
        totals = "\n".join(f"{ELEMENTS[ion]} {m:.15g}" for ion, m in case.totals.items())
        text.append(f"SOLUTION {n}\nunits mol/kgw\ntemp {case.temperature_c}\npH 7\n{totals}\nEND")
    expected = pitzer_dat.run("\n".join(text) + "\n")["si_Gypsum"]
    _within_band(cases, expected, *_ours(cases))


@pytest.mark.parametrize("medium", ["KNO3", "NaNO3", "(NH4)2SO4", "Ca(NO3)2"])
def test_gypsum_index_lies_within_the_band_in_nitrate_and_ammonium(table, medium):
    """Where a Pitzer model has gypsum saturated (data/gypsum_pitzer.csv), SI is 0 within the band.

    One model against another: mixtures with ammonium or nitrate have no measured value here.
    """
    per_mol = MEDIA[medium][1]
    cases = [
        Strong(
            medium,
            float(row["medium_mol_per_kg"]) * per_mol,
            25.0,
            _mixed(medium, float(row["medium_mol_per_kg"]), float(row["gypsum_mol_per_kg"])),
        )
        for row in table("gypsum_pitzer.csv")
        if row["medium"] == medium
    ]
    _within_band(cases, np.zeros(len(cases)), *_ours(cases))
