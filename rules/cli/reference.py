"""Commands about the program itself: rules, explain, schema."""

from __future__ import annotations

import json
from typing import Annotated

import typer

from ...catalog import InputError
from ..answer.versions import Kind
from .options import AsJson
from .output import page, say


def rules(
    as_json: AsJson = False,
    markdown: Annotated[bool, typer.Option("--markdown", help="Print the whole reference as Markdown.")] = False,
) -> None:
    """List the rules."""
    from ..families.registry import rules as table

    if as_json and markdown:
        raise InputError("--json and --markdown do not go together", mend="choose one of them")
    if markdown:
        from ..present.reference import reference

        say(reference(table()).removesuffix("\n"))
    elif as_json:
        from ..serve.rows import RuleRow

        rows = [RuleRow.of(rule).model_dump(mode="json") for rule in table()]
        say(json.dumps(rows, indent=2))
    else:
        from ..present.terminal import print_rules

        page(lambda out: print_rules(table(), out))


def explain(name: Annotated[str, typer.Argument(help="A rule's name.")]) -> None:
    """Explain a rule: plain words, chemistry, cure, sources."""
    from ..families.registry import rule_named
    from ..present.terminal import print_rule

    rule = rule_named(name)
    page(lambda out: print_rule(rule, out))


def schema(
    kind: Annotated[Kind, typer.Argument(help="What is asked (pour, product, water) or answered (the others).")],
) -> None:
    """Print a JSON Schema."""
    from ..answer.schemas import schema_of

    say(json.dumps(schema_of(kind), indent=2))
