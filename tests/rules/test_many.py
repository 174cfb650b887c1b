"""Many pours: in order, a verdict or a fault for each, whatever becomes of one of them or of a process."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from pourcheck import Catalog, Fault, InputError, Verdict, check, check_each, check_many
from pourcheck.rules.answer.verdict import Depth


def pour(name: str = "urea", amount: str = "1 lb", ratio: str = "1:100") -> dict[str, Any]:
    """One product in a known water."""
    return {
        "product": [{"name": name, "amount": amount}],
        "bucket": {"volume": "5 gal"},
        "water": {"name": "ridge-well"},
        "injection": {"ratio": ratio},
    }


MIXED = [pour(), pour("uera"), pour("technical MAP"), pour(amount="1 furlong"), {}, pour("potassium nitrate")]


def short(answer: Verdict | Fault) -> str:
    """An answer in a word."""
    return answer.verdict if isinstance(answer, Verdict) else answer.code


@pytest.mark.parametrize("workers", [1, 2])
def test_in_order_with_a_fault_for_what_cannot_be_asked(catalog: Catalog, workers: int) -> None:
    answers = list(check_each(MIXED, catalog, workers=workers))
    assert [short(one) for one in answers] == ["caution", "unknown-name", "stop", "input", "input", "caution"]
    assert [one.path for one in answers if isinstance(one, Fault)] == ["", "pour, product 1, amount", "pour"]
    alone = check(MIXED[2], catalog, depth="numbers")
    assert isinstance(answers[2], Verdict)
    assert answers[2].to_json() == alone.to_json()


def test_a_catalog_in_memory_is_asked_here() -> None:
    with Catalog.open("sqlite://") as catalog:
        assert [short(one) for one in check_each(MIXED[:2], catalog, workers=2)] == ["caution", "unknown-name"]


def test_pours_are_taken_as_they_are_needed(catalog: Catalog) -> None:
    taken: list[int] = []

    def endless() -> Iterator[dict[str, Any]]:
        while True:
            taken.append(1)
            yield pour(ratio=f"1:{100 + len(taken)}")

    answers = check_each(endless(), catalog, workers=2)
    assert isinstance(next(answers), Verdict)
    answers.close()  # type: ignore[attr-defined]
    assert len(taken) < 100


def test_the_first_fault_of_many_is_raised(catalog: Catalog) -> None:
    with pytest.raises(InputError, match=r'^pour 2: unknown product "uera"; nearest: "urea"$'):
        check_many(MIXED, catalog)
    with pytest.raises(ValueError, match="workers is 0; give 1 or more"):
        check_each([], catalog, workers=0)


@pytest.mark.parametrize(
    ("depth", "numbers", "edges"), [("verdict", False, False), ("numbers", True, False), ("edges", True, True)]
)
def test_what_is_not_asked_for_is_not_worked_out(catalog: Catalog, depth: Depth, numbers: bool, edges: bool) -> None:
    """The verdict and what the rules find are the same at every depth."""
    shallow, whole = check(pour("technical MAP"), catalog, depth=depth), check(pour("technical MAP"), catalog)
    assert [(one.rule, one.level) for one in shallow.findings] == [(one.rule, one.level) for one in whole.findings]
    assert (shallow.verdict, shallow.summary) == (whole.verdict, whole.summary)
    assert [shallow.bucket is not None, shallow.line is not None, bool(shallow.edges)] == [numbers, numbers, edges]


def children(of: int) -> list[int]:
    """Processes that a process has started."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            after_name = stat.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(after_name[1]) == of:
            found.append(int(stat.parent.name))
    return found


def runs(process: int) -> bool:
    """Whether a process is there, and not only its name, which nobody has asked after yet."""
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] not in {"Z", "X"}
    except OSError:
        return False


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="processes are found by /proc")
def test_a_killed_worker_loses_nothing(catalog: Catalog) -> None:
    """One is killed while pours are waiting; each is answered once, in order."""
    ratios = [f"1:{100 + i}" for i in range(40)]
    killed: list[int] = []

    def pours() -> Iterator[dict[str, Any]]:
        for i, ratio in enumerate(ratios):
            if i == 30:
                workers = [one for server in children(os.getpid()) for one in children(server)]
                killed.append(workers[0])
                os.kill(workers[0], signal.SIGKILL)
            yield pour(ratio=ratio)

    answers = list(check_each(pours(), catalog, workers=2))
    assert killed
    found = [one.pour.quantities["injection_ratio"].value for one in answers if isinstance(one, Verdict)]
    assert found == [float(ratio[2:]) for ratio in ratios]


