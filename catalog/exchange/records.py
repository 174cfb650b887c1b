"""Rows of a sheet as records of the catalog, and records as rows; every fault of a row with its column."""

from __future__ import annotations

from collections import ChainMap
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any, Literal, cast

from pydantic import ValidationError

from ..errors import InputError
from ..listing import Listing
from ..product import Product, Record, Source, slug
from ..store.kinds import Kind
from ..store.parse import faults_of
from ..text import one_line
from ..water.well import Well
from .cells import Cell, text_of
from .columns import SOURCE, Column, listing_columns, product_columns, source_columns, well_columns
from .files import Sheet, Table
from .rows import CellFault, Document, Header, Writer, deep, flat, in_column, sourced_by, usual_source
from .sources import source_for

#: What a sheet may hold.
What = Literal["products", "wells", "sources", "lists"]
KIND_OF: dict[What, Kind] = {"products": "product", "wells": "well", "sources": "source", "lists": "listing"}
Units = Literal["metric", "us"]
COLUMNS: dict[What, Callable[[str], tuple[Column, ...]]] = {
    "products": product_columns,
    "wells": well_columns,
    "sources": source_columns,
    "lists": listing_columns,
}
#: A first cell that begins so makes its row a remark.
REMARK = "# "


@dataclass(slots=True)
class RowRead:
    """A row that was read. record: None where faults stand against it; beside: records that it needs to be in the
    catalog, such as a source that it is the first to name; others: further rows of the same well; waits_for: one of
    those that has faults; cells: as they stood in the file."""

    row: int
    cells: Sequence[Cell]
    record: Record | None = None
    beside: tuple[Record, ...] = ()
    others: tuple[RowRead, ...] = ()
    waits_for: int = 0
    faults: list[CellFault] = field(default_factory=list)


@dataclass
class Known:
    """What the catalog holds already. sources: by key; present: gives the document of a record of this id, None where
    it is new; source: where the numbers of rows are from that do not say so."""

    sources: Mapping[str, Source | None] = field(default_factory=dict)
    present: Callable[[What, str], Document | None] = lambda _what, _id: None
    source: str = ""


def what_of(titles: Sequence[str]) -> What | None:
    """What a sheet holds by its headers; None where they are those of none.

    >>> what_of(["Well", "Tested on", "pH"]), what_of(["Name", "Grade", "N (%)"]), what_of(["Key", "Citation"])
    ('wells', 'products', 'sources')
    """
    fits = {what: len(Header(titles, columns("metric"), comma=False).places) for what, columns in COLUMNS.items()}
    best = max(fits, key=lambda what: fits[what])
    return best if fits[best] else None


