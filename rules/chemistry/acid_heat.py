"""Heat that an acid sets free when it is diluted, by its strength (data/acid_heats.csv)."""

from __future__ import annotations

from functools import cache

import numpy as np

from .constants import Floats, rows_of


@cache
def _table(acid: str) -> tuple[Floats, Floats]:
    """(mol of water per mol of acid, ascending; heat set free on dilution without end [kJ/mol])."""
    rows = [row for row in rows_of("acid_heats.csv") if row["acid"] == acid]
    columns = ("mol_water_per_mol", "kj_per_mol")
    water, heat = (np.array([float(row[name]) for row in rows]) for name in columns)
    return water, heat


def is_listed(acid: str) -> bool:
    """True when the acid's heats of dilution are on record."""
    return len(_table(acid)[0]) > 0


def heat_of_dilution_kj_per_mol(acid: str, mol_water_per_mol: Floats) -> Floats:
    """Heat set free [kJ/mol of acid] by diluting an acid of this strength without end.

    Straight lines between the points of the table lie above its bent curve: the cautious side.

    >>> float(heat_of_dilution_kj_per_mol("HNO3", np.array([0.0]))[0])
    33.28
    """
    return np.interp(mol_water_per_mol, *_table(acid))
