"""Catalogs of every earlier schema, as they were saved, come to the present one with nothing lost."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine, inspect, text

from pourcheck import Catalog, CatalogError, Product, WaterTest
from pourcheck.catalog import Sourced
from pourcheck.catalog.store import seeds, upgrading
from pourcheck.catalog.store.name_search import FTS_TABLE
from pourcheck.catalog.store.place import Place
from pourcheck.catalog.store.schema import SCHEMA
from pourcheck.catalog.store.tables import Base
from pourcheck.catalog.store.writing import engine_of

Sql = Callable[[str, str], list[tuple[object, ...]]]

#: Catalogs as earlier programs left them: a few seeds, one of them changed, two products and two wells of a user's.
SAVED = sorted((Path(__file__).parent / "schemas").glob("*.sql"))


@pytest.fixture(params=SAVED, ids=lambda path: path.stem)
def old(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """A SQLite catalog of an earlier schema."""
    place = tmp_path / "old.sqlite3"
    with sqlite3.connect(place) as made:
        made.executescript(request.param.read_text("utf-8"))
    made.close()
    return str(place)


def contents(place: str) -> list[str]:
    """All of a SQLite file, as statements."""
    with sqlite3.connect(place) as connection:
        found = list(connection.iterdump())
    connection.close()
    return found


def test_there_is_a_saved_catalog_of_every_schema() -> None:
    """A new schema needs one of the schema before."""
    assert {int(path.stem[1]) for path in SAVED} == set(range(1, SCHEMA))


def test_an_old_catalog_says_what_to_do(old: str) -> None:
    """It is not opened, and not changed."""
    before = contents(old)
    with pytest.raises(CatalogError, match=r"is of schema 1, this program reads 2; run: pourcheck catalog upgrade"):
        Catalog.open(old)
    assert contents(old) == before


def test_a_nought_is_a_number(old: str) -> None:
    """A solution that salts out at 0 degC keeps that."""
    with sqlite3.connect(old) as connection:
        connection.execute(
            "INSERT INTO number VALUES ('house-chelate', 'number', 'salt_out_temperature', 0.0, 'invented', '')"
        )
    connection.close()
    Catalog.upgrade(old)
    with Catalog.open(old) as catalog:
        assert catalog.faults(whole=True) == []
        assert catalog.product("house-chelate").numbers["salt_out_temperature"].value == 0.0


def test_nothing_is_lost(old: str, bottle: Callable[..., Product]) -> None:
    """The user's own is as it was, the rest came with the program; a backup is beside it; twice does nothing."""
    before = contents(old)
    said = Catalog.upgrade(old)
    assert said.startswith(f"{old} is of schema {SCHEMA} now (was 1); 5 records are your own; ")
    assert "some stand instead of the program's (urea), undo brings those back" in said
    assert contents(f"{old}.schema-1") == before
    assert Catalog.upgrade(old) == f"{old} is of schema {SCHEMA} already"
    with Catalog.open(old) as catalog:
        assert catalog.faults(whole=True) == []
        assert catalog.product("corner shop feed") == bottle()
        chelate = catalog.product("house-chelate")
        assert chelate.at_most == {"cl": Sourced(value=0.5, source="invented", note="as printed")}
        assert catalog.water("my-well") == WaterTest(
            id="my-well", name="My Well", ph=7.1, calcium="12 gpg", alkalinity="3 meq/L", tested_on="2025-05-01",
            notes="Behind the barn.\nDeep.",
        )  # fmt: skip
        assert [one.layer for one in catalog.history("well", "ridge-well")] == ["seed", "seed"]  # was tested since
        assert catalog.product("urea").notes == "Corrected by the user."
        catalog.undo("product", "urea")
        for product in seeds.seed_products():
            assert catalog.product(product.id) == product
        assert {well.id for well in catalog.wells()} == {"my-well", "other-well", *(w.id for w in seeds.seed_wells())}
        assert catalog.sources() == seeds.seed_sources()


def test_a_word_of_a_product_is_kept(tmp_path: Path) -> None:
    """The chelating agent stood in a table that the first catalogs did not have."""
    place = str(tmp_path / "catalog.sqlite3")
    with sqlite3.connect(place) as made:
        made.executescript((Path(__file__).parent / "schemas" / "v1.sql").read_text("utf-8"))
    made.close()
    Catalog.upgrade(place)
    with Catalog.open(place) as catalog:
        assert catalog.product("house-chelate").chelating_agent == "EDTA"


def test_a_name_that_two_wells_had_leads_to_the_one_whose_id_it_is(old: str) -> None:
    """The old catalogs let a well's name be another's id; the well itself is not lost."""
    assert "1 name that another record has leads there alone" in Catalog.upgrade(old)
    with Catalog.open(old) as catalog:
        assert catalog.well("brook-well").id == "brook-well"
        assert catalog.well("other-well").name == "brook-well"


def test_a_lost_mark_is_mended(old: str, file: str, run_sql: Sql) -> None:
    """Where the row that tells the schema is gone, the tables tell it."""
    for place in (old, file):
        run_sql(place, "DELETE FROM catalog_meta WHERE key = 'schema'")
        with pytest.raises(CatalogError, match="has lost the mark of its schema; run: pourcheck catalog upgrade"):
            Catalog.open(place)
        Catalog.upgrade(place)
        with Catalog.open(place) as catalog:
            assert len(catalog.products()) >= len(seeds.seed_products())


