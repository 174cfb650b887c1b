"""Splits: the fewest buckets, held against every way to part the products, each bucket asked by itself."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np
import pytest

from pourcheck import Catalog, InputError, check, split
from pourcheck.rules.answer.verdict import SEVERITY

CALCIUM, EPSOM, MAP = "calcium nitrate=1 lb", "magnesium sulfate=1 lb", "technical MAP=4 oz"
POTASSIUM, MUCH = "potassium nitrate=1 lb", "potassium nitrate=10 lb"


def pour(items: Sequence[str], water: Any = "brook-well") -> dict[str, Any]:
    """Products in 5 gal of a well."""
    return {
        "product": [dict(zip(("name", "amount"), item.split("="), strict=True)) for item in items],
        "bucket": {"volume": "5 gal", "temperature": "60 degF"},
        "water": {"name": water} if isinstance(water, str) else water,
        "injection": {"ratio": "1:100", "injector": "measured", "line_temperature": "20 degC"},
        "site": {"backflow_preventer": True},
    }


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
    assert bucket.products == (f"{20 / bucket.portions:.3g} lb potassium nitrate",)
    assert check(pour([f"potassium nitrate={20 / bucket.portions} lb"]), catalog).verdict == bucket.verdict


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


def partitions(items: tuple[str, ...]) -> Iterator[list[tuple[str, ...]]]:
    """All ways to part some things into sets."""
    if not items:
        yield []
        return
    first, *rest = items
    for behind in partitions(tuple(rest)):
        yield [(first,), *behind]
        for i, one in enumerate(behind):
            yield [*behind[:i], (first, *one), *behind[i + 1 :]]


def brute_force(items: tuple[str, ...], water: Any, catalog: Catalog) -> tuple[int, int] | None:
    """Fewest buckets that are all clear or caution, and the worst of them; None where there are none."""
    asked: dict[tuple[tuple[str, ...], int], int | None] = {}

    def rank(block: tuple[str, ...], portions: int) -> int | None:
        if (block, portions) not in asked:
            divided = [
                f"{name}={float(amount.split()[0]) / portions} {amount.split()[1]}"
                for name, amount in (item.split("=") for item in block)
            ]
            try:
                found = SEVERITY.index(check(pour(divided, water), catalog, depth="verdict").verdict)
            except InputError:
                found = 9
            asked[block, portions] = found if found <= 1 else None
        return asked[block, portions]

    best: tuple[int, int] | None = None
    for parts in partitions(items):
        ranks = []
        for block in parts:
            good = [(k, found) for k in (1, 2, 3, 4) if (found := rank(tuple(sorted(block)), k)) is not None]
            # As few portions as are good, where the thinnest are.
            if not good or (good[0][0] > 1 and good[-1][0] < 4):
                break
            ranks.append(good[0])
        else:
            here = (sum(k for k, _ in ranks), max(found for _, found in ranks))
            best = here if best is None else min(best, here)
    return best


@pytest.mark.parametrize("seed", range(12))
def test_no_fewer_buckets_are_possible(catalog: Catalog, seed: int) -> None:
    rng = np.random.default_rng([7, seed])
    names = ["calcium nitrate", "magnesium sulfate", "technical MAP", "MKP", "potassium sulfate", "urea",
             "potassium nitrate", "ammonium sulfate", "zinc sulfate"]  # fmt: skip
    chosen = rng.choice(names, size=int(rng.integers(2, 5)), replace=False)
    items = tuple(f"{name}={float(np.exp(rng.uniform(-1.5, 2.0))):.2f} lb" for name in chosen)
    water = ["brook-well", "ridge-well"][seed % 2]
    expected = brute_force(items, water, catalog)
    found = split(pour(items, water), catalog)
    if not found.needed:
        assert expected is not None
        assert expected[0] == 1
    elif not found.offered:
        assert expected is None
    else:
        assert (found.offered[0].count, SEVERITY.index(found.offered[0].verdict)) == expected


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
