"""What must not break a catalog: processes that are killed, many that write at once, full disks, damaged files."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from pourcheck import Catalog, CatalogError, Product, UnknownName
from pourcheck.catalog import Well
from pourcheck.catalog.store import place
from pourcheck.catalog.store.seeds import seed_products

Sql = Callable[[str, str], list[tuple[object, ...]]]

#: What the processes below begin with: products made up by number.
PRELUDE = """
import sys, time
from pourcheck import Catalog, Product
from pourcheck.catalog import ChangedMeanwhile

def made(i, notes=""):
    return Product(id=f"made-{i}", name=f"Made no. {i}", form="dry", grade="10-0-10", notes=notes)

def many(count, halt="never"):
    for i in range(count):
        yield made(i)
        if str(i + 1) == halt:
            print("halted", flush=True)
            time.sleep(600)
    print("all", flush=True)
"""


def process(code: str, *arguments: str) -> subprocess.Popen[str]:
    """A process of its own, that prints what it is doing."""
    return subprocess.Popen([sys.executable, "-c", PRELUDE + code, *arguments], stdout=subprocess.PIPE, text=True)


def made(catalog: Catalog) -> int:
    """How many of the made-up products are in a catalog."""
    return sum(product.id.startswith("made-") for product in catalog.products())


# --- killed ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("moment", ["500", "2500", "all"])
def test_killed_while_many_are_saved(moment: str, filled: str, run_sql: Sql) -> None:
    """All are there, or none; the next one writes as if nothing had been."""
    running = process("with Catalog.open(sys.argv[1]) as c: c.save_all(many(3000, sys.argv[2]))", filled, moment)
    assert running.stdout is not None
    assert running.stdout.readline().strip() == ("all" if moment == "all" else "halted")
    running.send_signal(signal.SIGKILL)
    running.wait()
    with Catalog.open(filled) as catalog:
        found = made(catalog)
        assert found == 0 or (moment == "all" and found == 3000)
        assert catalog.save_all([Product(id="made-0", name="Made anew", form="dry")]) == 1
        assert catalog.product("made anew").id == "made-0"
        assert catalog.faults(whole=True) == []
    revisions = run_sql(filled, "SELECT count(*) FROM revision WHERE id LIKE 'made-%'")
    names = run_sql(filled, "SELECT count(*) FROM record_name WHERE id LIKE 'made-%'")
    assert (revisions, names) == ([(found + 1,)], [((found or 1) * 2,)])


@pytest.mark.parametrize("wait_s", [0.0, 0.05, 0.2])
def test_killed_at_the_first_use(wait_s: float, empty: str) -> None:
    """The next first use fills it."""
    running = process("print('go', flush=True); Catalog.open(sys.argv[1], new=True)", empty)
    assert running.stdout is not None
    running.stdout.readline()
    try:
        running.wait(wait_s)
    except subprocess.TimeoutExpired:
        running.send_signal(signal.SIGKILL)
    running.wait()
    with Catalog.open(empty, new=True) as catalog:
        assert len(catalog.products()) == len(seed_products())


# --- many at once ---------------------------------------------------------------------------------

WRITER = """
own, times = sys.argv[2], int(sys.argv[3])
with Catalog.open(sys.argv[1]) as catalog:
    for i in range(times):
        catalog.save(made(f"{own}-{i}"), 0, by=own)
        while True:
            standing = catalog.current("product", "shared")
            product = standing.record().model_copy(update={"notes": f"{own}-{i}"})
            try:
                catalog.save(product, standing.number, by=own)
                break
            except ChangedMeanwhile:
                pass
