"""What is known of water, temperatures and ratio, as numbers or as ranges: stated, regional or default."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from ...catalog import InputError, WaterTest
from ...catalog.quantity import units
from ...catalog.quantity.units import concentration_unit, mol_per_mg
from ...catalog.water.quality import hardness_may_be_grains
from ..policy import Unknown, dial
from .assumed import Assumed, Why
from .pour import Pour

#: Items that take no part in any computed solid at the levels that untested water holds; they are
#: set to zero when not tested, and the answer says so.
SPECTATORS = ("potassium", "nitrate", "phosphate", "boron", "fluoride")
#: Items whose range is swept when they are not tested, in the order in which they are asked for.
_SWEPT = ("alkalinity", "calcium", "magnesium", "sulfate", "sodium", "chloride", "iron", "manganese", "silica")
#: Hardness and its parts, measured apart, agree within this share (common practice, no source).
HARDNESS_AGREES = 0.15

#: Column of a hardness that was perhaps in grains per gallon: 0 as typed, 1 in grains.
GRAINS = "hardness_in_grains"
_GRAINS_FIND_OUT = (
    "the unit on the strip or report; write gpg for grains, or say that it is softened or give its sodium"
)

Span = tuple[float, float]


@dataclass
class Ranges:
    """Columns of a question while they are gathered. fixed: what is one number; swept: what is a range; assumed:
    what to tell about it."""

    table: Mapping[str, Unknown]
    fixed: dict[str, float] = field(default_factory=dict)
    swept: list[Unknown] = field(default_factory=list)
    assumed: list[Assumed] = field(default_factory=list)

    def has(self, name: str) -> bool:
        """True when the column is there already, as a number or as a range."""
        return name in self.fixed or any(unknown.name == name for unknown in self.swept)

    def put(self, name: str, span: Span, unit: str) -> None:
        """A column that was stated, as a number or a range."""
        low, high = span
        if high - low <= 1e-9 * max(abs(high), 1e-9):
            self.fixed[name] = low
            return
        known = self.table.get(name)
        how = (known.find_out, known.cost) if known else (f"{name.replace('_', ' ')} on a lab water test", 4)
        self.sweep(Unknown(name, low, high, unit, how[0], "stated", how[1]), "stated-as-range")

    def miss(self, name: str) -> None:
        """A column that was not stated: its range is the region's or the default one."""
        self.sweep(self.table[name], "not-stated")

    def sweep(self, unknown: Unknown, why: Why) -> None:
        """A column that is swept, and why."""
        self.swept.append(unknown)
        self.assumed.append(Assumed(input=unknown.name, why=why, low=unknown.low, high=unknown.high, unit=unknown.unit))


def spoken(name: str) -> str:
    """An input's name in words."""
    plain = name.removesuffix("_c").replace("_", " ")
    special = {
        "hardness in grains": "unit of the hardness",
        "ph": "water pH",
        "carbon dioxide lost": "carbon dioxide lost from the bucket",
    }
    return special.get(plain, plain if " " in plain else f"water {plain}")


#: Units that the name of an input says already.
_UNSPOKEN_UNITS = {"pH", "mol/mol", "parts of water per part of stock"}


def value_words(at: float, unit: str, low: float, high: float) -> tuple[str, str]:
    """A value at which something turns, with its unit, and the spread of it over what else is not known."""
    spread = ""
    if high - low > 0.02 * max(abs(high), 1e-9):
        spread = f" ({low:.3g} to {high:.3g} with the rest of what is not known)"
    return f"{at:.3g}" + ("" if unit in _UNSPOKEN_UNITS else f" {unit}"), spread


