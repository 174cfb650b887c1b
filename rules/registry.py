"""The one ordered table of all rules, and what they say of a case together."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from ..catalog import InputError
from .case import Case
from .families import bucket, dissolving, equipment, label, line, people, soil, water
from .rule import Level, Levels, Outcome, Rule


def rules() -> tuple[Rule, ...]:
    """All rules, in the order in which they are listed and checked."""
    return (
        *people.RULES,
        *label.RULES,
        *dissolving.RULES,
        *bucket.RULES,
        *line.RULES,
        *water.RULES,
        *equipment.RULES,
        *soil.RULES,
    )


def judge(case: Case, least: Level = Level.NOTE) -> list[tuple[Rule, Outcome]]:
    """What every rule that applies says of a case; only the rules that can say `least` or worse are asked."""
    asked = (rule for rule in rules() if max(rule.levels) >= least)
    return [(rule, outcome) for rule in asked if (outcome := rule.check(case)) is not None]


def worst(case: Case, outcomes: Iterable[tuple[Rule, Outcome]]) -> Levels:
    """Worst level in each scenario, (B,)."""
    level = np.zeros(case.size, dtype=np.int64)
    for _, outcome in outcomes:
        level = np.maximum(level, outcome.level)
    return level


def rule_named(name: str) -> Rule:
    """The rule of a name. Raises: InputError: none; offers the nearest."""
    from rapidfuzz import process

    table = {rule.name: rule for rule in rules()}
    if name in table:
        return table[name]
    nearest = [choice for choice, _, _ in process.extract(name, list(table), limit=3)]
    raise InputError(f'unknown rule "{name}"', mend=f"nearest: {', '.join(nearest)}")
