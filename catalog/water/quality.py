"""What a water test says by itself: clogging classes, hardness, and whether its charges balance."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Literal

from ..data import table
from ..once import once_for_each
from ..quantity.concentration import MG_PER_L_PER_GRAIN, READINGS, mol_per_mg
from ..quantity.measure import Measure
from ..quantity.reading import CACO3_G_PER_MOL
from ..quantity.table import (
    ALKALINITY,
    CALCIUM,
    CHLORIDE,
    HARDNESS,
    MAGNESIUM,
    NITRATE,
    PH,
    QUANTITIES,
    SODIUM,
    SULFATE,
)
from .analysis import WaterTest

CloggingClass = Literal["slight", "moderate", "severe"]
_CLASSES: tuple[CloggingClass, ...] = ("slight", "moderate", "severe")

Range = tuple[float, float]


@dataclass(frozen=True)
class ClassLimits:
    """Limits of an item's emitter-clogging classes, in `unit`."""

    item: str
    unit: str
    moderate_from: float
    severe_from: float

    def of(self, value: float) -> CloggingClass:
        """The class of a value in `unit`."""
        return _CLASSES[(value >= self.moderate_from) + (value >= self.severe_from)]


@cache
def class_limits() -> dict[str, ClassLimits]:
    """Limits of every item that has classes (data/water_classes.toml)."""
    return {row["item"]: ClassLimits(**row) for row in table("water_classes")["class"]}


@dataclass(frozen=True)
class Clogging:
    """One item's clogging class at the higher end of what was measured. value: in `unit`."""

    item: str
    value: float
    unit: str
    grade: CloggingClass


def clogging(water: WaterTest) -> list[Clogging]:
    """Clogging classes of the items that were tested, worst first."""
    found, ranges = [], water.ranges_mol_per_l()
    for item, limits in class_limits().items():
        value = _measured(water, ranges, item)
        if value is not None:
            found.append(Clogging(item, value, limits.unit, limits.of(value)))
    return sorted(found, key=lambda one: -_CLASSES.index(one.grade))


def _measured(water: WaterTest, ranges: Mapping[str, Range], item: str) -> float | None:
    if item == PH.name:
        return water.ph_range[1] if water.ph_range else None
    if item in READINGS:
        return ranges[item][1] / mol_per_mg(item) if item in ranges else None
    return water.other(item)


def flags(water: WaterTest) -> list[str]:
    """Items above the published level [meq/L] at which some fertilizers make solids of them."""
    ranges, found = water.ranges_mol_per_l(), []
    for item, limit in table("water_classes")["flag_meq_per_l"].items():
        charge = 1 if item == ALKALINITY.name else READINGS[item].charge
        if item in ranges and ranges[item][1] * charge * 1000.0 > limit:
            found.append(item)
    return found


def hardness_mg_per_l_caco3(water: WaterTest) -> Range | None:
    """Hardness, lowest and highest: as tested, else from calcium and magnesium; None where either is missing."""
    ranges = water.ranges_mol_per_l()
    if HARDNESS.name in ranges:
        low, high = ranges[HARDNESS.name]
    elif {CALCIUM.name, MAGNESIUM.name} <= ranges.keys():
        low, high = (ranges[CALCIUM.name][i] + ranges[MAGNESIUM.name][i] for i in (0, 1))
    else:
        return None
    return 1000.0 * CACO3_G_PER_MOL * low, 1000.0 * CACO3_G_PER_MOL * high


def hardness_word(mg_per_l_caco3: float) -> str:
    """What a hardness is called."""
    for word, up_to in table("water_classes")["hardness"].items():
        if mg_per_l_caco3 <= up_to:
            return str(word)
    return "very hard"


#: Charges per mole of what is in a water test; alkalinity is counted in charges already.
_CATIONS = {name: quantity.charge for name, quantity in QUANTITIES.items() if quantity.charge > 0}
_ANIONS = {name: -quantity.charge for name, quantity in QUANTITIES.items() if quantity.charge < 0}
#: Without these a balance says nothing.
MAJOR = tuple(name for name, quantity in QUANTITIES.items() if quantity.major)


