"""Concentrations of water items, on the bases and in the units that labs and strips print."""

from __future__ import annotations

import re
from functools import cache, lru_cache
from typing import TYPE_CHECKING

from ..errors import InputError
from ..species import molar_mass_g_per_mol
from ..text import quoted

if TYPE_CHECKING:
    pass
from .numbers import split_number
from .reading import CACO3_G_PER_MOL, Reading
from .table import ALKALINITY, BICARBONATE, QUANTITIES
from .units import L_PER_GAL, convert

#: Hardness units as mg/L CaCO3: 1 US grain = 64.79891 mg in 1 US gallon; German degree = 10 mg/L
#: CaO; French degree = 10 mg/L CaCO3; Clark (English) degree = 1 grain per imperial gallon.
_GRAIN_MG, _GALLON_L, _IMPERIAL_GALLON_L = 64.79891, L_PER_GAL, 4.54609


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


#: Items that are counted in charges, not in moles.
_IN_CHARGES = {ALKALINITY.name, BICARBONATE.name}
#: How each water item may be written.
READINGS: dict[str, Reading] = {
    name: quantity.reading for name, quantity in QUANTITIES.items() if quantity.reading is not None
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
        per_mol = 2.0 if item in _IN_CHARGES else 1.0
        result = value * _CACO3_MG_PER_L[low] / 1000.0 / CACO3_G_PER_MOL * per_mol
    elif low in {"meq/l", "me/l", "meq", "mval/l", "mval", "epm"}:
        charge = 1 if item in _IN_CHARGES else reading.charge
        result = value / 1000.0 / charge
    elif low in {"mmol/l", "mm"}:
        # mmol of the basis where one is named: a mole of CaCO3 is two of alkalinity.
        result = value / 1000.0 * (reading.bases[basis][1] if basis is not None else 1.0)
    else:
        basis = basis or reading.default
        if basis is None:
            raise InputError(f"{quoted(text)} does not say on which basis", where=where, mend=mend)
        grams = convert(text, "gram / liter", mend, where, unit=unit)
        gram_per_mol, count = reading.bases[basis]
        result = grams / gram_per_mol * count
    if not 0 <= result <= 1.0:
        raise InputError(f"{quoted(text)} is not possible for {item} in water", where=where, mend="check the unit")
    return result


def concentration_unit(item: str) -> str:
    """The unit in which an item is kept as a number: mg/L, of alkalinity and hardness as CaCO3."""
    return QUANTITIES[item].unit


@cache
def mol_per_mg(item: str) -> float:
    """mol/L (alkalinity: mol of charge) in 1 `concentration_unit` of a water item."""
    return concentration_mol_per_l(item, f"1 {concentration_unit(item)}")


def solids_mg_per_l(text: str, where: str = "") -> float:
    """Suspended or dissolved solids [mg/L], zero or more."""
    grams = convert(text, "gram / liter", 'write for example "40 mg/L"', where)
    if not 0 <= grams < 500:
        raise InputError(f"{quoted(text)} is not possible in water", where=where, mend="check the unit")
    return grams * 1000.0


#: Units of electrical conductivity as mS/cm; mho is siemens, and 1 dS/m is 1 mS/cm.
_MS_PER_CM = {
    **dict.fromkeys(("ms/cm", "mmho/cm", "mmhos/cm", "millimho/cm", "millimhos/cm", "millisiemens/cm"), 1.0),
    **dict.fromkeys(("ds/m", "decisiemens/m"), 1.0),
    **dict.fromkeys(("us/cm", "umho/cm", "umhos/cm", "micromho/cm", "micromhos/cm", "microsiemens/cm"), 0.001),
    **dict.fromkeys(("s/m",), 10.0),
    **dict.fromkeys(("ms/m",), 0.01),
}
#: EC is stated for this temperature; labs write it behind the unit.
_AT_25 = re.compile(r"\s*(?:\(?\s*(?:at|@)\s*25\s*(?:°|deg|degrees)?\s*c?\s*\)?)\s*$", re.IGNORECASE)
#: Sea water has some 55 mS/cm.
_MOST_MS_PER_CM = 60.0


def ec_ms_per_cm(text: str, where: str = "") -> float:
    """Electrical conductivity at 25 degC [mS/cm] from text such as "0.9 mS/cm", "0.9 dS/m" or "900 umhos/cm".

    >>> ec_ms_per_cm("900 µS/cm"), ec_ms_per_cm("1.2 dS/m at 25 °C")
    (0.9, 1.2)
    """
    mend = 'write for example "0.9 mS/cm", "0.9 dS/m" or "900 uS/cm"'
    value, unit = split_number(text, where, mend)
    plain = _AT_25.sub("", unit).lower().replace("µ", "u").replace("μ", "u").replace(" per ", "/").replace(" ", "")
    if plain in {"ppm", "mg/l"}:
        instead = f'write dissolved_solids = "{text.strip()}"'
        raise InputError(f"{quoted(text)} is of dissolved solids, no EC", where=where, mend=instead)
    factor = _MS_PER_CM.get(plain)
    if factor is None:
        raise InputError(f"{quoted(text)} is not in a unit of conductivity", where=where, mend=mend)
    if not 0 <= value * factor <= _MOST_MS_PER_CM:
        raise InputError(f"{quoted(text)} is not possible for water", where=where, mend="is it mS/cm or uS/cm?")
    return value * factor


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
