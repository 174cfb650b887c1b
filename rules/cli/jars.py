"""Commands for jar tests: add, list, and their history."""

from __future__ import annotations

import json
from datetime import date
from typing import Annotated, Any, cast, get_args

import typer

from ...catalog import Catalog, InputError, JarTest
from ...catalog.jar import Seen
from ...catalog.store.parse import parse
from ...catalog.text import escaped
from ...catalog.written import listed
from .late import group_app
from .options import AsJson, Database, New
from .output import page, say
from .past import add_past
from .saving import Anyway, By, Why, author, pairs, read_file, save

jar_app = group_app()


@jar_app.command()
def add(
    items: Annotated[
        list[str] | None, typer.Argument(help='What went in, "urea=2 g" "MAP=1 g"; or a TOML file with all of it.')
    ] = None,
    seen: Annotated[str | None, typer.Option("--seen", help=f"What was seen: {', '.join(get_args(Seen))}.")] = None,
    water: Annotated[str | None, typer.Option("--water", help="The well that the water is of.")] = None,
    bucket: Annotated[str | None, typer.Option("--bucket", help='Water in the jar, "200 mL".')] = None,
    temperature: Annotated[str | None, typer.Option("--temperature", help='"50 degF".')] = None,
    waited: Annotated[str | None, typer.Option("--waited", help='How long it stood, "2 hours".')] = None,
    made_on: Annotated[str | None, typer.Option("--made-on", help="Day, 2026-03-31; else today.")] = None,
    id_: Annotated[str | None, typer.Option("--id", help="Small letters, digits, hyphens; else made.")] = None,
    note: Annotated[str | None, typer.Option("--note", help="A note.")] = None,
    anyway: Anyway = False,
    by: By = None,
    why: Why = "",
    db: Database = None,
    new: New = False,
) -> None:
    """Record a jar test: what was mixed, and what was seen. It is shown beside a prediction and never lowers a stop."""
    data: dict[str, Any] = {}
    where = "options"
    if items and len(items) == 1 and items[0].endswith(".toml"):
        data, where = read_file(items[0]), items[0]
    elif items:
        parts = pairs(items, "the jar", "urea=2 g")
        data["product"] = [{"name": name, "amount": amount} for name, amount in parts.items()]
    given = {
        "seen": listed(seen) if seen is not None else None, "water": water, "bucket": bucket, "note": note,
        "temperature": temperature, "waited": waited, "made_on": made_on, "id": id_,
    }  # fmt: skip
    data |= {field: value for field, value in given.items() if value is not None}
    if "product" not in data:
        raise InputError("nothing is in the jar", mend='write what went in: "urea=2 g" "MAP=1 g" --seen clear')
    if "seen" not in data:
        raise InputError("what was seen is missing", mend=f"add --seen: {', '.join(get_args(Seen))}")
    data.setdefault("made_on", date.today().isoformat())
    data.setdefault("by", author(by))
    with Catalog.open(db, new=new) as catalog:
        if "id" not in data:
            taken = catalog.owners("jar", [f"jar-{data['made_on']}-{number}" for number in range(1, 1000)])
            free = (f"jar-{data['made_on']}-{number}" for number in range(1, 1001))
            data["id"] = next(one for one in free if one not in taken)
        save(catalog, parse(JarTest, data, where), 0, by=by, why=why, anyway=anyway)


@jar_app.command("list")
def list_(as_json: AsJson = False, db: Database = None, new: New = False) -> None:
    """List jar tests, the newest first."""
    from ..present.records import print_jars

    with Catalog.open(db, new=new) as catalog:
        jars = cast(list[JarTest], catalog.records("jar"))
    if as_json:
        say(escaped(json.dumps([jar.model_dump(mode="json") for jar in jars], indent=2)))
    elif not jars:
        say("No jar test is in the catalog.")
    else:
        page(lambda out: print_jars(jars, out))


add_past(jar_app, "jar")
