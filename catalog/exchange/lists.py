"""Whole lists: a file into the catalog, all or nothing, and the catalog into a file."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from ..errors import InputError, UnknownName
from ..listing import Listing
from ..product import Product, Record, Source, fold
from ..store.kinds import id_of, names_of
from ..text import quoted
from . import files
from .cells import Cell
from .records import COLUMNS, KIND_OF, Known, Reading, RowRead, Units, What, table_of
from .rows import CellFault, Document

if TYPE_CHECKING:
    from ..look_over import Remark
    from ..store.catalog import Catalog

#: Rows that are looked up in the catalog at once.
_AT_ONCE = 1000
#: So many faults are kept; the rest is counted.
MOST_FAULTS = 1000
#: Heads the column of a reject file; such a column is left out when the file is read again.
REASON = "# Reason"
WHATS: tuple[What, ...] = tuple(COLUMNS)
Progress = Callable[[int], None]
Look = Callable[[Record], "Sequence[Remark]"]


@dataclass
class ListRead:
    """What became of a file. rows: that were read; new, changed, same: records by what the catalog held of them;
    remarks: rows that are remarks; doubts: what was said of records that are new or changed, by row; faults: what is
    wrong, the first `MOST_FAULTS`; faulty: rows with faults; saved: False where nothing was written; rejects: file with
    the rows that were left out."""

    file: str
    rows: int = 0
    new: int = 0
    changed: int = 0
    same: int = 0
    remarks: int = 0
    faulty: int = 0
    faults: list[CellFault] = field(default_factory=list)
    doubts: list[tuple[int, Remark]] = field(default_factory=list)
    saved: bool = False
    rejects: str = ""


class _Faulty(Exception):
    """Ends the writing of a list that has faults."""


def read_list(
    catalog: Catalog,
    file: str | Path,
    *,
    dry_run: bool = False,
    skip_bad: str | Path | None = None,
    source: str = "",
    by: str = "",
    why: str = "",
    progress: Progress | None = None,
    look: Look | None = None,
) -> ListRead:
    """Read a CSV or XLSX file into the catalog: all rows or none, and nothing where one has a fault.

    dry_run: nothing is written. skip_bad: a file for the rows with faults; the others are written. source: where the
    numbers of rows are from that do not say so. progress: called with the number of rows read so far. look: says what
    is doubtful about a record, as `look_over` does; some 10 ms for a label, so it is left out unless asked for.
    Raises: InputError: the file cannot be read, or has no header. Faults of rows are in what is returned.

    >>> import tempfile
    >>> from pourcheck import Catalog
    >>> with tempfile.TemporaryDirectory() as folder, Catalog.open("sqlite://") as catalog:
    ...     file = Path(folder) / "products.csv"
    ...     _ = file.write_text("Name,Form,Grade\\nSpring Feed,dry,10-0-10\\nAutumn Feed,wet,0-0-20\\n")
    ...     done = read_list(catalog, file, dry_run=True)
    >>> done.new, [str(fault) for fault in done.faults]
    (1, ["row 3, Form: is not a word that is known here; write 'dry' or 'liquid'"])
    """
    path = Path(file)
    done = ListRead(str(file))
    with files.opened(path) as sheets:
        job = _Job(catalog, path, sheets, done, source, Path(skip_bad) if skip_bad is not None else None, progress)
        job.look = look
        if any(reading.faults for reading in job.readings):
            done.faults = [fault for reading in job.readings for fault in reading.faults]
            return done
        if dry_run:
            with catalog.snapshot():
                for _ in job.records():
                    pass
            return done
        try:
            catalog.save_all(job.records(complete=True), by=by, why=why, source=path.name)
        except _Faulty:
            return done
    done.saved = True
    return done


class _Job:
    """The reading of one file."""

    def __init__(
        self,
        catalog: Catalog,
        path: Path,
        sheets: Sequence[files.Sheet],
        done: ListRead,
        source: str,
        skip_bad: Path | None,
        progress: Progress | None,
    ) -> None:
        self._catalog, self._done, self._skip_bad, self._progress = catalog, done, skip_bad, progress
        self._sources: dict[str, Source | None] = {**catalog.sources()}
        known = Known(sources=self._sources, present=self._present, source=source)
        named = [sheet for sheet in sheets if sheet.name.lower() in WHATS]
        try:
            self.readings = [Reading(sheet, known) for sheet in named or sheets[:1]]
        except InputError as error:
            raise error.at(str(path)) from None
        # Sources first: the others name them.
        self.readings.sort(key=lambda reading: reading.what != "sources")
        if skip_bad is not None:
            files.check_suffix(skip_bad)
            if len(self.readings) > 1 and skip_bad.suffix.lower() != files.XLSX:
                raise InputError(
                    f"has {len(self.readings)} sheets", where=str(path), mend="let the rejects go to an .xlsx file too"
                )
        self.look: Look | None = None
        #: Rows by the names that they take: kind and folded name.
        self._taken: dict[tuple[What, str], tuple[str, int]] = {}

    def _present(self, what: What, id_: str) -> Document | None:
        kind = KIND_OF[what]
        if self._catalog.owners(kind, [id_]).get(fold(id_)) != id_:
            return None
        try:
            return self._catalog.record(kind, id_).model_dump(mode="json", exclude_none=True)
        except UnknownName:  # retired
            return None

    def records(self, *, complete: bool = False) -> Iterator[Record]:
        """Records of rows without faults, and what they need beside. complete: faults, unless they may be skipped, end
        it with _Faulty when all rows were read."""
        rejects: dict[What, list[Sequence[Cell]]] = {}
        for reading in self.readings:
            rows = reading.rows
            while chunk := list(islice(rows, _AT_ONCE)):
                self._check(reading, chunk)
                for read in chunk:
                    self._done.rows += 1
                    if read.faults or read.waits_for:
                        self._done.faulty += bool(read.faults)
                        self._done.faults += read.faults[: max(0, MOST_FAULTS - len(self._done.faults))]
                        rejects.setdefault(reading.what, []).append(rejected(reading, read))
                    elif not (complete and self._done.faulty and self._skip_bad is None):
                        yield from read.beside
                        if read.record is not None:
                            yield read.record
                if self._progress is not None:
                    self._progress(self._done.rows)
            self._done.remarks += reading.remarks
        if complete and self._done.faulty and self._skip_bad is None:
            raise _Faulty
        if complete and rejects and self._skip_bad is not None:
            titles = {reading.what: [*reading.titles, REASON] for reading in self.readings}
            tables = [files.Table(what.capitalize(), titles[what], rows) for what, rows in rejects.items()]
            files.write(self._skip_bad, tables)
            self._done.rejects = str(self._skip_bad)

    def _check(self, reading: Reading, chunk: Sequence[RowRead]) -> None:
        """Look at rows beside each other and beside the catalog: names that are taken, sources that are missing."""
        what = reading.what
        wanted = {name for read in chunk if read.record is not None for name in names_of(read.record)}
        owners = self._catalog.owners(KIND_OF[what], wanted)
        for read in chunk:
            record = read.record
            if record is None:
                continue
            for one in read.beside:
                self._sources[id_of(one)] = cast(Source, one)
            if what == "sources":
                self._sources[id_of(record)] = cast(Source, record)
            self._check_names(reading, read, record, owners)
            if isinstance(record, Product) and (lost := {n.source for n in record.sourced()} - self._sources.keys()):
                read.faults.append(
                    CellFault(
                        read.row, "Source", f"the source {quoted(min(lost))} is not in the catalog",
                        "import the sources first, from a sheet of their own",
                    )
                )  # fmt: skip
            if read.faults:
                read.record = None
                for other in read.others:
                    other.waits_for = read.row
            elif owners.get(fold(id_of(record))) is None:
                self._done.new += 1
                self._look_at(read, record)
            elif self._same(what, record):
                self._done.same += 1
            else:
                self._done.changed += 1
                self._look_at(read, record)

    def _look_at(self, read: RowRead, record: Record) -> None:
        if self.look is not None and len(self._done.doubts) < MOST_FAULTS:
            # A source that comes with the file is no fault of the record.
            self._done.doubts += [(read.row, one) for one in self.look(record) if one.severity == "doubt"]

    def _same(self, what: What, record: Record) -> bool:
        try:
            return self._catalog.record(KIND_OF[what], id_of(record)) == record
        except UnknownName:
            return False

    def _check_names(self, reading: Reading, read: RowRead, record: Record, owners: dict[str, str]) -> None:
        own, titles = id_of(record), reading.header.by_path
        for folded, name in names_of(record).items():
            is_id = folded == fold(own)
            column = titles.get(("id",)) if is_id else titles.get(("name",))
            owner = owners.get(folded)
            before = self._taken.setdefault((reading.what, folded), (own, read.row))
            if before[1] != read.row:
                what = f"{quoted(name)} is in row {before[1]} already"
                mend = "keep one of the two rows" if before[0] == own else "choose another name"
            elif owner is not None and owner != own:
                what = f"the name {quoted(name)} belongs to {owner}"
                mend = f"choose another, or write {owner} under ID to change that one"
            else:
                continue
            read.faults.append(CellFault(read.row, column or titles.get(("name",), "Name"), what, mend))
            return


def rejected(reading: Reading, read: RowRead) -> Sequence[Cell]:
    """A row that is left out as it stood, with what is wrong with it below `REASON`."""
    reasons = [f"{fault.column}: {fault.what}; {fault.mend}".removeprefix(": ") for fault in read.faults]
    if not reasons:
        reasons = [f"waits for row {read.waits_for}, of the same well"]
    # The reason stands below its header, before what stands below none.
    headed = len(reading.titles)
    cells = [*read.cells, *[None] * max(0, headed - len(read.cells))]
    return [*cells[:headed], " | ".join(reasons), *(cell for cell in cells[headed:] if str(cell or "").strip())]


def write_list(
    catalog: Catalog,
    file: str | Path,
    *,
    what: What | None = None,
    region: str | None = None,
    units: Units = "metric",
) -> dict[What, int]:
    """Write the catalog to a CSV or XLSX file; says how many records of what.

    what: None: all, on a sheet each, of XLSX; of CSV what the name of the file says ("wells.csv"), else products.
    region: only the products on the list of a region. units: "us" writes densities in lb/gal.
    Raises: InputError: it cannot be written.

    >>> import tempfile
    >>> from pourcheck import Catalog
    >>> with tempfile.TemporaryDirectory() as folder, Catalog.open("sqlite://") as catalog:
    ...     write_list(catalog, Path(folder) / "wells.csv")
    {'wells': 3}
    """
    path = Path(file)
    files.check_suffix(path)
    if what is None and path.suffix.lower() != files.XLSX:
        what = next((one for one in WHATS if path.stem.lower().startswith(one.rstrip("s"))), "products")
    with catalog.snapshot():
        records: dict[What, list[Any]] = {
            one: catalog.records(KIND_OF[one]) for one in ((what,) if what is not None else WHATS)
        }
        if region is not None:
            listed = {one.product for one in cast(list[Listing], catalog.records("listing")) if one.region == region}
            if "products" in records:
                records["products"] = [one for one in records["products"] if one.id in listed]
            if "lists" in records:
                records["lists"] = [one for one in records["lists"] if one.region == region]
        files.write(path, [table_of(one, found, units) for one, found in records.items()])
    return {one: len(found) for one, found in records.items()}


def write_template(file: str | Path, *, what: What | None = None, units: Units = "metric") -> None:
    """Write a file with the headers of a list, and below each an example and what belongs there, as remarks.

    what: as in `write_list`. Raises: InputError: it cannot be written.
    """
    path = Path(file)
    files.check_suffix(path)
    if what is None and path.suffix.lower() != files.XLSX:
        what = next((one for one in WHATS if path.stem.lower().startswith(one.rstrip("s"))), "products")
    tables = []
    for one in (what,) if what is not None else WHATS:
        columns = [column for column in COLUMNS[one](units) if column.shown]
        example: list[Cell] = [column.example for column in columns]
        told: list[Cell] = [column.help for column in columns]
        example[0], told[0] = f"# example: {example[0]}", f"# {told[0]}"
        tables.append(files.Table(one.capitalize(), [column.header for column in columns], [told, example]))
    files.write(path, tables)
