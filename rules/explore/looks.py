"""Looks along levers: what several searches want to know of scenarios in which one number is moved, in one batch."""

from __future__ import annotations

from collections.abc import Collection, Generator, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum, auto
from functools import cached_property
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from ...catalog.quantity.table import Quantity
from ..ask.columns import Columns
from ..ask.question import Question
from ..case.case import Case
from ..chemistry.constants import Floats
from ..families.registry import Judge
from ..judge.rule import Family, Judged, Level, Levels, Rule

Rows = NDArray[np.intp]


@dataclass(frozen=True)
class Asked:
    """What an edge is asked of: the question, its swept scenarios, the rules at their levels, what they say of these
    scenarios, and the verdict."""

    question: Question
    columns: Columns
    judge: Judge
    judged: Sequence[Judged]
    now: Level

    def at_least(self, least: Level) -> list[Rule]:
        """The rules that come to a level in some scenario now."""
        return [rule for rule, worst in self._worst if worst >= least]

    @cached_property
    def stopped(self) -> dict[str, int]:
        """In how many scenarios each rule that stops some now does, by its name."""
        counts = ((one.rule.name, int(np.count_nonzero(one.level == Level.STOP))) for one in self.judged)
        return {name: count for name, count in counts if count}

    @cached_property
    def _worst(self) -> list[tuple[Rule, int]]:
        """Each rule's worst level now."""
        return [(one.rule, int(one.level.max())) for one in self.judged]


@dataclass(frozen=True, eq=False)
class Look:
    """What a search wants to know next: what rules say of some scenarios with a quantity at some values.

    shape: (rows, values); rows: the place of each scenario among the swept ones, numbers: the quantity in it, both
    (rows * values,). rules: None for all that can come to `least`. strength: also whether the bucket is stronger than
    its model is good for.
    """

    quantity: Quantity
    shape: tuple[int, int]
    rows: Rows
    numbers: Floats
    least: Level = Level.CAUTION
    rules: tuple[Rule, ...] | None = None
    strength: bool = False


@dataclass(frozen=True, eq=False)
class Seen:
    """The answer, a part of a batch. judged: what each rule says of the batch; levels: what each comes to here, (rules,
    rows, values); strong: where a bucket was stronger than its model is good for, where that was asked, (rows, values).
    """

    judged: Sequence[Judged]
    part: slice
    levels: Levels
    strong: NDArray[np.bool_]

    @cached_property
    def level(self) -> Levels:
        """Worst levels, (rows, values)."""
        return np.asarray(self.levels.max(axis=0, initial=int(Level.NONE)))

    @cached_property
    def verdicts(self) -> list[Level]:
        """The verdict over all rows at each value."""
        return verdicts(self.level)

    @cached_property
    def severity(self) -> Floats:
        """How severe it is by the rule that says most, (rows, values)."""
        spoke = [k for k, one in enumerate(self.judged) if one.outcome.severity is not None]
        if not spoke:
            return np.zeros(self.strong.shape)
        return self._severity_by(max(spoke, key=lambda k: (self.levels[k].max(), self.levels[k].sum())))

    def severities(self, rules: Sequence[Rule], k: int) -> list[Floats]:
        """How severe it is by each of some rules that state it, at the k-th value, (rows,) each."""
        names = {rule.name for rule in rules}
        stated = [i for i, one in enumerate(self.judged) if one.rule.name in names and one.outcome.severity is not None]
        return [self._severity_by(i)[:, k] for i in stated]

    def _severity_by(self, place: int) -> Floats:
        """The same by the rule at a place, which states it, (rows, values)."""
        severity = self.judged[place].outcome.severity
        assert severity is not None
        return np.nan_to_num(severity[self.part], nan=0.0).reshape(self.strong.shape)

    @cached_property
    def _worst(self) -> list[list[int]]:
        """The worst level of each rule over the rows, by value."""
        worst: list[list[int]] = self.levels.max(axis=1).T.tolist()
        return worst

    def at_least(self, least: Level, k: int = 0) -> list[Rule]:
        """The rules that come to a level in some row at the k-th value."""
        return [one.rule for one, worst in zip(self.judged, self._worst[k], strict=True) if worst >= least]


def verdicts(level: Levels) -> list[Level]:
    """The verdict at each value over its scenarios, levels (rows, values), at least one row: `overall`, with a note as
    none.

    >>> from pourcheck.rules.judge.rule import overall
    >>> every = np.array(np.meshgrid(*3 * [np.arange(5)])).reshape(3, -1)
    >>> found = [overall(every[:, k]) for k in range(every.shape[1])]
    >>> verdicts(every) == [one if one >= Level.CAUTION else Level.NONE for one in found]
    True
    """
    extremes = zip(level.min(axis=0).tolist(), level.max(axis=0).tolist(), strict=True)
    return [_VERDICT[Level.STOP if least == Level.STOP else min(most, Level.UNKNOWN)] for least, most in extremes]


#: The verdict of each level.
_VERDICT = [level if level >= Level.CAUTION else Level.NONE for level in Level]


