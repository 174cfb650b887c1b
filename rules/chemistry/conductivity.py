"""Electrical conductivity at 25 degC from the species present.

EC = sum over ions of lambda0_i |z_i| m_i gamma_i^alpha, alpha = 0.6 / |z|^0.5 below I = 0.36 |z|,
else I^0.5 / |z|. Source: Appelo's form as used in PHREEQC (from memory), checked in the tests
against the published conductivity of potassium chloride standards.
"""

from __future__ import annotations

import numpy as np

from .constants import Floats
from .speciate import Solution

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


def ec_ms_per_cm(solution: Solution) -> Floats:
    """Electrical conductivity at 25 degC [mS/cm], (B,); nan beyond the activity model's range."""
    constants = solution.constants
    charge = np.abs(constants.charge)
    ions = np.flatnonzero(charge > 0)
    z = charge[ions]
    limiting = np.array([LIMITING.get(constants.species[i], OTHER) for i in ions])
    strength = solution.ionic_strength[:, None]
    root = np.sqrt(strength)
    ln_gamma = -0.51 * z**2 * (root / (1.0 + root) - 0.3 * strength) * np.log(10.0)
    alpha = np.where(strength < 0.36 * z, 0.6 / np.sqrt(z), root / z)
    value = np.sum(limiting * z * solution.molality[:, ions] * np.exp(alpha * ln_gamma), axis=1)
    beyond = solution.ionic_strength > solution.valid_up_to_mol_per_kg
    return np.asarray(np.where(beyond, np.nan, value))
