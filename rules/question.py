"""A pour as a question in numbers: what is fixed, what is not known and over which range."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, field
from functools import cache

import numpy as np
from rapidfuzz import fuzz

from ..catalog import Catalog, InputError, Product, UnknownName, WaterTest, slug, units
from ..catalog.composition import Composition, composition
from ..catalog.units import concentration_mol_per_l
from .chemistry.constants import Floats
from .policy import REGIONS, Unknown, default_unknowns
from .pour import Pour, PouredProduct, WaterInPour
from .salts import Salt, salts

#: How much of its carbon dioxide a bucket with carbonate in it has lost when it is injected.
AIRED = "carbon_dioxide_lost"
#: Species of each water-test item.
SPECIES_OF_ITEM = {
    "calcium": "Ca+2",
    "magnesium": "Mg+2",
    "sodium": "Na+",
    "potassium": "K+",
    "chloride": "Cl-",
    "sulfate": "SO4-2",
    "nitrate": "NO3-",
    "phosphate": "PO4-3",
    "iron": "Fe+2",
    "manganese": "Mn+2",
    "boron": "H3BO3",
    "silica": "H4SiO4",
    "fluoride": "F-",
}
#: Items that take no part in any computed solid at the levels that untested water holds; they are
#: set to zero when not tested, and the answer says so.
SPECTATORS = ("potassium", "nitrate", "phosphate", "boron", "fluoride")
#: Volume that a dissolved dry product takes up [L/kg] where nothing better is known, and to see whether
#: a pour fits its bucket at all; common practice, no source. The high end of fertilizer salts.
DISPLACED_L_PER_KG = 0.65
#: A bucket must keep this share of its volume as water to be called a solution.
LEAST_WATER_SHARE = 0.3
#: What an injector at a farm is filled with; more than this is a typing error.
MOST_BUCKET_L = 20_000.0

#: A well's name more alike than this (0-100) to one of the catalog is a typing error.
MISTYPED = 80.0
#: Hardness and its parts, measured apart, agree within this share (common practice, no source).
HARDNESS_AGREES = 0.15

Columns = dict[str, Floats]


@dataclass(frozen=True)
class Poured:
    """A product in the bucket. mass_kg: as poured; composition: what it dissolves to; sources_of_label:
    the materials that its label names, as far as the catalog has them."""

    product: Product
    mass_kg: float
    composition: Composition
    amount: str
    sources_of_label: tuple[Product, ...] = ()

    @property
    def hazards(self) -> frozenset[str]:
        """Hazards of the product and of every source on its label."""
        return frozenset(self.product.hazards).union(*(source.hazards for source in self.sources_of_label))


@dataclass(frozen=True)
class Question:
    """The pour in numbers.

    bucket_l: volume that the bucket is filled up to, or (filled_up False) of the water that is taken.
    fixed: columns that are stated, one value each; unknowns: columns that are swept; label columns
    ("label_0") are whole numbers that choose among the mixtures a label allows. Units: parts of
    water, degC, pH, and mg/L for water items (alkalinity mg/L CaCO3).
    """

    pour: Pour
    poured: tuple[Poured, ...]
    bucket_l: float
    filled_up: bool
    water: WaterTest | None
    fixed: dict[str, float]
    unknowns: tuple[Unknown, ...]
    mixtures: dict[str, int]
    materials: dict[str, Product]
    salts: tuple[Salt, ...]
    assumed: list[str] = field(default_factory=list)

    @property
    def most_amount_factor(self) -> float:
        """Times the stated amounts that the bucket has room for."""
        share = 1.0 - LEAST_WATER_SHARE
        return self.bucket_l * (share if self.filled_up else share / LEAST_WATER_SHARE) / displaced_l(self.poured)

    def material(self, material_id: str) -> Product:
        """A material that a product is made of."""
        return self.materials[material_id]

    def nominal(self) -> dict[str, float]:
        """One scenario: what is stated, and the middle of each range that is not."""
        return {
            **self.fixed,
            **{unknown.name: middle(unknown) for unknown in self.unknowns},
            **dict.fromkeys(self.mixtures, 0.0),
        }

    def columns(self, rows: int, **changed: Floats | float) -> Columns:
        """`rows` copies of the nominal scenario with some columns replaced."""
        base = {name: np.full(rows, value) for name, value in self.nominal().items()}
        for name, values in changed.items():
            base[name] = np.broadcast_to(np.asarray(values, dtype=float), (rows,)).copy()
        return base


def middle(unknown: Unknown) -> float:
    """Middle of a range, on the scale on which it is swept."""
    return float(from_unit(unknown, np.array([0.5]))[0])


def from_unit(unknown: Unknown, share: Floats) -> Floats:
    """Values of an unknown at shares 0..1 of its range: amounts by their square root, so that low
    values, where verdicts turn, are not skipped; temperatures and pH evenly."""
    if unknown.unit in {"degC", "pH", "mol/mol", "of what it can lose"}:
        return np.asarray(unknown.low + share * (unknown.high - unknown.low))
    low, high = np.sqrt(unknown.low), np.sqrt(unknown.high)
    return np.asarray((low + share * (high - low)) ** 2)


@cache
def _mol_per_unit(item: str) -> float:
    """mol/L (alkalinity: mol of charge) in one column unit of a water item."""
    unit = "mg/L CaCO3" if item == "alkalinity" else "mg/L"
    return concentration_mol_per_l(item, f"1 {unit}")


def mol_per_l(item: str, value: Floats) -> Floats:
    """Concentrations of a water item [mol/L, alkalinity mol of charge] from column units."""
    return np.asarray(value * _mol_per_unit(item))


def ask(pour: Pour, catalog: Catalog) -> Question:
    """The question that a pour poses. Raises: InputError: what, where, how to mend it."""
    if pour.region is not None and slug(pour.region) not in REGIONS:
        raise InputError(
            f'region "{pour.region}" is not known', where="region", mend=f"leave it out, or write {', '.join(REGIONS)}"
        )
    poured = tuple(_poured(i, item, catalog) for i, item in enumerate(pour.product, start=1))
    filled_up = pour.bucket.volume is not None
    where = "bucket.volume" if filled_up else "bucket.water"
    bucket_l = units.volume_l(pour.bucket.measure, where)
    if bucket_l > MOST_BUCKET_L:
        raise InputError(f'"{pour.bucket.measure}" is no bucket', where=where, mend="check the unit")
    _fits(poured, bucket_l, pour.bucket.measure, where, filled_up)
    water = _water(pour.water, catalog)
    fixed: dict[str, float] = {"amount_factor": 1.0}
    unknown_names: list[str] = []
    assumed: list[str] = []
    _water_columns(water, fixed, unknown_names, assumed)
    _operation_columns(pour, water, fixed, unknown_names)
    if any("CO3-2" in mixture.species_mol_per_kg for item in poured for mixture in item.composition.mixtures):
        unknown_names.append(AIRED)
    table = default_unknowns()
    unknowns = []
    for name in unknown_names:
        unknown = table[name]
        if name == "line_temperature_c" and "water_temperature_c" in fixed:
            low = min(fixed["water_temperature_c"], unknown.high)
            unknown = Unknown(name, low, unknown.high, unknown.unit, unknown.find_out, unknown.source)
        unknowns.append(unknown)
        assumed.append(f"{spoken(name)} not stated: swept {unknown.low:.3g} to {unknown.high:.3g} {unknown.unit}")
    mixtures = {
        f"label_{i}": len(p.composition.mixtures) for i, p in enumerate(poured) if len(p.composition.mixtures) > 1
    }
    assumed.append(
        ("bucket filled with this water up to its volume" if filled_up else "the products go into this much water")
        + "; ratio is stock to water"
    )
    cold = sorted(
        {
            source.name
            for item in poured
            for source in (item.product, *item.sources_of_label)
            if source.content and source.form == "dry" and "heat_of_solution" not in source.numbers
        }
    )
    if cold:
        assumed.append(f"no heat of solution on record, cooling not counted: {', '.join(cold)}")
    materials = {item.product.id: item.product for item in poured}
    materials |= {source.id: source for item in poured for source in item.sources_of_label}
    return Question(
        pour, poured, bucket_l, filled_up, water, fixed, tuple(unknowns), mixtures, materials, salts(catalog), assumed
    )


def spoken(name: str) -> str:
    """An input's name in words."""
    plain = name.removesuffix("_c").replace("_", " ")
    return {"ph": "water pH", "carbon dioxide lost": "carbon dioxide lost from the bucket"}.get(
        plain, plain if " " in plain else f"water {plain}"
    )


