"""Activity coefficients of the line model: extended Debye-Hueckel with a linear term, or Davies.

log10 gamma = -A z^2 sqrt(I) / (1 + B a sqrt(I)) + b I     where a species has parameters a and b
log10 gamma = -A z^2 (sqrt(I) / (1 + sqrt(I)) - 0.3 I)     Davies, charged species without them
log10 gamma = b I                                          neutral species

Source: Truesdell and Jones, J. Res. USGS 2 (1974) 233 (WATEQ); Davies, Ion Association (1962); both
in the form and with the parameters of data/line_constants.csv.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .constants import LN10, Constants, Floats
from .water_properties import debye_hueckel

#: Above this ionic strength the equations are not supported by their sources.
VALID_UP_TO_MOL_PER_KG = 0.5
#: The coefficients are held at their value here when a solution is stronger: the linear terms would
#: otherwise run away. What comes out there is an estimate, and is said to be one.
HELD_ABOVE_MOL_PER_KG = 1.0


@dataclass(frozen=True)
class DebyeHueckel:
    """Activity model of dilute solutions for a fixed set of species and temperatures.

    Species with the same charge and parameters are one kind, K in all: kind_of (S,) tells which.
    """

    kind_of: np.ndarray
    charge_squared: Floats
    ion_a: Floats
    ion_b: Floats
    davies: np.ndarray
    a: Floats
    b: Floats

    name = "extended Debye-Hueckel (WATEQ parameters, Davies where none)"
    valid_up_to_mol_per_kg = VALID_UP_TO_MOL_PER_KG

    @classmethod
    def of(cls, constants: Constants, species: np.ndarray, temperature_k: Floats) -> DebyeHueckel:
        """Model for the species at these indices, at each temperature [K]."""
        charge = constants.charge[species]
        ion_a, ion_b = constants.ion_a[species], constants.ion_b[species]
        davies = np.isnan(ion_a) & (charge != 0)
        rows = np.column_stack([charge**2, np.where(np.isnan(ion_a), 1.0, ion_a), np.nan_to_num(ion_b), davies])
        kinds, kind_of = np.unique(rows, axis=0, return_inverse=True)
        a, b = debye_hueckel(temperature_k)
        return cls(kind_of.reshape(-1), kinds[:, 0], kinds[:, 1], kinds[:, 2], kinds[:, 3] > 0, a, b)

    def rows(self, keep: np.ndarray) -> DebyeHueckel:
        """The same model for some of the temperatures."""
        return replace(self, a=self.a[keep], b=self.b[keep])

    def ln_gamma(self, ionic_strength: Floats) -> tuple[Floats, Floats]:
        """ln gamma (B, S) and its derivative by ionic strength, at I (B,) [mol/kg]."""
        held = ionic_strength >= HELD_ABOVE_MOL_PER_KG
        i = np.clip(ionic_strength, 1e-12, HELD_ABOVE_MOL_PER_KG)[:, None]
        root = np.sqrt(i)
        a, b = self.a[:, None], self.b[:, None]
        below = 1.0 + np.where(self.davies, 1.0, b * self.ion_a) * root
        linear = np.where(self.davies, 0.3 * a * self.charge_squared, self.ion_b)
        value = (-a * self.charge_squared * root / below + linear * i) * LN10
        slope = (-a * self.charge_squared / (2.0 * root * below**2) + linear) * LN10
        slope[held] = 0.0
        return np.take(value, self.kind_of, axis=1), np.take(slope, self.kind_of, axis=1)
