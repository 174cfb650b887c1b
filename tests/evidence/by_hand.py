"""What swaps, splits and remedies are held against: every way tried one by one, through `check` alone.

    python tests/evidence/by_hand.py --splits 2000 --remedies 200 --processes 2

Random pours of two to four products (splits), and of one to three (remedies), in the soft and the hard well. A split
has to be of as few buckets, with as good a verdict, as the best of all partitions and divisions; of pours that are
stopped or unknown and that a dense search over amount, ratio and temperatures mends, 95 in 100 have to get a remedy.
Exit code: 1 where that is not so.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from typing import Any

import numpy as np

from pourcheck import Catalog, InputError, check, remedy, split
from pourcheck.rules.answer.verdict import SEVERITY

NAMES = [
    "calcium nitrate", "magnesium sulfate", "technical MAP", "MKP", "potassium sulfate", "urea", "potassium nitrate",
    "ammonium sulfate", "zinc sulfate", "potassium chloride",
]  # fmt: skip


def pour(items: Sequence[str], water: Any = "brook-well") -> dict[str, Any]:
    """Products ("urea=1 lb") in 5 gal of a well."""
    return {
        "product": [dict(zip(("name", "amount"), item.split("="), strict=True)) for item in items],
        "bucket": {"volume": "5 gal", "temperature": "60 degF"},
        "water": {"name": water} if isinstance(water, str) else water,
        "injection": {"ratio": "1:100", "injector": "measured", "line_temperature": "20 degC"},
        "site": {"backflow_preventer": True},
    }


def drawn(seed: int, number: int, least: int, most: int) -> tuple[tuple[str, ...], str]:
    """Products with amounts, and a well."""
    rng = np.random.default_rng([seed, number])
    chosen = rng.choice(NAMES, size=int(rng.integers(least, most + 1)), replace=False)
    items = tuple(f"{name}={float(np.exp(rng.uniform(-1.5, 2.0))):.2f} lb" for name in chosen)
    return items, ["brook-well", "ridge-well"][number % 2]


# --- splits ---------------------------------------------------------------------------------------


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


def fewest_buckets(items: tuple[str, ...], water: Any, catalog: Catalog) -> tuple[int, int] | None:
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


def split_as_good(items: tuple[str, ...], water: str, catalog: Catalog) -> bool:
    """Whether the split of a pour has as many buckets as the best of all, and no worse a verdict; it may have a better
    one, since its portions are rounded down."""
    expected, found = fewest_buckets(items, water, catalog), split(pour(items, water), catalog)
    if not found.needed:
        return expected is not None and expected[0] == 1
    if not found.offered or expected is None:
        return not found.offered and expected is None
    buckets, worst = expected
    return found.offered[0].count == buckets and SEVERITY.index(found.offered[0].verdict) <= worst


# --- remedies -------------------------------------------------------------------------------------


def mended_by(asked: dict[str, Any], catalog: Catalog) -> str | None:
    """A lever that mends a pour, found by trying many values of each; None where none does."""

    def good(**change: Any) -> bool:
        try:
            return check({**asked, **change}, catalog, depth="verdict").verdict in {"clear", "caution"}
        except InputError:
            return False

    for factor in np.geomspace(0.97, 0.1, 14):
        lines = [{**line, "amount": f"{float(line['amount'].split()[0]) * factor:.5g} lb"} for line in asked["product"]]
        if good(product=lines):
            return "less"
    for parts in np.geomspace(34.0, 990.0, 14):
        if good(injection={**asked["injection"], "ratio": f"1:{parts:.4g}"}):
            return "ratio"
    for celsius in range(6, 35, 2):
        if good(bucket={**asked["bucket"], "temperature": f"{celsius} degC"}):
            return "bucket temperature"
    for celsius in range(11, 35, 2):
        if good(injection={**asked["injection"], "line_temperature": f"{celsius} degC"}):
            return "line temperature"
    return None


def mended(items: tuple[str, ...], water: str, catalog: Catalog) -> str:
    """What becomes of a pour: "good" as it is, "mended", "missed" where only the dense search mends it, or "beyond"."""
    asked = pour(items, water)
    if check(asked, catalog, depth="verdict").verdict in {"clear", "caution"}:
        return "good"
    if remedy(asked, catalog).offered:
        return "mended"
    return "beyond" if mended_by(asked, catalog) is None else "missed"


# --- the long run ---------------------------------------------------------------------------------


def _split_of(job: tuple[int, int]) -> str:
    items, water = drawn(*job, 2, 4)
    with Catalog.open("sqlite://") as catalog:
        return "as good" if split_as_good(items, water, catalog) else f"not: {items} {water}"


def _remedy_of(job: tuple[int, int]) -> str:
    items, water = drawn(*job, 1, 3)
    with Catalog.open("sqlite://") as catalog:
        found = mended(items, water, catalog)
    return found if found != "missed" else f"missed: {items} {water}"


def main() -> int:
    """Runs it and prints what was found."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--splits", type=int, default=2000)
    parser.add_argument("--remedies", type=int, default=200, help="stops and unknowns that something mends")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=2)
    given = parser.parse_args()
    failed = False
    with ProcessPoolExecutor(given.processes) as pool:
        told = Counter(pool.map(_split_of, ((given.seed, i) for i in range(given.splits)), chunksize=8))
        print("splits:", dict(told), flush=True)
        failed |= any(one != "as good" for one in told)
        seen: Counter[str] = Counter()
        number = 0
        while seen["mended"] + sum(count for one, count in seen.items() if one.startswith("missed")) < given.remedies:
            seen.update(pool.map(_remedy_of, ((given.seed + 1, number + i) for i in range(40)), chunksize=4))
            number += 40
        missed = sum(count for one, count in seen.items() if one.startswith("missed"))
        print(
            "remedies:", dict(seen), f"{100.0 * seen['mended'] / (seen['mended'] + missed):.1f} % of what can be mended"
        )
        failed |= seen["mended"] < 0.95 * (seen["mended"] + missed)
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
