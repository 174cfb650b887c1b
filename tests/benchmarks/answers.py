"""How long an answer takes, over twelve pours: cold on the command line, and warm in the library.

    python tests/benchmarks/answers.py

Cold is the processor time of `pourcheck check` as a whole process, over that of importing four libraries that much of
what people install cannot do without; both with compiled modules at hand, as an installation leaves them. Warm is a
pour that was not asked before, neither in these amounts nor at this ratio, the verdict alone and with edges and swaps;
and how many times as long as the verdict the edges of all levers take by themselves.
Then many pours, one process and as many as there are cores; and how the time grows with their number. Not a test:
figures depend on the machine.
"""

from __future__ import annotations

import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from pourcheck import Catalog, Pour, check, check_each, remedy, split, swap
from pourcheck.rules.answer.assess import edges_of, one_thread, weigh
from pourcheck.rules.answer.verdict import Depth
from pourcheck.rules.ask.question import ask

SIX = ["urea", "technical MAP", "potassium nitrate", "ammonium nitrate", "MKP", "potassium chloride"]
HARD, SOFT = "ridge-well", "brook-well"
ACID_WATER = {"ph": 7.8, "calcium": "60 mg/L", "magnesium": "15 mg/L", "alkalinity": "220 mg/L CaCO3"}


def feed(grade: str, sources: Sequence[str] = ()) -> dict[str, Any]:
    """A dry feed by its label."""
    made = {"derived_from": list(sources)} if sources else {}
    return {"name": f"feed {grade}", "amount": "1 lb", "form": "dry", "grade": grade, **made}


def pours() -> dict[str, dict[str, Any]]:
    """The twelve: single salts, two and three products, hard and soft wells, no water, labels, an acid, too much."""
    plain: dict[str, tuple[list[Any], Any]] = {
        "urea, soft": (["urea=1 lb"], SOFT),
        "potassium nitrate, soft": (["potassium nitrate=2 lb"], SOFT),
        "calcium nitrate, hard": (["calcium nitrate=2 lb"], HARD),
        "MAP, hard": (["technical MAP=1 lb"], HARD),
        "calcium nitrate and Epsom salt": (["calcium nitrate=1 lb", "magnesium sulfate=1 lb"], SOFT),
        "three products, hard": (["calcium nitrate=1 lb", "potassium nitrate=1 lb", "urea=1 lb"], HARD),
        "MAP, no water given": (["technical MAP=1 lb"], None),
        "20-20-20 of six sources": ([feed("20-20-20", SIX)], HARD),
        "a label without sources": ([feed("10-5-10")], None),
        "10-34-0, hard": (["10-34-0=1 qt"], HARD),
        "acid into bicarbonate water": (["phosphoric acid 75%=4 fl oz"], ACID_WATER),
        "1 kg of DAP in 1 L": (["technical DAP=1 kg"], SOFT),
    }
    made = {}
    for name, (items, water) in plain.items():
        pour: dict[str, Any] = {
            "product": [
                item if isinstance(item, dict) else dict(zip(("name", "amount"), item.rsplit("=", 1), strict=True))
                for item in items
            ],
            "bucket": {"water": "1 L"} if name.endswith("1 L") else {"volume": "5 gal"},
            "injection": {"ratio": "1:100"},
        }
        if water is not None:
            pour["water"] = {"name": water} if isinstance(water, str) else water
        made[name] = pour
    return made


