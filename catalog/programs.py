"""Linear programs, some with whole numbers, and least squares without negative shares, by HiGHS: small, dense, several
costs within one room."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import highspy

Floats = NDArray[np.float64]


class Program:
    """The room low <= x <= high, rows @ x <= most, equal @ x = equals, in which costs find their least.

    rows: (M, N); most: (M,); low, high: (N,) or one for all; equal: (E, N); equals: (E,); whole: (N,), which of x are
    whole numbers; what is then found is the least by proof, not within some gap.

    >>> Program(np.array([[1.0, 1.0]]), np.array([1.0])).least(np.array([-1.0, -2.0]))
    array([0., 1.])
    >>> Program(np.array([[2.0, 2.0]]), np.array([3.0]), whole=np.array([True, True])).least(np.array([-1.0, -1.0]))
    array([1., 0.])
    """

    def __init__(
        self,
        rows: Floats,
        most: Floats,
        *,
        low: Floats | float = 0.0,
        high: Floats | float = np.inf,
        equal: Floats | None = None,
        equals: Floats | None = None,
        whole: NDArray[np.bool_] | None = None,
    ) -> None:
        size = rows.shape[1]
        table, least = np.asarray(rows, dtype=float), np.full(len(rows), -np.inf)
        if equal is not None and equals is not None:
            table, least = np.vstack([table, equal]), np.append(least, equals)
            most = np.append(most, equals)
        self._places = np.arange(size, dtype=np.int32)
        self._solver = _solver()
        model = _model(table, least, most, low, high)
        if whole is not None:
            from highspy import HighsVarType

            model.integrality_ = [HighsVarType.kInteger if one else HighsVarType.kContinuous for one in whole]
            for gap in ("mip_rel_gap", "mip_abs_gap"):
                self._solver.setOptionValue(gap, 0.0)
            # Looking for a start takes longer than the programs here do without.
            self._solver.setOptionValue("mip_heuristic_run_feasibility_jump", False)
        self._solver.passModel(model)

    def bounded(self, row: Floats, most: float) -> None:
        """Hold row @ x <= most as well from now on. row: (N,)."""
        places = np.flatnonzero(row).astype(np.int32)
        self._solver.addRow(-np.inf, most, len(places), places, row[places].astype(float))

    def least(self, cost: Floats) -> Floats | None:
        """The x of the least cost @ x, (N,); None where nothing fits, or there is no least."""
        from highspy import HighsModelStatus

        # From the same start every time: where several are the least, it does not matter what was asked before.
        self._solver.clearSolver()
        self._solver.changeColsCost(len(self._places), self._places, np.asarray(cost, dtype=float))
        self._solver.run()
        if self._solver.getModelStatus() != HighsModelStatus.kOptimal:
            return None
        return np.array(self._solver.getSolution().col_value) + 0.0


def least_squares(table: Floats, aim: Floats) -> Floats:
    """The x >= 0 with the least sum of squares of table @ x - aim, (N,). table: (M, N); aim: (M,).

    >>> least_squares(np.array([[1.0, 0.0], [0.0, 1.0]]), np.array([2.0, -1.0])).round(6)
    array([2., 0.])
    """
    free = np.linalg.lstsq(table, aim, rcond=None)[0]
    if np.all(free >= 0.0):
        return np.asarray(free)
    import highspy

    size = table.shape[1]
    model = highspy.HighsModel()
    model.lp_ = _model(np.zeros((0, size)), np.zeros(0), np.zeros(0), 0.0, np.inf)
    model.lp_.col_cost_ = -(table.T @ aim)
    half = table.T @ table
    lower = [(i, j) for j in range(size) for i in range(j, size)]
    model.hessian_.dim_ = size
    model.hessian_.format_ = highspy.HessianFormat.kTriangular
    model.hessian_.start_ = np.cumsum([0, *(size - j for j in range(size))]).astype(np.int32)
    model.hessian_.index_ = np.array([i for i, _ in lower], dtype=np.int32)
    model.hessian_.value_ = np.array([half[i, j] for i, j in lower])
    solver = _solver()
    solver.passModel(model)
    solver.run()
    found = np.maximum(np.array(solver.getSolution().col_value), 0.0)
    # The solver stops at its tolerance; among what it found to be there the least squares are exact.
    there = found > 1e-6 * float(np.max(found, initial=0.0))
    exact = np.zeros(size)
    exact[there] = np.linalg.lstsq(table[:, there], aim, rcond=None)[0]
    better = np.all(exact >= 0.0) and np.linalg.norm(table @ exact - aim) <= np.linalg.norm(table @ found - aim)
    return exact if better else found


@cache
def _quiet() -> type[highspy.Highs]:
    """A solver that prints nothing: with its callbacks HiGHS greets on standard output, where answers go."""
    import highspy

    class Quiet(highspy.Highs):
        def enableCallbacks(self) -> None:
            self.setOptionValue("output_flag", False)

    return Quiet


def _solver() -> highspy.Highs:
    solver = _quiet()()
    # The programs are small: threads would cost more than they save.
    for option, value in (("output_flag", False), ("threads", 1), ("parallel", "off")):
        solver.setOptionValue(option, value)
    return solver


def _model(table: Floats, least: Floats, most: Floats, low: Floats | float, high: Floats | float) -> highspy.HighsLp:
    import highspy

    count, size = table.shape
    model = highspy.HighsLp()
    model.num_col_, model.num_row_ = size, count
    model.col_cost_ = np.zeros(size)
    model.col_lower_, model.col_upper_ = (
        np.broadcast_to(np.asarray(end, dtype=float), size).copy() for end in (low, high)
    )
    model.row_lower_, model.row_upper_ = least, np.asarray(most, dtype=float)
    row, column = np.nonzero(table)
    model.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    model.a_matrix_.start_ = np.append(0, np.cumsum(np.bincount(row, minlength=count))).astype(np.int32)
    model.a_matrix_.index_ = column.astype(np.int32)
    model.a_matrix_.value_ = table[row, column]
    return model
