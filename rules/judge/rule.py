"""What a rule is and what it answers."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..case.case import Case

Family = Literal["label", "bucket", "line", "water", "equipment", "soil", "people"]
Levels = NDArray[np.int64]


class Level(IntEnum):
    """How bad a finding is, in the order in which findings outweigh each other."""

    NONE = 0
    NOTE = 1
    CAUTION = 2
    UNKNOWN = 3
    STOP = 4


@dataclass(frozen=True)
class Outcome:
    """What a rule says of a case of B scenarios.

    level: (B,) Level per scenario. numbers: named numbers, (B,) or one value for all, with the unit in
    the name; the message is made from those of one scenario. do: what to do, most useful first.
    severity: (B,), larger is worse: picks the scenario that is shown among equal levels; None where
    the rule goes by no number, so that no amount or water can turn it. turned: where a region has the rule at
    another level, the words that say so.
    """

    level: Levels
    message: Callable[[Mapping[str, float]], str]
    numbers: Mapping[str, NDArray[np.float64] | float] = field(default_factory=dict)
    do: tuple[str, ...] = ()
    severity: NDArray[np.float64] | None = None
    turned: str = ""


@dataclass(frozen=True)
class Rule:
    """One fault that a pour can have.

    name: kebab-case statement of the fault. levels: what it can say when everything is known; a range
    of something not known that holds several of them makes it unknown. asks: the question it answers.
    plain: for a grower. chemistry: the same for a chemist. cure: what mends it. sources: where limits
    and facts come from.
    check: None where the rule does not apply at all.
    """

    name: str
    family: Family
    levels: tuple[Level, ...]
    asks: str
    plain: str
    chemistry: str
    cure: str
    sources: tuple[str, ...]
    check: Callable[[Case], Outcome | None]

    @property
    def fixed(self) -> bool:
        """True for what keeps people and wells safe: no region's policy turns it."""
        return self.family == "people" or self.name == "backflow-preventer-missing"


def same(case: Case, level: Level) -> Levels:
    """The same level in every scenario."""
    return np.full(case.size, int(level))
