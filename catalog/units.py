"""Quantities at the boundary: text with a unit in, named floats out.

Masses in kg, volumes in L, temperatures in degC, times in min, flows in L/min, concentrations in
mol/L (alkalinity in mol of charge per litre). `ppm` means mg/L. Nothing is guessed: a number
without a unit is refused, and so is a concentration whose basis changes the number.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

from .errors import InputError
from .species import molar_mass_g_per_mol

if TYPE_CHECKING:
    import pint

CACO3_G_PER_MOL = molar_mass_g_per_mol("CaCO3")

#: Hardness units as mg/L CaCO3: 1 US grain = 64.79891 mg in 1 US gallon; German degree = 10 mg/L
#: CaO; French degree = 10 mg/L CaCO3; Clark (English) degree = 1 grain per imperial gallon.
_CACO3_MG_PER_L = {
    "gpg": 64.79891 / 3.785411784,
    "grains/gal": 64.79891 / 3.785411784,
    "gr/gal": 64.79891 / 3.785411784,
    "dh": 10.0 * CACO3_G_PER_MOL / molar_mass_g_per_mol("CaO"),
    "°dh": 10.0 * CACO3_G_PER_MOL / molar_mass_g_per_mol("CaO"),
    "fh": 10.0,
    "°fh": 10.0,
    "clark": 64.79891 / 4.54609,
}

_NUMBER = re.compile(
    r"\s*(?P<sign>[-+]?)(?:(?P<whole>\d+)\s+)?(?:(?P<top>\d+)\s*/\s*(?P<bottom>\d+)"
    r"|(?P<plain>(?:\d{1,3}(?:,\d{3})+|\d+)(?:\.\d*)?(?:[eE][-+]?\d+)?|\.\d+))(?P<unit>.*)",
    re.DOTALL,
)

_SPELLED = {
    "fl oz": "fluid_ounce",
    "floz": "fluid_ounce",
    "fl. oz": "fluid_ounce",
    "fl. oz.": "fluid_ounce",
    "fluid ounces": "fluid_ounce",
    "fluid ounce": "fluid_ounce",
    "lbs": "lb",
    "lb.": "lb",
    "oz.": "oz",
    "gal.": "gal",
    "us gal": "gal",
    "imp gal": "imperial_gallon",
    "ltr": "L",
    "litre": "L",
    "litres": "L",
    "kilo": "kg",
    "kilos": "kg",
    "tbsp": "tablespoon",
    "tsp": "teaspoon",
    "f": "degF",
    "c": "degC",
    "°f": "degF",
    "°c": "degC",
    "deg f": "degF",
    "deg c": "degC",
    "gpm": "gal/min",
    "gph": "gal/hour",
    "lph": "L/hour",
    "l/h": "L/hour",
    "gal/h": "gal/hour",
    "mins": "min",
    "hr": "hour",
    "hrs": "hour",
}


@cache
def registry() -> pint.UnitRegistry[Any]:
    """The unit registry, built at first use."""
    import pint

    return pint.UnitRegistry()


def split_number(text: str, where: str = "") -> tuple[float, str]:
    """Number and unit text of a quantity; reads 1/2, "1 1/2" and 1,000.

    Raises: InputError: no number, or a comma that may be a decimal point.
    """
    match = _NUMBER.fullmatch(text)
    if not match:
        raise InputError(f'"{text}" is not a quantity', where=where, mend='write for example "2 lb"')
    unit = match["unit"].strip()
    if unit.startswith((",", ".")):
        raise InputError(f'"{text}" has a comma that may be a decimal point', where=where, mend="write 1.5 or 1500")
    if match["top"]:
        if int(match["bottom"]) == 0:
            raise InputError(f'"{text}" divides by zero', where=where, mend='write for example "1/2 lb"')
        value = int(match["whole"] or 0) + int(match["top"]) / int(match["bottom"])
    elif match["whole"]:
        raise InputError(f'"{text}" holds two numbers', where=where, mend='write for example "1 1/2 lb"')
    else:
        value = float(match["plain"].replace(",", ""))
    if value == float("inf"):
        raise InputError(f'"{text}" is too large', where=where, mend="write a real amount")
    return (-value if match["sign"] == "-" else value), unit


def _convert(text: str, target: str, mend: str, where: str) -> float:
    value, unit = split_number(text, where)
    if not unit:
        raise InputError(f'"{text}" has no unit', where=where, mend=mend)
    import pint

    ureg = registry()
    try:
        written = ureg.Unit(_SPELLED.get(unit.lower(), unit))
        return float(ureg.Quantity(value, written).to(target).magnitude)
    except (pint.PintError, ValueError, TypeError, AttributeError, AssertionError, SyntaxError):
        raise InputError(f'"{text}" is not in a unit that fits here', where=where, mend=mend) from None
    except Exception as error:  # pint's tokenizer raises its own family for garbage
        if type(error).__module__.split(".")[0] not in {"pint", "tokenize"}:
            raise
        raise InputError(f'"{text}" is not in a unit that fits here', where=where, mend=mend) from None


def temperature_c(text: str, where: str = "") -> float:
    """Temperature [degC]; only -10..100 degC makes sense here."""
    value = _convert(text, "degC", 'write for example "50 degF" or "10 degC"', where)
    if not -10 <= value <= 100:
        raise InputError(f'"{text}" is not a temperature of water', where=where, mend="check the unit")
    return value


def volume_l(text: str, where: str = "") -> float:
    """Volume [L], above zero."""
    return _positive(_convert(text, "liter", 'write for example "5 gal" or "20 L"', where), text, where)


def time_min(text: str, where: str = "") -> float:
    """Time [min], zero or more."""
    value = _convert(text, "minute", 'write for example "15 min"', where)
    if value < 0:
        raise InputError(f'"{text}" is negative', where=where, mend="write zero or more")
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
        raise InputError(f'"{text}" is not above zero', where=where, mend="write a positive amount")
    return value


def is_volume(text: str, where: str = "") -> bool:
    """True for a volume, False for a mass. Raises: InputError: neither."""
    _, unit = split_number(text, where)
    try:
        written = registry().Unit(_SPELLED.get(unit.lower(), unit))
        if written.is_compatible_with("liter"):
            return True
        if written.is_compatible_with("kilogram") and unit:
            return False
    except Exception:  # the one message below serves every way in which a unit can be wrong
        pass
    raise InputError(
        f'"{text}" is neither a mass nor a volume',
        where=where,
        mend='write for example "2 lb", "500 g", "1 gal" or "8 fl oz"',
    )


def mass_kg(text: str, density_kg_per_l: float | None, where: str = "") -> float:
    """Mass [kg] of an amount; a volume needs the density of the liquid [kg/L].

    Raises: InputError: not above zero, no unit, or a volume without density.
    """
    if not is_volume(text, where):
        return _positive(_convert(text, "kilogram", 'write for example "2 lb"', where), text, where)
    litres = volume_l(text, where)
    if density_kg_per_l is None:
        raise InputError(
            f'"{text}" is a volume and no density is known for this product',
            where=where,
            mend="weigh it, or add the density from the label",
        )
    return litres * density_kg_per_l


def density_kg_per_l(text: str, where: str = "") -> float:
    """Density [kg/L] from text such as "10.2 lb/gal"."""
    value = _convert(text, "kilogram / liter", 'write for example "10.2 lb/gal" or "1.22 kg/L"', where)
    if not 0.5 < value < 3:
        raise InputError(f'"{text}" is not a density of a fertilizer', where=where, mend="check the unit")
    return value


def injection_ratio(text: str, where: str = "") -> float:
    """Parts of water per part of stock from "1:100"; from 1:1 to 1:10000."""
    match = re.fullmatch(r"\s*1\s*:\s*(\d+(?:\.\d+)?)\s*", text)
    if not match or not 1 <= float(match[1]) <= 10_000:
        raise InputError(f'"{text}" is not an injection ratio', where=where, mend='write "1:100", stock to water')
    return float(match[1])


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
    r"(?P<unit>.*?)(?:\s+as\s+|\s+)(?P<basis>[A-Z][A-Za-z]*\d?)(?:-(?P<element>[A-Z][a-z]?))?", re.DOTALL
)


def concentration_mol_per_l(item: str, text: str, where: str = "") -> float:
    """Concentration [mol/L] of a water-test item; alkalinity in mol of charge per litre.

    Reads mg/L, ppm, ug/L, g/L, mmol/L, meq/L, with a basis ("mg/L CaCO3", "mg/L as N"), and gpg, dH, fH
    for hardness and alkalinity.
    Raises: InputError: unit or basis does not fit, negative, or more than any irrigation water holds.
    """
    reading = READINGS[item]
    value, unit = split_number(text, where)
    basis: str | None = None
    if (match := _BASIS.fullmatch(unit)) and match["unit"].strip():
        unit, basis = match["unit"].strip(), match["basis"]
        if match["element"]:
            basis = match["element"] if match["element"] in reading.bases else match["basis"]
    mend = _reading_mend(item, reading)
    if basis is not None and basis not in reading.bases:
        raise InputError(f'"{text}" has a basis that does not fit {item}', where=where, mend=mend)
    low = unit.lower().replace("ppm", "mg/L").replace("mval", "meq").replace("epm", "meq/l")
    if low in _CACO3_MG_PER_L:
        if not reading.hardness_units:
            raise InputError(f'"{text}" is a hardness unit, not one for {item}', where=where, mend=mend)
        per_mol = 2.0 if item in {"alkalinity", "bicarbonate"} else 1.0
        result = value * _CACO3_MG_PER_L[low] / 1000.0 / CACO3_G_PER_MOL * per_mol
    elif low in {"meq/l", "me/l", "meq"}:
        charge = 1 if item in {"alkalinity", "bicarbonate"} else reading.charge
        result = value / 1000.0 / charge
    elif low in {"mmol/l", "mm"}:
        result = value / 1000.0
    else:
        basis = basis or reading.default
        if basis is None:
            raise InputError(f'"{text}" does not say on which basis', where=where, mend=mend)
        grams = _convert(f"{value!r} {low}" if low else text, "gram / liter", mend, where)
        gram_per_mol, count = reading.bases[basis]
        result = grams / gram_per_mol * count
    if not 0 <= result <= 1.0:
        raise InputError(f'"{text}" is not possible for {item} in water', where=where, mend="check the unit")
    return result


def solids_mg_per_l(text: str, where: str = "") -> float:
    """Suspended or dissolved solids [mg/L], zero or more."""
    value, unit = split_number(text, where)
    mend = 'write for example "40 mg/L"'
    grams = _convert(f"{value!r} {unit.lower().replace('ppm', 'mg/L')}" if unit else text, "gram / liter", mend, where)
    if not 0 <= grams < 500:
        raise InputError(f'"{text}" is not possible in water', where=where, mend="check the unit")
    return grams * 1000.0


def count_per_ml(text: str, where: str = "") -> float:
    """Bacteria [1/mL] from text such as "20000 per mL" or "20000 1/mL"."""
    value, unit = split_number(text, where)
    per_ml = {"per ml": 1.0, "1/ml": 1.0, "/ml": 1.0, "cfu/ml": 1.0, "per 100 ml": 0.01, "cfu/100 ml": 0.01}
    factor = per_ml.get(" ".join(unit.lower().split()))
    if factor is None or value < 0:
        raise InputError(f'"{text}" is not a count of bacteria', where=where, mend='write "20000 per mL"')
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
    "_per_ml": "1/mL",
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
