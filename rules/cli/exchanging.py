"""Commands for the catalog as a whole: import, export, template, backup, restore, upgrade, check."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from ...catalog import Catalog, Kind, Record
from ...catalog.exchange.lists import ListRead, write_template
from ...catalog.exchange.records import Units, What
from ...catalog.store.kinds import id_of
from ...catalog.text import escaped
from .late import group_app
from .options import AsJson, Database, New
from .output import page, say
from .saving import By, Why, author

if TYPE_CHECKING:
    from ...catalog.look_over import Remark

catalog_app = group_app()

#: One, and several of what a list holds.
_SPOKEN: dict[What, tuple[str, str]] = {
    "products": ("product", "products"),
    "wells": ("well", "wells"),
    "sources": ("source", "sources"),
    "lists": ("entry of a region's list", "entries of regions' lists"),
}
#: Records that an import looks over on its way, some 10 ms each; a dry run looks at all of them.
_LOOKED_OVER = 300
#: Faults that are shown without --all.
_SHOWN = 20
InUnits = Annotated[Units, typer.Option("--units", help="Densities in kg/L (metric) or lb/gal (us).")]
OfWhat = Annotated[
    Literal["products", "wells", "sources", "lists"] | None,
    typer.Option("--what", help="Only these; of CSV else what the file's name says."),
]


@catalog_app.command("import")
def import_(
    file: Annotated[Path, typer.Argument(help="A CSV or XLSX file (see: template).")],
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say what would be done and what is doubtful; write nothing.")
    ] = False,
    skip_bad: Annotated[
        Path | None, typer.Option("--skip-bad", help="Leave rows with faults out, and write them to this file.")
    ] = None,
    source: Annotated[str, typer.Option("--source", help="Where numbers are from whose row does not say so.")] = "",
    every: Annotated[bool, typer.Option("--all", help="Show all faults.")] = False,
    by: By = None,
    why: Why = "",
    as_json: AsJson = False,
    db: Database = None,
    new: New = False,
) -> None:
    """Read a list of products, wells or sources into the catalog: all of it, or nothing where a row has a fault."""
    with Catalog.open(db, new=new) as catalog, bar("rows", _lines(file) if sys.stderr.isatty() else None) as progress:
        done = catalog.read_list(
            file,
            dry_run=dry_run,
            skip_bad=skip_bad,
            source=source,
            by=author(by),
            why=why,
            progress=progress,
            look=_look(catalog, None if dry_run else _LOOKED_OVER),
        )
    if as_json:
        counts = {
            name: getattr(done, name) for name in ("rows", "new", "changed", "same", "remarks", "faulty", "saved")
        }
        faults = [{"row": f.row, "column": f.column, "what": f.what, "mend": f.mend} for f in done.faults]
        doubts = [{"row": row, "field": one.field, "what": one.what, "mend": one.mend} for row, one in done.doubts]
        document = {**counts, "rejects": done.rejects, "faults": faults, "doubts": doubts}
        say(escaped(json.dumps(document, indent=2)))
    else:
        _tell(done, dry_run, every)
    if done.faults and not done.saved:
        raise typer.Exit(2)


def _look(catalog: Catalog, most: int | None) -> Callable[[Record], list[Remark]]:
    """Looks a record over; no more of them than `most`."""
    from ...catalog.look_over import look_over
    from ..policy import default_unknowns, usual_mg_per_l

    usual = usual_mg_per_l(default_unknowns())
    places = count()
    return lambda record: look_over(record, catalog, usual) if most is None or next(places) < most else []


def _tell(done: ListRead, dry_run: bool, every: bool) -> None:
    shown = done.faults if every else done.faults[:_SHOWN]
    for fault in shown:
        say(str(fault))
    hidden = max(done.faulty - len({fault.row for fault in shown}), 0)
    if hidden:
        say(f".. and {hidden} more row{'' if hidden == 1 else 's'} with faults{'' if every else ' (--all shows them)'}")
    doubts = done.doubts if every else done.doubts[:_SHOWN]
    for row, remark in doubts:
        say(f"row {row}, doubtful: {remark}")
    if len(doubts) < len(done.doubts):
        say(f".. and {len(done.doubts) - len(doubts)} more doubts (--all shows them)")
    if done.faults and not done.rows:
        say("Nothing was read: mend the header.")
        return
    counts = ", ".join(f"{number} {word}" for number, word in _counts(done)) or "none"
    rows = f"{done.rows} row{'' if done.rows == 1 else 's'} read: {counts}"
    if done.saved:
        rejected = f" Rows with faults are in {done.rejects}; mend them and import that file." if done.rejects else ""
        say(f"{rows}.{rejected}")
        if done.new + done.changed > _LOOKED_OVER:
            say("Labels and water tests are looked over by: pourcheck catalog check")
    elif dry_run and not done.faults:
        say(f"{rows}. Nothing was written: a dry run.")
    elif dry_run:
        say(f"{rows}. Nothing was written, and would not be until the faults are mended (or --skip-bad).")
    else:
        say(f"{rows}. Nothing was written: mend the faults, or leave the rows out with --skip-bad FILE.")


def _counts(done: ListRead) -> Iterator[tuple[int, str]]:
    for number, word in (
        (done.new, "new"),
        (done.changed, "changed"),
        (done.same, "as they were"),
        (done.faulty, "with faults"),
        (done.remarks, "remarks"),
    ):
        if number:
            yield number, word


@contextmanager
def bar(what: str, total: int | None) -> Iterator[Callable[..., None] | None]:
    """A bar that shows how far it is, at a terminal; nothing elsewhere. It takes how much is done, and of how much,
    where that was not known before."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (BarColumn(), TextColumn("{task.completed:.0f} " + what), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as shown:
        task = shown.add_task(what, total=total)
        yield lambda done, of=total: shown.update(task, completed=done, total=of)


