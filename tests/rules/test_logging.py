"""What happens is logged below "pourcheck"; using the library changes nothing of the process that uses it."""

from __future__ import annotations

import ast
import json
import logging
import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pourcheck import Catalog, check, check_each
from pourcheck.rules.case import remembered

ROOT = Path(__file__).parent.parent.parent

#: What a program has beside the library, and must find again.
STATE = """
import decimal, gc, json, locale, logging, os, random, signal, sys, threading, warnings
import numpy
from threadpoolctl import threadpool_info

def state():
    return {
        "environment": dict(os.environ),
        "folder": os.getcwd(),
        "path": list(sys.path),
        "warnings": [repr(one) for one in warnings.filters],
        "signals": [repr(signal.getsignal(one)) for one in sorted(signal.valid_signals())],
        "numpy errors": numpy.geterr(),
        "numpy printing": repr(sorted(numpy.get_printoptions().items(), key=str)),
        "random": repr(random.getstate())[:500] + repr(numpy.random.get_state())[:500],
        "locale": locale.setlocale(locale.LC_ALL),
        "decimal": repr(decimal.getcontext()),
        "hooks": [repr(one) for one in (sys.excepthook, sys.displayhook, sys.unraisablehook, threading.excepthook)],
        "recursion": sys.getrecursionlimit(),
        "switching": sys.getswitchinterval(),
        "gc": [gc.isenabled(), *gc.get_threshold()],
        "streams": [id(sys.stdin), id(sys.stdout), id(sys.stderr)],
        "root of logging": [logging.root.level, repr(logging.root.handlers), logging.raiseExceptions],
        "capturing of warnings": logging._warnings_showwarning is None,
        "codecs": sys.getdefaultencoding(),
        "linear algebra": [[one["filepath"], one["num_threads"]] for one in threadpool_info()
                           if "numpy" in one["filepath"]],
    }

before = state()
"""
IMPORTED = "import pourcheck\n"
USED = """
import pourcheck
assert "pint" not in sys.modules
pour = {"product": [{"name": "technical MAP", "amount": "1 lb"}], "bucket": {"volume": "5 gal"},
        "water": {"name": "ridge-well"}, "injection": {"ratio": "1:100"}}
with pourcheck.Catalog.open(os.environ["POURCHECK_DB"], new=True) as catalog:
    found = pourcheck.check(pour, catalog)
    pourcheck.swap(pour, catalog), pourcheck.split(pour, catalog)
    catalog.find("potasium nitrat")
    list(pourcheck.check_each([pour], catalog))
"""
UNITS = (
    USED
    + """
import pint
registry = pint.get_application_registry().get()
found.line.ph.quantity, found.bucket.volume.quantity
assert pint.get_application_registry().get() is registry
"""
)
AFTER = "print(json.dumps({name: [before[name], now] for name, now in state().items() if now != before[name]}))\n"


@pytest.mark.parametrize("use", [IMPORTED, USED, UNITS], ids=["imported", "used", "with units"])
def test_the_process_that_uses_it_stays_as_it_was(catalog: Catalog, use: str) -> None:
    del catalog  # it is there
    done = subprocess.run(
        [sys.executable, "-W", "error::ResourceWarning", "-c", STATE + use + AFTER],
        capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout) == {}
    assert done.stderr == ""


def test_a_change_would_be_seen() -> None:
    change = "os.environ['NEW'] = '1'; warnings.simplefilter('ignore'); numpy.seterr(all='raise')\n"
    done = subprocess.run([sys.executable, "-c", STATE + change + AFTER], capture_output=True, text=True, check=True)
    assert set(json.loads(done.stdout)) == {"environment", "warnings", "numpy errors"}


@pytest.mark.parametrize(
    "path", sorted([*(ROOT / "catalog").rglob("*.py"), *(ROOT / "rules").rglob("*.py")]), ids=lambda p: p.stem
)
def test_the_library_prints_nothing(path: Path) -> None:
    """What is printed is printed by the command line; events are logged below the name of the module."""
    tree = ast.parse(path.read_text("utf-8"))
    calls = {node.func.id for node in ast.walk(tree) if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)}
    assert not calls & {"print", "input", "breakpoint"}
    text = path.read_text("utf-8")
    for word in text.split("getLogger(")[1:]:
        assert word.startswith(("__name__", '"pourcheck"'))