"""


def test_eight_writers_lose_nothing(filled: str) -> None:
    """Each adds its own, and all change one product, each on top of what stands: every change is in its history."""
    times = 6
    with Catalog.open(filled) as catalog:
        catalog.save(Product(id="shared", name="Shared", form="dry"))
        running = [process(WRITER, filled, f"w{i}", str(times)) for i in range(8)]
        assert [one.wait() for one in running] == [0] * 8
        history = catalog.history("product", "shared")
        assert [one.number for one in history] == list(range(1, 8 * times + 2))
        notes = [one.record().notes for one in history[1:]]  # type: ignore[attr-defined]
        assert sorted(notes) == sorted(f"w{i}-{j}" for i in range(8) for j in range(times))
        assert made(catalog) == 8 * times


def test_a_reader_sees_one_state(filled: str) -> None:
    """While another saves many, all of them or none are seen, and reading does not wait."""
    running = process("with Catalog.open(sys.argv[1]) as c: c.save_all(many(2000))", filled)
    seen = set()
    with Catalog.open(filled) as catalog:
        while running.poll() is None:
            with catalog.snapshot():
                listed = sum(product.id.startswith("made-") for product in catalog.materials() + catalog.products())
                assert bool(listed) == ("made-1999" in {product.id for product in catalog.products_of(["made-1999"])})
                seen.add(listed)
        seen.add(made(catalog))
    assert running.returncode == 0
    assert seen <= {0, 2000}
    assert 2000 in seen


def test_reading_does_not_wait_for_a_writer(filled: str) -> None:
    """Nor does a writer wait for a reader."""
    with Catalog.open(filled) as reading, Catalog.open(filled) as writing:

        def slow() -> Iterator[Product]:
            yield Product(id="made-1", name="Made no. 1", form="dry")
            assert made(reading) == 0
            assert reading.product("urea").id == "urea"

        with reading.snapshot():
            writing.save_all(slow())
        assert made(reading) == 1


# --- the medium -----------------------------------------------------------------------------------


@pytest.fixture
def full(monkeypatch: pytest.MonkeyPatch) -> Callable[[int], None]:
    """From now on a SQLite file may grow by so many pages, and no more."""
    connect = sqlite3.connect

    def limit(pages: int) -> None:
        def limited(*args: Any, **options: Any) -> sqlite3.Connection:
            connection = connect(*args, **options)
            (now,) = connection.execute("PRAGMA page_count").fetchone()
            connection.execute(f"PRAGMA max_page_count = {now + pages}")
            return connection

        monkeypatch.setattr(place.sqlite3, "connect", limited)

    return limit


def test_a_full_disk(file: str, full: Callable[[int], None], monkeypatch: pytest.MonkeyPatch) -> None:
    """One line; nothing is half-written; with room again it goes on."""
    many = [Product(id=f"made-{i}", name=f"Made no. {i}", form="dry", notes="x" * 1000) for i in range(500)]
    with monkeypatch.context():
        full(20)
        with Catalog.open(file) as catalog:
            with pytest.raises(CatalogError) as told:
                catalog.save_all(many)
            assert str(told.value) == (
                f"{file}: cannot be used (database or disk is full); make room on the disk; nothing was written"
            )
            assert made(catalog) == 0
    monkeypatch.undo()
    with Catalog.open(file) as catalog:
        assert made(catalog) == 0
        assert catalog.save_all(many) == 500


def test_no_room_for_a_new_catalog(
    tmp_path: Path, full: Callable[[int], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What could not be made is no catalog, and is made when there is room."""
    new = str(tmp_path / "catalog.sqlite3")
    full(10)
    with pytest.raises(CatalogError, match="is full"):
        Catalog.open(new, new=True)
    monkeypatch.undo()
    with Catalog.open(new, new=True) as catalog:
        assert len(catalog.products()) == len(seed_products())


