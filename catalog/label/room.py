"""The room that a label leaves: the polytope of source masses, and its extremes by linear programs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cached_property
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from ..nutrients import NUTRIENTS
from ..product import Product
from ..programs import Program, least_squares
from ..species import SPECIES
from . import acidity, guarantee
from .directions import DIRECTIONS

#: Dry mass that the sources leave unexplained is filler, which may not dissolve.
UNEXPLAINED_DRY_SHARE = 0.10
#: Room for sources of more than the whole, against rounding; and, where nothing else fits, for what the catalog's
#: own formulas are short of.
_OVERFULL, _OVERFULL_AT_MOST = 0.002, 0.01
#: A minor nutrient that has a source on the label but no guarantee: what has more of it is sold by it (design
#: choice) [percent].
_UNCLAIMED_PERCENT = 2.0
#: The limits are held with this much room, against rounding.
_SLACK = 1e-9
#: Liters that a kg of dissolved source takes up, at least and at most: from sulfates to urea and nitrates (from
#: memory: apparent volumes of fertilizer salts).
_DISPLACED_L_PER_KG = (0.20, 0.78)
#: A density on a label is good to this share (from memory: 1 % over 40 degF, and rounding).
_DENSITY_WITHIN_SHARE = 0.015
#: What most feeds are made of (common practice, no source); the first guess where a label does not say.
_COMMON = {
    *("urea", "ammonium-nitrate", "potassium-nitrate", "monoammonium-phosphate", "monopotassium-phosphate"),
    *("potassium-chloride", "ammonium-sulfate", "calcium-nitrate", "magnesium-sulfate", "magnesium-nitrate"),
    *("potassium-sulfate", "uan-32", "phosphoric-acid-75", "iron-edta", "zinc-edta", "manganese-edta", "boric-acid"),
}
_MINOR = ("b", "cu", "fe", "mn", "mo", "zn")

Floats = NDArray[np.float64]


class Room:
    """The source masses x [kg per kg product] that a label allows: x >= 0 and upper x <= most."""

    def __init__(self, product: Product, materials: tuple[Product, ...], listed: bool, whole: bool = True) -> None:
        self.product, self.materials = product, materials
        self.full = 1.0 + _OVERFULL
        self.ranges = guarantee.ranges(product)
        self.stated = guarantee.label_percents(product)
        self.keys = list(self.ranges)
        species = [material.species_mol_per_kg() for material in materials]
        self.content = np.array([[s.get(name, 0.0) for s in species] for name in SPECIES])
        self.analysis = np.array([[m.percent(key) or 0.0 for m in materials] for key in self.keys])
        self.low = np.array([self.ranges[key][0] if whole else 0.0 for key in self.keys])
        self.declared_misfits: list[str] = []
        self.high = np.array([self.ranges[key][1] for key in self.keys])
        if listed:
            # What the label does not state of these follows from its sources.
            unstated = [
                key not in self.stated and key in (*guarantee.PRIMARY, *guarantee.NITROGEN_FORMS) for key in self.keys
            ]
            self.high[unstated] = np.inf
            minor = np.array([key not in self.stated and key in _MINOR for key in self.keys])
            self.high[minor] = _UNCLAIMED_PERCENT
            if not self._mass_alone_fits():
                self.high[minor] = np.inf
        if not self._mass_alone_fits():
            self.full = 1.0 + _OVERFULL_AT_MOST
        self.rows, self.most, self.unexplained = self._limits(species, listed, whole)

    def _limits(
        self, species: Sequence[Mapping[str, float]], listed: bool, whole: bool
    ) -> tuple[Floats, Floats, float]:
        product, size = self.product, len(self.materials)
        solid = product.numbers.get("insolubles")
        most_dissolves = self.full - (solid.value / 100.0 if solid else 0.0)
        rows: list[Floats] = [np.ones(size)]
        most: list[float] = [most_dissolves]
        unexplained = 0.0
        for fact, some_rows, some_most in self._declared(species, listed) if whole else ():
            more_rows, more_most = np.array([*rows, *some_rows]), np.array([*most, *some_most])
            if listed and not self._feasible(more_rows, more_most):
                # The guarantees and sources count; what they do not fit is told.
                if self._feasible(np.array(rows), np.array(most)):
                    self.declared_misfits.append(f"{fact} is not what its guarantees and sources make")
                continue
            rows, most = [*rows, *some_rows], [*most, *some_most]
        declared_rows, declared_most = np.array(rows), np.array(most)
        if product.form == "dry" and whole:
            filled = np.vstack([declared_rows, -np.ones(size)])
            full = np.append(declared_most, -(1.0 - UNEXPLAINED_DRY_SHARE))
            if self._feasible(filled, full):
                return filled, full, 0.0
            if self._feasible(declared_rows, declared_most):
                least = self._limited(declared_rows, declared_most).least(-np.ones(size))
                unexplained = 1.0 if least is None else 1.0 - float(np.sum(least))
        return declared_rows, declared_most, unexplained

    def _declared(
        self, species: Sequence[Mapping[str, float]], listed: bool
    ) -> Iterator[tuple[str, list[Floats], list[float]]]:
        """Limits by facts that are declared beside the analysis: in words, rows and their most."""
        product = self.product
        if product.form == "liquid" and product.density is not None:
            rows, most = [], []
            for sign, displaced in zip((1.0, -1.0), _DISPLACED_L_PER_KG, strict=True):
                volumes = np.array(
                    [
                        1.0 / m.density.kg_per_l if m.form == "liquid" and m.density else displaced
                        for m in self.materials
                    ]
                )
                slack = sign * _DENSITY_WITHIN_SHARE
                # sum x v + (1 - sum x) = liters per kg
                rows.append(sign * (volumes - 1.0))
                most.append(sign * ((1.0 + slack) / product.density.kg_per_l - 1.0))
            yield f"its density of {product.density.kg_per_l:.3g} kg/L", rows, most
        # Over all materials that could be in it, roughly told is told: only what is listed can be contradicted by it.
        untold = listed and any(acidity.NOT_TOLD & of.keys() for of in species)
        if (declared := product.numbers.get("solution_ph")) is not None and not untold:
            ph = declared.value
            yield (
                f"its pH of {ph:g}",
                [
                    np.array([acidity.most_protons_per_kg(s, ph) for s in species]),
                    np.array([-acidity.least_protons_per_kg(s, ph) for s in species]),
                ],
                [acidity.free_protons(ph), acidity.free_hydroxide(ph)],
            )

    def likely(self) -> Floats:
        """A mixture of what feeds are mostly made of, where the label does not say: the least of everything else."""
        cost = np.array(
            [
                (1.0 if m.id in _COMMON else 8.0) + (8.0 if set(m.hazards) - {"oxidizer"} else 0.0)
                for m in self.materials
            ]
        )
        return self._optimum(cost)

    def _program(self, rows: Floats, most: Floats) -> tuple[Floats, Floats]:
        finite = np.isfinite(self.high)
        upper = np.vstack([self.analysis[finite], -self.analysis, rows])
        return upper, np.concatenate([self.high[finite], -self.low, most])

    @cached_property
    def _within(self) -> Program:
        """All of the limits."""
        return self._limited(self.rows, self.most)

    def _limited(self, rows: Floats, most: Floats) -> Program:
        upper, limit = self._program(rows, most)
        return Program(upper, limit + _SLACK)

    def _optimum(self, cost: Floats) -> Floats:
        """Shares of the least cost within the limits, which hold something."""
        found = self._within.least(cost)
        assert found is not None, "the room was found to hold something"
        return np.maximum(found, 0.0)

    def _feasible(self, rows: Floats, most: Floats) -> bool:
        return self._limited(rows, most).least(np.zeros(len(self.materials))) is not None

    def _mass_alone_fits(self) -> bool:
        """Whether shares that make no more than the whole meet the ranges, whatever else is declared."""
        return self._feasible(np.ones((1, len(self.materials))), np.array([self.full]))

    @cached_property
    def one_answer(self) -> bool:
        """True when the stated numbers fix the shares, as far as they are exact."""
        stated = [i for i, key in enumerate(self.keys) if key in self.stated]
        table = self.analysis[stated] / np.maximum(0.1, [[self.stated[self.keys[i]]] for i in stated])
        return int(np.linalg.matrix_rank(table, tol=1e-8)) == len(self.materials)

    def nearest(self) -> Floats:
        """The shares that come nearest to the stated numbers (nonnegative least squares, weighted by their size),
        moved within the limits where they are not."""
        stated = [i for i, key in enumerate(self.keys) if key in self.stated]
        aim = np.array([self.stated[self.keys[i]] for i in stated])
        weight = 1.0 / np.maximum(0.1, 0.03 * aim)
        table = self.analysis[stated] * weight[:, None]
        share = least_squares(table, aim * weight)
        upper, limit = self._program(self.rows, self.most)
        if np.all(upper @ share <= limit + 1e-6) or not self._feasible(self.rows, self.most):
            return share
        # Least sum of weighted deviations within the limits: x, then the deviations above and below.
        size, count = len(self.materials), len(stated)
        cost = np.concatenate([np.zeros(size), np.ones(2 * count)])
        equal = np.hstack([table, -np.eye(count), np.eye(count)])
        wide = np.hstack([upper, np.zeros((len(upper), 2 * count))])
        found = Program(wide, limit + _SLACK, equal=equal, equals=aim * weight).least(cost)
        return share if found is None else np.maximum(found[:size], 0.0)

    def extremes(self) -> tuple[list[Floats], list[int]]:
        """The extreme mixtures, each once, and for every one of DIRECTIONS the index of its own."""
        names = list(SPECIES)
        best: dict[tuple[float, ...], int] = {}
        vertices: list[Floats] = []
        most = np.max(np.abs(self.content), axis=1)  # scale of a species: the most that any source brings
        chosen = []
        for direction in DIRECTIONS:
            gain = np.zeros(len(self.materials))
            for name, sign in direction.parts.items():
                i = names.index(name)
                if most[i] > 0.0:
                    gain += sign * self.content[i] / most[i]
            size = float(np.max(np.abs(gain)))
            key = tuple(np.round(gain / size, 6) + 0.0) if size > 0.0 else tuple(gain)
            if key not in best:
                found = self._optimum(-np.array(key))
                same = (i for i, v in enumerate(vertices) if float(np.max(np.abs(v - found))) <= 1e-6)
                best[key] = next(same, len(vertices))
                if best[key] == len(vertices):
                    vertices.append(found)
            chosen.append(best[key])
        return vertices, chosen

    def misfits(self) -> list[str]:
        """What the sources cannot make of the label, in words; empty when they can."""
        if self._feasible(self.rows, self.most):
            return []
        # Least sum of relative violations of the ranges: x, then what is missing and what is too much of each.
        size, count = len(self.materials), len(self.keys)
        scale = np.maximum(0.1, [self.stated.get(key, 0.1) for key in self.keys])
        finite = np.isfinite(self.high)
        above = np.hstack([self.analysis, np.zeros((count, count)), -np.diag(scale)])[finite]
        below = np.hstack([-self.analysis, -np.diag(scale), np.zeros((count, count))])
        mass = np.concatenate([np.ones(size), np.zeros(2 * count)])[None, :]
        cost = np.concatenate([np.zeros(size), np.ones(2 * count)])
        limit = np.concatenate([self.high[finite], -self.low])
        found = Program(np.vstack([above, below, mass]), np.append(limit, self.full)).least(cost)
        free = Program(np.vstack([above, below]), limit).least(cost)
        if free is not None and cost @ free < 1e-6:
            least = float(np.sum(free[:size]))
            return [f"its sources would need {100 * least:.0f} % of the mass to make the label"]
        assert found is not None, "anything fits once it may be off"
        share, missing, excess = np.split(found, [size, size + count])
        words = []
        for i, key in enumerate(self.keys):
            if missing[i] < 1e-6 and excess[i] < 1e-6:
                continue
            name, says = NUTRIENTS[key].label, self.stated.get(key, 0.0)
            made = float(self.analysis[i] @ share)
            if not np.any(self.analysis[i]) and says:
                text = f"no source on its label holds {name}, of which it guarantees {says:g} %"
            else:
                text = f"its sources make {made:.3g} % {name}, the label says {says:.3g} %"
            words.append(text)
        words = words or ["its sources cannot make its label"]
        words[-1] += self._other_basis()
        return words

    def _other_basis(self) -> str:
        """A remark where the label fits once some of its numbers are read on the other basis, element for oxide."""
        stated = [key for key in self.keys if self.stated.get(key) and guarantee.other_basis(key, self.stated[key])]
        for count in (1, 2):
            for chosen in combinations(stated, count):
                other = {key: guarantee.other_basis(key, self.stated[key]) for key in chosen}
                kept = self.low.copy(), self.high.copy()
                for key, found in other.items():
                    assert found is not None
                    i = self.keys.index(key)
                    self.low[i], self.high[i] = guarantee.guaranteed_range(key, round(found[0], 2))
                fits = self._mass_alone_fits()
                self.low, self.high = kept
                if fits:
                    said = " and ".join(
                        f"{self.stated[key]:g} % is {found[1]} (that is {found[0]:.3g} % {found[2]})"
                        for key, found in other.items()
                        if found is not None
                    )
                    return f"; it fits if {said}"
        return ""
