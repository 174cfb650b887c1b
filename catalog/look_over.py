"""What is wrong, or odd, with an entry, before it is saved: told field by field, each with its cure."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Literal

from .drip import not_for_drip
from .errors import UnknownName
from .jar import JarTest
from .label import guarantee
from .label.composition import composition, sources_on_label
from .label.hazards import hazards_of_name
from .listing import Listing
from .nutrients import NUTRIENTS, percent_from_species
from .product import Product, Record, fold, plain_name
from .text import one_line, quoted
from .water.oddities import oddities
from .water.well import Well

if TYPE_CHECKING:
    from .store.catalog import Catalog

#: fault: it cannot be saved; doubt: it should not be saved before somebody looked again; note: to be known.
Severity = Literal["fault", "doubt", "note"]
Range = tuple[float, float]

#: Names of which so much [0-100] is alike, with the same numbers in them, are perhaps one name with a typing error.
_ALIKE = 90.0
#: So many of the likest products are compared.
_COMPARED = 30
#: Products that differ in one of these are two.
_OF_A_TWIN = ("form", "kind", "dissolving")
#: A formula may hold so much more or less than is guaranteed [percent of the mass] before it is told.
_OFF_PERCENT = 0.05


@dataclass(frozen=True, slots=True)
class Remark:
    """Something about a field. what: the fault; mend: its cure, "" where nothing is to be done."""

    field: str
    what: str
    mend: str
    severity: Severity

    def __str__(self) -> str:
        return f"{self.field}: {self.what}{'; ' if self.mend else ''}{self.mend}"


def look_over(
    record: Record, catalog: Catalog, untested: Mapping[str, Range] | None = None, today: date | None = None
) -> list[Remark]:
    """What is to be said of an entry, the worst first.

    untested: usual ranges of water items that a test may leave out [mg/L; alkalinity as CaCO3].

    >>> from pourcheck import Catalog, Product
    >>> feed = Product(id="feed", name="Feed 8-0-8", form="liquid", grade="8-0-8", derived_from=("potasium nitrate",))
    >>> with Catalog.open("sqlite://") as catalog:
    ...     for remark in look_over(feed, catalog):
    ...         print(remark)
    density: is missing; without it no volume of the product can be checked: add it from the label
    derived_from: its source "potasium nitrate" is not in the catalog (potassium nitrate?); \
write it as the catalog has it, or add it as a material
    """
    found: list[Remark] = []
    if isinstance(record, Product):
        found = [*_sources(record, catalog), *_product(record, catalog)]
    elif isinstance(record, Well):
        found = list(_well(record, untested or {}, today or date.today()))
    elif isinstance(record, Listing):
        found = list(_listing(record, catalog))
    elif isinstance(record, JarTest):
        found = list(_jar(record, catalog))
    order: tuple[Severity, ...] = ("fault", "doubt", "note")
    return sorted(dict.fromkeys(found), key=lambda remark: order.index(remark.severity))


def _sources(product: Product, catalog: Catalog) -> Iterator[Remark]:
    known = catalog.sources()
    for key in dict.fromkeys(number.source for number in product.sourced()):
        if key not in known:
            yield Remark("source", f"the source {quoted(key)} is not in the catalog", "add it first", "fault")


def _product(product: Product, catalog: Catalog) -> Iterator[Remark]:
    if product.form == "liquid" and product.density is None:
        yield Remark(
            "density",
            "is missing",
            "without it no volume of the product can be checked: add it from the label",
            "doubt",
        )
    if product.form == "dry" and product.density is not None:
        yield Remark("density", "is of no use for a dry product", "leave it out, or correct the form", "doubt")
    for fault in guarantee.contradictions(product):
        yield Remark("guaranteed", fault, "read the label again", "doubt")
    if product.content:
        yield from _formula(product)
    elif product.kind == "material" and product.dissolving == "complete":
        yield Remark("content", "is missing: which ions it brings is not known", "add its formula", "doubt")
    elif not product.derived_from and product.kind == "product":
        what = "is missing: it could be made of many things, and answers stay open"
        yield Remark("derived_from", what, "add the sources of the label", "note")
    elif product.derived_from:
        yield from _label(product, catalog)
    warned = hazards_of_name(product.name) - set(product.hazards)
    for hazard in sorted(warned):
        yield Remark("hazards", f"its name warns of {hazard}, and its hazards do not", f"add {hazard}", "doubt")
    if reason := not_for_drip(product, sources_on_label(product, catalog.product)):
        yield Remark("dissolving", f"not for drip: {reason}", "", "note")
    yield from _twins(product, catalog)


def _label(product: Product, catalog: Catalog) -> Iterator[Remark]:
    """What the label's sources can make of its analysis."""
    contradictory = set(guarantee.contradictions(product))
    made = composition(product, catalog.product)
    for gap in made.gaps:
        if "not in the catalog" in gap:
            yield Remark("derived_from", gap, "write it as the catalog has it, or add it as a material", "doubt")
        else:
            yield Remark("derived_from", gap, "see that all sources and guarantees of the label are there", "doubt")
    for fault in made.faults:
        if fault not in contradictory:
            yield Remark("guaranteed", fault, "read the analysis and the sources again", "doubt")