#: A search: it yields what it wants to know and is sent the answers, so that all searches look in one batch. One that
#: yields no look waits for all others that ask some rules only.
T = TypeVar("T")
Steps = Generator[tuple[Look, ...], tuple[Seen, ...], T]
Wants = TypeVar("Wants")
Told = TypeVar("Told")


def stepped(
    searches: Sequence[Generator[Wants, Told, T]], answers: Mapping[int, Told | None], found: dict[int, T]
) -> dict[int, Wants]:
    """What searches want to know next, by their places, once those of `answers` were sent theirs (None: they begin);
    what the others have come to is put into `found`."""
    wanted: dict[int, Wants] = {}
    for i, told in answers.items():
        try:
            wanted[i] = next(searches[i]) if told is None else searches[i].send(told)
        except StopIteration as end:
            found[i] = end.value
    return wanted


def together(asked: Asked, steps: Sequence[Steps[T]]) -> list[T]:
    """What every search finds; in each round all that are not done look in one batch."""
    found: dict[int, T] = {}
    wanted: dict[int, tuple[Look, ...]] = {}
    answers: dict[int, tuple[Seen, ...] | None] = dict.fromkeys(range(len(steps)))
    while answers:
        wanted |= stepped(steps, answers, found)
        # To ask all rules takes long for few scenarios as well: those who want to wait for each other.
        few = [i for i, looks in wanted.items() if looks and all(look.rules is not None for look in looks)]
        now = {i: wanted.pop(i) for i in few or list(wanted)}
        told = iter(_look_at(asked, [look for looks in now.values() for look in looks]))
        answers = {i: tuple(next(told) for _ in looks) for i, looks in now.items()}
    return [found[i] for i in range(len(steps))]


#: Families whose rules mostly ask for the bucket.
_IN_THE_BUCKET: frozenset[Family] = frozenset({"bucket", "people"})


#: Up to so many scenarios a batch of their own takes longer than the bucket that they do not ask for.
_FEW = 36


def asks_bucket(rules: Collection[Rule]) -> bool:
    """Whether some rules are likely to ask for the bucket, which takes longer than the line."""
    return any(rule.family in _IN_THE_BUCKET for rule in rules)


class _Part(Enum):
    """What part of the chemistry some rules ask for."""

    BUCKET = auto()
    LINE = auto()
    NOTHING = auto()

    @classmethod
    def of(cls, rules: Collection[Rule]) -> _Part:
        if not rules:
            return cls.NOTHING
        return cls.BUCKET if asks_bucket(rules) else cls.LINE


def _look_at(asked: Asked, looks: Sequence[Look]) -> list[Seen]:
    """Answers to several looks; those that ask for the same parts of the chemistry share a batch."""
    answers: dict[int, Seen] = {}
    # Those that ask all rules share one by the least level, the others by the part of the chemistry.
    groups: dict[Level | _Part, list[int]] = {}
    for i, look in enumerate(looks):
        if not len(look.rows):
            nothing = np.zeros(look.shape, dtype=bool)
            answers[i] = Seen((), slice(0, 0), np.zeros((0, *look.shape), dtype=np.int64), nothing)
            continue
        groups.setdefault(look.least if look.rules is None else _Part.of(look.rules), []).append(i)
    if _Part.BUCKET in groups and sum(len(looks[i].rows) for i in groups.get(_Part.LINE, ())) <= _FEW:
        groups[_Part.BUCKET] += groups.pop(_Part.LINE, [])
    for shared, places in groups.items():
        case = Case(asked.question, _moved(asked.columns, [looks[i] for i in places]))
        if isinstance(shared, Level):
            judged = asked.judge(case, least=shared)
        else:
            only = {rule.name: rule for i in places for rule in looks[i].rules or ()}
            judged = asked.judge(case, least=Level.CAUTION, only=only.values())
        levels = np.array([one.level for one in judged], dtype=np.int64).reshape(len(judged), case.size)
        strong = case.beyond_model if any(looks[i].strength for i in places) else np.zeros(case.size, dtype=bool)
        first = 0
        for i in places:
            part, rules, shape = slice(first, first + len(looks[i].rows)), looks[i].rules, looks[i].shape
            of_look, its = judged, levels[:, part]
            if rules is not None:
                names = {rule.name for rule in rules}
                among = [k for k, one in enumerate(judged) if one.rule.name in names]
                of_look, its = [judged[k] for k in among], its[among]
            answers[i] = Seen(of_look, part, its.reshape(len(of_look), *shape), strong[part].reshape(shape))
            first = part.stop
    return [answers[i] for i in range(len(looks))]


def _moved(columns: Columns, looks: Sequence[Look]) -> Columns:
    """The scenarios of several looks, one after the other."""
    table = columns.repeated(np.concatenate([look.rows for look in looks]), 1)
    moved = {quantity: table.numbers[quantity.name].copy() for quantity in {look.quantity for look in looks}}
    first = 0
    for look in looks:
        last = first + len(look.rows)
        moved[look.quantity][first:last] = look.numbers
        first = last
    return table.all_moved(moved)
