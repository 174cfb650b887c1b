"""Tables of the catalog database, and how values are written to rows and read back."""

from __future__ import annotations

from typing import Any

from sqlalchemy import JSON, Column, UniqueConstraint
from sqlmodel import Field, SQLModel

from ..product import Content, Density, Product, SolubilityPoint, Source, Sourced, fold, plain_name
from ..water.analysis import WaterTest

#: Raised when a table changes shape; a database of another version is refused, not guessed at.
SCHEMA_VERSION = 1


class MetaRow(SQLModel, table=True):
    """One row per fact about the database itself; "schema" is written last, when the fill is whole."""

    __tablename__ = "catalog_meta"
    key: str = Field(primary_key=True)
    value: str


class SourceRow(SQLModel, table=True):
    """A citation."""

    __tablename__ = "source"
    key: str = Field(primary_key=True)
    citation: str
    seen: str


class ProductRow(SQLModel, table=True):
    """A product or material."""

    __tablename__ = "product"
    id: str = Field(primary_key=True)
    name: str
    kind: str = Field(index=True)
    form: str
    grade: str
    dissolving: str
    invented: bool
    hazards: list[str] = Field(sa_column=Column(JSON, nullable=False))
    density_kg_per_l: float | None
    density_temperature_c: float | None
    density_source: str
    notes: str


class NameRow(SQLModel, table=True):
    """Every name a product answers to, folded to lower case; unique over the whole catalog."""

    __tablename__ = "product_name"
    folded: str = Field(primary_key=True)
    name: str
    position: int
    product_id: str = Field(foreign_key="product.id", index=True)


class DerivedFromRow(SQLModel, table=True):
    """A source named on the label, in the label's order."""

    __tablename__ = "derived_from"
    product_id: str = Field(foreign_key="product.id", primary_key=True)
    position: int = Field(primary_key=True)
    material: str


class ContentRow(SQLModel, table=True):
    """A chemical in a material."""

    __tablename__ = "content"
    product_id: str = Field(foreign_key="product.id", primary_key=True)
    position: int = Field(primary_key=True)
    formula: str
    mass_fraction: float
    source: str
    note: str


class ContentSpeciesRow(SQLModel, table=True):
    """Moles of a species per mole of a content's formula."""

    __tablename__ = "content_species"
    __table_args__ = (UniqueConstraint("product_id", "position", "species"),)
    id: int | None = Field(default=None, primary_key=True)
    product_id: str = Field(foreign_key="product.id", index=True)
    position: int
    species: str
    moles: float


class SolubilityRow(SQLModel, table=True):
    """A point of a solubility curve."""

    __tablename__ = "solubility"
    product_id: str = Field(foreign_key="product.id", primary_key=True)
    position: int = Field(primary_key=True)
    formula: str
    temperature_c: float
    g_per_100_g_water: float
    source: str


class NumberRow(SQLModel, table=True):
    """A sourced number of a product: "guaranteed" or "at_most" per nutrient, or one of product.NUMBERS ("number")."""

    __tablename__ = "number"
    product_id: str = Field(foreign_key="product.id", primary_key=True)
    group: str = Field(primary_key=True)
    key: str = Field(primary_key=True)
    value: float
    source: str
    note: str


class WordRow(SQLModel, table=True):
    """A fact of a product that is a word, such as its chelating agent."""

    __tablename__ = "product_word"
    product_id: str = Field(foreign_key="product.id", primary_key=True)
    key: str = Field(primary_key=True)
    word: str


class WaterRow(SQLModel, table=True):
    """A water test; items as they were written, with their units."""

    __tablename__ = "water"
    id: str = Field(primary_key=True)
    name: str
    invented: bool
    items: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))


CHILDREN: tuple[type[SQLModel], ...] = (
    NameRow,
    DerivedFromRow,
    ContentSpeciesRow,
    ContentRow,
    SolubilityRow,
    NumberRow,
    WordRow,
)

#: Groups of numbers: name in the table -> field of a product.
_NUMBER_GROUPS = {"guaranteed": "guaranteed", "at_most": "at_most", "number": "numbers"}


def names_of(product: Product) -> dict[str, str]:
    """Every name of a product by its folded form: id, name (also without "(invented)"), aliases."""
    return {fold(name): name for name in (product.id, product.name, plain_name(product.name), *product.aliases)}


