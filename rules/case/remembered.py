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
from ..chemistry.solution import Solution
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


def _first_of_each(rows: Floats) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Places of the rows of a table that are not the same as an earlier one, and for each row which of them it is.

    >>> _first_of_each(np.array([[2.0, 1.0], [0.0, 1.0], [2.0, 1.0]]))
    (array([0, 1]), array([0, 1, 0]))
    """
    seen: dict[bytes, int] = {}
    as_bytes = rows.view(f"V{rows.shape[1] * rows.itemsize}").reshape(-1).tolist()
    earliest = [seen.setdefault(row, i) for i, row in enumerate(as_bytes)]
    first = np.array([*seen.values()], dtype=np.intp)
    return first, np.searchsorted(first, earliest)


def each_once(
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
    """`equilibrate` with scenarios that are the same solution computed once: a margin moves one number,
    and most solutions do not feel it. It is begun; what is returned waits for it, and is to be called once.

    start: as there, the same where the solution is the same; start_at, ahead: as for `begin`.
    """
    key = [totals, temperature_c[:, None]]
    key += [column[:, None] for column in (ph, alkalinity_eq_per_kg) if column is not None]
    rows = np.concatenate(key, axis=1)
    first, back = _first_of_each(rows)
    all_differ = len(first) == len(rows)
    asked: tuple[Any, ...] | None = None
    if len(first) <= _REMEMBERED_ROWS:
        digits = (rows if all_differ else rows[first]).tobytes()
        asked = (digits, tuple(phases), ph is None, alkalinity_eq_per_kg is None, co2_atm, id(constants))
        known = _SOLVED.get(asked)
        if known is not None:
            remembered = known if all_differ else known.rows(back)
            return lambda: remembered
    if not all_differ:
        totals, temperature_c = totals[first], temperature_c[first]
        ph, alkalinity_eq_per_kg = (None if one is None else one[first] for one in (ph, alkalinity_eq_per_kg))
        if start is not None:
            start_at = first if start_at is None else start_at[first]
    co2 = None if co2_atm is None else np.full(len(first), co2_atm)
    given = Given(ph, alkalinity_eq_per_kg, co2)
    begun = begin(
        totals, temperature_c, phases, given, constants=constants, start=start, start_at=start_at, ahead=ahead
    )

    def finish() -> Solution:
        solution = begun()
        lost = int(np.count_nonzero(~solution.converged))
        if lost:
            _log.warning("%d of %d solutions could not be found; what rests on them is unknown", lost, len(first))
        elif asked is not None:
            _SOLVED.put(asked, solution)
        return solution if all_differ else solution.rows(back)

    return finish