def _lines(file: Path) -> int | None:
    """About how many rows a file has; None where that is not quickly told."""
    if file.suffix.lower() == ".xlsx":
        return None
    try:
        with file.open("rb") as opened:
            return max(sum(chunk.count(b"\n") for chunk in iter(lambda: opened.read(1 << 20), b"")) - 1, 1)
    except OSError:
        return None


@catalog_app.command()
def export(
    file: Annotated[Path, typer.Argument(help="A .csv or .xlsx file; XLSX has products, wells, sources and lists.")],
    what: OfWhat = None,
    region: Annotated[str | None, typer.Option("--region", help="Only products on the list of a region.")] = None,
    units: InUnits = "metric",
    db: Database = None,
    new: New = False,
) -> None:
    """Write the catalog to a spreadsheet; import reads it back without loss."""
    with Catalog.open(db, new=new) as catalog:
        if region is not None:
            from .regions import region_record

            region = region_record(catalog, region).id
        counts = catalog.write_list(file, what=what, region=region, units=units)
        faults = catalog.faults()
    say(f"{file}: " + ", ".join(f"{number} {_SPOKEN[name][number != 1]}" for name, number in counts.items()))
    for fault in faults:
        say(f"left out: {fault.kind} {fault.id}, revision {fault.number}: {fault.what}")
    if faults:
        raise typer.Exit(1)


@catalog_app.command()
def template(
    file: Annotated[Path, typer.Argument(help="products.csv, wells.csv, sources.csv, lists.csv, or an .xlsx file.")],
    what: OfWhat = None,
    units: InUnits = "metric",
) -> None:
    """Write an empty spreadsheet with the headers, and what belongs below each."""
    write_template(file, what=what, units=units)
    say(f"{file}: fill it in below its headers; rows that begin with # are left out")


@catalog_app.command()
def backup(
    file: Annotated[Path, typer.Argument(help="A new file.")],
    db: Database = None,
) -> None:
    """Copy a SQLite catalog to a new file, while it is in use."""
    Catalog.backup(db, file)
    say(f"{file}: a copy of the catalog")


@catalog_app.command()
def restore(
    file: Annotated[Path, typer.Argument(help="A file that backup made.")],
    db: Database = None,
) -> None:
    """Replace a SQLite catalog by a backup of one."""
    Catalog.restore(db, file)
    say(f"The catalog is as it was in {file}.")


@catalog_app.command()
def upgrade(
    backup_to: Annotated[Path | None, typer.Option("--backup", help="File for a copy of it; else beside it.")] = None,
    no_backup: Annotated[bool, typer.Option("--no-backup", help="There is a backup already.")] = False,
    db: Database = None,
) -> None:
    """Bring a catalog of an earlier release to the present one; makes a backup first."""
    say(Catalog.upgrade(db, backup=backup_to, no_backup=no_backup))


@catalog_app.command()
def check(
    every: Annotated[bool, typer.Option("--all", help="Also what came with the program.")] = False,
    as_json: AsJson = False,
    db: Database = None,
    new: New = False,
) -> None:
    """Look over all records of your own: documents that make no sense, labels, sources, twins, water tests."""
    from ...catalog.look_over import look_over
    from ..policy import default_unknowns, usual_mg_per_l
    from ..present.records import print_remarks

    usual = usual_mg_per_l(default_unknowns())
    with Catalog.open(db, new=new) as catalog, catalog.snapshot():
        faults = catalog.faults(whole=True)
        kinds: tuple[Kind, ...] = ("product", "well", "listing", "jar")
        records = [
            (f"{kind} {id_of(record)}", record)
            for kind in kinds
            for record in catalog.records(kind)
            if every or catalog.current(kind, id_of(record)).layer == "own"
        ]
        found = {}
        with bar("records", len(records)) as progress:
            for i, (name, record) in enumerate(records, start=1):
                remarks = [one for one in look_over(record, catalog, usual) if every or one.severity != "note"]
                if remarks:
                    found[name] = remarks
                if progress is not None:
                    progress(i)
    if as_json:
        rows = [{"record": f"{f.kind} {f.id}", "severity": "fault", "what": f.what} for f in faults]
        rows += [
            {"record": name, "severity": one.severity, "what": str(one)} for name, some in found.items() for one in some
        ]
        say(escaped(json.dumps(rows, indent=2)))
    else:
        for fault in faults:
            say(f"{fault.kind} {fault.id}, revision {fault.number}: {fault.what} (left out until a save mends it)")
        for name, remarks in found.items():
            say(name)
            page(lambda out, remarks=remarks: print_remarks(remarks, out))  # type: ignore[misc]
        if not faults and not found:
            say("Nothing is wrong with " + ("what is in the catalog." if every else "your own records."))
    if faults or any(one.severity != "note" for some in found.values() for one in some):
        raise typer.Exit(1)
