"""Products without something: what "no phosphorus" or "chloride-free" asks for, and what can be said to be free."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache

from ..errors import InputError
from ..label.composition import Resolve, composition
from ..nutrients import NUTRIENTS, Nutrient
from ..product import Product, fold
from ..species import molar_mass_g_per_mol
from ..text import quoted

#: A word this like a known one (0-100) is taken for it: "phosphorous", "chlorid".
_TAKEN_FOR = 85.0
#: Less than this [percent of the mass] is none: what is left of a computation.
_NONE_PERCENT = 1e-6

#: A share of a dry material that is not told and is no longer mere moisture.
_REST = 0.02

#: What people leave out besides what labels guarantee. Thiosulfate counts as sulfate: it holds some as sold, and the
#: soil makes all of it sulfate.
_IONS = (
    Nutrient("carbonate", "Carbonate", "CO2", {"CO3-2": 1.0}, ("carbonate", "bicarbonate", "bicarbonates")),
    Nutrient("silica", "Silica", "SiO2", {"H4SiO4": 1.0}, ("silica", "silicate", "silicon")),
    Nutrient("fluoride", "Fluoride", "F", {"F-": 1.0}, ("fluoride", "fluorine")),
)
_OTHER_WORDS = {
    "ammonia": "n_ammonium",
    "urea": "n_urea",
    "nitrates": "n_nitrate",
    "phosphates": "p2o5",
    "sulfates": "s",
    "sulphate": "s",
    "chlorides": "cl",
    "mop": "cl",
}


@dataclass(frozen=True)
class Left:
    """Something that is to be left out. spoken: as it is told; part: what counts as it."""

    spoken: str
    part: Nutrient


@cache
def _known() -> Mapping[str, Nutrient]:
    parts = [*NUTRIENTS.values(), *_IONS]
    by_word = {word: part for part in parts for word in (part.key.replace("_", " "), *part.words)}
    return by_word | {word: NUTRIENTS[key] for word, key in _OTHER_WORDS.items()}


def left_out(word: str, where: str = "") -> Left:
    """What a word names. Raises: InputError: nothing that products are searched by.

    >>> left_out("phosphorous").spoken, left_out("Sodium").part.key
    ('phosphorus', 'na')
    """
    said, known = fold(word), _known()
    if said not in known:
        from rapidfuzz import fuzz, process

        near = process.extractOne(said, [one for one in known if len(one) > 2], scorer=fuzz.ratio)
        if near is None or near[1] < _TAKEN_FOR:
            raise InputError(
                f"{quoted(word.strip())} is nothing that products are known to be free of",
                where=where,
                mend="write for example phosphorus, chloride, sodium, ammonium, urea, boron, calcium or sulfate",
            )
        said = near[0]
    part = known[said]
    return Left(said if len(said) > 2 else part.words[0], part)


#: "no phosphorus", "without sodium and chloride", "free of boron"; "chloride-free", "boron free"; "low sodium".
_LIST = r"[a-z0-9]+(?:(?:\s*,\s*|\s+)(?:and|or|nor)\s+[a-z0-9]+|\s*,\s*[a-z0-9]+)*"
_BEFORE = re.compile(rf"\b(?:no|without|w/o|zero|free (?:of|from)|(?:contains|has) no)\s+({_LIST})")
_BEHIND = re.compile(r"\b([a-z0-9]+)(?:\s+|-)free\b(?!\s+(?:of|from)\b)")
_LITTLE = re.compile(r"\b(?:low|little|less)(?:\s+|-)(?:in\s+)?([a-z0-9]+)\b")

#: What is left between search words once something was left out.
_JOINING = {"", "with", "but", "and", "a", "fertilizer"}


def split_query(query: str) -> tuple[str, tuple[Left, ...]]:
    """The search words of a query, and what it wants left out. Raises: InputError: that is nothing known.

    >>> words, left = split_query("chloride-free potash without sodium, boron")
    >>> words, [one.spoken for one in left]
    ('potash', ['chloride', 'sodium', 'boron'])
    """
    rest, found = fold(query), []
    for pattern in (_BEHIND, _BEFORE):
        for match in pattern.finditer(rest):
            found += [left_out(word) for word in re.split(r"\s*,\s*|\s+", match[1]) if word not in {"and", "or", "nor"}]
        rest = pattern.sub(" ", rest)
    for match in _LITTLE.finditer(rest):
        if match[1] in _known():
            raise InputError(f"{quoted(match[0])} names no limit", mend=f'write "no {match[1]}", or search for a grade')
    if not found:
        return rest, ()
    words = (word.strip(",;") for word in rest.split())
    return " ".join(word for word in words if word not in _JOINING), tuple(found)


def holds(product: Product, left: Left, resolve: Resolve) -> str | None:
    """What is to be said where a product is listed as free of something: "" where it is, why that is not sure where
    its label leaves it open; None where it holds it and is not listed."""
    part = left.part
    if product.content:
        if part_percent(part, product.species_mol_per_kg()) > _NONE_PERCENT:
            return None
        rest = 1.0 - sum(one.mass_fraction.value for one in product.content)
        # What is left of a solution is water; of a dry grade it is whatever came along.
        unsure = product.form == "dry" and rest > _REST
        return f"{left.spoken}: {100 * rest:.0f} % of it is not known" if unsure else ""
    if part.key in NUTRIENTS and product.percent(part.key):
        return None
    made_of = composition(product, resolve) if product.derived_from else None
    if made_of is None or made_of.gaps or made_of.faults or not made_of.mixtures:
        return f"{left.spoken}: not known"
    least, most = _ends(part_percent(part, mixture.species_mol_per_kg) for mixture in made_of.mixtures)
    if least > _NONE_PERCENT:
        return None
    return f"{left.spoken}: may hold {most:.2g} %" if most > _NONE_PERCENT else ""


def _ends(values: Iterable[float]) -> tuple[float, float]:
    known = list(values)
    return min(known), max(known)


def part_percent(part: Nutrient, mol_per_kg: Mapping[str, float]) -> float:
    """Percent by mass, on the basis that the part is told in."""
    units = sum(count * mol_per_kg.get(name, 0.0) for name, count in part.counts.items())
    return units * molar_mass_g_per_mol(part.basis) / 10.0
