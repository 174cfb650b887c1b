"""Tables of the catalog database (schema 2). Imported where something is written or made; reading goes by
`statements.py`.

A record points to the revision that stands; revisions are only ever added. Names and index rows say of the standing
revision what is searched by, and can be made anew from the documents at any time.
"""

from datetime import datetime
from typing import Any

from sqlalchemy import Column, DateTime, ForeignKeyConstraint, Index, MetaData, Table, Text, UniqueConstraint
from sqlmodel import Field, Relationship, SQLModel


class Base(SQLModel):
    """Tables of the catalog and no others."""

    metadata = MetaData()


def _of_record() -> ForeignKeyConstraint:
    return ForeignKeyConstraint(["kind", "id"], ["record.kind", "record.id"], ondelete="CASCADE")


class MetaRow(Base, table=True):
    """A fact about the database itself: "schema", "changes" (counts what was written), "seeds" (digest of the packaged
    records that it holds), "seeds_of" (version of the program that brought them)."""

    __tablename__ = "catalog_meta"
    key: str = Field(primary_key=True)
    value: str


class RecordRow(Base, table=True):
    """A record. number: the revision that stands, of this layer; last: the highest there is; seed: the last one that
    came with the program."""

    __tablename__ = "record"
    kind: str = Field(primary_key=True)
    id: str = Field(primary_key=True)
    number: int
    last: int
    layer: str
    retired: bool
    seed: int | None
    revisions: list["RevisionRow"] = Relationship(
        back_populates="record", sa_relationship_kwargs={"order_by": "RevisionRow.number"}
    )


class RevisionRow(Base, table=True):
    """A state of a record: its document as JSON text, who made it, when (UTC), why, after which source."""

    __tablename__ = "revision"
    __table_args__ = (_of_record(),)
    kind: str = Field(primary_key=True)
    id: str = Field(primary_key=True)
    number: int = Field(primary_key=True)
    at: datetime = Field(sa_column=Column(DateTime(timezone=True), nullable=False))
    author: str
    why: str
    source: str
    layer: str
    retired: bool
    restores: int | None
    document: str = Field(sa_column=Column(Text, nullable=False))
    record: RecordRow = Relationship(back_populates="revisions")


class NameRow(Base, table=True):
    """Every name that a record answers to, folded; one record of a kind has it. position: 0 is the id; size: letters of
    the folded name."""

    __tablename__ = "record_name"
    __table_args__ = (
        _of_record(),
        UniqueConstraint("kind", "folded", name="record_name_once"),
        Index("record_name_of", "kind", "id"),
        Index("record_name_size", "kind", "size"),
    )
    key: int | None = Field(default=None, primary_key=True)
    kind: str
    folded: str
    id: str
    name: str
    position: int
    size: int


class ProductIndexRow(Base, table=True):
    """What products are looked for by. n, p2o5, k2o: the grade [percent]; rich: what it holds of the three [percent];
    salt: a dry single chemical with a curve of its solubility."""

    __tablename__ = "product_index"
    __table_args__ = (_of_record(), Index("product_index_grade", "n", "p2o5", "k2o"))
    kind: str = Field(primary_key=True)
    id: str = Field(primary_key=True)
    name: str
    material: bool = Field(index=True)
    salt: bool
    rich: float = Field(index=True)
    n: float | None
    p2o5: float | None
    k2o: float | None


class ProductNutrientRow(Base, table=True):
    """What a product holds of a nutrient [percent by mass]."""

    __tablename__ = "product_nutrient"
    __table_args__ = (_of_record(), Index("product_nutrient_richest", "nutrient", "percent", "id"))
    kind: str = Field(primary_key=True)
    id: str = Field(primary_key=True)
    nutrient: str = Field(primary_key=True)
    percent: float


class ProductSourceRow(Base, table=True):
    """A source that a label names (derived from), folded."""

    __tablename__ = "product_source"
    __table_args__ = (_of_record(),)
    kind: str = Field(primary_key=True)
    id: str = Field(primary_key=True)
    material: str = Field(primary_key=True, index=True)


class ListingIndexRow(Base, table=True):
    """Which product is on the list of which region, in which state."""

    __tablename__ = "listing_index"
    __table_args__ = (_of_record(), Index("listing_index_state", "region", "state"))
    kind: str = Field(primary_key=True)
    id: str = Field(primary_key=True)
    region: str
    product: str = Field(index=True)
    state: str
    sold_here: bool


def table(row: type[SQLModel]) -> Table:
    """The table of a row."""
    found: Any = getattr(row, "__table__")  # noqa: B009
    assert isinstance(found, Table)
    return found


#: Rows that follow from the document that stands.
DERIVED = (NameRow, ProductIndexRow, ProductNutrientRow, ProductSourceRow, ListingIndexRow)
