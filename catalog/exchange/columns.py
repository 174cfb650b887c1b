"""The columns of a spreadsheet: their headers in the words of the trade, and where in a record each one stands."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date
from functools import cache, partial
from typing import Any

from ..errors import InputError, Unreadable
from ..nutrients import NUTRIENTS
from ..product import NUMBERS, parse_grade
from ..quantity.concentration import READINGS
from ..quantity.table import QUANTITIES
from ..quantity.units import convert, density_kg_per_l
from ..text import quoted
from ..water.analysis import CONCENTRATION_ITEMS, OTHER_ITEMS
from . import cells
from .cells import Cell

Path = tuple[str, ...]
#: A cell and whether the file writes decimal commas, to a value of the document; raises Unreadable.
Read = Callable[[Cell, bool], Any]
Write = Callable[[Any], Cell]


@dataclass(frozen=True)
class Column:
    """A column. header: as it is written, with its unit; path: where in a record's document it stands; help, example:
    for the template; names: other headers that mean it, folded and without unit; shown: whether it is written."""

    header: str
    path: Path
    read: Read
    write: Write
    help: str = ""
    example: str = ""
    names: tuple[str, ...] = ()
    shown: bool = True
    #: Of another unit in the header, how its cells are read; None: the unit is not read at all.
    in_unit: Callable[[str], Read | None] | None = field(default=None, compare=False)


def _text(cell: Cell, comma: bool) -> str:
    del comma
    return cells.text_of(cell)


def _word(cell: Cell, comma: bool) -> str:
    del comma
    return cells.text_of(cell).lower()


def _entries(cell: Cell, comma: bool) -> list[str]:
    del comma
    return cells.read_list(cell)


def _words(cell: Cell, comma: bool) -> list[str]:
    return [entry.lower() for entry in _entries(cell, comma)]


def _yes(cell: Cell, comma: bool) -> bool:
    del comma
    return cells.read_yes(cell)


def _yes_text(value: bool) -> str:
    return "yes" if value else "no"


def _day(cell: Cell, comma: bool) -> str:
    del comma
    return cells.read_day(cell)


def _number(cell: Cell, comma: bool) -> float:
    return cells.read_number(cell, comma=comma)


def _percent(cell: Cell, comma: bool) -> float:
    number = cells.read_number(cell, comma=comma, unit="%")
    if not 0.0 <= number <= 100.0:
        raise Unreadable(f"{cells.number_text(number)} is not within 0 to 100 percent", "check the number")
    return number


def _percent_unit(unit: str) -> Read | None:
    return _percent if unit.lower() in {"", "%", "percent"} else None


def _grade(cell: Cell, comma: bool) -> str:
    del comma
    if isinstance(cell, date):
        raise Unreadable(
            f"is the day {cells.day_text(cell)}: the spreadsheet program took a grade for a date",
            "format the column as text and write the grade again",
        )
    text = cells.text_of(cell)
    try:
        if text:
            parse_grade(text)
    except ValueError as error:
        what, _, mend = str(error).partition("; ")
        if re.fullmatch(r"\d+[/-][A-Za-z]{3}([/-]\d+)?|[A-Za-z]{3}-\d+|\d+/\d+/\d+", text):
            mend = "format the column as text and write the grade again, for example 10-0-10"
        raise Unreadable(what, mend or "write for example 10-0-10") from None
    return text


@cache
def _kg_per_l(unit: str) -> float | None:
    try:
        return convert(f"1 {unit}", "kilogram / liter", "", "")
    except InputError:
        return None


def _density(unit: str, cell: Cell, comma: bool) -> float:
    text = cells.text_of(cell)
    try:
        number = cells.read_number(cell, comma=comma)
    except Unreadable:
        try:  # a cell may say its own unit
            return _rounded(density_kg_per_l(cells.points(text, comma=comma)))
        except InputError as error:
            raise Unreadable(error.what, error.mend) from None
    if not unit:
        raise Unreadable(f"{text} has no unit", 'name it in the header: "Density (lb/gal)" or "Density (kg/L)"')
    return number if unit == "kg/l" else _rounded(number * (_kg_per_l(unit) or 1.0))


def _rounded(number: float) -> float:
    """Without what converting units adds in the last places, so that it is written back as it was."""
    return float(f"{number:.9g}")


def _density_unit(unit: str) -> Read | None:
    unit = unit.lower()
    return partial(_density, unit) if unit in {"", "kg/l"} or _kg_per_l(unit) else None


def _celsius(unit: str, cell: Cell, comma: bool) -> float:
    number = cells.read_number(cell, comma=comma)
    return _rounded((number - 32.0) / 1.8) if unit == "degf" else number


def _celsius_unit(unit: str) -> Read | None:
    plain = unit.lower().replace("°", "deg").replace(" ", "")
    plain = {"c": "degc", "f": "degf"}.get(plain, plain)
    return partial(_celsius, plain) if plain in {"degc", "degf"} else None


def _shortest(read: Callable[[float], float], number: float, guess: float) -> Cell:
    """The shortest number in another unit that reads back as this one."""
    for places in range(3, 17):
        shown = float(f"{guess:.{places}g}")
        if read(shown) == number:
            return shown
    return guess


#: The guarantees, as columns are headed.
SHORT = {
    "n": "N",
    "n_nitrate": "Nitrate N",
    "n_ammonium": "Ammoniacal N",
    "n_urea": "Urea N",
    "p2o5": "P2O5",
    "k2o": "K2O",
}
_BOUNDS = ("cl", "na")


def short_label(nutrient: str) -> str:
    """A nutrient as a column is headed: "Nitrate N", "K2O", "Fe"."""
    return SHORT.get(nutrient, nutrient.capitalize())


def _nutrient_names(nutrient: str) -> tuple[str, ...]:
    entry = NUTRIENTS[nutrient]
    # One letter says neither element nor oxide, and neither do these words.
    unsure = {"p", "k", "phosphorus", "potassium", "phosphate"} if nutrient in {"p2o5", "k2o"} else set()
    label = re.sub(r"\s*\(.*\)", "", entry.label.lower())
    return tuple(sorted({label, nutrient, *entry.words} - unsure))


def _guarantees(group: str, behind: str, shown: Callable[[str], bool]) -> list[Column]:
    return [
        Column(
            f"{short_label(key)}{behind} (%)", (group, key, "value"), _percent, _same,
            f"{'at most' if behind else 'guaranteed'}, percent by mass", "",
            tuple(f"{name}{behind}" for name in _nutrient_names(key)), shown(key), _percent_unit,
        )
        for key in NUTRIENTS
    ]  # fmt: skip


def _same(value: Any) -> Cell:
    return value  # type: ignore[no-any-return]


_NUMBER_HEADERS = {
    "solution_ph": "Solution pH",
    "heat_of_solution": "Heat of solution (kJ/mol)",
    "salt_index": "Salt index",
    "insolubles": "Insolubles (%)",
    "salt_out_temperature": "Salt-out temperature (degC)",
}
assert _NUMBER_HEADERS.keys() == NUMBERS.keys()

#: What a flat row has no column for, as JSON: a field's path to its value.
FURTHER = "Further fields (JSON)"
#: Where a row's numbers are from, unless its further fields say otherwise.
SOURCE = "Source"


@cache
def product_columns(units: str = "metric") -> tuple[Column, ...]:
    """Columns of products, in the order in which they are written. units: "us" writes densities in lb/gal."""
    us = units == "us"
    density = Column(
        f"Density ({'lb/gal' if us else 'kg/L'})", ("density", "kg_per_l"),
        partial(_density, "lb/gal" if us else "kg/l"),
        (lambda v: _shortest(lambda shown: _density("lb/gal", shown, False), v, v / (_kg_per_l("lb/gal") or 1.0)))
        if us else _same,
        "of a liquid; the unit stands in the header: lb/gal or kg/L", "10.1" if us else "1.21",
        ("density", "weight"), True, _density_unit,
    )  # fmt: skip
    density_at = Column(
        f"Density at (deg{'F' if us else 'C'})", ("density", "temperature_c"),
        partial(_celsius, "degf" if us else "degc"),
        (lambda v: _shortest(lambda shown: _celsius("degf", shown, False), v, v * 1.8 + 32.0)) if us else _same,
        "temperature at which the density was stated", "68" if us else "20", ("density at",), True, _celsius_unit,
    )  # fmt: skip
    return (
        Column("ID", ("id",), _text, _same, "small letters, digits, hyphens; made from the name where empty",
               "example-feed-9-0-12", ("id", "product id")),
        Column("Name", ("name",), _text, _same, "as on the bag or jug", "Example Feed 9-0-12",
               ("name", "product", "product name")),
        Column("Kind", ("kind",), _word, _same, "product, or material (a chemical of known formula)", "product",
               ("kind", "type")),
        Column("Form", ("form",), _word, _same, "dry or liquid", "liquid", ("form",)),
        Column("Grade", ("grade",), _grade, _same, "N-P2O5-K2O", "9-0-12",
               ("grade", "analysis", "n-p-k", "npk", "n-p2o5-k2o")),
        *_guarantees("guaranteed", "", lambda _: True),
        *_guarantees("at_most", " at most", lambda key: key in _BOUNDS),
        Column("Derived from", ("derived_from",), _entries, cells.list_text,
               "sources named on the label, parted by semicolons", "urea; potassium nitrate",
               ("derived from", "sources of nutrients")),
        Column("Chelating agent", ("chelating_agent",), lambda c, _: _agent(c), _same, "EDTA, DTPA, EDDHA or none", "",
               ("chelating agent", "chelate")),
        density,
        density_at,
        *(Column(header, ("numbers", key, "value"), _percent if NUMBERS[key] == "percent" else _number, _same,
                 {"solution_ph": "of the product, or of its solution"}.get(key, ""), "",
                 (re.sub(r"\s*\(.*\)", "", header.lower()),)) for key, header in _NUMBER_HEADERS.items()),
        Column("Dissolves", ("dissolving",), _word, _same,
               "complete, leaves-residue, insoluble, slow-release, suspension or organic", "complete",
               ("dissolves", "dissolving")),
        Column("Hazards", ("hazards",), _words, cells.list_text,
               "acid; alkali; oxidizer; hypochlorite; ammonia-gas; sulfite-gas", "", ("hazards", "hazard")),
        Column("Also called", ("aliases",), _entries, cells.list_text, "other names, parted by semicolons", "",
               ("also called", "aliases", "alias", "other names")),
        Column("Invented", ("invented",), _yes, _yes_text, "yes for a made-up product", "yes", ("invented",)),
        Column("Notes", ("notes",), _text, _same, "", "", ("notes", "note", "remarks")),
        Column(SOURCE, ("source",), _text, _same, "where the numbers of the row were read",
               "label read 2026-05-02", ("source",)),
    )  # fmt: skip


def _agent(cell: Cell) -> str:
    word = cells.text_of(cell)
    return "none" if word.lower() == "none" else word.upper()


#: A cell of a water test that leaves its unit to the header: a number, or a range of numbers.
_BARE = re.compile(r"(?:[<≤]\s*)?[\d.,]+(?:[eE][-+]?\d+)?(?:\s*(?:to|\.\.+|-|–|—|\+/-|±)\s*[\d.,]+)?")
_BARE_NUMBER = re.compile(r"\d+(?:\.\d+)?")


def _quantity(unit: str, cell: Cell, comma: bool) -> str:
    text = cells.text_of(cell)
    with suppress(Unreadable):  # 1,200 mg/L is twelve hundred wherever a quantity is read
        text = cells.points(text, comma=comma)
    return f"{text} {unit}" if unit and _BARE.fullmatch(text) else text


def _quantity_text(unit: str, value: Any) -> Cell:
    """A quantity without its unit where the header says it, else as it was stated."""
    if isinstance(value, int | float):
        return float(value)
    number, _, own = str(value).partition(" ")
    if own == unit and _BARE_NUMBER.fullmatch(number) and cells.number_text(float(number)) == number:
        return float(number)
    return str(value)


def _quantity_unit(unit: str) -> Read | None:
    return partial(_quantity, unit)


def _ph(cell: Cell, comma: bool) -> float | str:
    text = cells.points(cells.text_of(cell), comma=comma)
    return float(text) if _BARE_NUMBER.fullmatch(text) else text


_OTHER_UNITS = {
    "temperature": "degC",
    "suspended_solids": "mg/L",
    "dissolved_solids": "mg/L",
    "ec": "mS/cm",
    "bacteria": "per mL",
}
_OTHER_HEADERS = {"ec": "EC"}
_ITEM_NAMES = {
    "ec": ("ec", "conductivity", "electrical conductivity", "specific conductance"),
    "dissolved_solids": ("dissolved solids", "tds", "total dissolved solids"),
    "hardness": ("hardness", "total hardness"),
    "alkalinity": ("alkalinity", "total alkalinity"),
    "temperature": ("temperature", "water temperature"),
}


#: Items of which labs print the element or the ion; the header says which.
_WITH_BASIS = ("sulfate", "ammonium", "nitrate", "phosphate", "silica", "sulfide")


def _item(item: str) -> Column:
    unit = _OTHER_UNITS.get(item) or QUANTITIES[item].unit
    if item in _WITH_BASIS:
        unit = f"{unit} {READINGS[item].default}"
    spoken = item.replace("_", " ")
    return Column(
        f"{_OTHER_HEADERS.get(item, spoken.capitalize())} ({unit})", (item,), partial(_quantity, unit),
        partial(_quantity_text, unit), "a number or a range such as 80 to 120; a cell may say another unit",
        {"calcium": "95", "magnesium": "22", "alkalinity": "210"}.get(item, ""),
        _ITEM_NAMES.get(item, (spoken,)), True, _quantity_unit,
    )  # fmt: skip


@cache
def well_columns(units: str = "metric") -> tuple[Column, ...]:
    """Columns of water tests, a test a row. units: water is tested in mg/L everywhere; nothing differs."""
    del units
    return (
        Column("Well ID", ("id",), _text, _same, "small letters, digits, hyphens; made from the name where empty",
               "example-well", ("well id", "id")),
        Column("Well", ("name",), _text, _same, "its name; a well has as many rows as it has tests", "Example Well",
               ("well", "name", "well name")),
        Column("Tested on", ("tested_on",), _day, _same, "day of the sample", "2026-03-31",
               ("tested on", "date", "sampled on", "sample date")),
        Column("pH", ("ph",), _ph, _same, "", "7.6", ("ph",)),
        *(_item(item) for item in (*CONCENTRATION_ITEMS, *OTHER_ITEMS)),
        Column("Softened", ("softened",), _yes, _yes_text, "yes behind a softener", "", ("softened",)),
        Column("Invented", ("invented",), _yes, _yes_text, "yes for a made-up well", "yes", ("invented",)),
        Column("Notes", ("notes",), _text, _same, "on this test", "", ("notes", "note", "remarks")),
        Column("About the well", ("well_notes",), _text, _same, "notes that hold for all of its tests", "",
               ("about the well",)),
        Column(SOURCE, ("source",), _text, _same, "lab or strip", "strip test", ("source", "lab")),
    )  # fmt: skip


@cache
def source_columns(units: str = "metric") -> tuple[Column, ...]:
    """Columns of the sources that numbers name."""
    del units
    return (
        Column(
            "Key",
            ("id",),
            _text,
            _same,
            "what other sheets write under Source",
            "example-label",
            ("key", "source", "id"),
        ),
        Column("Citation", ("citation",), _text, _same, "", "Label of Example Feed, read 2026-05-02", ("citation",)),
        Column("Seen", ("seen",), _word, _same, "yes, partly, no, computed, invented or label", "label", ("seen",)),
    )


@cache
def listing_columns(units: str = "metric") -> tuple[Column, ...]:
    """Columns of the list of a region."""
    del units
    return (
        Column("Region", ("region",), _text, _same, "its id", "aldervane", ("region",)),
        Column("Product ID", ("product",), _text, _same, "of the catalog", "urea", ("product id", "product")),
        Column("State", ("state",), _word, _same, "draft, reviewed, needs-relabel or retired", "draft", ("state",)),
        Column("Reviewed by", ("reviewed_by",), _text, _same, "", "", ("reviewed by",)),
        Column("Local name", ("local_name",), _text, _same, "what it is called there", "", ("local name",)),
        Column("Sold here", ("sold_here",), _yes, _yes_text, "yes or no", "yes", ("sold here",)),
        Column("Price", ("price",), _text, _same, "of a bag or jug", "24.50 / 50 lb", ("price", "cost")),
        Column("Note", ("note",), _text, _same, "", "", ("note", "notes")),
    )


_HEADER = re.compile(r"(?P<name>.*?)\s*[(\[](?P<unit>[^()\[\]]*)[)\]]\s*", re.DOTALL)
#: A unit without brackets around it.
_BARE_UNIT = re.compile(
    r"(?P<name>.+?)(?:\s*,\s*|\s+|(?=%))(?P<unit>%|percent|lb/gal|kg/L|g/mL|mg/L|ppm|deg[CF])", re.I
)


def _split_header(header: str) -> tuple[str, str]:
    """Name and unit of a header, the name folded.

    >>> _split_header("Density (lb/gal)"), _split_header("Soluble Potash (K2O) %"), _split_header("Iron (Fe)")
    (('density', 'lb/gal'), ('k2o', '%'), ('iron', ''))
    """
    text, unit = header.strip(), ""
    if bare := _BARE_UNIT.fullmatch(text):
        text, unit = bare["name"], bare["unit"]
    for _ in range(2):
        match = _HEADER.fullmatch(text)
        if match is None:
            break
        symbol = match["unit"].strip().lower()
        if symbol in _UNSURE_WITHOUT:
            text = symbol  # which oxide it is stands in the brackets
        elif symbol in NUTRIENTS and symbol not in {"p", "k"}:
            text = match["name"]
        elif unit:
            break
        else:
            text, unit = match["name"], match["unit"]
    return " ".join(text.replace("_", " ").lower().split()), " ".join(unit.split())


#: Oxides of which the element is written by the same words.
_UNSURE_WITHOUT = ("p2o5", "k2o")


def reading_of(header: str, columns: tuple[Column, ...]) -> tuple[Column, Read]:
    """The column that a header of a file means, and how its cells are read. Raises: Unreadable."""
    name, unit = _split_header(header)
    for column in columns:
        if name not in column.names and name != _split_header(column.header)[0]:
            continue
        if column.in_unit is None:
            own = _split_header(column.header)[1]
            if unit and unit.lower() not in {own.lower(), own.lower().replace("degc", "°c")}:
                raise Unreadable(f"{quoted(header)} is in a unit that is not read here", f"write {column.header}")
            return column, column.read
        if (read := column.in_unit(unit)) is not None:
            return column, read
        raise Unreadable(f"{quoted(header)} is in a unit that is not read here", f"write {column.header}")
    letter = {"p": "P2O5 (%)", "phosphorus": "P2O5 (%)", "phosphate": "P2O5 (%)"}
    letter |= {"k": "K2O (%)", "potassium": "K2O (%)"}
    if name in letter:
        raise Unreadable(
            f"{quoted(header)} does not say whether it is the element or the oxide",
            f"head it {letter[name]}, with the numbers on that basis",
        )
    near = _nearest(name, columns)
    raise Unreadable(
        f"{quoted(header)} is no column that is known here",
        (f'rename it, perhaps "{near}", or ' if near else "") + "put # in front of it to leave it out",
    )


def _nearest(name: str, columns: tuple[Column, ...]) -> str:
    import difflib

    named: Mapping[str, str] = {one: column.header for column in columns for one in column.names}
    found = difflib.get_close_matches(name, named, n=1)
    return named[found[0]] if found else ""
