"""What a question leaves open: each number that is swept, and what each label does not tell, as inputs that can be
moved."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ...catalog.label.grades import grade_words
from ...catalog.quantity.table import GRAINS
from ...catalog.species import SPECIES, species_molar_mass_g_per_mol
from ..ask.columns import Columns, Floats
from ..ask.question import Poured, Question, from_unit
from ..ask.weight import OUNCES
from ..policy import Unknown

Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Choice:
    """What decides where there is no number: with `worse` the answer is trouble, with `better` it is not; "" where
    none was found."""

    worse: str
    better: str


@dataclass(frozen=True)
class Input:
    """Something that is not known: a number of the water or the pour, or what a label leaves open.

    name: in words; values: in the swept scenarios, (B,); ends: first and last place on its scale; put: the columns
    with it at places, value: what places are in `unit`; cost: of finding out, 1 (a look) to 5 (a hot day); choose: for
    what is no number, finds what decides from where the answer is trouble.
    """

    name: str
    unit: str
    find_out: str
    cost: int
    values: Floats
    ends: tuple[float, float]
    put: Callable[[Columns, Floats], Columns]
    value: Callable[[Floats], Floats]
    choose: Callable[[Mask], Choice] | None = None


def inputs(question: Question, columns: Columns) -> list[Input]:
    """Everything that is swept."""
    ounces = {
        item.weight.unknown.quantity.name
        for item in question.poured
        if item.weight is not None and item.weight.why == "ounces-of-liquid"
    }
    found = []
    for unknown in question.unknowns:
        if unknown.quantity is GRAINS:
            found.append(_either_unit(unknown, columns, ("mg/L", "grains per gallon")))
        elif unknown.name in ounces:
            found.append(_either_unit(unknown, columns, OUNCES))
        else:
            found.append(_number(unknown, columns))
    for place in question.open_labels:
        found += _room_of_label(question, place, columns)
    return found


def _either_unit(unknown: Unknown, columns: Columns, units: tuple[str, str]) -> Input:
    """Which of two units a number was in, the first as typed; the way between them means nothing."""
    values = columns.numbers[unknown.name]
    typed = unknown.low if unknown.best is None else unknown.best
    other = np.abs(values - typed) > 0.5 * (unknown.high - unknown.low)

    def choose(bad: Mask) -> Choice:
        worse = np.mean(bad[other]) >= np.mean(bad[~other]) if np.any(other) else True
        return Choice(*(units[::-1] if worse else units))

    return replace(_number(unknown, columns), values=other.astype(float), choose=choose)


def _number(unknown: Unknown, columns: Columns) -> Input:
    def put(table: Columns, places: Floats) -> Columns:
        return table.moved(unknown.quantity, from_unit(unknown, places))

    def value(places: Floats) -> Floats:
        return from_unit(unknown, places)

    return Input(
        unknown.quantity.spoken,
        unknown.quantity.unit,
        unknown.how,
        unknown.quantity.cost,
        columns.numbers[unknown.name],
        (0.0, 1.0),
        put,
        value,
    )


#: Species of a label whose amount is open by less than this share decide nothing by themselves.
_OPEN_SHARE = 0.02


def _room_of_label(question: Question, place: int, columns: Columns) -> list[Input]:
    """One input per species that a label leaves open; species that go in step are one. A label without sources is
    one input as a whole."""
    product, known = question.poured[place].product, question.poured[place].composition
    if question.poured[place].grades:
        return [_grade(question.poured[place], place, columns)]
    if not known.listed:
        return [_sources(question, place, columns)]
    best = known.mixtures[0].species_mol_per_kg
    share, pick = columns.leaning[:, place], columns.mixture[:, place]
    found: list[Input] = []
    for species, (low, _, high) in known.bounds_mol_per_kg.items():
        if species in {"H2O", "H+"} or high - low <= _OPEN_SHARE * max(high, 1e-9):
            continue
        table = np.array([mixture.species_mol_per_kg.get(species, 0.0) for mixture in known.mixtures])
        percent = species_molar_mass_g_per_mol(species) / 10.0 * ((1.0 - share) * table[0] + share * table[pick])
        if any(np.allclose(percent / percent.max(), other.values / other.values.max(), atol=1e-3) for other in found):
            continue
        least, most = int(np.argmin(table)), int(np.argmax(table))
        to_percent = species_molar_mass_g_per_mol(species) / 10.0

        def put(out: Columns, places: Floats, least: int = least, most: int = most) -> Columns:
            return out.leaned(place, np.where(places < 0.0, least, most), np.abs(places))

        def value(
            places: Floats, table: Floats = table, least: int = least, most: int = most, to: float = to_percent
        ) -> Floats:
            end = np.where(places < 0.0, table[least], table[most])
            return np.asarray(to * (table[0] + np.abs(places) * (end - table[0])))

        name_of_it = f"{SPECIES[species].spoken} in {product.name}"
        expected = f"{to_percent * best.get(species, 0.0):.3g} % is expected"
        found.append(
            Input(
                name_of_it,
                "% of its mass",
                f"ask the maker for a data sheet, or a lab: {name_of_it}, {expected}",
                4,
                percent,
                (-1.0, 1.0),
                put,
                value,
            )
        )
    return found


def _nowhere(_table: Columns, _places: Floats) -> Columns:
    raise AssertionError("has no places between which it could turn")


def _grade(item: Poured, place: int, columns: Columns) -> Input:
    """Which of its grades a product is, of which only the name that they share is known."""
    grade = columns.grade(place)

    def choose(bad: Mask) -> Choice:
        share = {i: float(np.mean(bad[grade == i])) for i in np.unique(grade)}
        worse, better = max(share, key=lambda i: share[i]), min(share, key=lambda i: share[i])
        good = grade_words(item.grades[better]) if share[better] < share[worse] else ""
        return Choice(f"it is {grade_words(item.grades[worse])}", f"it is {good}" if good else "")

    how = f"read on the bag or drum which {item.product.name} it is"
    return Input(
        f"grade of {item.product.name}", "", how, 1, grade.astype(float), (0.0, 0.0), _nowhere, np.asarray, choose
    )


def _sources(question: Question, place: int, columns: Columns) -> Input:
    """What a label without sources leaves open: which of its mixtures it is; there is no number to turn at."""
    item = question.poured[place]
    mixtures, product = item.composition.mixtures, item.product.name

    def choose(bad: Mask) -> Choice:
        pick, ends = columns.mixture[:, place], columns.leaning[:, place] == 1.0
        bad_share = {i: float(np.mean(bad[ends & (pick == i)])) for i in np.unique(pick[ends])}
        names = {
            side: [
                _made_of(question, mixtures[i].sources) for i in sorted(chosen, key=lambda i: len(mixtures[i].sources))
            ]
            for side, chosen in (
                ("none", [i for i, share in bad_share.items() if share == 0.0]),
                ("trouble", [i for i, share in bad_share.items() if share > 0.5]),
            )
        }
        return Choice(*(names[side][0] if names[side] else "" for side in ("trouble", "none")))

    how = f'read the "derived from" line on the label of {product}'
    values = columns.mixture[:, place].astype(float)
    return Input(f"sources of {product}", "", how, 1, values, (0.0, 0.0), _nowhere, np.asarray, choose)


#: A source of less than this share of the mass is not named, nor more than the largest few.
_NAMED_SHARE, _MOST_NAMED = 0.02, 3


def _made_of(question: Question, sources: Mapping[str, float]) -> str:
    named = sorted((-share, name) for name, share in sources.items() if share > _NAMED_SHARE)[:_MOST_NAMED]
    return ", ".join(f"{-share * 100:.0f} % {question.material(name).name}" for share, name in named)
