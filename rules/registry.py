"""The one ordered table of all rules."""

from __future__ import annotations

from ..catalog import InputError
from .families import bucket, dissolving, equipment, label, line, people, soil
from .rule import Rule


def rules() -> tuple[Rule, ...]:
    """All rules, in the order in which they are listed and checked."""
    return (*people.RULES, *label.RULES, *dissolving.RULES, *bucket.RULES, *line.RULES, *equipment.RULES, *soil.RULES)


def rule_named(name: str) -> Rule:
    """The rule of a name. Raises: InputError: none; offers the nearest."""
    from rapidfuzz import process

    table = {rule.name: rule for rule in rules()}
    if name in table:
        return table[name]
    nearest = [choice for choice, _, _ in process.extract(name, list(table), limit=3)]
    raise InputError(f'unknown rule "{name}"', mend=f"nearest: {', '.join(nearest)}")
