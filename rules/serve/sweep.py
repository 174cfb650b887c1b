"""All products in all waters of a state: a job of many parts, taken up again where it was cut off.

The folder of a job holds `sweep.json`, which says what is asked, and a Parquet file for each part: so many waters, with
the verdict of every product in each. A part is written whole or not at all; one that is there is not asked again. A
job that would mix what belongs to two questions (other waters, another revision of a product, other rates) is refused.
"""

from __future__ import annotations

import hashlib
import json
import logging
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from datetime import date
from itertools import islice
from pathlib import Path
from typing import Any

from ...catalog import Catalog, InputError
from ...catalog.exchange import files
from ...catalog.exchange.cells import Cell
from ...catalog.exchange.files import replaced
from ...catalog.exchange.rows import CellFault
from ...catalog.store.kinds import id_of
from ..answer.assess import one_thread
from ..answer.echo import program
from ..instead.table import Rates, cells_in
from ..policy.region import region_of
from . import columnar
from .batch import Worker, processes
from .waters import Water, read_waters

#: What a part holds, with SQL's types.
COLUMNS = {
    "water_id": "VARCHAR", "water": "VARCHAR", "tested_on": "DATE", "product_id": "VARCHAR", "product": "VARCHAR",
    "amount": "VARCHAR", "verdict": "VARCHAR", "rules": "VARCHAR[]", "fault": "VARCHAR",
}  # fmt: skip
SCHEMA = "pourcheck.sweep/1"
#: Rows of a part, where it is not told: so many are held at once by each process, and so many are lost by a kill.
ROWS = 2000
_TRIES = 3
_log = logging.getLogger(__name__)
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Share:
    """How often a product is clear, caution, unknown, stop; faults: of the unknown ones, those that could not be asked
    at all (too much for the bucket, a liquid without density)."""

    product: str
    name: str
    waters: int
    clear: int
    caution: int
    unknown: int
    stop: int
    faults: int


@dataclass(frozen=True, slots=True)
class Swept:
    """What became of a job. rows: verdicts that its folder holds; parts: its files; before: how many of them were there
    when it was taken up; shares: by product, the one that is stopped most often first. left_out: rows of the file of
    waters that were; faults: what is wrong with them."""

    rows: int
    parts: tuple[Path, ...]
    before: int
    shares: tuple[Share, ...]
    left_out: int = 0
    faults: tuple[CellFault, ...] = ()


@dataclass(frozen=True, slots=True)
class _Part:
    """What a process is given: a file to write, and what belongs into it."""

    path: Path
    waters: tuple[Water, ...]
    products: tuple[str, ...]
    rates: Rates
    day: str | None
    state: str


