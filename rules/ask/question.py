"""A pour as a question in numbers: what is fixed, what is not known and over which range."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from math import sqrt

import numpy as np

from ...catalog import Catalog, InputError, JarTest, Product, UnknownName, WaterTest
from ...catalog.label.composition import Composition, composition, sources_on_label
from ...catalog.label.grades import composition_of_grades, grade_words, of_some_grade
from ...catalog.label.hazards import hazards_of_name
from ...catalog.quantity.measure import Measure
from ...catalog.quantity.table import (
    ALKALINITY,
    AMOUNT_FACTOR,
    BICARBONATE,
    CARBON_DIOXIDE_LOST,
    UNLISTED_HEAT,
    Quantity,
)
from ...catalog.text import quoted
from ..policy import Unknown
from ..policy.region import Region, region_of
from .assumed import Assumed
from .columns import Columns, Floats
from .day import RELEASED
from .jars import jars_like
from .plan import Plan, plan
from .pour import Pour, PouredProduct, WaterInPour
from .ranges import Ranges, put_operation, put_water
from .salts import Salt, salts, solid_of
from .weight import Weight, weigh

#: Volume that a dissolved dry product takes up [L/kg] where nothing better is known, and to see whether
#: a pour fits its bucket at all; common practice, no source. The high end of fertilizer salts.
DISPLACED_L_PER_KG = 0.65
#: A bucket must keep this share of its volume as water to be called a solution.
LEAST_WATER_SHARE = 0.3
#: Less of dry products than this in a liter moves its temperature by less than a degree [kg/L]: 10 g at 35 kJ/mol and
#: 85 g/mol, over 4.2 kJ/K.
LEAST_HEAT_KG_PER_L = 0.01
#: What an injector at a farm is filled with; more than this is a typing error.
MOST_BUCKET_L = 20_000.0

#: A well's name more alike than this (0-100) to one of the catalog is a typing error.
MISTYPED = 80.0


@dataclass(frozen=True)
class Poured:
    """A product in the bucket. mass_kg: as poured, the best estimate where the amount leaves it open, and weight what
    is then swept; composition: what it dissolves to; sources_of_label: the materials that its label names, as far as
    the catalog has them; soluble: whether it is said to dissolve, by whoever listed it or by its sources; grades: those
    that its name may mean, the mixtures of its composition from the second on, empty where it means one."""

    product: Product
    mass_kg: float
    composition: Composition
    amount: Measure
    sources_of_label: tuple[Product, ...] = ()
    soluble: bool = True
    by_name: frozenset[str] = frozenset()
    weight: Weight | None = None
    grades: tuple[Product, ...] = ()

    def kg(self, columns: Columns) -> Floats:
        """Mass of it in the bucket, in scenarios, (B,)."""
        factor = columns.of(AMOUNT_FACTOR)
        if self.weight is None:
            return self.mass_kg * factor
        weight = columns.of(self.weight.unknown.quantity)
        assert weight is not None, "it is swept"
        return np.asarray(self.weight.kg_per_unit * weight * factor)

    @property
    def heaviest_kg(self) -> float:
        """The most of it that the stated amount may be."""
        return self.mass_kg if self.weight is None else self.weight.heaviest_kg

    @cached_property
    def hazards(self) -> frozenset[str]:
        """Hazards of the product and of every source on its label; of what the catalog lacks, as far as names tell."""
        own = frozenset(self.product.hazards) | self.by_name
        return own.union(*(source.hazards for source in self.sources_of_label))

    @property
    def likely(self) -> Product:
        """The product, or the first of the grades that it may be."""
        return self.grades[0] if self.grades else self.product

    @property
    def well_known(self) -> bool:
        """True where it is known which chemicals are in it."""
        return self.composition.listed and bool(self.composition.mixtures) and not self.composition.gaps


@dataclass(frozen=True)
class Question:
    """The pour in numbers.

    bucket_l: volume that the bucket is filled up to, or (filled_up False) of the water that is taken.
    usual: ranges of what is not stated, in this region; region: its policy; plan: the drip and its times; day: of the
    pour, or (day_stated False) the first that it may be.
    fixed: quantities that have one value, by name in their unit; unknowns: those that are swept; known: names of those
    that the pour or the water test states, as a number or as a range. assumed: what was taken for the rest. jars: jar
    tests of the same products.
    """

    pour: Pour
    poured: tuple[Poured, ...]
    bucket_l: float
    filled_up: bool
    water: WaterTest | None
    fixed: dict[str, float]
    unknowns: tuple[Unknown, ...]
    known: frozenset[str]
    materials: dict[str, Product]
    usual: Mapping[str, Unknown]
    plan: Plan
    region: Region
    day: date
    day_stated: bool
    salts: tuple[Salt, ...]
    assumed: tuple[Assumed, ...] = ()
    jars: tuple[JarTest, ...] = ()

    @property
    def room_l(self) -> float:
        """Volume that products may take up in the bucket altogether [L]."""
        share = 1.0 - LEAST_WATER_SHARE
        return self.bucket_l * (share if self.filled_up else share / LEAST_WATER_SHARE)

    @property
    def most_amount_factor(self) -> float:
        """Times the stated amounts that the bucket has room for."""
        return self.room_l / displaced_l(self.poured)

    @cached_property
    def brought(self) -> frozenset[str]:
        """Species that the products may bring."""
        mixtures = (mixture for item in self.poured for mixture in item.composition.mixtures)
        return frozenset(
            name for mixture in mixtures for name, moles in mixture.species_mol_per_kg.items() if moles > 0.0
        )

    @cached_property
    def solids(self) -> Mapping[str, str | None]:
        """Names of the phases that the materials are as solids, by id; None where one is none that can be computed."""
        return {material_id: solid_of(material) for material_id, material in self.materials.items()}

    def material(self, material_id: str) -> Product:
        """A material that a product is made of."""
        return self.materials[material_id]

    @property
    def open_labels(self) -> tuple[int, ...]:
        """Places in the pour of the products whose labels leave more than one mixture."""
        return tuple(i for i, item in enumerate(self.poured) if len(item.composition.mixtures) > 1)

    def nominal(self) -> dict[str, float]:
        """One scenario: what is stated, and the best estimate of what is not, by quantity name."""
        return {**self.fixed, **{unknown.name: middle(unknown) for unknown in self.unknowns}}

    def stated(self, quantity: Quantity) -> bool:
        """True for a quantity that the pour or the water test states, as a number or as a range."""
        return quantity.name in self.known

    def columns(self, rows: int) -> Columns:
        """`rows` copies of the nominal scenario, every label at its best estimate."""
        shape = (rows, len(self.poured))
        nominal = self.nominal()
        table = np.repeat(np.array([*nominal.values()])[:, None], rows, axis=1)
        numbers = dict(zip(nominal, table, strict=True))
        return Columns(numbers, np.zeros(shape, dtype=np.int64), np.ones(shape))


def matters_beside(quantity: Quantity, composition: Composition) -> bool:
    """Whether a quantity that is not stated is looked at beside a product; most are beside any."""
    if quantity is CARBON_DIOXIDE_LOST:
        return any("CO3-2" in mixture.species_mol_per_kg for mixture in composition.mixtures)
    return quantity.missing != "none" or not composition.bounds_mol_per_kg.keys().isdisjoint(quantity.matters_with)


def middle(unknown: Unknown) -> float:
    """Middle of a range, on the scale on which it is swept."""
    if unknown.quantity.scale == "even":
        return 0.5 * (unknown.low + unknown.high) if unknown.best is None else unknown.best
    root = 0.5 * (sqrt(unknown.low) + sqrt(unknown.high)) if unknown.best is None else sqrt(unknown.best)
    return root * root


def from_unit(unknown: Unknown, share: Floats) -> Floats:
    """Values of an unknown at shares 0..1 of its range on the scale of its quantity, at 0.5 the best estimate."""
    evenly = unknown.quantity.scale == "even"
    low, high = (unknown.low, unknown.high) if evenly else (sqrt(unknown.low), sqrt(unknown.high))
    middle = 0.5 * (low + high)
    if unknown.best is not None:
        middle = unknown.best if evenly else sqrt(unknown.best)
    values = np.interp(share, (0.0, 0.5, 1.0), (low, middle, high))
    return np.asarray(values if evenly else values**2)


def ask(
    pour: Pour, catalog: Catalog, *, in_water_of: Question | None = None, known: Mapping[int, Poured] | None = None
) -> Question:
    """The question that a pour poses. in_water_of: a question about the same water, which is then not read again;
    known: products that were looked up already, by the id() of their line in a pour.

    Raises: InputError: what, where, how to mend it.
    """
    region = region_of(pour.region, catalog)
    known = known or {}
    poured = tuple(known.get(id(item)) or _poured(i, item, catalog) for i, item in enumerate(pour.product, start=1))
    inline = any(item.inline for item in pour.product)
    filled_up = pour.bucket.volume is not None
    where = "bucket.volume" if filled_up else "bucket.water"
    bucket_l = pour.bucket.measure.low
    if bucket_l > MOST_BUCKET_L:
        raise InputError(f"{quoted(pour.bucket.measure.text)} is no bucket", where=where, mend="check the unit")
    _fits(poured, bucket_l, pour.bucket.measure.text, where, filled_up)
    water = in_water_of.water if in_water_of is not None else water_of(pour.water, catalog, pour.day)
    ranges = Ranges(region.unknowns(), fixed={AMOUNT_FACTOR.name: 1.0})
    put_water(water, ranges, {name for item in poured for name in item.composition.bounds_mol_per_kg})
    put_operation(pour, ranges)
    for item in poured:
        if item.weight is not None:
            ranges.sweep(item.weight.unknown, item.weight.why, about=(item.weight.spoken,))
        if item.grades:
            told = tuple(grade_words(grade) for grade in item.grades)
            ranges.assumed.append(Assumed(input="grade", why="grade-not-stated", about=(item.product.name, *told)))
    if any(matters_beside(CARBON_DIOXIDE_LOST, item.composition) for item in poured):
        ranges.miss(CARBON_DIOXIDE_LOST)
    assumed = ranges.assumed
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
    if cold and sum(item.mass_kg for item in poured if item.product.form == "dry") > LEAST_HEAT_KG_PER_L * bucket_l:
        ranges.miss(UNLISTED_HEAT)
    elif cold:
        assumed.append(Assumed(input="heat_of_solution", why="cooling-not-counted", unit="kJ/mol", about=tuple(cold)))
    made_of = {name for item in poured for mixture in item.composition.mixtures for name in mixture.sources}
    materials = {item.product.id: item.product for item in poured}
    materials |= {material.id: material for material in catalog.products_of(sorted(made_of))}
    return Question(
        pour,
        poured,
        bucket_l,
        filled_up,
        water,
        ranges.fixed,
        tuple(ranges.swept),
        frozenset(ranges.stated),
        materials,
        ranges.table,
        plan(pour),
        region,
        pour.day or RELEASED,
        pour.day is not None,
        salts(catalog),
        tuple(assumed),
        # What is only tried, such as a swap, has none.
        () if in_water_of is not None or inline else jars_like((item.product.id for item in poured), water, catalog),
    )


def _poured(row: int, item: PouredProduct, catalog: Catalog) -> Poured:
    grades = () if item.inline else catalog.grades(item.name)
    if grades:
        product = of_some_grade(item.name, grades)
    else:
        product = item.described() if item.inline else catalog.product(item.name)
    where = f"product {row} ({product.name}), amount"
    stated = None if item.density is None else item.density.low
    mass_kg, weight = weigh(row, product, item.amount, stated, where, grades)
    shelf = () if product.content or product.derived_from else catalog.materials()
    known = composition_of_grades(grades) if grades else composition(product, catalog.product, shelf)
    soluble = bool(product.derived_from or product.content) or not item.inline or item.dissolving is not None
    sources = grades or tuple(sources_on_label(product, catalog.product))
    # What the catalog lacks warns by its name alone.
    words = [product.name, *product.derived_from] if item.inline or known.gaps else []
    by_name: frozenset[str] = frozenset().union(*(hazards_of_name(word) for word in words))
    return Poured(product, mass_kg, known, item.amount, sources, soluble, by_name, weight, grades)


def displaced_l_per_kg(product: Product) -> float:
    """Volume of the bucket that a product takes up [L/kg]."""
    if product.form == "liquid" and product.density is not None:
        return 1.0 / product.density.kg_per_l
    return DISPLACED_L_PER_KG


def displaced_l(poured: tuple[Poured, ...]) -> float:
    """Volume of the bucket that the products take up at most [L]."""
    return sum(item.heaviest_kg * displaced_l_per_kg(item.product) for item in poured)


def _fits(poured: tuple[Poured, ...], bucket_l: float, volume: str, where: str, filled_up: bool) -> None:
    taken = displaced_l(poured)
    made_up = bucket_l if filled_up else bucket_l + taken
    if taken > made_up * (1.0 - LEAST_WATER_SHARE):  # as room_l
        biggest = max(poured, key=lambda item: item.mass_kg)
        raise InputError(
            f"{quoted(biggest.amount.text)} of {biggest.product.name} does not leave enough water in a bucket of "
            f"{volume}",
            where=where,
            mend="check amount and unit, or take a larger bucket",
        )


def water_of(item: WaterInPour | None, catalog: Catalog, poured_on: date | None) -> WaterTest | None:
    """The water test of a pour: as written, of a well of the catalog, or of a well with items replaced. Of a well's
    tests the newest until the day of the pour, where that is stated, else the newest of all."""
    if item is None:
        return None
    beside = {"id", "name", "invented", "notes", "source", "test_of"}
    own = {name: value for name in item.model_fields_set - beside if (value := getattr(item, name)) is not None}
    name = item.name or item.id
    if not name:
        return item
    day = None if item.test_of is None else date.fromisoformat(item.test_of)
    until = poured_on or date.max
    if not own:
        return catalog.well(name, day, until)
    try:
        known = catalog.well(name, day, until)
    except UnknownName as unknown:
        from rapidfuzz import fuzz

        # A test written out under a name of its own is one thing, a mistyped well another.
        if any(fuzz.ratio(name.casefold(), near.casefold()) > MISTYPED for near in unknown.nearest):
            raise
        return item
    replaced: dict[str, object] = {}
    if {ALKALINITY.name, BICARBONATE.name} & own.keys():
        replaced = {ALKALINITY.name: None, BICARBONATE.name: None}
    return known.model_copy(update={**replaced, **own})
