"""All products in all waters of a file: the same verdicts as one by one, whatever cuts the job off."""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import duckdb
import pytest

from pourcheck import Catalog, InputError
from pourcheck.catalog.exchange.lists import write_list
from pourcheck.rules.instead.table import Rates, verdict_table
from pourcheck.rules.serve import columnar
from pourcheck.rules.serve.sweep import COLUMNS, sweep
from pourcheck.rules.serve.waters import read_waters

PRODUCTS = ("technical MAP", "urea", "gypsum")
HEAD = "Well,Tested on,pH,Calcium (mg/L),Alkalinity (mg/L CaCO3)"
COMMAND = (sys.executable, "-c", "from pourcheck.rules.cli import main; main()", "region", "sweep", "aldervane")


def waters_file(folder: Path, count: int, name: str = "waters.csv") -> Path:
    """Waters from soft to hard."""
    rows = [f"Well {i},2026-05-04,{6.5 + 0.1 * i:.1f},{10 + 15 * i},{20 + 20 * i}" for i in range(count)]
    path = folder / name
    path.write_text("\n".join([HEAD, *rows]) + "\n")
    return path


def rows_in(folder: Path) -> list[tuple[Any, ...]]:
    """All verdicts of a job, in order."""
    return columnar.query(
        "SELECT * FROM read_parquet(?) ORDER BY water_id, product_id", sorted(folder.glob("*.parquet"))
    )


# --- the verdicts ---------------------------------------------------------------------------------


def test_every_row_is_a_cell_of_the_region_table(catalog: Catalog, tmp_path: Path) -> None:
    """Wells that go out as a spreadsheet come back with the verdicts that they have in the catalog."""
    write_list(catalog, tmp_path / "wells.csv")
    rates = Rates(dry="2 lb", region="aldervane")
    sweep(catalog, tmp_path / "wells.csv", tmp_path / "job", products=PRODUCTS, rates=rates)
    ids = [well.id for well in catalog.wells() if well.test]
    table = verdict_table(catalog, PRODUCTS, ids, rates)
    found = {(row[3], row[0]): (row[6], tuple(row[7]), row[8]) for row in rows_in(tmp_path / "job")}
    assert found == {key: (cell.verdict, cell.rules, cell.fault or None) for key, cell in table.cells.items()}


def test_what_cannot_be_poured_stands_in_its_row(catalog: Catalog, tmp_path: Path) -> None:
    swept = sweep(catalog, waters_file(tmp_path, 1), tmp_path / "job", products=["urea"], rates=Rates(dry="900 lb"))
    assert (swept.shares[0].unknown, swept.shares[0].faults) == (1, 1)
    assert "900 lb" in rows_in(tmp_path / "job")[0][8]


def test_shares_count_every_verdict_once(catalog: Catalog, tmp_path: Path) -> None:
    swept = sweep(catalog, waters_file(tmp_path, 4), tmp_path / "job", products=PRODUCTS, rows_at_once=6)
    rows = rows_in(tmp_path / "job")
    assert (swept.rows, len(rows), len(swept.parts)) == (12, 12, 2)
    for share in swept.shares:
        verdicts = [row[6] for row in rows if row[3] == share.product]
        assert [share.clear, share.caution, share.unknown, share.stop] == [
            verdicts.count(word) for word in ("clear", "caution", "unknown", "stop")
        ]
        assert share.waters == len(verdicts) == 4
    assert swept.shares[0].stop >= swept.shares[-1].stop
    assert {
        name: kind for name, kind, *_ in columnar.query("DESCRIBE SELECT * FROM read_parquet(?)", swept.parts)
    } == COLUMNS


def test_waters_from_parquet_are_those_from_csv(tmp_path: Path) -> None:
    """Numbers and days of a Parquet file are read as those of a spreadsheet."""
    csv = waters_file(tmp_path, 5)
    parquet = tmp_path / "waters.parquet"
    duckdb.execute(f"COPY (SELECT * FROM read_csv('{csv}')) TO '{parquet}' (FORMAT parquet)")
    assert read_waters(parquet) == read_waters(csv)


