"""How far a verdict is from its edge: one number at a time, the rest as stated or swept."""

from __future__ import annotations

from collections.abc import Collection, Generator, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...catalog.quantity.table import AMOUNT_FACTOR, LEVERS, Lever, Quantity
from ..ask.columns import Columns
from ..ask.question import Question
from ..case.case import Case
from ..chemistry.constants import Floats
from ..families.registry import Judge, worst
from ..judge.rule import Judged, Level, Levels, overall

Rows = NDArray[np.intp]

#: Values tried over a lever's range, and scenarios tried at each at first (the best estimate and a spread of the
#: others), and FAR_ROWS of them at an end of the range up to which none has turned. The interval in which the verdict
#: turns is cut ROUNDS times in SECTIONS parts. What is found is then asked of every scenario (MOST_ROWS of them,
#: spread, where there are more); scenarios that say otherwise are taken in, up to REPEATS times.
POINTS, ROWS, FAR_ROWS, ROUNDS, SECTIONS, REPEATS, MOST_ROWS = 13, 5, 12, 4, 4, 4, 150
#: How far to either side of an edge the verdict is asked again: a share of the value, or of the lever's range where
#: it goes by differences.
ASKED_AGAIN = 0.02


@dataclass(frozen=True)
class Asked:
    """What an edge is asked of: the question, its swept scenarios, the rules at their levels, and the verdict."""

    question: Question
    columns: Columns
    judge: Judge
    now: Level


@dataclass(frozen=True)
class Turns:
    """A value at which the verdict turns, and what it is beyond it."""

    value: float
    verdict: Level


@dataclass(frozen=True)
class Edge:
    """The nearest value of a lever at which the verdict gets better, and at which it gets worse; None where none was
    found that holds in every scenario."""

    quantity: Quantity
    now: float
    better: Turns | None
    worse: Turns | None


@dataclass(frozen=True)
class _Look:
    """What a search wants to know next: the worst level of the rules that can come to `least`, at these scenarios."""

    columns: Columns
    shape: tuple[int, int]
    least: Level


@dataclass(frozen=True)
class _Seen:
    """The answer: worst levels, (rows, values), and whether a bucket was stronger than its model is good for."""

    level: Levels
    strong: bool


#: A search: it yields what it wants to know and is sent the answer, so that all searches look in one batch.
_Steps = Generator[_Look, _Seen, Turns | None]


def _verdict(level: Levels) -> Level:
    """The verdict over some scenarios; a note is none."""
    found = overall(level)
    return found if found >= Level.CAUTION else Level.NONE


def no_number_turns(judged: Sequence[Judged]) -> bool:
    """True when a rule that goes by no number (it states no severity) stops the pour anyway."""
    return any(one.outcome.severity is None and bool(np.all(one.level == Level.STOP)) for one in judged)


def edges(asked: Asked, without: Collection[Quantity] = ()) -> Iterator[Edge]:
    """Edges of a verdict, of each lever that has one. without: levers that are left out.

    Whatever is not known is swept at every value too, and both sides of an edge are asked again in all scenarios.
    """
    nominal = asked.question.nominal()
    searches = [
        _Search(asked, quantity, nominal[quantity.name])
        for quantity in LEVERS
        if quantity in asked.columns and quantity not in without
    ]
    least = Level.UNKNOWN if asked.now == Level.STOP else Level.CAUTION
    grids = _look_at(asked, [one.look(one.grid, _spread(len(asked.columns), one.few), least) for one in searches])
    steps = [one.turns(seen) for one, seen in zip(searches, grids, strict=True)]
    found = iter(_together(asked, [step for of_one in steps for step in of_one]))
    for one, of_one in zip(searches, steps, strict=True):
        edge = one.edge([next(found) for _ in of_one])
        if edge.better or edge.worse:
            yield edge


