"""Commands for regions: their policy, and the list of products that each has."""

from __future__ import annotations

import json
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import Annotated, Any, cast

import typer

from ...catalog import Catalog, InputError, Listing, RegionRecord, UnknownName, slug
from ...catalog.exchange.files import replaced
from ...catalog.listing import ListingState
from ...catalog.store.parse import parse
from ...catalog.text import escaped, quoted
from ...catalog.written import changed, id_of_name, toml_text
from ..families.registry import Judge
from ..policy.region import packaged, policy_checked, region_named
from .late import group_app
from .options import AsJson, Database, New, water_items
from .output import fault, page, say
from .past import add_past
from .saving import (
    Anyway,
    By,
    FromRevision,
    InEditor,
    Why,
    asked,
    at_terminal,
    edited,
    pairs,
    read_file,
    save,
    started_from,
)

region_app = group_app()

#: Faults of waters that are shown.
_FAULTS_SHOWN = 20

RegionName = Annotated[str, typer.Argument(help="A region, by its id or name.")]
_TEMPLATE = """\
# A region and its policy. Remove "#" where a line is needed; save and leave the editor.
name = ""
# notes = ""

# [policy.phosphorus]                # no phosphorus unless a soil test asks for it
# default = "none"
# source = "region's rule of 2026"

# [policy.unknown.calcium]           # range of wells that were not tested, mg/L
# low = 3
# high = 140
# source = "tests of 2025"

# [policy.level.lime-in-line]        # a rule at another level
# at_most = "caution"
# reason = "growers flush with acid each month"
"""
_OWN = ("id", "name", "policy", "notes")


def _read(data: dict[str, Any], where: str) -> RegionRecord:
    """A region; its policy stands under "policy", or, as in a region's file, beside the name. Raises: InputError."""
    document = {key: value for key, value in data.items() if key in _OWN}
    if "policy" not in document:
        document["policy"] = {key: value for key, value in data.items() if key not in _OWN}
    elif strange := sorted(data.keys() - set(_OWN)):
        raise InputError(f"{strange[0]} is not a field that is known here", where=where, mend="write it under policy")
    if not document.get("name"):
        raise InputError("name is missing", where=where, mend="add it")
    if "id" not in document:
        document["id"] = id_of_name(str(document["name"]).removesuffix(" (invented)"), where)
    record = parse(RegionRecord, document, where)
    Judge(policy_checked(record.policy), where)  # rules that there are, none lowered that may not be
    return record


@region_app.command()
def add(
    name: Annotated[str | None, typer.Argument(help="Its name; or a TOML file with its policy.")] = None,
    id_: Annotated[str | None, typer.Option("--id", help="Small letters, digits, hyphens; else from the name.")] = None,
    notes: Annotated[str | None, typer.Option("--notes", help="Notes.")] = None,
    in_editor: InEditor = False,
    anyway: Anyway = False,
    by: By = None,
    why: Why = "",
    db: Database = None,
    new: New = False,
) -> None:
    """Add a region: by its name, from a TOML file with its policy, or in $EDITOR."""
    data: dict[str, Any] = {}
    where = "options"
    if name is not None and name.endswith(".toml"):
        data, where = read_file(name), name
    elif name is not None:
        data["name"] = name
    elif not in_editor and at_terminal():
        data["name"] = asked("Name of the region:")
    data |= {field: value for field, value in (("id", id_), ("notes", notes)) if value is not None}
    if not data and not in_editor:
        raise InputError("no region is given", mend="write its name, name a TOML file, or use --edit")
    with Catalog.open(db, new=new) as catalog:
        region = (
            edited(toml_text(data) if data else _TEMPLATE, lambda table: _read(table, "what you wrote"))
            if in_editor
            else _read(data, where)
        )
        if region.id in packaged() and not catalog.owners("region", [region.id]):
            mend = f"change it: pourcheck region edit {region.id}"
            raise InputError("comes with the program", where=f"region {region.id}", mend=mend)
        save(catalog, region, 0, by=by, why=why, anyway=anyway)


