"""What rules ask of a question's solutions: amounts, what is there, what came out."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from functools import cached_property, partial
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ...catalog.once import once_for_each
from ...catalog.species import molar_mass_g_per_mol, species_molar_mass_g_per_mol
from ..ask.salts import Salt
from ..chemistry.constants import Constants, Floats, load
from ..chemistry.phases import LINE_PHASES
from ..chemistry.solution import Solution
from ..chemistry.speciate import NEVER_SI, let_form
from .on_record import apart
from .solutions import AIR_CO2_ATM, Solutions

#: Where a solution is.
Place = Literal["bucket", "line"]
Mask = NDArray[np.bool_]
#: Protons that a mole of each anion can take up at most.
_ACCEPTS = {"CO3-2": 2.0, "PO4-3": 3.0, "P2O7-4": 4.0, "Edta-4": 4.0, "OCl-": 1.0}
#: Hydroxide that metals other than iron(III) make of water by themselves, at most: down to pH 5.
_SPLIT_MOL_PER_KG = 1e-5
#: What the solver of a label leaves of nothing [mol].
_TRACE_MOL = 1e-9


def mg_per_mol(phase: str, constants: Constants | None = None) -> float:
    """Mass of a mole of a phase [mg/mol], from its formula."""
    constants = constants or load()
    formula = constants.phase_formula[constants.phase(phase)].replace(":", ".")
    return molar_mass_g_per_mol(formula) * 1000.0


@once_for_each(most=256)
def _ingredients(constants: Constants, phase: str) -> tuple[NDArray[np.intp], Floats, float, Floats, float]:
    """Of a phase: places of the masters that it is made of but protons, how many of each, hydroxides that it needs;
    what takes them up, by master (N,), and the mass of a mole [mg]."""
    needs = constants.phase_stoich[constants.phase(phase)].copy()
    protons = constants.master("H+")
    # Iron(III) splits water by itself.
    hydroxides = -needs[protons] if needs[constants.master("Fe+3")] == 0.0 else 0.0
    needs[protons] = 0.0
    used = np.flatnonzero(needs > 0)
    accepts = np.zeros(len(needs))
    for name, accepted in _ACCEPTS.items():
        accepts[constants.master(name)] = accepted
    accepts[protons] = -1.0
    return used, needs[used], float(hydroxides), accepts, mg_per_mol(phase, constants)


class Case(Solutions):
    """B scenarios of one question, as rules read them."""

    def unsolved(self, *names: str) -> Mask:
        """Where one of these solutions could not be found, (B,)."""
        lost = np.zeros(self.size, dtype=bool)
        for name in names:
            if self.any_unsolved((name,)):
                solution = self._of_name(name)
                lost |= ~(solution.converged & solution.before_solids.converged)
        return lost

    def any_unsolved(self, names: Collection[str]) -> bool:
        """Whether one of these solutions could not be found in some scenario."""
        known = self._some_lost
        for name in names:
            if name not in known:
                solution = self._of_name(name)
                known[name] = not (solution.converged.all() and solution.before_solids.converged.all())
        return any(map(known.__getitem__, names))

    def _of_name(self, name: str) -> Solution:
        """A solution by its name; whoever asks this knows which he read."""
        solution: Solution | None = vars(self).get(name)
        return apart(self, partial(getattr, self, name))[0] if solution is None else solution

    @cached_property
    def _some_lost(self) -> dict[str, bool]:
        """Whether a solution was not found in some scenario, by its name."""
        return {}

    def settled_g_per_l(self, solution: Solution, salt: Salt) -> Floats:
        """What settles of a salt per liter of stock [g/L], (B,)."""
        grams = solution.precipitated(salt.curve.name) * salt.g_per_mol
        return np.asarray(grams * self.water_kg_per_l("bucket"))

    def solution(self, where: Place) -> Solution:
        """The "bucket" or the "line"."""
        return self.bucket if where == "bucket" else self.line

    def totals(self, where: Place) -> Floats:
        """Moles of each master per kg of the water there, (B, N): known before any equilibrium is, and as it leaves
        them."""
        return self.bucket_totals if where == "bucket" else self.line_totals

    def formed(self, where: Place) -> tuple[str, ...]:
        """Phases that are let form there; the others are only compared with their saturation."""
        return self.bucket_phases if where == "bucket" else LINE_PHASES

    def water_kg_per_l(self, where: Place) -> Floats | float:
        """Water in a liter [kg]: of the stock, (B,); of the line, which counts as water."""
        return self.bucket_water_kg / self.bucket_volume_l if where == "bucket" else 1.0

    def total_mg_per_l(self, where: Place, species: str) -> Floats:
        """A species' total in bucket or line [mg/L], (B,)."""
        moles = self.totals(where)[:, self.constants.master(species)] * self.water_kg_per_l(where)
        return np.asarray(moles * 1000.0 * species_molar_mass_g_per_mol(species))

    def totals_mg_per_l(self, where: Place, species: Sequence[str]) -> Floats:
        """The same of several species, (B, K)."""
        totals = self.totals(where)[:, [self.constants.master(name) for name in species]]
        moles = totals * np.reshape(self.water_kg_per_l(where), (-1, 1))
        return np.asarray(moles * 1000.0 * [species_molar_mass_g_per_mol(name) for name in species])

    def precipitated_mg_per_l(self, where: Place, phase: str) -> Floats:
        """What comes out of a phase [mg/L], (B,)."""
        solution = self.solution(where)
        grams = solution.precipitated(phase) * mg_per_mol(phase, solution.constants)
        return np.asarray(grams * self.water_kg_per_l(where))

    def most_mg_per_l(self, where: Place, phase: str) -> Floats:
        """What a phase would come to if all of its scarcest ingredient went into it [mg/L], (B,)."""
        totals = self.totals(where)  # what was read for it is noted each time
        if (where, phase) not in self._most:
            constants = self.constants if where == "line" else self.stock
            self._most[where, phase] = self._most_of(constants, totals, phase) * self.water_kg_per_l(where)
        return self._most[where, phase]

    @cached_property
    def _most(self) -> dict[tuple[Place, str], Floats]:
        """What phases would come to at most."""
        return {}

    @staticmethod
    def _most_of(constants: Constants, totals: Floats, phase: str) -> Floats:
        used, counts, hydroxides, bases_of, mg = _ingredients(constants, phase)
        most = (totals[:, used] / counts).min(axis=1)
        if hydroxides > 0.0:
            # A hydroxide forms from what takes protons up: where that is little, so is the solid.
            bases = _SPLIT_MOL_PER_KG + totals @ bases_of
            most = np.minimum(most, np.maximum(bases, 0.0) / hydroxides)
        return np.asarray(most * mg)

    def alone_mg_per_l(
        self, where: Place, down_to_si: Mapping[str, Floats], *, aired: bool = False
    ) -> dict[str, Floats]:
        """What forms of each phase by itself until its saturation index has come down to a value, (B,) by phase [mg/L],
        (B,); all of it where that cannot be solved. aired: in the bucket open to the air."""
        mixed = (self.bucket_in_air if aired else self.solution(where)).before_solids
        names, size = tuple(down_to_si), self.size
        # Every phase gets scenarios of its own, in one batch; those that are the same solution are solved once.
        target = np.full((len(names), size, len(names)), NEVER_SI)
        for i, name in enumerate(names):
            target[i, :, i] = down_to_si[name]
        over = np.array([mixed.si(name) > down_to_si[name] for name in names])
        which, row = np.nonzero(over)
        out = np.zeros((len(names), size))
        if len(row):
            key = np.column_stack([mixed.totals_mol_per_kg[row], mixed.temperature_c[row], target[which, row]])
            _, first, back = np.unique(key, axis=0, return_index=True, return_inverse=True)
            some, back = row[first], back.reshape(-1)
            air = np.full(len(first), AIR_CO2_ATM) if aired else None
            after = let_form(mixed.rows(some), names, down_to_si=target[which[first], some], co2_atm=air)
            moles = np.array([after.precipitated(name) for name in names])[which, back]
            grams = moles * np.array([mg_per_mol(name, mixed.constants) for name in names])[which]
            all_of_it = np.array([self.most_mg_per_l(where, name) for name in names])[which, row]
            per_l = np.broadcast_to(self.water_kg_per_l(where), (size,))[row]
            out[which, row] = np.where(after.converged[back], grams * per_l, all_of_it)
        return dict(zip(names, out, strict=True))

    def in_bucket_mol_per_kg(self, *species: str) -> Floats:
        """Sum of the totals of some species in the bucket, water included [mol/kg], (B,)."""
        return np.asarray(np.sum(self.bucket_totals[:, [self.constants.master(name) for name in species]], axis=1))

    @property
    def alkaline(self) -> Mask:
        """Where the products take protons up, (B,)."""
        return np.asarray(self.product_mol[:, self.constants.master("H+")] < 0)

    def brings(self, *species: str) -> Mask:
        """Where the products bring one of these species, (B,)."""
        if species not in self._brings:
            masters = [self.constants.master(name) for name in species]
            self._brings[species] = np.asarray((self.product_mol[:, masters] > _TRACE_MOL).any(axis=1))
        return self._brings[species]

    @cached_property
    def _brings(self) -> dict[tuple[str, ...], Mask]:
        """Where the products bring one of some species, by these."""
        return {}

    def has(self, *species: str) -> bool:
        """True when any product brings one of these species in any scenario.

        It tells whether a rule applies at all; what a rule says of a scenario goes by `brings`.
        """
        return bool(self.brings(*species).any())
