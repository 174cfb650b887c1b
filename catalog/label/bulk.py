"""What a measured volume of a product weighs where no density is stated: a range, never one number."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from ..data import table
from ..product import Product


@dataclass(frozen=True, slots=True)
class WeightOfVolume:
    """Mass over volume [kg/L], lowest and highest, and where it is from."""

    low: float
    high: float
    source: str


@cache
def _known(kind: str, name: str) -> WeightOfVolume | None:
    rows = table("bulk_density")
    row = rows["material"].get(name) if kind == "material" else rows[kind]
    return None if row is None else WeightOfVolume(**row)


def weight_of_volume(product: Product) -> WeightOfVolume:
    """Of a level cup of a dry product, its bulk density; of a liquid, its density: where it states none.

    >>> from pourcheck.catalog import Product
    >>> weight_of_volume(Product(id="feed", name="feed", form="dry")).low
    0.4
    """
    if product.form == "liquid":
        if product.density is not None:
            known = product.density.kg_per_l
            return WeightOfVolume(known, known, product.density.source)
        found = _known("liquid", "")
    else:
        found = _known("material", product.id) or _known("default", "")
    assert found is not None, "the table holds both"
    return found
