"""What a rule is, what it answers, and the level that a region's policy leaves of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..ask.question import Question
from ..case.case import Case
from .turns import Turns

Family = Literal["label", "bucket", "line", "water", "equipment", "soil", "people"]
Levels = NDArray[np.int64]


class Level(IntEnum):
    """How bad a finding is, in the order in which findings outweigh each other."""

    NONE = 0
    NOTE = 1
    CAUTION = 2
    UNKNOWN = 3
    STOP = 4


class Later(Mapping[str, NDArray[np.float64] | float]):
    """Named numbers that are made when one of them is asked for: most outcomes are looked at for their level alone.

    >>> numbers = Later(lambda: {"line_ph": 7.0})
    >>> dict(numbers)
    {'line_ph': 7.0}
    """

    def __init__(self, make: Callable[[], Mapping[str, NDArray[np.float64] | float]]) -> None:
        self._make = make

    @cached_property
    def _made(self) -> Mapping[str, NDArray[np.float64] | float]:
        return self._make()

    def __getitem__(self, name: str) -> NDArray[np.float64] | float:
        return self._made[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._made)

    def __len__(self) -> int:
        return len(self._made)


@dataclass(frozen=True)
class Outcome:
    """What a rule says of a case of B scenarios.

    level: (B,) Level per scenario. numbers: named numbers, (B,) or one value for all, with the unit in
    the name, not a number where there is none; the message is made from those of one scenario, its "level" and its
    "row". What is said of a scenario depends on no other. do: what to do, most useful first, in all of them.
    severity: (B,), larger is worse: picks the scenario that is shown among equal levels; None where
    the rule goes by no number, so that no amount or water can turn it. headline: instead of the rule's own.
    """

    level: Levels
    message: Callable[[Mapping[str, float]], str]
    numbers: Mapping[str, NDArray[np.float64] | float] = field(default_factory=dict)
    do: tuple[str, ...] = ()
    severity: NDArray[np.float64] | None = None
    headline: str = ""


#: Longest headline, so that it stands in one line of 80 columns after the longest verdict; longest brief.
HEADLINE_WIDTH, BRIEF_WIDTH = 71, 36


@dataclass(frozen=True)
class Rule:
    """One fault that a pour can have.

    name: kebab-case statement of the fault. levels: what it can say when everything is known; a range
    of something not known that holds several of them makes it unknown. may_be_lowered: whether a region's policy may
    have it at a lower level; never where people, wells or the honesty of the answer depend on it. asks: the question
    it answers. headline: what forms, where and what it does, in a grower's words, without names of minerals; "{will}"
    reads "will" at a stop and "may" below it. milder: the headline below a stop, where it is another. brief:
    the same as a few words without a verb, for a list. plain: for a grower. chemistry: the same for a chemist. cure:
    what mends it. sources: where limits and facts come from.
    check: None where the rule does not apply at all. swap_helps: its trouble is that phosphorus is in the pour, so that
    a swap without it is looked for. sets_gas_free: where it speaks, nobody is told to try the mixture in a jar.
    turns: which way it may turn with each lever. needs: species of which the products must bring one of each group, or
    it has nothing to say and is not asked; at_most: the worst that it can come to for a pour by what is stated,
    whatever is swept, where that is less than the worst of its levels. by_solution: what it says of a scenario follows
    from the solutions of that scenario, whatever else may be poured, so that many parts of a pour can be asked at once.
    """

    name: str
    family: Family
    may_be_lowered: bool
    levels: tuple[Level, ...]
    asks: str
    plain: str
    chemistry: str
    cure: str
    sources: tuple[str, ...]
    check: Callable[[Case], Outcome | None]
    swap_helps: bool = False
    sets_gas_free: bool = False
    turns: Turns = field(default_factory=Turns)
    needs: tuple[tuple[str, ...], ...] = ()
    at_most: Callable[[Question], Level] | None = None
    by_solution: bool = False
    headline: str = ""
    milder: str = ""
    brief: str = ""

    def worst_for(self, question: Question) -> Level:
        """The worst that it can come to for a pour by itself; NONE where it cannot speak."""
        for group in self.needs:
            if question.brought.isdisjoint(group):
                return Level.NONE
        return self.worst if self.at_most is None else self.at_most(question)

    @cached_property
    def worst(self) -> Level:
        """The worst that it can come to for any pour by itself."""
        return max(self.levels)

    def headline_at(self, level: Level, instead: str = "") -> str:
        """The headline at a level, one line; instead: of the rule's own."""
        text = instead or (self.milder if self.milder and level < Level.STOP else self.headline)
        return text.replace("{will}", "will" if level == Level.STOP else "may")


@dataclass(frozen=True)
class LevelBounds:
    """Least and most level that a region's policy lets a rule have; by whom, and why."""

    least: Level
    most: Level
    by: str
    reason: str

    def __call__(self, levels: Levels) -> Levels:
        """Levels within the bounds; what does not speak stays silent, and what speaks is never turned to silence."""
        return np.where(levels > Level.NONE, np.clip(levels, self.least, max(self.most, Level.NOTE)), levels)


@dataclass(frozen=True)
class Judged:
    """A rule's outcome as it counts. level: (B,) after the region's policy, the only level that decides anything;
    the rule's own is the outcome's. policy: the bounds, where they changed a level."""

    rule: Rule
    outcome: Outcome
    level: Levels
    policy: LevelBounds | None = None

    @cached_property
    def overall(self) -> Level:
        """One level for all scenarios, as `overall`."""
        return overall(self.level)

    @property
    def everywhere(self) -> bool:
        """Whether every scenario is as bad as all together: an unknown one and a stop alike are trouble."""
        return self.overall == Level.STOP or int(self.level.min()) >= self.overall

    @cached_property
    def speaks(self) -> bool:
        """Whether it says anything in any scenario."""
        return self.overall > Level.NONE


def overall(level: Levels) -> Level:
    """One level for all scenarios: a stop must hold in all of them; a doubt in any is a doubt."""
    if int(level.min()) == Level.STOP:
        return Level.STOP
    return Level(min(int(level.max()), int(Level.UNKNOWN)))


def worst_of(levels: Sequence[Levels], measures: Sequence[NDArray[np.float64]]) -> NDArray[np.intp]:
    """Which of several findings is the worst in each scenario, (B,): by level, among equals by the larger measure.

    >>> worst_of([np.array([2, 1]), np.array([2, 4])], [np.array([0.5, 9.0]), np.array([0.7, -np.inf])])
    array([1, 1])
    """
    level = np.array(levels)
    measure = np.maximum(np.nan_to_num(np.array(measures, dtype=float), nan=-1e300), -1e300)
    return np.asarray(np.argmax(np.where(level == np.max(level, axis=0), measure, -np.inf), axis=0))


def taken(which: NDArray[np.intp], values: Sequence[NDArray[np.float64]]) -> NDArray[np.float64]:
    """In each scenario the value of that one of several, (B,)."""
    return np.asarray(np.take_along_axis(np.array(values, dtype=float), which[None, :], axis=0)[0])


def same(case: Case, level: Level) -> Levels:
    """The same level in every scenario."""
    return np.full(case.size, int(level))
