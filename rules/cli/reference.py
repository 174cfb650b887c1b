"""Commands about the program itself: rules, explain, schema."""

from __future__ import annotations

import json
from typing import Annotated, Literal

import typer
from pydantic import BaseModel

from ...catalog import InputError, WaterTest
from ..ask.pour import Pour
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

        say(reference(table()), end="")
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


def schema(kind: Annotated[Literal["pour", "verdict", "product", "water"], typer.Argument()]) -> None:
    """Print a JSON Schema."""
    from ...catalog import Product
    from ..answer.verdict import Verdict

    models: dict[str, type[BaseModel]] = {
        "pour": Pour,
        "verdict": Verdict,
        "product": Product,
        "water": WaterTest,
    }
    mode: Literal["serialization", "validation"] = "serialization" if kind == "verdict" else "validation"
    say(
        json.dumps(
            {
                "$schema": "https://json-schema.org/draft/2020-12/schema",
                **models[kind].model_json_schema(mode=mode),
            },
            indent=2,
        )
    )
