"""What is known of water, temperatures and ratio, as numbers or as ranges: stated, regional or default."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace

from ...catalog import InputError, WaterTest
from ...catalog.once import once_for_each
from ...catalog.quantity.concentration import mol_per_mg
from ...catalog.quantity.table import (
    BACTERIA,
    BUCKET_TEMPERATURE,
    CALCIUM,
    CALCIUM_SHARE,
    GRAINS,
    HARDNESS,
    INJECTION_RATIO,
    LINE_TEMPERATURE,
    MAGNESIUM,
    PH,
    QUANTITIES,
    SULFATE,
    SUSPENDED_SOLIDS,
    WATER_TEMPERATURE,
    Quantity,
)
from ...catalog.water.analysis import CONCENTRATION_ITEMS
from ...catalog.water.bounds import bounds
from ...catalog.water.quality import hardness_may_be_grains
from ..policy import Unknown
from .assumed import Assumed, Why
from .pour import Pour

#: Hardness and its parts, measured apart, agree within this share (common practice, no source).
HARDNESS_AGREES = 0.15

Span = tuple[float, float]


@dataclass
class Ranges:
    """Numbers of a question while they are gathered, by quantity. fixed: what is one number; swept: what is a range;
    stated: what the pour or the water test states, as the one or the other; assumed: what was taken for the rest."""

    table: Mapping[str, Unknown]
    fixed: dict[str, float] = field(default_factory=dict)
    swept: list[Unknown] = field(default_factory=list)
    stated: set[str] = field(default_factory=set)
    assumed: list[Assumed] = field(default_factory=list)

    def has(self, quantity: Quantity) -> bool:
        """True when it has a number or a range already."""
        return quantity.name in self.fixed or any(unknown.quantity is quantity for unknown in self.swept)

    def put(self, quantity: Quantity, span: Span) -> None:
        """A quantity that was stated, as a number or a range in its unit."""
        low, high = span
        self.stated.add(quantity.name)
        if high - low <= 1e-9 * max(abs(high), 1e-9):
            self.fixed[quantity.name] = low
            return
        known = self.table.get(quantity.name)
        find_out = known.find_out if known else ""
        self.sweep(Unknown(quantity, low, high, "stated", find_out=find_out), "stated-as-range")

    def miss(self, quantity: Quantity) -> None:
        """A quantity that was not stated: its range is the region's or the default one."""
        self.sweep(self.table[quantity.name], "not-stated")

    def sweep(self, unknown: Unknown, why: Why, about: tuple[str, ...] = ()) -> None:
        """A quantity that is swept, and why."""
        self.swept.append(unknown)
        unit = unknown.quantity.unit
        self.assumed.append(
            Assumed(input=unknown.name, why=why, low=unknown.low, high=unknown.high, unit=unit, about=about)
        )


def put_water(water: WaterTest | None, out: Ranges, brought: Collection[str] = ()) -> None:
    """Quantities of the water: every item tested, or swept; hardness split by what is known of it. brought: species of
    the products, beside some of which an item matters that is otherwise taken as none."""
    known = dict(water.ranges_mol_per_l()) if water else {}
    if water is not None and hardness_may_be_grains(water):
        # Whichever unit it was, the answer has to hold; grains of alkalinity go along.
        out.sweep(Unknown(GRAINS, 0.0, 1.0, "stated", best=0.0), "unit-in-doubt")
    _split_hardness(known, out)
    for item, (low, high) in known.items():
        out.put(QUANTITIES[item], (low / mol_per_mg(item), high / mol_per_mg(item)))
    items = [QUANTITIES[name] for name in CONCENTRATION_ITEMS]
    for quantity in items:
        hard = quantity in (CALCIUM, MAGNESIUM) and out.has(HARDNESS)
        matters = quantity.missing == "swept" or not set(brought).isdisjoint(quantity.matters_with)
        if matters and not out.has(quantity) and not hard:
            out.miss(quantity)
    _calcium_to_match(out)
    if water is not None and not out.has(GRAINS):
        _bound_by_the_rest(water, out)
    for quantity, span in (
        (PH, water.ph_range if water else None),
        (SUSPENDED_SOLIDS, water.other_range("suspended_solids") if water else None),
        (BACTERIA, water.other_range("bacteria") if water else None),
        (WATER_TEMPERATURE, water.other_range("temperature") if water else None),
    ):
        if span is not None:
            out.put(quantity, span)
        elif quantity.missing == "swept":
            out.miss(quantity)
    none = [quantity.name for quantity in items if quantity.missing == "none" and not out.has(quantity)]
    if none:
        out.fixed.update(dict.fromkeys(none, 0.0))
        out.assumed.append(
            Assumed(input="water", why="not-tested-taken-as-none", low=0.0, high=0.0, unit="mg/L", about=tuple(none))
        )


