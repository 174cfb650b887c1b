"""A pour as a question in numbers: what is fixed, what is not known and over which range."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np
from rapidfuzz import fuzz

from ...catalog import Catalog, InputError, Product, UnknownName, WaterTest
from ...catalog.label.composition import Composition, composition, sources_on_label
from ...catalog.quantity import units
from ...catalog.quantity.units import mol_per_mg
from ..case.salts import Salt, salts
from ..chemistry.constants import Floats
from ..policy import Unknown
from ..policy.region import Region, region_named
from .assumed import Assumed
from .plan import Plan, plan
from .pour import Pour, PouredProduct, WaterInPour
from .ranges import Ranges, put_operation, put_water

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
#: Volume that a dissolved dry product takes up [L/kg] where nothing better is known, and to see whether
#: a pour fits its bucket at all; common practice, no source. The high end of fertilizer salts.
DISPLACED_L_PER_KG = 0.65
#: A bucket must keep this share of its volume as water to be called a solution.
LEAST_WATER_SHARE = 0.3
#: What an injector at a farm is filled with; more than this is a typing error.
MOST_BUCKET_L = 20_000.0

#: A well's name more alike than this (0-100) to one of the catalog is a typing error.
MISTYPED = 80.0

Columns = dict[str, Floats]


@dataclass(frozen=True)
class Poured:
    """A product in the bucket. mass_kg: as poured; composition: what it dissolves to; sources_of_label:
    the materials that its label names, as far as the catalog has them; soluble: whether it is said to dissolve, by
    whoever listed it or by its sources."""

    product: Product
    mass_kg: float
    composition: Composition
    amount: str
    sources_of_label: tuple[Product, ...] = ()
    soluble: bool = True

    @property
    def hazards(self) -> frozenset[str]:
        """Hazards of the product and of every source on its label."""
        return frozenset(self.product.hazards).union(*(source.hazards for source in self.sources_of_label))


@dataclass(frozen=True)
class Question:
    """The pour in numbers.

    bucket_l: volume that the bucket is filled up to, or (filled_up False) of the water that is taken.
    usual: ranges of what is not stated, in this region; region: its policy; plan: the drip and its times; day: of the
    pour.
    fixed: columns that are stated, one value each; unknowns: columns that are swept; label columns
    ("label_0") are whole numbers that choose among the mixtures a label allows, and "label_0_share" how far the
    product is from its best estimate towards that one. Units: parts of water, degC, pH, and mg/L for water items
    (alkalinity mg/L CaCO3).
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
    usual: Mapping[str, Unknown]
    plan: Plan
    region: Region
    day: date
    salts: tuple[Salt, ...]
    assumed: tuple[Assumed, ...] = ()

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
            **dict.fromkeys((f"{name}_share" for name in self.mixtures), 1.0),
        }

    def labeled(self, name: str) -> Poured:
        """The product whose label a label column chooses among the mixtures of."""
        return self.poured[int(name.removeprefix("label_"))]

    def stated(self, name: str) -> bool:
        """True for a column that the pour or the water test states, as a number or as a range."""
        return name in self.fixed or any(u.name == name and u.source == "stated" for u in self.unknowns)

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
    """Values of an unknown at shares 0..1 of its range, at 0.5 the best estimate: amounts by their square root, so
    that low values, where verdicts turn, are not skipped; temperatures and pH evenly."""
    evenly = unknown.unit in {"degC", "pH", "mol/mol", "of what it can lose"}
    low, high = (unknown.low, unknown.high) if evenly else (np.sqrt(unknown.low), np.sqrt(unknown.high))
    middle = 0.5 * (low + high)
    if unknown.best is not None:
        middle = unknown.best if evenly else np.sqrt(unknown.best)
    values = np.where(share < 0.5, low + 2.0 * share * (middle - low), middle + (2.0 * share - 1.0) * (high - middle))
    return np.asarray(values if evenly else values**2)


def mol_per_l(item: str, value: Floats) -> Floats:
    """Concentrations of a water item [mol/L, alkalinity mol of charge] from column units."""
    return np.asarray(value * mol_per_mg(item))


def ask(pour: Pour, catalog: Catalog) -> Question:
    """The question that a pour poses. Raises: InputError: what, where, how to mend it."""
    region = region_named(pour.region)
    poured = tuple(_poured(i, item, catalog) for i, item in enumerate(pour.product, start=1))
    filled_up = pour.bucket.volume is not None
    where = "bucket.volume" if filled_up else "bucket.water"
    bucket_l = units.volume_l(pour.bucket.measure, where)
    if bucket_l > MOST_BUCKET_L:
        raise InputError(f'"{pour.bucket.measure}" is no bucket', where=where, mend="check the unit")
    _fits(poured, bucket_l, pour.bucket.measure, where, filled_up)
    water = water_of(pour.water, catalog)
    ranges = Ranges(region.unknowns(), fixed={"amount_factor": 1.0})
    put_water(water, ranges)
    put_operation(pour, ranges)
    if any("CO3-2" in mixture.species_mol_per_kg for item in poured for mixture in item.composition.mixtures):
        ranges.miss(AIRED)
    assumed = ranges.assumed
    mixtures = {
        f"label_{i}": len(p.composition.mixtures) for i, p in enumerate(poured) if len(p.composition.mixtures) > 1
    }
    assumed.append(
        Assumed(
            input="bucket_volume",
            why="filled-up-to-volume" if filled_up else "added-to-water",
            low=bucket_l,
            high=bucket_l,
            unit="L",
        )
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
        assumed.append(Assumed(input="heat_of_solution", why="cooling-not-counted", unit="kJ/mol", about=tuple(cold)))
    known = {product.id: product for product in catalog.products()}
    materials = {item.product.id: item.product for item in poured}
    for item in poured:
        materials |= {name: known[name] for m in item.composition.mixtures for name in m.sources if name in known}
    return Question(
        pour,
        poured,
        bucket_l,
        filled_up,
        water,
        ranges.fixed,
        tuple(ranges.swept),
        mixtures,
        materials,
        ranges.table,
        plan(pour),
        region,
        pour.day,
        salts(catalog),
        tuple(assumed),
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
    known = composition(product, catalog.product, catalog.materials())
    soluble = bool(product.derived_from or product.content) or not item.inline or item.dissolving is not None
    return Poured(product, mass_kg, known, item.amount, tuple(sources_on_label(product, catalog.product)), soluble)


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


def water_of(item: WaterInPour | None, catalog: Catalog) -> WaterTest | None:
    """The water test of a pour: as written, of a well of the catalog, or of a well with items replaced."""
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
