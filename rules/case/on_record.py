"""Solutions of a case: computed when they are first asked for, or begun before that; and who reads them is noted."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from typing import Any, Generic, Self, TypeVar, overload

from ..chemistry.solution import Solution

#: A solution that was begun: waits for it.
Begun = Callable[[], Solution]


T = TypeVar("T")


def apart(case: Any, make: Callable[[], T]) -> tuple[T, dict[str, Solution]]:
    """What is made, and the solutions that were read for it: whoever asks for it is not noted as having read these."""
    before, case.__dict__["asked"] = case.asked, {}
    try:
        return make(), case.asked
    finally:
        case.__dict__["asked"] = before


class on_record:
    """`cached_property` for a solution that also notes in the case's `asked`, by its name, that it was read."""

    def __init__(self, make: Callable[[Any], Solution]) -> None:
        self._make = make
        self.__doc__ = make.__doc__

    def __set_name__(self, owner: type, name: str) -> None:
        self._name = name

    @overload
    def __get__(self, case: None, owner: type) -> Self: ...
    @overload
    def __get__(self, case: object, owner: type) -> Solution: ...
    def __get__(self, case: Any, owner: type) -> Self | Solution:
        if case is None:
            return self
        name = self._name
        solution: Solution | None = case.__dict__.get(name)
        if solution is None:
            # What it is made from is not what was asked for: its own failure says whether that failed.
            solution = case.__dict__[name] = apart(case, lambda: self._found(case))[0]
            case.found(name)
        case.asked[name] = solution
        return solution

    def __set__(self, case: object, value: Solution) -> None:
        raise AttributeError(f"{self._name} follows from the question")

    def _found(self, case: Any) -> Solution:
        """The solution, to be kept."""
        return self._make(case)


class on_record_ahead(on_record):
    """The same of one that can be begun before it is asked for.

    make: begins it, and gives what waits for it; its `ahead` tells that it is not waited for at once.
    """

    def __init__(self, make: Callable[[Any, bool], Begun]) -> None:
        self._begin = make
        self.__doc__ = make.__doc__

    def begin(self, case: Any) -> None:
        """Begins the solution for whoever asks later."""
        if self._name not in case.__dict__ and self._name not in case.begun:
            with suppress(Exception):  # whoever asks for it meets what goes wrong
                case.begun[self._name] = apart(case, lambda: self._begin(case, True))[0]

    def _found(self, case: Any) -> Solution:
        begun = case.begun.pop(self._name, None) or self._begin(case, False)
        return begun()


class derived(Generic[T]):
    """`cached_property` of what is made from solutions: whoever reads it is noted as having read these."""

    def __init__(self, make: Callable[[Any], T]) -> None:
        self._make = make
        self.__doc__ = make.__doc__

    def __set_name__(self, owner: type, name: str) -> None:
        self._kept = f"{name}, and read for it"

    @overload
    def __get__(self, case: None, owner: type) -> Self: ...
    @overload
    def __get__(self, case: object, owner: type) -> T: ...
    def __get__(self, case: Any, owner: type) -> Self | T:
        if case is None:
            return self
        kept: tuple[T, dict[str, Solution]] | None = case.__dict__.get(self._kept)
        if kept is None:
            kept = case.__dict__[self._kept] = apart(case, lambda: self._make(case))
        case.asked.update(kept[1])
        return kept[0]