@pytest.mark.parametrize(("at_once", "expected"), [(1, [3, 3, 3]), (6, [6, 3]), (1000, [9])])
def test_a_part_is_no_larger_than_told(at_once: int, expected: list[int], catalog: Catalog, tmp_path: Path) -> None:
    """Unless one water alone, with all products, is."""
    swept = sweep(catalog, waters_file(tmp_path, 3), tmp_path / "job", products=PRODUCTS, rows_at_once=at_once)
    assert [columnar.count_of(part) for part in swept.parts] == expected


# --- bad rows are left out where that is asked for ------------------------------------------------

BAD = """\
Well,Tested on,pH,Calcium (mg/L),Alkalinity (mg/L CaCO3)
Well 0,2026-05-04,6.5,10,20
Old Well,2026-05-04,77,30,20
Old Well,2025-05-04,7.0,30,20
Well 1,2026-05-04,6.6,25,40
Late Well,2099-01-01,7.0,30,20
,2026-05-04,7.0,30,20
"""
FAULTS = [
    'row 3, pH: "77" is not a pH of irrigation water (3 to 11); check the number',
    "row 6, Tested on: has no test of 2026-07-01 or before; tests: 2099-01-01; name one of these days",
    "row 7, Well: is missing; write the name of the well",
]


def test_bad_rows_are_left_out(catalog: Catalog, tmp_path: Path) -> None:
    """The others are swept as if they stood alone; those that were left out, with the other rows of their wells, are in
    a file with their reasons, and once they are mended they can be swept from there."""
    waters, rejects = tmp_path / "bad.csv", tmp_path / "rejects.csv"
    waters.write_text(BAD)
    day = date(2026, 7, 1)
    swept = sweep(catalog, waters, tmp_path / "job", products=["urea"], poured_on=day, skip_bad=rejects)
    assert [str(one) for one in swept.faults] == FAULTS
    assert (swept.rows, swept.left_out) == (2, 4)
    alone = waters_file(tmp_path, 2)
    sweep(catalog, alone, tmp_path / "alone", products=["urea"], poured_on=day)
    assert rows_in(tmp_path / "job") == rows_in(tmp_path / "alone")
    lines = rejects.read_text("utf-8-sig").splitlines()
    assert lines[0] == f"{HEAD},# Reason"
    assert [line.split(",")[0] for line in lines[1:]] == ["Old Well", "Old Well", "Late Well", ""]
    assert "waits for row 3, of the same well" in lines[2]
    rejects.write_text(rejects.read_text("utf-8-sig").replace(",77,", ",7.7,"))
    assert [one.id for one in read_waters(rejects, day, skip_bad=True).waters] == ["old-well"]


def test_where_no_water_is_left_nothing_is_written(catalog: Catalog, tmp_path: Path) -> None:
    waters = tmp_path / "bad.csv"
    waters.write_text(f"{HEAD}\nA,2026-01-01,x,10,20\n")
    with pytest.raises(InputError, match=r"bad\.csv, row 2, pH: "):
        sweep(catalog, waters, tmp_path / "job", products=["urea"], skip_bad=tmp_path / "rejects.csv")
    assert [path.name for path in tmp_path.iterdir()] == ["bad.csv"]


# --- one CSV file ---------------------------------------------------------------------------------


def test_verdicts_as_csv(catalog: Catalog, tmp_path: Path) -> None:
    """The rows of the parts, in their order; whatever a spreadsheet program would run is text."""
    waters = tmp_path / "waters.csv"
    waters.write_text(f"{HEAD}\n=1+1,2026-05-04,7.9,150,260\nWell 1,2026-05-04,6.5,10,20\n")
    for before in (0, 2):  # made, and made anew from parts that are there
        swept = sweep(catalog, waters, tmp_path / "out.csv", products=PRODUCTS, rows_at_once=3)
        assert (swept.before, [part.parent.name for part in swept.parts]) == (before, ["out", "out"])
        with (tmp_path / "out.csv").open(encoding="utf-8-sig", newline="") as file:
            head, *rows = csv.reader(file)
        assert head == list(COLUMNS)
        expected = [
            ["1-1", "'=1+1", str(row[2]), *row[3:7], ", ".join(row[7]), row[8] or ""] if row[1] == "=1+1" else
            [*row[:2], str(row[2]), *row[3:7], ", ".join(row[7]), row[8] or ""]
            for part in swept.parts for row in columnar.query("SELECT * FROM read_parquet(?)", [part])
        ]  # fmt: skip
        assert rows == expected
        (tmp_path / "out.csv").unlink()
    assert [rows[0][6], rows[0][7].split(", ")[0]] == ["stop", "phosphate-meets-hard-water"]


