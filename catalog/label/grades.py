"""Names that several grades or strengths of one material bear, and a product of which only such a name is known."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np

from ..data import table
from ..product import Density, Product, fold
from ..species import molar_mass_g_per_mol
from .composition import Composition, Mixture
from .directions import DIRECTIONS

#: What makes the grade of a material known, in front of its name or behind it.
_MADE = ("technical", "white", "red", "granular")


@cache
def _grades() -> dict[str, tuple[str, ...]]:
    return {fold(name): tuple(row["grades"]) for row in table("grades")["name"] for name in row["names"]}


def ids_of_grades(name: str) -> tuple[str, ...]:
    """Ids of the materials that bear a name, the one for drip or the weaker one first; empty where one alone does.

    >>> ids_of_grades("Phosphoric acid"), ids_of_grades("phosphoric acid 85%")
    (('phosphoric-acid-75', 'phosphoric-acid-85'), ())
    """
    return _grades().get(fold(name), ())


def grade_words(product: Product) -> str:
    """What tells a grade from the others of its material, as the bag or the drum has it."""
    known = [fold(name) for name in (product.name, *product.aliases)]
    made = " ".join(made for made in _MADE if any(made in name.replace(",", " ").split() for name in known))
    percent = next((name.split()[-1] for name in product.aliases if name.endswith("%")), "")
    return " ".join(filter(None, [made, percent or product.grade])) or product.name


def of_some_grade(name: str, grades: Sequence[Product]) -> Product:
    """A product that is one of some grades, it is not known which; its numbers are those of the first as far as one is
    needed, its composition is `composition_of_grades`."""
    density = [grade.density for grade in grades if grade.density is not None]
    return Product(
        id=grades[0].id,
        name=" ".join(name.split()),
        form=grades[0].form,
        derived_from=tuple(grade.name for grade in grades),
        density=Density(
            kg_per_l=float(np.mean([one.kg_per_l for one in density])),
            temperature_c=density[0].temperature_c,
            source=density[0].source,
        )
        if density
        else None,
    )


def composition_of_grades(grades: Sequence[Product]) -> Composition:
    """What a product dissolves to that is one of some grades: each a mixture, the first the best estimate."""
    mixtures = tuple(Mixture(_dissolved(grade), {grade.id: 1.0}) for grade in grades)
    most: dict[str, float] = {}
    for mixture in mixtures:
        for species, moles in mixture.species_mol_per_kg.items():
            most[species] = max(most.get(species, 0.0), abs(moles))
    extreme = []
    for i, direction in enumerate(DIRECTIONS):
        gains = [
            sum(
                sign * mixture.species_mol_per_kg.get(species, 0.0) / most[species]
                for species, sign in direction.parts.items()
                if most.get(species)
            )
            for mixture in mixtures
        ]
        # Where all are alike each takes its turn, so that no grade is left out.
        alike = max(gains) - min(gains) < 1e-9
        extreme.append(1 + (i % len(mixtures) if alike else int(np.argmax(gains))))
    return Composition((mixtures[0], *mixtures), extreme=tuple(extreme))


def _dissolved(grade: Product) -> dict[str, float]:
    """Species of a grade, and the plain water of a liquid [mol/kg]."""
    species = grade.species_mol_per_kg()
    if grade.form == "liquid":
        water = max(0.0, 1.0 - sum(part.mass_fraction.value for part in grade.content))
        species["H2O"] = species.get("H2O", 0.0) + 1000.0 * water / molar_mass_g_per_mol("H2O")
    return species