def _poured(row: int, item: PouredProduct, catalog: Catalog) -> Poured:
    product = item.described() if item.inline else catalog.product(item.name)
    where = f"product {row} ({product.name}), amount"
    stated = item.density
    density = (
        units.density_kg_per_l(stated, f"product {row} ({product.name}), density")
        if stated is not None
        else (product.density.kg_per_l if product.density else None)
    )
    if units.is_volume(item.amount, where) and product.form == "dry" and stated is None:
        raise InputError(
            f'"{item.amount}" is a volume of a dry product',
            where=where,
            mend="weigh it: write lb, oz, kg or g",
        )
    mass_kg = units.mass_kg(item.amount, density, where)
    sources = []
    for name in product.derived_from:
        with suppress(UnknownName):
            sources.append(catalog.product(name))
    known = composition(product, catalog.product)
    return Poured(product, mass_kg, known, item.amount, tuple(sources))


def displaced_l(poured: tuple[Poured, ...]) -> float:
    """Volume of the bucket that the products take up [L]."""
    total = 0.0
    for item in poured:
        density = item.product.density
        if item.product.form == "liquid" and density is not None:
            total += item.mass_kg / density.kg_per_l
        else:
            total += item.mass_kg * DISPLACED_L_PER_KG
    return total


def _fits(poured: tuple[Poured, ...], bucket_l: float, volume: str, where: str, filled_up: bool) -> None:
    taken = displaced_l(poured)
    made_up = bucket_l if filled_up else bucket_l + taken
    if taken > made_up * (1.0 - LEAST_WATER_SHARE):  # as most_amount_factor
        biggest = max(poured, key=lambda item: item.mass_kg)
        raise InputError(
            f'"{biggest.amount}" of {biggest.product.name} does not leave enough water in a bucket of {volume}',
            where=where,
            mend="check amount and unit, or take a larger bucket",
        )


