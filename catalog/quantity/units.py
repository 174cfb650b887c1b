"""Quantities at the boundary: text with a unit in, named floats out.

Masses in kg, volumes in L, temperatures in degC, times in min, flows in L/min, concentrations in
mol/L (alkalinity in mol of charge per liter). `ppm` means mg/L. Nothing is guessed: a number
without a unit is refused, and so is a concentration whose basis changes the number.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Literal

from ..errors import InputError
from ..text import quoted
from .numbers import split_number

#: Liters of a US gallon (exact: 231 cubic inches).
L_PER_GAL = 3.785411784
#: Kilograms of a pound (exact).
KG_PER_LB = 0.45359237
#: Units that are read, by dimension: name in the registry -> spellings, in lower case and without dots.
#: A unit that is not here is refused: a "bag" or an "electron mass" is no amount of fertilizer.
_UNITS: dict[str, dict[str, str]] = {
    "mass": {
        "pound": "lb lbs pound pounds #",
        "ounce": "oz ozs ounce ounces oz_wt oz_weight oz_by_weight ounces_by_weight wt_oz",
        "gram": "g gram grams gm",
        "kilogram": "kg kgs kilo kilos kilogram kilograms",
        "milligram": "mg milligram milligrams",
        "short_ton": "ton tons short_ton short_tons",
        # No "t" or "T": in a kitchen a spoon.
        "metric_ton": "tonne tonnes metric_ton metric_tons",
        "microgram": "ug µg μg mcg microgram micrograms",
    },
    "volume": {
        "gallon": "gal gals gallon gallons us_gal us_gallon us_gallons",
        "imperial_gallon": "imp_gal imperial_gal imperial_gallon imperial_gallons",
        "quart": "qt qts quart quarts",
        "pint": "pt pts pint pints",
        "cup": "cup cups",
        "fluid_ounce": "fl_oz floz fluid_oz fluid_ounce fluid_ounces",
        "tablespoon": "tbsp tablespoon tablespoons",
        "teaspoon": "tsp teaspoon teaspoons",
        "liter": "l ltr liter liters litre litres",
        "deciliter": "dl deciliter decilitre",
        "centiliter": "cl centiliter centilitre",
        "milliliter": "ml milliliter milliliters millilitre millilitres cc",
        "meter ** 3": "m3 m^3 m**3 m³ cubic_meter cubic_meters cubic_metre cubic_metres",
        "foot ** 3": "ft3 ft^3 ft**3 ft³ cubic_foot cubic_feet",
    },
    "temperature": {
        "degF": "degf deg_f °f f fahrenheit degrees_f degrees_fahrenheit degree_fahrenheit",
        "degC": "degc deg_c °c c celsius degrees_c degrees_celsius degree_celsius",
        "kelvin": "k kelvin",
    },
    "time": {
        "second": "s sec secs second seconds",
        "minute": "min mins minute minutes",
        "hour": "h hr hrs hour hours",
        "day": "d day days",
    },
    "length": {
        "meter": "m meter meters metre metres",
        "centimeter": "cm centimeter centimeters centimetre centimetres",
        "millimeter": "mm millimeter millimeters millimetre millimetres",
        "kilometer": "km kilometer kilometers kilometre kilometres",
        "inch": "in inch inches",
        "foot": "ft foot feet",
        "yard": "yd yds yard yards",
    },
}


_SPELLING = {
    spelling.replace("_", " "): (dimension, name)
    for dimension, names in _UNITS.items()
    for name, spellings in names.items()
    for spelling in spellings.split()
}


#: Units that are quotients in one word.
_QUOTIENTS = {
    "gpm": "gal/min", "gph": "gal/hour", "lpm": "l/min", "lph": "l/hour", "ppm": "mg/l", "ppb": "ug/l",
}  # fmt: skip


def _unit(text: str) -> tuple[tuple[str, ...], str] | None:
    """Dimensions and registry expression of a unit text, such as (("mass", "volume"), "pound / gallon")."""
    plain = " ".join(text.lower().replace("fl. oz", "fl oz").replace("u.s.", "us").split())
    plain = plain.removesuffix(".") if plain not in {"."} else plain
    plain = _QUOTIENTS.get(plain, plain)
    parts = [part.strip() for part in re.split(r"/|\bper\b", plain)]
    found = [_SPELLING.get(part.replace("_", " ")) for part in parts]
    if not 1 <= len(parts) <= 2 or None in found:
        return None
    known = [pair for pair in found if pair is not None]
    return tuple(dimension for dimension, _ in known), " / ".join(name for _, name in known)


_US_UNITS = {
    *("pound", "ounce", "short_ton", "gallon", "imperial_gallon", "quart", "pint", "cup", "fluid_ounce", "tablespoon"),
    *("teaspoon", "foot ** 3", "degF", "inch", "foot", "yard"),
}


#: An ounce that does not say whether it is of weight or of volume.
_BARE_OUNCE = {"oz", "ozs", "ounce", "ounces"}


def either_ounce(unit: str) -> bool:
    """Whether a unit as written may be an ounce of weight or a fluid ounce.

    >>> either_ounce("oz"), either_ounce("fl oz"), either_ounce("oz by weight")
    (True, False, False)
    """
    return " ".join(unit.lower().split()).removesuffix(".") in _BARE_OUNCE


#: How a unit is written behind a number that was worked out; any other as the user wrote it.
_WRITTEN = {
    "pound": "lb", "ounce": "oz", "gram": "g", "kilogram": "kg", "gallon": "gal", "quart": "qt", "pint": "pt",
    "tablespoon": "tbsp", "teaspoon": "tsp", "liter": "L", "milliliter": "mL", "fluid_ounce": "fl oz", "cup": "cup",
}  # fmt: skip


def written(unit: str, number: float) -> str:
    """A unit as it is written behind a number.

    >>> written("pounds", 2), written("cup", 2), written("#", 1), written("oz by weight", 3)
    ('lb', 'cups', 'lb', 'oz by weight')
    """
    known = _unit(unit)
    if known is None or (known[1] == "ounce" and not either_ounce(unit)):
        return unit
    name = _WRITTEN.get(known[1], unit)
    return "cups" if name == "cup" and number > 1 else name


def system_of(unit: str) -> Literal["us", "metric", ""]:
    """Whether a unit as written is a US one, a metric one, or of neither (minutes, none).

    >>> system_of("fl oz"), system_of("kg/L"), system_of("min")
    ('us', 'metric', '')
    """
    known = _unit(unit)
    if known is None or known[0] == ("time",):
        return ""
    return "us" if _US_UNITS & set(known[1].split(" / ")) else "metric"


#: What a unit is in kg, m3, m, s or K: by definition (NIST Special Publication 811, appendix B, from memory); the tests
#: hold each against pint, whose registry of a thousand units takes longer to read than an answer to make.
_POUND_KG, _GALLON_M3, _FOOT_M = KG_PER_LB, 231 * 0.0254**3, 0.3048
_SIZE = {
    "pound": _POUND_KG, "ounce": _POUND_KG / 16, "short_ton": 2000 * _POUND_KG, "kilogram": 1.0, "gram": 1e-3,
    "milligram": 1e-6, "microgram": 1e-9, "metric_ton": 1000.0,
    "gallon": _GALLON_M3, "quart": _GALLON_M3 / 4, "pint": _GALLON_M3 / 8, "cup": _GALLON_M3 / 16,
    "fluid_ounce": _GALLON_M3 / 128, "tablespoon": _GALLON_M3 / 256, "teaspoon": _GALLON_M3 / 768,
    "imperial_gallon": 4.54609e-3, "liter": 1e-3, "deciliter": 1e-4, "centiliter": 1e-5, "milliliter": 1e-6,
    "meter ** 3": 1.0, "foot ** 3": _FOOT_M**3,
    "second": 1.0, "minute": 60.0, "hour": 3600.0, "day": 86400.0,
    "meter": 1.0, "centimeter": 0.01, "millimeter": 1e-3, "kilometer": 1000.0, "inch": 0.0254, "foot": _FOOT_M,
    "yard": 3 * _FOOT_M, "kelvin": 1.0, "degC": 1.0, "degF": 5 / 9,
}  # fmt: skip
#: Zero of a temperature scale [K].
_ZERO_K = {"degC": 273.15, "degF": 273.15 - 32 * 5 / 9, "kelvin": 0.0}


def _converted(value: float, unit: str, target: str) -> float:
    """A number of one unit in another of the same kind, or of one quotient in another."""
    if unit in _ZERO_K:
        return (value * _SIZE[unit] + _ZERO_K[unit] - _ZERO_K[target]) / _SIZE[target]
    sizes = [[_SIZE[name] for name in one.split(" / ")] for one in (unit, target)]
    (of, *per), (wanted, *wanted_per) = sizes
    return value * (of / wanted) * (wanted_per[0] / per[0] if per else 1.0)


@lru_cache(maxsize=2048)
def convert(text: str, target: str, mend: str, where: str, *, unit: str | None = None) -> float:
    """A quantity in the target unit. unit: instead of the one written, for a text with a basis."""
    value, written = split_number(text, where, mend)
    unit = written if unit is None else unit
    if not unit:
        raise InputError(f"{quoted(text)} has no unit", where=where, mend=mend)
    known, wanted = _unit(unit), _unit(target)
    if known is None or wanted is None or known[0] != wanted[0]:
        raise InputError(f"{quoted(text)} is not in a unit that fits here", where=where, mend=mend)
    result = _converted(value, known[1], wanted[1])
    if result in {float("inf"), float("-inf")}:
        raise InputError(f"{quoted(text)} is too large", where=where, mend="write a real amount")
    return result


def temperature_c(text: str, where: str = "") -> float:
    """Temperature [degC] of water: 0..100."""
    value = convert(text, "degC", 'write for example "50 degF" or "10 degC"', where)
    if not -1e-9 <= value <= 100 + 1e-9:
        raise InputError(f"{quoted(text)} is not a temperature of water", where=where, mend="check the unit")
    return value


def volume_l(text: str, where: str = "") -> float:
    """Volume [L], above zero."""
    return _positive(convert(text, "liter", 'write for example "5 gal" or "20 L"', where), text, where)


def time_min(text: str, where: str = "") -> float:
    """Time [min], zero or more."""
    value = convert(text, "minute", 'write for example "15 min"', where)
    if value < 0:
        raise InputError(f"{quoted(text)} is negative", where=where, mend="write zero or more")
    return value


def flow_l_per_min(text: str, where: str = "") -> float:
    """Flow [L/min], above zero."""
    value = convert(text, "liter / minute", 'write for example "4 gal/min" or "6 gal/hour"', where)
    return _positive(value, text, where)


def length_m(text: str, where: str = "") -> float:
    """Length [m], above zero."""
    return _positive(convert(text, "meter", 'write for example "100 ft" or "30 m"', where), text, where)


def _positive(value: float, text: str, where: str) -> float:
    if not value > 0:
        raise InputError(f"{quoted(text)} is not above zero", where=where, mend="write a positive amount")
    return value


def is_volume(text: str, where: str = "") -> bool:
    """True for a volume, False for a mass. Raises: InputError: neither."""
    mend = 'write for example "2 lb", "500 g", "1 gal" or "8 fl oz"'
    _, unit = split_number(text, where, mend)
    known = _unit(unit)
    if known is None or known[0] not in {("mass",), ("volume",)}:
        raise InputError(f"{quoted(text)} is neither a mass nor a volume", where=where, mend=mend)
    return known[0] == ("volume",)


def mass_kg(text: str, density_kg_per_l: float | None, where: str = "") -> float:
    """Mass [kg] of an amount; a volume needs the density of the liquid [kg/L].

    Raises: InputError: not above zero, no unit, or a volume without density.
    """
    if not is_volume(text, where):
        return _positive(convert(text, "kilogram", 'write for example "2 lb"', where), text, where)
    liters = volume_l(text, where)
    if density_kg_per_l is None:
        raise InputError(
            f"{quoted(text)} is a volume and no density is known for this product",
            where=where,
            mend="weigh it, or add the density from the label",
        )
    return liters * density_kg_per_l


def density_kg_per_l(text: str, where: str = "") -> float:
    """Density [kg/L] from text such as "10.2 lb/gal"."""
    value = convert(text, "kilogram / liter", 'write for example "10.2 lb/gal" or "1.22 kg/L"', where)
    if not 0.5 < value < 3:
        raise InputError(f"{quoted(text)} is not a density of a fertilizer", where=where, mend="check the unit")
    return value
