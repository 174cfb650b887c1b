"""Options, declared once: those of the catalog and of output, and those that describe a pour."""

from __future__ import annotations

import inspect
import re
import sys
from collections.abc import Callable
from dataclasses import dataclass, fields
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal, get_type_hints

import typer

from ...catalog import InputError, WaterTest
from ...catalog.text import quoted
from ...catalog.water.analysis import OTHER_NAMES
from ..ask.pour import Pour

Database = Annotated[str | None, typer.Option("--db", help="Catalog: a file or PostgreSQL URL [env: POURCHECK_DB].")]
New = Annotated[bool, typer.Option("--new", help="Make the catalog that --db names.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON.")]
Well = Annotated[str, typer.Argument(help='A well of the catalog, or a test: "ph=7.6, calcium=95 mg/L, ...".')]
Items = Annotated[
    list[str], typer.Argument(help='Products as "name=amount", or one pour file (TOML or JSON, - for stdin).')
]


@dataclass(frozen=True)
class PourOptions:
    """A pour as the command line describes it. Every command that takes a pour takes all of these: see `takes_pour`."""

    items: Items
    bucket: Annotated[str | None, typer.Option("--bucket", help='Filled up to this volume, "5 gal".')] = None
    bucket_water: Annotated[
        str | None, typer.Option("--bucket-water", help='Instead: water that the products are added to, "5 gal".')
    ] = None
    water: Annotated[
        str | None,
        typer.Option("--water", help='A well of the catalog, or a test: "ph=7.6, calcium=95 mg/L, ...".'),
    ] = None
    test_of: Annotated[
        str | None, typer.Option("--test-of", help="The well's test of this day, 2026-03-31; else its newest.")
    ] = None
    inject: Annotated[
        str | None, typer.Option("--inject", help='Injection ratio, stock to water, "1:100" or "1:80 to 1:120".')
    ] = None
    bucket_temp: Annotated[str | None, typer.Option("--bucket-temp", help='Of the bucket, "50 degF".')] = None
    line_temp: Annotated[str | None, typer.Option("--line-temp", help='Of the line, "30 degC".')] = None
    soil_phosphorus: Annotated[
        Literal["high", "medium", "low"] | None, typer.Option("--soil-phosphorus", help="Soil test class.")
    ] = None
    backflow: Annotated[
        bool | None, typer.Option("--backflow/--no-backflow", help="Is a backflow preventer fitted?")
    ] = None
    chlorination: Annotated[
        bool | None, typer.Option("--chlorination/--no-chlorination", help="Is the system chlorinated?")
    ] = None
    injector: Annotated[
        Literal["venturi", "pump", "measured"] | None,
        typer.Option("--injector", help="What draws the stock; measured: the ratio was (see: pourcheck ratio)."),
    ] = None
    poured_on: Annotated[
        str | None, typer.Option("--poured-on", help="Day of the pour, 2026-05-12; on the screen else today.")
    ] = None
    region: Annotated[
        str | None, typer.Option("--region", help="Whose policy: a region, or a file of its own (TOML).")
    ] = None

    def pour(self, *, today: bool = False) -> Pour:
        """The pour; options replace what a pour file says. today: it is poured today where no day is stated, as for a
        person; for programs the same pour has the same answer on any day. Raises: InputError."""
        where = "arguments"
        data: dict[str, Any]
        if len(self.items) == 1 and "=" not in self.items[0]:
            place = self.items[0]
            where = "stdin" if place == "-" else place
            pour = Pour.read(_standard_input(), where) if place == "-" else Pour.load(_existing(place))
            data = pour.model_dump(exclude_none=True)
        else:
            data = {"product": [item_of(text) for text in self.items]}
        for table, field, value in (
            ("bucket", "volume", self.bucket),
            ("bucket", "water", self.bucket_water),
            ("bucket", "temperature", self.bucket_temp),
            ("injection", "ratio", self.inject),
            ("injection", "line_temperature", self.line_temp),
            ("soil", "phosphorus", self.soil_phosphorus),
            ("injection", "injector", self.injector),
            ("site", "backflow_preventer", self.backflow),
            ("site", "chlorination", self.chlorination),
        ):
            if value is not None:
                data.setdefault(table, {})[field] = value
        if (self.bucket is None) != (self.bucket_water is None):
            data["bucket"].pop("volume" if self.bucket is None else "water", None)
        if self.inject is not None:
            data["injection"].pop("suction", None)
            data["injection"].pop("flow", None)
        if self.water is not None:
            data["water"] = water_items(self.water)
        if self.test_of is not None:
            data["water"] = {**(data.get("water") or {}), "test_of": self.test_of}
        if self.region is not None:
            data["region"] = self.region
        if self.poured_on is not None:
            data["poured_on"] = self.poured_on
        elif today:
            data.setdefault("poured_on", date.today().isoformat())
        if not {"volume", "water"} & data.get("bucket", {}).keys():
            raise InputError("the volume of the bucket is missing", mend='add --bucket "5 gal"')
        return Pour.parse(data, where)


