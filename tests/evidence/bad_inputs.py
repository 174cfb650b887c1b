"""Good inputs of every door, and bad ones made of them: pours, products, spreadsheets, requests, commands."""

from __future__ import annotations

import csv
import io
import json
import random
import re
import tempfile
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
from drawn_pours import draw_pour
from mutation import changed_archive, changed_bytes, changed_data, changed_rows, changed_text, other_number

from pourcheck import Catalog, Pour
from pourcheck.catalog.exchange.files import opened
from pourcheck.catalog.exchange.lists import WHATS, write_list, write_template
from pourcheck.catalog.written import toml_text

SEEDS = Path(__file__).parent.parent.parent / "seed_products"
TOKEN = "0123456789abcdef0123456789abcdef"

JUG: dict[str, Any] = {
    "name": "corner-shop feed", "amount": "8 fl oz", "density": "10.2 lb/gal", "grade": "10-0-10", "form": "liquid",
    "derived_from": ["urea", "potassium chloride"], "chloride_free": False, "solution_ph": 6.5, "at_most": {"Cl": 9.0},
    "guaranteed": {"N": 10.0, "K2O": 10.0, "Fe": 0.1}, "chelating_agent": "EDTA", "insolubles": 0.2,
}  # fmt: skip
POUR: dict[str, Any] = {
    "product": [{"name": "calcium nitrate", "amount": "2 lb"}, JUG],
    "bucket": {"volume": "5 gal", "temperature": "45 to 55 degF"},
    "water": {
        "ph": 7.6, "alkalinity": "210 mg/L CaCO3", "calcium": "95 mg/L", "magnesium": "22 mg/L", "iron": "<0.05 mg/L",
        "temperature": "14 degC", "tested_on": "2026-03-04",
    },
    "injection": {
        "ratio": "1:100", "injector": "measured", "fill": "10 min", "inject": "30 min", "flush": "20 min",
        "line_temperature": "30 degC",
    },
    "drip": {
        "emitter_flow": "1 L/hour", "emitter_spacing": "8 in", "lateral_length": "150 ft", "inside_diameter": "16 mm",
        "laterals": 6,
    },
    "site": {"backflow_preventer": True, "filter_mesh": 150, "fittings": ["plastic", "brass"]},
    "soil": {"phosphorus": "high", "crop": "tomato"},
    "poured_on": "2026-05-12",
}  # fmt: skip
SHORT: dict[str, Any] = {
    "product": [{"name": "technical MAP", "amount": "1 lb"}],
    "bucket": {"water": "20 L"},
    "water": {"name": "ridge-well", "calcium": "80 to 120 mg/L"},
    "injection": {"suction": "6 gal/hour", "flow": "4 gal/min"},
    "region": "aldervane",
}
FEED: dict[str, Any] = {
    "name": "Feed 9-0-12", "form": "liquid", "grade": "9-0-12", "density": "10.1 lb/gal", "source": "label read",
    "derived_from": "urea, potassium nitrate", "guaranteed": {"N": "9 %", "K2O": 12.0, "Fe": "0.1 %"},
    "hazards": ["acid"], "aliases": ["nine twelve"], "numbers": {"solution_ph": 6.0}, "notes": "Shake well.",
}  # fmt: skip
TEST: dict[str, Any] = {
    "ph": 7.7, "calcium": "95 mg/L", "alkalinity": "210 mg/L CaCO3", "tested_on": "2026-06-01", "source": "strip",
    "hardness": "17 gpg", "ec": "0.6 mS/cm",
}  # fmt: skip


def _names(data: Any) -> Iterator[str]:
    if isinstance(data, dict):
        for key, value in data.items():
            yield key
            yield from _names(value)
    elif isinstance(data, list):
        for value in data:
            yield from _names(value)


