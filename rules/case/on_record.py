"""A solution of a case: computed when it is first asked for, or begun before that; and noted as read."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, overload

from ..chemistry.solution import Solution

#: A solution that was begun: waits for it.
Begun = Callable[[], Solution]


@contextmanager
def _unrecorded(case: Any) -> Iterator[None]:
    """What a solution is made from is not what was asked for: its own failure says whether that failed."""
    before = dict(case.asked)
    yield
    case.asked.clear()
    case.asked.update(before)


class on_record:
    """`cached_property` for a solution that also notes in the case's `asked`, by its name, that it was read.

    make: begins the solution, and gives what waits for it; ahead: it is not waited for at once.
    """

    def __init__(self, make: Callable[[Any, bool], Begun]) -> None:
        self._make = make
        self.__doc__ = make.__doc__

    def __set_name__(self, owner: type, name: str) -> None:
        self._name = name

    @overload
    def __get__(self, case: None, owner: type) -> on_record: ...
    @overload
    def __get__(self, case: object, owner: type) -> Solution: ...
    def __get__(self, case: Any, owner: type) -> on_record | Solution:
        if case is None:
            return self
        name = self._name
        solution: Solution | None = case.__dict__.get(name)
        if solution is None:
            with _unrecorded(case):
                begun = case.begun.pop(name, None) or self._make(case, False)
                solution = case.__dict__[name] = begun()
                case.found(name)
        case.asked[name] = solution
        return solution

    def begin(self, case: Any) -> None:
        """Begins the solution for whoever asks later."""
        if self._name not in case.__dict__ and self._name not in case.begun:
            with _unrecorded(case):
                case.begun[self._name] = self._make(case, True)

    def __set__(self, case: object, value: Solution) -> None:
        raise AttributeError(f"{self._name} follows from the question")
