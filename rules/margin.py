"""How far a verdict is from its edge: one number at a time, the rest as stated."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .case import Case
from .chemistry.constants import Floats
from .question import Columns, Question
from .registry import judge, worst
from .rule import Level, Outcome, Rule

Mask = NDArray[np.bool_]

#: Values tried over a margin's range, and scenarios of the unknowns tried at each (the best estimate and
#: the corners come first). The interval in which the verdict turns is then cut ROUNDS times in SECTIONS
#: parts: first over up to MOST_ROWS scenarios, from then on over those that turned there.
_BACK = 2e-3
POINTS, ROWS, ROUNDS, SECTIONS, MOST_ROWS = 13, 10, 4, 6, 60


@dataclass(frozen=True, slots=True)
class Edge:
    """One margin: the column that is moved, its range, and whether by ratios or by differences."""

    column: str
    low: float
    high: float
    ratio: bool

    def scale(self, value: float) -> float:
        """A value on the scale on which it is moved; what is far below the range counts as its foot."""
        return float(np.log(max(value, 1e-3 * self.low))) if self.ratio else value

    def unscale(self, value: float) -> float:
        """The value at a place of that scale."""
        return float(np.exp(value)) if self.ratio else value


EDGES = {
    "amount_factor": Edge("amount_factor", 0.01, 20.0, True),
    "injection_ratio": Edge("injection_ratio", 2.0, 5000.0, True),
    "water_calcium_mg_per_l": Edge("calcium", 0.5, 600.0, True),
    "water_alkalinity_mg_per_l_caco3": Edge("alkalinity", 5.0, 800.0, True),
    "water_ph": Edge("ph", 5.0, 9.5, False),
    "temperature_c": Edge("line_temperature_c", 2.0, 60.0, False),
    "bucket_temperature_c": Edge("bucket_temperature_c", 1.0, 45.0, False),
}


def no_number_turns(outcomes: Sequence[tuple[Rule, Outcome]]) -> bool:
    """True when a rule that goes by no number (it states no severity) stops the pour anyway."""
    return any(outcome.severity is None and bool(np.all(outcome.level == Level.STOP)) for _, outcome in outcomes)


def margins(question: Question, columns: Columns, stopped: bool) -> dict[str, float | None]:
    """For each edge the nearest value at which a stop ends, or a go ends; None where none does.

    columns: the swept scenarios of the verdict. Whatever is not known is swept at every value too, so
    that the margin holds over it; the value returned is the last one found on the verdict's own side.
    """
    nominal = question.nominal()
    return {
        name: _nearest(question, columns, edge, nominal[edge.column], stopped) if edge.column in columns else None
        for name, edge in EDGES.items()
    }


def _turned(question: Question, columns: Columns, edge: Edge, values: Floats, stopped: bool, rows: np.ndarray) -> Mask:
    """Whether the verdict is another at each value (V,), in these scenarios of the columns: (rows, V)."""
    overfull = (values > question.most_amount_factor) & (edge.column == "amount_factor")
    fits = values[~overfull]
    # What has no room in the bucket is no go, and no way out of a stop either.
    flags = np.full((len(rows), len(values)), not stopped)
    if len(fits):
        table = {name: np.repeat(column[rows], len(fits)) for name, column in columns.items()}
        table[edge.column] = np.tile(fits, len(rows))
        case = Case(question, table)
        level = worst(case, judge(case, Level.UNKNOWN)).reshape(-1, len(fits))
        flags[:, ~overfull] = level < Level.STOP if stopped else level >= Level.UNKNOWN
    return flags


def _nearest(question: Question, columns: Columns, edge: Edge, here: float, stopped: bool) -> float | None:
    grid = np.array([edge.unscale(place) for place in np.linspace(edge.scale(edge.low), edge.scale(edge.high), POINTS)])
    rows = np.arange(min(len(columns[edge.column]), ROWS))
    flags = np.any(_turned(question, columns, edge, grid, stopped, rows), axis=0)
    found: list[float] = []
    for side in (-1.0, 1.0):
        beyond = np.flatnonzero((grid - here) * side > 0)
        hits = beyond[flags[beyond]]
        if len(hits):
            hit = hits[0] if side > 0 else hits[-1]
            found.append(_narrow(question, columns, edge, (here, float(grid[hit])), stopped))
    if not found:
        return None
    near = min(found, key=lambda value: abs(edge.scale(value) - edge.scale(here)))
    # A little back from it, so that the figure still holds when it is rounded.
    start = edge.scale(here)
    return edge.unscale(start + (edge.scale(near) - start) * (1.0 - _BACK) if edge.ratio else near)


def _narrow(question: Question, columns: Columns, edge: Edge, span: tuple[float, float], stopped: bool) -> float:
    """Last value that holds between one that holds and one that has turned, over the scenarios."""
    rows = np.arange(min(len(columns[edge.column]), MOST_ROWS))
    holds, turned = edge.scale(span[0]), edge.scale(span[1])
    for _ in range(ROUNDS):
        places = np.linspace(holds, turned, SECTIONS + 1)
        values = np.array([edge.unscale(place) for place in places[1:]])
        flags = _turned(question, columns, edge, values, stopped, rows)
        first = int(np.argmax(np.any(flags, axis=0)))
        holds, turned = float(places[first]), float(places[first + 1])
        if np.any(flags[:, first]):
            rows = rows[flags[:, first]]
    return edge.unscale(holds)
