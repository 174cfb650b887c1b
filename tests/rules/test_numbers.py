"""Numbers of findings: each states its unit by its name, or is listed as having none."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from pourcheck import Catalog, check
from pourcheck.rules.answer.echo import revision
from pourcheck.rules.answer.numbers import number, split_unit

FAMILIES = Path(__file__).parents[2] / "rules" / "families"
#: Numbers without a unit: indices, ratios of amounts of the same kind, shares.
NO_UNIT = re.compile(r"index(_in_air|_warm|_dry)?$|_adsorption_ratio$|^share_|_si$")


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


@pytest.mark.parametrize(
    ("key", "name", "unit"),
    [
        ("if_grains_mg_per_l_caco3", "if_grains", "mg/L CaCO3"),
        ("gas_l_per_l", "gas", "L/L"),
        ("in_water_per_ml", "in_water", "per mL"),
        ("bucket_in_air_ph", "bucket_in_air_ph", "pH"),
        ("ion_product", "ion_product", "(mol/kg)^2"),
        ("injection_ratio", "injection_ratio", "parts of water per part of stock"),
        ("years", "years", "years"),
    ],
)
def test_units_by_name(key: str, name: str, unit: str) -> None:
    """The longest ending counts; a few names say it without one."""
    assert split_unit(key) == (name, unit)


@pytest.mark.parametrize(
    ("item", "text", "value", "unit"),
    # above the severe classes of Bucks, Nakayama and Gilbert 1979, as reprinted
    [("manganese", "2 mg/L", 2.0, "mg/L"), ("bacteria", "60000 per mL", 60000.0, "per mL")],
)
def test_items_of_the_water_are_in_their_own_units(
    catalog: Catalog, item: str, text: str, value: float, unit: str
) -> None:
    """What is in the water, and the limits it is held against."""
    water = {"ph": 7.0, "calcium": "20 mg/L", "alkalinity": "50 mg/L CaCO3", item: text}
    data = {"product": [{"name": "urea", "amount": "1 oz"}], "bucket": {"volume": "5 gal"}, "water": water}
    found = {f.rule: f for f in check(data, catalog, depth="numbers").findings}[f"{item}-in-water"]
    assert (found.numbers["in_water"].value, found.numbers["in_water"].unit) == (value, unit)
    assert {found.numbers[name].unit for name in ("moderate_from", "severe_from")} == {unit}


def test_a_revision_is_of_what_a_record_says(catalog: Catalog) -> None:
    """The same whatever the order of its entries, another where anything changes; twelve hexadecimal digits."""
    product = catalog.product("alder-micro-6-2-6")
    assert len(product.guaranteed) > 1
    turned = product.model_copy(update={"guaranteed": dict(reversed(product.guaranteed.items()))})
    assert revision(turned) == revision(product)
    assert revision(product.model_copy(update={"notes": product.notes + "."})) != revision(product)
    assert re.fullmatch("[0-9a-f]{12}", revision(product))
