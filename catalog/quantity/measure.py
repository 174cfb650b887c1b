"""Quantities as pydantic types: read once, when a pour or a water test is read, and kept with the user's own unit.

A field of such a type takes text ("5 gal", "80 to 120 mg/L") and holds a `Measure`; it is written back as the text
that was given.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from typing import Annotated, Any, Literal

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, core_schema

from ..errors import InputError, Unreadable
from ..text import quoted
from . import concentration, numbers, ratio, units
from .table import QUANTITIES

System = Literal["us", "metric", ""]


#: Less than this of a unit is told in a smaller one, and as much of one as this in a larger: by system and kind, the
#: names of the units that scales and jugs show, and what they are in kg or L, the smallest first.
_LEAST_OF_A_UNIT, _MOST_OF_A_UNIT = 0.1, 1000.0
_LADDER = {
    ("us", "mass"): (("oz", units.KG_PER_LB / 16.0), ("lb", units.KG_PER_LB)),
    ("us", "volume"): (
        ("tsp", units.L_PER_GAL / 768.0),
        ("fl oz", units.L_PER_GAL / 128.0),
        ("qt", units.L_PER_GAL / 4.0),
        ("gal", units.L_PER_GAL),
    ),
    ("metric", "mass"): (("g", 0.001), ("kg", 1.0)),
    ("metric", "volume"): (("mL", 0.001), ("L", 1.0)),
}
#: Spoons and cups, which measure dry goods too; a fluid ounce of those is nothing that anybody has.
_SPOONS = (("tsp", units.L_PER_GAL / 768.0), ("tbsp", units.L_PER_GAL / 256.0), ("cup", units.L_PER_GAL / 16.0))


@dataclass(frozen=True, slots=True)
class Measure:
    """A quantity as it was stated.

    text: as written; low, high: the number in `unit`, the same twice where it is no range; own_unit: the user's unit
    as written, "" where there is none; system: of that unit, "" where it is of neither (pH, ratios, minutes);
    kind: of an amount, "mass" or "volume"; number: of an amount, in own_unit.
    """

    text: str
    low: float
    high: float
    unit: str
    own_unit: str = ""
    system: System = ""
    kind: str = ""
    number: float = 0.0

    def __str__(self) -> str:
        return self.text

    @property
    def span(self) -> tuple[float, float]:
        """Lowest and highest."""
        return self.low, self.high

    @property
    def middle(self) -> float:
        """The middle of the range; the number where it is none."""
        return 0.5 * (self.low + self.high)

    @property
    def either_ounce(self) -> bool:
        """True for an amount in ounces alone that does not say whether they are of weight or of volume."""
        return self.kind == "mass" and units.either_ounce(self.own_unit)

    def times(self, factor: float) -> str:
        """An amount times a factor, in the user's own unit; where that leaves hardly any of it, or too many, in another
        one of the same kind that a scale or a jug shows.

        >>> from pourcheck.catalog.quantity.measure import read_amount
        >>> read_amount("2 lb").times(0.5), read_amount("1 qt").times(0.011), read_amount("1 kg").times(0.02)
        ('1 lb', '0.352 fl oz', '20 g')
        >>> read_amount("½ cup").times(0.1), read_amount("400 g").times(5), read_amount("1 lb 8 oz").times(2)
        ('2.4 tsp', '2 kg', '3 lb')
        """
        number, unit, amount = self.number * factor, self.own_unit, self.low * factor
        if not _LEAST_OF_A_UNIT <= number < _MOST_OF_A_UNIT:
            spoons = units.written(unit, 1) in dict(_SPOONS)
            ladder = _SPOONS if spoons else _LADDER.get((self.system, self.kind), ())
            own = self.low / max(self.number, 1e-300)
            steps = [step for step in ladder if (step[1] < own) == (number < 1.0) and abs(step[1] / own - 1.0) > 0.01]
            least = 1.0 if spoons else _LEAST_OF_A_UNIT
            fits = [step for step in steps if amount / step[1] >= least] or steps[:1]
            if fits:
                unit, size = fits[-1] if number < 1.0 else fits[0]
                number = amount / size
        return f"{numbers.in_figures(number)} {units.written(unit, number)}"


Read = Callable[[str], Measure]
#: The same few words for amounts, volumes and temperatures come again and again; longer text is read anew.
_SHORT = 40


@lru_cache(maxsize=2048)
def _read_once(read: Read, text: str) -> Measure:
    return read(text)


@dataclass(frozen=True)
class Reads:
    """What makes a field hold a Measure. read: text -> Measure, raising InputError; examples: for the schema; numbers:
    True where a plain number is taken too, as a pH is."""

    read: Read
    examples: tuple[str, ...] = ()
    numbers: bool = False

    def _validated(self, value: object) -> Measure:
        if isinstance(value, Measure):
            return value
        if isinstance(value, int | float) and not isinstance(value, bool) and self.numbers:
            try:
                value = f"{value:g}"
            except OverflowError:  # whole numbers in JSON may have any length
                raise Unreadable("is a number that is too large", "write a plain number") from None
        if not isinstance(value, str) and hasattr(value, "magnitude") and hasattr(value, "units"):
            value = f"{float(value.magnitude)!r} {value.units}"  # a quantity of pint
        if not isinstance(value, str):
            raise Unreadable("is not text", "write it in quotes, with its unit")
        try:
            return self.read(value) if len(value) > _SHORT else _read_once(self.read, value)
        except InputError as error:
            raise Unreadable(error.what, error.mend) from None

    def __get_pydantic_core_schema__(self, _source: Any, _handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(
            self._validated,
            serialization=core_schema.plain_serializer_function_ser_schema(self._written),
        )

    def _written(self, value: Measure) -> str | float:
        if self.numbers:
            try:
                return float(value.text)
            except ValueError:
                pass
        return value.text

    def __get_pydantic_json_schema__(self, _schema: CoreSchema, _handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        schema: JsonSchemaValue = {"type": ["string", "number"] if self.numbers else "string"}
        return schema | ({"examples": list(self.examples)} if self.examples else {})


def _one(reader: Callable[[str], float], unit: str) -> Read:
    """Reads a quantity that is one number."""

    def read(text: str) -> Measure:
        value = reader(text)
        own = numbers.split_number(text)[1]
        return Measure(text, value, value, unit, own, units.system_of(own))

    return read


def _range(reader: Callable[[str, str], float], unit: str) -> Read:
    """Reads a quantity that may be a range."""

    def read(text: str) -> Measure:
        low, high = numbers.read_span(text, reader)
        own = numbers.split_number(numbers.span(text)[1])[1]
        return Measure(text, low, high, unit, own, units.system_of(own))

    return read


#: "2 lb 3 oz", "1 gal, 2 cups", "1 lb and 4 oz": a number and its unit, and another behind it.
_IN_TWO_UNITS = re.compile(r"(.*?[a-zA-Z.])\s*(?:,|\+|\band\b)?\s+(\d.*)", re.DOTALL)


#: "half a pound", "a cup", "one and a half": numbers in words, as far as they are plain; "2-1/2 lb".
_IN_WORDS = (
    (re.compile(r"^\s*(?:one[ -])?half(?:\s+an?)?\s+", re.I), "1/2 "),
    (re.compile(r"^\s*(?:a\s+)?quarter(?:\s+of)?(?:\s+an?)?\s+(?=pound|lb|cup|tea|tsp|table|tbsp)", re.I), "1/4 "),
    (re.compile(r"^\s*(?:an?|one)\s+", re.I), "1 "),
    (re.compile(r"^(\s*\d+)-(?=\d+/\d+\s)"), r"\1 "),
    (re.compile(r"(?<=\d)\s*level\s+(?=\w)", re.I), " "),
)


def _in_digits(text: str) -> str:
    """An amount with its number in digits.

    >>> _in_digits("half a pound"), _in_digits("A cup"), _in_digits("2-1/2 lb"), _in_digits("2 level tsp")
    ('1/2 pound', '1 cup', '2 1/2 lb', '2 tsp')
    """
    for pattern, digits in _IN_WORDS:
        text = pattern.sub(digits, text)
    return text


def read_amount(text: str) -> Measure:
    """An amount as it is written. Raises: InputError: it is none."""
    return replace(_amount_in_digits(_in_digits(text)), text=text)


def _amount_in_digits(text: str) -> Measure:
    if match := _IN_TWO_UNITS.fullmatch(text):
        whole, rest = read_amount(match[1]), read_amount(match[2])
        if whole.kind == "volume" and rest.either_ounce:  # "1 gal 8 oz": of the same kind
            rest = read_amount(f"{match[2].strip()[: -len(rest.own_unit)]} fl oz")
        if whole.kind != rest.kind or rest.low >= whole.low:
            raise InputError(f"{quoted(text)} is no amount in two units", mend='write for example "2 lb 3 oz"')
        value = whole.low + rest.low
        number = whole.number * value / whole.low
        return Measure(text, value, value, whole.unit, whole.own_unit, whole.system, whole.kind, number)
    volume = units.is_volume(text)
    number, own = numbers.split_number(text)
    value = units.volume_l(text) if volume else units.mass_kg(text, None)
    unit, kind = ("L", "volume") if volume else ("kg", "mass")
    return Measure(text, value, value, unit, own, units.system_of(own), kind, number)


def _ratio(text: str) -> Measure:
    low, high = ratio.injection_ratios(text)
    return Measure(text, low, high, "parts of water per part of stock")


def _ph(text: str) -> Measure:
    low, high = numbers.span(text)
    try:
        ends = float(low), float(high)
    except ValueError:
        raise InputError(f"{quoted(text)} is not a pH", mend='write 7.6 or "7.2 to 7.8"') from None
    if not 3.0 <= ends[0] <= ends[1] <= 11.0:
        raise InputError(f"{quoted(text)} is not a pH of irrigation water (3 to 11)", mend="check the number")
    return Measure(text, *ends, "pH")


def concentration_of(item: str) -> Reads:
    """Of a water item, kept in mol/L (alkalinity and bicarbonate in mol of charge)."""
    read = _range(partial(concentration.concentration_mol_per_l, item), "mol/L")

    def within(text: str) -> Measure:
        measure = read(text)
        if measure.high > QUANTITIES[item].most * concentration.mol_per_mg(item):
            raise InputError(f"{quoted(text)} is more than any irrigation water holds", mend="check the unit")
        return measure

    return Reads(within, ("95 mg/L", "80 to 120 mg/L"))


#: Mass or volume of a product.
Amount = Annotated[Measure, Reads(read_amount, ("2 lb", "8 fl oz"))]
Volume = Annotated[Measure, Reads(_one(units.volume_l, "L"), ("5 gal",))]
Length = Annotated[Measure, Reads(_one(units.length_m, "m"), ("100 ft",))]
Time = Annotated[Measure, Reads(_one(units.time_min, "min"), ("15 min",))]
Flow = Annotated[Measure, Reads(_one(units.flow_l_per_min, "L/min"), ("4 gal/min",))]
FlowRange = Annotated[Measure, Reads(_range(units.flow_l_per_min, "L/min"), ("4 gal/min", "3 to 5 gal/min"))]
Temperature = Annotated[Measure, Reads(_range(units.temperature_c, "degC"), ("50 degF", "45 to 55 degF"))]
Density = Annotated[Measure, Reads(_one(units.density_kg_per_l, "kg/L"), ("10.2 lb/gal",))]
Ratio = Annotated[Measure, Reads(_ratio, ("1:100", "1:80 to 1:120"))]
Ph = Annotated[Measure, Reads(_ph, ("7.6", "7.2 to 7.8"), numbers=True)]
Solids = Annotated[Measure, Reads(_range(concentration.solids_mg_per_l, "mg/L"), ("40 mg/L",))]
Conductivity = Annotated[Measure, Reads(_range(concentration.ec_ms_per_cm, "mS/cm"), ("0.9 mS/cm", "900 uS/cm"))]
Count = Annotated[Measure, Reads(_range(concentration.count_per_ml, "per mL"), ("20000 per mL",))]
