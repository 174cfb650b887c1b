"""Emitter-clogging classes of water: Bucks, Nakayama and Gilbert 1979 (Agric. Water Manage. 2:149-162),
as reprinted in irrigation guidance; the reprint was read, the paper's own table was not."""

from __future__ import annotations

import pytest

from pourcheck import Catalog, check

# item, rule, moderate from, severe from (the reprint's "slight" ends where "moderate" begins), unit
CLASSES = [
    ("iron", "iron-in-water", 0.1, 1.5, "mg/L"),
    ("manganese", "manganese-in-water", 0.1, 1.5, "mg/L"),
    ("sulfide", "sulfide-in-water", 0.5, 2.0, "mg/L"),
    ("suspended_solids", "solids-in-water", 50.0, 100.0, "mg/L"),
    ("bacteria", "bacteria-in-water", 10_000.0, 50_000.0, "per mL"),
]
SIDES = [
    (expected, item, rule, value, unit)
    for item, rule, moderate, severe, unit in CLASSES
    for expected, value in (
        (None, 0.98 * moderate),
        ("caution", 1.02 * moderate),
        ("caution", 0.98 * severe),
        ("stop", 1.02 * severe),
    )
]


@pytest.mark.parametrize(("expected", "item", "rule", "value", "unit"), SIDES)
def test_class_of_water(catalog: Catalog, expected: str | None, item: str, rule: str, value: float, unit: str) -> None:
    """Slight is silent, moderate is a caution, severe is a stop, on both sides of each published edge."""
    pour = {
        "product": [{"name": "urea", "amount": "1 lb"}],
        "bucket": {"volume": "5 gal"},
        "injection": {"ratio": "1:100"},
        "water": {"name": "brook-well", item: f"{value:.6g} {unit}"},
    }
    found = {finding.rule: finding.level for finding in check(pour, catalog, depth="numbers").findings}
    assert expected == found.get(rule)
