"""Which scenarios are likely to turn first, by how severe each rule is in them now."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..judge.rule import Level, Rule
from .looks import Asked, Rows

#: Scenarios count as the most severe of a rule that are so within this share of what there is.
_ALIKE = 0.05


@dataclass(frozen=True)
class Foretold:
    """The scenarios in which each rule is nearest to turning, among some of them. near: by the rule's name, (rows,);
    only rules that go by a number, and of a stop those that hold it. A rule that is the same everywhere has none.

    >>> near = {"one": [True, False, False], "other": [False, True, True], "third": [False, False, True]}
    >>> Foretold(np.arange(3), {name: np.array(rows) for name, rows in near.items()}).first(2)
    [2, 0]
    """

    rows: Rows
    near: Mapping[str, NDArray[np.bool_]]

    @classmethod
    def of(cls, asked: Asked, rows: Rows) -> Foretold:
        """What is foretold of these scenarios: where a rule is the most severe, or the least where it is enough for one
        scenario to turn from a stop."""
        stopped = asked.now == Level.STOP
        near = {}
        for one in asked.judged:
            if one.outcome.severity is None or (stopped and one.rule.name not in asked.stopped):
                continue
            severity = np.clip(np.nan_to_num(one.outcome.severity[rows]), -1e12, 1e12)
            least, most = float(np.min(severity)), float(np.max(severity))
            band = _ALIKE * (most - least)
            at_end = severity <= least + band if stopped else severity >= most - band
            near[one.rule.name] = at_end & (most > least)
        return cls(rows, near)

    def tells_of(self, rules: Iterable[Rule]) -> bool:
        """Whether it tells of all these rules."""
        return all(rule.name in self.near for rule in rules)

    def first(self, most: int, rules: Iterable[Rule] | None = None) -> list[int]:
        """At most so many scenarios, such that a few speak for many of the rules; rules: those that matter."""
        names = self.near if rules is None else [rule.name for rule in rules if rule.name in self.near]
        near = np.array([self.near[name] for name in names], dtype=bool).reshape(-1, len(self.rows))
        found: list[int] = []
        while np.any(near) and len(found) < most:
            best = int(np.argmax(np.sum(near, axis=0)))
            found.append(int(self.rows[best]))
            near = near[~near[:, best]]
        return found
