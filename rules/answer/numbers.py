"""Numbers of an answer: value, range and unit, from named floats over the scenarios."""

from __future__ import annotations

from functools import cache, lru_cache
from math import isfinite

import numpy as np

from ...catalog.quantity.named import NAMED_UNITS
from ...catalog.quantity.table import INJECTION_RATIO
from ..chemistry.constants import Floats
from .verdict import Number

#: Endings of the rules' named numbers, beside those of the input, that state a unit.
_ENDINGS = {
    **NAMED_UNITS,
    "_mol_per_kg": "mol/kg",
    "_g_per_l": "g/L",
    "_l_per_l": "L/L",
    "_percent": "%",
    "_atm": "atm",
    "_ph": "pH",
    "_years": "years",
    "_mesh": "mesh",
}
_LONGEST_FIRST = sorted(_ENDINGS, key=len, reverse=True)

#: Named numbers whose names do not end in their unit.
_BY_NAME = {
    "injection_ratio": INJECTION_RATIO.unit,
    "ion_product": "(mol/kg)^2",
}


@cache
def split_unit(key: str) -> tuple[str, str]:
    """Name and unit of a named number; unit "" where its name states none.

    >>> split_unit("line_calcium_mg_per_l"), split_unit("saturation_index"), split_unit("line_ph")
    (('line_calcium', 'mg/L'), ('saturation_index', ''), ('line_ph', 'pH'))
    """
    if key in _BY_NAME:
        return key, _BY_NAME[key]
    for ending in _LONGEST_FIRST:
        if key.endswith(ending) and key != ending:
            return (key if ending == "_ph" else key.removesuffix(ending)), _ENDINGS[ending]
    alone = {ending.removeprefix("_"): unit for ending, unit in _ENDINGS.items()}
    return key, alone.get(key, "")


def tidy(value: float) -> float:
    """Five significant digits; next to nothing is nothing."""
    rounded = float(f"{float(value):.5g}")
    return 0.0 if abs(rounded) < 1e-6 else rounded


@lru_cache(maxsize=1024)
def _one(value: float, unit: str) -> Number:
    shown = tidy(value)
    return Number(value=shown, low=shown, high=shown, unit=unit)


def number(values: Floats | float, unit: str, row: int = 0) -> Number:
    """A number over scenarios, (B,) or one for all, shown as in one of them, which is finite there."""
    if not isinstance(values, np.ndarray) or not values.ndim:
        return _one(float(values), unit)
    low, high = float(values.min()), float(values.max())
    if not (isfinite(low) and isfinite(high)):
        finite = values[np.isfinite(values)]
        low, high = float(finite.min()), float(finite.max())
    return _over(float(values[row if len(values) > 1 else 0]), low, high, unit)


def numbers(table: Floats, unit: str) -> list[Number]:
    """`number` of each column of a table over scenarios, (B, K)."""
    if not np.isfinite(table).all():
        return [number(column, unit) for column in table.T]
    ends = zip(table[0].tolist(), table.min(axis=0).tolist(), table.max(axis=0).tolist(), strict=True)
    return [_over(value, low, high, unit) for value, low, high in ends]


def _over(value: float, low: float, high: float, unit: str) -> Number:
    value = tidy(value)
    if low != high:
        low, high = tidy(low), tidy(high)
    if high - low <= 1e-6 * max(abs(high), abs(low), 1e-6):
        low = high = value
    return Number(value=value, low=low, high=high, unit=unit)
