"""Quantities at the boundary: text with a unit in, named floats out.

Masses in kg, volumes in L, temperatures in degC, times in min, flows in L/min, concentrations in
mol/L (alkalinity in mol of charge per liter). `ppm` means mg/L. Nothing is guessed: a number
without a unit is refused, and so is a concentration whose basis changes the number.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import TYPE_CHECKING, Any, Literal

from ..errors import InputError
from ..species import molar_mass_g_per_mol
from ..text import quoted

if TYPE_CHECKING:
    import pint

CACO3_G_PER_MOL = molar_mass_g_per_mol("CaCO3")

#: Hardness units as mg/L CaCO3: 1 US grain = 64.79891 mg in 1 US gallon; German degree = 10 mg/L
#: CaO; French degree = 10 mg/L CaCO3; Clark (English) degree = 1 grain per imperial gallon.
_GRAIN_MG, _GALLON_L, _IMPERIAL_GALLON_L = 64.79891, 3.785411784, 4.54609
#: mg/L in a US grain per US gallon.
MG_PER_L_PER_GRAIN = _GRAIN_MG / _GALLON_L
_GERMAN_DEGREE = 10.0 * CACO3_G_PER_MOL / molar_mass_g_per_mol("CaO")
_GRAINS = "gpg gr/gal grain/gal grains/gal grain/gallon grains/gallon grains_per_gal grains_per_gallon"
_CACO3_MG_PER_L = {
    **{spelling.replace("_", " "): MG_PER_L_PER_GRAIN for spelling in _GRAINS.split()},
    "grain": MG_PER_L_PER_GRAIN,
    "grains": MG_PER_L_PER_GRAIN,
    "dh": _GERMAN_DEGREE,
    "dgh": _GERMAN_DEGREE,
    "dkh": _GERMAN_DEGREE,
    "°gh": _GERMAN_DEGREE,
    "°kh": _GERMAN_DEGREE,
    "°dh": _GERMAN_DEGREE,
    "fh": 10.0,
    "°fh": 10.0,
    "clark": _GRAIN_MG / _IMPERIAL_GALLON_L,
}

_NUMBER = re.compile(
    r"\s*(?P<sign>[-+]?)(?:(?P<whole>\d+)\s+)?(?:(?P<top>\d+)\s*/\s*(?P<bottom>\d+)"
    r"|(?P<plain>(?:[1-9]\d{0,2}(?:,\d{3})+|\d+)(?:\.\d*)?(?:[eE][-+]?\d+)?|\.\d+))(?P<unit>.*)",
    re.DOTALL,
)
#: Finest part that a scale or cup is read in: 1/16, 1/32.
_FINEST_PART = 32
#: Longer than this is no quantity.
_LONGEST = 60

#: Units that are read, by dimension: name in the registry -> spellings, in lower case and without dots.
#: A unit that is not here is refused: a "bag" or an "electron mass" is no amount of fertilizer.
_UNITS: dict[str, dict[str, str]] = {
    "mass": {
        "pound": "lb lbs pound pounds",
        "ounce": "oz ounce ounces",
        "gram": "g gram grams gm",
        "kilogram": "kg kgs kilo kilos kilogram kilograms",
        "milligram": "mg milligram milligrams",
        "short_ton": "ton tons short_ton short_tons",
        "metric_ton": "t tonne tonnes metric_ton metric_tons",
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
        "degF": "degf deg_f °f f fahrenheit degrees_f degrees_fahrenheit",
        "degC": "degc deg_c °c c celsius degrees_c degrees_celsius",
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
    found = [_SPELLING.get(part) for part in parts]
    if not 1 <= len(parts) <= 2 or None in found:
        return None
    known = [pair for pair in found if pair is not None]
    return tuple(dimension for dimension, _ in known), " / ".join(name for _, name in known)


_US_UNITS = {
    *("pound", "ounce", "short_ton", "gallon", "imperial_gallon", "quart", "pint", "cup", "fluid_ounce", "tablespoon"),
    *("teaspoon", "foot ** 3", "degF", "inch", "foot", "yard"),
}


def system_of(unit: str) -> Literal["us", "metric", ""]:
    """Whether a unit as written is a US one, a metric one, or of neither (minutes, none).

    >>> system_of("fl oz"), system_of("kg/L"), system_of("min")
    ('us', 'metric', '')
    """
    known = _unit(unit)
    if known is None or known[0] == ("time",):
        return ""
    return "us" if _US_UNITS & set(known[1].split(" / ")) else "metric"


@cache
def registry() -> pint.UnitRegistry[Any]:
    """The unit registry, built at first use."""
    import pint

    return pint.UnitRegistry()


def split_number(text: str, where: str = "", mend: str = 'write for example "2 lb"') -> tuple[float, str]:
    """Number and unit text of a quantity; reads 1/2, "1 1/2" and 1,000.

    Raises: InputError: no number, or a comma that may be a decimal point.
    """
    match = _NUMBER.fullmatch(text) if len(text) <= _LONGEST else None
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


@lru_cache(maxsize=2048)
def _convert(text: str, target: str, mend: str, where: str, *, unit: str | None = None) -> float:
    """A quantity in the target unit. unit: instead of the one written, for a text with a basis."""
    value, written = split_number(text, where, mend)
    unit = written if unit is None else unit
    if not unit:
        raise InputError(f"{quoted(text)} has no unit", where=where, mend=mend)
    known, wanted = _unit(unit), _unit(target)
    if known is None or wanted is None or known[0] != wanted[0]:
        raise InputError(f"{quoted(text)} is not in a unit that fits here", where=where, mend=mend)
    ureg = registry()
    result = float(ureg.Quantity(value, ureg.Unit(known[1])).to(wanted[1]).magnitude)
    if result in {float("inf"), float("-inf")}:
        raise InputError(f"{quoted(text)} is too large", where=where, mend="write a real amount")
    return result


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


def temperature_c(text: str, where: str = "") -> float:
    """Temperature [degC] of water: 0..100."""
    value = _convert(text, "degC", 'write for example "50 degF" or "10 degC"', where)
    if not -1e-9 <= value <= 100 + 1e-9:
        raise InputError(f"{quoted(text)} is not a temperature of water", where=where, mend="check the unit")
    return value


def volume_l(text: str, where: str = "") -> float:
    """Volume [L], above zero."""
    return _positive(_convert(text, "liter", 'write for example "5 gal" or "20 L"', where), text, where)


def time_min(text: str, where: str = "") -> float:
    """Time [min], zero or more."""
    value = _convert(text, "minute", 'write for example "15 min"', where)
    if value < 0:
        raise InputError(f"{quoted(text)} is negative", where=where, mend="write zero or more")
    return value


def flow_l_per_min(text: str, where: str = "") -> float:
    """Flow [L/min], above zero."""
    value = _convert(text, "liter / minute", 'write for example "4 gal/min" or "6 gal/hour"', where)
    return _positive(value, text, where)


def length_m(text: str, where: str = "") -> float:
    """Length [m], above zero."""
    return _positive(_convert(text, "meter", 'write for example "100 ft" or "30 m"', where), text, where)


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
        return _positive(_convert(text, "kilogram", 'write for example "2 lb"', where), text, where)
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
    value = _convert(text, "kilogram / liter", 'write for example "10.2 lb/gal" or "1.22 kg/L"', where)
    if not 0.5 < value < 3:
        raise InputError(f"{quoted(text)} is not a density of a fertilizer", where=where, mend="check the unit")
    return value


def injection_ratios(text: str, where: str = "") -> tuple[float, float]:
    """Parts of water per part of stock, least and most: "1:100", "1:80 to 1:120", "1:80-120", "1:100 +/- 10 %"."""
    if match := re.fullmatch(r"\s*1\s*:\s*([\d.,]+)\s*(?:\+/-|\+-|±)\s*([\d.]+)\s*%\s*", text):
        middle = injection_ratio(f"1:{match[1]}", where)
        off = float(match[2]) / 100.0
        if off >= 1.0:
            raise InputError(f"{quoted(text)} goes below zero", where=where, mend='write for example "1:100 +/- 10 %"')
        if middle * (1.0 + off) > 10_000:
            raise InputError(
                f"{quoted(text)} is not an injection ratio", where=where, mend='write "1:100", stock to water'
            )
        return max(1.0, middle * (1.0 - off)), middle * (1.0 + off)
    match = re.fullmatch(r"\s*(1\s*:\s*[\d.,]+?)\s*(?:to|\.\.+|-|–)\s*(?:1\s*:\s*)?([\d.,]+)\s*", text)
    ends = (match[1], f"1:{match[2]}") if match else (text, text)
    low, high = (injection_ratio(end, where) for end in ends)
    if low > high:
        raise InputError(f"{quoted(text)} runs backwards", where=where, mend=f'write "1:{high:g} to 1:{low:g}"')
    return low, high


def injection_ratio(text: str, where: str = "") -> float:
    """Parts of water per part of stock from "1:100"; from 1:1 to 1:10000."""
    match = re.fullmatch(r"\s*1\s*:\s*(\d+|\d{1,2},\d{3})(\.\d+)?\s*", text)
    parts = float(match[1].replace(",", "") + (match[2] or "")) if match else 0.0
    if not 1 <= parts <= 10_000:
        raise InputError(f"{quoted(text)} is not an injection ratio", where=where, mend='write "1:100", stock to water')
    return parts


@dataclass(frozen=True, slots=True)
class Reading:
    """How a water item may be written. bases: basis name -> (g/mol, mol of the item per mol basis)."""

    charge: int
    bases: dict[str, tuple[float, float]]
    default: str | None
    hardness_units: bool = False


def _mass(formula: str, count: float = 1.0) -> tuple[float, float]:
    return molar_mass_g_per_mol(formula), count


_CACO3 = (CACO3_G_PER_MOL, 1.0)

READINGS: dict[str, Reading] = {
    "calcium": Reading(2, {"Ca": _mass("Ca"), "CaCO3": _CACO3}, "Ca", True),
    "magnesium": Reading(2, {"Mg": _mass("Mg"), "CaCO3": _CACO3}, "Mg", True),
    "hardness": Reading(2, {"CaCO3": _CACO3}, "CaCO3", True),
    "alkalinity": Reading(1, {"CaCO3": (CACO3_G_PER_MOL, 2.0), "HCO3": _mass("HCO3")}, None, True),
    "bicarbonate": Reading(1, {"HCO3": _mass("HCO3"), "CaCO3": (CACO3_G_PER_MOL, 2.0)}, "HCO3", True),
    "sodium": Reading(1, {"Na": _mass("Na")}, "Na"),
    "potassium": Reading(1, {"K": _mass("K")}, "K"),
    "chloride": Reading(1, {"Cl": _mass("Cl")}, "Cl"),
    "sulfate": Reading(2, {"SO4": _mass("SO4"), "S": _mass("S")}, "SO4"),
    "nitrate": Reading(1, {"NO3": _mass("NO3"), "N": _mass("N")}, "NO3"),
    "phosphate": Reading(3, {"PO4": _mass("PO4"), "P": _mass("P")}, "PO4"),
    "iron": Reading(2, {"Fe": _mass("Fe")}, "Fe"),
    "manganese": Reading(2, {"Mn": _mass("Mn")}, "Mn"),
    "sulfide": Reading(2, {"S": _mass("S"), "H2S": _mass("H2S")}, "S"),
    "boron": Reading(1, {"B": _mass("B")}, "B"),
    "silica": Reading(1, {"SiO2": _mass("SiO2"), "Si": _mass("Si")}, "SiO2"),
    "fluoride": Reading(1, {"F": _mass("F")}, "F"),
}

_BASIS = re.compile(
    r"(?P<unit>.*?)(?:\s+as\s+|\s+)(?P<basis>[A-Z][A-Za-z0-9]*)(?:-(?P<element>[A-Z][a-z]?))?", re.DOTALL
)


#: Bases as they are written, in lower case and without charges.
_BASIS_NAMES = {
    name.lower(): name for reading_bases in (reading.bases for reading in READINGS.values()) for name in reading_bases
}
_SUBSCRIPTS = str.maketrans("₀₁₂₃₄₅₆₇₈₉", "0123456789")


def _plain_unit(unit: str, item: str) -> str:
    """A concentration's unit with its basis behind it, as labs write it in many ways: "mg CaCO3/L", "mg/L (as CaCO3)",
    "mg/l caco3", "mg/L as HCO3-" -> "mg/L CaCO3", "mg/L HCO3"."""
    words = re.sub(r"[()]", " ", unit.translate(_SUBSCRIPTS)).replace("-N", " N").split()
    out: list[str] = []
    basis = ""
    for word in words:
        head, slash, tail = word.partition("/")
        bare = head.rstrip("+-")
        known = _BASIS_NAMES.get(bare.lower()) or _BASIS_NAMES.get(bare.rstrip("23").lower() if bare != head else "")
        if word.lower() in {"as", item}:
            continue
        if out and known is not None:  # the first word is the unit: mg is no magnesium
            basis = known
            if slash:
                out.append(f"/{tail}")
            continue
        out.append(word)
    plain = " ".join(out).replace(" /", "/")
    return f"{plain} {basis}".strip()


@lru_cache(maxsize=2048)
def concentration_mol_per_l(item: str, text: str, where: str = "") -> float:
    """Concentration [mol/L] of a water-test item; alkalinity in mol of charge per liter.

    Reads mg/L, ppm, ug/L, g/L, mmol/L, meq/L, with a basis ("mg/L CaCO3", "mg/L as N"), and gpg, dH, fH
    for hardness and alkalinity.
    Raises: InputError: unit or basis does not fit, negative, or more than any irrigation water holds.
    """
    reading = READINGS[item]
    mend = _reading_mend(item, reading)
    value, unit = split_number(text, where, mend)
    unit = _plain_unit(unit, item)
    basis: str | None = None
    if (match := _BASIS.fullmatch(unit)) and match["unit"].strip():
        unit, basis = match["unit"].strip(), match["basis"]
        if match["element"]:
            basis = match["element"] if match["element"] in reading.bases else match["basis"]
    if basis is not None and basis not in reading.bases:
        raise InputError(f"{quoted(text)} has a basis that does not fit {item}", where=where, mend=mend)
    low = " ".join(unit.lower().split())
    if low in _CACO3_MG_PER_L:
        if not reading.hardness_units or basis not in {None, "CaCO3"}:
            raise InputError(f"{quoted(text)} is a hardness unit, not one for {item}", where=where, mend=mend)
        per_mol = 2.0 if item in {"alkalinity", "bicarbonate"} else 1.0
        result = value * _CACO3_MG_PER_L[low] / 1000.0 / CACO3_G_PER_MOL * per_mol
    elif low in {"meq/l", "me/l", "meq", "mval/l", "mval", "epm"}:
        charge = 1 if item in {"alkalinity", "bicarbonate"} else reading.charge
        result = value / 1000.0 / charge
    elif low in {"mmol/l", "mm"}:
        # mmol of the basis where one is named: a mole of CaCO3 is two of alkalinity.
        result = value / 1000.0 * (reading.bases[basis][1] if basis is not None else 1.0)
    else:
        basis = basis or reading.default
        if basis is None:
            raise InputError(f"{quoted(text)} does not say on which basis", where=where, mend=mend)
        grams = _convert(text, "gram / liter", mend, where, unit=unit)
        gram_per_mol, count = reading.bases[basis]
        result = grams / gram_per_mol * count
    if not 0 <= result <= 1.0:
        raise InputError(f"{quoted(text)} is not possible for {item} in water", where=where, mend="check the unit")
    return result


def concentration_unit(item: str) -> str:
    """The unit in which an item is kept as a number: mg/L, of alkalinity and hardness as CaCO3."""
    return "mg/L CaCO3" if item in {"alkalinity", "hardness"} else "mg/L"


@cache
def mol_per_mg(item: str) -> float:
    """mol/L (alkalinity: mol of charge) in 1 `concentration_unit` of a water item."""
    return concentration_mol_per_l(item, f"1 {concentration_unit(item)}")


def solids_mg_per_l(text: str, where: str = "") -> float:
    """Suspended or dissolved solids [mg/L], zero or more."""
    grams = _convert(text, "gram / liter", 'write for example "40 mg/L"', where)
    if not 0 <= grams < 500:
        raise InputError(f"{quoted(text)} is not possible in water", where=where, mend="check the unit")
    return grams * 1000.0


def count_per_ml(text: str, where: str = "") -> float:
    """Bacteria [1/mL] from text such as "20000 per mL" or "20000/mL"."""
    mend = 'write "20000 per mL"'
    value, unit = split_number(text, where, mend)
    per_ml = {"per ml": 1.0, "/ml": 1.0, "cfu/ml": 1.0, "per 100 ml": 0.01, "cfu/100 ml": 0.01}
    factor = per_ml.get(" ".join(unit.lower().split()))
    if factor is None or value < 0:
        raise InputError(f"{quoted(text)} is not a count of bacteria", where=where, mend=mend)
    return value * factor


def _reading_mend(item: str, reading: Reading) -> str:
    ways = [f"mg/L {basis}" for basis in reading.bases] + ["meq/L"]
    return f"write {item} in " + ", ".join(ways) + (", gpg or dH" if reading.hardness_units else "")


#: Endings of field names that state the unit of a plain number, longest first.
NAMED_UNITS = {
    "_mg_per_l_caco3": "mg/L CaCO3",
    "_mg_per_l_hco3": "mg/L HCO3",
    "_l_per_hour": "L/hour",
    "_l_per_min": "L/min",
    "_gal_per_min": "gal/min",
    "_gal_per_hour": "gal/hour",
    "_mmol_per_l": "mmol/L",
    "_meq_per_l": "meq/L",
    "_mg_per_l": "mg/L",
    "_kg_per_l": "kg/L",
    "_per_ml": "per mL",
    "_fl_oz": "fl oz",
    "_gal": "gal",
    "_min": "min",
    "_kg": "kg",
    "_lb": "lb",
    "_oz": "oz",
    "_mm": "mm",
    "_in": "in",
    "_ft": "ft",
    "_ml": "mL",
    "_g": "g",
    "_l": "L",
    "_c": "degC",
    "_f": "degF",
    "_m": "m",
}


def named_quantities(data: object, fields: Collection[str]) -> object:
    """Plain numbers whose field name states the unit, as text: calcium_mg_per_l = 95 -> calcium = "95 mg/L".

    fields: names that the caller knows; anything else is left as it is.
    Raises: InputError: the same quantity is given twice.
    """
    if not isinstance(data, Mapping):
        return data
    out: dict[object, object] = {}
    for key, value in data.items():
        new_key, new_value = key, value
        if isinstance(key, str) and key not in fields and _plain(value):
            for ending, unit in NAMED_UNITS.items():
                if key.endswith(ending) and key.removesuffix(ending) in fields:
                    new_key, new_value = key.removesuffix(ending), f"{value!r} {unit}"
                    break
        if new_key in out:
            raise InputError(f"{new_key} is given twice", where=str(key), mend="keep one of them")
        out[new_key] = new_value
    return out


def _plain(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def named_quantities_in_schema(schema: dict[str, Any]) -> None:
    """Adds the names that `named_quantities` reads to a JSON Schema, in place."""
    text = [
        name
        for name, field in schema.get("properties", {}).items()
        if "string" in str(field) and name not in {"id", "name", "notes", "source", "tested_on"}
    ]
    endings = "|".join(ending.removeprefix("_") for ending in NAMED_UNITS)
    schema["patternProperties"] = {f"^({'|'.join(text)})_({endings})$": {"type": "number"}}
    needed = [name for name in schema.get("required", []) if name in text and name != "grade"]
    if needed:
        schema["required"] = [name for name in schema["required"] if name not in needed]
        schema["allOf"] = [
            {"anyOf": [{"required": [name + ending]} for ending in ("", *NAMED_UNITS)]} for name in needed
        ]
