"""From the label to what dissolves: exact for known formulas, solved for a derived-from list.

The shares of the sources are the nonnegative least-squares solution of "the sources make up the
guarantee". Where several mixtures of the same sources fit the label equally well, the corners of
that set are all returned, so that a check can hold over every one of them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import comb

import numpy as np
from numpy.typing import NDArray

from .errors import UnknownName
from .nutrients import NUTRIENTS
from .product import Product

#: A guarantee counts as met within this much, absolute percent or share of itself, whichever is
#: more: labels are rounded and sources are technical grades (common practice, no source).
MET_WITHIN_PERCENT, MET_WITHIN_SHARE = 0.5, 0.06
#: Dry mass that the sources leave unexplained is filler, which may not dissolve.
UNEXPLAINED_DRY_SHARE = 0.10

#: Ways of choosing sources that are tried before the shares are called unknown.
MOST_CORNERS = 5_000

Resolve = Callable[[str], Product]


@dataclass(frozen=True)
class Mixture:
    """One way to make the product. species_mol_per_kg: [mol/kg product]; sources: material id ->
    kg per kg product."""

    species_mol_per_kg: dict[str, float]
    sources: dict[str, float]


@dataclass(frozen=True)
class Composition:
    """What a product is made of: its possible mixtures (one when exact) and what is not known.

    gaps: reasons why the mixtures may not tell the whole; empty when the composition is known.
    """

    mixtures: tuple[Mixture, ...]
    gaps: tuple[str, ...]

    @property
    def exact(self) -> bool:
        """True when one mixture is known without gaps."""
        return len(self.mixtures) == 1 and not self.gaps


def composition(product: Product, resolve: Resolve) -> Composition:
    """Composition of a product. resolve: gives the material of a name, or raises UnknownName."""
    if product.content:
        return Composition((Mixture(product.species_mol_per_kg(), {product.id: 1.0}),), ())
    if not product.derived_from:
        return Composition((), ("its label names no sources (derived from)",))
    materials: list[Product] = []
    gaps: list[str] = []
    for name in product.derived_from:
        try:
            material = resolve(name)
        except UnknownName as error:
            gaps.append(
                f'its source "{name}" is not in the catalog ({error.nearest[0]}?)'
                if error.nearest
                else f'its source "{name}" is not in the catalog'
            )
            continue
        if material in materials:
            continue  # named twice on the label
        if material.content:
            materials.append(material)
        elif material.dissolving == "complete":
            gaps.append(f"the formula of its source {material.name} is not known")
    if not materials:
        return Composition((), tuple(gaps) or ("none of its sources dissolves",))
    shares, faults = _solve(product, materials)
    gaps += faults
    mixtures = tuple(_mixture(materials, share) for share in shares)
    return Composition(mixtures, tuple(gaps))


def label_percents(product: Product) -> dict[str, float]:
    """Every nutrient that the label states, percent: the grade, then the guarantees."""
    stated: dict[str, float] = {}
    if product.grade_percent is not None:
        stated.update(zip(("n", "p2o5", "k2o"), product.grade_percent, strict=True))
    stated.update({key: number.value for key, number in product.guaranteed.items()})
    return stated


def _solve(product: Product, materials: Sequence[Product]) -> tuple[list[NDArray[np.float64]], list[str]]:
    from scipy.optimize import nnls

    stated = label_percents(product)
    if not stated:
        return [], ["its label states no analysis"]
    keys = list(stated)
    table = np.array([[m.percent(key) or 0.0 for m in materials] for key in keys])
    aim = np.array([stated[key] for key in keys])
    weight = 1.0 / np.maximum(0.1, 0.03 * aim)
    share, _ = nnls(table * weight[:, None], aim * weight)
    faults = []
    for key, made, wanted in zip(keys, table @ share, aim, strict=True):
        if abs(made - wanted) > max(MET_WITHIN_PERCENT, MET_WITHIN_SHARE * wanted):
            faults.append(f"its sources make {made:.3g} % {NUTRIENTS[key].label}, the label says {wanted:.3g} %")
    total = float(np.sum(share))
    if total > 1.02:
        faults.append(f"its sources would need {100 * total:.0f} % of the mass to make the label")
    elif product.form == "dry" and total < 1.0 - UNEXPLAINED_DRY_SHARE:
        faults.append(f"{100 * (1 - total):.0f} % of its mass is not explained by its sources")
    shares = [share]
    rank = int(np.linalg.matrix_rank(table * weight[:, None], tol=1e-8))
    if rank < len(materials):
        if comb(len(materials) + 1, rank + 1) > MOST_CORNERS:
            faults.append(f"its {len(materials)} sources can make the label in too many ways to follow")
        else:
            shares = _corners(table * weight[:, None], share) or [share]
    return shares, faults


def _corners(table: NDArray[np.float64], share: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    """Vertices of {x >= 0, table x = table share, sum x <= 1}, the last by a slack variable."""
    size = len(share)
    full = np.zeros((len(table) + 1, size + 1))
    full[:-1, :size], full[-1, :] = table, 1.0
    right = np.append(table @ share, max(1.0, float(np.sum(share))))
    rank = int(np.linalg.matrix_rank(full, tol=1e-8))
    found: list[NDArray[np.float64]] = []
    for chosen in combinations(range(size + 1), rank):
        part, *_ = np.linalg.lstsq(full[:, chosen], right, rcond=None)
        if np.any(part < -1e-9) or np.max(np.abs(full[:, chosen] @ part - right)) > 1e-7:
            continue
        whole = np.zeros(size + 1)
        whole[list(chosen)] = np.maximum(part, 0.0)
        if not any(np.allclose(whole[:size], other, atol=1e-7) for other in found):
            found.append(whole[:size])
    return found


def _mixture(materials: Sequence[Product], share: NDArray[np.float64]) -> Mixture:
    species: dict[str, float] = {}
    for material, part in zip(materials, share, strict=True):
        for name, moles in material.species_mol_per_kg().items():
            species[name] = species.get(name, 0.0) + float(part) * moles
    sources = {m.id: float(part) for m, part in zip(materials, share, strict=True) if part > 1e-9}
    return Mixture(species, sources)
