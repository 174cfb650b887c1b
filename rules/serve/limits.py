"""How many requests a client may make, and how such a limit is written."""

from __future__ import annotations

import re
import time
from collections import OrderedDict
from collections.abc import Callable

from ...catalog import InputError
from ...catalog.text import quoted

#: Clients that are remembered at most; the one that was seen longest ago is forgotten first.
_CLIENTS = 10_000
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
    """A bucket of tokens per client: it holds what comes in within a second, at least one, and each request takes one.

    per_s: tokens per second and client. now: a clock [s].

    >>> clock = iter([0.0, 0.0, 0.0, 0.5, 0.5])
    >>> rates = Rates(2.0, lambda: next(clock))
    >>> [rates.wait_s("field-pc") for _ in range(5)]
    [0.0, 0.0, 0.5, 0.0, 0.5]
    """

    def __init__(self, per_s: float, now: Callable[[], float] = time.monotonic) -> None:
        self._per_s, self._now = per_s, now
        self._most = max(per_s, 1.0)
        #: Of each client the tokens that were left, and when; the one seen last stands last.
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def wait_s(self, client: str) -> float:
        """Seconds until the client may ask; 0 where it may now, and has then used a token."""
        now = self._now()
        left, then = self._left.pop(client, (self._most, now))
        left = min(self._most, left + (now - then) * self._per_s)
        wait = 0.0 if left >= 1.0 else (1.0 - left) / self._per_s
        self._left[client] = (left if wait else left - 1.0, now)
        while len(self._left) > _CLIENTS:
            self._left.popitem(last=False)
        return wait
