"""The one ordered table of all rules, and what they say of a case together."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

import numpy as np

from ...catalog import InputError
from ..ask.question import Turn
from ..case.case import Case
from ..judge.rule import Level, Levels, Outcome, Rule
from . import bucket, dissolving, equipment, gels, label, line, metals, people, soil, standing, water


def rules() -> tuple[Rule, ...]:
    """All rules, in the order in which they are listed and checked."""
    return (
        *people.RULES,
        *label.RULES,
        *dissolving.RULES,
        *bucket.RULES,
        *metals.RULES,
        *gels.RULES,
        *line.RULES,
        *standing.RULES,
        *water.RULES,
        *equipment.RULES,
        *soil.RULES,
    )


def judge(case: Case, least: Level = Level.NOTE) -> list[tuple[Rule, Outcome]]:
    """What every rule that applies says of a case; only the rules that can say `least` or worse are asked."""
    asked = (rule for rule in rules() if max(rule.levels) >= least)
    found = [(rule, outcome) for rule in asked if (outcome := rule.check(case)) is not None]
    turned = case.question.turned
    if not turned:
        return found
    return [
        (rule, _turned(outcome, turned[rule.name]) if rule.name in turned and not rule.fixed else outcome)
        for rule, outcome in found
    ]


def _turned(outcome: Outcome, turn: Turn) -> Outcome:
    """An outcome at no more, and no less, than a region's policy has it, with the words that say so."""
    # Never to nothing: a note is left, with the words.
    level = np.where(
        outcome.level > Level.NONE, np.clip(outcome.level, turn.least, max(turn.most, Level.NOTE)), outcome.level
    )
    if np.array_equal(level, outcome.level):
        return outcome
    was, now = (Level(int(np.max(levels))).name.lower() for levels in (outcome.level, level))

    def message(numbers: Mapping[str, float]) -> str:
        # The rule's own words, at the level that it would have.
        return outcome.message({**numbers, "level": float(np.max(outcome.level))})

    words = f"{was} turned to {now} by {turn.by}: {turn.reason}"
    return replace(outcome, level=level, message=message, turned=words)


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
