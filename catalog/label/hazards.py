"""Hazards that a name tells by itself, for products and sources that the catalog does not hold."""

from __future__ import annotations

import re

from ..product import Hazard

#: Acids that are none to be afraid of in a bucket: acid by name, mild by nature.
_MILD = re.compile(r"\b(humic|fulvic|ulmic|amino|boric|alginic|salicylic|carboxylic|acid[- ]free)\b")
#: Acids by the word that is theirs alone, whatever else a name holds.
_STRONG = re.compile(
    r"\b(sulfuric|sulphuric|nitric|phosphoric|phosphorous acid|hydrochloric|muriatic|sulfamic|formic|acetic|citric|"
    r"oxalic|peracetic|peroxyacetic)\b"
)
#: Words of trade names and labels, and the hazard that they tell (common practice, no source).
_WORDS: tuple[tuple[re.Pattern[str], tuple[Hazard, ...]], ...] = (
    (re.compile(r"\bacids?\b|\bvinegar\b|\bacidifier\b"), ("acid",)),
    (re.compile(r"hypochlorite|\bbleach\b|\bchlorine\b|\bpool shock\b"), ("hypochlorite", "oxidizer")),
    (re.compile(r"\baqua ammonia\b|\bammonia water\b|\bammonium hydroxide\b|\bhousehold ammonia\b"), ("ammonia-gas",)),
    (re.compile(r"hydrox[iy]de?\b|\blye\b|\bcaustic\b|\bsoda ash\b|\bquicklime\b|\bslaked lime\b"), ("alkali",)),
    (re.compile(r"peroxide|peracetic|peroxyacetic|permanganate|\bchlorates?\b"), ("oxidizer",)),
    (re.compile(r"peracetic|peroxyacetic"), ("acid",)),
    (re.compile(r"thiosulf|thiosulph|bisulfite|bisulphite|\bsulfites?\b"), ("sulfite-gas",)),
)


def hazards_of_name(name: str) -> frozenset[Hazard]:
    """What a name warns of.

    >>> sorted(hazards_of_name("Phosphoric Acid 75%")), sorted(hazards_of_name("humic acid"))
    (['acid'], [])
    >>> sorted(hazards_of_name("muriatic")), sorted(hazards_of_name("humic acid in citric acid"))
    (['acid'], ['acid'])
    """
    words = name.casefold()
    found: set[Hazard] = set()
    for pattern, hazards in _WORDS:
        if pattern.search(words):
            found.update(hazards)
    if "acid" in found and _MILD.search(words):
        found.discard("acid")
    if _STRONG.search(words):
        found.add("acid")
    return frozenset(found)