@dataclass(frozen=True)
class Balance:
    """Charges of a water test [meq/L], each lowest and highest. off_percent: 100 (cations - anions) over their sum,
    at the least that the ranges leave; allowed_percent: what a good analysis is off by at most; untested: items that
    were not tested."""

    cations_meq_per_l: Range
    anions_meq_per_l: Range
    off_percent: float
    allowed_percent: float
    untested: tuple[str, ...] = ()

    @property
    def conclusive(self) -> bool:
        """True where the test tells: all of it was tested, or no value of what was not would balance it."""
        return not self.untested or self.off_percent != 0.0


@once_for_each(most=64)
def charge_balance(water: WaterTest, untested: Mapping[str, Range]) -> Balance | None:
    """Whether the charges of a water test can balance; None where too little was tested to tell.

    untested: lowest and highest of items that may be missing [mg/L; alkalinity as CaCO3].
    Allowed: 0.2 meq/L up to an anion sum of 3 meq/L, 2 percent up to 10, 5 percent beyond (from memory: Standard
    Methods for the Examination of Water and Wastewater, 1030 E).
    """
    return _balance(water.ranges_mol_per_l(), untested)


#: A stated range of no more than this, highest over lowest, is a number with its error: the charges are held against
#: its middle, so that it is judged no milder than the number. A wider one stands where it helps.
_AS_ONE_NUMBER = 1.51


def _as_number(stated: Range) -> Range:
    low, high = stated
    middle = 0.5 * (low + high)
    return (middle, middle) if high <= _AS_ONE_NUMBER * low else stated


def _balance(tested: Mapping[str, Range], untested: Mapping[str, Range]) -> Balance | None:
    if ALKALINITY.name not in tested or not {CALCIUM.name, HARDNESS.name} & tested.keys():
        return None
    known = {item: _as_number(stated) for item, stated in tested.items()}
    if HARDNESS.name in known:
        # Hardness stands for both, however it is split.
        known.pop(CALCIUM.name, None)
        known.pop(MAGNESIUM.name, None)
    for item in MAJOR:
        if item in known or (item in {CALCIUM.name, MAGNESIUM.name} and HARDNESS.name in known):
            continue
        known[item] = tuple(end * mol_per_mg(item) for end in untested[item])  # type: ignore[assignment]
    low, high = {}, {}
    for side, charges in (("cations", _CATIONS), ("anions", _ANIONS)):
        low[side] = 1000.0 * sum(known[item][0] * n for item, n in charges.items() if item in known)
        high[side] = 1000.0 * sum(known[item][1] * n for item, n in charges.items() if item in known)
    if low["cations"] > high["anions"]:
        cations, anions = low["cations"], high["anions"]
    elif low["anions"] > high["cations"]:
        cations, anions = high["cations"], low["anions"]
    else:
        cations = anions = max(low["cations"], low["anions"])
    missing = tuple(
        item for item in MAJOR if item not in tested and not (item == CALCIUM.name and HARDNESS.name in tested)
    )
    total = cations + anions
    allowed = 20.0 / max(total, 1e-9) if anions < 3.0 else 2.0 if anions < 10.0 else 5.0
    return Balance(
        (low["cations"], high["cations"]),
        (low["anions"], high["anions"]),
        100.0 * (cations - anions) / total if total else 0.0,
        allowed,
        missing,
    )


@dataclass(frozen=True)
class Misreading:
    """A unit that was perhaps written wrong: item, the unit that it has, the one that makes the charges balance."""

    item: str
    written: str
    meant: str
    mg_per_l: float

    @property
    def words(self) -> str:
        """One clause."""
        return f"it balances if {self.item} was meant {self.meant} instead of {self.written} ({self.mg_per_l:.3g} mg/L)"


