"""Commands that every kind of record has: history, diff, undo, retire."""

from __future__ import annotations

import json
from itertools import pairwise
from typing import Annotated

import typer

from ...catalog import Catalog, Kind
from ...catalog.text import escaped
from .options import AsJson, Database, New
from .output import page, say
from .saving import By, FromRevision, Name, Why, author


def add_past(app: typer.Typer, kind: Kind) -> None:
    """Give a group of commands those of the history of its records."""

    def history(name: Name, as_json: AsJson = False, db: Database = None, new: New = False) -> None:
        """All revisions, the newest first: who, when, what, why."""
        with Catalog.open(db, new=new) as catalog, catalog.snapshot():
            revisions = catalog.history(kind, name)
            fields = {
                one.number: [change.field for change in catalog.diff(kind, name, before.number, one.number)]
                for before, one in pairwise(revisions)
            }
        if as_json:
            rows = [
                {
                    "revision": one.number,
                    "at": one.at.isoformat(),
                    "by": one.by,
                    "why": one.why,
                    "source": one.source,
                    "layer": one.layer,
                    "retired": one.retired,
                    "restores": one.restores,
                    "changed": fields.get(one.number, []),
                }
                for one in revisions
            ]
            say(escaped(json.dumps(rows, indent=2)))
        else:
            from ..present.records import print_history

            page(lambda out: print_history(revisions, fields, out))

    def diff(
        name: Name,
        a: Annotated[int | None, typer.Argument(help="A revision; without it, the one before the other.")] = None,
        b: Annotated[int | None, typer.Argument(help="Another; without it, the one that stands.")] = None,
        as_json: AsJson = False,
        db: Database = None,
        new: New = False,
    ) -> None:
        """Fields that differ between two revisions."""
        with Catalog.open(db, new=new) as catalog:
            changes = catalog.diff(kind, name, a, b)
        if as_json:
            rows = [{"field": one.field, "before": one.before, "after": one.after} for one in changes]
            say(escaped(json.dumps(rows, indent=2)))
        elif not changes:
            say("No field differs.")
        else:
            from ..present.records import print_changes

            page(lambda out: print_changes(changes, out))

    def undo(
        name: Name,
        to: Annotated[int | None, typer.Option("--to", help="The revision to bring back; else the one before.")] = None,
        revision: FromRevision = None,
        by: By = None,
        why: Why = "",
        db: Database = None,
        new: New = False,
    ) -> None:
        """Bring a former state back, as a new revision."""
        with Catalog.open(db, new=new) as catalog:
            done = catalog.undo(kind, name, to, revision, by=author(by), why=why)
        say(f"{kind} {done.id} is again as in revision {done.restores} (now revision {done.number}).")

    def retire(
        name: Name,
        revision: FromRevision = None,
        by: By = None,
        why: Why = "",
        db: Database = None,
        new: New = False,
    ) -> None:
        """Take it out of use; its history stays, and undo brings it back."""
        with Catalog.open(db, new=new) as catalog:
            done = catalog.retire(kind, name, revision, by=author(by), why=why)
        say(f"Retired {kind} {done.id} (revision {done.number}).")

    for command in (history, diff, undo, retire):
        app.command()(command)
