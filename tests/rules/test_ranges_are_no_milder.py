"""A range around a number never makes a verdict milder than the number."""

from __future__ import annotations

import random
import sys
from pathlib import Path
from typing import Any

from pourcheck import Catalog, check

sys.path.insert(0, str(Path(__file__).parent))
from test_rule_cases import CASES, pour_of

#: Least first; a stop that holds only in a part of a range is unknown, and no milder for who has to act.
SEVERITY = {"clear": 0, "caution": 1, "unknown": 2, "stop": 2}
SHARE, SAMPLE = 0.15, 40


def _pairs(catalog: Catalog) -> list[tuple[str, dict[str, Any], dict[str, Any]]]:
    """Pours of the rule cases, and the same with one item of the water test as a range around it."""
    rng, found = random.Random(7), []
    for case in rng.sample(CASES, len(CASES)):
        pour = pour_of(case)
        water = pour.get("water", {})
        if set(water) == {"name"}:
            beside = {"id", "name", "invented", "notes", "source", "tested_on"}
            water = catalog.water(water["name"]).model_dump(exclude_none=True, exclude=beside)
        items = [key for key, value in water.items() if isinstance(value, str) and value.split(" ")[0].isdecimal()]
        items = [key for key in items if " mg/L" in water[key] and " to " not in water[key]]
        if items and len(found) < SAMPLE:
            item = rng.choice(items)
            number, unit = water[item].split(" ", 1)
            around = f"{float(number) * (1 - SHARE):.6g} to {float(number) * (1 + SHARE):.6g} {unit}"
            name = f"{case['rule']}: {case['name']}: {item} {around}"
            found.append((name, pour | {"water": water}, pour | {"water": {**water, item: around}}))
    return found


def test_a_range_around_a_number_is_no_milder(catalog: Catalog) -> None:
    """One item of the water test is known to 15 % only: what was trouble stays trouble."""
    pairs = _pairs(catalog)
    assert len(pairs) == SAMPLE
    for name, pour, ranged in pairs:
        number, around = (check(one, catalog, depth="numbers").verdict for one in (pour, ranged))
        assert SEVERITY[around] >= SEVERITY[number], f"{name}: {number}, as a range {around}"


def test_the_sample_holds_trouble(catalog: Catalog) -> None:
    """Else it would show nothing."""
    verdicts = {check(pour, catalog, depth="numbers").verdict for _, pour, _ in _pairs(catalog)}
    assert {"caution", "stop"} <= verdicts
