"""What requests ask for, done in processes of their own: as many as wait for them are taken, and no more."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from concurrent.futures import Future
from threading import Lock
from typing import Any, Concatenate, ParamSpec, TypeVar, cast

from ...catalog import Catalog
from ...catalog.store.place import Place
from .hands import Asked, Hands, TooSlow
from .refused import Busy, Refused

Answer = TypeVar("Answer")
Given = ParamSpec("Given")


class Workroom:
    """Processes that work for requests.

    place: of the catalog. processes: how many. most_waiting: for each of them; more are not taken. within_s: what is
    not there so long after it was asked for is ended. The processes are started when they are first needed (or by
    `open`).
    """

    def __init__(self, place: Place, processes: int, most_waiting: int, within_s: float) -> None:
        self._hands = Hands(place, processes, raised=Refused.of, logs=True)
        self._most, self._within_s = processes * most_waiting, within_s
        self._inside, self._lock = 0, Lock()

    def open(self) -> None:
        """Start the processes, and do not wait for them."""
        self._hands.open()

    async def ask(
        self,
        work: Callable[Concatenate[Catalog, Given], Answer],
        *given: Given.args,
        **named: Given.kwargs,
    ) -> Answer:
        """What some work gives with the catalog, done in a process; once more where the process was killed meanwhile.

        work: a function of a module, with plain data.
        Raises: Busy; TooSlow; Ended; Refused: as the work was refused.
        """
        return cast(Answer, await self._asked(Asked(work, given, named), again=True))

    async def ask_once(
        self,
        work: Callable[Concatenate[Catalog, Given], Answer],
        *given: Given.args,
        **named: Given.kwargs,
    ) -> Answer:
        """As `ask`, of work that saves: it is not done once more."""
        return cast(Answer, await self._asked(Asked(work, given, named), again=False))

    async def _asked(self, asked: Asked, *, again: bool) -> Any:
        with self._lock:
            if self._inside >= self._most:
                raise Busy
            self._inside += 1
        future = self._hands.begin(asked, self._within_s, until=time.monotonic() + self._within_s, again=again)
        future.add_done_callback(self._left)
        try:
            # What was not begun in time never is: it is cancelled with its waiting.
            return await asyncio.wait_for(asyncio.wrap_future(future), self._within_s)
        except TimeoutError:
            raise TooSlow from None

    def _left(self, _: Future[Any]) -> None:
        with self._lock:
            self._inside -= 1

    def close(self) -> None:
        """Finish what was begun, and end the processes."""
        self._hands.close()
