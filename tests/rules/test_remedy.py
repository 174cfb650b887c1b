"""Remedies: what mends a pour, against the handbook and a dense search; each asked again as it is offered."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pourcheck import Catalog, InputError, check, remedy
from pourcheck.catalog.quantity.measure import read_amount
from pourcheck.rules.answer.verdict import SEVERITY, Remedies, Remedy

sys.path.insert(0, str(Path(__file__).parent.parent / "evidence"))

from by_hand import drawn, mended

WORDS = ("--bucket", "5 gal", "--inject", "1:100")


def pour(*items: str, water: Any = "ridge-well", **tables: Any) -> dict[str, Any]:
    """Products in 5 gal of a well."""
    return {
        "product": [dict(zip(("name", "amount"), item.split("="), strict=True)) for item in items],
        "bucket": {"volume": "5 gal", "temperature": "60 degF"},
        "water": {"name": water} if isinstance(water, str) else water,
        "injection": {"ratio": "1:100", "injector": "measured", "line_temperature": "20 degC"},
        "site": {"backflow_preventer": True},
        **tables,
    }


def of_kind(found: Remedies, kind: str) -> Remedy | None:
    return next((one for one in found.offered if one.kind == kind), None)


POURS = {
    "phosphate into hard water": pour("technical MAP=1 lb"),
    "more than dissolves": pour(
        "potassium sulfate=5 lb", water="brook-well", bucket={"volume": "5 gal", "temperature": "50 degF"}
    ),
    "calcium and sulfate": pour("calcium nitrate=1 lb", "magnesium sulfate=1 lb"),
    "a source that does not dissolve": pour("technical MAP=1 lb", "gypsum=1 lb", water="brook-well"),
    "lime of a caution": pour("calcium nitrate=2 lb"),
    "metric": pour("potassium nitrate=8 kg", water="brook-well", bucket={"volume": "20 L", "temperature": "8 degC"}),
    "bleach with urea": pour("sodium hypochlorite=1 qt", "urea=1 lb"),
    "two that must go": pour("MKP=1 lb", "iron sulfate=2 oz", "urea=1 lb", "potassium nitrate=1 lb"),
    "short times": pour(
        "urea=1 lb",
        injection={"ratio": "1:100", "injector": "measured", "fill": "1 min", "inject": "9 min", "flush": "2 min"},
    ),
    "nothing stated but products": {"product": [{"name": "MKP", "amount": "2 lb"}], "bucket": {"volume": "5 gal"}},
}


@pytest.mark.parametrize("name", POURS)
def test_each_remedy_is_what_it_says(catalog: Catalog, name: str) -> None:
    """Asked again with its change in place, every bucket has the verdict that it is offered with; it is better than
    before, or the same for the water's sake alone; better ones come first."""
    asked = POURS[name]
    found = remedy(asked, catalog)
    before = check(asked, catalog, depth="verdict")
    assert found.verdict == before.verdict
    assert found.offered or found.beyond
    for one in found.offered:
        assert one.verdict == max((bucket.verdict for bucket in one.buckets), key=SEVERITY.index)
        assert one.verdict in {"clear", "caution"}
        for bucket in one.buckets:
            again = check({**asked, **bucket.change}, catalog, depth="verdict")
            assert again.verdict == bucket.verdict, one.kind
            assert {finding.rule for finding in again.findings if finding.level != "note"} == set(bucket.rules)
        if one.verdict == before.verdict:
            told = {finding.where for finding in again.findings if finding.level != "note"}
            assert told <= {"water"}
    verdicts = [SEVERITY.index(one.verdict) for one in found.offered]
    assert verdicts == sorted(verdicts)


def test_amount_and_warmth_against_the_handbook(catalog: Catalog) -> None:
    """Potassium sulfate dissolves 9.3 g in 100 g of water at 10 degC and 11.1 at 20 degC (CRC Handbook, solubility in
    mass of 100 g water); 5 lb in 5 gal are 120 g/L. What is offered stays below what dissolves at its temperature,
    and is not timid: above half of it."""
    found = remedy(POURS["more than dissolves"], catalog)
    less = of_kind(found, "less")
    assert less is not None
    (amount,) = [line["amount"] for line in less.buckets[0].change["product"]]
    grams_per_l = read_amount(amount).low * 1000.0 / 18.93
    assert 46.0 < grams_per_l < 93.0
    warmer = of_kind(found, "warmer-bucket")
    assert warmer is not None
    assert warmer.now == 10.0
    # 120 g/L dissolve from some 25 degC on: 12.0 g at 25 degC.
    assert 22.0 < (warmer.to or 0.0) < 33.0


