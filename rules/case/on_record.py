"""A solution of a case: computed when it is first asked for, and noted as read."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, overload

from ..chemistry.solution import Solution


class on_record:
    """`cached_property` for a solution that also notes in the case's `asked`, by its name, that it was read."""

    def __init__(self, make: Callable[[Any], Solution]) -> None:
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
        name, asked = self._name, case.asked
        solution: Solution | None = case.__dict__.get(name)
        if solution is None:
            # What it is made from is not what was asked for: its own failure says whether that failed.
            before = dict(asked)
            solution = case.__dict__[name] = self._make(case)
            asked.clear()
            asked.update(before)
        asked[name] = solution
        return solution

    def __set__(self, case: object, value: Solution) -> None:
        raise AttributeError(f"{self._name} follows from the question")
