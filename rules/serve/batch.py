"""Many pours, one after the other or in several processes: a verdict or a fault for each, in their order."""

from __future__ import annotations

import logging
import multiprocessing
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from itertools import islice
from typing import Any

from ...catalog import Catalog, InputError, PourcheckError
from ...catalog.store.place import Place
from ..answer.fault import Fault
from ..answer.verdict import Depth, Verdict
from ..ask.pour import Pour
from ..check import check
from .hands import Asked, Ended, Hands, TooSlow, begin_work

#: A pour as it may be given.
AnyPour = Pour | Mapping[str, object]
#: A portion of pours is given to a process at once: as many as take about so long [s], and so many at most.
_PORTION_S, _PORTION_MOST = 0.1, 16
#: So many portions are given or waiting for each process, so that none is idle; and so many pours are taken at most for
#: each that are not yielded: where one takes long, the others go on with what comes after it, and so much is held.
_AHEAD, _HELD = 3, 64
#: How often a portion is given to new processes when its own was killed.
_TRIES = 3
_log = logging.getLogger(__name__)


def check_each(
    pours: Iterable[AnyPour],
    catalog: Catalog,
    *,
    depth: Depth = "numbers",
    workers: int = 1,
    limit_s: float | None = None,
) -> Iterator[Verdict | Fault]:
    """`check` for each pour, in order, as they come: what is wrong with one is its Fault and stops no other.

    depth: as in `check`. workers: processes that share the work; a catalog in memory is asked by one
    alone, and so is one with workers=1. Pours are taken as they are needed, some ahead. limit_s: how long a pour may
    take [s]; beyond, it is ended, and its Fault has the code "too-slow". With a limit also one worker is a process
    of its own, which is killed where it takes too long, and a catalog in memory cannot be asked.
    Raises: ValueError: workers is below 1, limit_s is not above 0, or it is given for a catalog in memory.
        CatalogError: the catalog cannot be read.

    >>> from pourcheck import Catalog, check_each
    >>> pours = [{"product": [{"name": name, "amount": "1 lb"}], "bucket": {"volume": "5 gal"}}
    ...          for name in ("rock phosphate", "rock fosfate")]
    >>> with Catalog.open("sqlite://") as catalog:
    ...     for answer in check_each(pours, catalog):
    ...         print(answer.verdict if isinstance(answer, Verdict) else answer.what)
    stop
    unknown product "rock fosfate"
    """
    if workers < 1:
        raise ValueError(f"workers is {workers}; give 1 or more")
    if limit_s is not None:
        return _limited(pours, _Limited(catalog, depth, workers, limit_s), workers)
    if workers == 1 or catalog.place.in_memory:
        return (_answer(pour, catalog, depth) for pour in pours)
    return _shared(pours, catalog.place, depth, workers)


def check_many(
    pours: Iterable[AnyPour], catalog: Catalog, *, depth: Depth = "numbers", workers: int = 1
) -> list[Verdict]:
    """The verdicts of all pours, as `check_each`. Raises: InputError: the first fault, and which pour has it.

    >>> from pourcheck import Catalog, check_many
    >>> with Catalog.open("sqlite://") as catalog:
    ...     check_many([], catalog)
    []
    """
    found = []
    for number, answer in enumerate(check_each(pours, catalog, depth=depth, workers=workers), start=1):
        if isinstance(answer, Fault):
            raise InputError(
                answer.what, where=", ".join(filter(None, (f"pour {number}", answer.path))), mend=answer.cure
            )
        found.append(answer)
    return found


def _answer(pour: AnyPour, catalog: Catalog, depth: Depth) -> Verdict | Fault:
    try:
        return check(pour, catalog, depth=depth)
    except InputError as error:
        return Fault.of(error)
    except PourcheckError:
        raise
    except Exception as error:
        _log.exception("a pour could not be checked")
        return Fault.internal(error)


# --- in several processes -----------------------------------------------------------------------


class Worker:
    """What a process of `processes` keeps: the catalog that it has opened."""

    catalog: Catalog


def _begin(place: Place) -> None:
    begin_work(1)  # the others work on other pours
    Worker.catalog = Catalog.at(place)


def _portion(pours: Sequence[AnyPour], depth: Depth) -> tuple[list[Verdict | Fault], float]:
    """Answers, and how long they took [s]."""
    start = time.perf_counter()
    with Worker.catalog.snapshot():
        answers = [_answer(pour, Worker.catalog, depth) for pour in pours]
    return answers, time.perf_counter() - start


