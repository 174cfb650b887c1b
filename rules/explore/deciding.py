"""What decides among scenarios that disagree, and where it turns."""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from ...catalog.quantity.table import LINE_TEMPERATURE
from ..ask.columns import Columns, Floats
from ..ask.question import Question
from ..case.case import Case
from ..families.registry import Judge, worst
from ..judge.rule import Level, Rule
from .looks import asks_bucket, stepped
from .openings import Choice, Input, Mask, inputs
from .scenarios import spread

Rows = NDArray[np.intp]


def _each(values: NDArray[Any]) -> NDArray[Any]:
    """Values, each once, ascending."""
    # The first numpy.unique of a process takes ten milliseconds, for what it imports; numpy.quantile asks it too.
    return np.array(sorted(set(values.tolist())))


def _eighths(values: Floats) -> Floats:
    """Seven values that part these into eight parts alike."""
    return np.interp(np.linspace(0.125, 0.875, 7) * (len(values) - 1), np.arange(len(values)), np.sort(values))


def explained(values: Floats, bad: Mask, *, kinds: bool = False) -> float:
    """Share of the disagreement (variance of `bad`) that an input explains by itself: the correlation ratio over up
    to eight classes of its values (kinds: one class per value), less what as many classes explain by chance.
    values, bad: (B,); 0..1."""
    return _share(_classes(values, kinds=kinds), bad)


def _classes(values: Floats, *, kinds: bool) -> Rows:
    """Which of up to eight classes of its values an input is in, (B,); all in the first where it is always the same."""
    each = _each(values)
    if len(each) < 2:
        return np.zeros(len(values), dtype=np.intp)
    edges = each[1:] if kinds or len(each) <= 8 else _each(_eighths(values))
    return np.searchsorted(edges, values, side="right")


def _share(classes: Rows, bad: Mask) -> float:
    """`explained`, by the classes of the input."""
    mean = float(np.mean(bad))
    spread = mean * (1.0 - mean)
    sizes = np.bincount(classes)
    groups = np.count_nonzero(sizes)
    if spread == 0.0 or groups < 2:
        return 0.0
    inside = np.bincount(classes, weights=bad) / np.maximum(sizes, 1)
    ratio = float(np.sum(sizes * (inside - mean) ** 2)) / len(bad) / spread
    chance = (groups - 1) / max(len(bad) - 1, 1)
    return max(0.0, (ratio - chance) / max(1.0 - chance, 1e-9))


@dataclass(frozen=True)
class TurningPoint:
    """Where a verdict turns as one input changes. at: with the rest at its best estimate, or in a scenario in which
    it turns at all; low, high: over the rest of what is not known; worse_above: False when it is worse below;
    explains: share of the disagreement that the input explains by itself. at None: it decides only together with
    others, or by a choice that is no number."""

    input: Input
    explains: float
    at: float | None = None
    low: float = 0.0
    high: float = 0.0
    worse_above: bool = True
    choice: Choice | None = None


#: Inputs that are looked at for a turning value, and how much less than the first the second may explain.
_LOOKED_AT, _LOOKED_AT_SHARE, _SECOND_SHARE = 5, 0.2, 0.35
#: Inputs that explain nearly as much as another that is cheaper to find out come after it.
_ALIKE = 0.8
#: On its good side an input leaves at most this share of the trouble of its other side.
_HELPS = 0.8
#: Correlation above which two inputs say the same.
_STEP = 0.7
#: Values of an input that are tried, in so many scenarios; and as many again between the two where it turns, twice.
_POINTS, _OTHERS = 15, 12
#: In how many parts what is between two values is cut, and how many times, to find which of _POINTS it turns between.
_PARTS, _TIMES = 4, 2
#: Those of the values that are tried first, which is the first of these cuts; all of them where it turns between none.
_FIRST = np.array([0, 4, 7, 10, 14])


@dataclass(frozen=True, eq=False)
class Wanted:
    """Of what it is to be told what decides. bad: where one of the rules is trouble, stopping or unknown, (B,)."""

    bad: Mask
    rules: Sequence[Rule]


@dataclass(frozen=True, eq=False)
class _Look:
    """Scenarios of which a search wants to know where one of some rules is trouble. of: the input over whose range they
    are, by its name and the number of values: what several searches want to know of it is solved once."""

    columns: Columns
    rules: Sequence[Rule]
    of: tuple[str, int] | None = None


#: A search: it yields what it wants to look at and is sent where that is trouble.
T = TypeVar("T")
_Steps = Generator[tuple[_Look, ...], tuple[Mask, ...], T]


def _abreast(searches: Sequence[_Steps[T]]) -> _Steps[list[T]]:
    """Several searches as one, which looks at what all want to look at next."""
    found: dict[int, T] = {}
    answers: dict[int, tuple[Mask, ...] | None] = dict.fromkeys(range(len(searches)))
    while wanted := stepped(searches, answers, found):
        seen = iter((yield tuple(look for looks in wanted.values() for look in looks)))
        answers = {i: tuple(next(seen) for _ in looks) for i, looks in wanted.items()}
    return [found[i] for i in range(len(searches))]


