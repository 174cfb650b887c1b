"""Thousands of malformed inputs at every door: each is answered, or refused in one clear line.

    python tests/evidence/malformed.py --count 10000 --seed 1 [--kinds pour product ...] [--keep FOLDER]

Good inputs are made bad (bad_inputs.py, mutation.py), each by the seed and its own number alone, and given to what
reads them:

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
from pathlib import Path
from types import FrameType
from typing import Any

import httpx
from bad_inputs import MAKERS, TOKEN, write_files
from mutation import drawn

from pourcheck import Catalog, CatalogError, InputError, Pour, check
from pourcheck.catalog.exchange.lists import read_list
from pourcheck.catalog.store.parse import read_toml
from pourcheck.catalog.text import hidden_in
from pourcheck.catalog.written import read_product
from pourcheck.rules.cli.app import main as command_line
from pourcheck.rules.serve.saving import remarks_on

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
        said = judge_pour(
            {**poured, "water": {"name": "ridge-well"}, "injection": {"ratio": "1:100"}},
            Room(room.folder, own, catalog),
        )
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
    write_files(room.folder)
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
    frames = [
        one
        for one in traceback.extract_tb(error.__traceback__)
        if "pourcheck/" in one.filename or "/rules/" in one.filename or "/catalog/" in one.filename
    ]
    last = frames[-1] if frames else None
    return f"{Path(last.filename).name}:{last.lineno}" if last else ""


def run(kind: str, count: int, seed: int, limit_s: float, keep: Path | None, first: int = 0) -> Counter[str]:
    """Counts of what became of the inputs of a kind; a line for each that broke in a new way."""
    counts: Counter[str] = Counter()
    seen: Counter[str] = Counter()
    begin = time.perf_counter()
    with Room.made() as room:
        for number in range(first, first + count):
            given = MAKERS[kind](drawn(seed, kind, number), room.catalog)
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
                    told = f"{type(error).__name__} at {where(error)}: {str(error)[:300]!r}"
                    print(f"! {kind} {number} ({took:.1f} s): {told}", flush=True)
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
