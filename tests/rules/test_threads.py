"""Checks from many threads, each with a catalog of its own or all with one: the same answers as from one thread."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest
from threadpoolctl import threadpool_info

from pourcheck import Catalog, check, remedy, split, swap
from pourcheck.catalog import Well
from pourcheck.rules.answer.blas import one_thread

THREADS = 8


def pour(*products: str, amount: str = "8 oz", ratio: str = "1:100", water: Any = "ridge-well") -> dict[str, Any]:
    """Products in a water."""
    return {
        "product": [{"name": name, "amount": amount} for name in products],
        "bucket": {"volume": "5 gal"},
        "injection": {"ratio": ratio},
        **({} if water is None else {"water": {"name": water} if isinstance(water, str) else water}),
    }


LABEL = {"name": "feed", "amount": "8 oz", "grade": "10-0-10", "derived_from": ["urea", "potassium chloride"]}
OPEN = {"name": "bloom", "amount": "8 oz", "grade": "9-45-15"}
POURS: list[dict[str, Any]] = [
    pour("technical MAP"),
    pour("calcium nitrate", "magnesium sulfate", amount="2 lb", water="brook-well"),
    pour("MAP", water=None),
    pour("potassium nitrate", amount="7 lb", ratio="1:200"),
    {**pour("urea"), "product": [LABEL]},
    {**pour("urea"), "product": [OPEN]},
    pour("urea", "potassium sulfate", water={"ph": 7.6, "calcium": "95 mg/L", "alkalinity": "210 mg/L CaCO3"}),
    {**pour("Alder Bloom 9-45-15"), "region": "aldervane"},
]


def digest(text: str) -> str:
    """A text in few letters."""
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def answers(catalog: Catalog, first: int = 0) -> dict[int, str]:
    """The answers to all pours, from one of them on, in few letters."""
    order = [(first + i) % len(POURS) for i in range(len(POURS))]
    found = {i: digest(check(POURS[i], catalog, depth="numbers").to_json()) for i in order}
    found[-1] = digest(str(swap(POURS[0], catalog)) + str(split(POURS[1], catalog)))
    if first % 4 == 0:  # two of the threads, as it takes long
        found[-2] = digest(check(POURS[3], catalog).to_json() + str(remedy(POURS[3], catalog)))
    return found


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def place(
    request: pytest.FixtureRequest, database: str, new_database: Callable[[], AbstractContextManager[str]]
) -> Iterator[str]:
    """A catalog on either kind of database."""
    if request.param == "sqlite":
        Catalog.open(database, new=True).close()
        yield database
    else:
        with new_database() as url:
            Catalog.open(url, new=True).close()
            yield url


@pytest.fixture(scope="module")
def expected(catalog: Catalog) -> dict[int, str]:
    """The answers from one thread."""
    return answers(catalog)


#: In a process of its own nothing is loaded or remembered when the threads begin.
FRESH = """
import json, sys, threading
from concurrent.futures import ThreadPoolExecutor
sys.path.insert(0, {folder!r})
from pourcheck import Catalog
import test_threads as t
begin, shared = threading.Barrier(t.THREADS), {shared}
one = Catalog.open({place!r}) if shared else None
def work(number):
    catalog = one or Catalog.open({place!r})
    begin.wait()
    return t.answers(catalog, number)
with ThreadPoolExecutor(t.THREADS) as threads:
    print(json.dumps(list(threads.map(work, range(t.THREADS)))))
"""


@pytest.mark.parametrize("shared", [True, False], ids=["one catalog", "a catalog each"])
def test_eight_threads_answer_as_one(place: str, expected: dict[int, str], shared: bool) -> None:
    script = FRESH.format(folder=str(Path(__file__).parent), place=place, shared=shared)
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False, timeout=300)
    assert done.returncode == 0, done.stderr
    told = [{int(i): text for i, text in one.items()} for one in json.loads(done.stdout)]
    for first, one in enumerate(told):
        assert one == {i: text for i, text in expected.items() if i != -2 or first % 4 == 0}


ALONE = """
import json, os, sys
sys.path.insert(0, {folder!r})
if {one_core} and hasattr(os, "sched_setaffinity"):
    os.sched_setaffinity(0, {{min(os.sched_getaffinity(0))}})
from pourcheck import Catalog
import test_threads as t
with Catalog.open({place!r}) as catalog:
    print(json.dumps(t.answers(catalog)))
"""


@pytest.mark.parametrize(
    ("environment", "one_core"),
    [
        ({"PYTHONHASHSEED": "1"}, False),
        ({"PYTHONHASHSEED": "2", "TZ": "Pacific/Kiritimati", "LC_ALL": "C"}, False),
        ({}, True),
    ],
    ids=["a seed of hashes", "another, and another place", "one core"],
)
def test_the_same_wherever_it_runs(
    database: str, expected: dict[int, str], environment: dict[str, str], one_core: bool
) -> None:
    """Neither the order of sets, nor where the machine stands, nor how many cores it has, changes an answer."""
    script = ALONE.format(folder=str(Path(__file__).parent), place=database, one_core=one_core)
    env = {**os.environ, **environment}
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, env=env)
    assert {int(i): text for i, text in json.loads(done.stdout).items()} == expected


@pytest.mark.parametrize("shared", [True, False], ids=["one catalog", "a catalog each"])
def test_what_one_thread_saves_the_others_see_whole(tmp_path: Path, shared: bool) -> None:
    """While a well is tested again and again, every answer rests on one of its tests, and never on an older one than
    the answer before."""
    file = str(tmp_path / "catalog.sqlite3")
    states = [{"id": "my-well", "name": "My Well", "ph": 7.5, "calcium": f"{20 + i} mg/L"} for i in range(12)]
    with Catalog.open(file, new=True) as writing:
        writing.save(Well.model_validate(states[0]))
        ended = threading.Event()

        def ask(_: int) -> list[float]:
            catalog = writing if shared else Catalog.open(file)
            found = []
            while not ended.is_set() or not found:
                told = check(pour("urea", water="my-well"), catalog, depth="verdict")
                found.append(told.pour.quantities["water_calcium"].value)
            return found

        with ThreadPoolExecutor(4) as threads:
            asked = [threads.submit(ask, i) for i in range(4)]
            for state in states[1:]:
                writing.save(Well.model_validate(state))
            ended.set()
            for one in asked:
                seen = one.result()
                assert set(seen) <= {20.0 + i for i in range(12)}
                assert seen == sorted(seen)


def blas_threads() -> list[int]:
    """Threads that the linear algebra may use."""
    return [one["num_threads"] for one in threadpool_info() if one["user_api"] == "blas"]


def test_the_limit_of_linear_algebra_ends_with_the_checks() -> None:
    """However checks of several threads overlap, they leave the process as they found it."""
    both = threading.Barrier(2)

    def first() -> None:
        with one_thread():
            both.wait(10)  # the second comes
        both.wait(10)  # and outlasts the first

    def second() -> None:
        both.wait(10)
        with one_thread():
            both.wait(10)

    before = blas_threads()
    with ThreadPoolExecutor(2) as threads:
        for asked in [threads.submit(first), threads.submit(second)]:
            asked.result()
    assert blas_threads() == before
    with one_thread(), one_thread():
        assert set(blas_threads()) == {1}
    assert blas_threads() == before
