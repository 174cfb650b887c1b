"""Spreadsheet files: CSV in whatever encoding and with whatever separator, XLSX; rows of cells in and out."""

from __future__ import annotations

import codecs
import csv
import io
import os
import tempfile
import warnings
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from ..errors import InputError
from ..text import one_line
from .cells import Cell, guarded, number_text, text_of
from .rows import CellFault

if TYPE_CHECKING:
    from openpyxl.worksheet._read_only import ReadOnlyWorksheet

#: A sheet of more uncompressed bytes than this is not opened.
_LARGEST_XLSX = 2_000_000_000
#: Longest text that a cell of an XLSX file holds.
_LONGEST_CELL = 32_767
XLSX = ".xlsx"
TEXTS = (".csv", ".tsv", ".txt")


@dataclass
class Sheet:
    """A table of a file. rows: number of the row, as the spreadsheet program counts, with its cells; comma: decimal
    commas are usual in it; faults: what the file itself does not let be read, filled while the rows are."""

    name: str
    rows: Iterator[tuple[int, list[Cell]]]
    comma: bool = False
    faults: list[CellFault] = field(default_factory=list)


def check_suffix(path: Path) -> None:
    """Raises: InputError: neither CSV nor XLSX."""
    if path.suffix.lower() not in (*TEXTS, XLSX):
        raise InputError("is neither CSV nor XLSX", where=str(path), mend="save it as .csv or .xlsx")


@contextmanager
def opened(path: Path) -> Iterator[list[Sheet]]:
    """The tables of a file: one of CSV, all of XLSX.

    Raises: InputError: it cannot be opened, or is neither.
    """
    check_suffix(path)
    try:
        if path.suffix.lower() == XLSX:
            with _workbook(path) as sheets:
                yield sheets
        else:
            encoding = _encoding(path)
            with path.open(encoding=encoding, newline="") as file:
                yield [_csv_sheet(file, path)]
    except OSError as error:
        reason = error.strerror or "it is no file that can be read"
        raise InputError(f"cannot be read ({reason})", where=str(path), mend="check the file name") from None


#: How many bytes are looked at in one go.
_CHUNK = 1 << 20


def _encoding(path: Path) -> str:
    """UTF-8, UTF-16 by its mark or by its zero bytes, else Windows-1252."""
    with path.open("rb") as file:
        head = file.read(4096)
        if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
            return "utf-16"
        if head.startswith(codecs.BOM_UTF8):
            return "utf-8-sig"
        if head[1::2].count(0) > len(head) // 4:
            return "utf-16-le"
        if head[::2].count(0) > len(head) // 4:
            return "utf-16-be"
        decoder = codecs.getincrementaldecoder("utf-8")()
        file.seek(0)
        try:
            while chunk := file.read(_CHUNK):
                decoder.decode(chunk)
            decoder.decode(b"", final=True)
        except UnicodeDecodeError:
            return "cp1252"
        return "utf-8"


def _csv_sheet(file: IO[str], path: Path) -> Sheet:
    try:
        head = file.read(1 << 16)
        file.seek(0)
    except UnicodeDecodeError:
        raise _undecodable(path) from None
    lines = (line for line in io.StringIO(head) if line.strip())
    first = next(lines, "")
    skipped = 0
    if first.lower().startswith("sep=") and len(first.strip()) == 5:
        separator = first.strip()[4]
        skipped = 1
    else:
        unquoted = "".join(first.split('"')[::2])
        separator = max(",;\t", key=lambda sign: (unquoted.count(sign), sign == ","))
    sheet = Sheet(path.name, iter(()), separator == ";")
    sheet.rows = _csv_rows(file, separator, skipped, path, sheet.faults)
    return sheet


def _csv_rows(
    file: IO[str], separator: str, skipped: int, path: Path, faults: list[CellFault]
) -> Iterator[tuple[int, list[Cell]]]:
    reader = csv.reader(file, delimiter=separator, strict=True)
    number = 0
    try:
        for number, row in enumerate(reader, start=1):
            if number > skipped and any(row):
                yield number, row  # type: ignore[misc]  # a list of str is one of cells that nobody writes to
    except csv.Error as error:
        faults.append(
            CellFault(number + 1, "", f"cannot be read as CSV ({error})", "a quotation mark lacks its second")
        )
    except UnicodeDecodeError:
        raise _undecodable(path) from None


def _undecodable(path: Path) -> InputError:
    return InputError("is not text in UTF-8, UTF-16 or Windows-1252", where=str(path), mend="save it as CSV in UTF-8")


def _openpyxl() -> Any:
    try:
        import openpyxl
    except ImportError:
        raise InputError(
            "XLSX needs a library that is not installed", mend='pip install "pourcheck[xlsx]", or use a .csv file'
        ) from None
    return openpyxl


def _damaged(path: Path) -> InputError:
    return InputError("is not an XLSX file that can be read", where=str(path), mend="save it anew as .xlsx or .csv")


@contextmanager
def _workbook(path: Path) -> Iterator[list[Sheet]]:
    openpyxl = _openpyxl()
    with warnings.catch_warnings():
        # That it drops what it does not know of a file (rules for colors, lists to choose from) is no matter here.
        warnings.filterwarnings("ignore", module="openpyxl")
        with _opened_workbook(path, openpyxl) as sheets:
            yield sheets


