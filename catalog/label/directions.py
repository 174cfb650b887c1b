"""The directions in which a label is followed: for every ion, and every group of ions that makes a solid."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from ..species import SPECIES


@dataclass(frozen=True)
class Direction:
    """A weighting of species: the mixture that holds most of it is one of the extremes. name: for people;
    parts: species -> +1 or -1, each counted in shares of the most that the product can hold."""

    name: str
    parts: Mapping[str, float]


_ALKALINE_GROUPS = (
    ("PO4-3",),
    ("Ca+2", "PO4-3"),
    ("Mg+2", "PO4-3"),
    ("Mg+2", "NH4+", "PO4-3"),
    ("NH4+", "PO4-3"),
    ("NH4+",),
    ("CO3-2",),
    ("Ca+2", "CO3-2"),
)


def _directions() -> tuple[Direction, ...]:
    singles = [name for name in SPECIES if name != "H2O"]
    found = [Direction(f"most {SPECIES[n].spoken}", {n: 1.0}) for n in singles]
    found += [Direction(f"least {SPECIES[n].spoken}", {n: -1.0}) for n in singles]
    together: tuple[tuple[str, ...], ...] = (
        ("Ca+2", "SO4-2"),
        ("Ca+2", "PO4-3"),
        ("Mg+2", "PO4-3"),
        ("Mg+2", "NH4+", "PO4-3"),
        ("K+", "SO4-2"),
        ("K+", "NO3-"),
        ("K+", "Cl-"),
        ("NH4+", "SO4-2"),
        ("NH4+", "PO4-3"),
        ("Fe+2", "Fe+3", "PO4-3"),
        ("Zn+2", "Mn+2", "Cu+2", "PO4-3"),
        ("Ca+2", "CO3-2"),
        ("NH4+", "Cl-"),
    )
    found += [Direction(f"most {_spoken(group)}", dict.fromkeys(group, 1.0)) for group in together]
    # The more alkaline, the more phosphate and lime come out; the more acid, the more is set free.
    found += [
        Direction(f"most {_spoken(group)} and the least acid", {**dict.fromkeys(group, 1.0), "H+": -1.0})
        for group in _ALKALINE_GROUPS
    ]
    found += [
        Direction(f"most {_spoken(group)} and acid", {**dict.fromkeys(group, 1.0), "H+": 1.0})
        for group in (("S2O3-2",), ("CO3-2",), ("Edta-4",))
    ]
    return tuple(found)


def _spoken(names: Iterable[str]) -> str:
    return " and ".join(SPECIES[name].spoken for name in names)


DIRECTIONS = _directions()
