"""Scenarios over everything that is not known, what decides a rule in them, and where it turns."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product as cross

import numpy as np
from numpy.typing import NDArray

from ...catalog.label.composition import DIRECTIONS
from ...catalog.species import SPECIES, species_molar_mass_g_per_mol
from ..ask.question import Columns, Question, from_unit
from ..ask.ranges import GRAINS, spoken
from ..case.case import Case
from ..chemistry.constants import Floats
from ..policy import Unknown

Mask = NDArray[np.bool_]

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
    rng = np.random.default_rng(SEED)
    shares = _numbers(rng, len(question.unknowns))
    labels, leans = list(question.mixtures), _leans(question)
    picks = np.zeros((len(shares), len(labels)))
    towards = np.ones_like(picks)
    if leans:
        products = [question.labeled(name) for name in labels]
        # A label without sources never comes out clear, and unknown whatever the corners say where it may not dissolve.
        most = LABEL_ROWS // len(leans)
        if not all(item.composition.listed for item in products):
            most = 2 if all(item.composition.listed or item.soluble for item in products) else 1
        every = max(1, min(len(shares), most))
        # Each lean meets the best estimate, and corners of the numbers in turn.
        rows = [
            np.unique([0, *((1 + i + k * every) % len(shares) for k in range(every))])
            if every < len(shares)
            else np.arange(len(shares))
            for i in range(len(leans))
        ]
        inside = _latin(rng, LABEL_INSIDE, len(question.unknowns))
        shares = np.concatenate([shares, *(shares[row] for row in rows), inside])
        own = np.array([[rng.integers(question.mixtures[name]) for name in labels] for _ in inside], dtype=float)
        picks = np.concatenate(
            [picks, *(np.tile(lean, (len(row), 1)) for lean, row in zip(leans, rows, strict=True)), own]
        )
        towards = np.concatenate([np.ones((len(picks) - len(own), len(labels))), rng.random(own.shape)])
    columns = question.columns(len(shares))
    for j, unknown in enumerate(question.unknowns):
        columns[unknown.name] = from_unit(unknown, shares[:, j])
    for j, name in enumerate(labels):
        columns[name], columns[f"{name}_share"] = picks[:, j].copy(), towards[:, j].copy()
    return columns


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


def _leans(question: Question) -> list[tuple[int, ...]]:
    """For each of DIRECTIONS the mixture of every label that goes furthest in it, each combination once."""
    labeled = [question.labeled(name).composition for name in question.mixtures]
    found = dict.fromkeys(tuple(c.towards(d) for c in labeled) for d in range(len(DIRECTIONS)))
    return [lean for lean in found if any(lean)]


def _latin(rng: np.random.Generator, rows: int, size: int) -> Floats:
    """Latin hypercube: each range is cut into as many strips as rows, one point in each."""
    if not size:
        return np.zeros((rows, 0))
    cells = np.array([rng.permutation(rows) for _ in range(size)]).T
    return np.asarray((cells + rng.random((rows, size))) / rows)


@dataclass(frozen=True)
class Choice:
    """What decides where there is no number: with `worse` the answer is trouble, with `better` it is not; "" where
    none was found."""

    worse: str
    better: str


@dataclass(frozen=True)
class Input:
    """Something that is not known: a number of the water or the pour, or what a label leaves open.

    name: in words; values: in the swept scenarios, (B,); ends: first and last place on its scale; put: sets columns
    to places, value: what places are in `unit`; cost: of finding out, 1 (a look) to 4 (a lab); choose: for what is no
    number, finds what decides from where the answer is trouble.
    """

    name: str
    unit: str
    find_out: str
    cost: int
    values: Floats
    ends: tuple[float, float]
    put: Callable[[Columns, Floats], None]
    value: Callable[[Floats], Floats]
    choose: Callable[[Mask], Choice] | None = None


def inputs(question: Question, columns: Columns) -> list[Input]:
    """Everything that is swept."""
    found = [
        _unit_of_hardness(unknown, columns) if unknown.name == GRAINS else _number(unknown, columns)
        for unknown in question.unknowns
    ]
    for name in question.mixtures:
        found += _label(question, name, columns)
    return found


def _unit_of_hardness(unknown: Unknown, columns: Columns) -> Input:
    """Which of two units a number was in; the way between them means nothing."""

    def choose(bad: Mask) -> Choice:
        grains = columns[unknown.name] > 0.5
        worse = np.mean(bad[grains]) >= np.mean(bad[~grains]) if np.any(grains) else True
        units = ("grains per gallon", "mg/L")
        return Choice(*(units if worse else units[::-1]))

    made = _number(unknown, columns)
    return replace(made, values=(made.values > 0.5).astype(float), choose=choose)


def _number(unknown: Unknown, columns: Columns) -> Input:
    def put(table: Columns, places: Floats) -> None:
        table[unknown.name] = from_unit(unknown, places)

    def value(places: Floats) -> Floats:
        return from_unit(unknown, places)

    return Input(
        spoken(unknown.name),
        unknown.unit,
        unknown.find_out,
        unknown.cost,
        columns[unknown.name],
        (0.0, 1.0),
        put,
        value,
    )


#: Species of a label whose amount is open by less than this share decide nothing by themselves.
_OPEN_SHARE = 0.02


def _label(question: Question, name: str, columns: Columns) -> list[Input]:
    """One input per species that a label leaves open; species that go in step are one. A label without sources is
    one input as a whole."""
    item = question.labeled(name)
    product, known = item.product, item.composition
    if not known.listed:
        return [_sources(question, name, columns)]
    best = known.mixtures[0].species_mol_per_kg
    share, pick = columns[f"{name}_share"], columns[name].astype(int)
    found: list[Input] = []
    for species, (low, _, high) in known.bounds_mol_per_kg.items():
        if species in {"H2O", "H+"} or high - low <= _OPEN_SHARE * max(high, 1e-9):
            continue
        table = np.array([mixture.species_mol_per_kg.get(species, 0.0) for mixture in known.mixtures])
        percent = species_molar_mass_g_per_mol(species) / 10.0 * ((1.0 - share) * table[0] + share * table[pick])
        if any(np.allclose(percent / percent.max(), other.values / other.values.max(), atol=1e-3) for other in found):
            continue
        least, most = int(np.argmin(table)), int(np.argmax(table))
        to_percent = species_molar_mass_g_per_mol(species) / 10.0

        def put(out: Columns, places: Floats, least: int = least, most: int = most) -> None:
            out[name] = np.where(places < 0.0, float(least), float(most))
            out[f"{name}_share"] = np.abs(places)

        def value(
            places: Floats, table: Floats = table, least: int = least, most: int = most, to: float = to_percent
        ) -> Floats:
            end = np.where(places < 0.0, table[least], table[most])
            return np.asarray(to * (table[0] + np.abs(places) * (end - table[0])))

        name_of_it = f"{SPECIES[species].spoken} in {product.name}"
        expected = f"{to_percent * best.get(species, 0.0):.3g} % is expected"
        found.append(
            Input(
                name_of_it,
                "% of its mass",
                f"ask the maker for a data sheet, or a lab: {name_of_it}, {expected}",
                4,
                percent,
                (-1.0, 1.0),
                put,
                value,
            )
        )
    return found


def _sources(question: Question, name: str, columns: Columns) -> Input:
    """What a label without sources leaves open: which of its mixtures it is; there is no number to turn at."""
    item = question.labeled(name)
    mixtures, product = item.composition.mixtures, item.product.name

    def put(_table: Columns, _places: Floats) -> None:
        raise AssertionError("has no places between which it could turn")

    def value(places: Floats) -> Floats:
        return places

    def choose(bad: Mask) -> Choice:
        pick, ends = columns[name].astype(int), columns[f"{name}_share"] == 1.0
        bad_share = {i: float(np.mean(bad[ends & (pick == i)])) for i in np.unique(pick[ends])}
        names = {
            side: [
                _made_of(question, mixtures[i].sources) for i in sorted(chosen, key=lambda i: len(mixtures[i].sources))
            ]
            for side, chosen in (
                ("none", [i for i, share in bad_share.items() if share == 0.0]),
                ("trouble", [i for i, share in bad_share.items() if share > 0.5]),
            )
        }
        return Choice(*(names[side][0] if names[side] else "" for side in ("trouble", "none")))

    how = f'read the "derived from" line on the label of {product}'
    return Input(f"sources of {product}", "", how, 1, columns[name], (0.0, 0.0), put, value, choose)


#: A source of less than this share of the mass is not named, nor more than the largest few.
_NAMED_SHARE, _MOST_NAMED = 0.02, 3


def _made_of(question: Question, sources: Mapping[str, float]) -> str:
    named = sorted((-share, name) for name, share in sources.items() if share > _NAMED_SHARE)[:_MOST_NAMED]
    return ", ".join(f"{-share * 100:.0f} % {question.material(name).name}" for share, name in named)


def explained(values: Floats, bad: Mask, *, kinds: bool = False) -> float:
    """Share of the disagreement (variance of `bad`) that an input explains by itself: the correlation ratio over up
    to eight classes of its values (kinds: one class per value), less what as many classes explain by chance.
    values, bad: (B,); 0..1."""
    spread = float(np.var(bad.astype(float)))
    distinct = np.unique(values)
    if spread == 0.0 or len(distinct) < 2:
        return 0.0
    edges = (
        distinct[1:] if kinds or len(distinct) <= 8 else np.unique(np.quantile(values, np.linspace(0.125, 0.875, 7)))
    )
    classes = np.searchsorted(edges, values, side="right")
    between, groups = 0.0, 0
    for one in np.unique(classes):
        inside = bad[classes == one]
        between += len(inside) * (float(np.mean(inside)) - float(np.mean(bad))) ** 2
        groups += 1
    ratio, chance = between / len(bad) / spread, (groups - 1) / max(len(bad) - 1, 1)
    return max(0.0, (ratio - chance) / max(1.0 - chance, 1e-9))


@dataclass(frozen=True)
class TurningPoint:
    """Where a verdict turns as one input changes. at: with the rest at its best estimate, or in a scenario in which
    it turns at all; low, high: over the rest of what is not known; worse_above: False when it is worse below;
    explains: share of the disagreement that the input explains by itself. at None: it decides only together with
    others, or by a choice that is no number."""

    input: Input
    explains: float
    at: float | None = None
    low: float = 0.0
    high: float = 0.0
    worse_above: bool = True
    choice: Choice | None = None


#: Inputs that are looked at for a turning value, and how much less than the first the second may explain.
_LOOKED_AT, _LOOKED_AT_SHARE, _SECOND_SHARE = 5, 0.2, 0.35
#: Inputs that explain nearly as much as another that is cheaper to find out come after it.
_ALIKE = 0.8
#: On its good side an input leaves at most this share of the trouble of its other side.
_HELPS = 0.8
#: Correlation above which two inputs say the same.
_STEP = 0.7

Trouble = Callable[[Case], Mask]


def turns(question: Question, columns: Columns, bad: Mask, trouble: Trouble) -> list[TurningPoint]:
    """The one or two inputs that decide, with the values at which the answer turns; the most telling first, of those
    that tell alike the cheapest to find out.

    columns, bad: the swept scenarios and where the answer is trouble; trouble: says the same of other scenarios.
    """
    shares = [(explained(one.values, bad, kinds=one.choose is not None), one) for one in inputs(question, columns)]
    ranked = sorted(shares, key=lambda pair: -pair[0])
    least = _LOOKED_AT_SHARE * ranked[0][0] if ranked else 0.0
    found = [
        _turn(question, columns, bad, trouble, one, share)
        for share, one in ranked[:_LOOKED_AT]
        if share > 0.0 and share >= least
    ]
    sure = [turn for turn in found if turn.input.choose is not None or (turn.at is not None and _helps(turn, bad))]
    if not sure:
        return found[:2]
    lead = max(sure, key=lambda turn: turn.explains)
    alike = [turn for turn in sure if turn.explains >= _ALIKE * lead.explains]
    first = min(alike, key=lambda turn: (turn.input.cost, -turn.explains))
    rest = [
        turn
        for turn in sure
        if turn is not first
        and turn.explains >= _SECOND_SHARE * lead.explains
        and not _in_step(turn.input.values, first.input.values)
    ]
    return [first, *rest[:1]]


def _helps(turn: TurningPoint, bad: Mask) -> bool:
    """True where on the good side of the value there is clearly less trouble than on the other."""
    assert turn.at is not None
    above = turn.input.values > turn.at
    sides = (bad[above], bad[~above])
    if not len(sides[0]) or not len(sides[1]):
        return True
    trouble, good = (float(np.mean(side)) for side in (sides if turn.worse_above else sides[::-1]))
    return good <= _HELPS * trouble


def _in_step(one: Floats, other: Floats) -> bool:
    """True for two inputs that say the same, as potassium and phosphate of one source do."""
    return bool(abs(np.corrcoef(one, other)[0, 1]) > _STEP)


def _turn(question: Question, columns: Columns, bad: Mask, trouble: Trouble, one: Input, share: float) -> TurningPoint:
    if one.choose is not None:
        return TurningPoint(one, share, choice=one.choose(bad))
    points, others = 21, min(14, len(bad))
    pick = np.unique(np.concatenate([[0], np.linspace(0, len(bad) - 1, others).astype(int)]))

    def seen(places: Floats, rows: Sequence[int] | np.ndarray) -> Mask:
        table = {name: np.repeat(column[rows], len(places)) for name, column in columns.items()}
        one.put(table, np.tile(places, len(rows)))
        return trouble(Case(question, table)).reshape(len(rows), -1)

    grid = np.linspace(*one.ends, points)
    found = seen(grid, pick)
    change = found[:, 1:] != found[:, :-1]
    crossing = np.any(change, axis=1)
    if not np.any(crossing):
        return TurningPoint(one, share)
    first = np.argmax(change, axis=1)
    rows = np.flatnonzero(crossing)
    lead = 0 if crossing[0] else int(rows[len(rows) // 2])
    finer = np.linspace(grid[first[lead]], grid[first[lead] + 1], 21)
    fine = seen(finer, pick[[lead]])[0]
    step = int(np.argmax(fine[1:] != fine[:-1]))
    rising = bool(fine[step + 1])
    at = float(one.value(finer[[step if rising else step + 1]])[0])
    # In the other scenarios it turns somewhere in a cell of the grid: the whole cell counts.
    others_turn = rows[first[rows] != first[lead]]
    ends = np.concatenate([[at], one.value(grid[first[others_turn]]), one.value(grid[first[others_turn] + 1])])
    return TurningPoint(one, share, at, float(np.min(ends)), float(np.max(ends)), rising)
