"""Commands for wells: add, test, edit, show, list, and the check of a water by itself."""

from __future__ import annotations

import json
from datetime import date
from typing import Annotated, Any, cast

import typer

from ...catalog import Catalog, InputError, WaterTest, Well
from ...catalog.store.parse import parse
from ...catalog.text import escaped
from ...catalog.written import changed, id_of_name, toml_text
from .late import group_app
from .lookup import show_water, well_check
from .options import AsJson, Database, New, water_items
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

well_app = group_app()

Test = Annotated[str | None, typer.Option("--test", help='"ph=7.6, calcium=95 mg/L, alkalinity=210 mg/L CaCO3".')]
TestedOn = Annotated[str | None, typer.Option("--tested-on", help="Day of the sample, 2026-03-31.")]
TestNotes = Annotated[str | None, typer.Option("--notes", help="Notes.")]
TestSource = Annotated[str | None, typer.Option("--source", help="Lab or strip.")]
_TEMPLATE = """\
# A well with its water tests. Remove "#" where a line is needed; save and leave the editor.
name = ""
# notes = ""

[[test]]
# tested_on = "2026-03-31"
# source = "strip"
# ph = 7.6
# calcium = "95 mg/L"
# magnesium = "22 mg/L"
# alkalinity = "210 mg/L CaCO3"
"""
_QUESTIONS = (
    ("name", "Name of the well"),
    ("tested_on", "Day of the sample, such as 2026-03-31 (Enter: none)"),
    ("ph", "pH (Enter: none)"),
    ("alkalinity", 'Alkalinity, such as "210 mg/L CaCO3" (Enter: none)'),
    ("calcium", 'Calcium, such as "95 mg/L" (Enter: none)'),
    ("magnesium", "Magnesium (Enter: none)"),
    ("hardness", 'Hardness, where calcium and magnesium are not split, such as "12 gpg" (Enter: none)'),
    ("sulfate", "Sulfate (Enter: none)"),
    ("iron", "Iron (Enter: none)"),
    ("sodium", "Sodium (Enter: none)"),
    ("source", "Lab or strip (Enter: none)"),
)


def _test(text: str | None, tested_on: str | None, source: str | None, notes: str | None) -> dict[str, Any]:
    """A water test of the options; empty without any."""
    items = water_items(text, "--test") if text is not None else {}
    if "name" in items:
        raise InputError("names no item", where="--test", mend='write "ph=7.6, calcium=95 mg/L"')
    more = {"tested_on": tested_on, "source": source, "notes": notes}
    return {**items, **{field: value for field, value in more.items() if value is not None}}


def _read(data: dict[str, Any], where: str) -> Well:
    """A well, its id from its name where it has none. Raises: InputError."""
    if "id" not in data:
        data = {**data, "id": id_of_name(data.get("name"), where)}
        if not data.get("name"):
            raise InputError("name is missing", where=where, mend="add it")
    return parse(Well, data, where)


@well_app.command()
def add(
    name: Annotated[str | None, typer.Argument(help="Its name; or a TOML file with all of it.")] = None,
    id_: Annotated[str | None, typer.Option("--id", help="Small letters, digits, hyphens; else from the name.")] = None,
    test: Test = None,
    tested_on: TestedOn = None,
    source: TestSource = None,
    notes: TestNotes = None,
    in_editor: InEditor = False,
    anyway: Anyway = False,
    by: By = None,
    why: Why = "",
    db: Database = None,
    new: New = False,
) -> None:
    """Add a well, with a water test: from a TOML file, from options, in $EDITOR, or by questions at a terminal."""
    given = _test(test, tested_on, source, None)
    data: dict[str, Any] = {}
    where = "options"
    if name is not None and name.endswith(".toml"):
        data, where = read_file(name), name
    elif name is not None:
        data["name"] = name
    if given:
        data["test"] = [*data.get("test", ()), given]
    data |= {field: value for field, value in (("id", id_), ("notes", notes)) if value is not None}
    with Catalog.open(db, new=new) as catalog:
        if in_editor:
            well = edited(toml_text(data) if data else _TEMPLATE, lambda table: _read(table, "what you wrote"))
        elif not data and at_terminal():
            well = _of_answers(answered(_QUESTIONS, _of_answers))
        elif not data:
            raise InputError("no well is given", mend='write its name and --test "ph=7.6, ..." --tested-on 2026-03-31')
        else:
            well = _read(data, where)
        save(catalog, well, 0, by=by, why=why, anyway=anyway)


