"""Names with a grade in them, and the product that such a name means."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from ..label.hazards import hazards_of_name
from ..product import GRADE, Product, fold, parse_grade
from .kinds import names_of

#: What is meant only where the name itself warns of such a thing.
SHARP = {"acid", "alkali", "hypochlorite", "ammonia-gas"}

#: A grade anywhere in a name, perhaps with what it holds besides: "21-0-0-24S", "15.5-0-0 + 19 Ca".
GRADE_IN_NAME = re.compile(
    rf"(?<![\w.-])(?P<grade>{GRADE.pattern})(?P<besides>(?:\s*[-+]\s*\(?\d+(?:\.\d+)?\s*%?\s*(?:S|Ca|Mg)\)?)*)(?![\w.-])",
    re.I,
)
_BESIDES = re.compile(r"(\d+(?:\.\d+)?)\s*%?\s*(S|Ca|Mg)", re.I)
#: What a grade says besides may differ so much from the record [percent of the mass, and of the number].
_BESIDES_OFF, _BESIDES_SHARE = 1.0, 0.1


def grade_in(name: str) -> tuple[str, tuple[float, float, float]] | None:
    """The grade in a name, as written and as N, P2O5, K2O percent; None without one.

    >>> grade_in("MKP 0-52-34"), grade_in("urea")
    (('0-52-34', (0.0, 52.0, 34.0)), None)
    """
    match = GRADE_IN_NAME.search(name)
    if match is None:
        return None
    try:
        return match["grade"], parse_grade(match["grade"])
    except ValueError:
        return None


def of_grade(products: Sequence[Product], name: str) -> Product | None:
    """The one material that a name with a grade in it means: "46-0-0", "21-0-0-24S", "MKP 0-52-34"; None where several
    may be meant, or none.

    A grade alone never means an acid or a lye: who writes 15-0-0 may have a bag of calcium nitrate.
    """
    match = GRADE_IN_NAME.search(name)
    if match is None:
        return None
    try:
        wanted = parse_grade(match["grade"])
    except ValueError:
        return None
    besides = {key.lower(): float(percent) for percent, key in _BESIDES.findall(match["besides"])}
    written = fold(match["grade"])
    bear = [
        product
        for product in products
        if (product.grade_percent == wanted or written in names_of(product)) and _holds_besides(product, besides)
    ]
    said = without_grade(name)
    called = next((product for product in products if said in names_of(product)), None)
    words, warned = set(words_of(said)), bool(hazards_of_name(said))
    found = [
        product
        for product in bear
        if (warned or not SHARP & set(product.hazards))
        and (any(words <= set(words_of(one)) for one in names_of(product)) if words else product.kind == "material")
        and (called is None or product is called or _same_chemicals(product, called))
    ]
    if len(found) > 1:
        found = [product for product in found if product is called or (not words and written in names_of(product))]
    return found[0] if len(found) == 1 else None


def _same_chemicals(one: Product, other: Product) -> bool:
    """Whether two are grades of one material: of the same chemical in the main."""
    return bool(one.content) and {part.formula for part in one.content[:1]} == {
        part.formula for part in other.content[:1]
    }


def without_grade(name: str) -> str:
    """A name without the grade in it, folded.

    >>> without_grade("MKP 0-52-34"), without_grade("21-0-0-24S"), without_grade("Urea")
    ('mkp', '', 'urea')
    """
    return " ".join(GRADE_IN_NAME.sub(" ", fold(name)).split()).strip(" ,;:()")


def _holds_besides(product: Product, besides: Mapping[str, float]) -> bool:
    off = {key: abs((product.percent(key) or 0.0) - percent) for key, percent in besides.items()}
    return all(off[key] <= _BESIDES_OFF + _BESIDES_SHARE * percent for key, percent in besides.items())


def words_of(text: str) -> list[str]:
    """The words of a text."""
    return re.findall(r"[^\s,()-]+", text)
