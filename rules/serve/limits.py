"""How many requests a client may make, and how such a limit is written."""

from __future__ import annotations

import re
import time
from array import array
from collections.abc import Callable, MutableSequence
from hashlib import blake2b

from ...catalog import InputError
from ...catalog.text import quoted

#: Clients are told apart by this many values of a digest: one in so many shares its rate with another.
CELLS = 65_536
_SECONDS = {"s": 1.0, "min": 60.0, "h": 3600.0}
_RATE = re.compile(r"(\d+(?:\.\d+)?)\s*/\s*(s|min|h)")


def rate_per_s(text: str) -> float | None:
    """Requests per second of a written rate; None for "none". Raises: InputError: it is no rate.

    >>> rate_per_s("50/s"), rate_per_s("120/min"), rate_per_s("none")
    (50.0, 2.0, None)
    """
    if text.strip().lower() == "none":
        return None
    found = _RATE.fullmatch(text.strip())
    if found is None or not float(found[1]) > 0:
        raise InputError(f"{quoted(text)} is no rate", where="--rate", mend='write "50/s", "600/min" or "none"')
    return float(found[1]) / _SECONDS[found[2]]


class Rates:
    """A client may ask as often as `per_s` allows, and save up the requests of a second, at least one.

    per_s: requests per second and client. cells: CELLS numbers, at first 0; in shared memory they hold for several
    processes together. salt: the same for all of them, and nobody else's to know. now: a clock [s] of all processes.

    Of each client one number is kept, the time at which it has used up nothing. It is read and written without a lock,
    which a killed process could hold for ever: two processes that are asked at the same instant may count one request
    for two.

    >>> clock = iter([1.0, 1.0, 1.0, 1.5, 1.5])
    >>> rates = Rates(2.0, now=lambda: next(clock))
    >>> [rates.wait_s("field-pc") for _ in range(5)]
    [0.0, 0.0, 0.5, 0.0, 0.5]
    """

    def __init__(
        self,
        per_s: float,
        cells: MutableSequence[float] | None = None,
        salt: bytes = b"",
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        self._each_s, self._saved_s = 1.0 / per_s, (max(per_s, 1.0) - 1.0) / per_s
        self._cells: MutableSequence[float] = array("d", bytes(8 * CELLS)) if cells is None else cells
        self._salt, self._now = salt, now

    def wait_s(self, client: str) -> float:
        """Seconds until the client may ask; 0 where it may now, and this counts as a request."""
        digest = blake2b(client.encode("utf-8", "replace"), digest_size=4, key=self._salt).digest()
        cell, now = int.from_bytes(digest) % CELLS, self._now()
        free = max(self._cells[cell], now)
        # A request is not refused for what rounding leaves of the time.
        wait = free - now - self._saved_s
        if wait > 1e-9:
            return wait
        self._cells[cell] = free + self._each_s
        return 0.0
