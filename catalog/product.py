"""What is in the bottle: a product or generic material, every number with its source."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationInfo, model_validator

from .door import refuse_hidden
from .errors import InputError
from .nutrients import NUTRIENTS, percent_from_species
from .once import once_for_each
from .species import SPECIES, imbalance, molar_mass_g_per_mol
from .text import one_line, quoted

Form = Literal["dry", "liquid"]
Kind = Literal["material", "product"]
Dissolving = Literal["complete", "leaves-residue", "insoluble", "slow-release", "suspension", "organic"]
ChelatingAgent = Literal["EDTA", "DTPA", "EDDHA", "none"]
Hazard = Literal["acid", "alkali", "oxidizer", "hypochlorite", "ammonia-gas", "sulfite-gas"]

#: Other numbers that a product may carry: name -> unit.
NUMBERS: dict[str, str] = {
    "solution_ph": "pH",
    "heat_of_solution": "kJ/mol",
    "salt_index": "1",
    "insolubles": "percent",
    "salt_out_temperature": "degC",
}
#: What they may be at all, in the same units; what lies outside was misread (design choice).
NUMBER_LIMITS: dict[str, tuple[float, float]] = {
    "solution_ph": (-2.0, 16.0),  # of concentrated acids and lyes
    "heat_of_solution": (-1000.0, 1000.0),
    "salt_index": (0.0, 1000.0),
    "insolubles": (0.0, 100.0),
    "salt_out_temperature": (-100.0, 200.0),
}


def slug(name: str) -> str:
    """Kebab-case identifier of a name: "Potassium nitrate, 13-0-44" -> "potassium-nitrate-13-0-44"."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")


def fold(name: str) -> str:
    """A name as it is compared: compatible forms of a letter as one (NFKC), lower case, single spaces.

    >>> fold("Ｃalcium  NITRATE")
    'calcium nitrate'
    """
    if not isinstance(name, str):
        raise InputError(f"a {type(name).__name__} is no name", mend="give the name as text")
    if not name.isascii():
        # Folding may open a composed letter again.
        name = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", name).casefold())
    return " ".join(name.casefold().split())


def plain_name(name: str) -> str:
    """A name without the mark of an invented one: people leave it out."""
    return name.removesuffix(" (invented)")


def _known_species(name: str) -> str:
    if name not in SPECIES:
        raise ValueError(f"species {quoted(name)} is not known; known: {', '.join(SPECIES)}")
    return name


def _known_nutrient(key: str) -> str:
    if key not in NUTRIENTS:
        raise ValueError(f"nutrient {quoted(key)} is not known; known: {', '.join(NUTRIENTS)}")
    return key


SpeciesName = Annotated[str, AfterValidator(_known_species)]
NutrientKey = Annotated[str, AfterValidator(_known_nutrient)]


def _a_word(text: str) -> str:
    if not text.strip():
        raise ValueError("is empty; write a name")
    return text


