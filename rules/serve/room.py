"""A thread with a catalog of its own, for what takes no time: records that are read one after the other."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from threading import Lock
from typing import TypeVar

from ...catalog import Catalog, CatalogError
from ...catalog.store.place import Place
from .hands import TooSlow
from .refused import Busy

Answer = TypeVar("Answer")
_log = logging.getLogger(__name__)


class Room:
    """A catalog is used by one thread at a time; this is the thread, and nobody else sees the catalog.

    place: of the catalog, opened when it is first needed, and anew after it could not be read. most_waiting: more are
    not taken.
    """

    def __init__(self, place: Place, most_waiting: int) -> None:
        self._place, self._most = place, most_waiting
        self._thread = ThreadPoolExecutor(1)
        self._catalog: Catalog | None = None
        self._inside, self._lock = 0, Lock()

    async def ask(self, work: Callable[[Catalog], Answer], within_s: float) -> Answer:
        """What the work gives with the catalog. Raises: Busy; TooSlow; whatever the work raises."""
        with self._lock:
            if self._inside >= self._most:
                raise Busy
            self._inside += 1
        future = self._thread.submit(self._do, work)
        future.add_done_callback(self._left)
        try:
            # What was not begun in time never is: it is cancelled with its waiting.
            return await asyncio.wait_for(asyncio.wrap_future(future), within_s)
        except TimeoutError:
            raise TooSlow from None

    def _left(self, _: Future[Answer]) -> None:
        with self._lock:
            self._inside -= 1

    def _do(self, work: Callable[[Catalog], Answer]) -> Answer:
        if self._catalog is None:
            self._catalog = Catalog.at(self._place)
        try:
            return work(self._catalog)
        except CatalogError:
            self._close()
            raise

    def _close(self) -> None:
        catalog, self._catalog = self._catalog, None
        if catalog is not None:
            try:
                catalog.close()
            except Exception:
                _log.warning("a catalog could not be closed", exc_info=True)

    def close(self) -> None:
        """Finish what was begun, and close the catalog."""
        self._thread.submit(self._close)
        self._thread.shutdown(wait=True)
