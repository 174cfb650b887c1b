"""Command line: parses, calls the library, renders. Exit 0 clear or caution, 1 stop or unknown, 2 bad input."""

from __future__ import annotations

import json
import os
import re
import sys
import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer
from pydantic import BaseModel

from ...catalog import Catalog, InputError, PourcheckError, UnknownName, WaterTest
from ..ask.pour import Pour

if TYPE_CHECKING:
    from rich.console import Console

app = typer.Typer(
    name="pourcheck",
    help="May this fertilizer go through the drip, with this water, at this rate? If not, what instead?",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

Database = Annotated[str | None, typer.Option("--db", help="Catalog: a file or SQLAlchemy URL [env: POURCHECK_DB].")]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON.")]
Items = Annotated[
    list[str], typer.Argument(help='Products as "name=amount", or one pour file (TOML or JSON, - for stdin).')
]
BucketOption = Annotated[str | None, typer.Option("--bucket", help='Filled up to this volume, "5 gal".')]
BucketWater = Annotated[
    str | None, typer.Option("--bucket-water", help='Instead: water that the products are added to, "5 gal".')
]
WaterOption = Annotated[
    str | None,
    typer.Option("--water", help='A well of the catalog, or a test: "ph=7.6, calcium=95 mg/L, ...".'),
]
Inject = Annotated[
    str | None, typer.Option("--inject", help='Injection ratio, stock to water, "1:100" or "1:80 to 1:120".')
]
Measured = Annotated[
    bool | None, typer.Option("--measured-ratio/--dial-ratio", help="Was the ratio measured, or read off a dial?")
]
Region = Annotated[str | None, typer.Option("--region", help="Whose policy: a region, or a file of its own (TOML).")]
BucketTemp = Annotated[str | None, typer.Option("--bucket-temp", help='Of the bucket, "50 degF".')]
LineTemp = Annotated[str | None, typer.Option("--line-temp", help='Of the line, "30 degC".')]
SoilPhosphorus = Annotated[
    Literal["high", "medium", "low"] | None, typer.Option("--soil-phosphorus", help="Soil test class.")
]
Backflow = Annotated[bool | None, typer.Option("--backflow/--no-backflow", help="Is a backflow preventer fitted?")]
Chlorination = Annotated[
    bool | None, typer.Option("--chlorination/--no-chlorination", help="Is the system chlorinated?")
]


def _pour(
    items: list[str],
    bucket: str | None,
    bucket_water: str | None,
    water: str | None,
    inject: str | None,
    bucket_temp: str | None,
    line_temp: str | None,
    soil: str | None,
    backflow: bool | None,
    chlorination: bool | None,
    measured: bool | None = None,
    region: str | None = None,
) -> Pour:
    """The pour that the arguments describe; options replace what a pour file says."""
    where = "arguments"
    data: dict[str, Any]
    if len(items) == 1 and "=" not in items[0]:
        where = "stdin" if items[0] == "-" else items[0]
        pour = Pour.read(_standard_input(), where) if items[0] == "-" else Pour.load(_existing(items[0]))
        data = pour.model_dump(exclude_none=True)
    else:
        data = {"product": [_item(text) for text in items]}
    for table, field, value in (
        ("bucket", "volume", bucket),
        ("bucket", "water", bucket_water),
        ("bucket", "temperature", bucket_temp),
        ("injection", "ratio", inject),
        ("injection", "line_temperature", line_temp),
        ("soil", "phosphorus", soil),
        ("injection", "ratio_read", None if measured is None else "measured" if measured else "dial"),
        ("site", "backflow_preventer", backflow),
        ("site", "chlorination", chlorination),
    ):
        if value is not None:
            data.setdefault(table, {})[field] = value
    if (bucket is None) != (bucket_water is None):
        data["bucket"].pop("volume" if bucket is None else "water", None)
    if inject is not None:
        data["injection"].pop("suction", None)
        data["injection"].pop("flow", None)
    if water is not None:
        data["water"] = _water(water)
    if region is not None:
        data["region"] = region
    if not {"volume", "water"} & data.get("bucket", {}).keys():
        raise InputError("the volume of the bucket is missing", mend='add --bucket "5 gal"')
    return Pour.parse(data, where)


def _existing(text: str) -> Path:
    path = Path(text)
    try:
        found = path.exists()
    except (OSError, ValueError):
        found = False
    if not found:
        raise InputError(
            f'"{text if len(text) <= 60 else text[:58] + ".."}" is neither a pour file nor "name=amount"',
            mend='write for example "calcium nitrate=2 lb"',
        )
    return path


def _standard_input() -> str:
    """What stands on standard input. Raises: InputError: it is closed, or no text."""
    if sys.stdin is None:
        raise InputError("is closed", where="stdin", mend="pipe a pour into it, or name a file")
    try:
        return sys.stdin.read()
    except UnicodeDecodeError:
        raise InputError("is not UTF-8 text", where="stdin", mend="pipe UTF-8 into it") from None


def _item(text: str) -> dict[str, str]:
    name, sign, amount = text.rpartition("=")
    if not sign or not name.strip() or not amount.strip():
        raise InputError(f'"{text}" is not "name=amount"', mend='write for example "calcium nitrate=2 lb"')
    return {"name": name.strip(), "amount": amount.strip()}


#: Items of a water test that `--water` reads: everything but what the catalog keeps beside them.
_WATER_ITEMS = WaterTest.model_fields.keys() - {"id", "invented", "notes", "source"}


def _water(text: str) -> dict[str, Any]:
    if not text.strip():
        raise InputError("names no well", where="--water", mend="write a well's name, or leave it out")
    if "=" not in text:
        if "," in text:
            raise InputError(
                f'"{text}" names no well', where="--water", mend='write items as "ph=7.6, calcium=95 mg/L"'
            )
        return {"name": text.strip()}
    out: dict[str, Any] = {}
    for part in re.split(r",(?!\d{3}(?!\d))", text):  # not inside 1,200
        key, sign, value = part.partition("=")
        name = key.strip().lower().replace(" ", "_")
        if not sign or not value.strip():
            raise InputError(f'"{part.strip()}" in --water is not "item=value"', mend='write "calcium=95 mg/L"')
        if name not in _WATER_ITEMS:
            raise InputError(
                f'"{key.strip()}" is not an item of a water test',
                where="--water",
                mend=f"known: {', '.join(sorted(_WATER_ITEMS))}",
            )
        if name in out:
            raise InputError(f"{name} is given twice", where="--water", mend="keep one of them")
        out[name] = value.strip()
    return out


def _version(asked: bool) -> None:
    if asked:
        from importlib.metadata import version

        _print(f"pourcheck {version('pourcheck')}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """May this fertilizer go through the drip, with this water, at this rate? If not, what instead?"""
    del version


@app.command()
def check(
    items: Items,
    bucket: BucketOption = None,
    bucket_water: BucketWater = None,
    water: WaterOption = None,
    inject: Inject = None,
    bucket_temp: BucketTemp = None,
    line_temp: LineTemp = None,
    soil_phosphorus: SoilPhosphorus = None,
    backflow: Backflow = None,
    chlorination: Chlorination = None,
    measured_ratio: Measured = None,
    region: Region = None,
    as_json: AsJson = False,
    more: Annotated[bool, typer.Option("--more", help="Also sources, ranges and dissolved amounts.")] = False,
    fail_on: Annotated[
        Literal["caution", "unknown", "stop"], typer.Option("--fail-on", help="Exit 1 from this verdict on.")
    ] = "unknown",
    db: Database = None,
) -> None:
    """Check a pour: may it go through the drip?"""
    pour = _pour(
        items,
        bucket,
        bucket_water,
        water,
        inject,
        bucket_temp,
        line_temp,
        soil_phosphorus,
        backflow,
        chlorination,
        measured_ratio,
        region,
    )
    from ..check import check as run

    with Catalog.open(db) as catalog:
        verdict = run(pour, catalog)
    if as_json:
        _print(verdict.to_json())
    else:
        from ..present.answer import print_verdict

        _page(lambda out: print_verdict(verdict, pour, out, more=more))
    raise typer.Exit(verdict.exit_code(fail_on))


@app.command()
def swap(
    items: Items,
    bucket: BucketOption = None,
    bucket_water: BucketWater = None,
    water: WaterOption = None,
    inject: Inject = None,
    bucket_temp: BucketTemp = None,
    line_temp: LineTemp = None,
    as_json: AsJson = False,
    db: Database = None,
) -> None:
    """Products without phosphorus for the same nitrogen and potassium, each checked in the same pour."""
    pour = _pour(items, bucket, bucket_water, water, inject, bucket_temp, line_temp, None, None, None)
    from ..instead.swap import swap as run

    with Catalog.open(db) as catalog:
        swaps = run(pour, catalog)
    if as_json:
        _print(json.dumps([s.model_dump() for s in swaps], indent=2))
    else:
        from ..present.answer import print_swaps

        _page(lambda out: print_swaps(swaps, out))


@app.command()
def find(
    query: Annotated[list[str], typer.Argument(help='A name (typing errors allowed), a grade "10-0-10", a nutrient.')],
    limit: Annotated[int, typer.Option("--limit", min=1, max=500, help="How many at most.")] = 10,
    as_json: AsJson = False,
    db: Database = None,
) -> None:
    """Find products by name, grade or nutrient."""
    words = " ".join(query)
    with Catalog.open(db) as catalog:
        matches = catalog.find(words, limit)
    if as_json:
        rows = [
            {
                "id": m.product.id,
                "name": m.product.name,
                "grade": m.product.grade,
                "form": m.product.form,
                "why": m.why,
                "score": round(m.score, 1),
            }
            for m in matches
        ]
        _print(json.dumps(rows, indent=2))
    elif matches:
        from ..present.terminal import print_matches

        _page(lambda out: print_matches(matches, out))
    if not matches:
        if not as_json:
            words = "".join(sign if sign.isprintable() else "?" for sign in words)
            _print(f'Nothing in the catalog is like "{textwrap.shorten(words, 44, placeholder="..")[:44]}".')
        raise typer.Exit(1)


@app.command()
def show(
    name: Annotated[list[str], typer.Argument(help="Name, id or alias of a product, or a well.")],
    as_json: AsJson = False,
    db: Database = None,
) -> None:
    """Show a product or a well with every number and its source."""
    words = " ".join(name)
    from ..present.terminal import print_product

    with Catalog.open(db) as catalog:
        try:
            product = catalog.product(words)
        except UnknownName as unknown:
            try:
                water = catalog.water(words)
            except UnknownName:
                raise unknown from None
            if as_json:
                _print(water.model_dump_json(indent=2, exclude_none=True))
            else:
                _show_water(water, None, as_json)
            return
        if as_json:
            _print(product.model_dump_json(indent=2))
        else:
            _page(lambda out: print_product(product, catalog, out))


def _show_water(water: WaterTest, region: str | None, as_json: bool) -> None:
    """Print a water test and what it is by itself."""
    from ..answer.water import oddities, water_state
    from ..policy.region import region_named
    from ..present.terminal import print_water

    usual = region_named(region).unknowns()
    state, odd = water_state(water, usual), oddities(water, usual)
    if as_json:
        test = water.model_dump(exclude_none=True)
        _print(json.dumps({"test": test, "by_itself": state.model_dump(), "odd": odd}, indent=2))
    else:
        _page(lambda out: print_water(water, state, odd, out))


water_app = typer.Typer(no_args_is_help=True, help="Water tests: what a well is by itself.")
app.add_typer(water_app, name="water")


@water_app.command("check")
def water_check(
    water: Annotated[str, typer.Argument(help='A well of the catalog, or a test: "ph=7.6, calcium=95 mg/L, ...".')],
    region: Annotated[
        str | None, typer.Option("--region", help="Whose ranges to take for what was not tested.")
    ] = None,
    as_json: AsJson = False,
    db: Database = None,
) -> None:
    """Clogging class, hardness and charge balance of a water, and units that were perhaps misread."""
    from ...catalog.store.seeds import parse
    from ..ask.pour import WaterInPour
    from ..ask.question import water_of

    given = parse(WaterInPour, _water(water), "water")
    with Catalog.open(db) as catalog:
        found = water_of(given, catalog)
    assert found is not None
    _show_water(found, region, as_json)


@app.command()
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

        _print(reference(table()), end="")
    elif as_json:
        rows = [
            {
                "name": r.name,
                "family": r.family,
                "levels": [level.name.lower() for level in r.levels],
                "asks": r.asks,
            }
            for r in table()
        ]
        _print(json.dumps(rows, indent=2))
    else:
        from ..present.terminal import print_rules

        _page(lambda out: print_rules(table(), out))


@app.command()
def explain(name: Annotated[str, typer.Argument(help="A rule's name.")]) -> None:
    """Explain a rule: plain words, chemistry, cure, sources."""
    from ..families.registry import rule_named
    from ..present.terminal import print_rule

    rule = rule_named(name)
    _page(lambda out: print_rule(rule, out))


@app.command()
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
    _print(
        json.dumps(
            {
                "$schema": "https://json-schema.org/draft/2020-12/schema",
                **models[kind].model_json_schema(mode=mode),
            },
            indent=2,
        )
    )


class _ReaderGone(Exception):
    """Nobody reads the output any more (a pager that was left, head)."""


def _print(text: str, end: str = "\n") -> None:
    """Write to standard output; letters that the terminal lacks are replaced."""
    encoding = sys.stdout.encoding or "utf-8"
    try:
        sys.stdout.write((text + end).encode(encoding, "replace").decode(encoding))
        sys.stdout.flush()
    except BrokenPipeError:
        raise _ReaderGone from None
    except OSError as error:
        raise InputError(
            f"cannot be written ({error.strerror})", where="output", mend="make room, or choose another place"
        ) from None


def _page(render: Callable[[Console], None]) -> None:
    """Print what a renderer draws on a console as wide as the terminal, 80 columns at most."""
    from ..present.page import page

    _print(page(render), end="")


def main() -> None:
    """Entry point: every fault is one line on standard error and exit code 2."""
    try:
        code = app(standalone_mode=False)
    except PourcheckError as error:
        code = _fault(str(error))
    except (KeyboardInterrupt, EOFError):
        code = 130
    except _ReaderGone:
        # What is still in the buffer must not fail again when Python closes the stream.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = 0
    except Exception as error:
        code = _other(error)
    sys.exit(code if isinstance(code, int) else 0)


def _other(error: Exception) -> int:
    """Faults of the command line itself, and our own."""
    shown = getattr(error, "format_message", None)
    context = getattr(error, "ctx", None)
    if type(error).__name__ == "NoArgsIsHelpError" and context is not None:
        _print(context.get_help())
        return 2
    if callable(shown):
        command = getattr(context, "command_path", "pourcheck")
        return _fault(f"{str(shown()).rstrip('.')}; see {command} --help")
    if os.environ.get("POURCHECK_DEBUG"):
        raise error
    return _fault(
        f"internal fault ({type(error).__name__}: {error}); set POURCHECK_DEBUG=1 to see where, and report it"
    )


def _fault(text: str) -> int:
    sys.stderr.write("pourcheck: " + " ".join(text.split()) + "\n")
    return 2
