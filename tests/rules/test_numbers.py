"""Numbers of findings: each states its unit by its name, or is listed as having none."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from pourcheck.rules.answer.numbers import number, split_unit

FAMILIES = Path(__file__).parents[2] / "rules" / "families"
#: Numbers without a unit: indices, ratios, shares, ion products, and limits of items that have units of their own.
NO_UNIT = re.compile(
    r"index(_in_air|_warm|_dry)?$|_ratio$|^share_|ion_product$|^in_water$|^(moderate|severe)_from$|_si$"
)


def keys() -> set[str]:
    """Keys of the numbers that rules hand over, read from their source."""
    found: set[str] = set()
    for file in FAMILIES.glob("*.py"):
        text = file.read_text("utf-8")
        for block in re.findall(r"numbers(?:: [^=\n]+)?\s*\|?=\s*\{(.*?)\}", text, flags=re.DOTALL):
            found |= set(re.findall(r'"(\w+)":', block))
        found |= set(re.findall(r'numbers\["(\w+)"\]', text))
    return found


@pytest.mark.parametrize("key", sorted(keys()))
def test_a_number_has_a_unit(key: str) -> None:
    """An ending that states one, or none by nature."""
    name, unit = split_unit(key)
    assert name
    assert bool(unit) != bool(NO_UNIT.search(key)), (key, unit)


def test_many_numbers_are_seen() -> None:
    """The search above finds the rules' numbers."""
    assert len(keys()) > 60


def test_a_number_over_scenarios() -> None:
    """Its value in the scenario shown, lowest and highest over all; what is not finite does not count."""
    found = number(np.array([2.0, 1.0, 4.0, np.inf]), "mg/L", 0)
    assert (found.value, found.low, found.high, found.unit) == (2.0, 1.0, 4.0, "mg/L")
    assert not number(3.0, "").varies
