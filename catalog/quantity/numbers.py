"""Numbers as people write them, and ranges of them."""

from __future__ import annotations

import re
from collections.abc import Callable
from decimal import Decimal
from typing import TYPE_CHECKING

from ..errors import InputError
from ..text import quoted

if TYPE_CHECKING:
    pass


_NUMBER = re.compile(
    r"\s*(?P<sign>[-+]?)(?:(?P<whole>\d+)\s+)?(?:(?P<top>\d+)\s*/\s*(?P<bottom>\d+)"
    r"|(?P<plain>(?:[1-9]\d{0,2}(?:,\d{3})+|\d+)(?:\.\d*)?(?:[eE][-+]?\d+)?|\.\d+))(?P<unit>.*)",
    re.DOTALL,
)


#: Finest part that a scale or cup is read in: 1/16, 1/32.
_FINEST_PART = 32


#: Longer than this is no quantity.
_LONGEST = 60


#: One sign for a fraction, as phones and labels write it.
_SIGNS = {"¼": "1/4", "½": "1/2", "¾": "3/4", "⅓": "1/3", "⅔": "2/3", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8"}
_SMALL_FRACTION = re.compile("[" + "".join(_SIGNS) + "]")


def _written_out(match: re.Match[str]) -> str:
    return f" {_SIGNS[match[0]]} "


def split_number(text: str, where: str = "", mend: str = 'write for example "2 lb"') -> tuple[float, str]:
    """Number and unit text of a quantity; reads 1/2, "1 1/2" and 1,000.

    Raises: InputError: no number, or a comma that may be a decimal point.
    """
    match = _NUMBER.fullmatch(_SMALL_FRACTION.sub(_written_out, text)) if len(text) <= _LONGEST else None
    if not match:
        raise InputError(f"{quoted(text)} is not a quantity", where=where, mend=mend)
    unit = match["unit"].strip()
    if unit.startswith((",", ".")):
        raise InputError(
            f"{quoted(text)} has a comma that may be a decimal point", where=where, mend="write 1.5 or 1500"
        )
    if match["top"]:
        if int(match["bottom"]) == 0:
            raise InputError(f"{quoted(text)} divides by zero", where=where, mend=mend)
        if int(match["bottom"]) > _FINEST_PART:
            raise InputError(
                f"{quoted(text)} is no fraction of a measure", where=where, mend="write a range with a dash or to"
            )
        value = int(match["whole"] or 0) + int(match["top"]) / int(match["bottom"])
    elif match["whole"]:
        raise InputError(f"{quoted(text)} holds two numbers", where=where, mend=mend)
    else:
        value = float(match["plain"].replace(",", ""))
    if value == float("inf"):
        raise InputError(f"{quoted(text)} is too large", where=where, mend="write a real amount")
    return (-value if match["sign"] == "-" else value), unit


#: "80 to 120 mg/L", "80-120 mg/L", "80..120 mg/L"; "95 +/- 5 mg/L"; "<0.05 mg/L".
_PLAIN = r"-?\d+(?:,\d{3})*(?:\.\d+)?(?:[eE][-+]?\d+)?|\.\d+"


_SPAN = re.compile(
    rf"\s*({_PLAIN})(?![eE][-+]?\d)(?P<first>[^\d<>±+]*?(?:CaCO3|HCO3)?)\s*(?:to|\.\.+|-|–|—)\s*({_PLAIN})(?![\d/])(?P<unit>.*)",
    re.DOTALL,
)


_WITHIN = re.compile(
    rf"\s*({_PLAIN})(?P<first>[^±]*?)\s*(?:\+/-|\+-|±)\s*({_PLAIN})\s*(?P<share>%)?(?P<unit>[^%]*)", re.DOTALL
)


_LESS = re.compile(
    rf"\s*(?:nd\b|not detected)?\s*\(?\s*(?:<|≤|<=|less than|below|under)\s*({_PLAIN})([^)]*)\)?", re.I | re.DOTALL
)


_MORE = re.compile(r"\s*(?:>|≥|>=|more than|above|over)\s*[\d.]", re.IGNORECASE)


_NOT_FOUND = {"nd", "n.d.", "n/d", "not detected", "bdl", "trace", "none detected"}


def span(text: str, where: str = "") -> tuple[str, str]:
    """Lowest and highest of a quantity that may be written as a range, each as a quantity of its own; the same text
    twice for a plain quantity.

    Reads "80 to 120 mg/L", "95 +/- 5 mg/L", "95 mg/L +/- 5 %", "<0.05 mg/L".
    Raises: InputError: no limit on one side, two units, or the range runs backwards.

    >>> span("80 to 120 mg/L")
    ('80 mg/L', '120 mg/L')
    """
    if len(text) > _LONGEST:
        return text, text
    if text.strip().lower() in _NOT_FOUND:
        raise InputError(
            f"{quoted(text)} has no number",
            where=where,
            mend='write "<" and the reporting limit of the lab, "<0.05 mg/L"',
        )
    if _MORE.match(text):
        raise InputError(
            f"{quoted(text)} has no upper end", where=where, mend="write a range, up to the most that it can be"
        )
    if match := _LESS.fullmatch(text):
        return f"0{_spaced(match[2])}", f"{match[1]}{_spaced(match[2])}"
    if match := _WITHIN.fullmatch(text):
        middle, off = (float(match[i].replace(",", "")) for i in (1, 3))
        first, unit = match["first"].strip(), match["unit"].strip()
        if match["share"]:
            off *= middle / 100.0
        if first and unit and not first.startswith(unit):
            raise InputError(f"{quoted(text)} has two units", where=where, mend="write it with one")
        if off > middle:
            raise InputError(
                f"{quoted(text)} goes below zero", where=where, mend='write a range, such as "0 to 5 mg/L"'
            )
        unit = first or unit
        return f"{middle - off:.12g}{_spaced(unit)}", f"{middle + off:.12g}{_spaced(unit)}"
    if match := _SPAN.fullmatch(text):
        low, high, unit = match[1], match[3], match["unit"].strip()
        first = match["first"].strip()
        if first not in {"", unit} and unit:
            raise InputError(f"{quoted(text)} has two units", where=where, mend="write both ends in one")
        unit = unit or first
        if float(low.replace(",", "")) > float(high.replace(",", "")):
            mend = f'write "{high} to {low}{_spaced(unit)}"'
            raise InputError(f"{quoted(text)} runs backwards", where=where, mend=mend)
        return f"{low}{_spaced(unit)}", f"{high}{_spaced(unit)}"
    return text, text


def _spaced(unit: str) -> str:
    return f" {unit.strip()}" if unit.strip() else ""


def read_span(text: str, read: Callable[[str, str], float], where: str = "") -> tuple[float, float]:
    """Lowest and highest of a quantity, each read by `read`; the same twice for a plain one.

    Raises: InputError: it cannot be read; quotes the text as it was written.
    """
    found = []
    for end in span(text, where):
        try:
            found.append(read(end, where))
        except InputError as error:
            raise InputError(
                error.what.replace(quoted(end), quoted(text)), where=error.where, mend=error.mend
            ) from None
    return found[0], found[1]


def in_figures(number: float) -> str:
    """A number in three figures, and never with an exponent.

    >>> in_figures(0.352), in_figures(1234.5), in_figures(0.00012)
    ('0.352', '1230', '0.00012')
    """
    return f"{Decimal(f'{number:.3g}'):f}"