@contextmanager
def _opened_workbook(path: Path, openpyxl: Any) -> Iterator[list[Sheet]]:
    from zipfile import ZipFile

    try:
        with ZipFile(path) as archive:
            unpacked = sum(part.file_size for part in archive.infolist())
        book = openpyxl.load_workbook(path, read_only=True) if unpacked <= _LARGEST_XLSX else None
    except OSError:
        raise
    except Exception:  # of a damaged file the library says anything
        raise _damaged(path) from None
    if book is None:
        raise InputError("unpacks to more than 2 GB", where=str(path), mend="save it as .csv")
    try:
        sheets = [Sheet(sheet.title, iter(())) for sheet in book.worksheets]
        if not sheets:
            raise _damaged(path)
        for sheet, table in zip(sheets, book.worksheets, strict=True):
            sheet.rows = _xlsx_rows(table, sheet.faults, path)
        yield sheets
    finally:
        book.close()


def _rows_of(table: ReadOnlyWorksheet, path: Path) -> Iterator[Sequence[Any]]:
    try:
        table.reset_dimensions()
        yield from table.rows
    except Exception:  # as above
        raise _damaged(path) from None


def _xlsx_rows(table: ReadOnlyWorksheet, faults: list[CellFault], path: Path) -> Iterator[tuple[int, list[Cell]]]:
    titles: list[str] | None = None
    for number, row in enumerate(_rows_of(table, path), start=1):
        cells: list[Cell] = []
        sound = True
        for i, one in enumerate(row):
            value = one.value
            if value is None or (isinstance(value, str) and one.data_type not in {"f", "e"}):
                cells.append(value)
            elif one.data_type in {"f", "e"}:
                what = "holds a formula" if one.data_type == "f" else f"holds the error {one_line(str(value))}"
                title = titles[i] if titles and i < len(titles) else ""
                faults.append(CellFault(number, title, what, "paste its value instead"))
                cells.append(None)
                sound = False
            else:
                try:
                    number_format = one.number_format
                except Exception:  # a style that the file does not hold
                    raise _damaged(path) from None
                cells.append(_xlsx_value(value, number_format))
        if any(cell is not None and cell != "" for cell in cells) or not sound:
            titles = titles if titles is not None else [text_of(cell) for cell in cells]
            yield number, cells


def _xlsx_value(value: Any, number_format: str) -> Cell:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        # What is shown as 15.5 % is stored as 0.155.
        return f"{number_text(float(f'{100.0 * value:.12g}'))} %" if "%" in number_format else float(value)
    if isinstance(value, date):
        return value
    return str(value)


Rows = Iterable[Sequence[Cell]]


@dataclass
class Table:
    """A table to be written: its name, titles and rows; texts: places of columns whose cells stay text whatever they
    look like."""

    name: str
    titles: Sequence[str]
    rows: Rows
    texts: frozenset[int] = frozenset()


def write(path: Path, tables: Sequence[Table]) -> None:
    """Write tables to a file: CSV takes one, in UTF-8 with its mark; XLSX as many sheets. All of it or nothing.

    Raises: InputError: it cannot be written, or text too long for a cell.
    """
    check_suffix(path)
    xlsx = path.suffix.lower() == XLSX
    with replaced(path) as beside:
        if xlsx:
            _write_xlsx(beside, tables)
        else:
            (table,) = tables
            separator = "\t" if path.suffix.lower() == ".tsv" else ","
            with beside.open("w", encoding="utf-8-sig", newline="") as file:
                write_csv(file, table, separator)


@contextmanager
def replaced(path: Path) -> Iterator[Path]:
    """A new file that takes the place of a path when all of it is written. Raises: InputError: it cannot be made."""
    beside: Path | None = None
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=path.suffix, dir=path.parent)
        os.close(handle)
        beside = Path(name)
        yield beside
        umask = os.umask(0)
        os.umask(umask)
        beside.chmod(path.stat().st_mode & 0o777 if path.exists() else 0o666 & ~umask)
        beside.replace(path)
    except OSError as error:
        raise InputError(
            f"cannot be written ({error.strerror})", where=str(path), mend="choose another place"
        ) from None
    finally:
        if beside is not None:
            with suppress(OSError):
                beside.unlink(missing_ok=True)


def write_csv(file: IO[str], table: Table, separator: str = ",") -> None:
    """Write a table as CSV to an open file."""
    writer = csv.writer(file, delimiter=separator, lineterminator="\r\n")
    writer.writerow([guarded(title) for title in table.titles])
    writer.writerows([_csv_text(cell) for cell in row] for row in table.rows)


def _csv_text(cell: Cell) -> str:
    return guarded(cell) if isinstance(cell, str) else text_of(cell)


def _write_xlsx(path: Path, tables: Sequence[Table]) -> None:
    _openpyxl()
    from openpyxl import Workbook
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    book = Workbook(write_only=True)
    bold = Font(bold=True)
    for table in tables:
        sheet = book.create_sheet(table.name)
        sheet.freeze_panes = "C2"
        heads = []
        for i, title in enumerate(table.titles):
            sheet.column_dimensions[get_column_letter(i + 1)].width = max(9, min(30, len(title) + 2))
            head = WriteOnlyCell(sheet, value=guarded(title))
            head.font = bold
            heads.append(head)
        sheet.append(heads)
        for row in table.rows:
            cells: list[Any] = []
            for i, value in enumerate(row):
                if isinstance(value, float) and float(f"{value:.15g}") != value:
                    value = number_text(value)  # an XLSX file keeps 15 places of a number, and all of a text
                if not isinstance(value, str):
                    cells.append(value)
                    continue
                if len(value) >= _LONGEST_CELL:
                    raise InputError(
                        f"a cell under {table.titles[i]} is longer than {_LONGEST_CELL} signs",
                        where=one_line(text_of(row[0])),
                        mend="write a .csv file instead",
                    )
                cell = WriteOnlyCell(sheet, value=guarded(value))
                cell.data_type = "s"
                if i in table.texts:
                    cell.number_format = "@"
                cells.append(cell)
            sheet.append(cells)
    book.save(path)


Progress = Callable[[int], None]
