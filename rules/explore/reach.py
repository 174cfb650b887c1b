"""How far a number of a pour has to be changed until it is good: several numbers at once, each by itself."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..ask.columns import Columns
from ..ask.question import Question
from ..case.case import Case
from ..chemistry.constants import Floats
from ..families.registry import Judge, worst
from ..judge.rule import Family, Judged, Level, Levels
from .looks import Rows
from .scenarios import spread

#: Scenarios that are tried at each value (the best estimate and some of those that are bad); values that the interval
#: is cut at in which it turns good; how often scenarios that say otherwise are added; scenarios that are asked in the
#: end, spread where there are more; values that are looked at before the others; rules that are asked by themselves.
ROWS, SECTIONS, REPEATS, MOST_ROWS, AT_FIRST, LOUDEST = 4, 5, 3, 150, 2, 3


@dataclass(frozen=True)
class Path:
    """One way to change a pour. values: outward from what it is now, the smallest change first; by_ratio: whether what
    lies between two of them goes by ratios; moved: the scenarios at these values, one for each."""

    values: Floats
    by_ratio: bool
    moved: Callable[[Columns, Floats], Columns]

    def between(self, near: float, far: float) -> Floats:
        """Values that cut an interval, without its ends."""
        if self.by_ratio and near > 0.0 and far > 0.0:
            return np.geomspace(near, far, SECTIONS + 2)[1:-1]
        return np.linspace(near, far, SECTIONS + 2)[1:-1]


@dataclass(frozen=True)
class _State:
    """Where the search on a path is. near: the last value that is bad; values: to be tried, in these scenarios."""

    path: Path
    near: float
    values: Floats
    rows: Rows


def _hardest(speaking: Sequence[Judged], bad: Rows) -> list[int]:
    """Of the scenarios that are bad, ROWS less one that are likely to be bad the longest: the most severe of each rule
    that speaks, and others, spread."""
    orders = [spread(len(bad), ROWS - 1)]
    for one in speaking:
        if one.outcome.severity is not None:
            severity = np.where(one.level[bad] >= np.max(one.level[bad]), one.outcome.severity[bad], -np.inf)
            orders.insert(-1, np.argsort(-np.nan_to_num(severity, nan=-np.inf, neginf=-np.inf), kind="stable"))
    turns = (int(bad[order[k]]) for k in range(len(bad)) for order in orders if k < len(order))
    return list(dict.fromkeys(turns))[: ROWS - 1]


def reach(
    question: Question,
    columns: Columns,
    judge: Judge,
    judged: Sequence[Judged],
    paths: Sequence[tuple[float, Path]],
    at_most: Level,
    apart_from: Collection[Family] = (),
) -> list[float | None]:
    """For each path the first of its values found at which no rule says more than `at_most`; None where none is.

    columns: the swept scenarios; judged: what the rules say of them. paths: with the value that each starts from.
    apart_from: families of rules that may say what they like.
    Whatever is not known is swept at every value; the first good value is looked for on the way outward, so that a
    band that turns bad again does not matter.
    """
    speaking = [one for one in judged if one.rule.family not in apart_from and np.any(one.level > at_most)]
    bad = np.flatnonzero(np.any([np.zeros(len(columns), bool), *(one.level > at_most for one in speaking)], axis=0))
    rows = np.unique([0, *_hardest(speaking, bad)])
    here = bad[:1]
    loud = [one for one in speaking if len(here) and one.level[here[0]] > at_most]
    # A line is solved sooner than a bucket, and does not feel how warm the bucket is.
    loud.sort(key=lambda one: (one.rule.family != "line", -int(one.level[here[0]])))
    loudest = [one.rule for one in loud[:LOUDEST]]
    every = spread(len(columns), MOST_ROWS)
    states: dict[int, _State] = {i: _State(path, here, path.values, rows) for i, (here, path) in enumerate(paths)}
    found: list[float | None] = [None] * len(paths)

    def look(wanted: dict[int, tuple[Floats, Rows]], *, speaking_first: bool = False) -> dict[int, Levels]:
        """The worst levels of some values in some scenarios, (rows, values), in one batch. speaking_first: where none
        is good by the rules that speak, they are by these rules."""
        parts = [
            states[i].path.moved(columns.repeated(where, len(values)), np.tile(values, len(where)))
            for i, (values, where) in wanted.items()
        ]
        case = Case(question, Columns.joined(parts))
        ends = np.cumsum([len(part) for part in parts])[:-1]
        least = Level(at_most + 1)
        if speaking_first:
            seen = worst(case, judge(case, least=least, only=[one.rule for one in speaking]))
            if all(np.any(one > at_most) for one in np.split(seen, ends)):
                return told(seen, ends, wanted)
        judged = judge(case, least=least)
        seen = worst(case, [one for one in judged if one.rule.family not in apart_from])
        # Beyond what the model is good for it has nothing to promise.
        bucket = case.bucket.before_solids
        seen = np.where(bucket.ionic_strength > bucket.valid_up_to_mol_per_kg, Level.UNKNOWN, seen)
        return told(seen, ends, wanted)

    def told(seen: Levels, ends: Rows, wanted: dict[int, tuple[Floats, Rows]]) -> dict[int, Levels]:
        return {
            i: one.reshape(len(where), len(values))
            for (i, (values, where)), one in zip(wanted.items(), np.split(seen, ends), strict=True)
        }

    def first_good(states: dict[int, _State]) -> dict[int, int]:
        """For each path the place of its first value that is good in the scenarios that are tried; left out where none
        is. Most values are no good for the reason for which the pour is none: so the rules that speak are asked first,
        one after the other, in one scenario that is bad."""
        left = {i: np.arange(len(state.values)) for i, state in states.items()}
        for rule in loudest:
            parts = {
                i: states[i].path.moved(columns.repeated(here, len(of)), states[i].values[of]) for i, of in left.items()
            }
            case = Case(question, Columns.joined(list(parts.values())))
            seen = worst(case, judge(case, least=Level(at_most + 1), only=(rule,))) <= at_most
            ends = np.cumsum([len(part) for part in parts.values()])
            left = {i: of[good] for (i, of), good in zip(left.items(), np.split(seen, ends[:-1]), strict=True)}
            left = {i: of for i, of in left.items() if len(of)}
            if not left:
                return {}
        found: dict[int, int] = {}
        for most in (AT_FIRST, None):
            looked = look({i: (states[i].values[of[:most]], states[i].rows) for i, of in left.items()})
            for i, of in list(left.items()):
                good = np.flatnonzero(np.all(looked[i] <= at_most, axis=0))
                left[i] = of[len(looked[i][0]) :]
                if len(good):
                    found[i] = int(of[good[0]])
                if len(good) or not len(left[i]):
                    del left[i]
            if not left:
                break
        return found

    for _ in range(REPEATS):
        states = {i: state for i, state in states.items() if len(state.values)}
        if not states:
            break
        first = first_good(states)
        states = {i: states[i] for i in first}
        within: dict[int, tuple[float, float]] = {}
        for i, k in first.items():
            state = states[i]
            within[i] = float(state.values[k - 1]) if k else state.near, float(state.values[k])
        cuts = {i: states[i].path.between(*ends) for i, ends in within.items()}
        if not cuts:
            break
        seen = look({i: (cuts[i], states[i].rows) for i in cuts})
        chosen = {}
        for i, values in cuts.items():
            good = np.flatnonzero(np.all(seen[i] <= at_most, axis=0))
            chosen[i] = float(values[good[0]]) if len(good) else within[i][1]
        seen = look({i: (np.array([value]), every) for i, value in chosen.items()}, speaking_first=True)
        for i, value in chosen.items():
            left = every[seen[i][:, 0] > at_most]
            if not len(left):
                found[i] = value
                del states[i]
                continue
            state = states[i]
            outward = np.abs(state.values - state.near) > np.abs(value - state.near)
            more = np.unique(np.concatenate([state.rows, left[spread(len(left), ROWS)]]))
            states[i] = replace(state, near=value, values=state.values[outward], rows=more)
    return found
