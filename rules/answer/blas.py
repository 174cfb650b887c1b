"""Linear algebra on one thread while answers are worked out."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from threading import Lock

from threadpoolctl import ThreadpoolController

#: Held by who has set the limit. It is of the whole process: two who set it, and put back in another order what they
#: found, would leave it behind for good.
_setter = Lock()


@cache
def _libraries() -> ThreadpoolController:
    return ThreadpoolController()


@contextmanager
def one_thread() -> Iterator[None]:
    """Linear algebra on one thread: the matrices are small, and threads that wait for each other on a busy machine
    cost ten times what they save. One thread at a time sets the limit and takes it back; whoever comes meanwhile goes
    by it as long as it stands. It holds for the rest of the process too, and is gone with the last check."""
    if not _setter.acquire(blocking=False):
        yield
        return
    try:
        with _libraries().limit(limits=1, user_api="blas"):
            yield
    finally:
        _setter.release()
