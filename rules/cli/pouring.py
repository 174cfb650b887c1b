"""Commands that take a pour: check, swap."""

from __future__ import annotations

import json
from typing import Annotated, Literal

import typer

from ...catalog import Catalog
from ...catalog.text import escaped
from .options import AsJson, Database, PourOptions, takes_pour
from .output import page, say


@takes_pour
def check(
    options: PourOptions,
    as_json: AsJson = False,
    more: Annotated[bool, typer.Option("--more", help="Also sources, ranges and dissolved amounts.")] = False,
    fail_on: Annotated[
        Literal["caution", "unknown", "stop"], typer.Option("--fail-on", help="Exit 1 from this verdict on.")
    ] = "unknown",
    db: Database = None,
) -> None:
    """Check a pour: may it go through the drip?"""
    pour = options.pour()
    from ..check import check as run

    with Catalog.open(db) as catalog:
        verdict = run(pour, catalog)
    if as_json:
        say(verdict.to_json())
    else:
        from ..present.answer import print_verdict

        page(lambda out: print_verdict(verdict, pour, out, more=more))
    raise typer.Exit(verdict.exit_code(fail_on))


@takes_pour
def swap(options: PourOptions, as_json: AsJson = False, db: Database = None) -> None:
    """Products without phosphorus for the same nitrogen and potassium, each checked in the same pour."""
    pour = options.pour()
    from ..instead.swap import swap as run

    with Catalog.open(db) as catalog:
        swaps = run(pour, catalog)
    if as_json:
        say(escaped(json.dumps([one.model_dump() for one in swaps], indent=2)))
    else:
        from ..present.answer import print_swaps

        page(lambda out: print_swaps(swaps, out))