def test_what_stops_is_told_where_nothing_helps(catalog: Catalog, call: Callable[..., Any]) -> None:
    found = remedy(pour("gypsum=3 lb"), catalog)
    assert found.offered == ()
    assert "particles-in-product" in found.beyond
    told = " ".join(call("remedy", "gypsum=3 lb", *WORDS, "--water", "ridge-well").out.split())
    assert told.startswith("Nothing that can be changed here mends it: ")
    assert "particles-in-product" in told


def test_times_are_set_as_needed(catalog: Catalog) -> None:
    (best, *others) = remedy(POURS["short times"], catalog).offered
    assert (best.kind, others) == ("settings", [])
    assert best.settings == ("fill for 10 min", "flush for 10 min")


@pytest.mark.parametrize("name", ["bleach with urea", "strong acid"])
def test_no_number_mends_what_endangers(catalog: Catalog, name: str) -> None:
    """Where people are in danger, or acid or bleach is poured, no amount, ratio, warmth or acid is offered."""
    asked = {**POURS, "strong acid": pour("sulfuric acid=1 lb", "calcium nitrate=1 lb")}[name]
    kinds = {one.kind for one in remedy(asked, catalog).offered}
    assert kinds
    assert kinds <= {"split", "leave-out", "swap", "settings"}


@pytest.mark.parametrize(
    "item",
    ["sodium hypochlorite=1 fl oz", "potassium carbonate=8 oz", "potassium thiosulfate=1 qt", "potassium silicate=1 qt",
     "10-34-0=1 qt"],
)  # fmt: skip
def test_never_acid_with_these(catalog: Catalog, item: str) -> None:
    """Chlorine, carbon dioxide, sulfur dioxide, gel, polyphosphate that falls apart (common practice, no source)."""
    assert of_kind(remedy(pour(item, "urea=1 lb"), catalog), "acid") is None


def test_acid_states_what_it_brings(catalog: Catalog, call: Callable[..., Any]) -> None:
    """Sulfuric acid brings 32.06 g S in 98.08 g of it; the amount brings the line to the pH, which PHREEQC holds in
    tests/published/test_acid_demand.py."""
    found = remedy(POURS["phosphate into hard water"], catalog)
    acid = of_kind(found, "acid")
    assert acid is not None
    assert acid.acid is not None
    assert acid.acid.id == "sulfuric-acid"
    assert acid.acid.ph.value == pytest.approx(acid.to, abs=0.05)
    ounces = float(acid.acid.amount.removesuffix(" fl oz"))
    # Of 93 % by mass at 1.83 kg/L, in 5 gal of stock and 100 times as much water.
    sulfur_mg_per_l = ounces * 29.574 * 1.83 * 0.93 * 32.06 / 98.08 * 1000.0 / (18.93 * 101.0)
    assert acid.acid.adds_mg_per_l["s"].value == pytest.approx(sulfur_mg_per_l, rel=0.03)
    told = " ".join(call("remedy", "technical MAP=1 lb", *WORDS, "--water", "ridge-well").out.split())
    assert "Acid into water, never water into acid" in told
    assert "licensed" in told


def test_a_target_that_is_none(catalog: Catalog, call: Callable[..., Any]) -> None:
    with pytest.raises(InputError, match="pH 2 is none that irrigation water is brought to"):
        remedy(POURS["phosphate into hard water"], catalog, target_ph=2.0)
    told = call("remedy", "technical MAP=1 lb", *WORDS, "--water", "ridge-well", "--to-ph", "2")
    assert (told.code, told.err.count("\n")) == (2, 1)


def test_on_the_first_screen_and_in_json(call: Callable[..., Any]) -> None:
    words = ("potassium sulfate=5 lb", *WORDS, "--water", "brook-well", "--bucket-temp", "50 degF")
    data = json.loads(call("check", *words, "--json").out)
    kinds = [one["kind"] for one in data["remedies"]]
    assert 0 < len(kinds) <= 3
    assert "Mend       Have the water in the bucket at " in call("check", *words).out
    assert json.loads(call("remedy", *words, "--json").out)["offered"]


@pytest.mark.parametrize("number", range(10))
def test_what_can_be_mended_is(catalog: Catalog, number: int) -> None:
    """Against a dense search over each lever; tests/evidence/by_hand.py draws 200."""
    assert mended(*drawn(23, number, 1, 3), catalog) != "missed"