def _water(item: WaterInPour | None, catalog: Catalog) -> WaterTest | None:
    if item is None:
        return None
    own = item.model_dump(exclude_none=True, exclude={"id", "name", "invented", "notes", "source"})
    name = item.name or item.id
    if not name:
        return item
    if own:
        try:
            known = catalog.water(name).model_dump(exclude_none=True)
        except UnknownName as unknown:
            # A test written out under a name of its own is one thing, a mistyped well another.
            if any(fuzz.ratio(name.casefold(), near.casefold()) > MISTYPED for near in unknown.nearest):
                raise
            return item
        if {"alkalinity", "bicarbonate"} & own.keys():
            known.pop("alkalinity", None)
            known.pop("bicarbonate", None)
        return WaterTest.model_validate({**known, **own})
    return catalog.water(name)


def _water_columns(water: WaterTest | None, fixed: dict[str, float], unknown: list[str], assumed: list[str]) -> None:
    known = water.concentrations_mol_per_l() if water else {}
    hardness = known.pop("hardness", None)
    if hardness is not None:
        both = known.get("calcium", 0.0) + known.get("magnesium", 0.0)
        if {"calcium", "magnesium"} <= known.keys() and abs(both - hardness) > HARDNESS_AGREES * hardness:
            raise InputError(
                "hardness is not what calcium and magnesium make together",
                where="water",
                mend="check the three, or leave the hardness out",
            )
        for item, other in (("calcium", "magnesium"), ("magnesium", "calcium")):
            if item not in known and other in known:
                if known[other] > hardness:
                    raise InputError(f"{other} alone is more than the hardness", where="water", mend="check both")
                known[item] = hardness - known[other]
        if "calcium" not in known and "magnesium" not in known:
            fixed["hardness"] = hardness / _mol_per_unit("hardness")
            unknown.append("calcium_share_of_hardness")
    for item, value in known.items():
        fixed[item] = value / _mol_per_unit(item)
    table = default_unknowns()
    ask_for = (
        "alkalinity",
        "calcium",
        "magnesium",
        "sulfate",
        "sodium",
        "chloride",
        "iron",
        "manganese",
        "silica",
    )
    for item in ask_for:
        if item in fixed or (item in {"calcium", "magnesium"} and "hardness" in fixed):
            continue
        assert item in table
        unknown.append(item)
    if water is not None and water.ph is not None:
        fixed["ph"] = water.ph
    else:
        unknown.append("ph")
    temperature = water.other("temperature") if water is not None else None
    if temperature is not None:
        fixed["water_temperature_c"] = temperature
    else:
        unknown.append("water_temperature_c")
    left_out = [item for item in SPECTATORS if item not in fixed]
    if left_out:
        assumed.append(f"not tested, taken as none (no part in any solid here): {', '.join(left_out)}")


def _operation_columns(pour: Pour, water: WaterTest | None, fixed: dict[str, float], unknown: list[str]) -> None:
    del water
    parts = pour.injection.parts_of_water()
    if parts is None:
        unknown.append("injection_ratio")
    else:
        fixed["injection_ratio"] = parts
    for name, text, where in (
        ("bucket_temperature_c", pour.bucket.temperature, "bucket.temperature"),
        ("line_temperature_c", pour.injection.line_temperature, "injection.line_temperature"),
    ):
        if text is None:
            unknown.append(name)
        else:
            fixed[name] = units.temperature_c(text, where)
    for name in ("charge", "inject", "flush"):
        text = getattr(pour.injection, name)
        if text is not None:
            units.time_min(text, f"injection.{name}")
