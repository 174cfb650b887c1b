"""Swaps: products without phosphorus that bring the same nitrogen and potassium, checked themselves."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import islice
from itertools import product as cross

from ...catalog import Catalog, InputError, Listing, Product, slug
from ...catalog.label.composition import composition
from ...catalog.product import fold
from ...catalog.quantity.units import L_PER_GAL
from ..answer.assess import one_thread, weigh
from ..answer.verdict import Swap, SwapProduct
from ..ask.pour import Pour, PouredProduct
from ..ask.question import Question, ask

#: A product with less than this percent P2O5 counts as free of phosphorus.
FREE_OF_P2O5_PERCENT = 0.05
#: N and K2O of a swap may differ from what is replaced by this share.
WITHIN_SHARE = 0.03
#: Sources weaker than this percent of the nutrient are no substitute.
LEAST_PERCENT = 5.0
#: How many are checked, and how many that are not stopped are offered.
CHECKED, OFFERED = 14, 4
_UNWANTED_HAZARDS = {"acid", "alkali", "hypochlorite", "ammonia-gas", "sulfite-gas"}
_ORDER = {"clear": 0, "caution": 1, "unknown": 2, "stop": 3}


def swap(pour: Pour | Mapping[str, object], catalog: Catalog) -> list[Swap]:
    """Swaps for the products with phosphorus in a pour, best verdict first; none that is stopped.

    pour: a Pour, or plain data of the pour schema.
    Raises: InputError: the pour is not sound.

    >>> from pourcheck import Catalog, swap
    >>> with Catalog.open("sqlite://") as catalog:
    ...     swap({"product": [{"name": "urea", "amount": "1 lb"}], "bucket": {"volume": "5 gal"}}, catalog)
    []
    """
    pour = Pour.parse(pour)
    with one_thread(), catalog.snapshot():
        return swaps_for(ask(pour, catalog), catalog)


def swaps_for(question: Question, catalog: Catalog) -> list[Swap]:
    """The same for a question that was asked already."""
    pour = question.pour
    guilty = [item for item in question.poured if (item.likely.percent("p2o5") or 0.0) > FREE_OF_P2O5_PERCENT]
    if not guilty:
        return []
    names = tuple(item.product.name for item in guilty)
    nitrogen = sum(item.mass_kg * (item.likely.percent("n") or 0.0) / 100.0 for item in guilty)
    potash = sum(item.mass_kg * (item.likely.percent("k2o") or 0.0) / 100.0 for item in guilty)
    stays = [line for line, item in zip(pour.product, question.poured, strict=True) if item not in guilty]
    metric = not any(item.amount.system == "us" for item in guilty)
    offered: list[Swap] = []
    sold = _sold_here(catalog, pour.region)
    for recipe in islice(_recipes(catalog, nitrogen, potash, sold), CHECKED):
        lines = [PouredProduct.model_validate({"name": p.id, "amount": f"{kg!r} kg"}) for p, kg in recipe]
        swapped = pour.model_copy(update={"product": (*stays, *lines)})
        try:
            weighed = weigh(ask(swapped, catalog, in_water_of=question))
        except InputError:
            continue  # does not fit the bucket
        if weighed.answer == "stop":
            continue
        offered.append(
            Swap(
                replaces=names,
                products=tuple(
                    SwapProduct(id=p.id, name=p.name, amount=_amount(p, kg, metric), kg=float(f"{kg:.4g}"))
                    for p, kg in recipe
                ),
                nitrogen_kg=float(f"{nitrogen:.4g}"),
                potash_kg=float(f"{potash:.4g}"),
                verdict=weighed.answer,
                rules=weighed.blamed,
                sold_here=all(p.id in sold for p, _ in recipe),
            )
        )
        if len(offered) == CHECKED // 2 or sum(s.verdict == "clear" for s in offered) == OFFERED:
            break
    offered.sort(key=lambda s: (_ORDER[s.verdict], not s.sold_here, len(s.products)))
    return offered[:OFFERED]


def _sold_here(catalog: Catalog, region: str | None) -> frozenset[str]:
    """Ids of the products that the list of a region marks as sold there."""
    if region is None:
        return frozenset()
    owner = catalog.owners("region", [region]).get(fold(region), slug(region))
    listings = (one for one in catalog.records("listing") if isinstance(one, Listing))
    return frozenset(one.product for one in listings if one.region == owner and one.sold_here)


def _amount(product: Product, kg: float, metric: bool) -> str:
    """An amount as a grower measures it: liquids by volume, dry products by mass."""
    if product.form == "liquid" and product.density is not None:
        liters = kg / product.density.kg_per_l
        if metric:
            return f"{liters:.3g} L"
        gallons = liters / L_PER_GAL
        return f"{gallons:.3g} gal" if gallons >= 0.25 else f"{gallons * 128:.3g} fl oz"
    if metric:
        return f"{kg:.3g} kg" if kg >= 1 else f"{kg * 1000:.3g} g"
    pounds = kg / 0.45359237
    return f"{pounds:.3g} lb" if pounds >= 0.5 else f"{pounds * 16:.3g} oz"


def _candidates(catalog: Catalog, sold: frozenset[str]) -> list[tuple[Product, float, float]]:
    """Products free of phosphorus that dissolve: with N and K2O [%]."""
    found = []
    for product in catalog.shelf(sorted(sold)):
        n, k = product.percent("n") or 0.0, product.percent("k2o") or 0.0
        if max(n, k) < LEAST_PERCENT or (product.percent("p2o5") or 0.0) > FREE_OF_P2O5_PERCENT:
            continue
        if product.dissolving != "complete" or set(product.hazards) & _UNWANTED_HAZARDS:
            continue
        if product.form == "liquid" and product.density is None:
            continue
        found.append((product, n, k))
    return found


def _first(recipe: list[tuple[Product, float]], sold: frozenset[str]) -> tuple[bool, float]:
    """Sorts recipes: what is sold here first, then the least."""
    return any(product.id not in sold for product, _ in recipe), sum(kg for _, kg in recipe)


def _recipes(
    catalog: Catalog, nitrogen_kg: float, potash_kg: float, sold: frozenset[str]
) -> Iterator[list[tuple[Product, float]]]:
    """Amounts [kg] of one product, else of two, of known composition, that bring the nitrogen and potash; what is sold
    here first, then the least."""
    total = nitrogen_kg + potash_kg
    if total <= 0:
        return
    singles, pairs = [], []
    candidates = _candidates(catalog, sold)
    for product, n, k in candidates:
        kg = 100.0 * total / (n + k)
        off = abs(kg * n / 100.0 - nitrogen_kg) + abs(kg * k / 100.0 - potash_kg)
        if off <= WITHIN_SHARE * total:
            singles.append([(product, kg)])
    if not min(nitrogen_kg, potash_kg) <= WITHIN_SHARE * total:
        for (a, na, ka), (b, nb, kb) in cross(candidates, candidates):
            determinant = na * kb - nb * ka
            # Only the leaner-in-potash product first, so that a pair comes once.
            if ka * nb >= kb * na or abs(determinant) < 1e-9:
                continue
            kg_a = 100.0 * (nitrogen_kg * kb - potash_kg * nb) / determinant
            kg_b = 100.0 * (potash_kg * na - nitrogen_kg * ka) / determinant
            if min(kg_a, kg_b) > 0.02 * (kg_a + kg_b):
                pairs.append([(a, kg_a), (b, kg_b)])
    # Whether it is known what is in them is asked of those alone that come into question.
    for recipes in (singles, pairs):
        for recipe in sorted(recipes, key=lambda r: (*_first(r, sold), r[0][0].id)):
            if all(composition(product, catalog.product).exact for product, _ in recipe):
                yield recipe