@cache
def words() -> tuple[str, ...]:
    """Names of fields, of whatever table, and some of none."""
    models = json.dumps(Pour.model_json_schema())
    found = set(re.findall(r'"([a-z_]+)": \{', models)) | set(_names([POUR, SHORT, FEED, TEST]))
    return (
        *sorted(found),
        "",
        "x",
        "volume_l",
        "calcium_mg_per_l",
        "amount_kg",
        "amount_lb",
        "ratio_read",
        "charge",
        "a\x1bb",
        "n" * 300,
    )


@cache
def material_texts() -> tuple[str, ...]:
    """Every tenth product file that comes with the program."""
    files = sorted((*(SEEDS / "materials").glob("*.toml"), *(SEEDS / "aldervane").glob("*.toml")))
    return tuple(path.read_text("utf-8") for path in files[::10] if "guaranteed" in path.read_text("utf-8"))


def make_pour(chance: random.Random, catalog: Catalog) -> Any:
    """A pour as plain data."""
    good = chance.choice((POUR, SHORT, None))
    if good is None:
        names = [product.name for product in catalog.products()]
        good = draw_pour(
            np.random.default_rng(chance.randrange(1 << 30)), names, stated=True, hostile=chance.random() < 0.3
        )
    return changed_data(chance, good, words())


def make_pour_file(chance: random.Random, catalog: Catalog) -> bytes:
    """A pour as TOML or JSON."""
    good = make_pour(chance, catalog) if chance.random() < 0.3 else chance.choice((POUR, SHORT))
    toml = chance.random() < 0.5 and isinstance(good, dict)
    try:
        text = toml_text(good) if toml else json.dumps(good, indent=chance.choice((None, 1)))
    except (TypeError, ValueError, AttributeError):
        text = json.dumps(good)
    return changed_bytes(chance, changed_text(chance, text) if chance.random() < 0.9 else text)


def make_product(chance: random.Random, catalog: Catalog) -> bytes:
    """A product as TOML."""
    del catalog
    if chance.random() < 0.3:
        return changed_bytes(chance, changed_text(chance, chance.choice(material_texts())))
    good = changed_data(chance, FEED, words())
    try:
        text = toml_text(good)
    except (TypeError, AttributeError):
        text = str(good)
    return changed_bytes(chance, changed_text(chance, text) if chance.random() < 0.4 else text)


@cache
def _tables(file: str) -> dict[str, list[list[Any]]]:
    """Rows of cells as the catalog writes them, and of the templates, by what they are."""
    found: dict[str, list[list[Any]]] = {}
    with tempfile.TemporaryDirectory() as folder, Catalog.open(file) as catalog:
        for what in WHATS:
            path = Path(folder) / f"{what}.csv"
            for name in ("written", "empty"):
                if name == "written":
                    write_list(catalog, path, what=what)
                else:
                    write_template(path, what=what)
                with opened(path) as sheets:
                    rows = [list(cells) for _, cells in sheets[0].rows]
                found[f"{what} {name}"] = rows[:1] + rows[1::9][:6]
    return found


def make_sheet(chance: random.Random, catalog: Catalog) -> tuple[str, bytes]:
    """A spreadsheet: its name, and what it holds."""
    kind = chance.choice(sorted(_tables(catalog.database)))
    rows = _tables(catalog.database)[kind]
    if chance.random() < 0.85:
        rows = changed_rows(chance, rows)
    if chance.random() < 0.3:
        import openpyxl

        book = openpyxl.Workbook()
        sheet = book.active
        assert sheet is not None
        if chance.random() < 0.5:
            sheet.title = kind.split()[0].capitalize()
        for row in rows:
            try:
                sheet.append([one if isinstance(one, str | int | float | None) else str(one) for one in row])
            except Exception:  # what the library does not write
                sheet.append(["?" for _ in row])
        out = io.BytesIO()
        try:
            book.save(out)
        except Exception:
            return "list.xlsx", b"PK"
        data = out.getvalue()
        return "list.xlsx", changed_archive(chance, data) if chance.random() < 0.5 else data
    text = io.StringIO()
    csv.writer(text, delimiter=chance.choice((",", ",", ";", "\t"))).writerows(rows)
    made = text.getvalue()
    return "list.csv", changed_bytes(chance, changed_text(chance, made) if chance.random() < 0.4 else made)