@region_app.command()
def edit(
    name: RegionName,
    settings: Annotated[
        list[str] | None,
        typer.Option("--set", help='field=value, "policy.unknown.calcium.high=150"; may be repeated.'),
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
    """Change a region's policy: fields by --set and --unset, or all of it in $EDITOR."""
    if not settings and not unset and not in_editor and not at_terminal():
        raise InputError("no change is given", mend='write --set "policy.unknown.calcium.high=150", or --edit')
    with Catalog.open(db, new=new) as catalog:
        try:
            now = started_from(catalog, "region", name, revision)
            region, number = cast(RegionRecord, now.record()), now.number
        except UnknownName:
            region, number = region_record(catalog, name), 0
        document = region.model_dump(mode="json", exclude_defaults=True)
        numbers = {key: _number(value) for key, value in pairs(settings or (), "--set", "notes=...").items()}
        document = changed(document, numbers, unset or ())
        in_editor = in_editor or not (settings or unset)
        found = edited(toml_text(document), lambda t: _read(t, region.id)) if in_editor else _read(document, region.id)
        if found.id != region.id:
            raise InputError("the id of a region stays", where=region.id, mend="add it anew, and retire this one")
        save(catalog, found, number, by=by, why=why, anyway=anyway)


def _number(text: str) -> Any:
    try:
        return float(text)
    except ValueError:
        return text


def _packaged(name: str) -> RegionRecord:
    """A region that comes with the program, as a record. Raises: InputError: there is none."""
    policy = region_named(name).model_dump(mode="json", exclude_defaults=True, exclude_none=True)
    return RegionRecord(id=slug(name), name=policy.pop("name"), policy=policy)


def region_record(catalog: Catalog, name: str) -> RegionRecord:
    """A region of the catalog, else one that comes with the program. Raises: UnknownName, InputError: there is none."""
    try:
        return cast(RegionRecord, catalog.record("region", name))
    except UnknownName as unknown:
        if slug(name) not in packaged():
            raise UnknownName("region", name, unknown.nearest or list(packaged())) from None
        return _packaged(name)


def listings(catalog: Catalog, region: str) -> list[Listing]:
    """The list of a region, by product."""
    return [one for one in cast(list[Listing], catalog.records("listing")) if one.region == region]


def _on_its_list(catalog: Catalog, region: str) -> list[str]:
    """Ids of the products on a region's list that are not retired. Raises: InputError: there is none."""
    products = [one.product for one in listings(catalog, region) if one.state != "retired"]
    if not products:
        mend = f"put one on it: pourcheck region put {region} urea"
        raise InputError("has no product on its list", where=region, mend=mend)
    return products


@region_app.command()
def show(name: RegionName, as_json: AsJson = False, db: Database = None, new: New = False) -> None:
    """Show a region: its policy and its list."""
    from ..present.records import print_region

    with Catalog.open(db, new=new) as catalog, catalog.snapshot():
        region = region_record(catalog, name)
        found = listings(catalog, region.id)
    if as_json:
        document = region.model_dump(mode="json") | {"list": [one.model_dump(mode="json") for one in found]}
        say(escaped(json.dumps(document, indent=2)))
    else:
        page(lambda out: print_region(region, found, out))


@region_app.command("list")
def list_(as_json: AsJson = False, db: Database = None, new: New = False) -> None:
    """List regions: those of the catalog, and those that come with the program."""
    from ..present.records import print_regions

    with Catalog.open(db, new=new) as catalog, catalog.snapshot():
        own = cast(list[RegionRecord], catalog.records("region"))
        more = [_packaged(name) for name in packaged() if name not in {one.id for one in own}]
        rows = []
        for region in [*own, *more]:
            count = len(listings(catalog, region.id))
            told = f"{count} product{'' if count == 1 else 's'}"
            rows.append((region.name, region.id, told if region in own else f"{told}, comes with the program"))
    if as_json:
        say(escaped(json.dumps([{"name": name, "id": id_, "about": told} for name, id_, told in rows], indent=2)))
    else:
        page(lambda out: print_regions(rows, out))


@region_app.command()
def put(
    name: RegionName,
    product: Annotated[str, typer.Argument(help="A product, by its id or name.")],
    state: Annotated[
        ListingState | None, typer.Option("--state", help="draft, reviewed, needs-relabel or retired.")
    ] = None,
    reviewed_by: Annotated[str | None, typer.Option("--reviewed-by", help="Who reviewed it.")] = None,
    local_name: Annotated[str | None, typer.Option("--local-name", help="What it is called there.")] = None,
    sold_here: Annotated[bool | None, typer.Option("--sold-here/--not-sold-here", help="Is it sold there?")] = None,
    price: Annotated[str | None, typer.Option("--price", help='What a bag costs, "24.50 / 50 lb".')] = None,
    note: Annotated[str | None, typer.Option("--note", help="A note.")] = None,
    anyway: Anyway = False,
    by: By = None,
    why: Why = "",
    db: Database = None,
    new: New = False,
) -> None:
    """Put a product on the list of a region, or change what the list says of it."""
    given = {
        "state": state, "reviewed_by": reviewed_by, "local_name": local_name, "sold_here": sold_here, "price": price,
        "note": note,
    }  # fmt: skip
    with Catalog.open(db, new=new) as catalog:
        region, id_ = region_record(catalog, name).id, catalog.product(product).id
        number = 0
        document: dict[str, Any] = {"region": region, "product": id_}
        if catalog.owners("listing", [f"{region}/{id_}"]):
            now = catalog.current("listing", f"{region}/{id_}")
            number, document = now.number, now.record().model_dump(mode="json")
        document |= {field: value for field, value in given.items() if value is not None}
        save(catalog, parse(Listing, document, f"{region}/{id_}"), number, by=by, why=why, anyway=anyway)


@region_app.command()
def take(
    name: RegionName,
    product: Annotated[str, typer.Argument(help="A product on its list, by its id or name.")],
    by: By = None,
    why: Why = "",
    db: Database = None,
    new: New = False,
) -> None:
    """Take a product off the list of a region; what the list said of it stays in its history."""
    from .saving import author

    with Catalog.open(db, new=new) as catalog:
        region, id_ = region_record(catalog, name).id, catalog.product(product).id
        done = catalog.retire("listing", f"{region}/{id_}", by=author(by), why=why)
    say(f"Took {id_} off the list of {region} (revision {done.number}).")


@region_app.command()
def table(
    name: RegionName,
    wells: Annotated[list[str] | None, typer.Option("--well", help="Only these wells; may be repeated.")] = None,
    dry: Annotated[str, typer.Option("--dry", help="Amount of a dry product.")] = "1 lb",
    liquid: Annotated[str, typer.Option("--liquid", help="Amount of a liquid product.")] = "1 qt",
    bucket: Annotated[str, typer.Option("--bucket", help="Filled up to this volume.")] = "5 gal",
    inject: Annotated[str, typer.Option("--inject", help="Injection ratio, stock to water.")] = "1:100",
    what_if: Annotated[
        str | None,
        typer.Option("--what-if", help='Which verdicts turn with "calcium=150 mg/L" everywhere.'),
    ] = None,
    more: Annotated[bool, typer.Option("--more", help="Also what stands against each product.")] = False,
    to: Annotated[Path | None, typer.Option("--to", help="Write it to a .csv, .xlsx or .html file.")] = None,
    as_json: AsJson = False,
    db: Database = None,
    new: New = False,
) -> None:
    """Verdicts of the products on a region's list, each poured alone, in the water of every well."""
    from ..instead.table import Rates, verdict_table
    from ..present.table import html, print_table, print_turned, write_csv
    from .exchanging import bar

    if to is not None and to.suffix.lower() not in {".csv", ".xlsx", ".html"}:
        raise InputError("is none of .csv, .xlsx, .html", where=str(to), mend="write one of these")
    instead = water_items(what_if, "--what-if") if what_if is not None else {}
    if what_if is not None and "=" not in what_if:
        raise InputError("names no item", where="--what-if", mend='write "calcium=150 mg/L"')
    with Catalog.open(db, new=new) as catalog, catalog.snapshot():
        region = region_record(catalog, name)
        products = _on_its_list(catalog, region.id)
        chosen = wells or [well.id for well in catalog.wells() if well.test]
        rates = Rates(dry, liquid, bucket, inject, region.id)
        count = len(products) * len(chosen)
        with bar("verdicts", count * (2 if instead else 1)) as progress:
            found = verdict_table(catalog, products, chosen, rates, progress=progress)
            further = (lambda done: progress(count + done)) if progress is not None else None
            other = verdict_table(catalog, products, chosen, rates, instead, further) if instead else None
    turned = found.turned(other) if other is not None else []
    title = f"{region.name}: products and wells"
    if to is not None:
        if to.suffix.lower() == ".html":
            with replaced(to) as beside:
                beside.write_text(html(found, title), "utf-8")
        else:
            write_csv(found, to)
        say(f"{to}: {len(found.products)} products, {len(found.wells)} wells")
    if as_json:
        document: dict[str, Any] = {
            "region": region.id,
            "rates": {"dry": dry, "liquid": liquid, "bucket": bucket, "inject": inject},
            "verdicts": [
                {"product": p, "well": w, "verdict": c.verdict, "rules": list(c.rules), "fault": c.fault}
                for (p, w), c in found.cells.items()
            ],
        }
        if other is not None:
            document["turned"] = [
                {"product": t.product, "well": t.well, "before": t.before.verdict, "after": t.after.verdict}
                for t in turned
            ]
        say(escaped(json.dumps(document, indent=2)))
        return
    if to is None:
        page(lambda out: print_table(found, out, more=more))
    if what_if is not None:
        page(lambda out: print_turned(found, turned, what_if, out))


@region_app.command()
def sweep(
    name: RegionName,
    waters: Annotated[
        Path, typer.Argument(help="Water tests: a .csv, .xlsx or .parquet file (see: catalog template wells.csv).")
    ],
    to: Annotated[
        Path,
        typer.Option("--to", help="Folder for the verdicts, or a .csv file; what was cut off is gone on with."),
    ],
    products: Annotated[
        list[str] | None, typer.Option("--product", help="Only these products; may be repeated.")
    ] = None,
    listed: Annotated[bool, typer.Option("--listed", help="Only the products on the region's list.")] = False,
    dry: Annotated[str, typer.Option("--dry", help="Amount of a dry product.")] = "1 lb",
    liquid: Annotated[str, typer.Option("--liquid", help="Amount of a liquid product.")] = "1 qt",
    bucket: Annotated[str, typer.Option("--bucket", help="Filled up to this volume.")] = "5 gal",
    inject: Annotated[str, typer.Option("--inject", help="Injection ratio, stock to water.")] = "1:100",
    poured_on: Annotated[
        str | None, typer.Option("--poured-on", help="Day of all pours, 2026-05-12; tests until then count.")
    ] = None,
    workers: Annotated[int, typer.Option("--workers", min=1, max=64, help="Processes that share the work.")] = 1,
    at_once: Annotated[
        int, typer.Option("--at-once", min=1, max=100_000, help="Verdicts that a process holds, and a part of the job.")
    ] = 2000,
    skip_bad: Annotated[
        Path | None, typer.Option("--skip-bad", help="Leave waters with faults out, and write their rows to this file.")
    ] = None,
    as_json: AsJson = False,
    db: Database = None,
    new: New = False,
) -> None:
    """All products in all waters of a file, each poured alone: verdicts as Parquet or CSV, and how often which."""
    from ..instead.table import Rates
    from ..present.table import print_shares
    from ..serve.sweep import sweep as run
    from .exchanging import bar

    if listed and products:
        raise InputError("is given, and so is --product", where="--listed", mend="give one of them")
    try:
        day = date.fromisoformat(poured_on) if poured_on is not None else None
    except ValueError:
        raise InputError("is not a day", where="--poured-on", mend="write 2026-05-12") from None
    with Catalog.open(db, new=new) as catalog, bar("verdicts", None) as progress:
        region = region_record(catalog, name).id
        if listed:
            products = _on_its_list(catalog, region)
        swept = run(
            catalog, waters, to, products=products, rates=Rates(dry, liquid, bucket, inject, region),
            poured_on=day, workers=workers, rows_at_once=at_once, skip_bad=skip_bad,
            progress=progress,
        )  # fmt: skip
    for one in swept.faults[:_FAULTS_SHOWN]:
        fault(f"{waters}, {one}")
    if (more := len(swept.faults) - _FAULTS_SHOWN) > 0:
        fault(f"{waters}: and {more} more faults")
    if as_json:
        document = {
            "folder": str(to),
            "rows": swept.rows,
            "parts": len(swept.parts),
            "parts_before": swept.before,
            "left_out": swept.left_out,
            "shares": [asdict(share) for share in swept.shares],
        }
        say(escaped(json.dumps(document, indent=2)))
        return
    page(lambda out: print_shares(swept.shares, out))
    say(f"{to}: {swept.rows} verdicts in {len(swept.parts)} part{'' if len(swept.parts) == 1 else 's'}")
    if swept.left_out:
        say(f"{swept.left_out} row{'' if swept.left_out == 1 else 's'} left out, in {skip_bad}")


@region_app.command()
def merge(
    base: Annotated[Path, typer.Argument(help="The list that both started from (CSV or XLSX, see: catalog export).")],
    mine: Annotated[Path, typer.Argument(help="One version of it.")],
    theirs: Annotated[Path, typer.Argument(help="The other.")],
    to: Annotated[Path, typer.Option("--to", help="File for the list that is made of them.")],
    conflicts: Annotated[
        Path | None,
        typer.Option("--conflicts", help="File for what both changed differently; decide in it, and merge again."),
    ] = None,
) -> None:
    """Make one list of two people's versions, field by field; what both changed differently stays as in the first."""
    from ...catalog.exchange import merge as merging

    decided = merging.read_decisions(conflicts) if conflicts is not None and conflicts.exists() else {}
    versions = [merging.read_lists(one) for one in (base, mine, theirs)]
    done = merging.merge(versions[0], versions[1], versions[2], decided)
    open_ = [one for one in done.conflicts if one.key not in decided]
    if conflicts is not None and done.conflicts:
        merging.write_conflicts(conflicts, done.conflicts)
    merging.write_lists(to, done.records)
    records = sum(map(len, done.records.values()))
    say(f"{to}: {records} record{'' if records == 1 else 's'}, {done.from_theirs} changes taken from {theirs}")
    for one in open_:
        say(
            f"  {one.what} {one.id}, {one.field}: {_told(one.mine)} here, {_told(one.theirs)} there; {one.taken} stands"
        )
    if open_:
        count = f"{len(open_)} conflict{'' if len(open_) == 1 else 's'}"
        if conflicts is None:
            say(f"{count}: to decide them, merge again with --conflicts FILE")
        else:
            say(f"{count}: write mine, theirs or base under Take in {conflicts}, and merge again")
        raise typer.Exit(1)


def _told(value: Any) -> str:
    text = "nothing" if value is None else value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return quoted(text, 30) if value is not None else text


add_past(region_app, "region")