@pytest.mark.parametrize("name", ["out.xlsx", "out.parquet"])
def test_verdicts_as_something_else(name: str, catalog: Catalog, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=f"{name}: is no folder; name a folder for Parquet files, or a .csv file"):
        sweep(catalog, waters_file(tmp_path, 1), tmp_path / name, products=["urea"])


# --- cut off, and gone on with --------------------------------------------------------------------


@pytest.mark.skipif(not hasattr(os, "killpg"), reason="processes are killed as a group")
@pytest.mark.parametrize("workers", ["1", "2"])
def test_killed_and_gone_on_with(workers: str, catalog: Catalog, tmp_path: Path) -> None:
    """Killed at any time, and started again as often: the rows of an unbroken run, no part asked twice."""
    waters, job = waters_file(tmp_path, 24), tmp_path / "job"
    options = ("--product", "technical MAP", "--product", "urea", "--at-once", "4", "--db", catalog.database)
    command = (*COMMAND, str(waters), "--to", str(job), *options, "--workers", workers)
    for least in (2, 4):
        running = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, start_new_session=True)
        end = time.monotonic() + 60
        while len(list(job.glob("*.parquet"))) < least and running.poll() is None and time.monotonic() < end:
            time.sleep(0.01)
        os.killpg(running.pid, signal.SIGKILL)
        running.communicate()
        there = {path: path.stat().st_mtime_ns for path in job.glob("*.parquet")}
        assert least <= len(there) < 12
    swept = sweep(
        catalog, waters, job, products=PRODUCTS[:2], rates=Rates(region="aldervane"), rows_at_once=4, workers=1
    )
    assert swept.before == len(there)
    assert {path: path.stat().st_mtime_ns for path in there} == there
    left = [".lock", *(f"part-{n:06}.parquet" for n in range(12)), "sweep.json"]
    assert sorted(path.name for path in job.iterdir()) == left
    sweep(catalog, waters, tmp_path / "unbroken", products=PRODUCTS[:2], rates=Rates(region="aldervane"))
    assert rows_in(job) == rows_in(tmp_path / "unbroken")


def test_a_killed_worker_loses_no_part(catalog: Catalog, tmp_path: Path) -> None:
    """Its part is asked again by another."""
    killed: list[int] = []

    def kill(_: int, __: int) -> None:
        for child in Path(f"/proc/{os.getpid()}/task").glob("*/children"):
            for server in child.read_text().split():
                for inner in Path(f"/proc/{server}/task").glob("*/children"):
                    for worker in inner.read_text().split()[:1]:
                        if not killed:
                            os.kill(int(worker), signal.SIGKILL)
                            killed.append(int(worker))

    waters = waters_file(tmp_path, 8)
    sweep(catalog, waters, tmp_path / "job", products=["urea"], rows_at_once=1, workers=2, progress=kill)
    assert killed
    assert len(rows_in(tmp_path / "job")) == 8


@pytest.mark.parametrize("damage", ["gone", "empty", "cut off", "of fewer waters"])
def test_a_damaged_part_is_written_anew(damage: str, catalog: Catalog, tmp_path: Path) -> None:
    waters, job = waters_file(tmp_path, 3), tmp_path / "job"
    first = sweep(catalog, waters, job, products=["urea"], rows_at_once=2)
    rows, part = rows_in(job), first.parts[0]
    match damage:
        case "gone":
            part.unlink()
        case "empty":
            part.write_bytes(b"")
        case "cut off":
            part.write_bytes(part.read_bytes()[:-10])
        case _:
            part.write_bytes(first.parts[1].read_bytes())
    again = sweep(catalog, waters, job, products=["urea"], rows_at_once=2)
    assert (again.before, rows_in(job)) == (1, rows)


