"""The catalog database: SQLite in the user's data folder by default, any SQLAlchemy URL by choice."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from datetime import date
from pathlib import Path
from typing import Any

from rapidfuzz import fuzz, process
from sqlalchemy import Engine, create_engine, delete, event, inspect
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import (
    ArgumentError,
    IntegrityError,
    NoSuchModuleError,
    OperationalError,
    ProgrammingError,
    SQLAlchemyError,
)
from sqlmodel import Session, SQLModel, select

from ..errors import CatalogError, InputError, UnknownName
from ..label.grades import ids_of_grades
from ..product import Product, Record, Source, fold, plain_name
from ..text import quoted
from ..water.analysis import WaterTest
from ..water.well import Well
from . import search, seeds
from .kinds import Kind
from .revision import Change, Fault, Revision
from .tables import (
    CHILDREN,
    SCHEMA_VERSION,
    MetaRow,
    ProductRow,
    SourceRow,
    WaterRow,
    names_of,
    product_of,
    product_rows,
    source_of,
    water_of,
    water_row,
)

DATABASE_VARIABLE = "POURCHECK_DB"


def default_database() -> str:
    """The database that is used when none is named: $POURCHECK_DB, else a file in the data folder."""
    if chosen := os.environ.get(DATABASE_VARIABLE):
        return chosen
    from platformdirs import user_data_path

    return str(user_data_path("pourcheck", appauthor=False) / "catalog.sqlite3")


def _engine(database: str) -> Engine:
    try:
        if "\0" in database:
            raise ValueError("a name cannot hold a zero byte")
        if "://" in database:
            url = make_url(database)
            if url.drivername in {"postgresql", "postgres"}:
                url = url.set(drivername="postgresql+psycopg")
        else:
            Path(database).expanduser().parent.mkdir(parents=True, exist_ok=True)
            url = URL.create("sqlite", database=str(Path(database).expanduser()))
        engine = create_engine(url)
    except (ArgumentError, ValueError) as error:
        port = "port" in str(error).lower() or "int()" in str(error)
        raise CatalogError(
            "is not a database URL" + (" (its port cannot be read)" if port else ""),
            database=_shown(database),
            mend="write a file path or a SQLAlchemy URL",
        ) from None
    except (NoSuchModuleError, ModuleNotFoundError):
        raise CatalogError(
            "has no driver installed",
            database=_shown(database),
            mend='install it, for PostgreSQL: pip install "pourcheck[postgresql]"',
        ) from None
    except OSError as error:
        raise CatalogError(
            f"cannot make its folder ({error.strerror})",
            database=database,
            mend="choose another place with --db",
        ) from None
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _sqlite_foreign_keys)
    return engine


def _sqlite_foreign_keys(connection: Any, _record: Any) -> None:
    connection.execute("PRAGMA foreign_keys=ON")


def _shown(database: str) -> str:
    """The database as it may be printed: never with a password."""
    return re.sub(r"(://[^:/@]*):[^@]*@", r"\1:***@", database)


class Catalog:
    """Products, wells and their sources in one database.

    Open with `Catalog.open()`; values are read once and kept, so that a check reads no database.

    >>> from pourcheck import Catalog
    >>> with Catalog.open("sqlite://") as catalog:
    ...     catalog.product("MAP").id, catalog.find("potasium nitrat")[0].product.id
    ('monoammonium-phosphate', 'potassium-nitrate')
    """

    def __init__(self, engine: Engine, database: str) -> None:
        self._engine = engine
        self.database = _shown(database)
        self._products: dict[str, Product] | None = None
        self._ids: dict[str, str] = {}
        self._waters: dict[str, WaterTest] = {}

    @classmethod
    def open(cls, database: str | None = None) -> Catalog:
        """Open a catalog, filling it with the seeds at first use.

        database: a file path or SQLAlchemy URL; None: $POURCHECK_DB, else the user's data folder.
        Raises: CatalogError: it cannot be opened, or is of another version.
        """
        place = database or default_database()
        catalog = cls(_engine(place), place)
        with catalog._translated():
            catalog._make_tables()
            catalog._fill()
        return catalog

    def _make_tables(self) -> None:
        """Make the tables; another first use may be making them at the same moment."""
        found = set(inspect(self._engine).get_table_names())
        if found and not found & set(SQLModel.metadata.tables):
            raise CatalogError(
                f"holds other tables ({', '.join(sorted(found)[:3])}) and no catalog",
                database=self.database,
                mend="choose another with --db",
            )
        for patience in (0.1, 0.3, 1.0, 0.0):
            try:
                SQLModel.metadata.create_all(self._engine)
                return
            except (OperationalError, ProgrammingError, IntegrityError) as error:
                if patience == 0.0 or not re.search(r"already exists|duplicate key|locked", str(error)):
                    raise
                time.sleep(patience)

    def close(self) -> None:
        """Give the database connections back."""
        self._engine.dispose()

    def __enter__(self) -> Catalog:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextmanager
    def _translated(self) -> Iterator[None]:
        """Database errors as one line that says what to do."""
        try:
            yield
        except IntegrityError:
            raise
        except SQLAlchemyError as error:
            reason = str(getattr(error, "orig", None) or error).strip().splitlines()[0]
            raise CatalogError(
                f"cannot be used ({reason})",
                database=self.database,
                mend="check that it is a pourcheck catalog that you may write to, or choose another with --db",
            ) from None

    @contextmanager
    def _reading(self) -> Iterator[None]:
        """Rows that somebody spoilt, as one line; database errors too."""
        with self._translated():
            try:
                yield
            except (InputError, ValueError, KeyError) as error:
                reason = str(error).strip().splitlines()[-1].strip()
                raise CatalogError(
                    f"holds a row that makes no sense ({reason})",
                    database=self.database,
                    mend="mend the row, or start a new catalog with --db",
                ) from None

    def _fill(self) -> None:
        with Session(self._engine) as session:
            version = session.get(MetaRow, "schema")
            if version is not None:
                if version.value != str(SCHEMA_VERSION):
                    raise CatalogError(
                        f"is a catalog of version {version.value}, this program reads {SCHEMA_VERSION}",
                        database=self.database,
                        mend="choose another with --db",
                    )
                return
            try:
                for key, source in seeds.seed_sources().items():
                    session.add(SourceRow(key=key, **source.model_dump(exclude={"id"})))
                for product in seeds.seed_products():
                    self._write_product(session, product)
                for water in seeds.seed_waters():
                    session.add(water_row(water))
                session.add(MetaRow(key="schema", value=str(SCHEMA_VERSION)))
                session.commit()
            except IntegrityError:
                # Another first use filled it in the meantime; that is as good.
                session.rollback()
                if session.get(MetaRow, "schema") is None:
                    raise

    @staticmethod
    def _write_product(session: Session, product: Product) -> None:
        parent, *children = product_rows(product)
        session.add(parent)
        session.flush()
        session.add_all(children)
        session.flush()

    def _load(self) -> dict[str, Product]:
        if self._products is None:
            with self._reading(), Session(self._engine) as session:
                children: dict[str, dict[type[SQLModel], list[Any]]] = {}
                for table in CHILDREN:
                    rows: list[Any] = list(session.exec(select(table)).all())
                    if hasattr(table, "position"):
                        rows.sort(key=lambda row: row.position)
                    for row in rows:
                        children.setdefault(row.product_id, {}).setdefault(table, []).append(row)
                self._products = {
                    row.id: product_of(row, children.get(row.id, {}))
                    for row in session.exec(select(ProductRow).order_by(ProductRow.id)).all()
                }
            self._ids = {name: p.id for p in self._products.values() for name in names_of(p)}
        return self._products

    def products(self) -> list[Product]:
        """All products and materials, by id."""
        return list(self._load().values())

    def materials(self) -> list[Product]:
        """The generic materials among them, of which products may be made."""
        return [product for product in self.products() if product.kind == "material"]

    def product(self, name: str) -> Product:
        """The product of this id, name or alias (case does not matter), or the one of a grade that stands in it.

        Raises: UnknownName: none; carries the nearest names.
        """
        products = self._load()
        found = self._ids.get(fold(name))
        if found is not None:
            return products[found]
        straight = search.of_grade(list(products.values()), name)
        if straight is None:
            raise UnknownName("product", name, search.nearest_names(list(products.values()), name))
        return straight

    def grades(self, name: str) -> tuple[Product, ...]:
        """The materials that bear a name together, which does not tell which it is; empty where the name is one's own.

        >>> with Catalog.open("sqlite://") as catalog:
        ...     [grade.grade for grade in catalog.grades("MAP")], catalog.grades("technical MAP")
        (['12-61-0', '11-52-0'], ())
        """
        products = self._load()
        found = tuple(products[one] for one in ids_of_grades(name) if one in products)
        owner = self._ids.get(fold(name))
        # A product of the user's own may have taken the name.
        theirs = owner is not None and all(owner != grade.id for grade in found)
        return () if theirs or len(found) < 2 else found

    def find(self, query: str, limit: int = 10, without: Sequence[str] = ()) -> list[search.Match]:
        """Products by name with typos, by grade or by nutrient, without some ("no phosphorus"); best first.

        Raises: InputError: something to be left out that products are not known by.
        """
        return search.find(self.products(), query, limit, without, self.product)

    def add_product(self, product: Product, *, replace: bool = False) -> None:
        """Write a product, all or nothing.

        Raises: InputError: a name is taken, or it exists and `replace` is not asked for.
        """
        taken = {n: self._ids[n] for n in names_of(product) if self._load() and n in self._ids}
        for name, owner in taken.items():
            if owner != product.id:
                raise InputError(
                    f"the name {quoted(name)} belongs to {owner}", where=product.id, mend="choose another name"
                )
            if not replace:
                raise InputError("is already in the catalog", where=product.id, mend="edit it instead")
        unknown = {number.source for number in product.sourced()} - self.sources().keys()
        if unknown:
            raise InputError(
                f"the source {quoted(min(unknown))} is not in the catalog",
                where=product.id,
                mend="add the source first",
            )
        try:
            with self._translated(), Session(self._engine) as session:
                if taken:
                    for table in CHILDREN:
                        session.execute(delete(table).where(getattr(table, "product_id") == product.id))  # noqa: B009
                    session.execute(delete(ProductRow).where(getattr(ProductRow, "id") == product.id))  # noqa: B009
                self._write_product(session, product)
                session.commit()
        except IntegrityError:
            raise InputError(
                "one of its names was taken in the meantime", where=product.id, mend="look at the catalog again"
            ) from None
        self._products = None

    def add_source(self, key: str, source: Source) -> None:
        """Write a citation. Raises: InputError: the key is taken."""
        with self._translated(), Session(self._engine) as session:
            if session.get(SourceRow, key) is not None:
                raise InputError("is already a source in the catalog", where=key, mend="choose another key")
            session.add(SourceRow(key=key, **source.model_dump(exclude={"id"})))
            session.commit()

    def sources(self) -> dict[str, Source]:
        """Citations by key."""
        with self._translated(), Session(self._engine) as session:
            return {row.key: source_of(row) for row in session.exec(select(SourceRow)).all()}

    def waters(self) -> list[WaterTest]:
        """All water tests, by id."""
        with self._reading(), Session(self._engine) as session:
            return [water_of(row) for row in session.exec(select(WaterRow).order_by(WaterRow.id)).all()]

    def water(self, name: str) -> WaterTest:
        """The water test of this id or name. Raises: UnknownName: none; carries the nearest names."""
        if (known := self._waters.get(fold(name))) is not None:
            return known
        with self._reading(), Session(self._engine) as session:
            rows = session.exec(select(WaterRow).order_by(WaterRow.id)).all()
            for row in rows:
                if fold(name) in {fold(one) for one in (row.id, row.name, plain_name(row.name))}:
                    found = self._waters[fold(name)] = water_of(row)
                    return found
        raise UnknownName("well", name, _nearest(name, [row.id for row in rows]))

    def add_water(self, water: WaterTest) -> None:
        """Write a water test. Raises: InputError: it has no id, or the id is taken."""
        if not water.id:
            raise InputError("a well needs an id", where="water", mend="give it one, such as upper-well")
        with self._translated(), Session(self._engine) as session:
            if session.get(WaterRow, water.id) is not None:
                raise InputError("is already in the catalog", where=water.id, mend="choose another id")
            session.add(water_row(water))
            session.commit()
        self._waters.clear()

    # --- what comes with revisions ----------------------------------------------------------------

    def record(self, kind: Kind, name: str) -> Record:
        """The record of this id or name, whatever its kind. Raises: UnknownName: none; carries the nearest names."""
        raise NotImplementedError

    def records(self, kind: Kind) -> list[Record]:
        """All records of a kind that are not retired, by id; those that make no sense are left out (see `faults`)."""
        raise NotImplementedError

    def current(self, kind: Kind, name: str) -> Revision:
        """The revision that stands, of the record of this id or name; `.number` is what an editor starts from.

        Raises: UnknownName: none.
        """
        raise NotImplementedError

    def save(
        self, record: Record, revision: int | None = None, *, by: str = "", why: str = "", source: str = ""
    ) -> Revision:
        """Write a record as a new revision, all or nothing; one that says nothing new leaves the old one.

        record: a Product, Well, Source, RegionRecord, Listing or JarTest. revision: the number that the editor started
        from, 0 for a record that is to be new, None for whatever stands. by, why, source: who, why, after what.
        Raises: ChangedMeanwhile: another revision stands now; names both changes.
            InputError: a name belongs to another record, a source is not in the catalog, or hidden characters.
        """
        raise NotImplementedError

    def save_all(
        self, records: Iterable[Record], *, by: str = "", why: str = "", source: str = "", new: bool = False
    ) -> int:
        """Write many records in one transaction, all or none; says how many were new or changed.

        records: read bit by bit, so that a generator of any length does; it may raise, and nothing is then written.
        new: none of them may be in the catalog. Raises: InputError: as `save`, names the record.
        """
        raise NotImplementedError

    def retire(self, kind: Kind, name: str, revision: int | None = None, *, by: str = "", why: str = "") -> Revision:
        """Take a record out of use; its history stays, its names stay taken, and `undo` brings it back."""
        raise NotImplementedError

    def undo(
        self, kind: Kind, name: str, to: int | None = None, revision: int | None = None, *, by: str = "", why: str = ""
    ) -> Revision:
        """Bring a former document back, as a new revision: the one before, or that of revision `to`. Where a record of
        the user's own overrides a seed and nothing of their own is left, the seed is back.

        Raises: InputError: there is none before.
        """
        raise NotImplementedError

    def history(self, kind: Kind, name: str) -> list[Revision]:
        """All revisions of a record, the oldest first."""
        raise NotImplementedError

    def revision(self, kind: Kind, name: str, number: int) -> Revision:
        """One revision. Raises: InputError: there is none of this number."""
        raise NotImplementedError

    def diff(self, kind: Kind, name: str, a: int | None = None, b: int | None = None) -> list[Change]:
        """Fields that differ between two revisions; without numbers, between the last two."""
        raise NotImplementedError

    def overridden(self, kind: Kind | None = None) -> list[tuple[Kind, str]]:
        """Records of the user's own that stand before one that came with the program, as (kind, id)."""
        raise NotImplementedError

    def faults(self, *, whole: bool = False) -> list[Fault]:
        """Records whose document makes no sense: those met so far, or, whole, all in the catalog."""
        raise NotImplementedError

    def wells(self) -> list[Well]:
        """All wells that are not retired, by id."""
        raise NotImplementedError

    def well(self, name: str, test_of: date | None = None, today: date | None = None) -> WaterTest:
        """The water test of a well: that of the day `test_of`, else the newest that is not after `today`.

        Raises: UnknownName: no such well. InputError: no such test; tells those that there are.
        """
        raise NotImplementedError

    def trends(self, name: str) -> dict[str, dict[str, str]]:
        """Each measured item of a well by the day of its test, as written, the oldest first."""
        raise NotImplementedError

    def snapshot(self) -> AbstractContextManager[None]:
        """While it is held, all that is read is of one state, whatever others write."""
        raise NotImplementedError

    @classmethod
    def upgrade(cls, place: str | None = None, *, backup: str | Path | None = None, no_backup: bool = False) -> str:
        """Bring a catalog of an earlier schema to the present one; says in a line what was done.

        backup: file to copy a SQLite catalog to before; None: beside it, named after its schema. For PostgreSQL make
        one with pg_dump, and say so by `no_backup`. Upgrading twice does nothing the second time.
        """
        raise NotImplementedError

    @classmethod
    def backup(cls, place: str | None, to: str | Path) -> None:
        """Copy a SQLite catalog to a new file while it is in use. Raises: CatalogError: the file is there already, or
        the catalog is on PostgreSQL (use pg_dump)."""
        raise NotImplementedError

    @classmethod
    def restore(cls, place: str | None, backup: str | Path) -> None:
        """Replace a SQLite catalog by a backup of one, all or nothing. Raises: CatalogError: it is none."""
        raise NotImplementedError


def _nearest(name: str, choices: Sequence[str]) -> list[str]:
    found = process.extract(fold(name), choices, scorer=fuzz.WRatio, limit=3)
    return [choice for choice, _, _ in found]