@contextmanager
def processes(place: Place, workers: int) -> Iterator[ProcessPoolExecutor]:
    """So many processes, each with the catalog open (`Worker.catalog`); they end with this one, however it ends."""
    methods = multiprocessing.get_all_start_methods()
    context = multiprocessing.get_context("forkserver" if "forkserver" in methods else "spawn")
    if "forkserver" in methods:
        context.set_forkserver_preload([__name__])
    pool = ProcessPoolExecutor(workers, context, _begin, (place,))
    try:
        yield pool
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _shared(pours: Iterable[AnyPour], place: Place, depth: Depth, workers: int) -> Iterator[Verdict | Fault]:
    rest = iter(pours)
    #: Portions whose answers were not yielded yet, the oldest first.
    waiting: deque[list[AnyPour]] = deque()
    size = 1
    for tries in range(_TRIES):
        try:
            with processes(place, workers) as pool:
                given: deque[Future[Any]] = deque(pool.submit(_portion, portion, depth) for portion in waiting)
                while True:
                    while (
                        sum(not one.done() for one in given) < _AHEAD * workers
                        and sum(map(len, waiting)) + size <= _HELD * workers
                        and (portion := list(islice(rest, size)))
                    ):
                        waiting.append(portion)
                        given.append(pool.submit(_portion, portion, depth))
                    if not given:
                        return
                    if not given[0].done():
                        wait([one for one in given if not one.done()], return_when=FIRST_COMPLETED)
                        continue
                    found, seconds = given.popleft().result()
                    waiting.popleft()
                    size = min(_PORTION_MOST, max(1, int(_PORTION_S * len(found) / max(seconds, 1e-6))))
                    yield from map(_heard, found)
        except BrokenProcessPool:
            # A process was killed, for want of memory perhaps: what it had not answered is asked anew.
            if tries == _TRIES - 1:
                raise
            _log.warning("a worker was killed; its pours are checked again")


def _heard(answer: Verdict | Fault) -> Verdict | Fault:
    """An answer; what its process logs of it is heard by nobody."""
    if isinstance(answer, Fault) and answer.code == "internal":
        _log.error("a pour could not be checked: %s", answer.what)
    return answer


# --- within a time --------------------------------------------------------------------------------


class _Limited:
    """Processes that check pours, each within a time. limit_s: of a pour [s], from when a process begins with it."""

    def __init__(self, catalog: Catalog, depth: Depth, workers: int, limit_s: float) -> None:
        if not limit_s > 0.0:
            raise ValueError(f"limit_s is {limit_s:g}; give seconds, more than 0")
        if catalog.place.in_memory:
            raise ValueError("limit_s needs a catalog that another process can open; this one is in memory")
        self._depth, self._limit_s = depth, limit_s
        self._hands = Hands(catalog.place, workers, raised=_as_it_is, first=_tables_made)

    def begin(self, pour: AnyPour) -> Future[Any]:
        """Have a pour checked, for `answer`."""
        return self._hands.begin(Asked(_within, (pour, self._depth), {}), self._limit_s)

    def answer(self, begun: Future[Any]) -> Verdict | Fault:
        """The answer to a pour, once it is there. Raises: CatalogError."""
        try:
            found: Verdict | Fault = begun.result()
        except TooSlow:
            return Fault.too_slow(self._limit_s)
        except Ended as error:
            return _heard(Fault.internal(error))
        return _heard(found)

    def __enter__(self) -> _Limited:
        return self

    def __exit__(self, *_: object) -> None:
        self._hands.give_up()


@contextmanager
def asked_one_by_one(
    catalog: Catalog, depth: Depth, limit_s: float | None
) -> Iterator[Callable[[AnyPour], Verdict | Fault]]:
    """What answers one pour after the other, as `check_each` with one worker does."""
    if limit_s is None:
        yield lambda pour: _answer(pour, catalog, depth)
    else:
        with _Limited(catalog, depth, 1, limit_s) as limited:
            yield lambda pour: limited.answer(limited.begin(pour))


def _limited(pours: Iterable[AnyPour], limited: _Limited, workers: int) -> Iterator[Verdict | Fault]:
    rest = iter(pours)
    with limited:
        given: deque[Future[Any]] = deque()
        while True:
            # One more than can be worked on waits, so that none is idle; one worker takes a pour when it is asked for.
            while (
                sum(not one.done() for one in given) < (workers + 1 if workers > 1 else 1)
                and len(given) < _HELD * workers
                and (portion := list(islice(rest, 1)))
            ):
                given.append(limited.begin(portion[0]))
            if not given:
                return
            if not given[0].done() and workers > 1:
                wait([one for one in given if not one.done()], return_when=FIRST_COMPLETED)
                continue
            yield limited.answer(given.popleft())


def _within(catalog: Catalog, pour: AnyPour, depth: Depth) -> Verdict | Fault:
    return _answer(pour, catalog, depth)


def _as_it_is(error: Exception) -> Exception:
    """What a process raised, raised again; all but a CatalogError is a Fault already."""
    return error


def _tables_made(catalog: Catalog) -> None:
    """Check some pour, so that no other waits for what all need."""
    _answer({"product": [{"name": "urea", "amount": "1 oz"}], "bucket": {"volume": "5 gal"}}, catalog, "numbers")
