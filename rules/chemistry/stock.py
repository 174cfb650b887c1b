"""Salts of a stock solution: a solubility constant from each handbook curve.

The constant at a temperature is the ion activity product that the bucket's own model finds in the
saturated solution of the handbook. So the model returns the handbook's solubility of every single
salt, whatever its activity coefficients; what is left to be tested is mixtures.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from .constants import Constants, SaltPhase, load_stock
from .speciate import equilibrate

#: Names in the line's list of phases for salts that are also looked at there.
_NAME_IN_LINE = {"CaSO4.2H2O": "Gypsum"}


@dataclass(frozen=True)
class SaltCurve:
    """A salt with its solubility. formula: of the solid that settles, crystal water included; ions:
    moles of each master per formula unit, protons included; water: crystal water; points: (degC, mol
    per kg of all the water in the saturated solution), ascending."""

    formula: str
    ions: tuple[tuple[str, float], ...]
    water: float
    points: tuple[tuple[float, float], ...]
    source: str

    @property
    def name(self) -> str:
        """Name of the phase."""
        return _NAME_IN_LINE.get(self.formula, self.formula)


@cache
def _calibrated(curve: SaltCurve) -> SaltPhase | None:
    """The salt with its solubility constant; None where a saturated solution cannot be solved."""
    plain = load_stock()
    celsius, molality = (np.array(column) for column in zip(*curve.points, strict=True))
    totals = np.zeros((len(celsius), len(plain.masters)))
    for ion, count in curve.ions:
        totals[:, plain.master(ion)] = count * molality
    solution = equilibrate(totals, celsius, constants=plain)
    if not np.all(solution.converged):
        return None
    ln_k = curve.water * np.log(solution.water_activity)
    for ion, count in curve.ions:
        ln_k = ln_k + count * solution.ln_activity[:, plain.master(ion)]
    return SaltPhase(
        name=curve.name,
        formula=curve.formula,
        ions=curve.ions,
        water=curve.water,
        celsius=tuple(celsius.tolist()),
        ln_k=tuple(ln_k.tolist()),
        molality=tuple(molality.tolist()),
        source=curve.source,
    )


def solved(curve: SaltCurve) -> bool:
    """True when the salt's saturated solutions can be solved, so that it is a phase."""
    return _calibrated(curve) is not None


def stock_constants(curves: tuple[SaltCurve, ...]) -> Constants:
    """The stock's constants with these salts as phases. Curves that cannot be solved are left out."""
    return load_stock(tuple(salt for curve in curves if (salt := _calibrated(curve)) is not None))
