"""From the label to what dissolves: exact for known formulas, a best estimate with bounds for a label.

A guarantee is a range (`guarantee.ranges`), the derived-from list names the sources without amounts. Every mixture of
the sources that fits all ranges, the density and the declared facts could be in the bottle: a polytope over the
source masses. Linear programs find its extremes: for every ion, and for every group of ions that makes a solid,
the mixture that holds the most and the one that holds the least. A check is swept over them, so that it holds
over whatever the label leaves open. Water that sources bring is not among the extremes: it follows.
Without a derived-from line the sources are all materials of the catalog.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from ..data import table
from ..errors import UnknownName
from ..nutrients import NUTRIENTS
from ..once import once_for_each
from ..product import Product, fold
from ..text import quoted
from . import guarantee
from .directions import DIRECTIONS
from .room import _MINOR, UNEXPLAINED_DRY_SHARE, Floats, Room

#: A source that holds more than this of a nutrient is a source of it [percent].
_OF_NOTE_PERCENT = 1.0
#: Answers by product and the materials that they were made of, which are kept so that their identity holds.
_KNOWN: dict[tuple[str, tuple[int, ...]], tuple[Composition, tuple[Product, ...]]] = {}
_MOST_KNOWN = 512

Resolve = Callable[[str], Product]


@dataclass(frozen=True)
class Mixture:
    """One way to make the product. species_mol_per_kg: [mol/kg product]; sources: material id ->
    kg per kg product."""

    species_mol_per_kg: dict[str, float]
    sources: dict[str, float]


@dataclass(frozen=True)
class Composition:
    """What a product is made of.

    mixtures: the best estimate first, then the extremes of what the label allows; one alone when it is exact,
    none when nothing is known. extreme: for each of DIRECTIONS the index of the mixture that goes furthest in it.
    gaps: what is not known; faults: what the label says against itself or its sources; both make the mixtures
    unsure. fixed: True when the label and its sources leave one answer, give or take the slack of the guarantees.
    listed: False without a derived-from line, when the mixtures are over all materials that could make the grade.
    """

    mixtures: tuple[Mixture, ...]
    gaps: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    fixed: bool = False
    listed: bool = True
    extreme: tuple[int, ...] = field(default=(), repr=False)

    @property
    def exact(self) -> bool:
        """True when the shares of the sources follow from the label, without gaps or faults."""
        return self.fixed and self.listed and not self.gaps and not self.faults

    @cached_property
    def bounds_mol_per_kg(self) -> dict[str, tuple[float, float, float]]:
        """Lowest, best estimate and highest of every species that the product may hold [mol/kg product]."""
        names = dict.fromkeys(name for mixture in self.mixtures for name in mixture.species_mol_per_kg)
        found = {}
        for name in names:
            values = [mixture.species_mol_per_kg.get(name, 0.0) for mixture in self.mixtures]
            found[name] = (min(values), values[0], max(values))
        return found

    def towards(self, direction: int) -> int:
        """Index of the mixture that goes furthest in one of DIRECTIONS; the best estimate where none does."""
        return self.extreme[direction] if self.extreme else 0


def composition(product: Product, resolve: Resolve, shelf: Sequence[Product] = ()) -> Composition:
    """Composition of a product.

    resolve: gives the material of a name, or raises UnknownName. shelf: the materials that a product without a
    derived-from line could be made of; empty: it is then not known at all.
    """
    if product.content:
        mixture = Mixture(product.species_mol_per_kg(), {product.id: 1.0})
        return Composition((mixture,), fixed=True, extreme=(0,) * len(DIRECTIONS))
    if not product.derived_from and product.kind == "material":
        return Composition((), ("which ions it brings is not on record",))
    if not product.derived_from:
        return _remembered(product, tuple(_candidates(product, shelf)), (), listed=False)
    materials: list[Product] = []
    gaps: list[str] = []
    unresolved = False
    for name in product.derived_from:
        for meant in _meant(name, product):
            try:
                material = resolve(meant)
            except UnknownName as error:
                unresolved = True
                gaps.append(
                    f"its source {quoted(name)} is not in the catalog ({error.nearest[0]}?)"
                    if error.nearest
                    else f"its source {quoted(name)} is not in the catalog"
                )
                continue
            if material in materials:
                continue  # named twice on the label
            if material.content:
                materials.append(material)
            elif material.dissolving == "complete":
                unresolved = True
                gaps.append(f"the formula of its source {material.name} is not known")
    if not materials:
        return Composition(
            (), tuple(gaps) or ("none of its sources dissolves",), tuple(guarantee.contradictions(product))
        )
    return _remembered(product, tuple(materials), tuple(gaps), listed=True, whole=not unresolved)


def sources_on_label(product: Product, resolve: Resolve) -> list[Product]:
    """The materials that a label names, as far as they are known; of a name for several, all of them."""
    found: list[Product] = []
    for name in product.derived_from:
        for meant in _meant(name, product):
            with suppress(UnknownName):
                found.append(resolve(meant))
    return found


def _meant(name: str, product: Product) -> list[str]:
    """Materials that a name on a label can stand for; a chelate of the declared agent where one is declared."""
    found, agent = table("generic_sources").get(fold(name), [name]), product.chelating_agent
    if agent not in {None, "none"}:
        others = {"EDTA", "DTPA", "EDDHA"} - {str(agent)}
        found = [one for one in found if not any(other in one for other in others)]
    return found or [name]


def _candidates(product: Product, shelf: Sequence[Product]) -> list[Product]:
    """Materials that a label without sources could stand for: those whose nutrients it claims or need not claim."""
    allowed, claimed = guarantee.ranges(product), guarantee.label_percents(product)
    found: dict[str, Product] = {}
    for material in shelf:
        # What is said to dissolve is not made of field grades; the soluble one has the same ions.
        if not material.content or material.dissolving != "complete":
            continue
        if product.form == "dry" and material.form == "liquid":
            continue
        if "hypochlorite" in material.hazards:
            continue  # sold as bleach, not under a grade
        agent = next((a for a in ("EDTA", "DTPA", "EDDHA") if a in material.name.upper()), "none")
        if product.chelating_agent not in {None, agent} and agent != "none":
            continue
        holds, species = _held_by(material)
        if any(key in allowed and allowed[key][1] <= guarantee.TRACE_PERCENT and not claimed.get(key) for key in holds):
            continue
        if any(key not in claimed for key in holds if key in _MINOR):
            continue  # who puts a minor nutrient in claims it
        found.setdefault(species, material)
    return list(found.values())


@once_for_each(most=512)
def _held_by(material: Product) -> tuple[list[str], str]:
    """The nutrients that a material brings more than a trace of, and its species, as text that is the same for the
    same ones."""
    holds = [key for key in NUTRIENTS if (material.percent(key) or 0.0) > _OF_NOTE_PERCENT]
    return holds, str(sorted((name, round(moles, 6)) for name, moles in material.species_mol_per_kg().items()))


def _remembered(
    product: Product, materials: tuple[Product, ...], gaps: tuple[str, ...], *, listed: bool, whole: bool = True
) -> Composition:
    key = (product.model_dump_json(exclude={"notes", "aliases"}), tuple(map(id, materials)))
    known = _KNOWN.get(key)
    if known is None:
        if len(_KNOWN) >= _MOST_KNOWN:
            _KNOWN.clear()
        known = _KNOWN[key] = _solve(product, materials, gaps, listed=listed, whole=whole), materials
    return known[0]


def _solve(
    product: Product, materials: tuple[Product, ...], gaps: tuple[str, ...], *, listed: bool, whole: bool
) -> Composition:
    """whole: False where the label names a source besides that is not known, which may bring what is missing."""
    faults = guarantee.contradictions(product)
    if not guarantee.label_percents(product):
        return Composition((), (*gaps, "its label states no analysis"), tuple(faults), listed=listed)
    if not listed:
        gaps = (*gaps, "its label names no sources (derived from)")
    if not materials:
        return Composition((), gaps, tuple(faults), listed=listed)
    room = Room(product, materials, listed, whole)
    faults += room.declared_misfits
    off = room.misfits()
    if off:
        best = room.nearest()
        share_of_dry = 1.0 - float(np.sum(best))
        if listed:
            faults += off
            if product.form == "dry" and share_of_dry > UNEXPLAINED_DRY_SHARE:
                gaps = (*gaps, f"{100 * share_of_dry:.0f} % of its mass is not explained by its sources")
        else:
            gaps = (*gaps, "no materials of the catalog make its grade")
        mixture = _mixture(materials, best / max(1.0, float(np.sum(best))))
        return Composition((mixture,), gaps, tuple(faults), listed=listed, extreme=(0,) * len(DIRECTIONS))
    if room.unexplained:
        gaps = (*gaps, f"{100 * room.unexplained:.0f} % of its mass is not explained by its sources")
    vertices, extreme = room.extremes()
    fixed = room.one_answer
    best = room.nearest() if fixed else np.mean(vertices, axis=0) if listed else room.likely()
    mixtures = (_mixture(materials, best), *(_mixture(materials, vertex) for vertex in vertices))
    return Composition(mixtures, gaps, tuple(faults), fixed=fixed, listed=listed, extreme=tuple(i + 1 for i in extreme))


def _mixture(materials: Sequence[Product], share: Floats) -> Mixture:
    species: dict[str, float] = {}
    for material, part in zip(materials, share, strict=True):
        for name, moles in material.species_mol_per_kg().items():
            species[name] = species.get(name, 0.0) + float(part) * moles
    sources = {m.id: float(part) for m, part in zip(materials, share, strict=True) if part > 1e-9}
    return Mixture({name: moles for name, moles in species.items() if abs(moles) > 1e-12}, sources)
