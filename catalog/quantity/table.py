"""The one table of quantities: everything that a water test or a pour states as a number, declared once.

Ranges of what is not known, the sweep, margins, words, schemas, water classes and a region's policy all read it. A
quantity's name is the field that states it in a water test, and the name of its column in a question.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from .reading import CACO3_BASIS, CACO3_G_PER_MOL, Reading, mass_basis

#: How a range is walked: evenly, or evenly in the square root, so that low amounts, where verdicts turn, are not
#: skipped.
Scale = Literal["even", "root"]
#: What is done where it is not stated: its usual range is swept, it is taken as none, or it stays out.
Missing = Literal["swept", "none", "left out"]


@dataclass(frozen=True, slots=True)
class Lever:
    """The range over which a margin moves a quantity, and whether by ratios or by differences."""

    low: float
    high: float
    by_ratio: bool


@dataclass(frozen=True, slots=True, eq=False)
class Quantity:
    """Something that has a number.

    name: of its field and column; unit: in which the column holds it; spoken: in words; key: its name in answers;
    scale: how a range of it is walked; least, most: what can be stated at all, beyond which a unit is wrong;
    find_out: the cheapest way to learn it, at a cost from 1 (a look) to 4 (a lab) and 5 (a hot day).
    missing: what is done where it is not stated. species: the ion or molecule that a water item counts; charge: of a
    mole of it, for the balance of a water test; major: the balance needs it; asked_for: a water test without it is
    incomplete. matters_with: species of a product beside which one that is otherwise taken as none is swept.
    lever: how a margin moves it, None where it has none. reading: how labs write it, of a water item.
    """

    name: str
    unit: str
    spoken: str
    key: str
    scale: Scale
    least: float
    most: float
    find_out: str
    cost: int
    missing: Missing = "swept"
    species: str | None = None
    charge: int = 0
    major: bool = False
    asked_for: bool = False
    lever: Lever | None = None
    reading: Reading | None = None
    matters_with: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class SureQuantity(Quantity):
    """Something that every question has numbers of."""


@dataclass(frozen=True, slots=True, eq=False)
class OptionalQuantity(Quantity):
    """Something that a question may have no number of."""


def _lab(item: str) -> str:
    return f"{item} on a lab water test"


# The most that irrigation water holds [mg/L]: several times the usual ranges of FAO Irrigation and Drainage Paper 29,
# table 2 (from memory). Charges count for the balance; alkalinity and bicarbonate are counted in charges already.
ALKALINITY = SureQuantity(
    "alkalinity", "mg/L CaCO3", "water alkalinity", "water_alkalinity", "root", 0.0, 2500.0,
    "alkalinity test strip or drop kit", 2, charge=-1, major=True, asked_for=True, lever=Lever(5.0, 800.0, True),
    reading=Reading(1, {"CaCO3": (CACO3_G_PER_MOL, 2.0), "HCO3": mass_basis("HCO3")}, None, True),
)  # fmt: skip
BICARBONATE = OptionalQuantity(
    "bicarbonate", "mg/L", "water bicarbonate", "water_bicarbonate", "root", 0.0, 3050.0,
    "alkalinity test strip or drop kit", 2, missing="left out",
    reading=Reading(1, {"HCO3": mass_basis("HCO3"), "CaCO3": (CACO3_G_PER_MOL, 2.0)}, "HCO3", True),
)  # fmt: skip
CALCIUM = OptionalQuantity(
    "calcium", "mg/L", "water calcium", "water_calcium", "root", 0.0, 1200.0,
    "hardness test strip, or calcium on a lab water test", 2, species="Ca+2", charge=2, major=True, asked_for=True,
    lever=Lever(0.5, 600.0, True),
    reading=Reading(2, {"Ca": mass_basis("Ca"), "CaCO3": CACO3_BASIS}, "Ca", True),
)  # fmt: skip
MAGNESIUM = OptionalQuantity(
    "magnesium", "mg/L", "water magnesium", "water_magnesium", "root", 0.0, 900.0, _lab("magnesium"), 4,
    species="Mg+2", charge=2, major=True, asked_for=True,
    reading=Reading(2, {"Mg": mass_basis("Mg"), "CaCO3": CACO3_BASIS}, "Mg", True),
)  # fmt: skip
HARDNESS = OptionalQuantity(
    "hardness", "mg/L CaCO3", "water hardness", "water_hardness", "root", 0.0, 5000.0, _lab("hardness"), 4,
    missing="left out", charge=2, lever=Lever(2.0, 2000.0, True),
    reading=Reading(2, {"CaCO3": CACO3_BASIS}, "CaCO3", True),
)  # fmt: skip
SULFATE = SureQuantity(
    "sulfate", "mg/L", "water sulfate", "water_sulfate", "root", 0.0, 6000.0, _lab("sulfate"), 4,
    species="SO4-2", charge=-2, major=True, asked_for=True,
    reading=Reading(2, {"SO4": mass_basis("SO4"), "S": mass_basis("S")}, "SO4"),
)  # fmt: skip
SODIUM = SureQuantity(
    "sodium", "mg/L", "water sodium", "water_sodium", "root", 0.0, 6000.0, _lab("sodium"), 4,
    species="Na+", charge=1, major=True, asked_for=True,
    reading=Reading(1, {"Na": mass_basis("Na")}, "Na"),
)  # fmt: skip
POTASSIUM = SureQuantity(
    "potassium", "mg/L", "water potassium", "water_potassium", "root", 0.0, 500.0, _lab("potassium"), 4,
    missing="none", species="K+", charge=1,
    reading=Reading(1, {"K": mass_basis("K")}, "K"),
)  # fmt: skip
CHLORIDE = SureQuantity(
    "chloride", "mg/L", "water chloride", "water_chloride", "root", 0.0, 10000.0, _lab("chloride"), 4,
    species="Cl-", charge=-1, major=True, asked_for=True,
    reading=Reading(1, {"Cl": mass_basis("Cl")}, "Cl"),
)  # fmt: skip
AMMONIUM = OptionalQuantity(
    "ammonium", "mg/L", "water ammonium", "water_ammonium", "root", 0.0, 100.0, _lab("ammonium"), 4,
    missing="left out", species="NH4+", charge=1,
    reading=Reading(1, {"NH4": mass_basis("NH4"), "N": mass_basis("N"), "NH3": mass_basis("NH3")}, "NH4"),
)  # fmt: skip
NITRATE = SureQuantity(
    "nitrate", "mg/L", "water nitrate", "water_nitrate", "root", 0.0, 1500.0, _lab("nitrate"), 4,
    missing="none", species="NO3-", charge=-1, matters_with=("NO3-", "NH4+", "urea"),
    reading=Reading(1, {"NO3": mass_basis("NO3"), "N": mass_basis("N")}, "NO3"),
)  # fmt: skip
PHOSPHATE = SureQuantity(
    "phosphate", "mg/L", "water phosphate", "water_phosphate", "root", 0.0, 100.0, _lab("phosphate"), 4,
    missing="none", species="PO4-3", matters_with=("Ca+2",),
    reading=Reading(3, {"PO4": mass_basis("PO4"), "P": mass_basis("P")}, "PO4"),
)  # fmt: skip
IRON = SureQuantity(
    "iron", "mg/L", "water iron", "water_iron", "root", 0.0, 150.0, "iron test strip or iron on a lab water test", 2,
    species="Fe+2", charge=2, asked_for=True,
    reading=Reading(2, {"Fe": mass_basis("Fe")}, "Fe"),
)  # fmt: skip
MANGANESE = SureQuantity(
    "manganese", "mg/L", "water manganese", "water_manganese", "root", 0.0, 50.0, _lab("manganese"), 4,
    species="Mn+2", charge=2, asked_for=True,
    reading=Reading(2, {"Mn": mass_basis("Mn")}, "Mn"),
)  # fmt: skip
SULFIDE = OptionalQuantity(
    "sulfide", "mg/L", "water sulfide", "water_sulfide", "root", 0.0, 100.0, _lab("sulfide"), 4, missing="left out",
    reading=Reading(2, {"S": mass_basis("S"), "H2S": mass_basis("H2S")}, "S"),
)  # fmt: skip
BORON = SureQuantity(
    "boron", "mg/L", "water boron", "water_boron", "root", 0.0, 100.0, _lab("boron"), 4,
    missing="none", species="H3BO3", matters_with=("H3BO3",),
    reading=Reading(1, {"B": mass_basis("B")}, "B"),
)  # fmt: skip
SILICA = SureQuantity(
    "silica", "mg/L", "water silica", "water_silica", "root", 0.0, 250.0, _lab("silica"), 4, species="H4SiO4",
    reading=Reading(1, {"SiO2": mass_basis("SiO2"), "Si": mass_basis("Si")}, "SiO2"),
)  # fmt: skip
FLUORIDE = SureQuantity(
    "fluoride", "mg/L", "water fluoride", "water_fluoride", "root", 0.0, 50.0, _lab("fluoride"), 4,
    missing="none", species="F-", charge=-1,
    reading=Reading(1, {"F": mass_basis("F")}, "F"),
)  # fmt: skip
PH = SureQuantity(
    "ph", "pH", "water pH", "water_ph", "even", 3.0, 11.0, "pH strip or meter", 2, asked_for=True,
    lever=Lever(5.0, 9.5, False),
)  # fmt: skip
SUSPENDED_SOLIDS = OptionalQuantity(
    "suspended_solids", "mg/L", "suspended solids", "water_suspended_solids", "root", 0.0, 500_000.0,
    _lab("suspended solids"), 4, missing="left out",
)  # fmt: skip
BACTERIA = OptionalQuantity(
    "bacteria", "per mL", "water bacteria", "water_bacteria", "root", 0.0, 1e12, _lab("bacteria"), 4,
    missing="left out",
)  # fmt: skip
WATER_TEMPERATURE = SureQuantity(
    "water_temperature_c", "degC", "water temperature", "water_temperature", "even", 0.0, 100.0,
    "thermometer at the tap", 1,
)  # fmt: skip
CALCIUM_SHARE = OptionalQuantity(
    "calcium_share_of_hardness", "mol/mol", "calcium share of hardness", "calcium_share_of_hardness", "even", 0.0, 1.0,
    "calcium and magnesium split on a lab water test", 4,
)  # fmt: skip
#: Whether a hardness was in grains per gallon: 0 as typed, 1 in grains.
GRAINS = OptionalQuantity(
    "hardness_in_grains", "of the way to grains", "unit of the hardness", "unit_of_hardness", "root", 0.0, 1.0,
    "the unit on the strip or report; write gpg for grains, or say that it is softened or give its sodium", 1,
    missing="left out",
)  # fmt: skip
BUCKET_TEMPERATURE = SureQuantity(
    "bucket_temperature_c", "degC", "bucket temperature", "bucket_temperature", "even", 0.0, 100.0,
    "thermometer in the bucket", 1, lever=Lever(1.0, 45.0, False),
)  # fmt: skip
LINE_TEMPERATURE = SureQuantity(
    "line_temperature_c", "degC", "line temperature", "line_temperature", "even", 0.0, 100.0,
    "thermometer in the water of the last emitter, on a sunny afternoon", 5, lever=Lever(2.0, 60.0, False),
)  # fmt: skip
INJECTION_RATIO = SureQuantity(
    "injection_ratio", "parts of water per part of stock", "injection ratio", "injection_ratio", "root", 1.0, 10_000.0,
    "time how long the injector takes to draw a measured gallon, and read the flow", 2, lever=Lever(2.0, 5000.0, True),
)  # fmt: skip
#: How much of its carbon dioxide a bucket with carbonate in it has lost when it is injected.
CARBON_DIOXIDE_LOST = OptionalQuantity(
    "carbon_dioxide_lost", "of what it can lose", "carbon dioxide lost from the bucket", "carbon_dioxide_lost", "even",
    0.0, 1.0, "pH strip in the bucket just before injecting: it rises as the gas leaves", 2,
)  # fmt: skip
#: Heat taken up by a mole of a dry material that has none on record.
UNLISTED_HEAT = OptionalQuantity(
    "unlisted_heat_kj_per_mol", "kJ/mol", "heat of solution", "unlisted_heat", "even", -150.0, 100.0,
    "thermometer in the bucket before and after dissolving", 1,
)  # fmt: skip
#: Times the stated amounts.
AMOUNT_FACTOR = SureQuantity(
    "amount_factor", "times", "amount", "amount_factor", "root", 0.0, 100.0, "a scale", 1,
    lever=Lever(0.01, 20.0, True),
)  # fmt: skip

#: All of them, in the order in which margins, answers and tests list them; of what is not stated, in the order in which
#: it is asked for.
QUANTITIES: dict[str, Quantity] = {
    quantity.name: quantity
    for quantity in (
        AMOUNT_FACTOR, INJECTION_RATIO, PH, ALKALINITY, BICARBONATE, CALCIUM, MAGNESIUM, HARDNESS, SULFATE, SODIUM,
        POTASSIUM, CHLORIDE, AMMONIUM, NITRATE, PHOSPHATE, IRON, MANGANESE, SULFIDE, BORON, SILICA, FLUORIDE,
        SUSPENDED_SOLIDS, BACTERIA, WATER_TEMPERATURE, CALCIUM_SHARE, GRAINS, LINE_TEMPERATURE, BUCKET_TEMPERATURE,
        CARBON_DIOXIDE_LOST, UNLISTED_HEAT,
    )
}  # fmt: skip


#: The quantities that a margin moves, in the order in which an answer tells them.
LEVERS: tuple[Quantity, ...] = (
    AMOUNT_FACTOR, INJECTION_RATIO, CALCIUM, HARDNESS, ALKALINITY, PH, LINE_TEMPERATURE, BUCKET_TEMPERATURE,
)  # fmt: skip