ENDLESS = """
import sys
from pourcheck import Catalog, check_each
def pours():
    i = 0
    while True:
        i += 1
        yield {"product": [{"name": "urea", "amount": f"{i} oz"}], "bucket": {"volume": "5000 gal"}}
if __name__ == "__main__":
    with Catalog.open(sys.argv[1]) as catalog:
        for _ in check_each(pours(), catalog, workers=2):
            print("answered", flush=True)
"""


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="processes are found by /proc")
def test_workers_end_with_whom_they_work_for(catalog: Catalog, tmp_path: Path) -> None:
    """Killed, it cannot tell them."""
    script = tmp_path / "endless.py"
    script.write_text(ENDLESS, "utf-8")
    with subprocess.Popen([sys.executable, script, catalog.database], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"answered\n"
        workers = [one for server in children(process.pid) for one in children(server)]
        process.kill()
    assert workers
    patience = time.monotonic() + 20.0
    while any(map(runs, workers)) and time.monotonic() < patience:
        time.sleep(0.2)
    assert not [one for one in workers if runs(one)]


LINES = "\n".join([json.dumps(pour()), "", "nope", "[1]", json.dumps(pour("uera")), json.dumps(pour("technical MAP"))])


@pytest.mark.parametrize("workers", ["1", "2"])
def test_lines(cli: Callable[..., Any], workers: str) -> None:
    ran = cli("check", "-", "--lines", "--depth", "verdict", "--workers", workers, stdin=LINES.encode())
    answers = [json.loads(line) for line in ran.out.splitlines()]
    told = [one.get("verdict") or one["fault"]["path"] for one in answers]
    assert told == ["caution", "line 3", "line 4", "line 5", "stop"]
    assert answers[3]["fault"] == {
        "code": "unknown-name",
        "path": "line 5",
        "what": 'unknown product "uera"',
        "cure": 'nearest: "urea"',
    }
    assert (ran.code, ran.err) == (2, "")


UNREADABLE = {
    "nope": ("line 1", "is no JSON (Expecting value: line 1 column 1 (char 0))"),
    "[1]": ("line 1", "is no JSON object"),
    "7": ("line 1", "is no JSON object"),
    '{"product": [], "product": []}': ("line 1", "product is given twice"),
    '{"product": [{"name": "urea", "amount": "1 lb", "amount": "9 lb"}], "bucket": {"volume": "5 gal"}}': (
        "line 1",
        "amount is given twice",
    ),
    '{"product": ' + "[" * 60_000: ("line 1", "is nested too deeply"),
    '{"product": ' + "9" * 6_000 + "}": ("line 1", "holds a number that is too large"),
    '{"product": [{"name": "urea", "amount": "1 lb"}], "bucket": {"volume": NaN}}': (
        "line 1, pour, bucket.volume",
        "is not text",
    ),
    '{"product": [], "bucket": {"volume": "5 gal"}}': ("line 1, pour", "product is empty"),
}


@pytest.mark.parametrize("line", UNREADABLE, ids=lambda line: line[:12])
def test_a_line_that_is_no_pour_is_a_fault_with_its_place(call: Callable[..., Any], line: str) -> None:
    """Keys that come twice too: of two amounts nobody knows which was meant. The lines after it are answered."""
    ran = call("check", "-", "--lines", "--depth", "verdict", stdin=f"{line}\n{json.dumps(pour())}\n")
    fault, after = map(json.loads, ran.out.splitlines())
    assert (fault["fault"]["path"], fault["fault"]["what"]) == UNREADABLE[line]
    assert fault["fault"]["cure"]
    assert (after["verdict"], ran.code, ran.err) == ("caution", 2, "")


@pytest.mark.parametrize(("name", "code"), [("urea", 0), ("technical MAP", 1)])
def test_the_worst_line_is_the_exit_code(cli: Callable[..., Any], name: str, code: int) -> None:
    text = "\n".join(json.dumps(one) for one in (pour(), pour(name), pour()))
    assert cli("check", "-", "--lines", "--depth", "verdict", stdin=text.encode()).code == code


def test_each_line_is_answered_before_the_next_is_read() -> None:
    """A program that asks, waits and asks again."""
    command = [sys.executable, "-c", "from pourcheck.rules.cli import main; main()"]
    with subprocess.Popen(
        [*command, "check", "-", "--lines"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        for line, expected in ((json.dumps(pour()), '"verdict":"clear"'), ("nope", '{"fault":'), ("{}", '{"fault":')):
            process.stdin.write(line + "\n")
            process.stdin.flush()
            assert expected in process.stdout.readline()
        process.stdin.close()


@pytest.mark.parametrize("words", [("urea=1 lb", "--lines"), ("-", "--lines", "--bucket", "5 gal")])
def test_lines_are_whole_pours(cli: Callable[..., Any], words: tuple[str, ...]) -> None:
    ran = cli("check", *words)
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.startswith("pourcheck: --lines: takes whole pours from standard input")
