"""Thousands of malformed inputs at every door: each is answered, or refused in one clear line.

    python tests/evidence/malformed.py --count 10000 --seed 1 [--kinds pour product ...] [--keep FOLDER]

Good inputs are made bad (mutation.py), each by the seed and its own number alone, and given to what reads them:

    pour       plain data, to the library                  product  a TOML file, to what `product add` does
    pour-file  TOML and JSON, to the library                sheet    CSV and XLSX, to what `catalog import` does
    request    to a server of its own, with its token       command  words and standard input, to the command line

Broken is: an exception other than InputError and CatalogError, a fault over several lines, a hidden character or a
number that is not finite in what comes out, an exit code or status that is none of ours, an answer that takes longer
than --limit seconds, and anything written by what was refused. Exit code 1 where something broke; --keep FOLDER then
holds the inputs, one file each. Those that once broke something stand in tests/rules/malformed/ and are asked again by
tests/rules/test_malformed.py.
"""

from __future__ import annotations

import argparse
import contextlib
import faulthandler
import io
import json
import os
import random
import re
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from types import FrameType
from typing import Any
from urllib.parse import quote

import httpx
import numpy as np
from drawn_pours import draw_pour
from mutation import changed_archive, changed_bytes, changed_data, changed_rows, changed_text, drawn

from pourcheck import Catalog, CatalogError, InputError, Pour, check
from pourcheck.catalog.exchange.files import opened
from pourcheck.catalog.exchange.lists import WHATS, read_list, write_list, write_template
from pourcheck.catalog.store.parse import read_toml
from pourcheck.catalog.text import hidden_in
from pourcheck.catalog.written import read_product, toml_text
from pourcheck.rules.cli import main as command_line
from pourcheck.rules.serve.saving import remarks_on

SEEDS = Path(__file__).parent.parent.parent / "seed_products"
TOKEN = "0123456789abcdef0123456789abcdef"
#: Longest fault [signs].
LONGEST = 700


class Broken(Exception):
    """An input that was neither answered nor refused as it should be."""


class Hang(BaseException):
    """An answer that did not come in time; no handler of exceptions takes it."""


# --- what must hold of whatever comes out -----------------------------------------------------------


def one_line(text: str) -> str:
    """A fault as it must be. Raises: Broken."""
    if not text.strip() or "\n" in text or len(text) > LONGEST or "Traceback" in text or "internal fault" in text:
        raise Broken(f"not one clear line: {text[:400]!r}")
    return no_hidden(text)


def no_hidden(text: str) -> str:
    """A text without hidden characters, but for line ends. Raises: Broken."""
    if (found := hidden_in(text, lines=True)) is not None:
        raise Broken(f"holds a raw {found}")
    return text


def finite(text: str) -> str:
    """JSON text in which every number is finite. Raises: Broken."""

    def refuse(word: str) -> None:
        raise Broken(f"holds {word}")

    json.loads(text, parse_constant=refuse)
    return no_hidden(text)


def revisions(file: Path) -> int:
    """How many revisions a catalog holds."""
    with contextlib.closing(sqlite3.connect(file)) as connection:
        return int(connection.execute("SELECT count(*) FROM revision").fetchone()[0])


# --- what inputs are given to -----------------------------------------------------------------------


@dataclass
class Room:
    """A catalog as it came, copied anew for each input that may write to it, and a server where one is asked."""

    folder: Path
    file: Path
    catalog: Catalog
    _server: Any = field(default=None)
    _http: httpx.Client | None = field(default=None)

    @classmethod
    @contextmanager
    def made(cls) -> Iterator[Room]:
        """A room in a folder of its own, which goes with it."""
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name) / "in" / "it"
            folder.mkdir(parents=True)
            file = Path(name) / "catalog.sqlite3"
            Catalog.open(str(file), new=True).close()
            with Catalog.open(str(file)) as catalog:
                room = cls(folder, file, catalog)
                try:
                    yield room
                finally:
                    room.stop()

    def fresh(self) -> Path:
        """A copy of the catalog as it came."""
        copy = self.folder.parent / "own.sqlite3"
        for suffix in ("-wal", "-shm"):
            copy.with_name(copy.name + suffix).unlink(missing_ok=True)
        shutil.copy(self.file, copy)
        return copy

    @property
    def http(self) -> httpx.Client:
        """A client of a server that may write to a catalog of its own."""
        if self._http is None:
            place = self.folder.parent
            (place / "token").write_text(TOKEN)
            shutil.copy(self.file, place / "served.sqlite3")
            code = "from pourcheck.rules.cli import main; main()"
            words = ("serve", "--port", "0", "--rate", "none", "--workers", "1", "--time-limit", "60")
            options = (*words, "--db", str(place / "served.sqlite3"), "--token-file", str(place / "token"))
            self._server = subprocess.Popen(
                [sys.executable, "-c", code, *options],
                stdout=subprocess.PIPE,
                stderr=(place / "said").open("wb"),
                text=True,
                env={name: value for name, value in os.environ.items() if name != "POURCHECK_DEBUG"},
            )
            found = re.search(r"http://\S+:\d+", self._server.stdout.readline())
            assert found, (place / "said").read_text()
            self._http = httpx.Client(base_url=found[0], timeout=70)
        return self._http

    def stop(self) -> None:
        """Stop the server."""
        if self._server is not None:
            self._server.terminate()
            self._server.communicate(timeout=60)


