"""Density and permittivity of water, and the Debye-Hueckel A and B that follow from them."""

from __future__ import annotations

import numpy as np

from .constants import Floats


def density_kg_per_l(temperature_k: Floats) -> Floats:
    """Density of pure water [kg/L] at 1 atm, 0-100 degC.

    Source: Kell, J. Chem. Eng. Data 20 (1975) 97 (coefficients from memory; checked in the tests).
    """
    t = temperature_k - 273.15
    top = 999.83952 + t * (
        16.945176 + t * (-7.9870401e-3 + t * (-46.170461e-6 + t * (105.56302e-9 - 280.54253e-12 * t)))
    )
    return np.asarray(top / (1.0 + 16.879850e-3 * t) / 1000.0)


def permittivity(temperature_k: Floats) -> Floats:
    """Relative permittivity of water at 1 bar.

    Source: Bradley and Pitzer, J. Phys. Chem. 83 (1979) 1599 (coefficients from memory; the A and B
    that follow are checked in the tests against a published program's values).
    """
    t = temperature_k
    d_1000 = 342.79 * np.exp(-5.0866e-3 * t + 9.4690e-7 * t * t)
    c = -2.0525 + 3115.9 / (-182.89 + t)
    b = -8032.5 + 4.2142e6 / t + 2.1417 * t
    return np.asarray(d_1000 + c * np.log((b + 1.01325) / (b + 1000.0)))


def debye_hueckel(temperature_k: Floats) -> tuple[Floats, Floats]:
    """A [log10 (kg/mol)^0.5] and B [(kg/mol)^0.5 / angstrom].

    Source: the usual closed forms, for example Stumm and Morgan, Aquatic Chemistry (from memory).
    """
    density, epsilon = density_kg_per_l(temperature_k), permittivity(temperature_k)
    a = 1.82483e6 * np.sqrt(density) / (epsilon * temperature_k) ** 1.5
    b = 50.2916 * np.sqrt(density / (epsilon * temperature_k))
    return a, b