@pytest.mark.parametrize(
    ("poured_on", "tested_on", "old"), [(None, "2027-06-01", False), ("2026-07-01", "2022-02-02", True)]
)
def test_the_day_of_the_pours(
    poured_on: str | None, tested_on: str, old: bool, catalog: Catalog, tmp_path: Path
) -> None:
    """No clock is asked: without a day the newest test is taken, with one the newest until then."""
    waters, job = tmp_path / "waters.csv", tmp_path / "job"
    waters.write_text(f"{HEAD}\nA,2022-02-02,7,10,20\nA,2027-06-01,7,90,200\n")
    day = date.fromisoformat(poured_on) if poured_on else None
    sweep(catalog, waters, job, products=["urea"], rates=Rates(region="aldervane"), poured_on=day)
    ((_, _, when, *_, rules, _),) = rows_in(job)
    assert (when.isoformat(), "water-test-old" in rules) == (tested_on, old)


# --- refused --------------------------------------------------------------------------------------


def test_another_question_is_refused(catalog: Catalog, tmp_path: Path) -> None:
    """What would mix verdicts of two questions in a folder is refused, and nothing in it changes."""
    waters, job = waters_file(tmp_path, 2), tmp_path / "job"
    sweep(catalog, waters, job, products=["urea"])
    before = {path: path.read_bytes() for path in job.iterdir()}
    others: dict[str, Callable[[], object]] = {
        "waters": lambda: sweep(catalog, waters_file(tmp_path, 3, "more.csv"), job, products=["urea"]),
        "products": lambda: sweep(catalog, waters, job, products=["urea", "gypsum"], rows_at_once=4000),
        "rates": lambda: sweep(catalog, waters, job, products=["urea"], rates=Rates(dry="2 lb")),
        "poured_on": lambda: sweep(catalog, waters, job, products=["urea"], poured_on=date(2026, 7, 1)),
        "waters_in_a_part": lambda: sweep(catalog, waters, job, products=["urea"], rows_at_once=1),
    }
    for what, other in others.items():
        with pytest.raises(InputError, match=f"holds a job with other {what}; choose another folder"):
            other()
    assert {path: path.read_bytes() for path in job.iterdir()} == before


def test_a_catalog_that_changed_is_refused(tmp_path: Path) -> None:
    """Verdicts of two states of the catalog do not stand in one folder."""
    place = tmp_path / "own.sqlite3"
    Catalog.open(str(place), new=True).close()
    waters, job = waters_file(tmp_path, 3), tmp_path / "job"
    with Catalog.open(str(place)) as own:
        urea = own.product("urea")

        def change(_: int, __: int) -> None:
            own.save(urea.model_copy(update={"notes": "changed"}))

        with pytest.raises(InputError, match="catalog: was changed while the job ran"):
            sweep(own, waters, job, products=["urea"], rows_at_once=1, progress=change)
        with pytest.raises(InputError, match="holds a job with other catalog"):
            sweep(own, waters, job, products=["urea"], rows_at_once=1)


def damaged(folder: Path) -> Path:
    """A Parquet file that is none."""
    path = folder / "waters.parquet"
    path.write_bytes(b"PAR1 and no more")
    return path


