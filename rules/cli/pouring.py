"""Commands that take a pour: check, swap, remedy, split; and the ratio of an injector from a trial."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeVar

import typer

from ...catalog import Catalog, InputError
from ...catalog.quantity.table import INJECTION_RATIO
from ...catalog.text import escaped
from ..ask.pour import Pour
from .grades import ask_grades
from .options import AsJson, Database, New, PourOptions, item_of, takes_pour, water_items
from .output import meanwhile, page, say, somebody_waits

if TYPE_CHECKING:
    from ..answer.verdict import Swaps

T = TypeVar("T")


@takes_pour
def check(
    options: PourOptions,
    as_json: AsJson = False,
    more: Annotated[bool, typer.Option("--more", help="Also sources, ranges and dissolved amounts.")] = False,
    fail_on: Annotated[
        Literal["caution", "unknown", "stop"], typer.Option("--fail-on", help="Exit 1 from this verdict on.")
    ] = "unknown",
    depth: Annotated[
        Literal["verdict", "numbers", "edges"],
        typer.Option("--depth", help="How much is worked out, for programs: with --json or --lines."),
    ] = "edges",
    lines: Annotated[
        bool, typer.Option("--lines", help="Many pours as lines of JSON on standard input; answers likewise.")
    ] = False,
    workers: Annotated[int, typer.Option("--workers", min=1, max=64, help="Processes for --lines.")] = 1,
    limit: Annotated[
        float | None, typer.Option("--limit", min=0.1, max=3600, help="Seconds that a pour may take, for --lines.")
    ] = None,
    db: Database = None,
    new: New = False,
) -> None:
    """Check a pour: may it go through the drip?"""
    if lines:
        from .lines import check_lines

        raise typer.Exit(check_lines(options, depth, workers, limit, fail_on, db, new=new))
    if limit is not None:
        raise InputError("is for many pours", where="--limit", mend="add --lines, or leave it out")
    pour = options.pour(today=not as_json)
    from ..check import check as run

    with Catalog.open(db, new=new) as catalog:
        if not as_json:
            pour = ask_grades(pour, catalog)
        if as_json or depth != "edges" or not somebody_waits():
            verdict = run(pour, catalog, depth=depth)
        else:
            from ..present.answer import print_head

            first = run(pour, catalog, depth="numbers")
            with meanwhile(lambda out: print_head(first, out), "Looking for its edge, and for what to do instead."):
                verdict = run(pour, catalog)
    if as_json:
        say(verdict.to_json())
    else:
        from ..present.answer import print_verdict

        page(lambda out: print_verdict(verdict, pour, out, more=more))
    raise typer.Exit(verdict.exit_code(fail_on))


def ratio(
    drawn: Annotated[str, typer.Option("--drawn", help='What the injector drew, "1 gal".')],
    water: Annotated[str | None, typer.Option("--water", help='Water meanwhile, by the meter, "96 gal".')] = None,
    minutes: Annotated[str | None, typer.Option("--minutes", help='How long it took, "12 min".')] = None,
    flow: Annotated[str | None, typer.Option("--flow", help='Without a meter: flow of the water, "8 gal/min".')] = None,
    meter_after: Annotated[
        bool, typer.Option("--meter-after", help="The meter sits behind the injector and counts the stock too.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """What ratio an injector really has: from what it drew, and the water that went by meanwhile."""
    from ..ask.trial import InjectorTrial

    read = {"drawn": drawn, "water": water, "minutes": _bare_minutes(minutes), "flow": flow}
    trial = InjectorTrial.parse({name: text for name, text in read.items() if text} | {"meter_after": meter_after})
    found = trial.ratio()
    if as_json:
        numbers = {"value": found.parts, "low": found.low, "high": found.high}
        shown = {name: float(f"{number:.6g}") for name, number in numbers.items()}
        say(json.dumps({"injection_ratio": {**shown, "unit": INJECTION_RATIO.unit}, "ratio": found.text}, indent=2))
    else:
        from ..present.trial import print_ratio

        page(lambda out: print_ratio(found, trial, out))


def _bare_minutes(text: str | None) -> str | None:
    """An option that is called minutes takes a plain number of them."""
    return f"{text} min" if text is not None and text.replace(".", "", 1).isdigit() else text


def _found(run: Callable[[Pour, Catalog], T], options: PourOptions, as_json: bool, db: str | None, *, new: bool) -> T:
    """What there is instead of a pour; a person is asked which grade a name means."""
    pour = options.pour(today=not as_json)
    with Catalog.open(db, new=new) as catalog:
        return run(pour if as_json else ask_grades(pour, catalog), catalog)


@takes_pour
def swap(
    options: PourOptions,
    without: Annotated[
        list[str] | None,
        typer.Option("--without", help="What to leave out: phosphorus (as it is), chloride, sulfate, urea, ..."),
    ] = None,
    replace: Annotated[
        list[str] | None,
        typer.Option("--replace", help='Product of the pour to replace, or "all"; else what holds it.'),
    ] = None,
    as_json: AsJson = False,
    db: Database = None,
    new: New = False,
) -> None:
    """Other products for the same nitrogen and potassium, without phosphorus, each checked in the same pour."""
    from ..instead.swap import swap as run

    def wanted(pour: Pour, catalog: Catalog) -> Swaps:
        return run(pour, catalog, without=without or ("phosphorus",), replaces=replace or ())

    swaps = _found(wanted, options, as_json, db, new=new)
    if as_json:
        say(escaped(swaps.model_dump_json(indent=2)))
    else:
        from ..present.answer import print_swaps

        page(lambda out: print_swaps(swaps, out))


@takes_pour
def remedy(
    options: PourOptions,
    to_ph: Annotated[float, typer.Option("--to-ph", help="pH of the line that acid is to bring it to.")] = 6.5,
    as_json: AsJson = False,
    db: Database = None,
    new: New = False,
) -> None:
    """The smallest changes that clear a pour: less, weaker, warmer, softer, apart, another source, acid."""
    from ..instead.remedy import remedy as run

    remedies = _found(lambda pour, catalog: run(pour, catalog, target_ph=to_ph), options, as_json, db, new=new)
    if as_json:
        say(escaped(remedies.model_dump_json(indent=2)))
    else:
        from ..present.answer import print_remedies

        page(lambda out: print_remedies(remedies, out))


def acid(
    items: Annotated[
        list[str] | None, typer.Argument(help='What is poured beside it, "name=amount"; nothing: into the water alone.')
    ] = None,
    bucket: Annotated[str, typer.Option("--bucket", help='Filled up to this volume, "5 gal".')] = "",
    water: Annotated[
        str | None, typer.Option("--water", help='A well of the catalog, or a test: "ph=7.6, calcium=95 mg/L, ...".')
    ] = None,
    inject: Annotated[str | None, typer.Option("--inject", help='Injection ratio, stock to water, "1:100".')] = None,
    flow: Annotated[
        str | None, typer.Option("--flow", help='Instead of a ratio, with --suction: flow of the water, "8 gal/min".')
    ] = None,
    suction: Annotated[str | None, typer.Option("--suction", help='What the injector draws, "5 gal/hour".')] = None,
    to_ph: Annotated[float, typer.Option("--to-ph", help="pH that the line is brought to.")] = 6.5,
    acids: Annotated[
        list[str] | None, typer.Option("--acid", help="An acid of the catalog; else sulfuric, nitric, phosphoric.")
    ] = None,
    as_json: AsJson = False,
    db: Database = None,
    new: New = False,
) -> None:
    """How much acid brings the line to a pH: per fill, hour and 1,000 gal, what it adds, and the verdict with it."""
    from ..instead.acids import acid as run

    data: dict[str, Any] = {"product": [item_of(text) for text in items or ()]}
    if not bucket:
        raise InputError("the volume of the bucket is missing", mend='add --bucket "5 gal"')
    data["bucket"] = {"volume": bucket}
    stated = {"ratio": inject, "flow": flow, "suction": suction}
    data["injection"] = {name: text for name, text in stated.items() if text is not None}
    if water is not None:
        data["water"] = water_items(water)
    with Catalog.open(db, new=new) as catalog:
        found = run(data, catalog, target_ph=to_ph, acids=acids or ())
    if as_json:
        say(escaped(found.model_dump_json(indent=2)))
    else:
        from ..present.answer import print_acids

        page(lambda out: print_acids(found, out))


@takes_pour
def split(options: PourOptions, as_json: AsJson = False, db: Database = None, new: New = False) -> None:
    """The fewest buckets that a pour goes into, each checked: which product where, in which order."""
    from ..instead.split import split as run

    splits = _found(run, options, as_json, db, new=new)
    if as_json:
        say(escaped(splits.model_dump_json(indent=2)))
    else:
        from ..present.answer import print_splits

        page(lambda out: print_splits(splits, out))
