"""Remedies: what mends a pour, against the handbook and a dense search; each asked again as it is offered."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pourcheck import Catalog, InputError, check, remedy, split
from pourcheck.catalog.quantity.measure import read_amount
from pourcheck.rules.answer.verdict import SEVERITY, Remedies, Remedy

sys.path.insert(0, str(Path(__file__).parent.parent / "evidence"))

import by_hand
from by_hand import drawn, mended

OUNCE, EPSOM_BY_CUP = 0.028349523125, "magnesium sulfate=1 cup"
WORDS = ("--bucket", "5 gal", "--inject", "1:100")


def pour(*items: str, water: Any = "ridge-well", **tables: Any) -> dict[str, Any]:
    """Products in 5 gal of a well."""
    return {**by_hand.pour(items, water), **tables}


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
    assert told.endswith("lime scale from the water itself.")
    assert "What stands in the way: particles in the product, " in told


def test_times_are_set_as_needed(catalog: Catalog) -> None:
    (best, *others) = remedy(POURS["short times"], catalog).offered
    assert (best.kind, others) == ("settings", [])
    assert best.settings == ("fill for 10 min", "flush for 10 min")


@pytest.mark.parametrize(
    ("suction", "settings"),
    [
        # 5 gal at 6 gal/hour take 50 min; at half a gallon an hour ten hours, in which nobody irrigates.
        ("6 gal/hour", ("inject for 50 min",)),
        ("0.5 gal/hour", None),
    ],
)
def test_it_is_injected_until_the_bucket_is_empty(
    catalog: Catalog, suction: str, settings: tuple[str, ...] | None
) -> None:
    times = {"fill": "15 min", "inject": "20 min", "flush": "20 min", "line_temperature": "20 degC"}
    asked = pour("urea=1 lb", water="brook-well", injection={"suction": suction, "flow": "10 gal/min", **times})
    offered = remedy(asked, catalog).offered
    assert [one.settings for one in offered] == ([] if settings is None else [settings])
    assert all(one.verdict == "clear" for one in offered)


WATER = {"ph": "7.4", "calcium": "60 mg/L", "magnesium": "5 mg/L", "alkalinity": "150 mg/L CaCO3", "iron": "0.02 mg/L"}


@pytest.mark.parametrize(
    "asked",
    [
        pour("urea=20 lb", bucket={"volume": "5 gal"}),
        pour("borax=1 lb"),
        pour("potassium silicate=1 pint", water="brook-well", injection={"suction": "20 L/hour", "flow": "30 L/min"}),
        pour("potassium silicate=1 qt", water="brook-well", injection={"ratio": "1:100"}),
        pour("MKP=300 g", bucket={"volume": "20 L"}, injection={"suction": "20 L/hour", "flow": "30 L/min"}),
        pour("potassium nitrate=9 kg", bucket={"volume": "20 L", "temperature": "6 degC"}, water="brook-well"),
        pour("technical MAP=1 lb", bucket={"volume": "1/2 gal"}, water="brook-well"),
        pour("technical MAP=1 lb", bucket={"volume": "0.5gal"}, water="brook-well"),
        pour("iron sulfate=4 oz"),
        pour("calcium nitrate=2 lb", "magnesium sulfate=2 lb", water="brook-well"),
    ],
)
def test_what_a_person_can_set(catalog: Catalog, asked: dict[str, Any]) -> None:
    """Barrels of usual sizes, a tenth of the amount at least, ratios that injectors reach, water that is not hot."""
    for one in remedy(asked, catalog).offered:
        if one.to is None or one.kind in {"split", "rain-water", "acid"}:
            continue
        if one.kind == "bigger-bucket":
            assert one.now is not None
            assert f"{one.to:g}".strip("0").replace(".", "") in {"1", "15", "2", "25", "3", "4", "5", "6", "8"}
            assert one.unit == ("L" if asked["bucket"]["volume"].endswith("L") else "gal")
        least, most = {
            "less": (0.1, 1.0),
            "weaker-ratio": (10.0, 1000.0),
            "stronger-ratio": (100.0 / 3.0, 100.0),
            "warmer-bucket": (5.0, 34.0),
            "cooler-bucket": (6.0, 35.0),
            "warmer-line": (10.0, 34.0),
            "cooler-line": (11.0, 35.0),
        }.get(one.kind, (0.0, 1e9))
        assert least * 0.99 <= one.to <= most * 1.01, one.kind


def test_what_endangers_together_is_for_different_days(catalog: Catalog, call: Callable[..., Any]) -> None:
    asked = pour("sodium hypochlorite=1 fl oz", "phosphoric acid 75%=1 fl oz", water="brook-well")
    apart = of_kind(remedy(asked, catalog), "split")
    assert apart is not None
    assert apart.never_together == (("sodium hypochlorite", "phosphoric acid 75 %"),)
    words = ("sodium hypochlorite=1 fl oz", "phosphoric acid 75%=1 fl oz", *WORDS, "--water", "brook-well")
    for command in ("remedy", "split"):
        told = " ".join(call(command, *words).out.split())
        assert "n different days" in told
        assert "one after the other" not in told.lower()


@pytest.mark.parametrize(
    ("asked", "given"),
    [
        # Phosphate in the line of a water with calcium; with sulfide in it acid drives out hydrogen sulfide.
        (pour("technical MAP=1 lb", water=WATER), True),
        (pour("technical MAP=1 lb", water={**WATER, "sulfide": "0.6 mg/L"}), False),
        # Only the bucket is in trouble, whatever lime the water leaves.
        (pour("potassium sulfate=4 lb", bucket={"volume": "5 gal", "temperature": "50 degF"}), False),
    ],
)
def test_acid_is_for_the_line_alone(catalog: Catalog, asked: dict[str, Any], given: bool) -> None:
    kinds = {one.kind for one in remedy(asked, catalog).offered}
    assert ("acid" in kinds) == given


def test_acid_that_cannot_be_measured(catalog: Catalog) -> None:
    """0.5 g of MAP hold 0.31 g P2O5, which is 0.36 mL of phosphoric acid of 54 % at 1.58 kg/L: no jug shows that."""
    asked = pour("technical MAP=0.5 g", bucket={"volume": "500 mL"})
    assert of_kind(remedy(asked, catalog), "phosphorus-as-acid") is None


def test_two_buckets_are_not_advised_where_they_do_not_help(call: Callable[..., Any]) -> None:
    """20-20-20 beside calcium nitrate: in a bucket of its own it stops all the same, by the calcium of the water."""
    told = " ".join(
        call("check", "Alder Twenty 20-20-20=2 lb", "calcium nitrate=1 lb", *WORDS, "--water", "ridge-well").out.split()
    )
    assert "Buckets apart do not help here: some of it is trouble by itself." in told
    assert "Use two buckets" not in told


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


# --- what is poured in several lines --------------------------------------------------------------


def test_what_stands_twice_is_added_up(catalog: Catalog) -> None:
    """Urea in the place of calcium nitrate goes to the pound that is there: 16 oz and 5.3 oz, to a quarter of one."""
    swapped = of_kind(remedy(pour("calcium nitrate=1 lb", "potassium nitrate=1 lb", "urea=1 lb"), catalog), "swap")
    assert swapped is not None
    (bucket,) = swapped.buckets
    amounts = {line["name"]: read_amount(line["amount"]).low for line in bucket.change["product"]}
    assert amounts == {"potassium nitrate": pytest.approx(16 * OUNCE), "urea": pytest.approx(21.25 * OUNCE)}


def test_two_lines_of_a_product_are_one(catalog: Catalog) -> None:
    """Split and swapped as if it had been written in one line; a mass and a volume are not added."""
    lines = ("calcium nitrate=1 lb", "magnesium sulfate=1 lb", "Calcium nitrate=8 oz")
    (best, *_) = split(pour(*lines, water="brook-well"), catalog).offered
    assert [one.products for one in best.buckets] == [("1.5 lb calcium nitrate",), ("1 lb magnesium sulfate",)]
    assert check(pour(*lines, water="brook-well"), catalog).splits[0] == best
    (other, *_) = split(pour("calcium nitrate=1 lb", EPSOM_BY_CUP, lines[1], water="brook-well"), catalog).offered
    assert sorted(len(one.products) for one in other.buckets) == [1, 2]