REFUSED: dict[str, tuple[str | None, str]] = {
    "no file": (None, "waters.csv: cannot be read"),
    "no row": (HEAD, "waters.csv: holds no water; write a row for each test"),
    "products": ("Name,Form,Grade\nFeed,dry,1-0-0", "waters.csv: holds products and no wells; head its columns as"),
    "no header": ("fish,dish\n1,2", "waters.csv: has no header that is known"),
    "a bad cell": (f"{HEAD}\nA,2026-01-01,77,10,20\nB,2026-01-01,x,10,20", "waters.csv, row 2, pH: "),
    "how many more": (f"{HEAD}\nA,2026-01-01,77,10,20\nB,2026-01-01,x,10,20", "(and 1 more faults)"),
    "no test": ("Well,About the well\nA,deep", "has no water test; add one"),
    "no test until then": (f"{HEAD}\nA,2099-01-01,7,10,20", "row 2, Tested on: has no test of 2026-07-01 or before"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_waters_that_cannot_be_read(name: str, catalog: Catalog, tmp_path: Path) -> None:
    text, told = REFUSED[name]
    if text is not None:
        (tmp_path / "waters.csv").write_text(text + "\n")
    with pytest.raises(InputError) as refused:
        sweep(catalog, tmp_path / "waters.csv", tmp_path / "job", products=["urea"], poured_on=date(2026, 7, 1))
    assert told in str(refused.value)
    assert not (tmp_path / "job").exists()


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda job: (job / "notes.txt").write_text("mine"), "is not empty, and holds no job"),
        (lambda job: (job / "sweep.json").write_text("{"), "sweep.json: is no file of a job"),
        (lambda job: (job / "sweep.json").write_text('{"poured_on": 7}'), "sweep.json: is no file of a job"),
        (lambda job: (job / "sweep.json").write_bytes(b"\xff"), "sweep.json: is no file of a job"),
        (
            lambda job: (job / "sweep.json").write_text('{"schema": "pourcheck.sweep/2"}'),
            "holds a job with other schema",
        ),
        (lambda job: (job / "sweep.json").write_text("[]"), "sweep.json: is no file of a job"),
    ],
)
def test_a_folder_of_something_else(
    change: Callable[[Path], object], told: str, catalog: Catalog, tmp_path: Path
) -> None:
    job = tmp_path / "job"
    job.mkdir()
    change(job)
    with pytest.raises(InputError, match=told):
        sweep(catalog, waters_file(tmp_path, 1), job, products=["urea"])
    assert not list(job.glob("*.parquet"))


def test_two_jobs_in_one_folder(catalog: Catalog, tmp_path: Path) -> None:
    """The second is told, and the first goes on."""
    waters, job = waters_file(tmp_path, 2), tmp_path / "job"
    told: list[str] = []

    def second(_: int, __: int) -> None:
        with pytest.raises(InputError, match="is being worked in by another process") as refused:
            sweep(catalog, waters, job, products=["urea"], rows_at_once=1)
        told.append(str(refused.value))

    sweep(catalog, waters, job, products=["urea"], rows_at_once=1, progress=second)
    assert len(told) == 2


@pytest.mark.parametrize(
    ("rates", "told"),
    [(Rates(dry="1 furlong"), "furlong"), (Rates(inject="1:0"), "ratio"), (Rates(bucket=""), "bucket")],
)
def test_rates_that_make_no_sense(rates: Rates, told: str, catalog: Catalog, tmp_path: Path) -> None:
    """They are refused before anything is begun."""
    with pytest.raises(InputError, match=told):
        sweep(catalog, waters_file(tmp_path, 1), tmp_path / "job", products=["urea"], rates=rates)
    assert not (tmp_path / "job").exists()


# --- the command ----------------------------------------------------------------------------------


def test_the_command(call: Any, catalog: Catalog, tmp_path: Path) -> None:
    words = ("region", "sweep", "aldervane", str(waters_file(tmp_path, 3)), "--to", str(tmp_path / "job"))
    options = ("--product", "MAP", "--product", "urea", "--db", catalog.database)
    ran = call(*words, *options)
    assert (ran.code, ran.err) == (0, "")
    assert "Percent of 3 waters." in ran.out
    assert ran.out.endswith("job: 6 verdicts in 1 part\n")
    assert max(map(len, ran.out.splitlines()[:-1])) <= 80
    again = json.loads(call(*words, *options, "--json").out)
    assert (again["rows"], again["parts"], again["parts_before"]) == (6, 1, 1)
    assert {share["product"] for share in again["shares"]} == {"monoammonium-phosphate", "urea"}


