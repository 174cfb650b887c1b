"""Schema 2: records with revisions, documents as JSON. What the tables of schema 1 hold becomes first revisions."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

#: Groups of the table of numbers -> fields of a product.
_GROUPS = {"guaranteed": "guaranteed", "at_most": "at_most", "number": "numbers"}


def upgrade() -> None:
    """Read the old tables, drop them, make the new ones, write what was read."""
    records = list(_records(op.get_bind()))
    _drop_old()
    _make_new()
    now = datetime.now(UTC)
    heads = [
        {"kind": kind, "id": id_, "number": 1, "last": 1, "layer": "own", "retired": False, "seed": None}
        for kind, id_, _ in records
    ]
    revisions = [
        {
            "kind": kind,
            "id": id_,
            "number": 1,
            "at": now,
            "author": "",
            "why": "from schema 1",
            "source": "",
            "layer": "own",
            "retired": False,
            "restores": None,
            "document": json.dumps(data, ensure_ascii=False),
        }
        for kind, id_, data in records
    ]
    op.bulk_insert(sa.table("record", *map(sa.column, heads[0])) if heads else sa.table("record"), heads)
    if revisions:
        columns = [sa.column(name, sa.DateTime(timezone=True) if name == "at" else None) for name in revisions[0]]
        op.bulk_insert(sa.table("revision", *columns), revisions)
    meta = sa.table("catalog_meta", sa.column("key"), sa.column("value"))
    op.execute(meta.delete().where(meta.c.key.in_(["schema", "changes"])))
    op.bulk_insert(meta, [{"key": "schema", "value": "2"}, {"key": "changes", "value": "0"}])


# --- reading schema 1 -----------------------------------------------------------------------------


def _rows(connection: sa.Connection, table: str, order: str) -> Iterator[Any]:
    if sa.inspect(connection).has_table(table):
        quoted = ", ".join(f'"{name}"' for name in order.split())
        yield from connection.execute(sa.text(f'SELECT * FROM "{table}" ORDER BY {quoted}')).mappings()


def _records(connection: sa.Connection) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Kind, id and document of everything; fields that say nothing are left out."""
    for row in _rows(connection, "source", "key"):
        yield "source", row["key"], {"id": row["key"], "citation": row["citation"], "seen": row["seen"]}
    yield from _products(connection)
    for row in _rows(connection, "water", "id"):
        items = _plain(row["items"])
        if not isinstance(items, dict):
            items = {"notes": f"what was stored made no sense: {items}"}
        test = {name: value for name, value in items.items() if name != "notes" and value not in (None, "")}
        name = row["name"] or row["id"]
        well = {"id": row["id"], "name": name, "invented": bool(row["invented"]), "notes": items.get("notes", "")}
        yield "well", row["id"], {**_said(well), **({"test": [test]} if test else {})}


def _products(connection: sa.Connection) -> Iterator[tuple[str, str, dict[str, Any]]]:
    found: dict[str, dict[str, Any]] = {}
    own: dict[str, set[str]] = {}
    for row in _rows(connection, "product", "id"):
        name = row["name"]
        own[row["id"]] = {" ".join(one.casefold().split()) for one in (row["id"], name, _plain_name(name))}
        product = {key: row[key] for key in ("id", "name", "form", "grade", "notes")}
        product |= {"kind": row["kind"] if row["kind"] != "product" else "", "hazards": _plain(row["hazards"])}
        product |= {"dissolving": row["dissolving"] if row["dissolving"] != "complete" else ""}
        product["invented"] = bool(row["invented"])
        if row["density_kg_per_l"] is not None:
            product["density"] = {
                "kg_per_l": row["density_kg_per_l"],
                "temperature_c": row["density_temperature_c"],
                "source": row["density_source"],
            }
        found[row["id"]] = _said(product)
    for row in _rows(connection, "product_name", "product_id position"):
        if row["folded"] not in own[row["product_id"]]:
            found[row["product_id"]].setdefault("aliases", []).append(row["name"])
    for row in _rows(connection, "derived_from", "product_id position"):
        found[row["product_id"]].setdefault("derived_from", []).append(row["material"])
    moles: dict[tuple[str, int], dict[str, float]] = {}
    for row in _rows(connection, "content_species", "id"):
        moles.setdefault((row["product_id"], row["position"]), {})[row["species"]] = row["moles"]
    for row in _rows(connection, "content", "product_id position"):
        part = {
            "formula": row["formula"],
            "mass_fraction": _sourced(row, "mass_fraction"),
            "dissolves_to": moles.get((row["product_id"], row["position"]), {}),
        }
        found[row["product_id"]].setdefault("content", []).append(part)
    for row in _rows(connection, "solubility", "product_id position"):
        point = {key: row[key] for key in ("formula", "temperature_c", "g_per_100_g_water", "source")}
        found[row["product_id"]].setdefault("solubility", []).append(point)
    for row in _rows(connection, "number", "product_id group key"):
        numbers = found[row["product_id"]].setdefault(_GROUPS[row["group"]], {})
        numbers[row["key"]] = _sourced(row, "value")
    for row in _rows(connection, "product_word", "product_id key"):
        found[row["product_id"]][row["key"]] = row["word"]
    for id_, product in found.items():
        yield "product", id_, product


