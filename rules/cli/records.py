"""Commands for products: add, edit, show, list."""

from __future__ import annotations

import json
from typing import Annotated, Any, Literal, cast, get_args

import typer

from ...catalog import Catalog, InputError, Listing, Product
from ...catalog.product import ChelatingAgent, Dissolving, Form
from ...catalog.text import escaped
from ...catalog.written import changed, read_product, toml_text
from .late import group_app
from .options import AsJson, Database, New
from .output import page, say
from .past import add_past
from .saving import (
    Anyway,
    By,
    FromRevision,
    InEditor,
    Name,
    Why,
    answered,
    at_terminal,
    edited,
    pairs,
    print_stamp,
    read_file,
    save,
    started_from,
)

product_app = group_app()

#: What is asked of a product, by field.
_QUESTIONS = (
    ("name", "Name, as on the bag or jug"),
    ("form", "dry or liquid"),
    ("grade", "Grade N-P2O5-K2O, such as 10-0-10 (Enter: none)"),
    ("derived_from", "Derived from, parted by commas, as on the label (Enter: none)"),
    ("density", 'Density of a liquid, such as "10.1 lb/gal" (Enter: none)'),
    ("guaranteed", 'Other guarantees, such as "Fe=0.1 %, Mg=0.5 %" (Enter: none)'),
    ("notes", "Notes (Enter: none)"),
)
_TEMPLATE = """\
# A product. Remove "#" where a line is needed; save and leave the editor. Numbers need a source.
name = ""
form = "liquid"            # or "dry"
# grade = "10-0-10"        # N-P2O5-K2O
# derived_from = ["urea", "potassium nitrate"]
# density = "10.1 lb/gal"  # of a liquid
# source = "label read 2026-05-02"
# aliases = []
# notes = ""
# [guaranteed]
# Fe = "0.1 %"
"""


@product_app.command()
def add(
    file: Annotated[str | None, typer.Argument(help="A TOML file with the product; else the options.")] = None,
    name: Annotated[str | None, typer.Option("--name", help="As on the bag or jug.")] = None,
    id_: Annotated[str | None, typer.Option("--id", help="Small letters, digits, hyphens; else from the name.")] = None,
    kind: Annotated[
        Literal["product", "material"] | None, typer.Option("--kind", help="Material: of a formula.")
    ] = None,
    form: Annotated[Form | None, typer.Option("--form", help="dry or liquid.")] = None,
    grade: Annotated[str | None, typer.Option("--grade", help='N-P2O5-K2O, "9-0-12".')] = None,
    density: Annotated[str | None, typer.Option("--density", help='Of a liquid, "10.1 lb/gal".')] = None,
    derived_from: Annotated[
        str | None, typer.Option("--derived-from", help='Sources on the label, "urea, potassium nitrate".')
    ] = None,
    guarantee: Annotated[list[str] | None, typer.Option("--guarantee", help='"Fe=0.1 %"; may be repeated.')] = None,
    at_most: Annotated[list[str] | None, typer.Option("--at-most", help='"Cl=0.5 %"; may be repeated.')] = None,
    ph: Annotated[float | None, typer.Option("--ph", help="Of the product, or of its solution.")] = None,
    chelating_agent: Annotated[ChelatingAgent | None, typer.Option("--chelating-agent", help="EDTA, DTPA ...")] = None,
    dissolving: Annotated[
        Dissolving | None, typer.Option("--dissolving", metavar="<word>", help=f"{', '.join(get_args(Dissolving))}.")
    ] = None,
    hazards: Annotated[str | None, typer.Option("--hazards", help='"acid, oxidizer".')] = None,
    aliases: Annotated[str | None, typer.Option("--also", help="Other names, parted by commas.")] = None,
    notes: Annotated[str | None, typer.Option("--notes", help="Notes.")] = None,
    source: Annotated[str | None, typer.Option("--source", help='Where it was read, "label read 2026-05-02".')] = None,
    in_editor: InEditor = False,
    anyway: Anyway = False,
    by: By = None,
    why: Why = "",
    db: Database = None,
    new: New = False,
) -> None:
    """Add a product: from a TOML file, from options, in $EDITOR, or by questions at a terminal."""
    given: dict[str, Any] = {
        "name": name, "id": id_, "kind": kind, "form": form, "grade": grade, "density": density,
        "derived_from": derived_from, "chelating_agent": chelating_agent, "dissolving": dissolving,
        "hazards": hazards, "aliases": aliases, "notes": notes, "source": source,
        "guaranteed": pairs(guarantee or (), "--guarantee", "Fe=0.1 %") or None,
        "at_most": pairs(at_most or (), "--at-most", "Cl=0.5 %") or None,
        "numbers": None if ph is None else {"solution_ph": ph},
    }  # fmt: skip
    given = {field: value for field, value in given.items() if value is not None}
    with Catalog.open(db, new=new) as catalog:
        known = catalog.sources()
        data = {**(read_file(file) if file is not None else {}), **given}
        if in_editor:
            text = toml_text(data) if data else _TEMPLATE
            product, beside = edited(text, lambda table: read_product(table, known, "what you wrote"))
        elif not data and at_terminal():
            product, beside = _asked(known)
        elif not data:
            raise InputError("no product is given", mend="name a TOML file, or use --name, --form, ... (see --help)")
        else:
            product, beside = read_product(data, known, file or "options")
        save(catalog, product, 0, by=by, why=why, anyway=anyway, beside=beside)