def _of_answers(answers: Any) -> Well:
    test = {field: value for field, value in answers.items() if field != "name"}
    return _read({"name": answers.get("name", "well"), "test": [test] if test else []}, "answers")


@well_app.command("test")
def one_more_test(
    name: Name,
    test: Test = None,
    tested_on: TestedOn = None,
    source: TestSource = None,
    notes: TestNotes = None,
    replace: Annotated[bool, typer.Option("--replace", help="In place of the test of the same day.")] = False,
    anyway: Anyway = False,
    by: By = None,
    why: Why = "",
    db: Database = None,
    new: New = False,
) -> None:
    """Add a water test to a well."""
    if test is None:
        raise InputError("no test is given", mend='write --test "ph=7.6, calcium=95 mg/L" --tested-on 2026-03-31')
    made = parse(WaterTest, _test(test, tested_on, source, notes), "--test")
    with Catalog.open(db, new=new) as catalog:
        now = catalog.current("well", name)
        well = cast(Well, now.record())
        save(catalog, well.with_test(made, replace=replace), now.number, by=by, why=why, anyway=anyway)


@well_app.command()
def edit(
    name: Name,
    settings: Annotated[
        list[str] | None, typer.Option("--set", help='field=value, "notes=behind the barn"; may be repeated.')
    ] = None,
    unset: Annotated[list[str] | None, typer.Option("--unset", help="A field to take out; may be repeated.")] = None,
    in_editor: InEditor = False,
    revision: FromRevision = None,
    anyway: Anyway = False,
    by: By = None,
    why: Why = "",
    db: Database = None,
    new: New = False,
) -> None:
    """Change a well: fields by --set and --unset, or all of it with its tests in $EDITOR."""
    if not settings and not unset and not in_editor and not at_terminal():
        raise InputError(
            "no change is given", mend='write --set "notes=...", --unset notes, or --edit; a test: well test'
        )
    with Catalog.open(db, new=new) as catalog:
        now = started_from(catalog, "well", name, revision)
        well = cast(Well, now.record())
        document = well.model_dump(mode="json", exclude_defaults=True)
        document = changed(document, pairs(settings or (), "--set", "notes=behind the barn"), unset or ())
        in_editor = in_editor or not (settings or unset)
        found = edited(toml_text(document), lambda t: _read(t, well.id)) if in_editor else _read(document, well.id)
        if found.id != well.id:
            raise InputError("the id of a well stays", where=well.id, mend="add it anew, and retire this one")
        save(catalog, found, now.number, by=by, why=why, anyway=anyway)


@well_app.command()
def show(
    name: Name,
    test_of: Annotated[str | None, typer.Option("--test-of", help="The test of this day; else the newest.")] = None,
    as_json: AsJson = False,
    db: Database = None,
    new: New = False,
) -> None:
    """Show a well: its newest test, what the water is by itself, and how its items went."""
    from ..present.records import print_trends

    with Catalog.open(db, new=new) as catalog, catalog.snapshot():
        now = catalog.current("well", name)
        well = cast(Well, now.record())
        if as_json:
            say(escaped(well.model_dump_json(indent=2, exclude_none=True)))
            return
        if well.test:
            show_water(catalog.well(well.id, day(test_of, "--test-of")), None, as_json=False)
        else:
            say(f"{well.name}\n{well.id}: no water test")
        if len(well.test) > 1:
            page(lambda out: print_trends(well, out))
        print_stamp(now, ("well", well.id) in catalog.overridden("well"))


def day(text: str | None, where: str) -> date | None:
    """A day that somebody wrote. Raises: InputError."""
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise InputError("is not a day", where=where, mend="write it as 2026-03-31") from None


@well_app.command("list")
def list_(as_json: AsJson = False, db: Database = None, new: New = False) -> None:
    """List wells, with the day of their newest test."""
    from ..present.records import print_wells

    with Catalog.open(db, new=new) as catalog:
        wells = catalog.wells()
    if as_json:
        from ..serve.rows import WellRow

        rows = [WellRow.of(one).model_dump(mode="json") for one in wells]
        say(escaped(json.dumps(rows, indent=2)))
    elif not wells:
        say("No well is in the catalog.")
    else:
        page(lambda out: print_wells(wells, out))


well_app.command("check")(well_check)
add_past(well_app, "well")
