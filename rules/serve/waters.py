"""The waters of a state-wide run: water tests from a file, a row for each."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, cast

from ...catalog import InputError, Well
from ...catalog.exchange import files
from ...catalog.exchange.cells import Cell
from ...catalog.exchange.lists import REASON, rejected
from ...catalog.exchange.records import Known, Reading
from ...catalog.exchange.rows import CellFault
from . import columnar

#: Of a test, what says nothing about the water.
_BESIDE = {"id", "name", "invented", "notes", "source"}


@dataclass(frozen=True, slots=True)
class Water:
    """A water as the job has it. items: as they stand in a pour."""

    id: str
    name: str
    items: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class WatersRead:
    """What a file holds. faults: what is wrong with the rows that are left out; titles, rejected:
    those rows, with a column for the reason."""

    waters: list[Water]
    faults: list[CellFault]
    titles: Sequence[str]
    rejected: list[Sequence[Cell]]


def read_waters(path: Path, until: date | None = None, *, skip_bad: bool = False) -> WatersRead:
    """The waters of a file, each by the newest test of its well, until a day where one is given.

    skip_bad: rows with faults are left out, and with them the other rows of the same well.
    Raises: InputError: what is wrong with the file, or with its first row that cannot be read, and how many more; also
    with skip_bad, where no water is left.
    """
    found: list[Water] = []
    faults: list[CellFault] = []
    left_out: list[tuple[int, Sequence[Cell]]] = []
    with _sheet(path) as sheet:
        try:
            reading = Reading(sheet, Known())
        except InputError as error:
            raise error.at(str(path)) from None
        if reading.what != "wells":
            mend = "head its columns as in: pourcheck catalog template wells.csv"
            raise InputError(f"holds {reading.what} and no wells", where=str(path), mend=mend)
        _refuse(path, reading.faults)
        for row in reading.rows:
            if row.record is not None:
                well = cast(Well, row.record)
                try:
                    test = well.test_of(until or date.max)
                except InputError as error:
                    day = reading.header.by_path.get(("tested_on",), "Tested on")
                    row.faults.append(CellFault(row.row, day, error.what, error.mend))
                    for other in row.others:
                        other.waits_for = row.row
                else:
                    items = test.model_dump(mode="json", exclude_none=True, exclude=_BESIDE)
                    found.append(Water(well.id, well.name, items))
            if row.faults or row.waits_for:
                faults += row.faults
                left_out.append((row.row, rejected(reading, row)))
    # Rows of a well come together, and those without one first.
    faults.sort(key=lambda fault: fault.row)
    left_out.sort(key=lambda row: row[0])
    if not skip_bad or not found:
        _refuse(path, faults)
    if not found:
        raise InputError("holds no water", where=str(path), mend="write a row for each test")
    return WatersRead(found, faults, [*reading.titles, REASON], [cells for _, cells in left_out])


def _refuse(path: Path, faults: Sequence[CellFault]) -> None:
    """Raises: InputError: the first fault, and how many more there are."""
    if faults:
        first = faults[0]
        place = f"{path}, row {first.row}" + (f", {first.column}" if first.column else "")
        more = f" (and {len(faults) - 1} more faults)" if len(faults) > 1 else ""
        raise InputError(f"{first.what}{more}", where=place, mend=first.mend)


@contextmanager
def _sheet(path: Path) -> Iterator[files.Sheet]:
    if path.suffix.lower() == ".parquet":
        rows = columnar.rows_of(path)
        yield files.Sheet(path.name, ((number, _cells(row)) for number, row in enumerate(rows, start=1)))
        return
    with files.opened(path) as sheets:
        named = [sheet for sheet in sheets if sheet.name.lower() == "wells"]
        yield (named or sheets)[0]


def _cells(row: Sequence[Any]) -> list[Cell]:
    """Values of a Parquet file as a spreadsheet has them."""
    made: list[Cell] = []
    for value in row:
        if isinstance(value, bool):
            made.append("yes" if value else "no")
        elif value is None or isinstance(value, str | date | float):
            made.append(value)
        elif isinstance(value, int):
            made.append(float(value))
        else:
            made.append(str(value))
    return made
