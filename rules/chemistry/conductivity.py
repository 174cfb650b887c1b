"""Electrical conductivity at 25 degC from the species present: of dilute solutions, and of stocks.

Dilute: EC = sum over ions of lambda0_i |z_i| m_i gamma_i^alpha, alpha = 0.6 / |z|^0.5 below I = 0.36 |z|,
else I^0.5 / |z|. Source: Appelo's form as used in PHREEQC (from memory), checked in the tests
against the published conductivity of potassium chloride standards.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from .constants import Floats
from .solution import Solution

#: Limiting equivalent conductivities at 25 degC [S cm2/eq]; from memory: CRC Handbook of Chemistry
#: and Physics, ionic conductivity and diffusion at infinite dilution.
LIMITING = {
    "H+": 349.65,
    "Na+": 50.08,
    "K+": 73.48,
    "NH4+": 73.5,
    "Mg+2": 53.0,
    "Ca+2": 59.47,
    "Fe+2": 54.0,
    "Fe+3": 68.0,
    "Mn+2": 53.5,
    "Zn+2": 52.8,
    "Cu+2": 53.6,
    "Cl-": 76.31,
    "NO3-": 71.42,
    "F-": 55.4,
    "SO4-2": 80.0,
    "HSO4-": 52.0,
    "HCO3-": 44.5,
    "CO3-2": 69.3,
    "OH-": 198.0,
    "H2PO4-": 36.0,
    "HPO4-2": 57.0,
    "PO4-3": 92.8,
    "CH3COO-": 40.9,
    "S2O3-2": 85.0,
    "MoO4-2": 74.5,
}
#: For ions without a value: a middling one (common practice, no source).
OTHER = 45.0


@cache
def _limiting(species: tuple[str, ...]) -> Floats:
    """Limiting conductivities of these species, as far as they are ions; not to be written to."""
    return np.array([LIMITING.get(name, OTHER) for name in species])


@cache
def _by_charge(species: tuple[str, ...], charges: tuple[float, ...]) -> tuple[Floats, Floats]:
    """The charges without their sign that these species have, (Z,), and what a mole of each species conducts without
    its neighbors, under its charge, (species, Z); not to be written to."""
    kinds = np.array(sorted({abs(one) for one in charges} - {0.0}))
    own = np.abs(np.array(charges))[:, None]
    return kinds, np.where(own == kinds, own * _limiting(species)[:, None], 0.0)


def ec_ms_per_cm(solution: Solution) -> Floats:
    """Electrical conductivity at 25 degC [mS/cm], (B,); nan beyond the activity model's range."""
    constants = solution.constants
    z, alone = _by_charge(constants.species, tuple(constants.charge.tolist()))
    strength = solution.ionic_strength[:, None]
    root = np.sqrt(strength)
    ln_gamma = -0.51 * z**2 * (root / (1.0 + root) - 0.3 * strength) * np.log(10.0)
    alpha = np.where(strength < 0.36 * z, 0.6 / np.sqrt(z), root / z)
    value = np.sum((solution.molality @ alone) * np.exp(alpha * ln_gamma), axis=1)
    beyond = solution.ionic_strength > solution.valid_up_to_mol_per_kg
    return np.asarray(np.where(beyond, np.nan, value))


#: Viscosity B coefficients [L/mol]; from memory: Jenkins and Marcus, Chem. Rev. 95 (1995) 2695.
VISCOSITY_B = {
    "H+": 0.068, "Na+": 0.085, "K+": -0.009, "NH4+": -0.008, "Mg+2": 0.385, "Ca+2": 0.284,
    "Cl-": -0.005, "NO3-": -0.043, "SO4-2": 0.206, "H2PO4-": 0.34, "HPO4-2": 0.382,
    "HCO3-": 0.13, "CO3-2": 0.278, "OH-": 0.122, "urea": 0.035,
}  # fmt: skip
#: For species without one [L/mol per charge].
_OTHER_B = 0.1
#: Coefficients of the form below, fitted to table values of NaCl, KCl, CaCl2, (NH4)2SO4, K2SO4, MgSO4, KNO3
#: and NaNO3 up to 20 % by mass: within 15 % there, within 20 % of five other salts (tests).
_A, _POWER, _C, _VISCOUS, _CROWDED, _NITRATE = 0.857, 2.538, 4.064, 0.750, 0.064, 0.212


def stock_ec_ms_per_cm(solution: Solution, liters_per_kg_water: Floats) -> Floats:
    """Conductivity of a strong solution at 25 degC [mS/cm], (B,); an estimate, good to about 20 %.

    solution: of the stock's model, where pairs are no species; liters_per_kg_water: (B,). With c in
    mol/L, I the ionic strength and q the mean charge of the ions by charge,

        EC = sum lambda0 |z| c exp(-A q^p sqrt(I)/(1 + C sqrt(I)) - v sum B c - k sum |z|c/2 - n sqrt(c_NO3))

    Own form, after Kohlrausch's root law and Walden's rule; nitrates conduct less than their
    mobilities say.
    """
    constants = solution.constants
    charge = np.abs(constants.charge)
    c = solution.molality / liters_per_kg_water[:, None]
    limiting = _limiting(constants.species)
    b = np.array([VISCOSITY_B.get(name, _OTHER_B * z) for name, z in zip(constants.species, charge, strict=True)])
    equivalents, squares = np.maximum(c @ charge, 1e-12), c @ charge**2
    root = np.sqrt(0.5 * squares)
    less = (
        _A * (squares / equivalents) ** _POWER * root / (1.0 + _C * root)
        + _VISCOUS * np.maximum(c @ b, 0.0)
        + _CROWDED * 0.5 * equivalents
        + _NITRATE * np.sqrt(c[:, constants.species.index("NO3-")])
    )
    return np.asarray((c @ (charge * limiting)) * np.exp(-less))
