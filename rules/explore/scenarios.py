"""Scenarios over everything that is not known."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache, lru_cache
from itertools import product as cross

import numpy as np
from numpy.typing import NDArray

from ...catalog.label.directions import DIRECTIONS
from ..ask.columns import Columns, Floats
from ..ask.question import Question, from_unit

#: With up to this many unknowns every corner is visited; with more, a fixed random choice of them.
FULL_CORNERS, CORNERS, INSIDE, SEED = 5, 96, 48, 20_260_101
#: Rows in which labels stand at the ends of what they allow, and rows inside.
LABEL_ROWS, LABEL_INSIDE = 96, 16


def scenarios(question: Question) -> Columns:
    """The nominal scenario (row 0), corners of the ranges, their one-at-a-time ends, and points inside.

    Labels go along in step: in each row all products lean towards the same DIRECTION of what their labels allow
    (one that has most calcium meets one that has most sulfate), and in some rows each leans its own way. The choice
    is fixed, so that the same question gives the same answer.
    """
    leans = _leans(question)
    if not leans:
        return _swept(question, _without_labels(len(question.unknowns)))
    labels = question.open_labels
    products = [question.poured[i] for i in labels]
    # A label without sources never comes out clear, and unknown whatever the corners say where it may not dissolve.
    most = LABEL_ROWS // len(leans)
    if not all(item.composition.listed for item in products):
        most = 2 if all(item.composition.listed or item.soluble for item in products) else 1
    mixtures = tuple(len(item.composition.mixtures) for item in products)
    shares, picks, towards = _with_labels(len(question.unknowns), leans, mixtures, most)
    columns = _swept(question, shares)
    for j, place in enumerate(labels):
        columns = columns.leaned(place, picks[:, j], towards[:, j])
    return columns


def _swept(question: Question, shares: Floats) -> Columns:
    """Scenarios at these shares 0..1 of each range, (rows, unknowns), every label at its best estimate."""
    values = {unknown.quantity: from_unit(unknown, shares[:, j]) for j, unknown in enumerate(question.unknowns)}
    return question.columns(len(shares)).all_moved(values)


def distinct(rows: Iterable[int]) -> NDArray[np.intp]:
    """Rows, each once, ascending."""
    # The first numpy.unique of a process takes ten milliseconds, for what it imports.
    return np.array(sorted({int(row) for row in rows}), dtype=np.intp)


def spread(count: int, most: int) -> NDArray[np.intp]:
    """At most so many of so many rows, evenly over them, the first one with them.

    >>> spread(9, 3)
    array([0, 4, 8])
    """
    return distinct(np.linspace(0, max(count - 1, 0), min(count, most)).astype(int))


def _numbers(rng: np.random.Generator, size: int) -> Floats:
    """Shares 0..1 of each range, (rows, size): middle, corners, ends of one at a time, inside."""
    rows: list[Floats] = [np.full((1, size), 0.5)]
    if 0 < size <= FULL_CORNERS:
        rows.append(np.array(list(cross((0.0, 1.0), repeat=size))))
        rows.append(_latin(rng, 16, size))
    elif size:
        ends = np.full((2 * size, size), 0.5)
        ends[np.arange(size), np.arange(size)] = 0.0
        ends[size + np.arange(size), np.arange(size)] = 1.0
        rows += [np.zeros((1, size)), np.ones((1, size)), ends]
        rows.append(rng.integers(0, 2, (CORNERS, size)).astype(float))
        rows.append(_latin(rng, INSIDE, size))
    return np.concatenate(rows)


@cache
def _without_labels(size: int) -> Floats:
    """`_numbers` of a pour whose labels leave nothing open; not to be written to."""
    return _numbers(np.random.default_rng(SEED), size)


@lru_cache(maxsize=64)
def _with_labels(
    size: int, leans: tuple[tuple[int, ...], ...], mixtures: tuple[int, ...], most: int
) -> tuple[Floats, NDArray[np.int64], Floats]:
    """Of `size` numbers the shares 0..1 of each range, (rows, size), and of each label the mixture that it leans to and
    how far, (rows, labels); not to be written to. mixtures: how many each label has; most: rows for a lean at most."""
    rng = np.random.default_rng(SEED)
    shares = _numbers(rng, size)
    every = max(1, min(len(shares), most))
    # Each lean meets the best estimate, and corners of the numbers in turn.
    rows = [
        distinct([0, *((1 + i + k * every) % len(shares) for k in range(every))])
        if every < len(shares)
        else np.arange(len(shares))
        for i in range(len(leans))
    ]
    inside = _latin(rng, LABEL_INSIDE, size)
    own = np.array([[rng.integers(count) for count in mixtures] for _ in inside])
    picks = np.concatenate(
        [
            np.zeros((len(shares), len(mixtures)), dtype=np.int64),
            *(np.tile(lean, (len(row), 1)) for lean, row in zip(leans, rows, strict=True)),
            own,
        ]
    )
    towards = np.concatenate([np.ones((len(picks) - len(own), len(mixtures))), rng.random(own.shape)])
    return np.concatenate([shares, *(shares[row] for row in rows), inside]), picks, towards


def _leans(question: Question) -> tuple[tuple[int, ...], ...]:
    """For each of DIRECTIONS the mixture of every label that goes furthest in it, each combination once."""
    rooms = [question.poured[i].composition for i in question.open_labels]
    if not rooms:
        return ()
    found = dict.fromkeys(tuple(c.towards(d) for c in rooms) for d in range(len(DIRECTIONS)))
    return tuple(lean for lean in found if any(lean))


def _latin(rng: np.random.Generator, rows: int, size: int) -> Floats:
    """Latin hypercube: each range is cut into as many strips as rows, one point in each."""
    if not size:
        return np.zeros((rows, 0))
    cells = np.array([rng.permutation(rows) for _ in range(size)]).T
    return np.asarray((cells + rng.random((rows, size))) / rows)
