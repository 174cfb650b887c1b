"""Finding products by name (typos allowed), grade or nutrient."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import TypeVar

from rapidfuzz import fuzz, process

from ..drip import no_fertilizer, not_for_drip
from ..errors import UnknownName
from ..label.composition import Resolve, sources_on_label
from ..label.hazards import hazards_of_name
from ..nutrients import NUTRIENTS, nutrient_named
from ..product import GRADE, Product, fold, parse_grade
from ..text import quoted
from .free_of import Left, holds, left_out, split_query
from .grade_names import GRADE_IN_NAME, SHARP, without_grade, words_of
from .kinds import names_of
from .match import Match

#: Below this similarity (0-100) a name is not offered.
NAME_CUTOFF = 62.0
#: Grades further off than this (sum of differences, percent) are not offered.
GRADE_CUTOFF = 12.0


def find(
    products: Sequence[Product],
    query: str,
    limit: int = 10,
    without: Sequence[str] = (),
    resolve: Resolve | None = None,
    *,
    listed: bool = False,
) -> list[Match]:
    """Products that a query names, best first; what is not for drip, or no fertilizer, last.

    query: a grade ("10-0-10": equal, then nearest), a nutrient ("potash": richest first), or a name with typing
    errors; with "no phosphorus" or "chloride-free" among its words, only what is free of it or not known to hold it.
    without: more to leave out. resolve: gives the material that a label names; by the products themselves where none.
    listed: where no word is asked for, all are found. An exact name comes before everything else.
    Raises: InputError: something to be left out that products are not known by.
    """
    asked = fold(query)
    exact = [Match(p, "name", 100.0) for p in products if asked in names_of(p)]
    words, left = understood(query, without, is_name=bool(exact))
    found = _search(products, words) if words or not (left or listed) else _all(products)
    others = [m for m in found if all(m.product.id != e.product.id for e in exact)]
    meant = resolve or _among(products)
    marked: list[Match] = []
    good = 0
    for match in exact + others:
        one = _marked(match, left, meant)
        if one is not None:
            marked.append(one)
            good += is_good(one)
            # What comes later is no better: it cannot stand among the first.
            if good >= limit and len(marked) > len(exact):
                break
    # The best name stays in front: who asks for gypsum is told of gypsum.
    first = len(exact) if exact else int(bool(marked) and not left and marked[0].why.startswith("name"))
    return (marked[:first] + sorted(marked[first:], key=_tier))[:limit]


def understood(query: str, without: Sequence[str] = (), *, is_name: bool = False) -> tuple[str, tuple[Left, ...]]:
    """The folded words that a query looks for, and what it leaves out. is_name: all of it is a name.

    Raises: InputError: something to be left out that products are not known by.
    """
    words, left = (fold(query), ()) if is_name else split_query(query)
    return words, (*left, *(left_out(word, "--without") for word in without))


def is_good(match: Match) -> bool:
    """Whether nothing speaks against it, so that what comes later is no better."""
    return _tier(match) == 0


def _tier(match: Match) -> int:
    return 2 if match.not_for_drip or match.no_fertilizer else int(bool(match.not_known))


def _marked(match: Match, left: Iterable[Left], resolve: Resolve) -> Match | None:
    """A match with what is to be said of it; None where it holds what was to be left out."""
    left = tuple(left)
    said = [doubt for one in left if (doubt := holds(match.product, one, resolve)) is not None]
    if len(said) < len(left):
        return None
    sources = sources_on_label(match.product, resolve)
    return replace(
        match,
        why=match.why or ", ".join(f"no {one.spoken}" for one, doubt in zip(left, said, strict=True) if not doubt),
        not_for_drip=not_for_drip(match.product, sources),
        no_fertilizer=no_fertilizer(match.product),
        not_known=tuple(filter(None, said)),
    )


def _among(products: Sequence[Product]) -> Resolve:
    """Materials by name, among some products."""
    by_name = {name: product for product in products for name in names_of(product)}

    def resolve(name: str) -> Product:
        if fold(name) not in by_name:
            raise UnknownName("product", name, [])
        return by_name[fold(name)]

    return resolve


def _all(products: Iterable[Product]) -> list[Match]:
    """Everything, the richest grade first."""
    found = [Match(p, "", sum(p.percent(key) or 0.0 for key in ("n", "p2o5", "k2o"))) for p in products]
    return sorted(found, key=lambda m: (-m.score, m.product.name))


#: Likeness (0-100) from which on a typed word is taken for one of a name, and a name for what was meant.
_WORD_CUTOFF, _MEANT_CUTOFF = 70.0, 75.0
#: Letters of a word that is not short.
_SHORT = 5


def nearest_names(products: Sequence[Product], name: str, most: int = 3) -> list[str]:
    """Names of products that a name may be meant as; never from a harmless word to an acid, lye or bleach, nor from a
    word that warns to something harmless of another name."""
    warned = hazards_of_name(name)
    if grade := GRADE_IN_NAME.search(name):
        name = without_grade(name) or grade["grade"]
    if GRADE.fullmatch(name) or nutrient_named(name) is not None:
        ranked = [(match.product, match.product.name) for match in find(products, name, len(products))]
    else:
        ranked = _meant(products, fold(name))
    found = []
    for product, called in ranked:
        if warned:
            mild = "acid" in warned and "acid" in words_of(fold(called))  # boric acid is none to be afraid of
            fits = bool(warned & set(product.hazards)) or mild
        else:
            fits = not SHARP & set(product.hazards)
        if fits:
            found.append(product.name)
    return found[:most]


def _meant(products: Iterable[Product], asked: str) -> list[tuple[Product, str]]:
    """Products with the name of theirs in which every word that was typed is found, nearly; the likest first."""
    ranked = []
    for product in products:
        likest, score = "", 0.0
        for folded, called in names_of(product).items():
            if (like := _likeness(asked, folded)) > score:
                likest, score = called, like
        if score >= _MEANT_CUTOFF:
            ranked.append((score, product, likest))
    ranked.sort(key=lambda one: (-one[0], one[1].name))
    return [(product, called) for _, product, called in ranked]


def _likeness(asked: str, name: str) -> float:
    """How like a name is to what was typed (0-100): word by word, or with the spaces left out."""
    together = _word_likeness(asked.replace(" ", ""), name.replace(" ", ""))
    words = [max((_word_likeness(word, other) for other in words_of(name)), default=0.0) for word in words_of(asked)]
    if not words or min(words) < _WORD_CUTOFF:
        return together
    # The whole name breaks the ties of its words in favor of the shortest.
    return max(together, 0.9 * sum(words) / len(words) + 0.1 * fuzz.ratio(asked, name))


def _word_likeness(word: str, other: str) -> float:
    """Short words that begin otherwise are others: guano is no UAN."""
    short = min(len(word), len(other)) < _SHORT and word[:1] != other[:1]
    return 0.0 if short else fuzz.ratio(word, other)


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


Key = TypeVar("Key")


def name_scores(asked: str, names: Mapping[Key, str]) -> dict[Key, float]:
    """How well folded names fit a folded query (0-100), the best first; those that hardly do are left out."""
    likely = process.extract(asked, names, scorer=fuzz.WRatio, score_cutoff=NAME_CUTOFF, limit=None)
    # WRatio forgives length; the plain ratio breaks its ties in favor of the whole name.
    scores = {key: 0.8 * score + 0.2 * fuzz.token_sort_ratio(asked, name) for name, score, key in likely}
    return dict(sorted(scores.items(), key=lambda one: -one[1]))


def _by_name(products: Sequence[Product], query: str) -> list[Match]:
    choices = {(i, name): folded for i, product in enumerate(products) for folded, name in names_of(product).items()}
    best: dict[int, tuple[float, str]] = {}
    for (i, name), whole in name_scores(fold(query), choices).items():
        if whole > best.get(i, (0.0, ""))[0]:
            best[i] = (whole, name)
    found = [Match(products[i], f"name {quoted(name)}", score) for i, (score, name) in best.items()]
    return sorted(found, key=lambda m: (-m.score, m.product.name))