def _together(asked: Asked, steps: Sequence[_Steps]) -> list[Turns | None]:
    """What every search finds; in each round all that are not done look in one batch."""
    found: list[Turns | None] = [None] * len(steps)
    answers: dict[int, _Seen | None] = dict.fromkeys(range(len(steps)))
    while answers:
        wanted: dict[int, _Look] = {}
        for i, seen in answers.items():
            try:
                wanted[i] = next(steps[i]) if seen is None else steps[i].send(seen)
            except StopIteration as end:
                found[i] = end.value
        answers = dict(zip(wanted, _look_at(asked, list(wanted.values())), strict=True))
    return found


def _look_at(asked: Asked, looks: Sequence[_Look]) -> list[_Seen]:
    """Answers to several looks; those that ask the same rules share one batch."""
    answers: dict[int, _Seen] = {}
    for least in dict.fromkeys(look.least for look in looks):
        places = [i for i, look in enumerate(looks) if look.least == least]
        case = Case(asked.question, Columns.joined([looks[i].columns for i in places]))
        bucket = case.bucket.before_solids
        strong = bucket.ionic_strength > bucket.valid_up_to_mol_per_kg
        level = worst(case, asked.judge(case, least=least))
        first = 0
        for i in places:
            last = first + len(looks[i].columns)
            answers[i] = _Seen(level[first:last].reshape(looks[i].shape), bool(np.any(strong[first:last])))
            first = last
    return [answers[i] for i in range(len(looks))]