def _formula(product: Product) -> Iterator[Remark]:
    """What a material's label says beside its formula."""
    species = product.species_mol_per_kg()
    for key, stated in guarantee.label_percents(product).items():
        holds = percent_from_species(key, species)
        low, high = guarantee.guaranteed_range(key, stated)
        if not low - _OFF_PERCENT <= holds <= high + _OFF_PERCENT:
            name = NUTRIENTS[key].label
            yield Remark(
                "guaranteed" if key in product.guaranteed else "grade",
                f"its formula holds {holds:.3g} % {name}, its label says {stated:g} %",
                "correct the one that is wrong",
                "doubt",
            )


def _twins(product: Product, catalog: Catalog) -> Iterator[Remark]:
    """Products that this one is perhaps a second entry of."""
    from rapidfuzz import fuzz

    own, analysis = plain_name(product.name), guarantee.label_percents(product)
    numbers = re.findall(r"\d+(?:\.\d+)?", own)
    for match in catalog.find(own, _COMPARED):
        other = match.product
        if other.id == product.id or (analysis and guarantee.label_percents(other) not in ({}, analysis)):
            continue
        if {part.formula for part in product.content} != {part.formula for part in other.content}:
            continue
        for name in (plain_name(other.name), *other.aliases):
            alike = fuzz.ratio(fold(own), fold(name)) >= _ALIKE and re.findall(r"\d+(?:\.\d+)?", name) == numbers
            if alike and fold(name) != fold(own):
                yield Remark(
                    "name", f"is nearly that of {one_line(other.name)} ({other.id})",
                    "edit that one if it is the same product", "doubt",
                )  # fmt: skip
                break
    if product.grade and any(analysis.values()):
        for match in catalog.find(product.grade, _COMPARED):
            other = match.product
            if other.id == product.id or any(getattr(other, key) != getattr(product, key) for key in _OF_A_TWIN):
                continue
            if guarantee.label_percents(other) == analysis and _sources_of(other) == _sources_of(product):
                yield Remark(
                    "grade", f"analysis and sources are those of {one_line(other.name)} ({other.id})",
                    "edit that one if it is the same product", "doubt",
                )  # fmt: skip


def _sources_of(product: Product) -> set[str]:
    return {*map(fold, product.derived_from), *(part.formula for part in product.content)}


def _well(well: Well, untested: Mapping[str, Range], today: date) -> Iterator[Remark]:
    if not well.test:
        yield Remark("test", "is missing: nothing is known of the water", "add a water test", "note")
    for test in well.test:
        when = f"test of {test.tested_on}" if test.tested_on else "test without a date"
        if test.tested_on is None:
            yield Remark("tested_on", "is missing", "add the day of the sample: an old test says less", "doubt")
        elif date.fromisoformat(test.tested_on) > today:
            yield Remark("tested_on", f"{test.tested_on} is in the future", "correct the date", "doubt")
        for odd in oddities(test, untested):
            yield Remark(when, odd, "look at the report again", "doubt")
        if not test.ranges_mol_per_l() and test.ph is None:
            yield Remark(when, "measures nothing", "add its items", "doubt")


def _listing(listing: Listing, catalog: Catalog) -> Iterator[Remark]:
    try:
        if (found := catalog.product(listing.product)).id != listing.product:
            yield Remark("product", f"{quoted(listing.product)} is a name, not an id", f"write {found.id}", "doubt")
    except UnknownName as unknown:
        yield Remark("product", unknown.what, unknown.mend, "doubt")
    if listing.state == "reviewed" and not listing.reviewed_by:
        yield Remark("reviewed_by", "is missing for a reviewed product", "write who reviewed it", "doubt")


def _jar(jar: JarTest, catalog: Catalog) -> Iterator[Remark]:
    for part in jar.product:
        try:
            catalog.product(part.name)
        except UnknownName as unknown:
            yield Remark("product", unknown.what, unknown.mend, "doubt")
    if jar.water:
        try:
            catalog.water(jar.water)
        except UnknownName as unknown:
            yield Remark("water", unknown.what, unknown.mend, "doubt")
