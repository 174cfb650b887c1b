"""What the records alone say of a product in a drip line: whether it goes through one at all."""

from __future__ import annotations

from collections.abc import Sequence

from .product import Dissolving, Product

#: Insoluble residue [percent of the mass]: the most that writers allow for drip (0.01 in one note), and the widest of
#: them.
RESIDUE_CAUTION_PERCENT, RESIDUE_STOP_PERCENT = 0.2, 0.5

#: Ways of dissolving that leave solids, and how each is told.
_SOLIDS: dict[Dissolving, str] = {
    "insoluble": "does not dissolve",
    "slow-release": "slow-release grains",
    "leaves-residue": "leaves particles",
    "suspension": "a suspension of particles",
}
#: What counts as feeding; chloride, sodium and the sulfur of an acid are not what it is poured for.
_FEEDS = ("n", "p2o5", "k2o", "ca", "mg", "b", "cu", "fe", "mn", "mo", "zn")


def not_for_drip(product: Product, sources: Sequence[Product] = ()) -> str:
    """Why a product does not belong in drip; "" where its record says nothing against it.

    sources: the materials that its label names.

    >>> not_for_drip(Product(id="chalk", name="chalk", form="dry", dissolving="insoluble"))
    'does not dissolve'
    """
    if told := _SOLIDS.get(product.dissolving):
        return told
    for source in sources:
        if told := _SOLIDS.get(source.dissolving):
            return f"holds {source.name}: {told}"
    residue = product.numbers.get("insolubles")
    if residue is not None and residue.value >= RESIDUE_STOP_PERCENT:
        return f"{residue.value:g} % of it does not dissolve"
    return ""


def no_fertilizer(product: Product) -> str:
    """What a product is where it cleans, disinfects or only lowers the pH; "" where it feeds or warns of nothing.

    >>> no_fertilizer(Product(id="bleach", name="bleach", form="liquid", hazards=("hypochlorite",)))
    'hypochlorite'
    """
    feeds = any(product.percent(nutrient) for nutrient in _FEEDS)
    return "" if feeds and "hypochlorite" not in product.hazards else ", ".join(product.hazards)