_ASKED = (
    ("POST", "/check?depth=verdict", POUR), ("POST", "/check", SHORT), ("POST", "/swap", SHORT),
    ("POST", "/split", SHORT), ("POST", "/remedy", SHORT),
    ("GET", "/products?query=urea&limit=5", None), ("GET", "/products?query=20-0-20&region=aldervane", None),
    ("GET", "/products/urea", None), ("GET", "/wells?limit=3", None), ("GET", "/wells/ridge-well", None),
    ("GET", "/rules/lime-in-line", None), ("GET", "/rules", None), ("GET", "/health", None),
    ("PUT", "/products/feed-9-0-12?anyway=true", FEED), ("PUT", "/products/urea?by=A&why=B", FEED),
    ("POST", "/wells/ridge-well/tests?anyway=true&replace=true", TEST),
)  # fmt: skip


def make_request(chance: random.Random, catalog: Catalog) -> dict[str, Any]:
    """A request: method, path, headers and body, of which each sign is a byte."""
    del catalog
    method, path, body = chance.choice(_ASKED)
    headers = {"Authorization": f"Bearer {TOKEN}"} if chance.random() < 0.9 else {}
    if method == "PUT" or path.startswith("/wells/ridge-well/t"):
        headers |= chance.choice(({"If-Match": '"1"'}, {"If-None-Match": "*"}))
    if chance.random() < 0.2:
        method = chance.choice(("GET", "PUT", "POST", "DELETE", "PATCH", "HEAD", "OPTIONS", "BREW"))
        if method == "HEAD":
            method = "GET"  # whose answers have a body
    if chance.random() < 0.4 or body is None:
        head, sign, tail = path.partition("?")
        part = changed_text(chance, chance.choice((head, tail)))
        path = (
            quote(part.encode("utf-8", "surrogatepass"), safe="/?&=%")
            if chance.random() < 0.5
            else head + sign + quote(part.encode("utf-8", "surrogatepass"), safe="&=%")
        )
        path = "/" + path.lstrip("/")
    if chance.random() < 0.2:
        name = chance.choice((*headers, "Content-Type", "Accept", "Content-Length", "Content-Encoding", "Range"))
        text = changed_text(chance, headers.get(name, "7"))[:2000]
        headers[name] = re.sub(r"[^\x21-\x7e]", "?", text) or "?"
        if name == "Content-Length":  # a wrong one would only keep the client waiting
            del headers[name]
    sent = b""
    if body is not None:
        changed = changed_data(chance, body, words()) if chance.random() < 0.8 else body
        text = json.dumps(changed)
        sent = changed_bytes(chance, changed_text(chance, text) if chance.random() < 0.3 else text)
    return {"method": method, "path": path[:6000], "headers": headers, "body": sent.decode("latin-1")}