def test_the_command_leaves_bad_rows_out(call: Any, catalog: Catalog, tmp_path: Path) -> None:
    """What was left out is told on standard error, each by file, row and field; the rest is done, and the exit code is
    0. Without the option nothing is done, and it is 2."""
    waters, rejects = tmp_path / "bad.csv", tmp_path / "rejects.csv"
    waters.write_text(BAD)
    words = ("region", "sweep", "aldervane", str(waters), "--to", str(tmp_path / "all.csv"), "--product", "urea")
    options = ("--poured-on", "2026-07-01", "--db", catalog.database)
    refused = call(*words, *options)
    assert (refused.code, refused.out) == (2, "")
    assert f"{waters}, row 3, pH: " in refused.err
    assert not (tmp_path / "all").exists()
    ran = call(*words, *options, "--skip-bad", str(rejects))
    assert ran.code == 0
    assert ran.err.splitlines() == [f"pourcheck: {waters}, {one}" for one in FAULTS]
    assert ran.out.endswith(f"all.csv: 2 verdicts in 1 part\n4 rows left out, in {rejects}\n")
    assert len((tmp_path / "all.csv").read_text("utf-8-sig").splitlines()) == 3
    again = json.loads(call(*words, *options, "--skip-bad", str(rejects), "--json").out)
    assert (again["rows"], again["left_out"], again["parts_before"]) == (2, 4, 1)


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (("--listed",), "has no product on its list"),
        (("--skip-bad", "rejects.doc"), "rejects.doc: is neither CSV nor XLSX; save it as .csv or .xlsx"),
        (("--listed", "--product", "urea"), "--listed: is given, and so is --product"),
        (("--product", "uera"), 'unknown product "uera"'),
        (("--poured-on", "May"), "--poured-on: is not a day; write 2026-05-12"),
    ],
)
def test_the_command_refuses(options: tuple[str, ...], told: str, call: Any, catalog: Catalog, tmp_path: Path) -> None:
    waters = str(waters_file(tmp_path, 1))
    ran = call(
        "region", "sweep", "aldervane", waters, "--to", str(tmp_path / "job"), "--db", catalog.database, *options
    )
    assert (ran.code, ran.out) == (2, "")
    assert told in ran.err
    assert ran.err.count("\n") == 1


def test_a_parquet_file_that_is_none(catalog: Catalog, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"waters.parquet: is no Parquet file that can be read; write it anew"):
        sweep(catalog, damaged(tmp_path), tmp_path / "job", products=["urea"])


def test_without_its_library(catalog: Catalog, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "duckdb", None)
    with pytest.raises(InputError, match=r'install it: pip install "pourcheck\[jobs\]"'):
        sweep(catalog, waters_file(tmp_path, 1), tmp_path / "job", products=["urea"])


@pytest.mark.parametrize(
    ("limit", "told"),
    [("fsize", "cannot be written (File too large); make room"), ("memory", "cannot be written (Out of Memory")],
)
def test_no_room(limit: str, told: str, catalog: Catalog, tmp_path: Path) -> None:
    """Where a part cannot be written it is told in one line, nothing half is left, and the job goes on later."""
    code = f"""
import resource, sys
from pourcheck.rules.cli import main
from pourcheck.rules.serve import columnar, sweep
begun = sweep._begun
def then(*asked):
    begun(*asked)
    if {limit!r} == "fsize":
        resource.setrlimit(resource.RLIMIT_FSIZE, (300, 300))
    else:
        columnar.MEMORY = "1KB"
sweep._begun = then
main()
"""
    waters, job = waters_file(tmp_path, 3), tmp_path / "job"
    words = ("region", "sweep", "aldervane", str(waters), "--to", str(job), "--product", "urea")
    done = subprocess.run(
        [sys.executable, "-c", code, *words, "--db", catalog.database], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert told in done.stderr
    assert done.stderr.count("\n") == 1
    assert sorted(path.name for path in job.iterdir()) == [".lock", "sweep.json"]
    assert sweep(catalog, waters, job, products=["urea"], rates=Rates(region="aldervane")).rows == 3