def takes_pour(command: Callable[..., None]) -> Callable[..., None]:
    """A command whose first parameter is a PourOptions, with every option of it on the command line, before its own."""
    own = list(inspect.signature(command, eval_str=True).parameters.values())[1:]
    hints = get_type_hints(PourOptions, include_extras=True)
    names = [field.name for field in fields(PourOptions)]
    described = inspect.signature(PourOptions).parameters
    shared = [described[name].replace(annotation=hints[name]) for name in names]

    def run(**given: Any) -> None:
        command(PourOptions(**{name: given.pop(name) for name in names}), **given)

    run.__doc__, run.__name__ = command.__doc__, command.__name__
    run.__signature__ = inspect.Signature([*shared, *own])  # type: ignore[attr-defined]
    run.__annotations__ = {one.name: one.annotation for one in (*shared, *own)}
    return run


def _existing(text: str) -> Path:
    path = Path(text)
    try:
        found = path.exists()
    except (OSError, ValueError):
        found = False
    if not found:
        raise InputError(
            f'{quoted(text)} is neither a pour file nor "name=amount"',
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


def item_of(text: str) -> dict[str, str]:
    """A product with its amount, "urea=1 lb". Raises: InputError: it is none."""
    name, sign, amount = text.rpartition("=")
    if not sign or not name.strip() or not amount.strip():
        raise InputError(f'{quoted(text)} is not "name=amount"', mend='write for example "calcium nitrate=2 lb"')
    return {"name": name.strip(), "amount": amount.strip()}


#: Items of a water test that `--water` reads: everything but what the catalog keeps beside them.
_WATER_ITEMS = WaterTest.model_fields.keys() - {"id", "invented", "notes", "source"}


def water_items(text: str, option: str = "--water") -> dict[str, Any]:
    """What --water names: a well by its name, or the items of a test. Raises: InputError."""
    if not text.strip():
        raise InputError("names no well", where=option, mend="write a well's name, or leave it out")
    if "=" not in text:
        if "," in text:
            raise InputError(
                f"{quoted(text)} names no well", where=option, mend='write items as "ph=7.6, calcium=95 mg/L"'
            )
        return {"name": text.strip()}
    out: dict[str, Any] = {}
    for part in re.split(r",(?!\d{3}(?!\d))", text):  # not inside 1,200
        key, sign, value = part.partition("=")
        name = key.strip().lower().replace(" ", "_")
        name = OTHER_NAMES.get(name, name)
        if not sign or not value.strip():
            raise InputError(f'{quoted(part.strip())} in {option} is not "item=value"', mend='write "calcium=95 mg/L"')
        if name not in _WATER_ITEMS:
            raise InputError(
                f"{quoted(key.strip())} is not an item of a water test",
                where=option,
                mend=f"known: {', '.join(sorted(_WATER_ITEMS))}",
            )
        if name in out:
            raise InputError(f"{name} is given twice", where=option, mend="keep one of them")
        out[name] = value.strip()
    return out