_COMMANDS = tuple(
    line.split("|")
    for line in """
check|calcium nitrate=2 lb|magnesium sulfate=1 lb|--bucket|5 gal|--water|ridge-well|--inject|1:100|--depth|verdict
check|technical MAP=1 lb|--bucket-water|20 L|--water|ph=7.6, calcium=95 mg/L|--inject|1:80 to 1:120|--json
check|pour.toml|--json|--fail-on|caution|--depth|verdict
check|-|--region|aldervane|--bucket-temp|50 degF|--line-temp|30 degC|--injector|pump|--depth|numbers|--more
check|-|--lines|--depth|verdict
swap|MAP=1 lb|--bucket|5 gal|--water|brook-well|--json
remedy|MAP=1 lb|--bucket|5 gal|--water|brook-well|--inject|1:100|--json
ratio|--drawn|1 gal|--water|96 gal|--minutes|12|--flow|8 gal/min
find|potash, no chloride|--without|sodium|--limit|5
find|20-0-20|--json
show|MAP|--json
show|20-20-20
rules
explain|phosphate-meets-hard-water
schema|pour
product|add|--name|Feed 9-0-12|--grade|9-0-12|--form|liquid|--density|10.1 lb/gal|--source|label read|--anyway
product|add|--name|Feed|--form|dry|--derived-from|urea, potassium nitrate|--guarantee|Fe=0.1 %|--source|label|--by|A
product|add|feed.toml|--anyway
product|edit|urea|--set|density=1.2|--why|x|--anyway
product|show|urea|--json
product|list|--limit|3
product|retire|urea|--why|gone
product|history|urea
product|diff|urea
product|undo|urea
well|add|my-well|--test|ph=7.6, calcium=95 mg/L|--tested-on|2026-03-04|--anyway
well|test|ridge-well|--test|ph=7.5, calcium=90 mg/L|--tested-on|2026-05-04|--anyway
well|check|ph=7.6, calcium=95 mg/L, hardness=17 gpg, sodium=11 mg/L
well|show|ridge-well|--json
well|trends|ridge-well
region|show|aldervane
region|put|aldervane|urea|--state|reviewed|--note|good
region|edit|aldervane|--set|name=X
region|sweep|aldervane|waters.csv|--to|verdicts|--product|urea|--at-once|4
jar|add|urea=1 lb|--bucket|5 gal|--seen|clear|--on|2026-05-01
jar|list
catalog|import|list.csv|--dry-run
catalog|import|list.csv|--skip-bad|rejects.csv|--source|label
catalog|export|out.csv|--what|wells
catalog|template|products.csv
catalog|check
""".strip().splitlines()
)


def make_command(chance: random.Random, catalog: Catalog) -> dict[str, Any]:
    """A command: its words, and what stands on standard input."""
    argv = list(chance.choice(_COMMANDS))
    for _ in range(chance.choice((1, 1, 1, 2, 3))):
        at = chance.randrange(1 if len(argv) > 1 else 0, len(argv))
        match chance.randrange(14):
            case 0 | 1 | 2 | 3:
                argv[at] = changed_text(chance, argv[at])
            case 8 | 9 | 10 | 11 | 12 | 13:  # well formed, and out of all measure
                argv[at] = other_number(chance, argv[at])
            case 4:
                argv[at] = chance.choice(_WORDS)
            case 5:
                del argv[at]
            case 6:
                argv.insert(at, argv[at])
            case _:
                argv.insert(at, chance.choice(chance.choice(_COMMANDS)))
        argv = argv or ["check"]
    kept = [re.sub("[\ud800-\udbff]", "\udc80", word.replace("\0", ""))[:3000] for word in argv]
    kept = [word for word in kept if word not in {"--edit", "--workers", "serve"}]
    stdin = make_pour_file(chance, catalog).decode("utf-8", "replace") if "-" in kept else ""
    return {"argv": kept, "stdin": stdin.replace("\r", "\n")}


#: What a word of a command may be that none should.
_WORDS = (
    "",
    "-",
    "--",
    "--nope",
    "-1",
    "1e999",
    "x" * 2000,
    "\udc80",
    "\u202e",
    "5 cows",
    "=",
    "a=",
    "=b",
    "a=b=c",
    "nan",
    "pour.toml",
    "list.csv",
    "none.toml",
    ".",
    "{}",
    "[/]",
)


def write_files(folder: Path) -> None:
    """The files that commands name."""
    for name, text in (
        ("pour.toml", toml_text(SHORT)),
        ("feed.toml", toml_text(FEED)),
        ("list.csv", "Name,Form,Grade\nSpring Feed,dry,10-0-10\nAutumn,wet,1\n"),
    ):
        (folder / name).write_text(text)


MAKERS: dict[str, Callable[[random.Random, Catalog], Any]] = {
    "pour": make_pour, "pour-file": make_pour_file, "product": make_product, "sheet": make_sheet,
    "request": make_request, "command": make_command,
}  # fmt: skip