def sweep(
    catalog: Catalog,
    waters: str | Path,
    folder: str | Path,
    *,
    products: Sequence[str] | None = None,
    rates: Rates | None = None,
    poured_on: date | None = None,
    workers: int = 1,
    rows_at_once: int = ROWS,
    skip_bad: str | Path | None = None,
    progress: Progress | None = None,
) -> Swept:
    """The verdict of every product, poured alone, in every water of a file; into a folder, which may hold some already.

    waters: .csv, .xlsx or .parquet, with the columns of a spreadsheet of wells; of a well the newest test is taken.
    folder: where it is named as a .csv file, one is made of the verdicts in the end, and the job's folder is that of
    this name without ".csv". skip_bad: a file, CSV or XLSX, for the rows of waters that have faults and are left out.
    products: ids or names; all of the catalog where left out. poured_on: day of all pours; of a well the newest test
    until then is taken. workers: processes that share the work. rows_at_once: the most rows of a part, unless one water
    has more. progress: called with the number of verdicts that are there, and of those that there will be.
    Raises: InputError: waters that cannot be read, an unknown product, rates that make no sense, or a folder that holds
    another job; nothing is written then. ValueError: workers or rows_at_once below 1.

    >>> import tempfile
    >>> from pourcheck import Catalog
    >>> with tempfile.TemporaryDirectory() as place, Catalog.open("sqlite://") as catalog:
    ...     file = Path(place) / "waters.csv"
    ...     _ = file.write_text("Well,pH,Calcium (mg/L),Alkalinity (mg/L CaCO3)\\nHill Well,7.6,95,210\\n")
    ...     swept = sweep(catalog, file, Path(place) / "job", products=["technical MAP"])
    >>> swept.shares[0].stop
    1
    """
    if workers < 1 or rows_at_once < 1:
        raise ValueError(f"workers is {workers} and rows_at_once is {rows_at_once}; give 1 or more")
    rates, to = rates or Rates(), Path(folder)
    as_csv = to.suffix.lower() == ".csv"
    if to.suffix.lower() in {".parquet", ".xlsx"}:
        raise InputError("is no folder", where=str(to), mend="name a folder for Parquet files, or a .csv file")
    place, rejects = to.with_suffix("") if as_csv else to, Path(skip_bad) if skip_bad is not None else None
    if rejects is not None:
        files.check_suffix(rejects)
    with catalog.snapshot():
        found = tuple(dict.fromkeys(catalog.product(name).id for name in products)) if products is not None else None
        ids = found if found is not None else tuple(one.id for one in catalog.products())
        state = _state(catalog, rates)
    if not ids:
        raise InputError("no product is given", where="products", mend="name one, or leave them out for all")
    day = poured_on.isoformat() if poured_on is not None else None
    found_waters = read_waters(Path(waters), poured_on, skip_bad=rejects is not None)
    read = found_waters.waters
    in_part = max(1, rows_at_once // len(ids))
    asked: dict[str, Any] = {
        "schema": SCHEMA,
        "program": program().version,
        "waters": _digest([(one.id, one.name, one.items) for one in read]),
        "products": _digest(ids),
        "catalog": state,
        "rates": asdict(rates),
        "poured_on": day,
        "waters_in_a_part": in_part,
    }
    _tried(catalog, read[0], ids[0], rates, day)
    with _alone_in(place):
        _begun(place, asked)
        if rejects is not None and found_waters.rejected:
            files.write(rejects, [files.Table("Wells", found_waters.titles, found_waters.rejected)])
        swept = _gone_on(catalog, place, read, ids, rates, day, state, in_part, workers, progress)
        if as_csv:
            files.write(to, [files.Table("verdicts", list(COLUMNS), _cells_of(swept.parts))])
    return replace(swept, left_out=len(found_waters.rejected), faults=tuple(found_waters.faults))


def _gone_on(
    catalog: Catalog,
    place: Path,
    read: Sequence[Water],
    ids: tuple[str, ...],
    rates: Rates,
    day: str | None,
    state: str,
    in_part: int,
    workers: int,
    progress: Progress | None,
) -> Swept:
    """Ask what is missing."""
    parts = [
        _Part(place / f"part-{number:06}.parquet", tuple(read[start : start + in_part]), ids, rates, day, state)
        for number, start in enumerate(range(0, len(read), in_part))
    ]
    missing = [part for part in parts if columnar.count_of(part.path) != len(part.waters) * len(ids)]
    rows = sum(len(part.waters) for part in parts) * len(ids)
    done = rows - sum(len(part.waters) for part in missing) * len(ids)
    for part in _written(missing, catalog, workers):
        done += len(part.waters) * len(ids)
        if progress is not None:
            progress(done, rows)
    paths = tuple(part.path for part in parts)
    return Swept(rows, paths, len(parts) - len(missing), _shares(paths))


# --- the job's folder -------------------------------------------------------------------------------


def _digest(data: object) -> str:
    return hashlib.sha256(json.dumps(data, sort_keys=True).encode()).hexdigest()[:16]


def _state(catalog: Catalog, rates: Rates) -> str:
    """The revisions of all products and the region's policy, as one word: labels name sources, and those are products
    too."""
    products = [(id_of(one), catalog.current("product", id_of(one)).number) for one in catalog.records("product")]
    return _digest([products, region_of(rates.region, catalog).model_dump(mode="json")])


def _tried(catalog: Catalog, water: Water, product: str, rates: Rates, day: str | None) -> None:
    """Ask once, so that rates that make no sense are refused before anything is begun. Raises: InputError."""
    with catalog.snapshot(), one_thread():
        for _ in cells_in(water.items, [catalog.product(product)], catalog, rates, day):
            pass


@contextmanager
def _alone_in(folder: Path) -> Iterator[None]:
    """Holds a folder, made where it is missing, against a second job; a killed one holds nothing, and what it left
    half written is taken away. Raises: InputError: another process works in it, or it cannot be used."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = (folder / ".lock").open("w")
    except OSError as error:
        raise InputError(f"cannot be used ({error.strerror})", where=str(folder), mend="choose another") from None
    with lock:
        try:
            from fcntl import LOCK_EX, LOCK_NB, flock

            flock(lock, LOCK_EX | LOCK_NB)
        except ImportError:  # a system without such locks
            pass
        except OSError:
            raise InputError(
                "is being worked in by another process", where=str(folder), mend="wait for it, or choose another folder"
            ) from None
        for left in folder.glob(".part-*"):
            left.unlink(missing_ok=True)
        yield


def _begun(folder: Path, asked: Mapping[str, Any]) -> None:
    """Say in the folder what is asked in it. Raises: InputError: it holds something else."""
    file = folder / "sweep.json"
    try:
        if file.exists():
            there = json.loads(file.read_text("utf-8"))
            if there == asked:
                return
            if not isinstance(there, dict) or "schema" not in there:
                raise ValueError
            other = ", ".join(name for name in asked if there.get(name) != asked[name])
            mend = "choose another folder for this one"
            raise InputError(f"holds a job with other {other or 'facts'}", where=str(folder), mend=mend)
        if any(one.name != ".lock" for one in folder.iterdir()):
            raise InputError("is not empty, and holds no job", where=str(folder), mend="choose another folder")
    except OSError as error:
        raise InputError(f"cannot be used ({error.strerror})", where=str(folder), mend="choose another") from None
    except ValueError:
        raise InputError("is no file of a job", where=str(file), mend="choose another folder") from None
    with replaced(file) as beside:
        beside.write_text(json.dumps(asked, indent=2) + "\n", "utf-8")


# --- the work ---------------------------------------------------------------------------------------


def _write_part(part: _Part, catalog: Catalog) -> None:
    with catalog.snapshot(), one_thread():
        if _state(catalog, part.rates) != part.state:
            raise InputError("was changed while the job ran", where="catalog", mend="begin it anew in another folder")
        products = [catalog.product(id_) for id_ in part.products]
        rows = [
            (
                water.id, water.name, water.items.get("tested_on"), product.id, product.name,
                part.rates.of(product), cell.verdict, list(cell.rules), cell.fault or None,
            )
            for water in part.waters
            for product, cell in cells_in(water.items, products, catalog, part.rates, part.day)
        ]  # fmt: skip
    columnar.write(part.path, COLUMNS, rows)


def _write_in_worker(part: _Part) -> None:
    _write_part(part, Worker.catalog)


def _written(parts: Sequence[_Part], catalog: Catalog, workers: int) -> Iterator[_Part]:
    """Each part when it is written."""
    if workers == 1 or catalog.place.in_memory:
        for part in parts:
            _write_part(part, catalog)
            yield part
        return
    rest = iter(parts)
    waiting: deque[_Part] = deque()
    for tries in range(_TRIES):
        try:
            with processes(catalog.place, workers) as pool:
                given: deque[Future[None]] = deque(pool.submit(_write_in_worker, part) for part in waiting)
                while True:
                    for part in islice(rest, max(0, 2 * workers - len(given))):
                        waiting.append(part)
                        given.append(pool.submit(_write_in_worker, part))
                    if not given:
                        return
                    given.popleft().result()
                    yield waiting.popleft()
        except BrokenProcessPool:
            if tries == _TRIES - 1:
                raise
            _log.warning("a worker was killed; its part is asked again")


def _cells_of(parts: Sequence[Path]) -> Iterator[list[Cell]]:
    """Rows of all parts as a spreadsheet has them, one after the other."""
    for part in parts:
        for row in islice(columnar.rows_of(part), 1, None):
            yield [", ".join(value) if isinstance(value, list) else value for value in row]


_SHARES = """
SELECT product_id, any_value(product), count(*), count(*) FILTER (verdict = 'clear'),
    count(*) FILTER (verdict = 'caution'), count(*) FILTER (verdict = 'unknown'), count(*) FILTER (verdict = 'stop'),
    count(fault)
FROM read_parquet(?) GROUP BY product_id ORDER BY 7 DESC, 6 DESC, 5 DESC, 1
"""


def _shares(paths: Sequence[Path]) -> tuple[Share, ...]:
    return tuple(Share(*row) for row in columnar.query(_SHARES, paths))
