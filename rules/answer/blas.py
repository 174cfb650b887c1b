"""How the process works while answers are worked out: linear algebra on one thread, and memory that is kept."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from threading import Lock

import numpy as np
from threadpoolctl import LibController, ThreadpoolController

#: Held by who has set the limit. It is of the whole process: two who set it, and put back in another order what they
#: found, would leave it behind for good.
_setter = Lock()


@cache
def _libraries() -> tuple[LibController, ...]:
    return tuple(ThreadpoolController().select(user_api="blas").lib_controllers)


@cache
def _keep_memory() -> None:
    """Have the C library keep what arrays of an answer leave for those of the next one.

    glibc gives back every block of more than 128 kB at once, and fetching the pages again takes up to a seventh of an
    answer. It keeps from then on what is smaller than a block that was given back: here is one, which is never touched.
    """
    np.empty(8 << 20, dtype=np.uint8)


@contextmanager
def one_thread() -> Iterator[None]:
    """Linear algebra on one thread: the matrices are small, and threads that wait for each other on a busy machine
    cost ten times what they save. One thread at a time sets the limit and takes it back; whoever comes meanwhile goes
    by it as long as it stands. It holds for the rest of the process too, and is gone with the last check."""
    if not _setter.acquire(blocking=False):
        yield
        return
    try:
        _keep_memory()
        before = [library.num_threads for library in _libraries()]
        for library in _libraries():
            library.set_num_threads(1)
        try:
            yield
        finally:
            for library, threads in zip(_libraries(), before, strict=True):
                library.set_num_threads(threads)
    finally:
        _setter.release()
