"""How far a verdict is from its edge: one number at a time, the rest as stated."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...catalog.quantity.table import AMOUNT_FACTOR, LEVERS, Lever, Quantity
from ..ask.columns import Columns
from ..ask.question import Question
from ..case.case import Case
from ..chemistry.constants import Floats
from ..families.registry import Judge, worst
from ..judge.rule import Judged, Level, Levels

Mask = NDArray[np.bool_]

#: Values tried over a margin's range, and scenarios of the unknowns tried at each (the best estimate and a spread of
#: the others). The interval in which the verdict turns is cut ROUNDS times in SECTIONS parts. The value found is then
#: tried in every scenario (MOST_ROWS of them, spread, where there are more); where the verdict has turned in some, they
#: are followed in their turn, up to REPEATS times.
POINTS, ROWS, ROUNDS, SECTIONS, REPEATS, MOST_ROWS = 13, 10, 4, 6, 4, 150
_BACK = 2e-3
#: How far beyond a margin the verdict there is asked for: a share of it, or of
#: the range that is tried.
_BEYOND = 0.02


def _place(lever: Lever, value: float) -> float:
    """A value on the scale on which it is moved; what is far below the range counts as its foot."""
    return float(np.log(max(value, 1e-3 * lever.low))) if lever.by_ratio else value


def _value(lever: Lever, place: float) -> float:
    """The value at a place of that scale."""
    return float(np.exp(place)) if lever.by_ratio else place


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


def margins(asked: Asked, without: Collection[Quantity] = ()) -> dict[Quantity, float | None]:
    """For each lever the nearest value at which a stop ends, or a go ends; None where none does.

    without: levers that are left out. Whatever is not known is swept at every value too, so
    that the margin holds over it; the value returned is the last one found on the verdict's own side.
    """
    nominal = asked.question.nominal()
    return {
        quantity: _nearest(asked, quantity, nominal[quantity.name]) if quantity in asked.columns else None
        for quantity in LEVERS
        if quantity not in without
    }


def levels_beyond(asked: Asked, quantity: Quantity, value: float) -> Levels:
    """Levels of the verdict in all scenarios a little (2 %) beyond a value at which it turns, (B,)."""
    lever, here = _lever(quantity), asked.question.nominal()[quantity.name]
    outwards = 1.0 if value > here else -1.0
    further = (
        value * (1.0 + _BEYOND * outwards) if lever.by_ratio else value + _BEYOND * (lever.high - lever.low) * outwards
    )
    columns = asked.columns
    moved = _moved(asked.question, quantity, columns.numbers[quantity.name], np.array([further]))
    case = Case(asked.question, columns.moved(quantity, moved))
    return worst(case, asked.judge(case))


def _crossed(asked: Asked, quantity: Quantity, values: Floats, rows: np.ndarray) -> Mask:
    """Whether the verdict is another at each value (V,), in these scenarios of the columns: (rows, V).

    A column that is swept as a range keeps its spread around the value (a ratio off a dial, a bucket of 50 to 60 degF).
    """
    question, columns, stopped = asked.question, asked.columns, asked.stopped
    overfull = (values > question.most_amount_factor) & (quantity is AMOUNT_FACTOR)
    fits = values[~overfull]
    # What has no room in the bucket is no go, and no way out of a stop either.
    flags = np.full((len(rows), len(values)), not stopped)
    if len(fits):
        values_there = _moved(question, quantity, columns.numbers[quantity.name][rows], fits)
        case = Case(question, columns.repeated(rows, len(fits)).moved(quantity, values_there))
        level = worst(case, asked.judge(case, least=Level.UNKNOWN)).reshape(-1, len(fits))
        flags[:, ~overfull] = level < Level.STOP if stopped else level >= Level.UNKNOWN
    return flags


def _moved(question: Question, quantity: Quantity, values: Floats, to: Floats) -> Floats:
    """A column's values moved to others, (rows x to,): what was stated as a range keeps its width."""
    if not any(u.quantity is quantity and (u.source == "stated" or u.best is not None) for u in question.unknowns):
        return np.tile(to, len(values))
    here = question.nominal()[quantity.name]
    by_ratio = _lever(quantity).by_ratio
    moved = values[:, None] * (to / here)[None, :] if by_ratio else values[:, None] + (to - here)[None, :]
    return np.asarray(moved.reshape(-1))


def _lever(quantity: Quantity) -> Lever:
    assert quantity.lever is not None
    return quantity.lever


def _spread(columns: Columns, most: int) -> np.ndarray:
    """Rows spread over the scenarios, the best estimate first."""
    count = len(columns)
    return np.unique(np.concatenate([[0], np.linspace(0, count - 1, min(count, most)).astype(int)]))


def _nearest(asked: Asked, quantity: Quantity, here: float) -> float | None:
    question, columns, lever = asked.question, asked.columns, _lever(quantity)
    # A label without sources makes many mixtures of many ions, and its edge is no firm one: fewer of them are tried.
    listed = all(item.composition.listed for item in question.poured)
    few, most = (ROWS, MOST_ROWS) if listed else (3, 30)
    places = np.linspace(_place(lever, lever.low), _place(lever, lever.high), POINTS)
    grid = np.array([_value(lever, place) for place in places])
    flags = np.any(_crossed(asked, quantity, grid, _spread(columns, few)), axis=0)
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
                value, narrowed = _narrow(asked, quantity, (here, value), rows), True
            over = _crossed(asked, quantity, np.array([value]), every)[:, 0]
            if not np.any(over):
                break
            rows = every[over][:: max(1, int(np.sum(over)) // few)]
        if narrowed:
            found.append(value)
    if not found:
        return None
    near = min(found, key=lambda value: abs(_place(lever, value) - _place(lever, here)))
    # A little back from it, so that the figure still holds when it is rounded.
    start = _place(lever, here)
    return _value(lever, start + (_place(lever, near) - start) * (1.0 - _BACK) if lever.by_ratio else near)


def _narrow(asked: Asked, quantity: Quantity, span: tuple[float, float], rows: np.ndarray) -> float:
    """Last value that holds between one that holds and one that has turned, over some scenarios."""
    lever = _lever(quantity)
    holds, turned = _place(lever, span[0]), _place(lever, span[1])
    for _ in range(ROUNDS):
        places = np.linspace(holds, turned, SECTIONS + 1)
        values = np.array([_value(lever, place) for place in places[1:]])
        flags = _crossed(asked, quantity, values, rows)
        hit = np.any(flags, axis=0)
        if not np.any(hit):
            return _value(lever, turned)
        first = int(np.argmax(hit))
        holds, turned = float(places[first]), float(places[first + 1])
        rows = rows[flags[:, first]]
    return _value(lever, holds)
