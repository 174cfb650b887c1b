"""Materials with rules of their own for sale and storage."""

from __future__ import annotations

from ...catalog import Product
from ...catalog.label.composition import Composition
from . import policy_table


def regulated(product: Product, made_of: Composition) -> str:
    """What is to be known of its sale, "" for what is sold freely: of a material on the list, or of what is mostly one.

    >>> from pourcheck import Catalog
    >>> from pourcheck.catalog.label.composition import composition
    >>> with Catalog.open("sqlite://") as catalog:
    ...     for name in ("ammonium nitrate", "urea"):
    ...         product = catalog.product(name)
    ...         print(regulated(product, composition(product, catalog.product))[:33])
    sale and storage are regulated in
    <BLANKLINE>
    """
    for material, row in policy_table("regulated").items():
        shares = (mixture.sources.get(material, 0.0) for mixture in made_of.mixtures)
        if product.id == material or max(shares, default=0.0) >= row["least_share"]:
            return str(row["note"])
    return ""
