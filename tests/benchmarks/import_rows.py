"""How long a list takes to be read into the catalog, over a plain SQLAlchemy bulk insert of the same rows into the same
tables in the same run; and the memory that it takes.

    python tests/benchmarks/import_rows.py --rows 50000
"""

from __future__ import annotations

import argparse
import random
import resource
import sqlite3
import tempfile
import time
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

from sqlalchemy import MetaData, create_engine, insert

from pourcheck import Catalog
from pourcheck.catalog import Product
from pourcheck.catalog.exchange import files
from pourcheck.catalog.exchange.records import table_of


def products(count: int) -> Iterator[Product]:
    """Invented liquids with a density, two guarantees and two sources."""
    drawn = random.Random(1)
    for i in range(count):
        n, p, k = (drawn.randint(0, 20) for _ in range(3))
        yield Product.model_validate(
            {
                "id": f"feed-{i}",
                "name": f"Feed {i} {n}-{p}-{k}",
                "form": "liquid",
                "grade": f"{n}-{p}-{k}",
                "aliases": [f"f{i}"],
                "invented": True,
                "derived_from": ["urea", "potassium nitrate"],
                "density": {"kg_per_l": 1.2, "temperature_c": 20, "source": "invented"},
                "guaranteed": {
                    "n_urea": {"value": n, "source": "invented"},
                    "fe": {"value": 0.1, "source": "invented"},
                },
            }
        )


def bulk_insert(filled: Path, to: Path) -> float:
    """Processor time [s] of inserting all rows of one catalog into the empty tables of another by SQLAlchemy."""
    to.unlink(missing_ok=True)
    with sqlite3.connect(filled) as source, sqlite3.connect(to) as made:
        source.row_factory = sqlite3.Row
        schema = (
            "SELECT type, name, sql FROM sqlite_master WHERE sql NOT NULL AND name NOT LIKE 'sqlite_%' ORDER BY rowid"
        )
        # The search index makes tables of its own, and is filled by triggers of the table of names.
        for kind, name, sql in source.execute(schema):
            if kind != "table" or not name.startswith("product_name_search_"):
                made.execute(sql)
    engine = create_engine(f"sqlite:///{to}")
    tables = MetaData()
    tables.reflect(engine, only=lambda name, _: not name.startswith("product_name_search"))
    rows = {}
    with create_engine(f"sqlite:///{filled}").connect() as read:
        for one in tables.sorted_tables:
            rows[one] = [dict(row._mapping) for row in read.execute(one.select())]
    start = time.process_time()
    with engine.begin() as connection:
        for one, given in rows.items():
            if given:
                connection.execute(insert(one), given)
    took = time.process_time() - start
    print(f"bulk insert of {sum(map(len, rows.values()))} rows: {took:.2f} s")
    return took


def main() -> None:
    """Print the times, their ratio and the memory."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--rows", type=int, default=50_000)
    parser.add_argument("--memory", action="store_true", help="trace the memory instead of the time")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path, database = Path(folder) / "products.csv", Path(folder) / "catalog.sqlite3"
        files.write(path, [table_of("products", products(asked.rows))])
        with Catalog.open(str(database), new=True) as catalog:
            before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
            if asked.memory:
                tracemalloc.start()
            start, clock = time.process_time(), time.perf_counter()
            done = catalog.read_list(path)
            took, passed = time.process_time() - start, time.perf_counter() - clock
            assert (done.saved, done.new) == (True, asked.rows), done
            if asked.memory:
                print(f"{asked.rows} rows: {tracemalloc.get_traced_memory()[1] / 1e6:.0f} MB at most")
                return
        grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
        print(f"read_list of {asked.rows} rows: {took:.2f} s of processor, {passed:.2f} s; {grown / 1024:.0f} MB more")
        print(f"{took / bulk_insert(database, Path(folder) / 'bulk.sqlite3'):.2f} times")


if __name__ == "__main__":
    main()
