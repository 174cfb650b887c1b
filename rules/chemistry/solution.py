"""A batch of solutions in equilibrium, and what can be read from them."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from .constants import LN10, Constants, Floats

#: What is found of a solution.
_FOUND = (
    "molality",
    "ln_activity",
    "water_activity",
    "ionic_strength",
    "saturation_index",
    "precipitated_mol_per_kg",
)


@dataclass(frozen=True)
class Solution:
    """Result of `equilibrate` for B solutions.

    temperature_c (B,); totals_mol_per_kg (B, N), dissolved and solid; molality (B, S) [mol/kg
    water]; ln_activity (B, N); water_activity (B,); ionic_strength (B,) [mol/kg]; saturation_index (B, P)
    of every phase (-inf where an ingredient is absent); precipitated_mol_per_kg (B, P), per kg of the water
    that was there before; converged (B,); supersaturated: the state before solids formed, where solids were
    allowed and did.
    """

    constants: Constants
    model: str
    valid_up_to_mol_per_kg: float
    temperature_c: Floats
    totals_mol_per_kg: Floats
    molality: Floats
    ln_activity: Floats
    water_activity: Floats
    ionic_strength: Floats
    saturation_index: Floats
    precipitated_mol_per_kg: Floats
    converged: np.ndarray
    supersaturated: Solution | None = None

    @property
    def before_solids(self) -> Solution:
        """The same solutions before anything came out."""
        return self.supersaturated or self

    def rows(self, index: np.ndarray) -> Solution:
        """The solutions at these rows, in this order; a row may come more than once. index: places, or a mask (B,)."""
        if index.dtype == bool and index.all():
            return self
        places = np.flatnonzero(index) if index.dtype == bool else index
        before = self.supersaturated
        return Solution(
            self.constants,
            self.model,
            self.valid_up_to_mol_per_kg,
            self.temperature_c.take(places),
            self.totals_mol_per_kg.take(places, axis=0),
            self.molality.take(places, axis=0),
            self.ln_activity.take(places, axis=0),
            self.water_activity.take(places),
            self.ionic_strength.take(places),
            self.saturation_index.take(places, axis=0),
            self.precipitated_mol_per_kg.take(places, axis=0),
            self.converged.take(places),
            None if before is None else before.rows(places),
        )

    def with_rows(self, where: np.ndarray, other: Solution) -> Solution:
        """The same with some of its rows from another; the state before solids stays its own."""
        taken: dict[str, Any] = {}
        for field in fields(self):
            value = getattr(self, field.name)
            if isinstance(value, np.ndarray):
                taken[field.name] = value.copy()
                taken[field.name][where] = getattr(other, field.name)
        return replace(self, **taken)

    def placed(self, where: np.ndarray, other: Solution) -> Solution:
        """The same with some of its rows from another, before solids formed too."""
        if where.dtype == bool and where.all():
            return other
        placed = self.with_rows(where, other)
        if self.supersaturated is None and other.supersaturated is None:
            return placed
        return replace(placed, supersaturated=self.before_solids.with_rows(where, other.before_solids))

    def without(self, lost: np.ndarray, *, totals: bool) -> Solution:
        """The same with no number in these rows, (B,), which count as not converged: nobody shall take where a solver
        stopped for an answer. totals: they are a result too."""
        if not np.any(lost):
            return self
        taken: dict[str, Any] = {"converged": self.converged & ~lost}
        for name in (*_FOUND, *(("totals_mol_per_kg",) if totals else ())):
            taken[name] = getattr(self, name).copy()
            taken[name][lost] = np.nan
        return replace(self, **taken)

    @property
    def ph(self) -> Floats:
        """pH, -log10 of the hydrogen-ion activity, (B,)."""
        return -self.ln_activity[:, self.constants.master("H+")] / LN10

    def si(self, phase: str) -> Floats:
        """Saturation index log10(IAP/K) of a phase, (B,)."""
        return self.saturation_index[:, self.constants.phase(phase)]

    def precipitated(self, phase: str) -> Floats:
        """Amount of a phase that came out [mol/kg water], (B,)."""
        return self.precipitated_mol_per_kg[:, self.constants.phase(phase)]

    @property
    def dissolved_mol_per_kg(self) -> Floats:
        """(B, N) totals that are left in solution."""
        return self.totals_mol_per_kg - self.precipitated_mol_per_kg @ self.constants.phase_stoich

    @property
    def alkalinity_eq_per_kg(self) -> Floats:
        """Alkalinity [mol of charge per kg], (B,)."""
        c = self.constants
        return self.dissolved_mol_per_kg @ c.alkalinity - self.dissolved_mol_per_kg[:, c.master("H+")]


def first_of_each(rows: Floats) -> tuple[np.ndarray, np.ndarray]:
    """Places of the rows of a table that are not the same as an earlier one, and for each row which of them it is.

    >>> first_of_each(np.array([[2.0, 1.0], [0.0, 1.0], [2.0, 1.0]]))
    (array([0, 1]), array([0, 1, 0]))
    """
    seen: dict[bytes, int] = {}
    as_bytes = rows.view(f"V{rows.shape[1] * rows.itemsize}").reshape(-1).tolist()
    earliest = [seen.setdefault(row, i) for i, row in enumerate(as_bytes)]
    first = np.array([*seen.values()], dtype=np.intp)
    return first, np.searchsorted(first, earliest)
