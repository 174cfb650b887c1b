"""The day of a pour: stated, or none; no answer goes by the clock, but that on a person's screen."""

from __future__ import annotations

import ast
import gc
import json
import sys
import threading
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from pourcheck import Catalog, InputError, WaterTest, check, check_each, remedy, split, swap
from pourcheck.catalog import Well
from pourcheck.rules.ask.day import RELEASED
from pourcheck.rules.instead.table import verdict_table

RULES = Path(__file__).parent.parent.parent / "rules"


@pytest.fixture(scope="module")
def tested(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Catalog]:
    """A catalog with a well that was tested three times, the last time in a year to come."""
    with Catalog.open(tmp_path_factory.mktemp("tested") / "catalog.sqlite3", new=True) as catalog:
        days = {"2015-04-01": 90, "2025-04-01": 95, "2061-04-01": 100}
        tests = tuple(
            WaterTest.model_validate({"tested_on": day, "ph": 7.4, "calcium": f"{calcium} mg/L"})
            for day, calcium in days.items()
        )
        catalog.save(Well(id="upper-well", name="Upper Well", test=tests))
        yield catalog


def pour(poured_on: str | None = None, **water: Any) -> dict[str, Any]:
    """Two products that need swaps and buckets."""
    told = {
        "product": [{"name": name, "amount": "8 oz"} for name in ("calcium nitrate", "technical MAP")],
        "bucket": {"volume": "5 gal"},
        "water": water or {"name": "upper-well"},
        "injection": {"ratio": "1:100"},
    }
    return told if poured_on is None else {**told, "poured_on": poured_on}


OLD, NEWER = {"ph": 7.4, "tested_on": "2015-04-01"}, {"ph": 7.4, "tested_on": "2026-04-01"}


@pytest.mark.parametrize(
    ("poured_on", "water", "used", "told"),
    [
        ("2015-06-01", {}, "2015-04-01", None),
        ("2020-06-01", {}, "2015-04-01", "is 5 years old"),
        ("2025-06-01", {}, "2025-04-01", None),
        ("2062-06-01", {}, "2061-04-01", None),
        (None, {}, "2061-04-01", None),  # not known to be in the future
        (None, {"name": "upper-well", "test_of": "2015-04-01"}, "2015-04-01", "is at least 11 years old"),
        (None, {"name": "upper-well", "test_of": "2025-04-01"}, "2025-04-01", None),
        (None, OLD, "2015-04-01", "is at least 11 years old"),
        (None, NEWER, "2026-04-01", None),
        ("2035-04-01", NEWER, "2026-04-01", "is 9 years old"),
        ("2026-03-31", NEWER, "2026-04-01", "after the day of this pour"),
    ],
)
def test_which_water_test_and_its_age(
    tested: Catalog, poured_on: str | None, water: dict[str, Any], used: str, told: str | None
) -> None:
    """The newest test until the day of the pour, else of all; its age to that day, or to that of the release."""
    found = check(pour(poured_on, **water), tested, depth="verdict")
    assert [one.tested_on for one in found.used if one.kind == "well"] == [used]
    said = [one.message for one in found.findings if one.rule == "water-test-old"]
    assert [told in message for message in said if told] == [True] * (told is not None)
    assert bool(said) == (told is not None)
    assert (found.pour.day, found.pour.day_stated) == (poured_on or RELEASED.isoformat(), poured_on is not None)


def test_a_day_before_every_test_is_a_fault(tested: Catalog) -> None:
    with pytest.raises(InputError, match=r"has no test of 2010-01-01 or before; tests: 2015-04-01, .*; name one"):
        check(pour("2010-01-01"), tested)


def test_the_day_of_the_release_is_past() -> None:
    assert date.today() >= RELEASED


#: Functions of the standard library that tell the time or how much has gone by.
CLOCKS = {
    "today", "now", "utcnow", "time", "time_ns", "localtime", "gmtime", "ctime", "strftime", "monotonic",
    "monotonic_ns", "perf_counter", "perf_counter_ns", "process_time", "process_time_ns", "thread_time",
}  # fmt: skip


def test_no_clock_is_asked_for_an_answer(tested: Catalog) -> None:
    """Nothing that tells the time is called on the way from a pour to its answer; every call of a function that is
    built into the interpreter is seen."""
    asked: list[str] = []

    def seen(_: object, event: str, function: Any) -> None:
        owner = getattr(getattr(function, "__self__", None), "__name__", "")
        if event == "c_call" and owner in {"time", "date", "datetime"} and function.__name__ in CLOCKS:
            asked.append(function.__qualname__)

    questions: tuple[Callable[[], object], ...] = (
        lambda: check(pour(), tested),
        lambda: list(check_each([pour("2026-05-05")], tested)),
        lambda: swap(pour(), tested),
        lambda: remedy(pour(), tested),
        lambda: verdict_table(tested, ["urea"], ["upper-well"]),
        lambda: split(pour(), tested),
    )
    gc.disable()  # hypothesis takes the time of every collection
    threading.setprofile(seen)
    sys.setprofile(seen)
    try:
        for question in questions:
            question()
    finally:
        sys.setprofile(None)
        threading.setprofile(None)
        gc.enable()
    assert asked == []
    sys.setprofile(seen)
    date.today()
    sys.setprofile(None)
    assert asked == ["date.today"]  # it would have been seen


def test_only_commands_and_the_server_know_what_time_it_is() -> None:
    """No module that takes part in an answer names the day of today or the time of now."""
    for path in RULES.rglob("*.py"):
        if path.parent.name in {"cli", "serve"}:
            continue
        calls = {node.func for node in ast.walk(ast.parse(path.read_text("utf-8"))) if isinstance(node, ast.Call)}
        assert not {one.attr for one in calls if isinstance(one, ast.Attribute)} & CLOCKS, path


ASKED = ("check", "urea=1 lb", "--bucket", "5 gal", "--water", "upper-well", "--test-of", "2015-04-01", "--more")


def test_a_person_pours_today(call: Callable[..., Any], tested: Catalog) -> None:
    """On the screen an old test has the age of today, or of the day that is told; for programs that of no clock."""
    place = ("--db", tested.database)
    years = (date.today() - date(2015, 4, 1)).days / 365.25
    assert f"The water test is {years:.0f} years old" in call(*ASKED, *place).out
    assert "The water test is 5 years old" in call(*ASKED, "--poured-on", "2020-04-01", *place).out
    told = [
        json.loads(call(*ASKED[:-1], *more, "--json", *place).out)["pour"]
        for more in ((), ("--poured-on", "2020-04-01"))
    ]
    assert [(one["day"], one["day_stated"]) for one in told] == [(RELEASED.isoformat(), False), ("2020-04-01", True)]


def test_a_day_that_is_none(call: Callable[..., Any], tested: Catalog) -> None:
    ran = call(*ASKED, "--poured-on", "in May", "--db", tested.database)
    assert (ran.code, ran.err) == (2, "pourcheck: arguments: poured_on is not a day; write 2026-05-12\n")
