"""Processes that work for the one that is asked: what takes too long in one is ended, and another started."""

from __future__ import annotations

import asyncio
import logging
import multiprocessing
import signal
import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from threading import Lock, Thread
from typing import Any, Concatenate, ParamSpec, TypeVar, cast

from ...catalog import Catalog, CatalogError
from ...catalog.store.place import Place
from ..chemistry.newton import use_cores
from .batch import end_with_parent
from .logs import log_to_stderr
from .refused import Busy, Ended, Refused, TooSlow

Answer = TypeVar("Answer")
Given = ParamSpec("Given")
_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class _Hand:
    """The process that works, and the way to it."""

    process: BaseProcess
    way: Connection

    def end(self) -> None:
        """End it, whatever it does."""
        self.process.kill()
        self.process.join()
        self.way.close()


class Workroom:
    """Processes with a catalog each; whichever is free takes what was asked first, so that none is idle while
    something waits.

    place: of the catalog. processes: how many. most_waiting: for each of them; more are not taken. within_s: what is
    not there so long after it was asked for is ended. The processes are started when they are first needed (or by
    `open`), and anew after they were ended.
    """

    def __init__(self, place: Place, processes: int, most_waiting: int, within_s: float) -> None:
        self._place, self._processes, self._within_s = place, processes, within_s
        self._most = processes * most_waiting
        #: For the chemistry of each; 0: all. Where there are several processes, the others check other pours.
        self._cores = 1 if processes > 1 else 0
        #: One of them talks with a process, so that nobody else waits.
        self._threads = ThreadPoolExecutor(processes)
        #: Processes that nobody talks with, the last that was left first; None: to be started.
        self._free: list[_Hand | None] = [None] * processes
        self._inside, self._lock, self._starting = 0, Lock(), Lock()

    def open(self) -> None:
        """Start the processes, and do not wait for them."""
        for _ in range(self._processes):
            self._threads.submit(self._start)

    async def ask(
        self,
        work: Callable[Concatenate[Catalog, Given], Answer],
        *given: Given.args,
        **named: Given.kwargs,
    ) -> Answer:
        """What some work gives with the catalog, done in the process; once more where the process was killed meanwhile.

        work: a function of a module, with plain data.
        Raises: Busy; TooSlow; Ended; Refused: as the work was refused.
        """
        return cast(Answer, await self._asked((work, given, named), again=True))

    async def ask_once(
        self,
        work: Callable[Concatenate[Catalog, Given], Answer],
        *given: Given.args,
        **named: Given.kwargs,
    ) -> Answer:
        """As `ask`, of work that saves: it is not done once more."""
        return cast(Answer, await self._asked((work, given, named), again=False))

    async def _asked(self, asked: tuple[Any, ...], *, again: bool) -> Any:
        until = time.monotonic() + self._within_s
        with self._lock:
            if self._inside >= self._most:
                raise Busy
            self._inside += 1
        future = self._threads.submit(self._do, asked, until, again)
        future.add_done_callback(self._left)
        try:
            # What was not begun in time never is: it is cancelled with its waiting.
            return await asyncio.wait_for(asyncio.wrap_future(future), self._within_s)
        except TimeoutError:
            raise TooSlow from None

    def _left(self, _: Future[Any]) -> None:
        with self._lock:
            self._inside -= 1

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
            hand.end()
        with self._starting:
            context = multiprocessing.get_context("spawn")
            here, there = context.Pipe()
            told = (there, self._place, self._cores)
            process = context.Process(target=_work, args=told, name="pourcheck work", daemon=True)
            process.start()
            there.close()  # so that its end is seen here
        return _Hand(process, here)

    def _do(self, asked: tuple[Any, ...], until: float, again: bool) -> Any:
        with self._lock:
            hand = self._free.pop()  # there are as many as threads
        try:
            for last in (not again, True):
                left = until - time.monotonic()
                if left <= 0.0:
                    raise TooSlow
                hand = self._ready(hand)
                try:
                    hand.way.send(asked)
                    if not hand.way.poll(left):
                        _log.warning("an answer took over %g s; its process is ended, another started", self._within_s)
                        hand.end()
                        hand = self._ready(None)
                        raise TooSlow
                    found = hand.way.recv()
                except (EOFError, OSError):
                    _log.warning("a process that works on requests ended (exit code %s)", hand.process.exitcode)
                    hand.end()
                    hand = None
                    if last:
                        raise Ended from None
                    continue
                if isinstance(found, Refused):
                    raise found
                return found
            raise Ended
        finally:
            self._give_back(hand)

    def close(self) -> None:
        """Finish what was begun, and end the processes."""
        self._threads.shutdown(wait=True)
        hands = [hand for hand in self._free if hand is not None]
        for hand in hands:
            hand.way.close()  # it ends where it is asked nothing more
        for hand in hands:
            hand.process.join(1.0)
            hand.end()


def _work(way: Connection, place: Place, cores: int) -> None:
    """The process: from its start until nobody asks any more."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # at a terminal it reaches all; the worker says when to end
    Thread(target=end_with_parent, daemon=True).start()
    log_to_stderr()
    if cores:
        use_cores(cores)
    catalog: Catalog | None = None
    while True:
        try:
            work, given, named = way.recv()
        except EOFError:
            break
        found: object
        try:
            catalog = catalog or Catalog.at(place)
            found = work(catalog, *given, **named)
        except Exception as error:
            if isinstance(error, CatalogError):
                _close(catalog)
                catalog = None  # opened anew for the next
            found = Refused.of(error)
        way.send(found)
    _close(catalog)


def _close(catalog: Catalog | None) -> None:
    if catalog is not None:
        try:
            catalog.close()
        except Exception:
            _log.warning("a catalog could not be closed", exc_info=True)
