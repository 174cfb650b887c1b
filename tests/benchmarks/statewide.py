"""All products in the waters of a state: verdicts a second, memory, and what 10,000 waters would take.

    python tests/benchmarks/statewide.py [--waters 100] [--workers 2] [--at-once 2000]

The waters are those of tests/evidence/wells.py, drawn as wells are; every item is tested. Memory is that of this
process and of all that it started, looked at ten times a second. Not a test: figures depend on the machine.
"""

from __future__ import annotations

import argparse
import csv
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "evidence"))
from many_pours import held_mb
from wells import draw_well

from pourcheck import Catalog
from pourcheck.catalog.exchange.columns import well_columns
from pourcheck.rules.instead.table import Rates
from pourcheck.rules.serve.sweep import sweep


def write_waters(path: Path, count: int) -> None:
    """Drawn wells as a spreadsheet of wells."""
    rng = np.random.default_rng(1)
    wells = [draw_well(rng) for _ in range(count)]
    columns = {column.path[0]: column.header for column in well_columns()}
    items = [item for item in columns if any(item in well.items for well in wells)]
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["Well", "Tested on", *(columns[item] for item in items)])
        for number, well in enumerate(wells, start=1):
            values = [f"{well.items[item]:.4g}" if item in well.items else "" for item in items]
            writer.writerow([f"Well {number}", "2026-05-04", *values])


def main() -> None:
    """Print what it took."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--waters", type=int, default=100)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--at-once", type=int, default=2000)
    asked = parser.parse_args()
    most, over = [0.0], threading.Event()

    def watch() -> None:
        while not over.wait(0.1):
            most[0] = max(most[0], held_mb())

    with tempfile.TemporaryDirectory() as name, Catalog.open(f"{name}/catalog.sqlite3", new=True) as catalog:
        write_waters(Path(name) / "waters.csv", asked.waters)
        watcher = threading.Thread(target=watch)
        watcher.start()
        begin, worked = time.perf_counter(), time.process_time()
        swept = sweep(
            catalog, Path(name) / "waters.csv", Path(name) / "job", rates=Rates(region="aldervane"),
            workers=asked.workers, rows_at_once=asked.at_once,
        )  # fmt: skip
        took, worked = time.perf_counter() - begin, time.process_time() - worked
        over.set()
        watcher.join()
        size = sum(part.stat().st_size for part in swept.parts)
    per_s = swept.rows / took
    print(f"{swept.rows} verdicts ({len(swept.shares)} products x {asked.waters} waters) in {took:.0f} s", end=", ")
    print(
        f"{per_s:.1f} a second with {asked.workers} workers; at most {most[0]:.0f} MB, {size / 1e3:.0f} kB on the disk"
    )
    if asked.workers == 1:  # of other processes it is not known here
        print(f"{1000 * worked / swept.rows:.1f} ms of processor time each")
    hours = len(swept.shares) * 10_000 / per_s / 3600
    print(f"10,000 waters: {hours:.1f} hours, {size / 1e6 * 10_000 / asked.waters:.0f} MB on the disk")


if __name__ == "__main__":
    main()