class Reading:
    """Reads a sheet. what: what it holds; titles: its headers; rows: an iterator of `RowRead`; faults: what is wrong
    with its header.

    Raises: InputError: it has no header.
    """

    def __init__(self, sheet: Sheet, known: Known) -> None:
        self._sheet, self._known = sheet, known
        self.remarks = 0
        row, cells = next(sheet.rows, (1, []))
        found = what_of([text_of(cell) for cell in cells])
        if found is None:
            if sheet.faults:
                raise InputError(sheet.faults[0].what, where=f"row {sheet.faults[0].row}", mend=sheet.faults[0].mend)
            what = (
                f"has no header that is known ({one_line(', '.join(map(text_of, cells[:4])))})" if cells else "is empty"
            )
            raise InputError(what, mend="head its columns as in: pourcheck catalog template products.csv")
        self.what: What = found
        self.header = Header(cells, COLUMNS[found]("metric"), comma=sheet.comma, row=row)
        self.titles = self.header.titles
        self.faults = self.header.faults
        own = {column.path for column in COLUMNS[found]("metric")}
        #: Paths that the file has no column for: of a record that is there already, they stay as they are.
        self._left = own - self.header.by_path.keys()
        rows: dict[What, Callable[[], Iterator[RowRead]]] = {
            "products": self._products,
            "wells": self._wells,
            "sources": partial(self._plain, Source),
            "lists": partial(self._plain, Listing),
        }
        self.rows = rows[found]()

    def _documents(self) -> Iterator[tuple[RowRead, Document]]:
        waiting, faults = 0, self._sheet.faults
        for row, cells in self._sheet.rows:
            if cells and isinstance(cells[0], str) and cells[0].startswith(REMARK):
                self.remarks += 1
                waiting = len(faults)
                continue
            document, wrong = self.header.read(row, cells)
            if len(faults) > waiting:  # what the file itself did not let be read
                wrong = [*faults[waiting:], *wrong]
                waiting = len(faults)
            yield RowRead(row, cells, faults=wrong), document
        if len(faults) > waiting:
            yield RowRead(faults[waiting].row, (), faults=faults[waiting:]), {}

    def _checked(self, read: RowRead, model: type[Record], document: Document) -> None:
        """Give a row its record, or what is wrong with it."""
        try:
            read.record = model.model_validate(document)
        except ValidationError as error:
            seen = {fault.column for fault in read.faults}
            for loc, what, mend in faults_of(error):
                column = in_column(loc, self.header)
                if column not in seen or not column:  # a cell that was not read is told already
                    read.faults.append(CellFault(read.row, column, what, mend))
        except InputError as error:
            read.faults.append(CellFault(read.row, one_line(error.where), error.what, error.mend))
        if read.faults:
            read.record = None

    def _with_present(self, document: Document) -> Document:
        """With what the catalog says of it already where the file has no column."""
        if self.header.further is not None or (old := self._known.present(self.what, document["id"])) is None:
            return document
        old.setdefault("source", usual_source(old))
        columned = {column.path for column in COLUMNS[self.what]("metric")}
        given = flat(document)
        merged = {
            path: value
            for path, value in flat(old).items()
            if path in self._left or (path not in columned and (len(path) == 1 or (*path[:-1], "value") in given))
        }
        return deep(merged | given)

    def _products(self) -> Iterator[RowRead]:
        known = ChainMap[str, Source | None]({}, cast(dict[str, Source | None], self._known.sources))
        for read, document in self._documents():
            if not document and read.faults:
                yield read
                continue
            name = document.get("name", "")
            if "id" in document or slug(name):
                document.setdefault("id", slug(name))
                document = self._with_present(document)
            elif not name:
                document["id"] = "none"  # the missing name is told, and enough
            source = str(document.pop("source", "") or self._known.source)
            numbers = any(document.get(group) for group in ("guaranteed", "at_most", "numbers", "density"))
            if numbers and not source and (lacking := _without_source(document)):
                read.faults.append(
                    CellFault(
                        read.row,
                        SOURCE,
                        f"is missing, for {lacking}",
                        "write where it was read, such as: label read 2026-05-02",
                    )
                )
                source = "missing"
            if source and numbers:
                try:
                    key, made = source_for(source, known)
                except InputError as error:
                    key, made = "none", None
                    read.faults.append(CellFault(read.row, SOURCE, error.what, error.mend))
                sourced_by(document, key)
                if made is not None:
                    read.beside = (made,)
                    known[key] = made
            self._checked(read, Product, document)
            yield read

    def _plain(self, model: type[Record]) -> Iterator[RowRead]:
        for read, document in self._documents():
            self._checked(read, model, document)
            yield read

    def _wells(self) -> Iterator[RowRead]:
        """Wells, each with its tests; a well comes with its first row, and the others of its rows without a record."""
        rows: dict[str, list[tuple[RowRead, Document]]] = {}
        for read, document in self._documents():
            key = str(document.get("id") or slug(str(document.get("name", ""))))
            if not key:
                if not read.faults:
                    read.faults.append(CellFault(read.row, "Well", "is missing", "write the name of the well"))
                yield read
                continue
            rows.setdefault(key, []).append((read, document))
        for key, group in rows.items():
            well: Document = {"id": key}
            first: dict[str, int] = {}
            tests: dict[str, tuple[int, Document]] = {}
            for read, document in group:
                for own, name in (("name", "name"), ("invented", "invented"), ("well_notes", "notes")):
                    value = document.pop(own, None)
                    if value is not None and well.setdefault(name, value) != value:
                        title = self.header.by_path.get((own,), own)
                        read.faults.append(
                            CellFault(
                                read.row,
                                title,
                                f"is another than in row {first[name]}, for the same well",
                                "give both rows the same, or another Well ID",
                            )
                        )
                    first.setdefault(name, read.row)
                document.pop("id", None)
                empty = document.pop("test", False)
                if not document and not empty:
                    continue
                day = str(document.get("tested_on", ""))
                if not day and read.faults:
                    pass  # perhaps it was the day that could not be read
                elif day in tests:
                    when = f"of {day}" if day else "without a date"
                    read.faults.append(
                        CellFault(
                            read.row,
                            self.header.by_path.get(("tested_on",), "Tested on"),
                            f"is the second test {when} of this well, after row {tests[day][0]}",
                            "keep one of the two",
                        )
                    )
                else:
                    tests[day] = read.row, document
                # Each test by itself, so that its faults name its row.
                self._test_checked(read, document)
            head = group[0][0]
            if wrong := next((read.row for read, _ in group if read.faults), 0):
                for read, _ in group:
                    read.waits_for = wrong
            else:
                if (old := self._known.present("wells", key)) is not None:
                    kept = {str(one.get("tested_on", "")): (0, one) for one in old.pop("test", ())}
                    well, tests = {**old, **well}, {**kept, **tests}
                self._checked(head, Well, {**well, "test": [test for _, test in tests.values()]})
                head.others = tuple(read for read, _ in group[1:])
            for read, _ in group:
                yield read

    def _test_checked(self, read: RowRead, document: Document) -> None:
        from ..water.analysis import WaterTest

        self._checked(read, WaterTest, document)
        read.record = None


