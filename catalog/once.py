"""What follows from records, worked out once for each of them."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from operator import is_
from typing import TypeVar, TypeVarTuple

Given = TypeVarTuple("Given")
Found = TypeVar("Found")


def once_for_each(most: int) -> Callable[[Callable[[*Given], Found]], Callable[[*Given], Found]]:
    """A function of records, or of what does not change either, that keeps what it found for as many of them.

    They are told apart as objects, not by what they say: a catalog gives the same object while its revision stands, and
    comparing takes longer than most of what is found.

    >>> @once_for_each(most=8)
    ... def longest(names: tuple[str, ...]) -> list[str]:
    ...     return [max(names, key=len)]
    >>> names = ("urea", "potash")
    >>> longest(names) is longest(names), longest(names) is longest(("urea", "muriate"))
    (True, False)
    """

    def kept(make: Callable[[*Given], Found]) -> Callable[[*Given], Found]:
        known: dict[tuple[int, ...], tuple[tuple[object, ...], Found]] = {}

        @wraps(make)
        def find(*given: *Given) -> Found:
            key = tuple(map(id, given))
            # Whoever is in here is held, so that its place in memory is nobody else's.
            before = known.get(key)
            if before is not None and all(map(is_, before[0], given)):
                return before[1]
            found = make(*given)
            if len(known) >= most:
                known.clear()
            known[key] = given, found
            return found

        return find

    return kept
