"""What the tests share: a catalog filled from the seeds, and the command line run in two ways."""

from __future__ import annotations

import io
import os
import pty
import select
import subprocess
import sys
import time
import uuid
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import NamedTuple

import pytest
from sqlalchemy.engine import make_url

from pourcheck import Catalog
from pourcheck.rules.cli.app import main

#: The console script as a process: the same entry point, whatever the path holds.
COMMAND = (sys.executable, "-c", "from pourcheck.rules.cli import main; main()")


#: Files whose tests take long: thousands of solutions, edges of many pours, real processes. The rest is quick.
SLOW = {
    "test_properties", "test_stock_properties", "test_hidden_truth", "test_edges", "test_main_job",
    "test_answer", "test_screen", "test_sweep", "test_chart_agreement", "test_phreeqc_parity", "test_hidden_characters",
    "test_stock_solubility", "test_stock_activity", "test_density", "test_bucket_numbers", "test_water_rules",
    "test_composition", "test_cli", "test_policy", "test_water_quality", "test_ranges_are_no_milder",
    "test_metals", "test_grades", "test_exchange", "test_cli_catalog", "test_table", "test_jars", "test_hardness",
    "test_large", "test_many", "test_split", "test_swap", "test_remedy", "test_web", "test_contract",
    "test_day", "test_threads", "test_logging", "test_dose", "test_statewide",
}  # fmt: skip


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Marks `quick`: whatever is in no slow file, of the cases of every rule one that speaks and one that is silent,
    and what a test asks for itself."""
    seen: set[tuple[str, bool]] = set()
    for item in items:
        case = getattr(item, "callspec", None) and item.callspec.params.get("case")  # type: ignore[attr-defined]
        if isinstance(case, dict):
            kind = (case["rule"], case["expect"] == "silent")
            # What is unknown is swept, and takes longer than what is stated.
            if kind in seen or case["expect"] == "unknown" or case.get("water") == {}:
                continue
            seen.add(kind)
        if item.path.stem not in SLOW:
            item.add_marker(pytest.mark.quick)


class Ran(NamedTuple):
    """What a command left behind."""

    code: int
    out: str
    err: str


@pytest.fixture(scope="session")
def database(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A catalog file for the whole run; the first test that opens it fills it."""
    return str(tmp_path_factory.mktemp("catalog") / "catalog.sqlite3")


@pytest.fixture(scope="session", autouse=True)
def _no_database_of_the_user(database: str) -> Iterator[None]:
    """No test touches the data folder of whoever runs it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("POURCHECK_DB", database)
        # A fault inside a rule is to be seen here, not answered with "unknown".
        patch.setenv("POURCHECK_DEBUG", "1")
        yield


#: URL of a server on which databases may be made, such as postgresql://postgres@127.0.0.1/postgres.
SERVER = os.environ.get("POURCHECK_TEST_POSTGRESQL", "")


@contextmanager
def _new_database(like: str = "template1") -> Iterator[str]:
    """A PostgreSQL database of its own, a copy of another; gone afterwards."""
    if not SERVER:
        pytest.skip("POURCHECK_TEST_POSTGRESQL does not name a server")
    psycopg = pytest.importorskip("psycopg")
    name = f"pourcheck_test_{uuid.uuid4().hex}"
    with psycopg.connect(SERVER, autocommit=True) as server:
        server.execute(f'CREATE DATABASE "{name}" TEMPLATE "{like}"')
        yield make_url(SERVER).set(database=name).render_as_string(hide_password=False)
        server.execute(f'DROP DATABASE "{name}" WITH (FORCE)')


@pytest.fixture(scope="session")
def new_database() -> Callable[[], AbstractContextManager[str]]:
    """Makes a PostgreSQL database, gone afterwards: with new_database() as url."""
    return _new_database


@pytest.fixture(scope="session")
def catalog(database: str) -> Iterator[Catalog]:
    """The seed catalog."""
    with Catalog.open(database, new=True) as opened:
        yield opened


@pytest.fixture(scope="session")
def cli(_no_database_of_the_user: None) -> Callable[..., Ran]:
    """The command line as a process: cli("find", "urea", stdin=b"", env={}, cwd=None)."""

    def run(
        *args: str,
        stdin: bytes = b"",
        env: dict[str, str] | None = None,
        cwd: Path | None = None,
        timeout_s: float = 600.0,
    ) -> Ran:
        done = subprocess.run(
            [*COMMAND, *args],
            input=stdin,
            capture_output=True,
            env={**os.environ, "PYTHONIOENCODING": "utf-8", **(env or {})},
            cwd=cwd,
            timeout=timeout_s,
            check=False,
        )
        out, err = done.stdout.decode("utf-8"), done.stderr.decode("utf-8")
        return Ran(done.returncode, out.replace("\r\n", "\n"), err.replace("\r\n", "\n"))

    return run


@pytest.fixture(scope="session")
def at_a_terminal(_no_database_of_the_user: None) -> Callable[..., str]:
    """All that a command shows at a terminal where somebody answers its questions in turn:
    at_a_terminal(("product", "add"), ["urea", ""])."""

    def run(words: tuple[str, ...], answers: Sequence[str] = (), timeout_s: float = 60.0, term: str = "dumb") -> str:
        main_end, side = pty.openpty()
        process = subprocess.Popen(
            [*COMMAND, *words], stdin=side, stdout=side, stderr=side, env={**os.environ, "TERM": term}
        )
        os.close(side)
        shown, waiting, end = "", list(answers), time.monotonic() + timeout_s
        try:
            while time.monotonic() < end:
                if select.select([main_end], [], [], 0.2)[0]:
                    try:
                        part = os.read(main_end, 4096).decode("utf-8", "replace")
                    except OSError:  # the other end is gone
                        break
                    if not part:
                        break
                    shown += part
                elif waiting and shown.rstrip("\r\n").endswith((": ", "] ")):
                    os.write(main_end, (waiting.pop(0) + "\n").encode())
                    time.sleep(0.05)
                elif process.poll() is not None:
                    break
        finally:
            if process.poll() is None:
                process.terminate()
            process.wait(10)
            os.close(main_end)
        return shown.replace("\r\n", "\n")

    return run


@pytest.fixture
def call(
    _no_database_of_the_user: None,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> Callable[..., Ran]:
    """The command line in this process, for long tables: call("find", "urea", stdin="")."""
    monkeypatch.delenv("COLUMNS", raising=False)

    def run(*args: str, stdin: str = "") -> Ran:
        monkeypatch.setattr(sys, "argv", ["pourcheck", *args])
        monkeypatch.setattr(sys, "stdin", io.StringIO(stdin))
        capsys.readouterr()
        with pytest.raises(SystemExit) as left:
            main()
        code = left.value.code
        assert isinstance(code, int)
        return Ran(code, *capsys.readouterr())

    return run
