"""Many pours, one after the other or in several processes: a verdict or a fault for each, in their order."""

from __future__ import annotations

import logging
import multiprocessing
import os
from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from itertools import islice
from threading import Thread
from typing import Any

from ...catalog import Catalog, InputError, PourcheckError
from ...catalog.store.place import Place
from ..answer.fault import Fault
from ..answer.verdict import Depth, Verdict
from ..ask.pour import Pour
from ..check import check
from ..chemistry.newton import use_cores

#: A pour as it may be given.
AnyPour = Pour | Mapping[str, object]
#: Pours that a process takes at once, and how many such portions wait for each: so much is held, however many come.
_PORTION, _AHEAD = 4, 3
#: How often a portion is given to new processes when its own was killed.
_TRIES = 3
_log = logging.getLogger(__name__)


def check_each(
    pours: Iterable[AnyPour], catalog: Catalog, *, depth: Depth = "numbers", workers: int = 1
) -> Iterator[Verdict | Fault]:
    """`check` for each pour, in order, as they come: what is wrong with one is its Fault and stops no other.

    depth: as in `check`. workers: processes that share the work; a catalog in memory is asked by one
    alone, and so is one with workers=1. Pours are taken as they are needed, some ahead.
    Raises: ValueError: workers is below 1. CatalogError: the catalog cannot be read.

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
    Thread(target=end_with_parent, daemon=True).start()
    use_cores(1)  # the others work on other pours
    Worker.catalog = Catalog.at(place)


def end_with_parent() -> None:
    """End this process once the one that it works for is gone: killed, it could not say so."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(0)


def _portion(pours: Sequence[AnyPour], depth: Depth) -> list[Verdict | Fault]:
    with Worker.catalog.snapshot():
        return [_answer(pour, Worker.catalog, depth) for pour in pours]


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
    #: Portions that were not answered yet, the oldest first.
    waiting: deque[list[AnyPour]] = deque()
    for tries in range(_TRIES):
        try:
            with processes(place, workers) as pool:
                given: deque[Future[Any]] = deque(pool.submit(_portion, portion, depth) for portion in waiting)
                while True:
                    while len(given) < _AHEAD * workers and (portion := list(islice(rest, _PORTION))):
                        waiting.append(portion)
                        given.append(pool.submit(_portion, portion, depth))
                    if not given:
                        return
                    found = given.popleft().result()
                    waiting.popleft()
                    for answer in found:
                        if isinstance(answer, Fault) and answer.code == "internal":
                            # What its process logs is heard by nobody.
                            _log.error("a pour could not be checked: %s", answer.what)
                    yield from found
        except BrokenProcessPool:
            # A process was killed, for want of memory perhaps: what it had not answered is asked anew.
            if tries == _TRIES - 1:
                raise
            _log.warning("a worker was killed; its pours are checked again")