def cpu_s(command: Sequence[str], text: str = "") -> float:
    """Processor time of a process, the shortest of three runs."""
    best = float("inf")
    for _ in range(3):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(command, input=text, text=True, stdout=subprocess.DEVNULL, check=False)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        best = min(best, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return best


def anew(pour: dict[str, Any], number: int) -> dict[str, Any]:
    """A pour that was not asked before: a little more of each product, a little more diluted, so that of neither bucket
    nor line anything is remembered."""
    lines = []
    for line in pour["product"]:
        amount, unit = line["amount"].split(" ", 1)
        lines.append({**line, "amount": f"{float(amount) * (1.0 + number % 251 / 997.0):.6g} {unit}"})
    return {**pour, "product": lines, "injection": {"ratio": f"1:{100.0 + number % 3001 / 7.0:.6g}"}}


def warm_s(pour: dict[str, Any], catalog: Catalog, number: int, depth: Depth) -> float:
    """Seconds of a check of a pour that was not asked before."""
    asked = anew(pour, number)
    start = time.perf_counter()
    check(asked, catalog, depth=depth)
    return time.perf_counter() - start


def edges_s(pour: dict[str, Any], catalog: Catalog, number: int) -> float:
    """Seconds that the edges alone take, of a pour that was not asked before and has its verdict."""
    with one_thread():
        weighed = weigh(ask(Pour.parse(anew(pour, number)), catalog))
        start = time.perf_counter()
        edges_of(weighed)
        return time.perf_counter() - start


def one_of_many(number: int) -> dict[str, Any]:
    """The twelve in turn, in amounts and at ratios of their own."""
    kinds = list(pours().values())
    return anew(kinds[number % len(kinds)], number)


def many(count: int) -> Iterator[dict[str, Any]]:
    """Pours that differ from each other, as `one_of_many`."""
    return map(one_of_many, range(count))


def seconds(count: int, catalog: Catalog, workers: int) -> float:
    """Seconds that so many pours take."""
    start = time.perf_counter()
    for _ in check_each(many(count), catalog, workers=workers):
        pass
    return time.perf_counter() - start


def instead_times(catalog: Catalog) -> Iterator[float]:
    """How many times as long as the verdict a swap, a split and the remedies of four products take; none of these pours
    was asked before."""
    for i in range(8):
        pounds = 1.0 + 0.05 * i
        items = [
            f"calcium nitrate={pounds} lb",
            "magnesium sulfate=1 lb",
            "technical MAP=4 oz",
            "potassium nitrate=1 lb",
        ]
        asked: dict[str, Any] = {
            "product": [dict(zip(("name", "amount"), item.split("="), strict=True)) for item in items],
            "bucket": {"volume": "5 gal", "temperature": "60 degF"},
            "injection": {"ratio": "1:100", "injector": "measured", "line_temperature": "20 degC"},
            "water": {"name": (HARD, SOFT)[i % 2]},
        }
        start = time.perf_counter()
        check({**asked, "bucket": {"volume": "5.01 gal", "temperature": "60 degF"}}, catalog, depth="verdict")
        verdict = time.perf_counter()
        for find in (swap, split, remedy):
            find(asked, catalog)
        yield (time.perf_counter() - verdict) / (verdict - start)


def main() -> None:
    """Print the tables."""
    import json

    with tempfile.TemporaryDirectory() as folder:
        os.environ["POURCHECK_DB"] = str(Path(folder) / "catalog.sqlite3")
        os.environ["PYTHONPYCACHEPREFIX"] = str(Path(folder) / "compiled")
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        base = cpu_s([sys.executable, "-c", "import sqlmodel, pydantic, pint, rapidfuzz"])
        run = [sys.executable, "-c", "from pourcheck.rules.cli import main; main()"]
        print(f"importing the four libraries: {base:.2f} s")
        for name in ("find urea", "show urea", "rules"):
            print(f"pourcheck {name}: {cpu_s([*run, *name.split()]) / base:.1f} times that")
        print(f"{'':34}{'cold, times':>12}{'verdict, ms':>13}{'with edges, ms':>16}{'edges, times':>14}")
        table: list[tuple[float, ...]] = []
        with Catalog.open() as catalog:
            for name, pour in pours().items():
                cold = cpu_s([*run, "check", "-"], json.dumps(pour)) / base
                warm_s(pour, catalog, 0, depth="edges")
                alone = 1000.0 * min(warm_s(pour, catalog, number, depth="verdict") for number in (1, 2, 3))
                full = 1000.0 * min(warm_s(pour, catalog, number, depth="edges") for number in (4, 5, 6))
                edges = 1000.0 * min(edges_s(pour, catalog, number) for number in (7, 8, 9)) / alone
                table.append((cold, alone, full, edges))
                print(f"{name:34}{cold:>12.1f}{alone:>13.0f}{full:>16.0f}{edges:>14.1f}")
        cold, alone, full, edges = map(statistics.median, zip(*table, strict=True))
        print(f"{'median':34}{cold:>12.1f}{alone:>13.0f}{full:>16.0f}{edges:>14.1f}")
        with Catalog.open() as catalog:
            times = statistics.median(instead_times(catalog))
            print(f"swap, split and remedy of four products: {times:.0f} times the verdict")
            for workers in sorted({1, os.cpu_count() or 1}):
                short, long = seconds(48, catalog, workers), seconds(240, catalog, workers)
                print(
                    f"{workers} worker(s): {192 / (long - short):.0f} verdicts a second; 240 pours take "
                    f"{long / short:.1f} times as long as 48"
                )
        own, workers_most = (
            resource.getrusage(who).ru_maxrss / 1024.0 for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
        )
        print(f"memory at most: {own:.0f} MB here, {workers_most:.0f} MB in a process of its own")


if __name__ == "__main__":
    main()