def judge_pour(data: Any, room: Room) -> str:
    """A pour as plain data."""
    try:
        verdict = check(data, room.catalog, depth="verdict")
    except InputError as error:
        one_line(str(error))
        return "refused"
    finite(verdict.to_json())
    return verdict.verdict


def judge_pour_file(data: bytes, room: Room) -> str:
    """A pour as a file."""
    path = room.folder / "pour.toml"
    path.write_bytes(data)
    try:
        pour = Pour.load(path)
    except InputError as error:
        one_line(str(error))
        return "refused"
    return judge_pour(pour, room)


def judge_product(data: bytes, room: Room) -> str:
    """A product as a TOML file: read, looked over, saved and poured."""
    path, own = room.folder / "feed.toml", room.fresh()
    path.write_bytes(data)
    with Catalog.open(str(own)) as catalog:
        before = revisions(own)
        try:
            product, beside = read_product(read_toml(path), catalog.sources(), "feed.toml")
            for remark in remarks_on(catalog, product, beside):
                no_hidden(str(remark))
            catalog.save(product, 0, beside=beside)
        except InputError as error:
            one_line(str(error))
            if revisions(own) != before:
                raise Broken("was refused, and something was written") from None
            return "refused"
        amount = "1 qt" if product.form == "liquid" else "1 lb"
        poured = {"product": [{"name": product.id, "amount": amount}], "bucket": {"volume": "5 gal"}}
        said = judge_pour({**poured, "water": {"name": "ridge-well"}, "injection": {"ratio": "1:100"}}, Room(room.folder, own, catalog))
        if said == "refused" and product.form == "dry":
            raise Broken("was saved, and cannot be poured")
        return "saved"


def judge_sheet(name: str, data: bytes, room: Room) -> str:
    """A spreadsheet: read to look at it, then into the catalog."""
    path, own = room.folder / name, room.fresh()
    path.write_bytes(data)
    before = revisions(own)
    with Catalog.open(str(own)) as catalog:
        try:
            tried = read_list(catalog, path, dry_run=True)
            done = read_list(catalog, path)
        except InputError as error:
            one_line(str(error))
            if revisions(own) != before:
                raise Broken("was refused, and something was written") from None
            return "refused"
        for fault in (*tried.faults, *done.faults):
            one_line(str(fault))
        if done.saved == bool(done.faults):
            raise Broken(f"saved: {done.saved}, with {len(done.faults)} faults")
        if not done.saved and revisions(own) != before:
            raise Broken("was not saved, and something was written")
        if [str(fault) for fault in tried.faults] != [str(fault) for fault in done.faults]:
            raise Broken("the dry run tells other faults")
    return "saved" if done.saved else "refused"


def judge_request(asked: dict[str, Any], room: Room) -> str:
    """A request. asked: method, path, headers, body (of which each sign is a byte)."""
    own = room.folder.parent / "served.sqlite3"
    http = room.http
    before = revisions(own)
    body = asked["body"].encode("latin-1")
    try:
        got = http.request(asked["method"], asked["path"], headers=asked["headers"], content=body)
    except httpx.TimeoutException:
        raise Hang from None
    except httpx.TransportError as error:
        raise Broken(f"no answer: {error!r}") from None
    if got.status_code >= 500:
        raise Broken(f"status {got.status_code}: {got.text[:300]}")
    if got.status_code == 200:
        finite(got.text)
        return "answered"
    if 300 <= got.status_code < 400:
        return "led elsewhere"
    one_line(got.text.encode().decode())
    if got.headers.get("content-type") != "application/json" or set(got.json()) != {"code", "path", "what", "cure"}:
        raise Broken(f"status {got.status_code}, and no fault: {got.text[:300]}")
    if revisions(own) != before:
        raise Broken("was refused, and something was written")
    return "refused"