#: Longer than this is no name.
LONGEST_NAME = 120
Name = Annotated[str, Field(max_length=LONGEST_NAME), AfterValidator(_a_word)]
#: What a record is kept under: small letters, digits and hyphens.
Identifier = Annotated[str, Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", max_length=LONGEST_NAME)]


#: Context of a validation whose data were looked at already: parts of a record need not look again.
NOTHING_HIDDEN = object()


class Record(BaseModel):
    """Base of the catalog's values: unknown fields are refused, and so are hidden characters in texts; values do not
    change."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    @model_validator(mode="before")
    @classmethod
    def _nothing_hidden(cls, data: Any, info: ValidationInfo) -> Any:
        if info.context is not NOTHING_HIDDEN:
            refuse_hidden(data)
        return data


class Source(Record):
    """Where a number comes from. id: what numbers name it by; seen: was the source read, or is it recalled or
    computed?"""

    id: str = Field(default="", max_length=LONGEST_NAME)
    citation: str = Field(min_length=1)
    seen: Literal["yes", "partly", "no", "computed", "invented", "label"]


class Sourced(Record):
    """A number with the key of its source."""

    value: float = Field(allow_inf_nan=False)
    source: str = Field(min_length=1)
    note: str = ""


class Content(Record):
    """One chemical in a material: its formula, share of the mass and what it dissolves to.

    dissolves_to: moles of each species per mole of formula; must balance in elements and charge.
    """

    formula: str
    mass_fraction: Sourced
    dissolves_to: dict[SpeciesName, float] = Field(min_length=1)

    @model_validator(mode="after")
    def _balanced(self) -> Self:
        if not 0 < self.mass_fraction.value <= 1:
            raise ValueError(f"mass fraction of {one_line(self.formula)} must lie in 0..1")
        if left := imbalance(self.formula, self.dissolves_to):
            off = ", ".join(f"{what} {amount:+g}" for what, amount in left.items())
            raise ValueError(f"{one_line(self.formula)} does not balance with what it dissolves to: {off}")
        return self


class SolubilityPoint(Record):
    """Handbook solubility [g per 100 g water] of `formula` (as written, hydrate or not)."""

    formula: str
    temperature_c: float = Field(ge=-20, le=110)
    g_per_100_g_water: float = Field(gt=0)
    source: str


class Density(Record):
    """Density of a liquid [kg/L] at a temperature [degC]."""

    kg_per_l: float = Field(gt=0.5, lt=3.0)
    temperature_c: float | None = None
    source: str


class Product(Record):
    """A product or generic material of the catalog.

    `grade` is the N-P2O5-K2O of the bag, oxide basis. `guaranteed` is percent by mass per nutrient
    key, a minimum; `at_most` is the same for declared maximums ("chloride not more than 0.5 %").
    A material states its `content`; a product states `derived_from`, names of materials.
    """

    id: Identifier
    name: Name
    kind: Kind = "product"
    form: Form
    grade: str = ""
    aliases: tuple[Name, ...] = ()
    invented: bool = False
    dissolving: Dissolving = "complete"
    hazards: tuple[Hazard, ...] = ()
    guaranteed: dict[NutrientKey, Sourced] = Field(default_factory=dict)
    at_most: dict[NutrientKey, Sourced] = Field(default_factory=dict)
    derived_from: tuple[str, ...] = ()
    chelating_agent: ChelatingAgent | None = None
    content: tuple[Content, ...] = ()
    density: Density | None = None
    solubility: tuple[SolubilityPoint, ...] = ()
    numbers: dict[str, Sourced] = Field(default_factory=dict)
    notes: str = ""

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if (total := sum(c.mass_fraction.value for c in self.content)) and total > 1.0005:
            raise ValueError(f"contents add up to {total:.3f} of the mass, more than 1")
        for what, table in (("guaranteed", self.guaranteed), ("at_most", self.at_most)):
            for key, number in table.items():
                if not 0 <= number.value <= 100:
                    raise ValueError(f"{what} {key} must lie in 0..100 percent, not {number.value:g}")
        if crossed := [
            k for k, most in self.at_most.items() if k in self.guaranteed and self.guaranteed[k].value > most.value
        ]:
            raise ValueError(f"{crossed[0]} is guaranteed at more than its declared maximum")
        if unknown := set(self.numbers) - set(NUMBERS):
            raise ValueError(
                f"numbers not known: {', '.join(map(quoted, sorted(unknown)))}; known: {', '.join(NUMBERS)}"
            )
        for key, number in self.numbers.items():
            low, high = NUMBER_LIMITS[key]
            if not low <= number.value <= high:
                raise ValueError(f"{key} must lie in {low:g}..{high:g} {NUMBERS[key]}, not {number.value:g}")
        if self.grade:
            parse_grade(self.grade)
        folded = [fold(name) for name in (plain_name(self.name), *self.aliases)]
        if len(set(folded)) < len(folded):
            raise ValueError("a name is given twice (capitals do not tell names apart); keep one of them")
        return self

    @property
    def grade_percent(self) -> tuple[float, float, float] | None:
        """N, P2O5, K2O percent of the grade, or None where no grade is given."""
        return parse_grade(self.grade) if self.grade else None

    def percent(self, nutrient: str) -> float | None:
        """Percent of a nutrient: from the formula, else guaranteed, else from the grade, else None."""
        if self.content:
            return percent_from_species(nutrient, _species_of(self))
        if nutrient in self.guaranteed:
            return self.guaranteed[nutrient].value
        place = _IN_GRADE.get(nutrient)
        return parse_grade(self.grade)[place] if place is not None and self.grade else None

    def sourced(self) -> Iterator[Sourced | Density | SolubilityPoint]:
        """Everything in the product that names a source."""
        yield from self.guaranteed.values()
        yield from self.at_most.values()
        yield from self.numbers.values()
        yield from (part.mass_fraction for part in self.content)
        yield from self.solubility
        if self.density is not None:
            yield self.density

    def species_mol_per_kg(self) -> dict[str, float]:
        """Moles of each species per kg of a material of known content [mol/kg]; empty without one."""
        moles: dict[str, float] = {}
        for part in self.content:
            units = 1000.0 * part.mass_fraction.value / molar_mass_g_per_mol(part.formula)
            for name, count in part.dissolves_to.items():
                moles[name] = moles.get(name, 0.0) + units * count
        return moles


@once_for_each(most=1024)
def _species_of(product: Product) -> Mapping[str, float]:
    """What it holds, for whoever asks of one nutrient after the other."""
    return product.species_mol_per_kg()


GRADE = re.compile(r"(\d+(?:\.\d+)?)-(\d+(?:\.\d+)?)-(\d+(?:\.\d+)?)")


#: Where in a grade a nutrient stands.
_IN_GRADE = {"n": 0, "p2o5": 1, "k2o": 2}


@lru_cache(maxsize=4096)
def parse_grade(text: str) -> tuple[float, float, float]:
    """N, P2O5 and K2O percent of a grade such as "10-0-10".

    Raises: ValueError: not three numbers, or they add up to more than 100 %.
    """
    match = GRADE.fullmatch(text.strip())
    if not match:
        raise ValueError(f"grade {quoted(text)} is not N-P2O5-K2O; write for example 10-0-10")
    n, p, k = (float(part) for part in match.groups())
    if n + p + k > 100:
        raise ValueError(f"grade {quoted(text)} adds up to more than 100 %")
    return n, p, k
