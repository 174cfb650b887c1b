"""What stands in one cell of a spreadsheet, read and written: text, numbers, days, lists."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date, datetime

from ..errors import Unreadable
from ..text import quoted

#: What a file gives for a cell: CSV only text; XLSX numbers and days too. None: an empty one.
Cell = str | float | date | None

#: Text that a spreadsheet program would run as a formula, perhaps behind blanks or an apostrophe.
_FORMULA = re.compile(r"[\s']*[=+\-@＝＋－＠]")
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")


def guarded(text: str) -> str:
    """Text as it is written into a cell: an apostrophe in front of what would run as a formula.

    >>> guarded("=1+1"), guarded("'-x"), guarded("-5"), guarded("urea")
    ("'=1+1", "''-x", '-5', 'urea')
    """
    return f"'{text}" if _FORMULA.match(text) and not _NUMBER.fullmatch(text) else text


def unguarded(text: str) -> str:
    """Text of a cell without that apostrophe.

    >>> unguarded("'=1+1"), unguarded("''-x"), unguarded("'t Veld")
    ('=1+1', "'-x", "'t Veld")
    """
    return text[1:] if text[:1] == "'" and _FORMULA.match(text[1:]) else text


def text_of(cell: Cell) -> str:
    """A cell as text: without blanks around it, line ends as one sign; "" for an empty one."""
    if cell is None:
        return ""
    if isinstance(cell, float):
        return number_text(cell)
    if isinstance(cell, date):
        return day_text(cell)
    cell = cell.strip()
    if "\r" in cell:
        cell = cell.replace("\r\n", "\n").replace("\r", "\n")
    return unguarded(cell).strip() if cell[:1] == "'" else cell


def number_text(number: float) -> str:
    """A number as it is written: all its places, and no ".0".

    >>> number_text(46.0), number_text(0.1), number_text(1e-07)
    ('46', '0.1', '1e-07')
    """
    return repr(float(number)).removesuffix(".0")


def day_text(day: date) -> str:
    """A day as 2026-03-04, a moment without its time."""
    return (day.date() if isinstance(day, datetime) else day).isoformat()


_COMMA_FRACTION = re.compile(r"(?<![\d.,])(\d+),(\d+)(?![\d.,])")
_POINTS_THEN_COMMA = re.compile(r"(?<![\d.,])(\d{1,3}(?:[.\s]\d{3})+),(\d+)(?![\d.,])")
_COMMAS_THEN_POINT = re.compile(r"(?<![\d.,])(\d{1,3}(?:,\d{3})+)(?=\.\d)")


def points(text: str, *, comma: bool) -> str:
    """Text with decimal points, whatever stood for them. comma: the file writes decimal commas (its cells are parted
    by semicolons); elsewhere a comma before three digits may be either and is refused.

    >>> points("15,5", comma=False), points("1.234,5 mg/L", comma=False), points("1,234", comma=True)
    ('15.5', '1234.5 mg/L', '1.234')

    Raises: Unreadable: it may be 1.234 or 1234.
    """
    if "," not in text:
        return text
    text = _POINTS_THEN_COMMA.sub(lambda m: re.sub(r"[.\s]", "", m[1]) + "." + m[2], text)
    text = _COMMAS_THEN_POINT.sub(lambda m: m[1].replace(",", ""), text)

    def point(match: re.Match[str]) -> str:
        if len(match[2]) == 3 and len(match[1]) <= 3 and match[1] != "0" and not comma:
            raise Unreadable(
                f"{quoted(text)} has a comma that may part thousands or decimals",
                f"write {match[1]}.{match[2]} or {match[1]}{match[2]}",
            )
        return f"{match[1]}.{match[2]}"

    return _COMMA_FRACTION.sub(point, text)


def read_number(cell: Cell, *, comma: bool, unit: str = "") -> float:
    """A cell that holds a number, perhaps with its unit behind it. Raises: Unreadable."""
    if isinstance(cell, float):
        return cell
    text = points(text_of(cell), comma=comma) if not isinstance(cell, date) else text_of(cell)
    if unit and text.endswith(unit):
        text = text[: -len(unit)].rstrip()
    if not _NUMBER.fullmatch(text):
        if isinstance(cell, date):
            raise Unreadable(f"is the day {text}", "format the cell as a number")
        raise Unreadable(f"{quoted(text)} is not a number", "write a plain number; the unit stands in the header")
    return float(text)


_MONTHS = {name: i for i, name in enumerate("jan feb mar apr may jun jul aug sep oct nov dec".split(), start=1)}  # noqa: SIM905
_PARTS = re.compile(r"(\d{1,2})([/.\-])(\d{1,2})\2(\d{4})")
_NAMED = re.compile(r"(?:(\d{1,2})[.\s-]+([a-z]{3})[a-z]*|([a-z]{3})[a-z]*\.?\s+(\d{1,2}))[,.\s-]+(\d{4})")


def read_day(cell: Cell) -> str:
    """A cell that holds a day, as 2026-03-04. Raises: Unreadable: none, or day and month may be exchanged.

    >>> read_day("2026-03-04"), read_day("25/04/2026"), read_day("4 Mar 2026"), read_day("4.3.2026")
    ('2026-03-04', '2026-04-25', '2026-03-04', '2026-03-04')
    """
    mend = "write it as 2026-03-31"
    if isinstance(cell, float):
        raise Unreadable(f"{number_text(cell)} is not a day", f"format the cell as a date, or {mend}")
    text = text_of(cell)
    low = text.lower()
    try:
        if match := _PARTS.fullmatch(low):
            first, second, year = int(match[1]), int(match[3]), int(match[4])
            # With points between them, the day is first wherever that is written.
            if match[2] != "." and first <= 12 and second <= 12 and first != second:
                either = f"{year:04}-{second:02}-{first:02} or {year:04}-{first:02}-{second:02}"
                raise Unreadable(f"{quoted(text)} may be two days", f"write {either}")
            day, month = (second, first) if second > 12 else (first, second)
            return date(year, month, day).isoformat()
        if (match := _NAMED.fullmatch(low)) and (name := match[2] or match[3]) in _MONTHS:
            return date(int(match[5]), _MONTHS[name], int(match[1] or match[4])).isoformat()
        return date.fromisoformat(text[:10] if text[10:19] == " 00:00:00" else text).isoformat()
    except ValueError as error:
        if isinstance(error, Unreadable):
            raise
        raise Unreadable(f"{quoted(text)} is not a day", mend) from None


_YES, _NO = {"yes", "y", "true", "x", "1"}, {"no", "n", "false", "0"}


def read_yes(cell: Cell) -> bool:
    """A cell that holds yes or no. Raises: Unreadable."""
    word = text_of(cell).lower()
    if word in _YES or word in _NO:
        return word in _YES
    raise Unreadable(f"{quoted(text_of(cell))} is neither yes nor no", "write yes or no")


_SPLIT = re.compile(r"((?:[^;\\]|\\.?)*)(?:;|$)", re.DOTALL)


def read_list(cell: Cell) -> list[str]:
    r"""Entries of a cell, parted by semicolons; "\;" is a semicolon within an entry.

    >>> read_list("urea; potassium nitrate"), read_list(r"one\; and the same")
    (['urea', 'potassium nitrate'], ['one; and the same'])
    """
    text = text_of(cell)
    if "\\" not in text:
        return [entry for part in text.split(";") if (entry := part.strip())]
    parts = [re.sub(r"\\(.)", r"\1", part.strip(), flags=re.DOTALL) for part in _SPLIT.findall(text)]
    return [part for part in parts if part]


def list_text(entries: Iterable[str]) -> str:
    """Entries as one cell; `read_list` reads them back."""
    return "; ".join(re.sub(r"([\\;])", r"\\\1", entry) for entry in entries)