def judge_command(asked: dict[str, Any], room: Room) -> str:
    """A command. asked: argv and stdin."""
    own = room.fresh()
    _files(room.folder)
    before, here, argv, streams = revisions(own), Path.cwd(), sys.argv, (sys.stdin, sys.stdout, sys.stderr)
    out, err = io.StringIO(), io.StringIO()
    os.environ["POURCHECK_DB"] = str(own)
    os.chdir(room.folder)
    sys.argv, sys.stdin = ["pourcheck", *asked["argv"]], io.StringIO(asked["stdin"])
    sys.stdout, sys.stderr = out, err
    code: Any = None
    try:
        command_line()
    except SystemExit as left:
        code = left.code
    finally:
        os.chdir(here)
        sys.argv, (sys.stdin, sys.stdout, sys.stderr) = argv, streams
    no_hidden(out.getvalue())
    if code not in {0, 1, 2}:
        raise Broken(f"exit code {code}: {err.getvalue()[:300]}")
    if err.getvalue():
        one_line(err.getvalue().removesuffix("\n"))
    if code == 2 and not err.getvalue() and not out.getvalue():
        raise Broken("exit code 2 without a word")
    if code == 2 and revisions(own) != before:
        raise Broken(f"exit code 2, and something was written: {err.getvalue()[:300]}")
    return "refused" if code == 2 else "answered"


def judge(kind: str, name: str, given: Any, room: Room) -> str:
    """What became of an input: a word of it. Raises: Broken, or whatever the program should not have raised."""
    if kind == "sheet":
        return judge_sheet(name, given, room)
    judges: dict[str, Callable[[Any, Room], str]] = {
        "pour": judge_pour, "pour-file": judge_pour_file, "product": judge_product, "request": judge_request,
        "command": judge_command,
    }  # fmt: skip
    try:
        return judges[kind](given, room)
    except CatalogError as error:
        raise Broken(f"the catalog is told to be at fault: {error}") from error


# --- good inputs ------------------------------------------------------------------------------------

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
    return (*sorted(found), "", "x", "volume_l", "calcium_mg_per_l", "amount_kg", "amount_lb", "ratio_read", "charge", "a\x1bb", "n" * 300)


@cache
def material_texts() -> tuple[str, ...]:
    """Every tenth product file that comes with the program."""
    files = sorted((*(SEEDS / "materials").glob("*.toml"), *(SEEDS / "aldervane").glob("*.toml")))
    return tuple(path.read_text("utf-8") for path in files[::10] if "guaranteed" in path.read_text("utf-8"))


def make_pour(chance: random.Random, room: Room) -> Any:
    good = chance.choice((POUR, SHORT, None))
    if good is None:
        names = [product.name for product in room.catalog.products()]
        good = draw_pour(np.random.default_rng(chance.randrange(1 << 30)), names, stated=True, hostile=chance.random() < 0.3)
    return changed_data(chance, good, words())


def make_pour_file(chance: random.Random, room: Room) -> bytes:
    good = make_pour(chance, room) if chance.random() < 0.3 else chance.choice((POUR, SHORT))
    toml = chance.random() < 0.5 and isinstance(good, dict)
    try:
        text = toml_text(good) if toml else json.dumps(good, indent=chance.choice((None, 1)))
    except (TypeError, ValueError, AttributeError):
        text = json.dumps(good)
    return changed_bytes(chance, changed_text(chance, text) if chance.random() < 0.9 else text)


def make_product(chance: random.Random, room: Room) -> bytes:
    del room
    if chance.random() < 0.3:
        return changed_bytes(chance, changed_text(chance, chance.choice(material_texts())))
    good = changed_data(chance, FEED, words())
    try:
        text = toml_text(good)
    except (TypeError, AttributeError):
        text = str(good)
    return changed_bytes(chance, changed_text(chance, text) if chance.random() < 0.4 else text)


@cache
def _tables(file: Path) -> dict[str, list[list[Any]]]:
    """Rows of cells as the catalog writes them, and of the templates, by what they are."""
    found: dict[str, list[list[Any]]] = {}
    with tempfile.TemporaryDirectory() as folder, Catalog.open(str(file)) as catalog:
        for what in WHATS:
            for name, write in (("written", lambda path, w=what: write_list(catalog, path, what=w)), ("empty", lambda path, w=what: write_template(path, what=w))):
                path = Path(folder) / f"{what}.csv"
                write(path)
                with opened(path) as sheets:
                    rows = [list(cells) for _, cells in sheets[0].rows]
                found[f"{what} {name}"] = rows[:1] + rows[1::9][:6]
    return found


