"""Processes that do what they are told, one thing after the other; what takes too long in one is ended with it."""

from __future__ import annotations

import logging
import multiprocessing
import os
import signal
import time
from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from threading import Lock, Thread
from typing import Any, NamedTuple

from ...catalog import Catalog, CatalogError
from ...catalog.store.place import Place
from ..chemistry.cores import use_cores
from .garbage import collect_seldom
from .logs import log_to_stderr

#: Within which a process is there that was started [s].
_START_S = 60.0
_log = logging.getLogger(__name__)


class TooSlow(Exception):
    """The answer was not there in time."""


class Ended(Exception):
    """The process that was to answer was killed, for want of memory perhaps."""


class Asked(NamedTuple):
    """What a process is to do: a function of a module, which gets its catalog first; all of it plain data."""

    work: Callable[..., Any]
    given: tuple[Any, ...]
    named: Mapping[str, Any]


class _Kind(NamedTuple):
    """What a process is told at its start: see `Hands`. cores: that its chemistry may use; 0: all."""

    place: Place
    cores: int
    raised: Callable[[Exception], Exception]
    logs: bool
    first: Callable[[Catalog], object] | None


class _Hand:
    """A process, and the way to it."""

    def __init__(self, kind: _Kind) -> None:
        context = multiprocessing.get_context("spawn")
        self._way, there = context.Pipe()
        self._ready = False
        self.process: BaseProcess = context.Process(
            target=_work, args=(there, kind), name="pourcheck work", daemon=True
        )
        self.process.start()
        there.close()  # so that its end is seen here

    def tell(self, asked: Asked, within_s: float, until: float | None) -> Any:
        """What it gives, see `Hands.begin`. Raises: TooSlow; EOFError, OSError: it was killed."""
        self._way.send(asked)
        if not self._ready:
            self._wait(_START_S if until is None else until - time.monotonic())
            self._ready = True
        return self._wait(within_s if until is None else until - time.monotonic())

    def _wait(self, most_s: float) -> Any:
        if not self._way.poll(max(0.0, most_s)):
            raise TooSlow
        return self._way.recv()

    def dismiss(self) -> None:
        """Let it end where it is asked nothing more."""
        self._way.close()

    def end(self) -> None:
        """End it, whatever it does."""
        self.process.kill()
        self.process.join()
        self._way.close()


class Hands:
    """Processes with a catalog each. Whichever is free takes what was asked first, so that none is idle while something
    waits; one that ended is started anew.

    place: of the catalog. count: of the processes. raised: what is raised here where something is raised there, a
    function of a module. logs: whether the processes write their events to standard error. first: a function of a
    module that a process does before all else.
    """

    def __init__(
        self,
        place: Place,
        count: int,
        *,
        raised: Callable[[Exception], Exception],
        logs: bool = False,
        first: Callable[[Catalog], object] | None = None,
    ) -> None:
        # Where there are several processes, the others check other pours.
        self._kind = _Kind(place, 1 if count > 1 else 0, raised, logs, first)
        self._count = count
        #: One of them talks with a process, so that nobody else waits.
        self._threads = ThreadPoolExecutor(count)
        #: Processes that nobody talks with, the last that was left first; None: to be started.
        self._free: list[_Hand | None] = [None] * count
        self._lock, self._starting = Lock(), Lock()
        #: Processes that were started and not seen to end.
        self._living: set[_Hand] = set()
        self._given_up = False

    def open(self) -> None:
        """Start the processes, and do not wait for them."""
        for _ in range(self._count):
            self._threads.submit(self._start)

    def begin(self, asked: Asked, within_s: float, *, until: float | None = None, again: bool = True) -> Future[Any]:
        """Have something done, as soon as a process is free; what it gives, or raises.

        within_s: longer it is not worked on. until: on the clock of `time.monotonic`, from when on nobody waits for it;
        None: the time counts from its beginning on. again: where its process was killed it is done once more.
        Raises (in the future): TooSlow; Ended; what `raised` makes of what was raised.
        """
        return self._threads.submit(self._do, asked, within_s, until, again)

    def _start(self) -> None:
        with self._lock:
            if None not in self._free:
                return
            self._free.remove(None)
        self._give_back(self._ready(None))

    def _give_back(self, hand: _Hand | None) -> None:
        with self._lock:
            self._free.append(hand)

    def _ready(self, hand: _Hand | None) -> _Hand:
        """A process that lives: this one, or a new one in its place."""
        if hand is not None and hand.process.is_alive():
            return hand
        if hand is not None:
            self._end(hand)
        with self._starting:
            if self._given_up:
                raise Ended
            hand = _Hand(self._kind)
            self._living.add(hand)
        return hand

    def _end(self, hand: _Hand) -> None:
        hand.end()
        self._living.discard(hand)

    def _do(self, asked: Asked, within_s: float, until: float | None, again: bool) -> Any:
        with self._lock:
            hand = self._free.pop()  # there are as many as threads
        try:
            for last in (not again, True):
                if until is not None and time.monotonic() >= until:
                    raise TooSlow
                hand = self._ready(hand)
                try:
                    found = hand.tell(asked, within_s, until)
                except TooSlow:
                    _log.warning("an answer took over %g s; its process is ended, another started", within_s)
                    self._end(hand)
                    hand = None
                    hand = self._ready(None)  # so that it is there for the next
                    raise
                except (EOFError, OSError):
                    if not self._given_up:
                        _log.warning("a process that works on answers ended (exit code %s)", hand.process.exitcode)
                    self._end(hand)
                    hand = None
                    if last:
                        raise Ended from None
                    continue
                if isinstance(found, Exception):
                    raise found
                return found
            raise Ended
        finally:
            self._give_back(hand)

    def close(self) -> None:
        """Finish what was begun, and end the processes."""
        self._threads.shutdown(wait=True)
        hands = list(self._living)
        for hand in hands:
            hand.dismiss()
        for hand in hands:
            hand.process.join(1.0)
            self._end(hand)

    def give_up(self) -> None:
        """End the processes, whatever they do."""
        with self._starting:
            self._given_up = True
        for hand in list(self._living):
            hand.process.kill()
        self._threads.shutdown(wait=True, cancel_futures=True)
        for hand in list(self._living):
            self._end(hand)


def begin_work(cores: int) -> None:
    """What a process that works for another does first. cores: that its chemistry may use; 0: all."""
    Thread(target=_end_with_parent, daemon=True).start()
    collect_seldom()
    if cores:
        use_cores(cores)


def _end_with_parent() -> None:
    """End this process once the one that it works for is gone: killed, it could not say so."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(0)


def _work(way: Connection, kind: _Kind) -> None:
    """The process: from its start until nobody asks any more."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # at a terminal it reaches all; who asks says when to end
    begin_work(kind.cores)
    if kind.logs:
        log_to_stderr()
    catalog: Catalog | None = None
    if kind.first is not None:
        with suppress(CatalogError):  # told to who asks
            catalog = Catalog.at(kind.place)
            kind.first(catalog)
    way.send(None)
    while True:
        try:
            asked: Asked = way.recv()
        except EOFError:
            break
        found: object
        try:
            catalog = catalog or Catalog.at(kind.place)
            found = asked.work(catalog, *asked.given, **asked.named)
        except Exception as error:
            if isinstance(error, CatalogError):
                _close(catalog)
                catalog = None  # opened anew for the next
            found = kind.raised(error)
        way.send(found)
    _close(catalog)


def _close(catalog: Catalog | None) -> None:
    if catalog is not None:
        try:
            catalog.close()
        except Exception:
            _log.warning("a catalog could not be closed", exc_info=True)