def _plain(value: Any) -> Any:
    """A JSON column: SQLite gives its text."""
    if not isinstance(value, str):
        return value
    try:
        return json.loads(value)
    except ValueError:
        return value


def _sourced(row: Any, key: str) -> dict[str, Any]:
    return _said({"value": row[key], "source": row["source"], "note": row["note"]})


def _said(fields: dict[str, Any]) -> dict[str, Any]:
    """Without the fields that say nothing; a nought says something."""
    return {key: value for key, value in fields.items() if value not in (None, "", []) and value is not False}


def _plain_name(name: str) -> str:
    return name.removesuffix(" (invented)")


# --- tables ---------------------------------------------------------------------------------------


def _drop_old() -> None:
    children = ("product_word", "number", "solubility", "content_species", "content", "derived_from", "product_name")
    for table in (*children, "product", "source", "water"):
        op.execute(f'DROP TABLE IF EXISTS "{table}"')


def _of_record() -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(["kind", "id"], ["record.kind", "record.id"], ondelete="CASCADE")


def _make_new() -> None:
    text, number, yes = sa.String(), sa.Integer(), sa.Boolean()

    def own() -> list[sa.Column[Any]]:
        return [sa.Column("kind", text, primary_key=True), sa.Column("id", text, primary_key=True)]

    def column(name: str, kind: Any, *, null: bool = False, primary: bool = False) -> sa.Column[Any]:
        return sa.Column(name, kind, nullable=null, primary_key=primary)

    op.create_table(
        "record",
        *own(),
        column("number", number),
        column("last", number),
        column("layer", text),
        column("retired", yes),
        column("seed", number, null=True),
    )
    op.create_table(
        "revision",
        *own(),
        sa.Column("number", number, primary_key=True, autoincrement=False),
        column("author", text),
        column("why", text),
        column("source", text),
        column("layer", text),
        column("retired", yes),
        column("restores", number, null=True),
        column("at", sa.DateTime(timezone=True)),
        column("document", sa.Text()),
        _of_record(),
    )
    op.create_table(
        "record_name",
        sa.Column("key", number, primary_key=True),
        *(column(name, text) for name in ("kind", "folded", "id", "name")),
        column("position", number),
        column("size", number),
        _of_record(),
        sa.UniqueConstraint("kind", "folded", name="record_name_once"),
    )
    op.create_index("record_name_of", "record_name", ["kind", "id"])
    op.create_index("record_name_size", "record_name", ["kind", "size"])
    op.create_table(
        "product_index",
        *own(),
        column("name", text),
        column("material", yes),
        column("salt", yes),
        column("rich", sa.Float()),
        *(column(name, sa.Float(), null=True) for name in ("n", "p2o5", "k2o")),
        _of_record(),
    )
    op.create_index("product_index_grade", "product_index", ["n", "p2o5", "k2o"])
    op.create_index("ix_product_index_material", "product_index", ["material"])
    op.create_index("ix_product_index_rich", "product_index", ["rich"])
    op.create_table(
        "product_nutrient",
        *own(),
        column("nutrient", text, primary=True),
        column("percent", sa.Float()),
        _of_record(),
    )
    op.create_index("product_nutrient_richest", "product_nutrient", ["nutrient", "percent", "id"])
    op.create_table("product_source", *own(), column("material", text, primary=True), _of_record())
    op.create_index("ix_product_source_material", "product_source", ["material"])
    op.create_table(
        "listing_index",
        *own(),
        column("region", text),
        column("product", text),
        column("state", text),
        column("sold_here", yes),
        _of_record(),
    )
    op.create_index("ix_listing_index_product", "listing_index", ["product"])
    op.create_index("listing_index_state", "listing_index", ["region", "state"])
