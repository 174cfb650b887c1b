"""Which way every rule turns as one number of a pour goes up, against what it declares (`Rule.turns`).

    python tests/evidence/directions.py --pours 10000 --seed 1

Draws pours (drawn_pours.py), raises one lever at a time by a drawn step with all else held, and counts how often the
level of each rule rose and fell. Exit code: 1 where a rule turned another way than it declares.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from drawn_pours import Drawn, Rng, draw_question, draw_scenarios

from pourcheck import Catalog
from pourcheck.catalog.quantity.table import (
    ALKALINITY,
    AMOUNT_FACTOR,
    BUCKET_TEMPERATURE,
    CALCIUM,
    INJECTION_RATIO,
    LINE_TEMPERATURE,
    PH,
    Quantity,
)
from pourcheck.rules.answer.assess import one_thread
from pourcheck.rules.case.case import Case
from pourcheck.rules.families.registry import Judge, rules
from pourcheck.rules.judge.rule import Level, Levels

#: Levers, and the most by which each is raised: as a factor (True) or a difference, in its unit.
STEPS: dict[Quantity, tuple[float, bool]] = {
    AMOUNT_FACTOR: (2.5, True),
    INJECTION_RATIO: (2.5, True),
    CALCIUM: (80.0, False),
    ALKALINITY: (100.0, False),
    PH: (0.8, False),
    LINE_TEMPERATURE: (15.0, False),
    BUCKET_TEMPERATURE: (12.0, False),
}
#: Scenarios of one drawn question.
ROWS = 8


@dataclass
class Turned:
    """How often a rule's level rose and fell with a lever, and one pour in which it did."""

    rose: int = 0
    fell: int = 0
    seen: dict[str, str] = field(default_factory=dict)


Turns = dict[tuple[str, str], Turned]


def raised(rng: Rng, drawn: Drawn) -> tuple[Case, list[Quantity]]:
    """A case with every scenario as it is, followed by the same with each lever raised, and the levers."""
    question, columns = drawn.question, drawn.columns
    rows = len(columns)
    levers = [lever for lever in STEPS if lever in columns]
    stacked = columns.repeated(np.tile(np.arange(rows), 1 + len(levers)), 1)
    for k, lever in enumerate(levers, start=1):
        most, by_ratio = STEPS[lever]
        values, own = columns.numbers[lever.name], rng.random(rows)
        up = values * most**own if by_ratio else values + most * own
        if lever is AMOUNT_FACTOR:
            up = np.minimum(up, question.most_amount_factor)
        whole = stacked.numbers[lever.name].copy()
        whole[k * rows : (k + 1) * rows] = up
        stacked = stacked.moved(lever, whole)
    return Case(question, stacked), levers


def levels_of(case: Case) -> Iterator[tuple[str, Levels]]:
    """What every rule says by itself, where it says anything."""
    for one in Judge(case.question.region)(case):
        yield one.rule.name, one.outcome.level


def measure(rng: Rng, catalog: Catalog, pours: int, counts: Turns, spoke: Counter[str]) -> None:
    """Draw so many pours and count. spoke: pours of which a rule says anything."""
    for _ in range(-(-pours // ROWS)):
        question = draw_question(rng, catalog, stated=True)
        case, levers = raised(rng, draw_scenarios(rng, question, ROWS))
        if np.any(case.unsolved("water", "bucket", "bucket_in_air", "line", "water_in_line")):
            continue
        for name, level in levels_of(case):
            table = level.reshape(1 + len(levers), ROWS)
            spoke[name] += int(np.sum(table[0] > Level.NONE))
            for lever, row in zip(levers, table[1:], strict=True):
                one = counts.setdefault((name, lever.name), Turned())
                for way, turned in (("rose", row > table[0]), ("fell", row < table[0])):
                    if np.any(turned):
                        setattr(one, way, getattr(one, way) + int(np.sum(turned)))
                        k = int(np.argmax(turned))
                        poured = ", ".join(item.product.name for item in question.poured)
                        one.seen.setdefault(way, f"{poured}: {Level(table[0][k]).name} to {Level(row[k]).name}")


def strays(counts: Turns) -> list[str]:
    """Turns that a rule does not declare."""
    found = []
    for rule in rules():
        for lever in STEPS:
            one = counts.get((rule.name, lever.name), Turned())
            worse, better = rule.turns.may(lever)
            for turned, declared, way in ((one.rose, worse, "rose"), (one.fell, better, "fell")):
                if turned and not declared:
                    found.append(f"{rule.name} {way} with more {lever.spoken} in {turned}, as in {one.seen[way]}")
    return found


def main() -> int:
    """Measure, print, compare."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--pours", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    counts: Turns = {}
    spoke: Counter[str] = Counter()
    with Catalog.open("sqlite://") as catalog, one_thread():
        measure(np.random.default_rng(asked.seed), catalog, asked.pours, counts, spoke)
    print(f"{asked.pours} pours, each lever raised once: pours of which a rule speaks; how often it rose and fell")
    for rule in rules():
        turned = [
            f"{lever.spoken} +{one.rose} -{one.fell}"
            for lever in STEPS
            if (one := counts.get((rule.name, lever.name), Turned())).rose or one.fell
        ]
        print(f"{rule.name} {spoke[rule.name]}: {', '.join(turned) or 'never turned'}")
    found = strays(counts)
    print("\n".join(["turned another way than declared:", *found] if found else ["every turn is declared"]))
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