def product_rows(product: Product) -> list[SQLModel]:
    """The rows that hold a product, parent first."""
    density = product.density
    rows: list[SQLModel] = [
        ProductRow(
            id=product.id,
            name=product.name,
            kind=product.kind,
            form=product.form,
            grade=product.grade,
            dissolving=product.dissolving,
            invented=product.invented,
            hazards=list(product.hazards),
            density_kg_per_l=density.kg_per_l if density else None,
            density_temperature_c=density.temperature_c if density else None,
            density_source=density.source if density else "",
            notes=product.notes,
        )
    ]
    rows += [
        NameRow(folded=folded, name=name, position=i, product_id=product.id)
        for i, (folded, name) in enumerate(names_of(product).items())
    ]
    rows += [
        DerivedFromRow(product_id=product.id, position=i, material=material)
        for i, material in enumerate(product.derived_from)
    ]
    for i, part in enumerate(product.content):
        share = part.mass_fraction
        rows.append(
            ContentRow(
                product_id=product.id,
                position=i,
                formula=part.formula,
                mass_fraction=share.value,
                source=share.source,
                note=share.note,
            )
        )
        rows += [
            ContentSpeciesRow(product_id=product.id, position=i, species=species, moles=moles)
            for species, moles in part.dissolves_to.items()
        ]
    rows += [
        SolubilityRow(product_id=product.id, position=i, **point.model_dump())
        for i, point in enumerate(product.solubility)
    ]
    for group, field in _NUMBER_GROUPS.items():
        rows += [
            NumberRow(product_id=product.id, group=group, key=key, **number.model_dump())
            for key, number in getattr(product, field).items()
        ]
    if product.chelating_agent is not None:
        rows.append(WordRow(product_id=product.id, key="chelating_agent", word=product.chelating_agent))
    return rows


def product_of(row: ProductRow, children: dict[type[SQLModel], list[Any]]) -> Product:
    """The product that a row and its child rows hold (children in order of position)."""
    numbers: dict[str, dict[str, Sourced]] = {group: {} for group in _NUMBER_GROUPS}
    for number in children.get(NumberRow, []):
        numbers[number.group][number.key] = Sourced(value=number.value, source=number.source, note=number.note)
    species: dict[int, dict[str, float]] = {}
    for item in children.get(ContentSpeciesRow, []):
        species.setdefault(item.position, {})[item.species] = item.moles
    density = None
    if row.density_kg_per_l is not None:
        density = Density(
            kg_per_l=row.density_kg_per_l,
            temperature_c=row.density_temperature_c,
            source=row.density_source,
        )
    own = {fold(name) for name in (row.id, row.name, plain_name(row.name))}
    return Product.model_validate(
        {
            "id": row.id,
            "name": row.name,
            "kind": row.kind,
            "form": row.form,
            "grade": row.grade,
            "dissolving": row.dissolving,
            "invented": row.invented,
            "hazards": tuple(row.hazards),
            "notes": row.notes,
            "density": density,
            "aliases": tuple(n.name for n in children.get(NameRow, []) if n.folded not in own),
            "derived_from": tuple(d.material for d in children.get(DerivedFromRow, [])),
            "content": tuple(
                Content(
                    formula=part.formula,
                    mass_fraction=Sourced(value=part.mass_fraction, source=part.source, note=part.note),
                    dissolves_to=species[part.position],
                )
                for part in children.get(ContentRow, [])
            ),
            "solubility": tuple(
                SolubilityPoint(
                    formula=p.formula,
                    temperature_c=p.temperature_c,
                    g_per_100_g_water=p.g_per_100_g_water,
                    source=p.source,
                )
                for p in children.get(SolubilityRow, [])
            ),
            **{field: numbers[group] for group, field in _NUMBER_GROUPS.items()},
            **{word.key: word.word for word in children.get(WordRow, [])},
        }
    )


def source_of(row: SourceRow) -> Source:
    """The citation that a row holds."""
    return Source.model_validate({"id": row.key, "citation": row.citation, "seen": row.seen})


def water_row(water: WaterTest) -> WaterRow:
    """The row that holds a water test."""
    items = water.model_dump(exclude_none=True, exclude={"id", "name", "invented"})
    return WaterRow(id=water.id, name=water.name, invented=water.invented, items=items)


def water_of(row: WaterRow) -> WaterTest:
    """The water test that a row holds."""
    return WaterTest.model_validate({"id": row.id, "name": row.name, "invented": row.invented, **row.items})
