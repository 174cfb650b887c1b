"""How far a verdict is from its edge: one number at a time, the rest as stated."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..ask.question import Columns, Question
from ..case.case import Case
from ..chemistry.constants import Floats
from ..families.registry import Judge, worst
from ..judge.rule import Judged, Level

Mask = NDArray[np.bool_]

#: Values tried over a margin's range, and scenarios of the unknowns tried at each (the best estimate and a spread of
#: the others). The interval in which the verdict turns is cut ROUNDS times in SECTIONS parts. The value found is then
#: tried in every scenario (MOST_ROWS of them, spread, where there are more); where the verdict has turned in some, they
#: are followed in their turn, up to REPEATS times.
POINTS, ROWS, ROUNDS, SECTIONS, REPEATS, MOST_ROWS = 13, 10, 4, 6, 4, 150
_BACK = 2e-3


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
    "water_hardness_mg_per_l_caco3": Edge("hardness", 2.0, 2000.0, True),
    "water_alkalinity_mg_per_l_caco3": Edge("alkalinity", 5.0, 800.0, True),
    "water_ph": Edge("ph", 5.0, 9.5, False),
    "temperature_c": Edge("line_temperature_c", 2.0, 60.0, False),
    "bucket_temperature_c": Edge("bucket_temperature_c", 1.0, 45.0, False),
}


def no_number_turns(judged: Sequence[Judged]) -> bool:
    """True when a rule that goes by no number (it states no severity) stops the pour anyway."""
    return any(one.outcome.severity is None and bool(np.all(one.level == Level.STOP)) for one in judged)


@dataclass(frozen=True)
class Asked:
    """What a margin is asked of: the question, its swept scenarios, the rules at their levels, and whether the verdict
    is a stop."""

    question: Question
    columns: Columns
    judge: Judge
    stopped: bool


def margins(asked: Asked) -> dict[str, float | None]:
    """For each edge the nearest value at which a stop ends, or a go ends; None where none does.

    columns: the swept scenarios of the verdict. Whatever is not known is swept at every value too, so
    that the margin holds over it; the value returned is the last one found on the verdict's own side.
    """
    nominal = asked.question.nominal()
    return {
        name: _nearest(asked, edge, nominal[edge.column]) if edge.column in asked.columns else None
        for name, edge in EDGES.items()
    }


def _turned(asked: Asked, edge: Edge, values: Floats, rows: np.ndarray) -> Mask:
    """Whether the verdict is another at each value (V,), in these scenarios of the columns: (rows, V).

    A column that is swept as a range keeps its spread around the value (a ratio off a dial, a bucket of 50 to 60 degF).
    """
    question, columns, stopped = asked.question, asked.columns, asked.stopped
    overfull = (values > question.most_amount_factor) & (edge.column == "amount_factor")
    fits = values[~overfull]
    # What has no room in the bucket is no go, and no way out of a stop either.
    flags = np.full((len(rows), len(values)), not stopped)
    if len(fits):
        table = {name: np.repeat(column[rows], len(fits)) for name, column in columns.items()}
        table[edge.column] = _moved(question, edge, columns[edge.column][rows], fits)
        case = Case(question, table)
        level = worst(case, asked.judge(case, least=Level.UNKNOWN)).reshape(-1, len(fits))
        flags[:, ~overfull] = level < Level.STOP if stopped else level >= Level.UNKNOWN
    return flags


def _moved(question: Question, edge: Edge, values: Floats, to: Floats) -> Floats:
    """A column's values moved to others, (rows x to,): what was stated as a range keeps its width."""
    stated = {u.name: u for u in question.unknowns if u.source == "stated" or u.best is not None}
    if edge.column not in stated:
        return np.tile(to, len(values))
    here = question.nominal()[edge.column]
    moved = values[:, None] * (to / here)[None, :] if edge.ratio else values[:, None] + (to - here)[None, :]
    return np.asarray(moved.reshape(-1))


def _spread(columns: Columns, most: int) -> np.ndarray:
    """Rows spread over the scenarios, the best estimate first."""
    count = len(columns["amount_factor"])
    return np.unique(np.concatenate([[0], np.linspace(0, count - 1, min(count, most)).astype(int)]))


def _nearest(asked: Asked, edge: Edge, here: float) -> float | None:
    question, columns = asked.question, asked.columns
    # A label without sources makes many mixtures of many ions, and its edge is no firm one: fewer of them are tried.
    listed = all(item.composition.listed for item in question.poured)
    few, most = (ROWS, MOST_ROWS) if listed else (3, 30)
    grid = np.array([edge.unscale(place) for place in np.linspace(edge.scale(edge.low), edge.scale(edge.high), POINTS)])
    flags = np.any(_turned(asked, edge, grid, _spread(columns, few)), axis=0)
    every = _spread(columns, most)
    found: list[float] = []
    for side in (-1.0, 1.0):
        beyond = np.flatnonzero((grid - here) * side > 0)
        if not len(beyond):
            continue
        hits = beyond[flags[beyond]]
        end = (hits[0] if side > 0 else hits[-1]) if len(hits) else (beyond[-1] if side > 0 else beyond[0])
        rows = _spread(columns, few)
        value, narrowed = float(grid[end]), False
        for again in range(REPEATS):
            if len(hits) or again:
                value, narrowed = _narrow(asked, edge, (here, value), rows), True
            over = _turned(asked, edge, np.array([value]), every)[:, 0]
            if not np.any(over):
                break
            rows = every[over][:: max(1, int(np.sum(over)) // few)]
        if narrowed:
            found.append(value)
    if not found:
        return None
    near = min(found, key=lambda value: abs(edge.scale(value) - edge.scale(here)))
    # A little back from it, so that the figure still holds when it is rounded.
    start = edge.scale(here)
    return edge.unscale(start + (edge.scale(near) - start) * (1.0 - _BACK) if edge.ratio else near)


def _narrow(asked: Asked, edge: Edge, span: tuple[float, float], rows: np.ndarray) -> float:
    """Last value that holds between one that holds and one that has turned, over some scenarios."""
    holds, turned = edge.scale(span[0]), edge.scale(span[1])
    for _ in range(ROUNDS):
        places = np.linspace(holds, turned, SECTIONS + 1)
        values = np.array([edge.unscale(place) for place in places[1:]])
        flags = _turned(asked, edge, values, rows)
        hit = np.any(flags, axis=0)
        if not np.any(hit):
            return edge.unscale(turned)
        first = int(np.argmax(hit))
        holds, turned = float(places[first]), float(places[first + 1])
        rows = rows[flags[:, first]]
    return edge.unscale(holds)
