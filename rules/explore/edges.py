"""How far a verdict is from its edge: one number at a time, the rest as stated or swept."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import Enum, auto
from functools import cached_property

import numpy as np

from ...catalog.quantity.table import AMOUNT_FACTOR, INJECTION_RATIO, LEVERS, Lever, Quantity
from ..chemistry.constants import Floats
from ..judge.advice import STRONGEST_RATIO, WEAKEST_RATIO
from ..judge.rule import Judged, Level, Levels, Rule
from .foretell import Foretold
from .looks import Asked, Look, Rows, Seen, Steps, together, verdicts
from .scenarios import distinct, spread

#: Values tried over a lever's range, and scenarios tried at each of them (the best estimate and those in which rules
#: that speak now are nearest to turning), FAR_ROWS at the ends of the range. The interval in which the verdict turns is
#: cut in at most SECTIONS parts, fewer where more than LOOKS scenarios and values would be looked at, and again while
#: it is wider than ENOUGH; only rules that tell are asked there, and scenarios that turn later are left out on the way.
#: What is found is then asked of every rule and scenario (MOST_ROWS of them, spread, where there are more); those that
#: say otherwise, FOLLOWED of them, are followed in their turn, up to REPEATS times. Where a few scenarios or rules show
#: what the verdict is over all of them, the others are not asked.
POINTS, ROWS, FAR_ROWS, SECTIONS, LOOKS, REPEATS = 5, 2, 8, 16, 28, 4
MOST_ROWS, FOLLOWED = 150, 4
#: How much longer each part is than the one before, away from an end that it is likely to turn near.
_COARSER = 3.0
#: How far to either side of an edge the verdict is asked again: a share of the value, or of the lever's range where
#: it goes by differences; how near an edge is found, as the same share.
ASKED_AGAIN, ENOUGH = 0.02, 0.01


class _Near(Enum):
    """Which end of an interval the verdict is likely to turn near."""

    NEITHER = auto()
    HOLDS = auto()
    TURNED = auto()


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
class _At:
    """What was seen of some scenarios at a value of a lever, the k-th of a look."""

    value: float
    rows: Rows
    seen: Seen
    k: int

    @property
    def verdict(self) -> Level:
        """The verdict over these scenarios."""
        return self.seen.verdicts[self.k]

    @property
    def level(self) -> Levels:
        """Worst levels by scenario."""
        return self.seen.level[:, self.k]


@dataclass(frozen=True)
class _Everywhere:
    """What was found at a value: the verdict over all scenarios, whether a bucket is stronger than its model is good
    for; of the scenarios that tell it, their worst levels, what was last seen of the rules, and the look at all of
    these scenarios that tells how severe it is."""

    verdict: Level
    strong: bool
    rows: Rows
    level: Levels
    seen: Seen
    whole: Seen


def _everywhere(rows: Rows, seen: Seen) -> _Everywhere:
    """What a look at one value in these scenarios says."""
    return _Everywhere(seen.verdicts[0], bool(seen.strong.any()), rows, seen.level[:, 0], seen, seen)


def no_number_turns(judged: Sequence[Judged]) -> bool:
    """True when a rule that goes by no number (it states no severity) stops the pour anyway."""
    return any(one.outcome.severity is None and bool(np.all(one.level == Level.STOP)) for one in judged)


def edges(asked: Asked, without: Collection[Quantity] = ()) -> Iterator[Edge]:
    """Edges of a verdict, of each lever that has one. without: levers that are left out.

    Whatever is not known is swept at every value too, and both sides of an edge are asked again in all scenarios.
    """
    nominal = asked.question.nominal()
    # A label without sources makes many mixtures of many ions, and its edge is no firm one: fewer are tried.
    listed = all(item.composition.listed for item in asked.question.poured)
    foretold = Foretold.of(asked, spread(len(asked.columns), MOST_ROWS if listed else 30))
    searches = [
        _Search(asked, foretold, quantity, nominal[quantity.name])
        for quantity in LEVERS
        if quantity in asked.columns and quantity not in without
    ]
    grids = together(asked, [one.seen_on_grid() for one in searches])
    steps = [one.turns(grid) for one, grid in zip(searches, grids, strict=True)]
    found = iter(together(asked, [step for of_one in steps for step in of_one]))
    for one, of_one in zip(searches, steps, strict=True):
        edge = one.edge([next(found) for _ in of_one])
        if edge.better or edge.worse:
            yield edge


def _at_each(groups: Sequence[tuple[Floats, Rows]], seen: Sequence[Seen]) -> list[_At]:
    """What was seen of some values and rows, value by value."""
    return [
        _At(value, rows, look, k)
        for (values, rows), look in zip(groups, seen, strict=True)
        for k, value in enumerate(values.tolist())
    ]


class _Search:
    """The search along one lever."""

    def __init__(self, asked: Asked, foretold: Foretold, quantity: Quantity, here: float) -> None:
        assert quantity.lever is not None
        self.asked, self.foretold, self.quantity, self.here = asked, foretold, quantity, here
        self.lever: Lever = quantity.lever
        self.every = foretold.rows
        # How far the turns are that are to be tried, to the better or not and by their side; and what has been found.
        self.coming: dict[tuple[bool, float], float] = {}
        self.done: set[bool] = set()
        # A few that tell of the rules that speak now, and some for those that do not yet.
        telling = [0, *foretold.first(FAR_ROWS // 2), *spread(len(asked.columns), FAR_ROWS)[1:].tolist()]
        order = list(dict.fromkeys(telling))
        self.far, self.near = distinct(order[:FAR_ROWS]), distinct(order[:ROWS])
        places = np.linspace(self.place(self.lever.low), self.place(self.lever.high), POINTS)
        values = np.array([self.value(place) for place in places])
        if quantity is INJECTION_RATIO:
            # What turns between the ends of what injectors reach turns back beyond them.
            step = (1.0 + ASKED_AGAIN) ** 2
            values[1], values[-2] = STRONGEST_RATIO * step, WEAKEST_RATIO / step
        if quantity is AMOUNT_FACTOR:
            # What leaves no room for its water is refused, not judged.
            brim = asked.question.most_amount_factor / (1.0 + ASKED_AGAIN) ** 2
            values = np.append(values[values < brim], brim) if brim > here else values[values < brim]
        self.grid: Floats = values

    @property
    def enough(self) -> float:
        """How near a turn is found, on the scale on which it is moved."""
        return ENOUGH * (1.0 if self.lever.by_ratio else self.lever.high - self.lever.low)

    def place(self, value: float) -> float:
        """A value on the scale on which it is moved; what is far below the range counts as its foot."""
        return float(np.log(max(value, 1e-3 * self.lever.low))) if self.lever.by_ratio else value

    def value(self, place: float) -> float:
        """The value at a place of that scale."""
        return float(np.exp(place)) if self.lever.by_ratio else place

    def _far(self, value: float) -> float:
        """How far a value is from the present one, on that scale."""
        return abs(self.place(value) - self.place(self.here))

    def beside(self, value: float, outwards: float) -> float:
        """A value a little further out (1.0) or back (-1.0) from the present one."""
        side = outwards if value > self.here else -outwards
        if self.lever.by_ratio:
            return value * (1.0 + ASKED_AGAIN * side)
        return value + ASKED_AGAIN * (self.lever.high - self.lever.low) * side

    def seen_on_grid(self) -> Steps[list[_At]]:
        """What is seen at the ends of the range and between them."""
        within, beyond = self.grid[:POINTS], self.grid[POINTS:]
        at_end = np.zeros(len(within), dtype=bool)
        at_end[:1] = at_end[-1:] = True
        groups = [(within[at_end], self.far), (within[~at_end], self.near)]
        if self.asked.now != Level.STOP:
            looks = tuple(self.look(values, rows) for values, rows in groups)
            seen = _at_each(groups, (yield looks))
            # A bucket may have room for more than the range goes to.
            worse = any(at.value > self.here and self.turned(at.verdict, better=False) for at in seen)
            if len(beyond) and not worse:
                seen += _at_each([(beyond, self.near)], (yield (self.look(beyond, self.near),)))
            return seen
        # Where a rule that stops it does so still, no other can let it pass.
        holding = tuple(one.rule for one in self.asked.judged if one.rule.name in self.asked.stopped)
        found: list[_At] = []
        for asked in ((self._lead(holding),), holding, None):
            looks = tuple(self.look(values, rows, Level.STOP, asked) for values, rows in groups)
            seen = _at_each(groups, (yield looks))
            held = [at for at in seen if asked is None or at.verdict == Level.STOP]
            found += held
            known = {at.value for at in held}
            groups = [(np.array([one for one in values.tolist() if one not in known]), rows) for values, rows in groups]
        return found

    def turns(self, seen: Sequence[_At]) -> list[Steps[Turns | None]]:
        """The searches for the first turn to the better and to the worse, on either side, from what is seen at some
        values."""
        searches = []
        for side in (-1.0, 1.0):
            order = [one for one in seen if (one.value - self.here) * side > 0]
            order.sort(key=lambda one: self._far(one.value))
            searches += [self._told(order, better, side) for better in (True, False)]
        return searches

    def edge(self, found: Sequence[Turns | None]) -> Edge:
        """The turns that were found to the better, and to the worse."""

        def nearest(better: bool) -> Turns | None:
            return next((one for one in found if one is not None and self.turned(one.verdict, better)), None)

        return Edge(self.quantity, self.here, nearest(True), nearest(False))

    def _told(self, order: Sequence[_At], better: bool, side: float) -> Steps[Turns | None]:
        """The first turn outwards on a side, if it is the one that is told."""
        found = yield from self._first(order, better, side)
        if found is None:
            self.coming.pop((better, side), None)
        else:
            self.done.add(better)
        return found

    def _in_turn(self, better: bool, side: float, value: float) -> Steps[bool]:
        """Waits while a turn on the other side that would be told instead is tried; whether none was found."""
        mine = self.coming[better, side] = self._far(value)
        while True:
            yield ()
            if better in self.done:
                return False
            other = self.coming.get((better, -side), np.inf)
            # Of two that are as near as they can be told apart, the lower one.
            if mine <= other + self.enough if side < 0.0 else mine < other - self.enough:
                return True

    def _first(self, order: Sequence[_At], better: bool, side: float) -> Steps[Turns | None]:
        """The first turn outwards; it holds in every scenario, just before it and just after."""
        end = next((k for k, at in enumerate(order) if self.turned(at.verdict, better)), None)
        if end is None:
            return None
        at = order[end]
        holds, turned = order[end - 1].value if end else self.here, at.value
        rules = self._telling(at.seen, at.k, better)
        rows = distinct([*self._which(at.rows, at.level, better)[:1], *self.foretold.first(FOLLOWED, rules)])
        if self._alone(better) and not self.foretold.tells_of(rules):
            # Of rules that do not speak yet it is known only where they do which scenarios turn first.
            if len(at.rows) < FAR_ROWS:
                (seen,) = yield (self.look(np.array([at.value]), self.every, rules=rules),)
                at = _At(at.value, self.every, seen, 0)
            rows = distinct([rows[0], *self._front(at, rules, better)])
        own = self.asked.columns.numbers[self.quantity.name][self.every]
        if np.ptp(own) > 0.0:
            # What is swept around its value is nearest to it, or last to reach it, at the end of its range.
            outmost = np.argmax if (at.value > self.here) == self._alone(better) else np.argmin
            rows = distinct([*rows, self.every[outmost(own)]])
        # Scenarios that show what the verdict is beyond, if any do.
        shows = distinct([*self.far, at.rows[np.argmin(at.level)], at.rows[np.argmax(at.level)]])
        near = _Near.NEITHER
        for _ in range(REPEATS):
            value, rows = yield from self._between(holds, turned, rows, better, rules, near)
            shows = distinct([*shows, *rows[:FOLLOWED]])
            inside, outside = self.beside(value, -1.0), self.beside(value, 1.0)
            if not (yield from self._in_turn(better, side, value)):
                return None
            before, after = yield from self._verified(inside, outside, rules, rows, shows, better)
            if before.verdict != self.asked.now:
                # Some have turned earlier, this way or the other.
                if not (self.turned(before.verdict, better) and self._alone(better)):
                    return None
                holds, turned, rows = self.here, inside, self._foremost(before, better)
                rules, near = self._telling(before.seen, 0, better, rules if better else ()), _Near.TURNED
                continue
            if self.turned(after.verdict, better):
                # Beyond what the model is good for it has nothing to tell.
                return None if before.strong or after.strong else Turns(value, after.verdict)
            if self._alone(better) or self._far(outside) >= self._far(order[-1].value):
                return None
            holds, turned, rows = outside, order[-1].value, self._which(self.every, after.level, better)
            rules, near = self._telling(after.seen, 0, better, rules), _Near.HOLDS
        return None

    def _verified(
        self, inside: float, outside: float, rules: tuple[Rule, ...], rows: Rows, shows: Rows, better: bool
    ) -> Steps[tuple[_Everywhere, _Everywhere]]:
        """What is said in every scenario just inside of a value and just outside.

        rules: those that tell; rows: the scenarios that do; shows: those that are likely to show the verdict outside.
        """
        just_in, just_out = np.array([inside]), np.array([outside])
        # What cannot be worse than it is now tells nothing of a turn to the worse.
        least = Level.CAUTION if better else Level(max(Level.CAUTION, self.asked.now + 1))
        beyond = self.look(just_out, self.every, least, strength=True)
        if self.asked.now != Level.STOP:
            (seen,) = yield (beyond,)
            after = _everywhere(self.every, seen)
            if not self.turned(after.verdict, better):
                return after, after
            return (yield from self._not_yet(just_in, after, rules, rows, better)), after
        some = self.look(just_out, shows, Level.UNKNOWN), self.look(just_out, self.every, rules=(), strength=True)
        before, few, strong = yield from self._stopped(just_in, rules, some)
        if before.verdict != self.asked.now:
            return before, before
        if few.level.max() >= Level.UNKNOWN and few.level.min() < Level.STOP and self.turned(Level.UNKNOWN, better):
            # With an unknown somewhere and no stop everywhere the others change nothing.
            alone = _everywhere(shows, few)
            return before, replace(alone, verdict=Level.UNKNOWN, strong=bool(np.any(strong.strong)))
        (out,) = yield (beyond,)
        return before, _everywhere(self.every, out)

    def _not_yet(
        self, inside: Floats, after: _Everywhere, rules: tuple[Rule, ...], rows: Rows, better: bool
    ) -> Steps[_Everywhere]:
        """What is said inside of a value beyond which, `after`, the verdict of no stop has turned.

        A rule that says nothing worse beyond it in a scenario, and does not now, does not between them; so only the
        others are asked. Where the verdict gets better, one scenario that holds it is enough.
        """
        if self._alone(better):
            rows, rules = self._which(self.every, after.level, better), self._telling(after.seen, 0, better)
        (seen,) = yield (self.look(inside, rows, rules=rules),)
        if better and seen.verdicts[0] != self.asked.now:
            rows = self.every
            (seen,) = yield (self.look(inside, rows, rules=rules),)
        before = _everywhere(rows, seen)
        return before if better or self.turned(before.verdict, better) else replace(before, verdict=self.asked.now)

    def _stopped(
        self, value: Floats, rules: tuple[Rule, ...], also: tuple[Look, Look]
    ) -> Steps[tuple[_Everywhere, Seen, Seen]]:
        """What is said of a stop at a value in every scenario; and the answers to two other looks.

        One stop is enough for a scenario: the rule that stops most of them now is asked first, the others only where it
        does not, and what else there is where these do not either.
        """
        lead = self._lead(rules)
        whole, few, strong = yield self.look(value, self.every, rules=(lead,)), *also
        seen, level = whole, whole.level[:, 0].copy()
        for asked in (rules, None):
            open_ = np.flatnonzero(level < Level.STOP)
            if len(open_) and asked != (lead,):
                (seen,) = yield (self.look(value, self.every[open_], Level.STOP, asked),)
                level[open_] = seen.level[:, 0]
        return _Everywhere(verdicts(level[:, None])[0], False, self.every, level, seen, whole), few, strong

    def _lead(self, rules: Sequence[Rule]) -> Rule:
        """Of some rules the one that stops most scenarios now; among equals one that needs no bucket solved."""
        return max(rules, key=lambda rule: (self.asked.stopped.get(rule.name, 0), rule.family != "bucket"))

    def _telling(self, seen: Seen, k: int, better: bool, also: Sequence[Rule] = ()) -> tuple[Rule, ...]:
        """The rules that tell where the verdict turns: those that are worse than it where it has turned to the worse;
        those that hold it now, where it gets better, and those that still do at the k-th value of a look."""
        least = Level(max(self.asked.now + (not better), Level.CAUTION))
        telling = [*(self.asked.at_least(least) if better else ()), *seen.at_least(least, k)]
        return tuple({rule.name: rule for rule in (*also, *telling)}.values())

    def _alone(self, better: bool) -> bool:
        """Whether one scenario that turns turns the verdict: all have to for a caution to become clear."""
        return not (better and self.asked.now == Level.CAUTION)

    def _which(self, rows: Rows, level: Levels, better: bool) -> Rows:
        """Those of some scenarios that tell where the verdict turns: where one is enough those that have turned, else
        those that have not."""
        return rows[self._places_of(level, better)]

    def _places_of(self, level: Levels, better: bool) -> Rows:
        """Where these stand among the scenarios; all of them where none does."""
        keep = level < self.asked.now if better else level > max(self.asked.now, Level.NOTE)
        if not self._alone(better):
            keep = ~keep
        return np.flatnonzero(keep) if keep.any() else np.arange(len(level))

    def _foremost(self, seen: _Everywhere, better: bool) -> Rows:
        """Of the scenarios that have turned at a value those that are likely to have turned first."""
        turned = self._places_of(seen.level, better)
        severity = seen.whole.severity[turned, 0]
        order = np.argsort(severity if better else -severity, kind="stable")
        return seen.rows[np.sort(turned[order[:FOLLOWED]])]

    def _front(self, at: _At, rules: Sequence[Rule], better: bool) -> list[int]:
        """Of what was seen at a value the scenarios that are likely to have turned first, by each of these rules."""
        found: list[int] = []
        for severity in at.seen.severities(rules, at.k):
            order = np.argsort(severity if better else -severity, kind="stable")
            found += [int(at.rows[i]) for i in order[: max(1, FOLLOWED // len(rules))]]
        return found

    def _between(
        self, holds_at: float, turned_at: float, rows: Rows, better: bool, rules: tuple[Rule, ...], near: _Near
    ) -> Steps[tuple[float, Rows]]:
        """The value at which the verdict turns between one where it holds and one where it has turned, over some
        scenarios and rules, and the scenarios that tell; near: which of the two it is likely to be near."""
        holds, turned = self.place(holds_at), self.place(turned_at)
        # Before it was looked at in these scenarios, it may have turned already.
        start = 1 if holds_at == self.here else 0
        while abs(turned - holds) > self.enough:
            places = holds + (turned - holds) * self._parts(abs(turned - holds), len(rows), near)
            # Beyond the last of them it has turned, or will be found not to have in all scenarios.
            looked_at = np.array([self.value(place) for place in places[start:-1].tolist()])
            (seen,) = yield (self.look(looked_at, rows, rules=rules),)
            found = seen.verdicts
            first = next((k for k, verdict in enumerate(found) if self.turned(verdict, better)), len(found))
            i = start + first
            holds, turned = (float(places[i - 1]), float(places[i])) if i else (self.place(self.here), holds)
            if first < len(found) and not better:
                rules = self._telling(seen, first, better)
            told = first if self._alone(better) else first - 1
            if 0 <= told < len(found):
                rows = self._which(rows, seen.level[:, told], better)
            start, near = 1, _Near.NEITHER
        return self.value(0.5 * (holds + turned)), rows

    def _parts(self, width: float, rows: int, near: _Near) -> Floats:
        """Where an interval is cut, as shares of it from 0 to 1: in as few parts alike as come down to what is enough
        in as few rounds as can be; where it is likely to turn near an end, finer there."""
        parts = width / self.enough
        if near is not _Near.NEITHER:
            finer = np.concatenate([[0.0], np.geomspace(1.0 / parts, 1.0, 2 + int(np.log(parts) / np.log(_COARSER)))])
            return finer if near is _Near.HOLDS else 1.0 - finer[::-1]
        most = min(max(1 + LOOKS // rows, 3), SECTIONS)
        rounds = max(int(np.ceil(np.log(parts) / np.log(most))), 1)
        return np.linspace(0.0, 1.0, int(np.ceil(parts ** (1.0 / rounds))) + 1)

    def turned(self, level: Level, better: bool) -> bool:
        """Whether a verdict is better, or worse, than the present one."""
        return level < self.asked.now if better else level > self.asked.now

    def look(
        self,
        values: Floats,
        rows: Rows,
        least: Level = Level.CAUTION,
        rules: tuple[Rule, ...] | None = None,
        strength: bool = False,
    ) -> Look:
        """A look at each value in some scenarios.

        A quantity that is swept as a range keeps its spread around the value (a ratio off a setting, a bucket of 50 to
        60 degF).
        """
        now = self.asked.columns.numbers[self.quantity.name][rows]
        where = np.repeat(rows, len(values))
        return Look(self.quantity, (len(rows), len(values)), where, self._moved(now, values), least, rules, strength)

    @cached_property
    def _has_width(self) -> bool:
        """Whether the quantity was stated as a range, or is swept around a best estimate."""
        unknowns = self.asked.question.unknowns
        return any(u.quantity is self.quantity and (u.source == "stated" or u.best is not None) for u in unknowns)

    def _moved(self, values: Floats, to: Floats) -> Floats:
        """The quantity's numbers moved to others, (rows x to,): what was stated as a range keeps its width."""
        if not self._has_width:
            return np.repeat(to[None, :], len(values), axis=0).reshape(-1)
        if self.lever.by_ratio:
            moved = values[:, None] * (to / self.here)[None, :]
        else:
            moved = values[:, None] + (to - self.here)[None, :]
        return np.asarray(np.clip(moved, self.quantity.least, self.quantity.most).reshape(-1))