def _asked(known: Any) -> Any:
    """A product by questions."""

    def check(answers: Any) -> None:
        trial = {"name": "x", "form": "dry", "source": "asked", **_read_answers(answers)}
        read_product(trial, known, "answers")

    answers = answered(_QUESTIONS, check)
    if "density" in answers or "guaranteed" in answers:
        answers |= answered([("source", "Where the numbers were read, such as: label read 2026-05-02")], lambda _: None)
    return read_product(_read_answers(answers), known, "answers")


def _read_answers(answers: Any) -> dict[str, Any]:
    data = dict(answers)
    if isinstance(text := data.get("guaranteed"), str):
        data["guaranteed"] = pairs([part for part in text.split(",") if part.strip()], "guarantees", "Fe=0.1 %")
    return data


@product_app.command()
def edit(
    name: Name,
    settings: Annotated[
        list[str] | None,
        typer.Option("--set", help='field=value, "density=10.2 lb/gal", "guaranteed.Fe=0.1 %"; may be repeated.'),
    ] = None,
    unset: Annotated[list[str] | None, typer.Option("--unset", help="A field to take out; may be repeated.")] = None,
    source: Annotated[str | None, typer.Option("--source", help="Where new numbers were read.")] = None,
    in_editor: InEditor = False,
    revision: FromRevision = None,
    anyway: Anyway = False,
    by: By = None,
    why: Why = "",
    db: Database = None,
    new: New = False,
) -> None:
    """Change a product: fields by --set and --unset, or all of it in $EDITOR."""
    if not settings and not unset and not in_editor and not at_terminal():
        raise InputError("no change is given", mend='write --set "density=10.2 lb/gal", --unset notes, or --edit')
    with Catalog.open(db, new=new) as catalog:
        now = started_from(catalog, "product", name, revision)
        product = cast(Product, now.record())
        known = catalog.sources()
        document = product.model_dump(mode="json", exclude_defaults=True)
        if source is not None:
            document["source"] = source
        document = changed(document, pairs(settings or (), "--set", "density=10.2 lb/gal"), unset or ())

        def read(table: Any) -> Any:
            return read_product(table, known, product.id)

        in_editor = in_editor or not (settings or unset)
        found, beside = edited(toml_text(document), read) if in_editor else read(document)
        if found.id != product.id:
            raise InputError("the id of a product stays", where=product.id, mend="add it anew, and retire this one")
        save(catalog, found, now.number, by=by, why=why, anyway=anyway, beside=beside)


@product_app.command()
def show(
    name: Name,
    revision: Annotated[int | None, typer.Option("--revision", help="As it was then.")] = None,
    as_json: AsJson = False,
    db: Database = None,
    new: New = False,
) -> None:
    """Show a product with every number and its source, and where it stands."""
    from ..present.terminal import print_product

    with Catalog.open(db, new=new) as catalog:
        if revision is None:
            now = catalog.current("product", catalog.product(name).id)
        else:
            now = catalog.revision("product", name, revision)
        product = cast(Product, now.record())
        if as_json:
            say(escaped(product.model_dump_json(indent=2)))
            return
        page(lambda out: print_product(product, catalog, out))
        print_stamp(now, ("product", product.id) in catalog.overridden("product"))


@product_app.command("list")
def list_(
    region: Annotated[str | None, typer.Option("--region", help="Only those on the list of a region.")] = None,
    state: Annotated[
        Literal["draft", "reviewed", "needs-relabel", "retired"] | None,
        typer.Option("--state", help="Only those in this state on the list."),
    ] = None,
    own: Annotated[bool, typer.Option("--own", help="Without those that came with the program.")] = False,
    as_json: AsJson = False,
    db: Database = None,
    new: New = False,
) -> None:
    """List products, by id."""
    if state is not None and region is None:
        raise InputError("--state is that of a region's list", mend="add --region")
    with Catalog.open(db, new=new) as catalog, catalog.snapshot():
        products = catalog.products()
        if region is not None:
            from .regions import region_record

            region = region_record(catalog, region).id
            listed = {
                one.product
                for one in cast(list[Listing], catalog.records("listing"))
                if one.region == region and state in {None, one.state}
            }
            products = [one for one in products if one.id in listed]
        if own:
            products = [one for one in products if catalog.current("product", one.id).layer == "own"]
        over = {id_ for _, id_ in catalog.overridden("product")}
    if as_json:
        rows = [{"id": p.id, "name": p.name, "grade": p.grade, "form": p.form, "kind": p.kind} for p in products]
        say(escaped(json.dumps(rows, indent=2)))
    elif not products:
        say("No product fits.")
    else:
        from ..present.records import print_products

        marks = {one.id: "yours, in place of the one that came with the program" for one in products if one.id in over}
        page(lambda out: print_products(products, marks, out))


add_past(product_app, "product")
