"""Scenarios over everything that is not known, and where a rule turns in them."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product as cross

import numpy as np

from .case import Case
from .chemistry.constants import Floats
from .policy import Unknown
from .question import Columns, Question, from_unit, spoken
from .rule import Level, Rule

#: With up to this many unknowns every corner is visited; with more, a fixed random choice of them.
FULL_CORNERS, CORNERS, INSIDE, SEED = 5, 96, 48, 20_260_101
#: Units that the name of an input says already.
UNSPOKEN_UNITS = {"pH", "mol/mol", "parts of water per part of stock"}


def scenarios(question: Question) -> Columns:
    """The nominal scenario (row 0), corners of the ranges, their one-at-a-time ends, and points inside.

    Label mixtures are crossed in evenly. The choice is fixed, so that the same question gives the
    same answer.
    """
    size = len(question.unknowns)
    rng = np.random.default_rng(SEED)
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
    shares = np.concatenate(rows)
    repeats = 1
    for count in question.mixtures.values():
        repeats *= count
    repeats = min(repeats, 64)
    shares = np.tile(shares, (repeats, 1))
    columns = question.columns(len(shares))
    for j, unknown in enumerate(question.unknowns):
        columns[unknown.name] = from_unit(unknown, shares[:, j])
    index = np.arange(len(shares)) // (len(shares) // repeats)
    for name, count in question.mixtures.items():
        columns[name] = (index % count).astype(float)
        index = index // count
    return columns


def _latin(rng: np.random.Generator, rows: int, size: int) -> Floats:
    """Latin hypercube: each range is cut into as many strips as rows, one point in each."""
    cells = np.array([rng.permutation(rows) for _ in range(size)]).T
    return np.asarray((cells + rng.random((rows, size))) / rows)


@dataclass(frozen=True)
class Turn:
    """Where a rule turns as one input changes. at: with the rest at its middle; low, high: over the
    rest of what is not known; stops_above: False when it stops below."""

    unknown: Unknown
    at: float
    low: float
    high: float
    stops_above: bool
    share: float

    def words(self) -> str:
        """One clause for a message."""
        side = "above" if self.stops_above else "below"
        unit = "" if self.unknown.unit in UNSPOKEN_UNITS else f" {self.unknown.unit}"
        spread = ""
        if self.high - self.low > 0.02 * max(abs(self.high), 1e-9):
            spread = f" ({self.low:.3g} to {self.high:.3g} with the rest of what is not known)"
        return f"{spoken(self.unknown.name)} {self.at:.3g}{unit}: trouble {side}{spread}"

    @property
    def key(self) -> str:
        """Name of the turning value, unit included."""
        unit = {"mg/L": "_mg_per_l", "mg/L CaCO3": "_mg_per_l_caco3"}.get(self.unknown.unit, "")
        name = spoken(self.unknown.name).lower().replace(" ", "_")
        name = name + "_c" if self.unknown.unit == "degC" else name
        return f"{name}{unit}_turns_at"


def turns(question: Question, rule: Rule, columns: Columns, bad: np.ndarray) -> list[Turn]:
    """The one or two inputs that decide a rule, with the values at which it turns.

    columns, bad: the swept scenarios and where the rule is unknown or stops.
    """
    ranked = []
    for unknown in question.unknowns:
        values = columns[unknown.name]
        spread = float(np.std(values))
        share = abs(float(np.corrcoef(values, bad)[0, 1])) if spread > 0 else 0.0
        ranked.append((0.0 if np.isnan(share) else share, unknown))
    ranked.sort(key=lambda pair: -pair[0])
    found = []
    for share, unknown in ranked[:4]:
        turn = _turn(question, rule, columns, bad, unknown, share)
        if turn is not None:
            found.append(turn)
        if len(found) == 2 or (found and share < 0.5 * found[0].share):
            break
    return [t for t in found if t.share >= 0.4 * found[0].share][:2]


def _turn(
    question: Question, rule: Rule, columns: Columns, bad: np.ndarray, unknown: Unknown, share: float
) -> Turn | None:
    points, others = 21, min(14, len(bad))
    pick = np.unique(np.concatenate([[0], np.linspace(0, len(bad) - 1, others).astype(int)]))
    grid = from_unit(unknown, np.linspace(0.0, 1.0, points))

    def trouble(values: Floats, rows: np.ndarray) -> np.ndarray:
        table = {name: np.repeat(column[rows], values.shape[-1]) for name, column in columns.items()}
        table[unknown.name] = np.broadcast_to(values, (len(rows), values.shape[-1])).reshape(-1).copy()
        outcome = rule.check(Case(question, table))
        size = len(table[unknown.name])
        level = np.zeros(size) if outcome is None else outcome.level
        return np.asarray((level >= Level.UNKNOWN).reshape(len(rows), -1))

    seen = trouble(grid[None, :], pick)
    change = seen[:, 1:] != seen[:, :-1]
    crossing = np.any(change, axis=1)
    if not np.any(crossing):
        return None
    first = np.argmax(change, axis=1)
    rows = np.flatnonzero(crossing)
    lead = 0 if crossing[0] else int(rows[len(rows) // 2])
    low, high = grid[first[lead]], grid[first[lead] + 1]
    finer = np.linspace(low, high, 21)
    fine = trouble(finer[None, :], pick[[lead]])[0]
    step = int(np.argmax(fine[1:] != fine[:-1]))
    rising = bool(fine[step + 1])
    at = float(finer[step] if rising else finer[step + 1])
    middles = 0.5 * (grid[first[rows]] + grid[first[rows] + 1])
    spans = np.where(first[rows] == first[lead], at, middles)
    return Turn(unknown, at, min(at, float(np.min(spans))), max(at, float(np.max(spans))), rising, share)
