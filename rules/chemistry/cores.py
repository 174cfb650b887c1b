"""How the cores of the machine are shared: what numpy, the compiled solver and HiGHS do frees the interpreter."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from functools import cache
from typing import Generic, TypeVar

T = TypeVar("T")

_most_cores = [0]


def use_cores(most: int) -> None:
    """Use no more cores than this from now on: for a process that shares them with others. most: 0 for all."""
    _most_cores[0] = most


def cores() -> int:
    """Cores that this process may use: fewer than the machine has in a container, or when it is pinned."""
    return _most_cores[0] or _cores_here()


@cache
def _cores_here() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@cache
def _threads() -> ThreadPoolExecutor:
    """Threads that stay: starting one costs more than many solutions do."""
    return ThreadPoolExecutor(max(1, cores() - 1), thread_name_prefix="pourcheck")  # and the one that asks


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_threads.cache_clear)  # a child has none of its parent's threads


def in_parallel(work: Callable[[T], object], pieces: Sequence[T]) -> None:
    """Do some work for every piece, on all cores. Not to be called from within such work."""
    left = iter(pieces)

    def take() -> None:
        for piece in left:  # whoever is free takes the next one
            work(piece)

    others = [_threads().submit(take) for _ in range(min(cores(), len(pieces)) - 1)]
    take()
    for other in others:
        if not other.cancel():  # one that has not begun has nothing left to do
            other.result()


class Ahead(Generic[T]):
    """Some work that is begun on another core while this one goes on, or done when it is asked for where there is no
    other.

    >>> Ahead(lambda: 6 * 7).result()
    42
    """

    def __init__(self, work: Callable[[], T]) -> None:
        self._work = work
        self._begun: Future[T] | None = _threads().submit(work) if cores() > 1 else None

    def result(self) -> T:
        """What it comes to. Raises: whatever the work does."""
        if self._begun is None or self._begun.cancel():
            return self._work()
        return self._begun.result()

    def forget(self) -> None:
        """Not asked for any more: it is not begun, or comes to nothing."""
        if self._begun is not None:
            self._begun.cancel()
