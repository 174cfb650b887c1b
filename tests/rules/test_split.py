"""Splits: the fewest buckets, held against every way to part the products, each bucket asked by itself."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from itertools import product as cross
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pourcheck import Catalog, InputError, Pour, check, split
from pourcheck.catalog.quantity.measure import read_amount
from pourcheck.rules.ask.question import ask
from pourcheck.rules.case.case import Case
from pourcheck.rules.families.registry import Judge, rules
from pourcheck.rules.instead.recheck import parts_together

sys.path.insert(0, str(Path(__file__).parent.parent / "evidence"))

from by_hand import drawn, pour, split_as_good

CALCIUM, EPSOM, MAP = "calcium nitrate=1 lb", "magnesium sulfate=1 lb", "technical MAP=4 oz"
POTASSIUM, MUCH = "potassium nitrate=1 lb", "potassium nitrate=10 lb"


@pytest.mark.parametrize(
    ("items", "buckets"),
    [
        # Calcium goes apart from sulfate and phosphate (common practice, every stock-tank table).
        ([CALCIUM, EPSOM], [{"calcium nitrate"}, {"magnesium sulfate"}]),
        ([CALCIUM, MAP], [{"calcium nitrate"}, {"monoammonium phosphate, technical"}]),
        (
            [CALCIUM, EPSOM, MAP],
            [{"calcium nitrate"}, {"magnesium sulfate", "monoammonium phosphate, technical"}],
        ),
    ],
)
def test_what_is_parted(catalog: Catalog, items: list[str], buckets: list[set[str]]) -> None:
    (best, *_) = split(pour(items), catalog).offered
    parted = [{name.split(" ", 2)[2] for name in one.products} for one in best.buckets]
    assert sorted(map(sorted, parted)) == sorted(map(sorted, buckets))
    assert best.count == len(buckets)


def test_an_amount_alone_is_divided(catalog: Catalog) -> None:
    """20 lb of potassium nitrate in 5 gal: 480 g/L, where water of 15 degC holds some 260 g/kg (handbook)."""
    (best, *_) = split(pour(["potassium nitrate=20 lb"]), catalog).offered
    (bucket,) = best.buckets
    assert bucket.portions == best.count > 1
    (amount,) = bucket.amounts
    assert bucket.products == (f"{amount} potassium nitrate",)
    assert read_amount(amount).low == pytest.approx(20 * 0.4536 / bucket.portions, rel=0.02)
    assert check(pour([f"potassium nitrate={amount}"]), catalog).verdict == bucket.verdict


@pytest.mark.parametrize(
    ("item", "amounts"),
    [
        # A third of a pound is on no scale: 4 % of 3 lb lime out in this water, so it takes three buckets or more.
        ("potassium nitrate=20 lb", "6 lb 10 oz"),
        ("potassium nitrate=9 kg", "3 kg"),
        ("potassium sulfate=5 lb", "2.5 lb"),
    ],
)
def test_a_share_is_in_steps_of_a_scale(catalog: Catalog, item: str, amounts: str) -> None:
    (best, *_) = split(pour([item]), catalog).offered
    assert best.buckets[0].amounts == (amounts,)


@pytest.mark.parametrize(
    "items",
    [
        # Ammonia gas at the bucket; acid or chlorine with something else: no smaller amount is told as good.
        ["potassium carbonate=1 lb", "ammonium sulfate=2 lb"],
        ["aqua ammonia=1 pint", "urea=1 lb"],
        ["potassium bicarbonate=1 lb", "phosphoric acid 75%=1 pint"],
        ["sodium hypochlorite=1 gal", "urea=1 lb"],
    ],
)
def test_what_endangers_is_never_divided(catalog: Catalog, items: list[str]) -> None:
    for water in ("brook-well", "ridge-well"):
        for one in split(pour(items, water), catalog).offered:
            assert all(bucket.portions == 1 or len(bucket.products) == 1 for bucket in one.buckets)


def test_one_bucket_that_is_good_stays(catalog: Catalog) -> None:
    found = split(pour([POTASSIUM, "urea=1 lb"]), catalog)
    assert (found.needed, found.offered, found.alone) == (False, (), ())


def test_what_no_bucket_helps_is_named(catalog: Catalog) -> None:
    found = split(pour(["technical MAP=1 lb", CALCIUM], "ridge-well"), catalog)
    assert found.needed
    assert not found.offered
    assert [(one.products, one.verdict) for one in found.alone] == [
        (("1 lb monoammonium phosphate, technical",), "stop")
    ]


def test_bleach_and_acid_never_share_an_event(catalog: Catalog) -> None:
    (best, *_) = split(pour(["sodium hypochlorite=1 fl oz", "phosphoric acid 75%=1 fl oz"]), catalog).offered
    assert best.never_together == (("sodium hypochlorite", "phosphoric acid 75 %"),)


# --- against all ways to part -------------------------------------------------------------------


@pytest.mark.parametrize("number", range(12))
def test_no_fewer_buckets_are_possible(catalog: Catalog, number: int) -> None:
    """Against every partition; tests/evidence/by_hand.py draws 2,000."""
    assert split_as_good(*drawn(7, number, 2, 4), catalog)


def test_at_most_seven(catalog: Catalog) -> None:
    with pytest.raises(InputError, match="pour: holds 8 products; split at most 7 at once"):
        split(pour([POTASSIUM] * 8), catalog)


def test_on_the_command_line(call: Callable[..., Any]) -> None:
    words = (CALCIUM, EPSOM, "--bucket", "5 gal", "--water", "brook-well", "--inject", "1:100")
    told = call("split", *words)
    assert told.code == 0
    assert "In 2 buckets\n  CLEAR   1 lb calcium nitrate\n  CLEAR   1 lb magnesium sulfate\n" in told.out
    data = json.loads(call("split", *words, "--json").out)
    assert [one["products"] for one in data["offered"][0]["buckets"]] == [
        ["1 lb calcium nitrate"],
        ["1 lb magnesium sulfate"],
    ]
    screen = " ".join(call("check", *words).out.split())
    assert "Make 2 buckets, one after the other" in screen
    assert "1 lb calcium nitrate; 1 lb magnesium sulfate (clear)." in screen


# --- many parts at once ---------------------------------------------------------------------------

TOGETHER = [
    ([CALCIUM, EPSOM, MAP, POTASSIUM], "brook-well"),
    (["potassium carbonate=1 lb", "ammonium sulfate=2 lb", "zinc sulfate=2 oz", CALCIUM], "ridge-well"),
    (["phosphoric acid 75%=4 fl oz", "magnesium sulfate=3 lb", "iron sulfate=1 oz", "potassium hydroxide=1 lb"], {}),
    (["10-34-0=1 qt", "manganese sulfate=4 oz", "aqua ammonia=1 pint", "borax=1 cup"], {"ph": 7.2}),
]


@pytest.mark.parametrize(("items", "water"), TOGETHER)
def test_what_rules_say_of_parts_together_they_say_of_each(catalog: Catalog, items: list[str], water: Any) -> None:
    """Rules by solution, asked of all parts of a pour in one case, against each part as a pour of its own: the levels
    of the best estimate are the same."""
    question = ask(Pour.parse(pour(items, water)), catalog)
    shares = [of for of in cross((0.0, 0.25, 1.0), repeat=len(items)) if any(of)]
    together = parts_together(question, np.array(shares))
    judge = Judge(question.region)
    asked = [rule for rule in rules() if rule.by_solution]
    said = {one.rule.name: one.level for one in judge(together, only=asked)}
    spoke = set()
    for row, of in enumerate(shares):
        lines = [
            {"name": line.name, "amount": line.amount.times(share)}
            for line, share in zip(question.pour.product, of, strict=True)
            if share
        ]
        part = ask(Pour.parse({**pour(items, water), "product": lines}), catalog)
        apart = {one.rule.name: int(one.level[0]) for one in judge(Case(part, part.columns(1)), only=asked)}
        for rule in asked:
            level = int(said[rule.name][row]) if rule.name in said else 0
            assert level == apart.get(rule.name, 0), (rule.name, of)
            spoke |= {rule.name} if level else set()
    assert spoke


# --- what is remembered ---------------------------------------------------------------------------


def test_what_is_remembered_of_a_pour_ends_where_the_catalog_changes() -> None:
    """MAP apart from calcium goes through soft water, and not through the same well once it tests hard."""
    asked = pour([CALCIUM, MAP])
    with Catalog.open("sqlite://") as catalog:
        before = split(asked, catalog)
        assert [len(one.buckets) for one in before.offered] == [2]
        assert split(asked, catalog) == before
        hard = catalog.record("well", "ridge-well").model_copy(update={"id": "brook-well", "name": "Brook Well"})
        catalog.save(hard, by="A. Grower", why="tested anew")
        assert not split(asked, catalog).offered