def put_water(water: WaterTest | None, out: Ranges) -> None:
    """Columns of the water: every item tested, or swept; hardness split by what is known of it."""
    known = dict(water.ranges_mol_per_l()) if water else {}
    if water is not None and hardness_may_be_grains(water):
        # Whichever unit it was, the answer has to hold; grains of alkalinity go along.
        out.sweep(
            Unknown(GRAINS, 0.0, 1.0, "of the way to grains", _GRAINS_FIND_OUT, "stated", 1, best=0.0),
            "unit-in-doubt",
        )
    _split_hardness(known, out)
    for item, (low, high) in known.items():
        out.put(item, (low / mol_per_mg(item), high / mol_per_mg(item)), concentration_unit(item))
    for item in _SWEPT:
        if not out.has(item) and not (item in {"calcium", "magnesium"} and out.has("hardness")):
            out.miss(item)
    if water is not None and water.ph_range is not None:
        out.put("ph", water.ph_range, "pH")
    else:
        out.miss("ph")
    for item, unit in (("suspended_solids", "mg/L"), ("bacteria", "per mL")):
        if water is not None and (found := water.other_range(item)) is not None:
            out.put(item, found, unit)
    if water is not None and (found := water.other_range("temperature")) is not None:
        out.put("water_temperature_c", found, "degC")
    else:
        out.miss("water_temperature_c")
    left_out = [item for item in SPECTATORS if not out.has(item)]
    if left_out:
        out.assumed.append(
            Assumed(
                input="water", why="not-tested-taken-as-none", low=0.0, high=0.0, unit="mg/L", about=tuple(left_out)
            )
        )


def _split_hardness(known: dict[str, Span], out: Ranges) -> None:
    """Hardness [mol/L] against calcium and magnesium: checked, split where one of them is known, else swept over
    their share."""
    hardness = known.pop("hardness", None)
    if hardness is None:
        return
    low, high = hardness
    if {"calcium", "magnesium"} <= known.keys():
        both = [known["calcium"][i] + known["magnesium"][i] for i in (0, 1)]
        if both[0] > high * (1.0 + HARDNESS_AGREES) or both[1] < low * (1.0 - HARDNESS_AGREES):
            raise InputError(
                "hardness is not what calcium and magnesium make together",
                where="water",
                mend="check the three and their units, or leave the hardness out",
            )
        return
    for item, other in (("calcium", "magnesium"), ("magnesium", "calcium")):
        if other in known:
            if known[other][0] > high:
                raise InputError(
                    f"{other} alone is more than the hardness", where="water", mend="check both and their units"
                )
            known[item] = max(0.0, low - known[other][1]), max(0.0, high - known[other][0])
            return
    out.put("hardness", (low / mol_per_mg("hardness"), high / mol_per_mg("hardness")), concentration_unit("hardness"))
    out.miss("calcium_share_of_hardness")


def put_operation(pour: Pour, out: Ranges) -> None:
    """Columns of the ratio and of the temperatures of bucket and line."""
    ratio = pour.injection.parts_of_water_range()
    if ratio is None:
        out.miss("injection_ratio")
    elif ratio[0] == ratio[1] and pour.injection.off_a_dial:
        error, stated = dial(), ratio[0]
        known = out.table["injection_ratio"]
        low, high = max(1.0, stated * (1.0 - error.within_share)), stated * (1.0 + error.within_share)
        out.sweep(
            Unknown(known.name, low, high, known.unit, error.find_out, error.source, known.cost, best=stated),
            "read-off-setting",
        )
    else:
        out.put("injection_ratio", ratio, out.table["injection_ratio"].unit)
    for name, text, where in (
        ("bucket_temperature_c", pour.bucket.temperature, "bucket.temperature"),
        ("line_temperature_c", pour.injection.line_temperature, "injection.line_temperature"),
    ):
        if text is not None:
            out.put(name, units.read_span(text, units.temperature_c, where), "degC")
        elif name == "line_temperature_c":
            _line_temperature(out)
        else:
            out.miss(name)


def _line_temperature(out: Ranges) -> None:
    """Line temperature that is not stated: from that of the water that fills it upwards."""
    known = out.table["line_temperature_c"]
    water = out.fixed.get("water_temperature_c")
    low = known.low if water is None else min(water, known.high)
    out.sweep(Unknown(known.name, low, known.high, known.unit, known.find_out, known.source, known.cost), "not-stated")
