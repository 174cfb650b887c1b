"""Finding products by name (typos allowed), grade or nutrient."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rapidfuzz import fuzz, process

from ..label.hazards import hazards_of_name
from ..nutrients import NUTRIENTS, nutrient_named
from ..product import GRADE, Product, fold, parse_grade
from ..text import quoted
from .tables import names_of

#: Below this similarity (0-100) a name is not offered.
NAME_CUTOFF = 62.0
#: Grades further off than this (sum of differences, percent) are not offered.
GRADE_CUTOFF = 12.0


@dataclass(frozen=True, slots=True)
class Match:
    """A product found, why, and how well it fits (0-100)."""

    product: Product
    why: str
    score: float


def find(products: Sequence[Product], query: str, limit: int = 10) -> list[Match]:
    """Products that a query names, best first.

    query: a grade ("10-0-10": equal, then nearest), a nutrient ("potash": richest first), or a name
    with typing errors. An exact name comes before everything else.
    """
    exact = [Match(p, "name", 100.0) for p in products if fold(query) in names_of(p)]
    others = [m for m in _search(products, query) if all(m.product.id != e.product.id for e in exact)]
    return (exact + others)[:limit]


def straight_of_grade(products: Iterable[Product], name: str) -> Product | None:
    """The generic material that alone has the grade that a name is; None where several have it, or none."""
    if not GRADE.fullmatch(name.strip()):
        return None
    try:
        wanted = parse_grade(name)
    except ValueError:
        return None
    found = [product for product in products if product.kind == "material" and product.grade_percent == wanted]
    return found[0] if len(found) == 1 else None


#: What is offered for a mistyped name only where the name itself warns of such a thing.
_SHARP = {"acid", "alkali", "hypochlorite", "ammonia-gas"}


def nearest_names(products: Sequence[Product], name: str, most: int = 3) -> list[str]:
    """Names of products that a name may be meant as; never from a harmless word to an acid, lye or bleach."""
    warned = bool(hazards_of_name(name))
    matches = find(products, name, 4 * most)
    return [m.product.name for m in matches if warned or not _SHARP & set(m.product.hazards)][:most]


def _search(products: Sequence[Product], query: str) -> list[Match]:
    if GRADE.fullmatch(query.strip()):
        try:
            return _by_grade(products, parse_grade(query))
        except ValueError:
            return []  # a grade of more than 100 % is nobody's
    nutrient = nutrient_named(query)
    if nutrient is not None:
        return _by_nutrient(products, nutrient)
    return _by_name(products, query)


def _by_grade(products: Iterable[Product], wanted: tuple[float, float, float]) -> list[Match]:
    found = []
    for product in products:
        if product.grade_percent is None:
            continue
        off = sum(abs(a - b) for a, b in zip(product.grade_percent, wanted, strict=True))
        if off <= GRADE_CUTOFF:
            why = "grade" if off == 0 else f"grade {product.grade}, off by {off:g}"
            found.append(Match(product, why, 100.0 - off))
    return sorted(found, key=lambda m: (-m.score, m.product.name))


def _by_nutrient(products: Iterable[Product], nutrient: str) -> list[Match]:
    label = NUTRIENTS[nutrient].label
    shares = [(p, p.percent(nutrient) or 0.0) for p in products]
    found = [Match(p, f"{share:.3g} % {label}", share) for p, share in shares if share > 0.05]
    return sorted(found, key=lambda m: (-m.score, m.product.name))


def _by_name(products: Sequence[Product], query: str) -> list[Match]:
    choices = {(i, name): folded for i, product in enumerate(products) for folded, name in names_of(product).items()}
    best: dict[int, tuple[float, str]] = {}
    for _, score, (i, name) in process.extract(
        fold(query), choices, scorer=fuzz.WRatio, score_cutoff=NAME_CUTOFF, limit=None
    ):
        # WRatio forgives length; the plain ratio breaks its ties in favor of the whole name.
        whole = 0.8 * score + 0.2 * fuzz.token_sort_ratio(fold(query), fold(name))
        if whole > best.get(i, (0.0, ""))[0]:
            best[i] = (whole, name)
    found = [Match(products[i], f"name {quoted(name)}", score) for i, (score, name) in best.items()]
    return sorted(found, key=lambda m: (-m.score, m.product.name))
