"""The catalog: products, wells, sources, regions with their lists and jar tests, each with its history."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast, get_args

from ..errors import InputError, UnknownName
from ..label.grades import ids_of_grades
from ..listing import ListingState
from ..product import Product, Record, Source, fold
from ..text import quoted
from ..water.analysis import WaterTest
from ..water.well import Well
from . import opening, statements
from .entry import Entry
from .grade_names import grade_in, of_grade, without_grade
from .kinds import Kind, kind_named, names_of
from .match import Match
from .place import Place, default_database
from .reader import Reader
from .records import Records, Retired
from .revision import Change, Fault, Revision, changes

if TYPE_CHECKING:
    from sqlalchemy import Engine

    from ..exchange.lists import ListRead
    from ..exchange.records import Units, What
    from ..look_over import Remark

#: So many products that a search may mean are ranked at first, and at most (about).
_RANKED, _MOST_RANKED = 80, 400
#: A catalog of no more products is small enough to offer all of them.
_SHELF = 400
#: What the kinds are called where one is not found.
_SPOKEN: dict[Kind, str] = {"jar": "jar test"}


class Catalog:
    """Products, wells and their sources in one database, with who changed what, when and why.

    Open with `Catalog.open()`. Reading is cheap: only what is asked for is read, once, until somebody changes it.
    Threads may share a catalog: one uses it at a time (a check from its start to its end), the others wait. With a
    catalog each they do not.

    >>> from pourcheck import Catalog
    >>> with Catalog.open("sqlite://") as catalog:
    ...     urea = catalog.product("UREA")
    ...     changed = catalog.save(urea.model_copy(update={"notes": "Our sack is 25 kg."}), by="A. Grower")
    ...     changed.number, [(c.field, c.after) for c in catalog.diff("product", "urea")]
    (2, [('notes', 'Our sack is 25 kg.')])
    """

    def __init__(self, reader: Reader) -> None:
        self._reader = reader
        self._records = Records(reader)
        self._engine: Engine | None = None
        self.database = reader.place.database

    # --- opening ----------------------------------------------------------------------------------

    @classmethod
    def open(cls, database: str | PathLike[str] | None = None, *, new: bool = False) -> Catalog:
        """Open a catalog, filling it with the records that come with the program at first use.

        database: a file or a PostgreSQL URL; "sqlite://": in memory; None: $POURCHECK_DB, else the user's data folder.
        new: one that is named and is not there is made; the default one, and one in memory, always are.
        Raises: CatalogError: it is not there, cannot be opened, or is of another schema.
        """
        return cls.at(Place.named(database or default_database()), new=new or database is None)

    @classmethod
    def at(cls, place: Place, *, new: bool = False) -> Catalog:
        """As `open`, at a place that is known."""
        with place.translated():
            return cls(opening.reader_of(place, new=new or place.in_memory))

    @property
    def place(self) -> Place:
        """Where it is kept, for opening it once more."""
        return self._reader.place

    def close(self) -> None:
        """Give the database connections back."""
        self._reader.close()
        if self._engine is not None:
            self._engine.dispose()

    def __enter__(self) -> Catalog:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextmanager
    def snapshot(self) -> Iterator[None]:
        """While it is held, all that is read is of one state, whatever others write. What is saved meanwhile is seen
        after it."""
        with self._records.snapshot():
            yield

    @property
    def state(self) -> str:
        """Another one once something was written, as of the last snapshot."""
        return self._records.state

    # --- products ---------------------------------------------------------------------------------

    def products(self) -> list[Product]:
        """All products and materials in use, by id. Of a large catalog this takes seconds."""
        return cast(list[Product], self._records.all("product"))

    def materials(self) -> list[Product]:
        """The generic materials among them, of which products may be made."""
        return self._records.of_statement("product", statements.MATERIALS, True)

    def shelf(self, also: Sequence[str] = ()) -> list[Product]:
        """What may be offered instead of something: everything of a small catalog; of a large one the materials, and
        some of the products of the ids in `also`, by id."""
        with self._records.snapshot() as reader:
            few = [row[0] for row in reader.rows(statements.SOME_PRODUCTS, _SHELF + 1)]
            if len(few) <= _SHELF:
                return self.products()
            chosen = {product.id: product for product in self.materials() + self._records.products(also[:_SHELF])}
            return [chosen[id_] for id_ in sorted(chosen)]

    def salts(self) -> list[Product]:
        """The dry single chemicals among them that have a solubility curve, by id."""
        return self._records.of_statement("product", statements.SALTS, True)

    def products_of(self, ids: Iterable[str]) -> list[Product]:
        """The products of these ids that are in use."""
        return self._records.products(ids)

    def product(self, name: str) -> Product:
        """The product of this id, name or alias (case does not matter), or the one of a grade that stands in it.

        Raises: UnknownName: none; carries the nearest names.
        """
        with self.snapshot():
            found = self._found("product", name)
            if found is None:
                found = self._of_grade(name)
            if found is None:
                raise UnknownName("product", name, self._nearest_products(name))
            return cast(Product, found)

    def _of_grade(self, name: str) -> Product | None:
        wanted = grade_in(name)
        if wanted is None:
            return None
        written, (n, p2o5, k2o) = wanted
        with self._records.snapshot() as reader:
            bear = [row[0] for row in reader.rows(statements.BEAR_GRADE, n, p2o5, k2o, fold(written))]
            called = self._records.owner("product", without_grade(name))
            ids = sorted({*bear, *([called] if called else [])})
            return of_grade(self._records.products(ids), name)

    def _nearest_products(self, name: str) -> list[str]:
        from .narrowing import Wanted, narrowed
        from .search import nearest_names

        with self._records.snapshot() as reader:
            words = (without_grade(name) or grade[0]) if (grade := grade_in(name)) else fold(name)
            ids, _ = narrowed(reader, words, _RANKED, Wanted())
            return nearest_names(self._records.products(ids), name)

    def grades(self, name: str) -> tuple[Product, ...]:
        """The materials that bear a name together, which does not tell which it is; empty where the name is one's own.

        >>> with Catalog.open("sqlite://") as catalog:
        ...     [grade.grade for grade in catalog.grades("MAP")], catalog.grades("technical MAP")
        (['12-61-0', '11-52-0'], ())
        """
        ids = ids_of_grades(name)
        if not ids:
            return ()
        with self.snapshot():
            found = tuple(self._records.products(ids))
            owner = self._records.owner("product", name)
            # A product of the user's own may have taken the name.
            theirs = owner is not None and all(owner != grade.id for grade in found)
            return () if theirs or len(found) < 2 else found

    def find(
        self,
        query: str,
        limit: int = 10,
        without: Sequence[str] = (),
        *,
        made_of: str = "",
        region: str = "",
        state: str = "",
        sold_here: bool = False,
    ) -> list[Match]:
        """Products by name with typos, by grade or by nutrient, without some ("no phosphorus"); best first.

        made_of: only those whose label names this material. region, state, sold_here: only those on the list of a
        region, in a state, sold there. Of a large catalog only what comes into question is read.

        >>> with Catalog.open("sqlite://") as catalog:
        ...     [m.product.id for m in catalog.find("potasium nitrat", 1) + catalog.find("", 1, made_of="urea")]
        ['potassium-nitrate', 'alder-twenty-20-20-20']

        Raises: InputError: something to be left out that products are not known by.
        """
        from .narrowing import Wanted, fits, narrowed
        from .search import find, is_good, understood

        with self._records.snapshot() as reader:
            exact = self._records.owner("product", query)
            words, left = understood(query, without, is_name=exact is not None)
            if state and state not in get_args(ListingState):
                raise InputError(
                    f"{quoted(state)} is no state of a list", mend=f"write one of: {', '.join(get_args(ListingState))}"
                )
            wanted = Wanted(self._names_of_material(made_of), region, state, sold_here, left)
            most = max(_RANKED, 8 * limit)
            while True:
                ids, whole = narrowed(reader, words, most, wanted)
                if exact is not None and exact not in ids and fits(reader, exact, wanted):
                    ids.insert(0, exact)
                products = self._records.products(ids)
                found = find(products, query, limit, without, self.product, listed=wanted.selective)
                # What is left out is looked for label by label, which takes its time.
                if whole or left or most >= _MOST_RANKED or sum(map(is_good, found)) >= limit:
                    return found
                most *= 5

    def _names_of_material(self, name: str) -> tuple[str, ...]:
        """Every folded name that a label may call a material by."""
        if not name:
            return ()
        owner = self._records.owner("product", name)
        found = self._records.products([owner]) if owner is not None else []
        return tuple(dict.fromkeys([fold(name), *(folded for one in found for folded in names_of(one))]))

    # --- wells ------------------------------------------------------------------------------------

    def wells(self) -> list[Well]:
        """All wells in use, by id."""
        return cast(list[Well], self._records.all("well"))

    def waters(self) -> list[WaterTest]:
        """The newest water test of every well that has one, by id of the well."""
        return [well.test_of(date.today()) for well in self.wells() if well.tested_by(date.today())]

    def well(self, name: str, test_of: date | None = None, today: date | None = None) -> WaterTest:
        """The water test of a well: that of the day `test_of`, else the newest that is not after `today`.

        >>> with Catalog.open("sqlite://") as catalog:
        ...     catalog.well("ridge-well").tested_on
        '2026-04-07'

        Raises: UnknownName: no such well. InputError: no such test; tells those that there are.
        """
        for day in (test_of, today):
            if day is not None and not isinstance(day, date):
                raise InputError(f"{quoted(str(day))} is no date", where="well", mend="give a datetime.date")
        well = cast(Well, self.record("well", name))
        return well.test_on(test_of) if test_of is not None else well.test_of(today or date.today())

    def water(self, name: str) -> WaterTest:
        """The newest water test of the well of this id or name. Raises: as `well`."""
        return self.well(name)

    def trends(self, name: str) -> dict[str, dict[str, str]]:
        """Each measured item of a well by the day of its test, as written, the oldest first."""
        return cast(Well, self.record("well", name)).trends()

    def sources(self) -> dict[str, Source]:
        """Citations by key."""
        return {source.id: source for source in cast(list[Source], self._records.all("source"))}

    # --- any record -------------------------------------------------------------------------------

    def record(self, kind: Kind, name: str) -> Record:
        """The record of this id or name, whatever its kind. Raises: UnknownName: none; carries the nearest names."""
        if kind == "product":
            return self.product(name)
        found = self._found(kind, name)
        if found is None:
            raise self._unknown(kind, name)
        return found

    def _found(self, kind: Kind, name: str) -> Record | None:
        with self.snapshot():
            owner = self._records.owner(kind, name)
            if owner is None:
                return None
            try:
                return self._records.get(kind, owner)
            except Retired as retired:
                raise UnknownName(_SPOKEN.get(kind, kind), name, [], retired=True) from retired

    def _unknown(self, kind: Kind, name: str) -> UnknownName:
        from rapidfuzz import fuzz, process

        found = process.extract(fold(name), self._records.ids(kind), scorer=fuzz.WRatio, limit=3)
        return UnknownName(_SPOKEN.get(kind, kind), name, [choice for choice, _, _ in found])

    def owners(self, kind: Kind, names: Iterable[str]) -> dict[str, str]:
        """Ids of the records that have names, retired ones too, by the folded name (`fold`); names that are free are
        left out."""
        return self._records.owners(kind_named(kind), names)

    def records(self, kind: Kind) -> list[Record]:
        """All records of a kind that are in use, by id; those that make no sense are left out (see `faults`)."""
        return self._records.all(kind_named(kind))

    def current(self, kind: Kind, name: str) -> Revision:
        """The revision that stands, of the record of this id or name, retired ones too; its `number` is what an editor
        starts from.

        Raises: UnknownName: none.
        """
        with self.snapshot():
            owner = self._owner(kind, name)
            standing = self._records.standing(kind, owner)
            assert standing is not None
            return self.revision(kind, owner, standing[0])

    def _owner(self, kind: Kind, name: str) -> str:
        owner = self._records.owner(kind_named(kind), name)
        if owner is None:
            raise self._unknown(kind, name)
        return owner

    def history(self, kind: Kind, name: str) -> list[Revision]:
        """All revisions of a record, the oldest first. Raises: UnknownName: no such record."""
        with self.snapshot():
            return self._records.history(kind, self._owner(kind, name))

    def revision(self, kind: Kind, name: str, number: int) -> Revision:
        """One revision. Raises: UnknownName: no such record; InputError: none of this number."""
        with self.snapshot():
            owner = self._owner(kind, name)
            found = self._records.revision(kind, owner, number)
            if found is None:
                last = self._records.history(kind, owner)[-1].number
                raise InputError(
                    f"has no revision {number}", where=f"{kind} {owner}", mend=f"write a number from 1 to {last}"
                )
            return found

    def diff(self, kind: Kind, name: str, a: int | None = None, b: int | None = None) -> list[Change]:
        """Fields that differ between two revisions; a: None: the one before `b`, else the first there is; b: None: the
        one that stands."""
        with self.snapshot():
            after = self.current(kind, name) if b is None else self.revision(kind, name, b)
            if a is None:
                before = [one for one in self.history(kind, name) if one.number < after.number]
                return changes(before[-1].document if before else "{}", after.document)
            return changes(self.revision(kind, name, a).document, after.document)

    def overridden(self, kind: Kind | None = None) -> list[tuple[Kind, str]]:
        """Records of the user's own that stand before one that came with the program, as (kind, id)."""
        return [one for one in self._records.overridden() if kind in {None, one[0]}]

    def faults(self, *, whole: bool = False) -> list[Fault]:
        """Records whose document makes no sense: those met so far, or, whole, all in the catalog."""
        if whole:
            self._records.look_at_all()
        return sorted(self._records.faults.values(), key=lambda fault: (fault.kind, fault.id))

    # --- writing ----------------------------------------------------------------------------------

    def save(
        self,
        record: Record,
        revision: int | None = None,
        *,
        by: str = "",
        why: str = "",
        source: str = "",
        beside: Iterable[Record] = (),
    ) -> Revision:
        """Write a record as a new revision, all or nothing; one that says nothing new leaves the old one.

        record: a Product, Well, Source, RegionRecord, Listing or JarTest. revision: the number that the editor started
        from, 0 for a record that is to be new, None for whatever stands. by, why, source: who, why, after what. beside:
        records that it needs, such as a source that it is the first to name, written in the same transaction.
        Raises: ChangedMeanwhile: another revision stands now; names both changes.
            InputError: a name belongs to another record, a source is not in the catalog, or hidden characters.
        """
        entry = Entry.of(record)
        with self._writing() as connection:
            from .writing import Stamp, put

            stamp = Stamp(by, why, source)
            put(connection, map(Entry.of, beside), stamp)
            put(connection, [entry], stamp, expected=revision)
        return self.current(entry.kind, entry.id)

    def save_all(
        self, records: Iterable[Record], *, by: str = "", why: str = "", source: str = "", new: bool = False
    ) -> int:
        """Write many records in one transaction, all or none; says how many were new or changed.

        records: read bit by bit, so that a generator of any length does; it may raise, and nothing is then written.
        new: none of them may be in the catalog. Raises: InputError: as `save`, names the record.
        """
        with self._writing() as connection:
            from .writing import Stamp, put

            return put(connection, map(Entry.of, records), Stamp(by, why, source), expected=0 if new else None)

    def read_list(
        self,
        file: str | Path,
        *,
        dry_run: bool = False,
        skip_bad: str | Path | None = None,
        source: str = "",
        by: str = "",
        why: str = "",
        progress: Callable[[int], None] | None = None,
        look: Callable[[Record], Sequence[Remark]] | None = None,
    ) -> ListRead:
        """Read a CSV or XLSX file into the catalog, all or nothing: see `exchange.lists.read_list`."""
        from ..exchange.lists import read_list

        return read_list(
            self, file, dry_run=dry_run, skip_bad=skip_bad, source=source, by=by, why=why, progress=progress, look=look
        )

    def write_list(
        self, file: str | Path, *, what: What | None = None, region: str | None = None, units: Units = "metric"
    ) -> dict[What, int]:
        """Write the catalog to a CSV or XLSX file: see `exchange.lists.write_list`."""
        from ..exchange.lists import write_list

        return write_list(self, file, what=what, region=region, units=units)

    def retire(self, kind: Kind, name: str, revision: int | None = None, *, by: str = "", why: str = "") -> Revision:
        """Take a record out of use; its history stays, its names stay taken, and `undo` brings it back.

        Raises: UnknownName: no such record; ChangedMeanwhile: as `save`.
        """
        id_ = self._owner(kind_named(kind), name)
        with self._writing() as connection:
            from .changing import retire

            retire(connection, kind, id_, revision, by=by, why=why)
        return self.current(kind, id_)

    def undo(
        self, kind: Kind, name: str, to: int | None = None, revision: int | None = None, *, by: str = "", why: str = ""
    ) -> Revision:
        """Bring a former document back, as a new revision: the one before, or that of revision `to`. Where a record of
        the user's own overrides a seed and nothing of their own is left, the seed is back.

        Raises: UnknownName: no such record; InputError: there is nothing before; ChangedMeanwhile: as `save`.
        """
        id_ = self._owner(kind_named(kind), name)
        with self._writing() as connection:
            from .changing import undo

            undo(connection, kind, id_, to, revision, by=by, why=why)
        return self.current(kind, id_)

    @contextmanager
    def _writing(self) -> Iterator[Any]:
        """A transaction that nobody else writes beside."""
        from .writing import engine_of, writing

        with self._reader.place.translated():
            if self._engine is None:
                self._engine = engine_of(self._reader.place, self._reader.connection)
            with writing(self._engine) as connection:
                yield connection

    # --- the database as a whole ------------------------------------------------------------------

    @classmethod
    def upgrade(cls, place: str | None = None, *, backup: str | Path | None = None, no_backup: bool = False) -> str:
        """Bring a catalog of an earlier schema to the present one; says in a line what was done.

        backup: file to copy a SQLite catalog to before; None: beside it, named after its schema. For PostgreSQL make
        one with pg_dump, and say so by `no_backup`. Upgrading twice does nothing the second time.
        Raises: CatalogError: there is none, or it cannot be upgraded; it is then as it was.
        """
        from .upgrading import upgrade

        return upgrade(Place.named(place or default_database()), Path(backup) if backup else None, no_backup)

    @classmethod
    def backup(cls, place: str | None, to: str | Path) -> None:
        """Copy a SQLite catalog to a new file while it is in use. Raises: CatalogError: the file is there already, or
        the catalog is on PostgreSQL (use pg_dump)."""
        from .backup import back_up

        back_up(Place.named(place or default_database()), Path(to))

    @classmethod
    def restore(cls, place: str | None, backup: str | Path) -> None:
        """Replace a SQLite catalog by a backup of one, all or nothing. Raises: CatalogError: it is none."""
        from .backup import restore

        restore(Place.named(place or default_database()), Path(backup))