#: Sulfate from which on a water is of gypsum rock, which brings calcium along [mg/L]: the most of other waters (from
#: memory: the secondary drinking-water standard, US EPA), and the most calcium of a water saturated with gypsum [mg/L].
_GYPSUM_WATER_MG_PER_L, _MOST_CALCIUM_MG_PER_L = 250.0, 600.0


def _calcium_to_match(out: Ranges) -> None:
    """Calcium that was not tested goes up to what a tested sulfate can have brought along."""
    sulfate = out.fixed.get(SULFATE.name, 0.0)
    sulfate = max([sulfate, *(one.high for one in out.swept if one.quantity is SULFATE and SULFATE.name in out.stated)])
    if CALCIUM.name in out.stated or sulfate <= _GYPSUM_WATER_MG_PER_L:
        return
    brought = sulfate * mol_per_mg(SULFATE.name) / mol_per_mg(CALCIUM.name)
    for i, one in enumerate(out.swept):
        if one.quantity is CALCIUM:
            high = max(one.high, min(brought, _MOST_CALCIUM_MG_PER_L))
            out.swept[i] = replace(one, high=high)
            out.assumed = [
                known.model_copy(update={"high": high}) if known.input == one.name else known for known in out.assumed
            ]


#: A least amount above this share of the usual range says that this water is no usual one: then its own most counts.
_OUT_OF_THE_USUAL = 0.5


@once_for_each(most=512)
def _bounds_of(water: WaterTest) -> Mapping[str, Span]:
    """`bounds` of a test; with its EC that is a matter of linear programs, ten milliseconds of them."""
    return bounds(water)


def _bound_by_the_rest(water: WaterTest, out: Ranges) -> None:
    """What was not tested goes no further than plus and minus, hardness, EC and dissolved solids of the test let it."""
    known = _bounds_of(water)
    for i, one in enumerate(out.swept):
        item = one.quantity.name
        if item not in known or item in out.stated:
            continue
        least, most = (end / mol_per_mg(item) for end in known[item])
        unusual = least > one.low + _OUT_OF_THE_USUAL * (one.high - one.low)
        low, high = (least, most) if unusual else (max(one.low, least), min(one.high, most))
        if (low, high) == (one.low, one.high) or high < low:
            continue
        out.swept[i] = replace(one, low=low, high=high)
        out.assumed = [
            known_one.model_copy(update={"low": low, "high": high, "why": "bounded-by-test"})
            if known_one.input == one.name
            else known_one
            for known_one in out.assumed
        ]


def _split_hardness(known: dict[str, Span], out: Ranges) -> None:
    """Hardness [mol/L] against calcium and magnesium: checked, split where one of them is known, else swept over
    their share."""
    calcium, magnesium = CALCIUM.name, MAGNESIUM.name
    hardness = known.pop(HARDNESS.name, None)
    if hardness is None:
        return
    low, high = hardness
    if {calcium, magnesium} <= known.keys():
        both = [known[calcium][i] + known[magnesium][i] for i in (0, 1)]
        if both[0] > high * (1.0 + HARDNESS_AGREES) or both[1] < low * (1.0 - HARDNESS_AGREES):
            raise InputError(
                "hardness is not what calcium and magnesium make together",
                where="water",
                mend="check the three and their units, or leave the hardness out",
            )
        return
    for item, other in ((calcium, magnesium), (magnesium, calcium)):
        if other in known:
            if known[other][0] > high:
                raise InputError(
                    f"{other} alone is more than the hardness", where="water", mend="check both and their units"
                )
            known[item] = max(0.0, low - known[other][1]), max(0.0, high - known[other][0])
            return
    out.put(HARDNESS, (low / mol_per_mg(HARDNESS.name), high / mol_per_mg(HARDNESS.name)))
    out.miss(CALCIUM_SHARE)


def put_operation(pour: Pour, out: Ranges) -> None:
    """Ratio, and temperatures of bucket and line."""
    ratio = pour.injection.parts_of_water_range()
    if ratio is None:
        out.miss(INJECTION_RATIO)
    elif error := pour.injection.off_by:
        stated = ratio[0]
        low, high = max(1.0, stated * (1.0 - error.within_share)), stated * (1.0 + error.within_share)
        out.sweep(Unknown(INJECTION_RATIO, low, high, error.source, stated, error.find_out), "read-off-setting")
    else:
        out.put(INJECTION_RATIO, ratio)
    if pour.bucket.temperature is not None:
        out.put(BUCKET_TEMPERATURE, pour.bucket.temperature.span)
    else:
        out.miss(BUCKET_TEMPERATURE)
    if pour.injection.line_temperature is not None:
        out.put(LINE_TEMPERATURE, pour.injection.line_temperature.span)
    else:
        _line_temperature(out)


def _line_temperature(out: Ranges) -> None:
    """Line temperature that is not stated: from that of the water that fills it upwards."""
    known = out.table[LINE_TEMPERATURE.name]
    water = out.fixed.get(WATER_TEMPERATURE.name)
    low = known.low if water is None else min(water, known.high)
    out.sweep(replace(known, low=low), "not-stated")