def _misreadings(item: str) -> Iterator[tuple[str, str, float]]:
    """Usual slips of an item: written, meant, factor from what was read to what was meant."""
    if item in {CALCIUM.name, MAGNESIUM.name}:
        per_caco3 = mol_per_mg(HARDNESS.name) / mol_per_mg(item)
        yield "as the element", "as CaCO3", per_caco3
        yield "as CaCO3", "as the element", 1.0 / per_caco3
        yield "mg/L", "grains per gallon", MG_PER_L_PER_GRAIN * per_caco3
        yield "mg/L", "meq/L", 1.0 / READINGS[item].charge / 1000.0 / mol_per_mg(item)
        yield "mg/L", "mmol/L", 1.0 / 1000.0 / mol_per_mg(item)
    elif item in {HARDNESS.name, ALKALINITY.name}:
        yield "mg/L", "grains per gallon", MG_PER_L_PER_GRAIN
        yield "grains per gallon", "mg/L", 1.0 / MG_PER_L_PER_GRAIN
        yield "mg/L", "German degrees", 17.848
        yield "mg/L", "meq/L", 50.04
        if item == ALKALINITY.name:
            yield "as CaCO3", "as HCO3", 0.8202
            yield "as HCO3", "as CaCO3", 1.2193
    elif item == NITRATE.name:
        yield "as NO3", "as N", 4.4268
        yield "as N", "as NO3", 1.0 / 4.4268
    elif item == SULFATE.name:
        yield "as SO4", "as S", 2.9958
        yield "as S", "as SO4", 1.0 / 2.9958
    if item in {SODIUM.name, CHLORIDE.name, SULFATE.name, NITRATE.name}:
        yield "mg/L", "meq/L", 1.0 / READINGS[item].charge / 1000.0 / mol_per_mg(item)


def misreadings(water: WaterTest, untested: Mapping[str, Range]) -> list[Misreading]:
    """Slips of one unit that would bring the charges into balance, the best first."""
    tested = water.ranges_mol_per_l()
    slips: list[tuple[tuple[str, ...], tuple[str, str, float | None]]] = [
        ((item,), slip)
        for item in tested
        if item in {*MAJOR, HARDNESS.name, NITRATE.name}
        for slip in _misreadings(item)
    ]
    if {CALCIUM.name, MAGNESIUM.name} <= tested.keys():
        # Labs that print hardness as CaCO3 print both of its parts so.
        slips.append(((CALCIUM.name, MAGNESIUM.name), ("as the element", "as CaCO3", None)))
    found: list[tuple[float, Misreading]] = []
    for items, (written, meant, by) in slips:
        changed = dict(tested)
        for item in items:
            factor = mol_per_mg(HARDNESS.name) / mol_per_mg(item) if by is None else by
            changed[item] = tested[item][0] * factor, tested[item][1] * factor
        balance = _balance(changed, untested)
        if balance is not None and abs(balance.off_percent) <= balance.allowed_percent:
            value = changed[items[0]][1] / mol_per_mg(items[0])
            found.append((abs(balance.off_percent), Misreading(" and ".join(items), written, meant, value)))
    return [one for _, one in sorted(found, key=lambda pair: pair[0])]


#: Hardness and alkalinity up to this could be grains that were read as mg/L [mg/L CaCO3]; wells run from 1 to some 30
#: grains (common practice, no source).
_GRAINS_UP_TO = 40.0


def hardness_may_be_grains(water: WaterTest) -> float | None:
    """The hardness [mg/L CaCO3] that a water would have if its number was in grains per gallon, where that may be: a
    low number in mg/L, no sodium tested, and no softener told; else None."""
    ranges = water.ranges_mol_per_l()
    if HARDNESS.name not in ranges or water.softened or {SODIUM.name, CALCIUM.name, MAGNESIUM.name} & ranges.keys():
        return None
    if not _typed_as_mg_per_l(water.hardness):
        return None
    hardness = ranges[HARDNESS.name][1] / mol_per_mg(HARDNESS.name)
    return hardness * MG_PER_L_PER_GRAIN if hardness <= _GRAINS_UP_TO else None


def alkalinity_too(water: WaterTest) -> bool:
    """True where alkalinity may be in grains if hardness is: a low number in mg/L from the same strip."""
    ranges = water.ranges_mol_per_l()
    if ALKALINITY.name not in ranges or not _typed_as_mg_per_l(water.alkalinity):
        return False
    return ranges[ALKALINITY.name][1] / mol_per_mg(ALKALINITY.name) <= _GRAINS_UP_TO


def softened_or_grains(water: WaterTest) -> bool:
    """True where hardness can hardly be what it says: far more alkalinity than hardness, which only sodium brings
    (from memory: waters of a softener, or of sodium bicarbonate rock)."""
    ranges = water.ranges_mol_per_l()
    if hardness_may_be_grains(water) is None or ALKALINITY.name not in ranges:
        return False
    return 0.5 * ranges[ALKALINITY.name][0] > 3.0 * ranges[HARDNESS.name][1]


def _typed_as_mg_per_l(measure: Measure | None) -> bool:
    return measure is not None and any(unit in measure.own_unit.lower() for unit in ("mg/l", "ppm"))