def turning_points(
    question: Question, columns: Columns, judge: Judge, wanted: Sequence[Wanted]
) -> list[list[TurningPoint]]:
    """For each the one or two inputs that decide, with the values at which the answer turns; the most telling first, of
    those that tell alike the cheapest to find out. columns: the swept scenarios, (B,)."""
    if not wanted:
        return []
    every = [(one, _classes(one.values, kinds=one.choose is not None)) for one in inputs(question, columns)]
    search = _abreast([_turning_points(columns, every, one) for one in wanted])
    ranges: dict[tuple[str, int], Case] = {}
    found: dict[int, list[list[TurningPoint]]] = {}
    told: dict[int, tuple[Mask, ...] | None] = {0: None}
    while looks := stepped([search], told, found):
        told = {0: _answers(question, judge, looks[0], ranges)}
    return found[0]


def _answers(
    question: Question, judge: Judge, looks: Sequence[_Look], ranges: dict[tuple[str, int], Case]
) -> tuple[Mask, ...]:
    """Where each look is trouble; those that ask for the same parts of the chemistry share a batch. ranges: what was
    looked at of whole inputs, which is added to."""
    answers: dict[int, Mask] = {}
    batches: dict[tuple[str, int] | bool, list[int]] = {}
    for i, look in enumerate(looks):
        batches.setdefault(look.of or asks_bucket(look.rules), []).append(i)
    for of, places in batches.items():
        if isinstance(of, bool):
            case = Case(question, Columns.joined([looks[i].columns for i in places]))
        else:
            case = ranges.setdefault(of, Case(question, looks[places[0]].columns))
        judged = judge(case, only={rule.name: rule for i in places for rule in looks[i].rules}.values())
        first = 0
        for i in places:
            trouble = worst(case, [one for one in judged if one.rule in looks[i].rules]) >= Level.UNKNOWN
            last = first + len(looks[i].columns)
            answers[i] = np.asarray(trouble[first:last] if isinstance(of, bool) else trouble)
            first = last
    return tuple(answers[i] for i in range(len(looks)))


def _turning_points(
    columns: Columns, every: Sequence[tuple[Input, Rows]], wanted: Wanted
) -> _Steps[list[TurningPoint]]:
    """The search for one; every: the inputs and their classes."""
    bad = wanted.bad
    shares = [(_share(classes, bad), one) for one, classes in every]
    ranked = sorted(shares, key=lambda pair: -pair[0])
    most = ranked[0][0] if ranked else 0.0
    least = _LOOKED_AT_SHARE * most
    # Whatever comes of the first, a second that explains as much as this is looked at too.
    ahead = [(share, one) for share, one in ranked[:2] if share > 0.0 and share >= _SECOND_SHARE * most]
    turns = yield from _abreast([_turn(columns, wanted, one, share) for share, one in ahead])
    found: list[TurningPoint] = []
    sure: list[TurningPoint] = []
    for i, (share, one) in enumerate(ranked[:_LOOKED_AT]):
        # What explains less than the second may is not looked at, nor what comes after a first and a second.
        enough = _SECOND_SHARE * sure[0].explains if sure else least
        if share <= 0.0 or share < enough or (sure and share < _ALIKE * sure[0].explains and _rest(sure)):
            break
        turn = turns[i] if i < len(turns) else (yield from _turn(columns, wanted, one, share))
        found.append(turn)
        if (one.choose is not None or (turn.at is not None and _helps(turn, bad))) and not _beyond_days(turn):
            sure.append(turn)
    if not sure:
        return found[:2]
    # A line that is measured on one afternoon is another on the next: what stays comes before it.
    return sorted([_first(sure), *_rest(sure)[:1]], key=_is_line_temperature)


def _first(sure: Sequence[TurningPoint]) -> TurningPoint:
    """Of those that tell nearly as much as the most telling, which comes first, the cheapest to find out."""
    alike = [turn for turn in sure if turn.explains >= _ALIKE * sure[0].explains]
    return min(alike, key=lambda turn: (turn.input.cost, -turn.explains))


def _rest(sure: Sequence[TurningPoint]) -> list[TurningPoint]:
    """Those that tell enough beside the first, and something else."""
    first = _first(sure)
    return [
        turn
        for turn in sure
        if turn is not first
        and turn.explains >= _SECOND_SHARE * sure[0].explains
        and not _in_step(turn.input.values, first.input.values)
    ]


#: Temperatures of a line in the field between which a reading may decide [degC] (design choice).
_LINE_C = (15.0, 45.0)


def _is_line_temperature(turn: TurningPoint) -> bool:
    return turn.input.name == LINE_TEMPERATURE.spoken