class _Search:
    """The search along one lever."""

    def __init__(self, asked: Asked, quantity: Quantity, here: float) -> None:
        assert quantity.lever is not None
        self.asked, self.quantity, self.here = asked, quantity, here
        self.lever: Lever = quantity.lever
        # A label without sources makes many mixtures of many ions, and its edge is no firm one: fewer are tried.
        listed = all(item.composition.listed for item in asked.question.poured)
        self.few, most = (ROWS, MOST_ROWS) if listed else (3, 30)
        self.every = _spread(len(asked.columns), most)
        self.some = _spread(len(asked.columns), min(most, FAR_ROWS))
        places = np.linspace(self.place(self.lever.low), self.place(self.lever.high), POINTS)
        values = np.array([self.value(place) for place in places])
        if quantity is AMOUNT_FACTOR:
            # What leaves no room for its water is refused, not judged.
            brim = asked.question.most_amount_factor / (1.0 + ASKED_AGAIN) ** 2
            values = np.append(values[values < brim], brim) if brim > here else values[values < brim]
        self.grid: Floats = values

    def place(self, value: float) -> float:
        """A value on the scale on which it is moved; what is far below the range counts as its foot."""
        return float(np.log(max(value, 1e-3 * self.lever.low))) if self.lever.by_ratio else value

    def value(self, place: float) -> float:
        """The value at a place of that scale."""
        return float(np.exp(place)) if self.lever.by_ratio else place

    def beside(self, value: float, outwards: float) -> float:
        """A value a little further out (1.0) or back (-1.0) from the present one."""
        side = outwards if value > self.here else -outwards
        if self.lever.by_ratio:
            return value * (1.0 + ASKED_AGAIN * side)
        return value + ASKED_AGAIN * (self.lever.high - self.lever.low) * side

    def turns(self, grid: _Seen) -> list[_Steps]:
        """The searches for the first turn to the better and to the worse, on either side, from what its grid showed."""
        seen = [_verdict(grid.level[:, k]) for k in range(grid.level.shape[1])]
        searches = []
        for side in (-1.0, 1.0):
            order = [k for k in range(len(self.grid)) if (self.grid[k] - self.here) * side > 0]
            order.sort(key=lambda k: abs(self.place(float(self.grid[k])) - self.place(self.here)))
            searches += [self._first(order, seen, better) for better in (True, False)]
        return searches

    def edge(self, found: Sequence[Turns | None]) -> Edge:
        """The nearest of the turns that were found to the better, and to the worse."""

        def nearest(better: bool) -> Turns | None:
            turns = [one for one in found if one is not None and self.turned(one.verdict, better)]
            return min(turns, key=lambda one: abs(self.place(one.value) - self.place(self.here)), default=None)

        return Edge(self.quantity, self.here, nearest(True), nearest(False))

    def _first(self, order: Sequence[int], seen: Sequence[Level], better: bool) -> _Steps:
        """The first turn outwards; it holds in every scenario, just before it and just after."""
        end = next((k for k in order if self.turned(seen[k], better)), None)
        last = float(self.grid[end]) if end is not None else float(self.grid[order[-1]]) if order else None
        if last is None or (end is None and better):
            return None  # what no few scenarios reach, all of them together do not
        # Rules that cannot turn this verdict this way are not asked until it is named.
        least = (
            Level.CAUTION
            if (self.asked.now == Level.NONE) or (better and self.asked.now == Level.CAUTION)
            else Level.UNKNOWN
        )
        if end is None:
            far = yield self.look(np.array([last]), self.some, least)
            if not self.turned(_verdict(far.level[:, 0]), better):
                return None
        rows = _spread(len(self.asked.columns), self.few)
        for _ in range(REPEATS):
            value = yield from self._between(last, rows, better, least)
            inside, outside = self.beside(value, -1.0), self.beside(value, 1.0)
            both = yield self.look(np.array([inside, outside]), self.every, Level.CAUTION)
            before, after = _verdict(both.level[:, 0]), _verdict(both.level[:, 1])
            if before == self.asked.now and self.turned(after, better):
                # Beyond what the model is good for it has nothing to tell.
                return None if both.strong else Turns(value, after)
            strange = self._strangers(both.level, before, better)
            if not len(strange):
                return None
            rows = np.unique(np.concatenate([rows, self.every[strange][:: max(1, len(strange) // self.few)]]))
        return None

    def _strangers(self, level: Levels, before: Level, better: bool) -> Rows:
        """Scenarios that have turned too early, or not yet."""
        if before != self.asked.now:
            return np.flatnonzero(level[:, 0] == (np.min(level[:, 0]) if better else np.max(level[:, 0])))
        return np.flatnonzero(level[:, 1] == np.max(level[:, 1]))

    def _between(self, last: float, rows: Rows, better: bool, least: Level) -> Generator[_Look, _Seen, float]:
        """The value at which the verdict turns between the present one and one beyond, over some scenarios."""
        holds, turned = self.place(self.here), self.place(last)
        for _ in range(ROUNDS):
            places = np.linspace(holds, turned, SECTIONS + 1)
            # Beyond the last of them it has turned, or will be found not to have in all scenarios.
            seen = yield self.look(np.array([self.value(place) for place in places[1:-1]]), rows, least)
            hit = [self.turned(_verdict(seen.level[:, k]), better) for k in range(SECTIONS - 1)]
            first = hit.index(True) if any(hit) else SECTIONS - 1
            holds, turned = float(places[first]), float(places[first + 1])
        return self.value(0.5 * (holds + turned))

    def turned(self, level: Level, better: bool) -> bool:
        """Whether a verdict is better, or worse, than the present one."""
        return level < self.asked.now if better else level > self.asked.now

    def look(self, values: Floats, rows: Rows, least: Level) -> _Look:
        """A look at each value in some scenarios.

        A quantity that is swept as a range keeps its spread around the value (a ratio off a setting, a bucket of 50 to
        60 degF).
        """
        columns = self.asked.columns
        moved = self._moved(columns.numbers[self.quantity.name][rows], values)
        at = columns.repeated(rows, len(values)).moved(self.quantity, moved)
        return _Look(at, (len(rows), len(values)), least)

    def _moved(self, values: Floats, to: Floats) -> Floats:
        """The quantity's numbers moved to others, (rows x to,): what was stated as a range keeps its width."""
        unknowns = self.asked.question.unknowns
        if not any(u.quantity is self.quantity and (u.source == "stated" or u.best is not None) for u in unknowns):
            return np.tile(to, len(values))
        if self.lever.by_ratio:
            moved = values[:, None] * (to / self.here)[None, :]
        else:
            moved = values[:, None] + (to - self.here)[None, :]
        return np.asarray(np.clip(moved, self.quantity.least, self.quantity.most).reshape(-1))


def _spread(count: int, most: int) -> Rows:
    """Rows spread over the scenarios, the best estimate first."""
    return np.unique(np.concatenate([[0], np.linspace(0, count - 1, min(count, most)).astype(int)]))
