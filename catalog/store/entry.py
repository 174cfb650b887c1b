"""A record on its way into the tables: its names, its document, and the rows that it is searched by."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from ..listing import Listing
from ..nutrients import NUTRIENTS, percent_from_species
from ..product import Product, Record, fold
from .kinds import Kind, document_of, id_of, kind_of, names_of

#: Less than this [percent of the mass] is nothing to look for.
_NONE_PERCENT = 1e-6


@dataclass(frozen=True, slots=True)
class Entry:
    """A record as it is written. names: as written, by the folded form, the id first; record: None where the document
    is taken as it is. sources: keys of the sources that it must find in the catalog."""

    kind: Kind
    id: str
    names: Mapping[str, str]
    document: str
    record: Record | None = None
    sources: frozenset[str] = field(default=frozenset())

    @classmethod
    def of(cls, record: Record) -> Entry:
        """The entry of a record. Raises: InputError: it has no id, or holds hidden characters."""
        sources = frozenset(one.source for one in record.sourced()) if isinstance(record, Product) else frozenset()
        return cls(kind_of(record), id_of(record), names_of(record), document_of(record), record, sources)

    def says(self, document: str) -> bool:
        """Whether it says the same as another document."""
        if document == self.document:
            return True
        try:
            return bool(json.loads(document) == json.loads(self.document))
        except ValueError:
            return False

    def index_rows(self) -> Iterator[tuple[str, dict[str, Any]]]:
        """Rows that it is searched by, with the name of their table."""
        own = {"kind": self.kind, "id": self.id}
        if isinstance(self.record, Product):
            yield from _of_product(self.record, own)
        elif isinstance(self.record, Listing):
            row = {name: getattr(self.record, name) for name in ("region", "product", "state", "sold_here")}
            yield "listing_index", {**own, **row}


def _of_product(product: Product, own: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    n, p2o5, k2o = product.grade_percent or (None, None, None)
    percents = {"n": n, "p2o5": p2o5, "k2o": k2o} | {key: number.value for key, number in product.guaranteed.items()}
    if product.content:
        species = product.species_mol_per_kg()
        percents = {nutrient: percent_from_species(nutrient, species) for nutrient in NUTRIENTS}
    yield (
        "product_index",
        {
            **own,
            "name": product.name,
            "material": product.kind == "material",
            "salt": bool(product.solubility) and len(product.content) == 1 and product.form == "dry",
            "rich": sum(percents[key] or 0.0 for key in ("n", "p2o5", "k2o")),
            "n": n,
            "p2o5": p2o5,
            "k2o": k2o,
        },
    )
    for nutrient, percent in percents.items():
        if percent is not None and percent > _NONE_PERCENT:
            yield "product_nutrient", {**own, "nutrient": nutrient, "percent": percent}
    for name in dict.fromkeys(map(fold, product.derived_from)):
        yield "product_source", {**own, "material": name}
