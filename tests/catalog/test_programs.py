"""Linear programs and least squares, against scipy's solvers (HiGHS by another way in; Lawson and Hanson)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog, nnls

from pourcheck.catalog.programs import Program, least_squares


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000))
def test_the_least_cost_is_what_scipy_finds(seed: int) -> None:
    rng = np.random.default_rng(seed)
    size, count = int(rng.integers(1, 12)), int(rng.integers(0, 10))
    rows, most = rng.normal(size=(count, size)), rng.normal(1.0, 1.0, count)
    high = np.where(rng.random(size) < 0.3, np.inf, rng.uniform(0.0, 3.0, size))
    equal = rng.random((1, size)) if seed % 3 == 0 else None
    equals = np.array([rng.uniform(0.0, 1.0)]) if seed % 3 == 0 else None
    program = Program(rows, most, high=high, equal=equal, equals=equals)
    for cost in (np.zeros(size), rng.normal(size=size), rng.random(size)):
        mine = program.least(cost)
        theirs = linprog(cost, rows, most, equal, equals, np.column_stack([np.zeros(size), high]), method="highs")
        assert (mine is None) == (theirs.status != 0)
        if mine is not None:
            assert cost @ mine == pytest.approx(theirs.fun, rel=1e-7, abs=1e-7)
            assert np.all(rows @ mine <= most + 1e-6)


def test_a_cost_is_answered_alike_whatever_was_asked_before() -> None:
    """Where several corners are the least, as of a cost that is level along an edge."""
    rows, most = np.array([[1.0, 1.0, 1.0]]), np.array([1.0])
    fresh = Program(rows, most).least(np.array([-1.0, -1.0, 0.0]))
    used = Program(rows, most)
    for other in ([0.0, -1.0, 0.0], [0.0, 0.0, -1.0]):
        used.least(np.array(other))
    again = used.least(np.array([-1.0, -1.0, 0.0]))
    assert fresh is not None
    assert again is not None
    assert np.array_equal(fresh, again)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000))
def test_least_squares_without_negative_shares(seed: int) -> None:
    rng = np.random.default_rng(seed)
    count, size = int(rng.integers(1, 9)), int(rng.integers(1, 7))
    table, aim = rng.normal(size=(count, size)), rng.normal(size=count)
    mine = least_squares(table, aim)
    _, theirs = nnls(table, aim)
    assert np.all(mine >= 0.0)
    assert np.linalg.norm(table @ mine - aim) == pytest.approx(theirs, rel=1e-5, abs=1e-5)


def test_nothing_is_printed(capfd: pytest.CaptureFixture[str]) -> None:
    Program(np.array([[1.0]]), np.array([1.0])).least(np.array([-1.0]))
    least_squares(np.array([[1.0, 0.0], [0.0, 1.0]]), np.array([1.0, -1.0]))
    assert capfd.readouterr() == ("", "")