def _beyond_days(turn: TurningPoint) -> bool:
    """True for a temperature of the line that no reading in the season of watering would settle."""
    return _is_line_temperature(turn) and turn.at is not None and not _LINE_C[0] <= turn.at <= _LINE_C[1]


def _helps(turn: TurningPoint, bad: Mask) -> bool:
    """True where on the good side of the value there is clearly less trouble than on the other."""
    assert turn.at is not None
    above = turn.input.values > turn.at
    sides = (bad[above], bad[~above])
    if not len(sides[0]) or not len(sides[1]):
        return True
    trouble, good = (float(np.mean(side)) for side in (sides if turn.worse_above else sides[::-1]))
    return good <= _HELPS * trouble


def _in_step(one: Floats, other: Floats) -> bool:
    """True for two inputs that say the same, as potassium and phosphate of one source do."""
    return bool(abs(np.corrcoef(one, other)[0, 1]) > _STEP)


def _turn(columns: Columns, wanted: Wanted, one: Input, share: float) -> _Steps[TurningPoint]:
    if one.choose is not None:
        return TurningPoint(one, share, choice=one.choose(wanted.bad))
    pick = spread(len(wanted.bad), _OTHERS)

    def put(places: Floats, rows: Rows) -> Columns:
        """Each row at its places."""
        return one.put(columns.repeated(rows, places.shape[1]), places.reshape(-1))

    def narrowed(places: Floats, between: Rows, rising: Mask, rows: Rows, parts: int = _PARTS) -> _Steps[Rows]:
        """Of its places, (R, _POINTS), the two between which each row turns, (R, 2), nearer to each other than those
        between which it is known to; rising: whether it is trouble at the second."""
        low, high = between[:, :1], between[:, 1:]
        cuts = low + np.round((high - low) * np.arange(1, parts) / parts).astype(int)
        asks = np.take_along_axis(places, cuts, axis=1)
        (trouble,) = yield (_Look(put(asks, rows), wanted.rules),)
        turned = trouble.reshape(asks.shape) == rising[:, None]
        first = np.argmax(np.column_stack([turned, np.ones(len(rows), dtype=bool)]), axis=1)
        return np.take_along_axis(np.column_stack([low, cuts, high]), first[:, None] + np.arange(2), axis=1)

    def within(ends: Floats, rising: Mask, rows: Rows, lead: int) -> _Steps[Floats]:
        """The two of _POINTS places between the ends of each row, (R, 2), between which it turns: of the lead, and of
        the rows that turn first and last over all; for the others, wider."""
        places = np.linspace(ends[:, 0], ends[:, 1], _POINTS, axis=1)
        between = np.tile([0, _POINTS - 1], (len(rows), 1))
        for _ in range(_TIMES):
            ends = np.take_along_axis(places, between, axis=1)
            # Two of them are the same or do not overlap: what lies between others is none of both any more.
            outer = (ends[:, 0] == np.min(ends[:, 0])) | (ends[:, 1] == np.max(ends[:, 1]))
            outer[lead] = True
            between[outer] = yield from narrowed(places[outer], between[outer], rising[outer], rows[outer])
        return np.take_along_axis(places, between, axis=1)

    grid = np.linspace(*one.ends, _POINTS)
    for some in (_FIRST, np.arange(_POINTS)):
        whole = put(np.tile(grid[some], (len(pick), 1)), pick)
        (trouble,) = yield (_Look(whole, wanted.rules, (one.name, len(some))),)
        found = trouble.reshape(len(pick), len(some))
        changes = found[:, 1:] != found[:, :-1]
        crossing = np.flatnonzero(np.any(changes, axis=1))
        if len(crossing):
            break
    else:
        return TurningPoint(one, share)
    step = np.argmax(changes, axis=1)[crossing, None] + np.arange(2)
    rows, rising = pick[crossing], np.take_along_axis(found[crossing], step, axis=1)[:, 1]
    between = some[step]
    if len(some) < _POINTS:
        between = yield from narrowed(np.tile(grid, (len(rows), 1)), between, rising, rows)
    # The best estimate where it turns at all, else one in the middle.
    lead = 0 if crossing[0] == 0 else len(crossing) // 2
    ends = yield from within(grid[between], rising, rows, lead)
    places = np.linspace(ends[lead, 0], ends[lead, 1], _POINTS)[None, :]
    whole_of_it = np.array([[0, _POINTS - 1]])
    last = yield from narrowed(places, whole_of_it, rising[[lead]], rows[[lead]], _POINTS - 1)
    below, above = places[0, last[0]]
    at = float(one.value(np.array([below if rising[lead] else above]))[0])
    values = one.value(np.append(ends.reshape(-1), [below, above]))
    return TurningPoint(one, share, at, float(np.min(values)), float(np.max(values)), bool(rising[lead]))
