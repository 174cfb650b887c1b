"""Which acid, how much, and what the pour with it comes to: as it is told, and where none may be."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from pourcheck import Catalog, InputError, acid, check

WATER = {
    "bucket": {"volume": "5 gal", "temperature": "60 degF"},
    "injection": {"ratio": "1:100", "injector": "measured", "line_temperature": "20 degC"},
    "water": {"name": "ridge-well"},
    "site": {"backflow_preventer": True},
}
WORDS = ("--bucket", "5 gal", "--water", "ridge-well", "--inject", "1:100")


def fed(*items: str) -> dict[str, Any]:
    """Products in that water."""
    return {**WATER, "product": [dict(zip(("name", "amount"), item.split("="), strict=True)) for item in items]}


@pytest.mark.parametrize("data", [WATER, fed("technical MAP=1 lb"), fed("urea=500 g")], ids=["water", "MAP", "metric"])
@pytest.mark.parametrize("target", [5.8, 6.5])
def test_each_acid_brings_the_line_to_the_ph(catalog: Catalog, data: dict[str, Any], target: float) -> None:
    """Asked again as it is written, the line is at the pH, closed to the air and before anything settles, and the
    verdict is the one that is told."""
    found = acid(data, catalog, target_ph=target)
    assert found.needed
    assert {one.dose.id for one in found.offered} >= {"sulfuric-acid", "nitric-acid"}
    for one in found.offered:
        again = check({**data, **one.change}, catalog, depth="numbers")
        assert again.verdict == one.verdict
        assert again.line is not None
        # As measured: to 2 % of the amount.
        assert again.line.ph.value == pytest.approx(target, abs=0.12)
        assert one.dose.ph.low <= target <= one.dose.ph.high


def test_nothing_is_needed_where_the_line_is_there(catalog: Catalog, call: Callable[..., Any]) -> None:
    assert not acid(fed("phosphoric acid 75%=1 lb"), catalog, target_ph=8.0).needed
    told = call("acid", "phosphoric acid 75%=1 lb", *WORDS, "--to-ph", "8")
    assert told.out == "No acid is needed: the line is at pH 8 or below without.\n"


@pytest.mark.parametrize(
    ("items", "expected"),
    [
        (["potassium carbonate=8 oz"], "Never acid in one bucket with potassium carbonate: "),
        (["sodium hypochlorite=1 fl oz"], "Never acid in one bucket with sodium hypochlorite: "),
        (["ammonium thiosulfate=1 qt", "urea=1 lb"], "Never acid in one bucket with ammonium thiosulfate: "),
        (["potassium silicate=1 qt"], "Never acid in one bucket with potassium silicate: "),
        (["humic acid=1 lb"], "No acid is told: it is not known what is in this bucket"),
    ],
)
def test_where_no_acid_may_be(catalog: Catalog, call: Callable[..., Any], items: list[str], expected: str) -> None:
    """Chlorine, carbon dioxide, sulfur dioxide, gel (common practice, no source)."""
    found = acid(fed(*items), catalog)
    assert (found.offered, bool(found.refused)) == ((), True)
    told = call("acid", *items, *WORDS)
    assert told.code == 0
    assert " ".join(told.out.split()).startswith(expected)


def test_a_chlorinated_system_takes_none(catalog: Catalog) -> None:
    assert acid(fed("urea=1 lb") | {"site": {"chlorination": True}}, catalog).refused == "chlorinated"


def test_water_with_sulfide_takes_none(catalog: Catalog, call: Callable[..., Any]) -> None:
    """Also where a range of it reaches that far: hydrogen sulfide."""
    for sulfide in ("2 mg/L", "0.1 to 0.8 mg/L"):
        water = {**WATER, "water": {"name": "ridge-well", "sulfide": sulfide}}
        assert acid(water, catalog).refused == acid(fed("urea=1 lb") | water, catalog).refused == "sulfide"
    told = call(
        "acid", "--bucket", "5 gal", "--water", "ph=7.6, alkalinity=210 mg/L CaCO3, sulfide=3 mg/L", "--inject", "1:100"
    )
    assert told.out.startswith("Never acid into this water: ")


def test_on_the_command_line(call: Callable[..., Any]) -> None:
    """With its cautions, per fill, per 1,000 gal and, where the flow is told, per hour; in the bucket's own units."""
    told = call("acid", *WORDS)
    assert told.code == 0
    words = " ".join(told.out.split())
    assert words.startswith(
        "To bring the line from pH 7.4 to 7.6 to pH 6.5, closed to the air, one of these: CAUTION 2.65 fl oz"
    )
    assert "gal in 1,000 gal of the line's water" in words
    assert "Acid into water, never water into acid" in words
    hourly = call(
        "acid", "--bucket", "5 gal", "--water", "ridge-well", "--flow", "10 gal/min", "--suction", "6 gal/hour"
    )
    assert " kg an hour; " in " ".join(hourly.out.split())
    data = json.loads(call("acid", *WORDS, "--json", "--acid", "nitric acid").out)
    assert [one["dose"]["id"] for one in data["offered"]] == ["nitric-acid"]


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("--to-ph", "2", *WORDS), "target_ph: pH 2 is none that irrigation water is brought to; "),
        (("--acid", "urea", *WORDS), 'acid: "urea" is not listed as an acid; '),
        (("--acid", "unobtainium", *WORDS), 'unknown product "unobtainium"'),
        (("--water", "ridge-well"), "the volume of the bucket is missing; "),
        (("urea", *WORDS), '"urea" is not "name=amount"; '),
    ],
)
def test_what_makes_no_sense(call: Callable[..., Any], words: tuple[str, ...], expected: str) -> None:
    told = call("acid", *words)
    assert (told.code, told.err.count("\n")) == (2, 1)
    assert told.err.startswith(f"pourcheck: {expected}")


def test_a_mapping_with_neither(catalog: Catalog) -> None:
    with pytest.raises(InputError):
        acid({"water": {"name": "ridge-well"}}, catalog)
