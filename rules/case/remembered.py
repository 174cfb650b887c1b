"""What is remembered of solutions: the same well, or the same pour asked again, is solved once."""

from __future__ import annotations

import logging
from collections import OrderedDict
from collections.abc import Callable, Sequence
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..chemistry.constants import Constants, Floats
from ..chemistry.solution import Solution, first_of_each
from ..chemistry.speciate import Given, begin

_log = logging.getLogger(__name__)


class _Solved:
    """Small solutions that were asked for lately, and what the answer was: the same well, or the same pour asked
    again. Safe for threads."""

    def __init__(self, most_rows: int) -> None:
        self._most_rows, self._rows, self._lock = most_rows, 0, Lock()
        self._known: OrderedDict[tuple[Any, ...], Solution] = OrderedDict()

    def get(self, asked: tuple[Any, ...]) -> Solution | None:
        with self._lock:
            if asked in self._known:
                self._known.move_to_end(asked)
            return self._known.get(asked)

    def put(self, asked: tuple[Any, ...], solution: Solution) -> None:
        with self._lock:
            if asked not in self._known:
                self._rows += len(solution.converged)
            self._known[asked] = solution
            while self._rows > self._most_rows:
                _, oldest = self._known.popitem(last=False)
                self._rows -= len(oldest.converged)


#: Solutions of up to so many rows are remembered, so many rows of them in all (some 30 MB at most).
_REMEMBERED_ROWS, _REMEMBERED = 40, 4000
_SOLVED = _Solved(_REMEMBERED)


def remembered(
    totals: Floats,
    temperature_c: Floats,
    phases: Sequence[str] = (),
    *,
    ph: Floats | None = None,
    alkalinity_eq_per_kg: Floats | None = None,
    co2_atm: float | None = None,
    constants: Constants | None = None,
    start: Solution | None = None,
    start_at: NDArray[np.intp] | None = None,
    ahead: bool = False,
) -> Callable[[], Solution]:
    """`begin`, of what is not known from before; arguments as there, the pressure of carbon dioxide one for all."""
    asked: tuple[Any, ...] | None = None
    if len(totals) <= _REMEMBERED_ROWS:
        columns = [one for one in (totals, temperature_c, ph, alkalinity_eq_per_kg) if one is not None]
        digits = b"".join([np.ascontiguousarray(one).tobytes() for one in columns])
        asked = (digits, tuple(phases), ph is None, alkalinity_eq_per_kg is None, co2_atm, id(constants))
        known = _SOLVED.get(asked)
        if known is not None:
            return lambda: known
    given = Given(ph, alkalinity_eq_per_kg, None if co2_atm is None else np.full(len(totals), co2_atm))
    begun = begin(
        totals, temperature_c, phases, given, constants=constants, start=start, start_at=start_at, ahead=ahead
    )

    def finish() -> Solution:
        solution = begun()
        lost = int(np.count_nonzero(~solution.converged))
        if lost:
            _log.warning("%d of %d solutions could not be found; what rests on them is unknown", lost, len(totals))
        elif asked is not None:
            _SOLVED.put(asked, solution)
        return solution

    return finish


def each_once(
    totals: Floats,
    temperature_c: Floats,
    *,
    ph: Floats | None = None,
    alkalinity_eq_per_kg: Floats | None = None,
    start: Solution | None = None,
    ahead: bool = False,
) -> Callable[[], Solution]:
    """The same of waters, of which scenarios have few: each of them is looked up, or solved, once."""
    columns = [column[:, None] for column in (temperature_c, ph, alkalinity_eq_per_kg) if column is not None]
    first, back = first_of_each(np.concatenate([totals, *columns], axis=1))
    begun = remembered(
        totals[first],
        temperature_c[first],
        ph=None if ph is None else ph[first],
        alkalinity_eq_per_kg=None if alkalinity_eq_per_kg is None else alkalinity_eq_per_kg[first],
        start=start,
        start_at=None if start is None else first,
        ahead=ahead,
    )
    return begun if len(first) == len(totals) else lambda: begun().rows(back)