def test_an_upgrade_that_fails_changes_nothing(old: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is one transaction, from the first table to the last record."""
    before = contents(old)

    def broken(_: object) -> int:
        raise RuntimeError("power cut")

    monkeypatch.setattr(upgrading, "bring_seeds", broken)
    with pytest.raises(RuntimeError):
        Catalog.upgrade(old)
    assert contents(old) == before


def no_catalog(place: str) -> None:
    with sqlite3.connect(place) as made:
        made.execute("CREATE TABLE shop (price REAL)")
    made.close()


def newer(place: str) -> None:
    Catalog.open(place, new=True).close()
    with sqlite3.connect(place) as made:
        made.execute("UPDATE catalog_meta SET value = '999' WHERE key = 'schema'")
    made.close()


@pytest.mark.parametrize(
    ("says", "make"),
    [
        ("is not there", lambda place: None),  # noqa: ARG005
        ("holds no catalog", no_catalog),
        ("was written by a newer pourcheck (schema 999", newer),
    ],
)
def test_what_cannot_be_upgraded(says: str, make: Callable[[str], None], tmp_path: Path) -> None:
    """One line, and no backup of what is no catalog."""
    make(place := str(tmp_path / "catalog.sqlite3"))
    with pytest.raises(CatalogError) as refused:
        Catalog.upgrade(place)
    assert says in str(refused.value)
    assert [path.name for path in tmp_path.iterdir() if "schema" in path.name] == []


def test_a_backup_that_is_there_is_not_overwritten(old: str) -> None:
    """The upgrade waits until another name is given."""
    Path(f"{old}.schema-1").write_text("precious")
    with pytest.raises(CatalogError, match="is there already; name another file for the backup"):
        Catalog.upgrade(old)
    assert Catalog.upgrade(old, backup=f"{old}.bak").endswith(f"; the backup is {old}.bak")


# --- the same on PostgreSQL -----------------------------------------------------------------------


@pytest.fixture
def old_database(new_database: Callable[[], AbstractContextManager[str]], tmp_path: Path) -> Iterator[str]:
    """A PostgreSQL catalog of schema 1."""
    saved = tmp_path / "v1.sqlite3"
    with sqlite3.connect(saved) as made:
        made.executescript((Path(__file__).parent / "schemas" / "v1.sql").read_text("utf-8"))
    made.close()
    with new_database() as url:
        place = Place.named(url)
        source, target = create_engine(f"sqlite:///{saved}"), engine_of(place, None)
        old = Base.metadata.__class__()
        old.reflect(source)
        with source.connect() as reading, target.begin() as writing:
            old.create_all(writing)
            for table in old.sorted_tables:
                if rows := [dict(row) for row in reading.execute(table.select()).mappings()]:
                    writing.execute(table.insert(), rows)
        source.dispose()
        yield url


def test_on_postgresql(old_database: str, bottle: Callable[..., Product]) -> None:
    """It asks for a backup by other means first; then nothing is lost there either."""
    with pytest.raises(CatalogError, match="make a backup with pg_dump, then say so: --no-backup"):
        Catalog.upgrade(old_database)
    Catalog.upgrade(old_database, no_backup=True)
    with Catalog.open(old_database) as catalog:
        assert catalog.product("my-bottle") == bottle()
        assert catalog.overridden() == [("product", "urea")]
        assert catalog.water("my-well").calcium is not None


# --- the migrations -------------------------------------------------------------------------------


def test_an_upgraded_catalog_has_the_tables_of_a_new_one(old: str, file: str) -> None:
    """Tables, columns, indexes and keys: whoever changes a table writes a migration."""
    Catalog.upgrade(old)
    made = []
    for place in (old, file):
        engine = create_engine(f"sqlite:///{place}")
        with engine.connect() as connection:
            context = MigrationContext.configure(connection, opts={"compare_type": True})
            others = ("alembic_version", FTS_TABLE)
            found = compare_metadata(context, Base.metadata)
            assert [one for one in found if not any(name in str(one) for name in others)] == []
            made.append({tuple(row) for row in connection.execute(text("SELECT type, name FROM sqlite_master"))})
            assert context.get_current_revision() == f"{SCHEMA:04}"
            keys = {name: inspect(connection).get_foreign_keys(name) for name in inspect(connection).get_table_names()}
            alone = {name for name, found in keys.items() if not found and not name.startswith(FTS_TABLE)}
            assert alone == {"alembic_version", "catalog_meta", "record"}
        engine.dispose()
    assert made[0] == made[1]


def test_the_migrations_lead_to_the_present_schema() -> None:
    """One module per schema, in a row."""
    found = list(ScriptDirectory(str(Path(upgrading.__file__).parent / "migrations")).walk_revisions())
    assert [one.revision for one in reversed(found)] == [f"{schema:04}" for schema in range(1, SCHEMA + 1)]
    assert all(one.doc.startswith(f"Schema {int(one.revision)}: ") for one in found)


# --- backups --------------------------------------------------------------------------------------


def test_backup_and_restore(file: str, tmp_path: Path, bottle: Callable[..., Product]) -> None:
    """A copy of one state, made and brought back while the catalog is open."""
    copy = tmp_path / "copy.sqlite3"
    with Catalog.open(file) as catalog:
        catalog.save(bottle())
        Catalog.backup(file, copy)
        catalog.save(bottle(notes="later"))
        Catalog.restore(file, copy)
    with Catalog.open(file) as catalog:
        assert catalog.product("my-bottle") == bottle()


@pytest.mark.parametrize("damage", ["not a database at all" * 100, ""])
def test_a_backup_that_is_none_replaces_nothing(damage: str, file: str, tmp_path: Path) -> None:
    """The catalog stays as it is."""
    copy = tmp_path / "copy.sqlite3"
    copy.write_text(damage)
    with pytest.raises(CatalogError, match=r"copy\.sqlite3"):
        Catalog.restore(file, copy)
    with Catalog.open(file) as catalog:
        assert catalog.product("urea").id == "urea"
