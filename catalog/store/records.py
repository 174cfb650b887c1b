"""Records as they are read: one at a time, each document parsed once, those that make no sense left out."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from itertools import islice
from typing import Any

from ..errors import CatalogError, InputError
from ..product import Product, Record, fold
from ..text import quoted
from . import statements
from .kinds import KINDS, Kind, record_of
from .reader import Reader
from .revision import Fault, Revision

_log = logging.getLogger(__name__)
#: So many parsed records are kept.
_MOST_KEPT = 20_000
#: Names that one statement asks for.
_ASKED_AT_ONCE = 500


class Retired(InputError):
    """A record that was taken out of use, asked for by name."""


class Records:
    """The records of a catalog. What was parsed is kept as long as its revision stands."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader
        #: Of the catalog, as it was read last: another one once something was written.
        self.state = ""
        self._parsed: dict[tuple[Kind, str, int], Record | Fault] = {}
        #: Answers that hold until something is written: by kind and folded name, and lists by what they are of.
        self._owners: dict[tuple[Kind, str], str | None] = {}
        self._standing: dict[tuple[Kind, str], tuple[int, bool, str, str] | None] = {}
        self._lists: dict[object, list[Any]] = {}
        self.faults: dict[tuple[Kind, str], Fault] = {}

    @contextmanager
    def snapshot(self) -> Iterator[Reader]:
        """While it is held, everything that is read is of one state of the catalog."""
        with self._reader.snapshot() as begun:
            if begun and (now := self._reader.changes()) != self.state:
                self.state = now
                self._owners.clear()
                self._standing.clear()
                self._lists.clear()
                self.faults.clear()
            yield self._reader

    def owner(self, kind: Kind, name: str) -> str | None:
        """The id of the record that answers to a name; None where none does. An id is a name of its record."""
        asked = kind, fold(name)
        with self.snapshot() as reader:
            if asked not in self._owners:
                rows = reader.rows(statements.OWNER, *asked)
                self._owners[asked] = rows[0][0] if rows else None
            return self._owners[asked]

    def owners(self, kind: Kind, names: Iterable[str]) -> dict[str, str]:
        """Ids of the records that answer to names, by the folded name; of many names at once."""
        found: dict[str, str] = {}
        waiting = iter({fold(name) for name in names})
        with self.snapshot() as reader:
            while some := list(islice(waiting, _ASKED_AT_ONCE)):
                marks = ",".join("?" * len(some))
                found.update(reader.rows(statements.OWNERS.format(marks=marks), kind, *some))
        return found

    def standing(self, kind: Kind, id_: str) -> tuple[int, bool, str, str] | None:
        """Number, retired, layer and document of the revision that stands; None where there is no such record."""
        with self.snapshot() as reader:
            if (kind, id_) not in self._standing:
                rows = reader.rows(statements.STANDING, kind, id_)
                self._standing[kind, id_] = (rows[0][1], bool(rows[0][3]), rows[0][2], rows[0][4]) if rows else None
            return self._standing[kind, id_]

    def get(self, kind: Kind, id_: str) -> Record | None:
        """The record of an id; None where there is none.

        Raises: Retired: it was taken out of use. CatalogError: its document makes no sense.
        """
        found = self.standing(kind, id_)
        if found is None:
            return None
        number, retired, _, document = found
        if retired:
            raise Retired(f"{kind} {quoted(id_)} was retired", mend="take another, or bring it back: undo")
        record = self._record(kind, id_, number, document)
        if isinstance(record, Fault):
            raise CatalogError(
                f"holds a record that makes no sense ({record.what})",
                database=self._reader.place.database,
                mend=f"save {kind} {id_} anew, or undo its last change",
            )
        return record

    def of_statement(self, kind: Kind, statement: str, *values: object) -> list[Any]:
        """Records that a statement chooses (see `statements`); those that make no sense are left out."""
        asked = statement, values
        with self.snapshot() as reader:
            if asked not in self._lists:
                rows = reader.rows(statement, *values)
                read = (self._record(kind, id_, number, document) for id_, number, _, _, document in rows)
                self._lists[asked] = [record for record in read if not isinstance(record, Fault)]
            return list(self._lists[asked])

    def all(self, kind: Kind) -> list[Any]:
        """All records of a kind that are in use, by id."""
        return self.of_statement(kind, statements.ALL_STANDING, kind)

    def products(self, ids: Iterable[str]) -> list[Product]:
        """Products of some ids, as far as they are in use and make sense."""
        found = []
        with self.snapshot():
            for id_ in ids:
                standing = self.standing("product", id_)
                if standing is not None and not standing[1]:
                    record = self._record("product", id_, standing[0], standing[3])
                    if isinstance(record, Product):
                        found.append(record)
        return found

    def _record(self, kind: Kind, id_: str, number: int, document: str) -> Record | Fault:
        known = self._parsed.get((kind, id_, number))
        if known is None:
            if len(self._parsed) >= _MOST_KEPT:
                self._parsed.clear()
            try:
                known = record_of(kind, document, f"{kind} {id_}, revision {number}")
            except InputError as error:
                known = Fault(kind, id_, number, str(error))
                _log.warning("%s %s is left out, as it makes no sense: %s", kind, id_, error)
            self._parsed[kind, id_, number] = known
        if isinstance(known, Fault):
            self.faults[kind, id_] = known
        return known

    def look_at_all(self) -> None:
        """Read every record, so that all faults are known."""
        with self.snapshot() as reader:
            for kind, id_, number, document in reader.rows(statements.EVERYTHING):
                self._record(kind, id_, number, document)

    def ids(self, kind: Kind) -> list[str]:
        """Ids of the records of a kind that are in use."""
        with self.snapshot() as reader:
            return [row[0] for row in reader.rows(statements.IDS, kind)]

    def overridden(self) -> list[tuple[Kind, str]]:
        """Records that stand before one that came with the program."""
        with self.snapshot() as reader:
            return [(kind, id_) for kind, id_ in reader.rows(statements.OVERRIDDEN) if kind in KINDS]

    def history(self, kind: Kind, id_: str) -> list[Revision]:
        """All revisions of a record, the oldest first."""
        with self.snapshot() as reader:
            return [_revision(kind, id_, row) for row in reader.rows(statements.HISTORY, kind, id_)]

    def revision(self, kind: Kind, id_: str, number: int) -> Revision | None:
        """One revision; None where there is none of this number."""
        with self.snapshot() as reader:
            rows = reader.rows(statements.REVISION, kind, id_, number)
        return _revision(kind, id_, rows[0]) if rows else None


def _revision(kind: Kind, id_: str, row: tuple[Any, ...]) -> Revision:
    number, at, by, why, source, layer, retired, restores, document = row
    if isinstance(at, str):
        at = datetime.fromisoformat(at)
    at = at.replace(tzinfo=UTC) if at.tzinfo is None else at.astimezone(UTC)
    return Revision(kind, id_, number, at, by, why, source, layer, bool(retired), restores, document)
