"""Scenarios over everything that is not known, where a verdict turns, and how far it is from there."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import product as cross

import numpy as np

from .case import Case
from .chemistry.constants import Floats
from .policy import Unknown
from .question import Columns, Question, from_unit, spoken
from .registry import rules
from .rule import Level, Levels, Rule

#: With up to this many unknowns every corner is visited; with more, a fixed random choice of them.
FULL_CORNERS, CORNERS, INSIDE, SEED = 5, 96, 48, 20_260_101


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


def levels(case: Case) -> Levels:
    """Worst level of all rules in each scenario, (B,)."""
    worst = np.zeros(case.size, dtype=np.int64)
    for rule in rules():
        outcome = rule.check(case)
        if outcome is not None:
            worst = np.maximum(worst, outcome.level)
    return worst


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
        unit = "" if self.unknown.unit == "pH" else f" {_short_unit(self.unknown)}"
        spread = ""
        if self.high - self.low > 0.02 * max(abs(self.high), 1e-9):
            spread = f" ({self.low:.3g} to {self.high:.3g} with the rest of what is not known)"
        return f"{spoken(self.unknown.name)} {self.at:.3g}{unit}: trouble {side}{spread}"

    @property
    def key(self) -> str:
        """Name of the turning value, unit included."""
        unit = {
            "mg/L": "_mg_per_l",
            "mg/L CaCO3": "_mg_per_l_caco3",
            "degC": "",
            "pH": "",
            "mol/mol": "",
        }.get(self.unknown.unit, "")
        name = spoken(self.unknown.name).lower().replace(" ", "_")
        name = name + "_c" if self.unknown.unit == "degC" else name
        return f"{name}{unit}_turns_at"


def _short_unit(unknown: Unknown) -> str:
    return "" if unknown.unit.startswith("parts") or unknown.unit == "mol/mol" else unknown.unit


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
    points, others = 41, min(24, len(bad))
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


#: Margins: name -> (column, lowest, highest, on a ratio scale).
_MARGINS: dict[str, tuple[str, float, float, bool]] = {
    "amount_factor": ("amount_factor", 0.01, 20.0, True),
    "injection_ratio": ("injection_ratio", 2.0, 5000.0, True),
    "water_calcium_mg_per_l": ("calcium", 0.5, 600.0, True),
    "water_alkalinity_mg_per_l_caco3": ("alkalinity", 5.0, 800.0, True),
    "water_ph": ("ph", 5.0, 9.5, False),
    "temperature_c": ("line_temperature_c", 2.0, 60.0, False),
    "bucket_temperature_c": ("bucket_temperature_c", 1.0, 45.0, False),
}
#: Values tried per margin and pass, and scenarios of the unknowns at each.
MARGIN_POINTS, MARGIN_ROWS = 17, 5
_NOT_BY_AMOUNT = {"label", "people", "equipment", "soil"}


def fixed_stop(case: Case) -> bool:
    """True when a rule that no number can turn stops the pour."""
    for rule in rules():
        if rule.family in _NOT_BY_AMOUNT:
            outcome = rule.check(case)
            if outcome is not None and np.all(outcome.level == Level.STOP):
                return True
    return False


def margin(question: Question, columns: Columns, stopped: bool) -> dict[str, float | None]:
    """For each margin the nearest value at which a stop ends, or a go ends; None where none does.

    The same unknowns are swept at each value (a few of the scenarios), so that the value holds
    whatever they are.
    """
    size = len(columns["amount_factor"])
    pick = np.unique(np.concatenate([[0], np.linspace(0, size - 1, min(size, MARGIN_ROWS)).astype(int)]))
    nominal = question.nominal()
    found: dict[str, float | None] = {}
    for name, (column, low, high, ratio) in _MARGINS.items():
        found[name] = None
        if column in columns:
            found[name] = _swept_margin(question, columns, pick, column, low, high, ratio, stopped, nominal)
    return found


def _swept_margin(
    question: Question,
    columns: Columns,
    pick: np.ndarray,
    column: str,
    low: float,
    high: float,
    ratio: bool,
    stopped: bool,
    nominal: dict[str, float],
) -> float | None:
    def turned(values: Floats) -> np.ndarray:
        table = {name: np.repeat(values_[pick], len(values)) for name, values_ in columns.items()}
        table[column] = np.tile(values, len(pick))
        level = levels(Case(question, table)).reshape(len(pick), len(values))
        if stopped:
            return np.asarray(~np.all(level == Level.STOP, axis=0))
        return np.asarray(np.any(level >= Level.UNKNOWN, axis=0))

    here = nominal[column]
    scale: Callable[[Floats], Floats] = np.log if ratio else np.asarray
    back: Callable[[Floats], Floats] = np.exp if ratio else np.asarray
    first, last = scale(np.array([low, high]))
    grid = back(np.linspace(float(first), float(last), MARGIN_POINTS))
    flags = turned(grid)
    if not np.any(flags):
        return None
    best: float | None = None
    for side in (-1, 1):
        chosen = np.flatnonzero((grid - here) * side > 0)
        order = chosen if side > 0 else chosen[::-1]
        hit = next((int(i) for i in order if flags[i]), None)
        if hit is None:
            continue
        before = hit - side
        inner = grid[before] if 0 <= before < len(grid) and not flags[before] else here
        start, end = scale(np.array([inner, grid[hit]]))
        finer = back(np.linspace(float(start), float(end), MARGIN_POINTS))
        fine = turned(finer)
        value = float(finer[int(np.argmax(fine))]) if np.any(fine) else float(grid[hit])
        away = abs(scale(np.array(value)) - scale(np.array(here)))
        if best is None or away < abs(scale(np.array(best)) - scale(np.array(here))):
            best = value
    return best