def _without_source(document: Document) -> str:
    """The first number of a product that names no source, in words; "" where all do."""
    for group in ("guaranteed", "at_most", "numbers"):
        for key, number in document.get(group, {}).items():
            if "source" not in number:
                return f"{group} {key}"
    density = document.get("density")
    return "density" if density and "source" not in density else ""


def _product_documents(products: Iterable[Record]) -> Iterator[Document]:
    for product in products:
        yield product.model_dump(mode="json", exclude_none=True)


def _well_documents(wells: Iterable[Record]) -> Iterator[Document]:
    for well in wells:
        document: dict[str, Any] = well.model_dump(mode="json", exclude_none=True)
        own = {"id": document["id"], "name": document["name"], "invented": document.get("invented", False)}
        own["well_notes"] = document.get("notes", "")
        tests = document.get("test", ())
        for test in tests:
            kept = {name: value for name, value in test.items() if name not in {"id", "name", "invented"}}
            yield {**own, **kept} if any(value not in (None, "") for value in kept.values()) else {**own, "test": True}
        if not tests:
            yield own


def _plain_documents(records: Iterable[Record]) -> Iterator[Document]:
    for record in records:
        yield record.model_dump(mode="json")


_DOCUMENTS: dict[What, Callable[[Iterable[Record]], Iterator[Document]]] = {
    "products": _product_documents,
    "wells": _well_documents,
    "sources": _plain_documents,
    "lists": _plain_documents,
}


def table_of(what: What, records: Iterable[Record], units: Units = "metric") -> Table:
    """Records as a table to be written; reading it gives the same records.

    >>> from pourcheck.catalog import Source
    >>> table = table_of("sources", [Source(id="bag", citation="Label of the bag", seen="label")])
    >>> table.titles[:3], list(table.rows)
    (['Key', 'Citation', 'Seen'], [['bag', 'Label of the bag', 'label', None]])
    """
    writer = Writer(COLUMNS[what](units), numbered=what == "products")
    texts = frozenset(i for i, column in enumerate(writer.columns) if column.path in {("grade",), ("id",), ("name",)})
    return Table(what.capitalize(), writer.titles, map(writer.row, _DOCUMENTS[what](records)), texts)