def make_sheet(chance: random.Random, room: Room) -> tuple[str, bytes]:
    kind = chance.choice(sorted(_tables(room.file)))
    rows = _tables(room.file)[kind]
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
    import csv

    text = io.StringIO()
    csv.writer(text, delimiter=chance.choice((",", ",", ";", "\t"))).writerows(rows)
    made = text.getvalue()
    return "list.csv", changed_bytes(chance, changed_text(chance, made) if chance.random() < 0.4 else made)


_ASKED = (
    ("POST", "/check?depth=verdict", POUR), ("POST", "/check", SHORT), ("POST", "/swap", SHORT), ("POST", "/split", SHORT),
    ("GET", "/products?query=urea&limit=5", None), ("GET", "/products?query=20-0-20&region=aldervane", None),
    ("GET", "/products/urea", None), ("GET", "/wells?limit=3", None), ("GET", "/wells/ridge-well", None),
    ("GET", "/rules/lime-in-line", None), ("GET", "/rules", None), ("GET", "/health", None),
    ("PUT", "/products/feed-9-0-12?anyway=true", FEED), ("PUT", "/products/urea?by=A&why=B", FEED),
    ("POST", "/wells/ridge-well/tests?anyway=true&replace=true", TEST),
)  # fmt: skip


def make_request(chance: random.Random, room: Room) -> dict[str, Any]:
    del room
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
        path = quote(part.encode("utf-8", "surrogatepass"), safe="/?&=%") if chance.random() < 0.5 else head + sign + quote(part.encode("utf-8", "surrogatepass"), safe="&=%")
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
check|technical MAP=1 lb|--bucket-water|20 L|--water|ph=7.6, calcium=95 mg/L, alkalinity=210 mg/L CaCO3|--inject|1:80 to 1:120|--json|--depth|numbers
check|pour.toml|--json|--fail-on|caution|--depth|verdict
check|-|--region|aldervane|--bucket-temp|50 degF|--line-temp|30 degC|--injector|pump|--depth|numbers|--more
check|-|--lines|--depth|verdict
swap|MAP=1 lb|--bucket|5 gal|--water|brook-well|--json
ratio|--drawn|1 gal|--water|96 gal|--minutes|12|--flow|8 gal/min
find|potash, no chloride|--without|sodium|--limit|5
find|20-0-20|--json
show|MAP|--json
show|20-20-20
rules
explain|phosphate-meets-hard-water
schema|pour
product|add|--name|Feed 9-0-12|--grade|9-0-12|--form|liquid|--density|10.1 lb/gal|--derived-from|urea, potassium nitrate|--guarantee|Fe=0.1 %|--source|label read|--by|A|--anyway
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
jar|add|urea=1 lb|--bucket|5 gal|--seen|clear|--on|2026-05-01
jar|list
catalog|import|list.csv|--dry-run
catalog|import|list.csv|--skip-bad|rejects.csv|--source|label
catalog|export|out.csv|--what|wells
catalog|template|products.csv
catalog|check
""".strip().splitlines()
)


def make_command(chance: random.Random, room: Room) -> dict[str, Any]:
    argv = list(chance.choice(_COMMANDS))
    for _ in range(chance.choice((1, 1, 1, 2, 3))):
        at = chance.randrange(1 if len(argv) > 1 else 0, len(argv))
        match chance.randrange(8):
            case 0 | 1 | 2 | 3:
                argv[at] = changed_text(chance, argv[at])
            case 4:
                argv[at] = str(chance.choice(VALUES_AS_WORDS))
            case 5:
                del argv[at]
            case 6:
                argv.insert(at, argv[at])
            case _:
                argv.insert(at, chance.choice(chance.choice(_COMMANDS)))
        argv = argv or ["check"]
    kept = [re.sub("[\ud800-\udbff]", "\udc80", word.replace("\0", ""))[:3000] for word in argv]
    kept = [word for word in kept if word not in {"--edit", "--workers", "serve"}]
    stdin = make_pour_file(chance, room).decode("utf-8", "replace") if "-" in kept else ""
    return {"argv": kept, "stdin": stdin.replace("\r", "\n")}


VALUES_AS_WORDS = ("", "-", "--", "--nope", "-1", "1e999", "x" * 2000, "\udc80", "\u202e", "5 cows", "=", "a=", "=b", "a=b=c", "nan", "pour.toml", "list.csv", "none.toml", ".", "{}", "[/]")


def _files(folder: Path) -> None:
    for name, text in (("pour.toml", toml_text(SHORT)), ("feed.toml", toml_text(FEED)), ("list.csv", "Name,Form,Grade\nSpring Feed,dry,10-0-10\nAutumn,wet,1\n")):
        (folder / name).write_text(text)


MAKERS: dict[str, Callable[[random.Random, Room], Any]] = {
    "pour": make_pour, "pour-file": make_pour_file, "product": make_product, "sheet": make_sheet,
    "request": make_request, "command": make_command,
}  # fmt: skip


# --- kept inputs ------------------------------------------------------------------------------------


def kept(kind: str, given: Any) -> tuple[str, bytes]:
    """An input as a file: the ending of its name, and what it holds."""
    match kind:
        case "pour" | "request" | "command":
            return ".json", json.dumps(given, indent=1).encode()
        case "sheet":
            return Path(given[0]).suffix, given[1]
        case _:
            return ".toml", given


def read_kept(kind: str, file: Path) -> tuple[str, Any]:
    """The name and the input of a kept file, as `judge` takes them."""
    if kind in {"pour", "request", "command"}:
        return "", json.loads(file.read_bytes())
    return f"list{file.suffix}", file.read_bytes()


# --- the run ----------------------------------------------------------------------------------------


def _too_long(_: int, __: FrameType | None) -> None:
    raise Hang


@contextmanager
def within(seconds: float) -> Iterator[None]:
    """Ends what is inside after some seconds of waiting. Raises: Hang."""
    faulthandler.dump_traceback_later(4 * seconds, exit=True)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        faulthandler.cancel_dump_traceback_later()


def where(error: BaseException) -> str:
    """The last place in the program that an exception passed."""
    frames = [one for one in traceback.extract_tb(error.__traceback__) if "pourcheck/" in one.filename or "/rules/" in one.filename or "/catalog/" in one.filename]
    last = frames[-1] if frames else None
    return f"{Path(last.filename).name}:{last.lineno}" if last else ""


def run(kind: str, count: int, seed: int, limit_s: float, keep: Path | None, first: int = 0) -> Counter[str]:
    """Counts of what became of the inputs of a kind; a line for each that broke in a new way."""
    counts: Counter[str] = Counter()
    seen: Counter[str] = Counter()
    begin = time.perf_counter()
    with Room.made() as room:
        for number in range(first, first + count):
            given = MAKERS[kind](drawn(seed, kind, number), room)
            name, asked = given if kind == "sheet" else ("", given)
            start = time.perf_counter()
            try:
                with within(limit_s):
                    counts[judge(kind, name, asked, room)] += 1
            except (Exception, Hang) as error:
                counts["broken"] += 1
                shape = re.sub(r"[0-9]+", "0", f"{type(error).__name__} {where(error)} {str(error)[:60]}")
                seen[shape] += 1
                if seen[shape] <= 2:
                    took = time.perf_counter() - start
                    print(f"! {kind} {number} ({took:.1f} s): {type(error).__name__} at {where(error)}: {str(error)[:300]!r}", flush=True)
                    if keep is not None:
                        suffix, data = kept(kind, given)
                        (keep / kind).mkdir(parents=True, exist_ok=True)
                        (keep / kind / f"{number}{suffix}").write_bytes(data)
    took = time.perf_counter() - begin
    told = ", ".join(f"{word} {n}" for word, n in counts.most_common())
    print(f"{kind:>10}: {count} in {took:.0f} s ({1000 * took / max(1, count):.1f} ms each): {told}", flush=True)
    return counts


def main() -> int:
    """Print the counts of every kind."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=10_000, help="of each kind")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="number of the first input")
    parser.add_argument("--kinds", nargs="+", choices=MAKERS, default=list(MAKERS))
    parser.add_argument("--limit", type=float, default=20.0, help="seconds that an answer may take")
    parser.add_argument("--keep", type=Path, help="folder for inputs that broke something")
    asked = parser.parse_args()
    # A fault inside a rule is to be seen here, not answered with "unknown"; what eats all memory is told.
    os.environ["POURCHECK_DEBUG"] = "1"
    resource.setrlimit(resource.RLIMIT_AS, (8 << 30, 8 << 30))
    signal.signal(signal.SIGALRM, _too_long)
    broken = 0
    for kind in asked.kinds:
        broken += run(kind, asked.count, asked.seed, asked.limit, asked.keep, asked.first)["broken"]
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
