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


def labels(count: int) -> dict[str, Any]:
    """A pour that takes long: each of its labels without sources is a search among all materials."""
    feeds = [
        {"name": f"feed {k}", "grade": f"{5 + k % 20}-{3 + k % 7}-{4 + k % 11}", "form": "dry", "amount": "1 lb"}
        for k in range(count)
    ]
    return {**pour(), "product": feeds, "bucket": {"volume": "3000 gal"}}


#: Takes several seconds.
LONG = labels(400)


def test_all_go_on_while_one_takes_long(catalog: Catalog) -> None:
    """The answers behind a long one are worked out meanwhile and kept, so many and no more."""
    taken = 0

    def pours() -> Iterator[dict[str, Any]]:
        nonlocal taken
        yield labels(80)
        for taken in range(1, 1000):
            yield pour(ratio=f"1:{100 + taken}")

    answers = check_each(pours(), catalog, depth="verdict", workers=2)
    assert isinstance(next(answers), Verdict)
    assert 40 < taken <= 128
    assert [short(next(answers)) for _ in range(100)] == ["caution"] * 100
    answers.close()  # type: ignore[attr-defined]


# --- within a time --------------------------------------------------------------------------------


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="processes are found by /proc")
@pytest.mark.parametrize("workers", [1, 2])
def test_a_pour_that_takes_too_long_is_a_fault_and_stops_no_other(catalog: Catalog, workers: int) -> None:
    before = set(children(os.getpid()))
    asked = [pour(), LONG, pour("technical MAP"), {}]
    answers = list(check_each(asked, catalog, depth="verdict", workers=workers, limit_s=1.5))
    assert [short(one) for one in answers] == ["caution", "too-slow", "stop", "input"]
    assert answers[1].model_dump() == {
        "code": "too-slow",
        "path": "",
        "what": "took longer than 1.5 s",
        "cure": 'ask with a higher limit, or for depth "verdict"',
    }
    alone = check(asked[2], catalog, depth="verdict")
    assert isinstance(answers[2], Verdict)
    assert answers[2].to_json() == alone.to_json()
    assert not [one for one in set(children(os.getpid())) - before if runs(one)]


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="processes are found by /proc")
def test_who_asks_no_further_waits_for_nothing(catalog: Catalog) -> None:
    """What is worked on is given up with the answers."""
    before = set(children(os.getpid()))
    answers = check_each([pour(), LONG, LONG, LONG], catalog, workers=2, limit_s=60.0)
    assert short(next(answers)) == "caution"
    start = time.monotonic()
    answers.close()  # type: ignore[attr-defined]
    assert time.monotonic() - start < 2.0
    assert not [one for one in set(children(os.getpid())) - before if runs(one)]


@pytest.mark.parametrize(
    ("limit_s", "where", "told"),
    [
        (0.0, "", "limit_s is 0; give seconds, more than 0"),
        (float("nan"), "", "limit_s is nan; give seconds, more than 0"),
        (1.0, "sqlite://", "limit_s needs a catalog that another process can open; this one is in memory"),
    ],
)
def test_a_limit_that_cannot_be_kept(catalog: Catalog, limit_s: float, where: str, told: str) -> None:
    with Catalog.open(where or catalog.database) as asked, pytest.raises(ValueError, match=f"^{told}$"):
        check_each([pour()], asked, limit_s=limit_s)


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


@pytest.mark.parametrize("workers", ["1", "2"])
def test_a_line_that_takes_too_long_is_a_fault(cli: Callable[..., Any], workers: str) -> None:
    text = "\n".join(json.dumps(one) for one in (pour(), LONG, pour("technical MAP")))
    words = ("--lines", "--depth", "verdict", "--limit", "1.5")
    ran = cli("check", "-", *words, "--workers", workers, stdin=text.encode())
    answers = [json.loads(line) for line in ran.out.splitlines()]
    told = [one.get("verdict") or (one["fault"]["code"], one["fault"]["path"]) for one in answers]
    assert (told, ran.code) == (["caution", ("too-slow", "line 2"), "stop"], 2)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (
            ("urea=1 lb", "--bucket", "5 gal", "--limit", "3"),
            "--limit: is for many pours; add --lines, or leave it out",
        ),
        (("-", "--lines", "--limit", "3", "--db", "sqlite://"), "--limit: needs a catalog that is not in memory"),
        (("-", "--lines", "--limit", "0"), "Invalid value for '--limit'"),
    ],
)
def test_limits_that_are_refused(call: Callable[..., Any], words: tuple[str, ...], told: str) -> None:
    ran = call("check", *words)
    assert (ran.code, ran.out) == (2, "")
    assert told in ran.err


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
