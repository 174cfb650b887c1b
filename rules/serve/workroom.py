"""A process that works for a worker: what takes too long in it is ended, and the worker goes on."""

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
    """A process with a catalog of its own, in which one thing is done after the other.

    place: of the catalog. most_waiting: more are not taken. within_s: what is not there so long after it was asked for
    is ended. cores: that the chemistry may use; 0: all. The process is started when it is first needed (or by `open`),
    and anew after it was ended.
    """

    def __init__(self, place: Place, most_waiting: int, within_s: float, cores: int = 0) -> None:
        self._place, self._most, self._within_s, self._cores = place, most_waiting, within_s, cores
        #: Talks with the process, so that nobody else waits.
        self._thread = ThreadPoolExecutor(1)
        self._hand: _Hand | None = None
        self._inside, self._lock = 0, Lock()

    def open(self) -> None:
        """Start the process, and do not wait for it."""
        self._thread.submit(self._ready)

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
        future = self._thread.submit(self._do, asked, until, again)
        future.add_done_callback(self._left)
        try:
            # What was not begun in time never is: it is cancelled with its waiting.
            return await asyncio.wait_for(asyncio.wrap_future(future), self._within_s)
        except TimeoutError:
            raise TooSlow from None

    def _left(self, _: Future[Any]) -> None:
        with self._lock:
            self._inside -= 1

    def _ready(self) -> _Hand:
        if self._hand is not None and not self._hand.process.is_alive():
            self._hand.end()
            self._hand = None
        if self._hand is None:
            context = multiprocessing.get_context("spawn")
            here, there = context.Pipe()
            told = (there, self._place, self._cores)
            process = context.Process(target=_work, args=told, name="pourcheck work", daemon=True)
            process.start()
            there.close()  # so that its end is seen here
            self._hand = _Hand(process, here)
        return self._hand

    def _do(self, asked: tuple[Any, ...], until: float, again: bool) -> Any:
        for last in (not again, True):
            left = until - time.monotonic()
            if left <= 0.0:
                raise TooSlow
            hand = self._ready()
            try:
                hand.way.send(asked)
                if not hand.way.poll(left):
                    _log.warning("an answer took over %g s; its process is ended, another started", self._within_s)
                    hand.end()
                    self._ready()
                    raise TooSlow
                found = hand.way.recv()
            except (EOFError, OSError):
                _log.warning("a process that works for a worker ended (exit code %s)", hand.process.exitcode)
                hand.end()
                if last:
                    raise Ended from None
                continue
            if isinstance(found, Refused):
                raise found
            return found
        raise Ended

    def close(self) -> None:
        """Finish what was begun, and end the process."""
        self._thread.submit(self._dismiss)
        self._thread.shutdown(wait=True)

    def _dismiss(self) -> None:
        if self._hand is not None:
            self._hand.way.close()  # it ends where it is asked nothing more
            self._hand.process.join(1.0)
            self._hand.end()


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