def cut_in_half(file: Path) -> None:
    file.write_bytes(file.read_bytes()[: file.stat().st_size // 2])


def overwritten(file: Path) -> None:
    """Noise over all pages but the first few, which tell what tables there are."""
    whole = bytearray(file.read_bytes())
    for i in range(8 * 4096, len(whole)):
        whole[i] = (i * 31) % 251
    file.write_bytes(bytes(whole))


@pytest.mark.parametrize("damage", [cut_in_half, overwritten])
def test_a_damaged_file(damage: Callable[[Path], None], file: str, tmp_path: Path) -> None:
    """Reading and writing end in one line, which leads to a backup; a backup of it is refused or whole."""
    copy = tmp_path / "copy.sqlite3"
    shutil.copy(file, copy)
    damage(Path(file))
    for job in (
        lambda catalog: catalog.products(),
        lambda catalog: catalog.save(Product(id="made-1", name="Made no. 1", form="dry")),
    ):
        with pytest.raises(CatalogError) as told, Catalog.open(file) as catalog:
            job(catalog)
        assert "malformed" in str(told.value)
        assert "restore a backup of it: pourcheck catalog restore" in str(told.value)
        assert "\n" not in str(told.value)
    Catalog.restore(file, copy)
    with Catalog.open(file) as catalog:
        assert len(catalog.products()) == len(seed_products())


def test_a_catalog_on_a_medium_that_is_read_only(file: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file and folder that nobody may write are read all the same."""
    folder = Path(file).parent
    access = os.access
    monkeypatch.setattr(
        place.os, "access", lambda path, mode: False if Path(path) == folder and mode == os.W_OK else access(path, mode)
    )
    with Catalog.open(file) as catalog:
        assert catalog.product("urea").id == "urea"
        with pytest.raises(CatalogError, match="readonly database"):
            catalog.save(Well(id="w", name="W"))
    assert [path.name for path in folder.iterdir()] == [Path(file).name]


def test_a_writer_that_does_not_end(file: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Who waits too long is told that another program writes."""
    monkeypatch.setattr(place, "PATIENCE_S", 0.1)
    with Catalog.open(file) as catalog:
        other = sqlite3.connect(file, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(CatalogError, match=r"database is locked\); another program is writing to it: try again"):
            catalog.save(Well(id="w", name="W"))
        assert catalog.product("urea").id == "urea"
        other.execute("ROLLBACK")
        other.close()
        assert catalog.save(Well(id="w", name="W")).number == 1


def test_a_server_that_goes_away(filled: str) -> None:
    """A connection that the server ended is made anew."""
    if "://" not in filled:
        pytest.skip("a file has no server")
    import psycopg

    with Catalog.open(filled) as catalog:
        with psycopg.connect(filled, autocommit=True) as other:
            other.execute(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
                "WHERE datname = current_database() AND pid != pg_backend_pid()"
            )
        assert catalog.product("urea").id == "urea"
        assert catalog.save(Well(id="w", name="W")).number == 1


@pytest.mark.parametrize("key", ["changes", "seeds", "seeds_of"])
def test_a_lost_fact_about_the_catalog(key: str, filled: str, run_sql: Sql) -> None:
    """Rows of the catalog about itself, other than the mark of its schema, are made anew; nothing else is."""
    run_sql(filled, f"DELETE FROM catalog_meta WHERE key = '{key}'")
    with Catalog.open(filled) as catalog, Catalog.open(filled) as other:
        assert catalog.product("urea").id == "urea"
        other.save(Well(id="w", name="W"))
        other.save(Well(id="w", name="V"))
        assert [well.name for well in catalog.wells() if well.id == "w"] == ["V"]
        assert len(catalog.history("product", "urea")) == 1


@pytest.mark.parametrize("name", ["ur\udc80ea", "ur\x00ea", "\ud800", "\x00"])
def test_a_name_that_no_database_takes(name: str, filled: str) -> None:
    """What no record can be called is not there, and no fault of the catalog."""
    with Catalog.open(filled) as catalog:
        with pytest.raises(UnknownName):
            catalog.product(name)
        with pytest.raises(UnknownName):
            catalog.well(name)
        assert catalog.owners("product", [name]) == {}
        assert all(match.score < 100 for match in catalog.find(name))


UPGRADE = """
import pathlib
from pourcheck.catalog.store import upgrading
brought = upgrading.bring_seeds
def slowly(connection):
    print("half", flush=True)
    time.sleep(1.0)
    return brought(connection)
upgrading.bring_seeds = slowly
Catalog.upgrade(sys.argv[1])
"""


def test_killed_while_upgrading(tmp_path: Path) -> None:
    """The catalog is of the old schema or of the new one, and the upgrade is done again."""
    old = str(tmp_path / "catalog.sqlite3")
    with sqlite3.connect(old) as made_:
        made_.executescript((Path(__file__).parent / "schemas" / "v1.sql").read_text("utf-8"))
    made_.close()
    running = process(UPGRADE, old)
    assert running.stdout is not None
    running.stdout.readline()
    running.send_signal(signal.SIGKILL)
    running.wait()
    with pytest.raises(CatalogError, match="is of schema 1"):
        Catalog.open(old)
    Catalog.upgrade(old, backup=tmp_path / "second.sqlite3")
    with Catalog.open(old) as catalog:
        assert catalog.product("my-bottle").grade == "10.5-0-10"