def test_events_go_nowhere_until_somebody_asks_for_them() -> None:
    handlers = logging.getLogger("pourcheck").handlers
    assert any(isinstance(one, logging.NullHandler) for one in handlers)
    done = subprocess.run(
        [sys.executable, "-c", "import logging, pourcheck; logging.getLogger('pourcheck.rules').error('gone')"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert (done.stdout, done.stderr) == ("", "")


def told(caplog: pytest.LogCaptureFixture, part: str) -> list[tuple[str, str]]:
    """Levels and loggers of what was logged."""
    return [(one.levelname, one.name) for one in caplog.records if part in one.getMessage()]


@pytest.fixture
def log(caplog: pytest.LogCaptureFixture) -> Iterator[pytest.LogCaptureFixture]:
    """What is logged, in all detail."""
    with caplog.at_level(logging.DEBUG, "pourcheck"):
        yield caplog


OPENING = "pourcheck.catalog.store.opening"


def test_a_catalog_made_opened_and_mended(log: pytest.LogCaptureFixture, tmp_path: Path) -> None:
    place = tmp_path / "catalog.sqlite3"
    Catalog.open(place, new=True).close()
    assert told(log, f"catalog {place} made") == [("INFO", OPENING)]
    Catalog.open(place).close()
    assert told(log, f"catalog {place} opened") == [("DEBUG", OPENING)] * 2
    with sqlite3.connect(place) as changed:
        changed.execute("UPDATE catalog_meta SET value = 'of another release' WHERE key = 'seeds'")
    Catalog.open(place).close()
    assert told(log, "are those of this release") == [("INFO", OPENING)]


def test_records_that_come_with_the_program_and_cannot_be_written(
    log: pytest.LogCaptureFixture, tmp_path: Path
) -> None:
    place = tmp_path / "catalog.sqlite3"
    Catalog.open(place, new=True).close()
    with sqlite3.connect(place) as changed:
        changed.execute("UPDATE catalog_meta SET value = 'of another release' WHERE key = 'seeds'")
        changed.execute(
            "CREATE TRIGGER locked BEFORE UPDATE ON catalog_meta BEGIN SELECT RAISE(ABORT, 'readonly'); END"
        )
    with Catalog.open(place) as catalog:
        assert catalog.product("urea").grade == "46-0-0"
    assert told(log, "are of another release: ") == [("WARNING", OPENING)]


def test_an_upgrade(log: pytest.LogCaptureFixture, tmp_path: Path) -> None:
    from pourcheck.catalog.store.place import Place
    from pourcheck.catalog.store.upgrading import upgrade

    place = tmp_path / "catalog.sqlite3"
    with sqlite3.connect(place) as made:
        made.executescript((ROOT / "tests/catalog/schemas/v1.sql").read_text("utf-8"))
    upgrade(Place.named(str(place)), None, no_backup=True)
    assert told(log, f"catalog {place} upgraded from schema 1 to 2") == [("INFO", "pourcheck.catalog.store.upgrading")]


def test_a_record_that_makes_no_sense(log: pytest.LogCaptureFixture, tmp_path: Path) -> None:
    place = tmp_path / "catalog.sqlite3"
    Catalog.open(place, new=True).close()
    with sqlite3.connect(place) as changed:
        changed.execute("UPDATE revision SET document = '{}' WHERE kind = 'product' AND id = 'urea'")
    with Catalog.open(place) as catalog:
        catalog.products()
    assert told(log, "product urea is left out, as it makes no sense") == [
        ("WARNING", "pourcheck.catalog.store.records")
    ]


def test_solutions_that_are_not_found(log: pytest.LogCaptureFixture) -> None:
    """A sum of ions that is no number is solved by nobody."""
    from pourcheck.rules.chemistry.constants import load

    totals = np.zeros((2, len(load().masters)))
    totals[1] = np.nan
    remembered.each_once(totals, np.array([20.0, 20.0]))()
    assert told(log, "1 of 2 solutions could not be found") == [("WARNING", "pourcheck.rules.case.remembered")]


POUR: dict[str, Any] = {"product": [{"name": "urea", "amount": "1 oz"}], "bucket": {"volume": "5 gal"}}


def test_a_check_that_goes_well_is_silent(log: pytest.LogCaptureFixture, catalog: Catalog) -> None:
    check(POUR, catalog)
    assert [one.getMessage() for one in log.records] == []


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="processes are found by /proc")
def test_a_worker_that_was_killed(log: pytest.LogCaptureFixture, catalog: Catalog) -> None:
    def pours() -> Iterator[dict[str, Any]]:
        for i in range(40):
            if i == 30:
                os.kill(_grandchildren(os.getpid())[0], signal.SIGKILL)
            yield {**POUR, "bucket": {"volume": f"{5 + i} gal"}}

    assert len(list(check_each(pours(), catalog, depth="verdict", workers=2))) == 40
    assert told(log, "a worker was killed") == [("WARNING", "pourcheck.rules.serve.batch")]


def _grandchildren(of: int) -> list[int]:
    parents: dict[int, list[int]] = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            parents.setdefault(int(stat.read_text().rpartition(")")[2].split()[1]), []).append(int(stat.parent.name))
        except OSError:
            continue
    return [one for child in parents.get(of, []) for one in parents.get(child, [])]


def test_the_command_line_is_quiet_too(cli: Callable[..., Any], catalog: Catalog) -> None:
    ran = cli("check", "urea=1 oz", "--bucket", "5 gal", "--db", catalog.database)
    assert (ran.code, ran.err) == (0, "")
