"""A row and the document of a record, in both directions, with nothing lost.

What has no column of its own (the content of a material, points of a solubility curve, a source or note of one number
that differs from the row's) stands in the last column as JSON, by its path. A column wins over it: who changes a cell
is not overruled by what the last column still says.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from ..errors import Unreadable, fitted
from ..text import one_line, quoted
from .cells import Cell, text_of
from .columns import FURTHER, Column, Path, Read, reading_of

Document = dict[str, Any]
Flat = dict[Path, Any]
#: Tables of sourced numbers; their source is the row's where it says no other.
NUMBERED = ("guaranteed", "at_most", "numbers")


@dataclass(frozen=True, slots=True)
class CellFault:
    """What is wrong in a cell. row: as the spreadsheet program counts them; column: its header, "" for the whole row;
    what, mend: the fault and its cure; all three on one line, without hidden characters."""

    row: int
    column: str
    what: str
    mend: str

    def __post_init__(self) -> None:
        for name, text in zip(("column", "what", "mend"), fitted(self.column, self.what, self.mend), strict=True):
            object.__setattr__(self, name, text)

    def __str__(self) -> str:
        place = f"row {self.row}" if self.row else "header"
        return f"{place}{', ' + self.column if self.column else ''}: {self.what}{'; ' if self.mend else ''}{self.mend}"


def flat(document: Mapping[str, Any], before: Path = ()) -> Flat:
    """Values of a document by their path; lists count as values, and what is empty is left out."""
    found: Flat = {}
    for key, value in document.items():
        if isinstance(value, Mapping):
            found.update(flat(value, (*before, key)))
        elif value not in (None, "", [], ()) and not (value is False and key == "invented"):
            found[*before, key] = value
    return found


def deep(values: Mapping[Path, Any]) -> Document:
    """The document of values by path."""
    document: Document = {}
    for path, value in values.items():
        inner = document
        for part in path[:-1]:
            inner = inner.setdefault(part, {})
        inner[path[-1]] = value
    return document


class Header:
    """The header of a file: which column stands where. faults: headers that are none; comma: the file writes decimal
    commas; row: where the header stands."""

    def __init__(self, cells: Sequence[Cell], columns: tuple[Column, ...], *, comma: bool, row: int = 1) -> None:
        self.comma, self.faults = comma, []
        self.places: list[tuple[int, str, Column, Read]] = []
        self.further: int | None = None
        self.titles = [text_of(cell) for cell in cells]
        taken: dict[Path, str] = {}
        for i, title in enumerate(self.titles):
            if not title or title.startswith("#"):
                continue
            if title == FURTHER:
                self.further = i
                continue
            try:
                column, read = reading_of(title, columns)
                if column.path in taken:
                    raise Unreadable(f"says the same as {quoted(taken[column.path])}", "keep one of the two columns")
                taken[column.path] = title
                self.places.append((i, title, column, read))
            except Unreadable as fault:
                self.faults.append(CellFault(row, one_line(title), fault.what, fault.mend))
        self.by_path = {column.path: title for _, title, column, _ in self.places}

    def read(self, row: int, cells: Sequence[Cell]) -> tuple[Document, list[CellFault]]:
        """The document of a row, and what is wrong in its cells."""
        faults: list[CellFault] = []
        values: Flat = {}
        count, comma = len(cells), self.comma
        for i, title, column, read in self.places:
            if i >= count or (cell := cells[i]) is None or cell == "":
                continue
            try:
                value = read(cell, comma)
            except Unreadable as fault:
                faults.append(CellFault(row, title, fault.what, fault.mend))
                continue
            if value != "" and value != []:
                values[column.path] = value
        if self.further is not None and self.further < count and (text := text_of(cells[self.further])):
            try:
                self._add_further(values, _further_of(text))
            except Unreadable as fault:
                faults.append(CellFault(row, FURTHER, fault.what, fault.mend))
        beyond = [i for i in range(len(self.titles), count) if text_of(cells[i])]
        if beyond:
            faults.append(
                CellFault(row, "", f"has {count} cells below {len(self.titles)} headers", "head every column")
            )
        return deep(values), faults

    def _reads_as(self, path: Path, value: Any) -> Any:
        """What a value would be read as, had it been written into its cell."""
        for _, _, column, read in self.places:
            if column.path == path:
                with suppress(Unreadable, TypeError, ValueError, AttributeError):
                    return read(column.write(value), self.comma)
        return None

    def _add_further(self, values: Flat, further: Flat) -> None:
        for path, value in further.items():
            if path in self.by_path:
                if path in values and self._reads_as(path, value) == values[path]:
                    values[path] = value
            elif path[-1] not in {"source", "note"} or len(path) == 1:
                values[path] = value
        for path, value in further.items():
            # Of a number that was taken out of its cell, nothing stays.
            if (
                len(path) > 1
                and path[-1] in {"source", "note"}
                and any(other != path and other[:-1] == path[:-1] for other in values)
            ):
                values[path] = value


def _further_of(text: str) -> Flat:
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        found = None
    values = {tuple(path.split(".")): value for path, value in found.items()} if isinstance(found, dict) else {}
    if not isinstance(found, dict) or not all(_fits(path, value) for path, value in values.items()):
        raise Unreadable("is not JSON as it was written here", "restore the cell, or empty it")
    return values


def _fits(path: Path, value: object) -> bool:
    """Whether a path leads where a record may have a value of this kind."""
    deep = {**dict.fromkeys(NUMBERED, 3), "density": 2}.get(path[0], 1)
    return len(path) == deep and (deep == 1 or not isinstance(value, dict | list))


def sourced_by(document: Document, source: str) -> None:
    """Give the source of a row to those of its numbers that name none; what is no table its model refuses."""
    tables = [table for group in NUMBERED if isinstance(table := document.get(group), dict)]
    for number in [*(number for table in tables for number in table.values()), document.get("density")]:
        if isinstance(number, dict):
            number.setdefault("source", source)


def usual_source(document: Mapping[str, Any]) -> str:
    """The source that most numbers of a product name; "" where it has none."""
    counts: dict[str, int] = {}
    for group in NUMBERED:
        for number in document.get(group, {}).values():
            counts[number["source"]] = counts.get(number["source"], 0) + 1
    if document.get("density"):
        counts[document["density"]["source"]] = counts.get(document["density"]["source"], 0) + 1
    return max(sorted(counts), key=lambda key: counts[key]) if counts else ""


class Writer:
    """Rows of documents. columns: as in columns.py; numbered: their numbers name sources (products)."""

    def __init__(self, columns: tuple[Column, ...], *, numbered: bool) -> None:
        self.columns = tuple(column for column in columns if column.shown)
        self.titles = [*(column.header for column in self.columns), FURTHER]
        self._numbered = numbered
        self._reader = Header(self.titles, columns, comma=False)

    def row(self, document: Document) -> list[Cell]:
        """The cells of a document, in the order of the titles; reading them gives the document again."""
        values = flat(document)
        if self._numbered and (source := usual_source(document)):
            values["source",] = source
        cells: list[Cell] = [
            None if (value := values.get(column.path)) is None else column.write(value) for column in self.columns
        ]
        back, _ = self._reader.read(0, cells)
        if self._numbered and "source" in back:
            sourced_by(back, back["source"])
        again = flat(back)
        further = {".".join(path): value for path, value in values.items() if again.get(path) != value}
        cells.append(json.dumps(further, ensure_ascii=True, separators=(",", ":")) if further else None)
        return cells


def in_column(loc: Iterable[int | str], header: Header) -> str:
    """The title of the column that a field of a record stands in, else the field's own name."""
    path = tuple(str(part) for part in loc)
    for length in range(len(path), 0, -1):
        for own, title in header.by_path.items():
            if own[:length] == path[:length] and (length == len(path) or len(own) == length):
                return title
    return one_line(".".join(path))
