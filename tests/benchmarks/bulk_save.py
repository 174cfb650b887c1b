"""Saving many products at once, against a plain SQLAlchemy bulk insert of the same rows into the same tables.

python tests/benchmarks/bulk_save.py [--rows 20000] [--place postgresql://...]
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from sqlalchemy import insert, select

from pourcheck import Catalog, Product
from pourcheck.catalog import Sourced
from pourcheck.catalog.store.place import Place
from pourcheck.catalog.store.tables import Base
from pourcheck.catalog.store.writing import engine_of

_WORDS = ("alder", "brook", "clear", "drip", "early", "field", "green", "house", "iron", "jade", "kelp", "low", "prime")


def products(count: int) -> Iterator[Product]:
    """Invented products, no two of one name."""
    for i in range(count):
        n, p, k = i % 24, (i // 24) % 12, (i // 288) % 30
        first, second = _WORDS[i % len(_WORDS)], _WORDS[(i // len(_WORDS)) % len(_WORDS)]
        yield Product(
            id=f"made-{i}",
            name=f"{first.title()} {second} {n}-{p}-{k} no. {i}",
            form="dry",
            grade=f"{n}-{p}-{k}",
            aliases=(f"{second} {first} {i}",),
            guaranteed={
                key: Sourced(value=value, source="invented")
                for key, value in (("n", n), ("p2o5", p), ("k2o", k), ("mg", 1))
            },
            derived_from=("potassium nitrate", "urea", "monopotassium phosphate"),
        )


def main() -> None:
    """Print both times and their ratio."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=20_000)
    parser.add_argument("--place", help="PostgreSQL: an empty database")
    asked = parser.parse_args()
    made = list(products(asked.rows))
    with tempfile.TemporaryDirectory() as folder:
        place = asked.place or str(Path(folder) / "catalog.sqlite3")
        with Catalog.open(place, new=True) as catalog:
            for part in (made[: len(made) // 4], made[len(made) // 4 :]):
                start = time.perf_counter()
                catalog.save_all(part, by="benchmark")
                taken = time.perf_counter() - start
                print(f"save_all of {len(part)} new ones: {taken:.2f} s, {1e6 * taken / len(part):.0f} us each")
        engine = engine_of(Place.named(place), None)
        with engine.begin() as connection:
            rows = {
                table: [dict(row) for row in connection.execute(select(table)).mappings()]
                for table in Base.metadata.sorted_tables
            }
        changed = [product.model_copy(update={"notes": "changed"}) for product in made]
        with Catalog.open(place) as catalog:
            for what in ("a change of each", "nothing new"):
                start = time.perf_counter()
                catalog.save_all(changed)
                print(f"{what}: {time.perf_counter() - start:.2f} s")
        with engine.begin() as connection:
            for table in reversed(Base.metadata.sorted_tables):
                connection.execute(table.delete())
        start = time.perf_counter()
        with engine.begin() as connection:
            for table, found in rows.items():
                if found:
                    connection.execute(insert(table), found)
        print(f"plain insert of all rows ({sum(map(len, rows.values()))}): {time.perf_counter() - start:.2f} s")
        engine.dispose()


if __name__ == "__main__":
    main()
