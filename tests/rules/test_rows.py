"""What a rule says of a scenario does not depend on the scenarios that are asked with it."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest

from pourcheck import Catalog, Pour, check
from pourcheck.catalog.quantity.table import AMOUNT_FACTOR
from pourcheck.rules.ask.question import Question, ask
from pourcheck.rules.case.case import Case
from pourcheck.rules.families.dissolving import MORE_THAN_DISSOLVES
from pourcheck.rules.families.registry import Judge
from pourcheck.rules.judge.rule import Judged, Level

sys.path.insert(0, str(Path(__file__).parent.parent / "evidence"))
from drawn_pours import draw_question, draw_scenarios, rows_of

#: Drawn pours in all, in parts; scenarios of each, and of those asked one by one.
PARTS, POURS, ROWS, ALONE = 4, 12, 16, 4
#: Rules whose sentence tells the span of a number over all scenarios, which is what they are asked for.
SPEAK_OF_ALL = {"injection-does-not-fit"}


def said(question: Question, case: Case) -> dict[str, Judged]:
    """What every rule says, by its name; those that say nothing left out."""
    return {one.rule.name: one for one in Judge(question.region)(case)}


def of_row(one: Judged | None, row: int) -> tuple[int, dict[str, float], str]:
    """Level, numbers and sentence of one scenario; a number that is none there is left out."""
    if one is None or not one.level[row]:
        return 0, {}, ""
    outcome = one.outcome
    numbers = {
        key: float(np.broadcast_to(np.asarray(value, dtype=float), one.level.shape)[row])
        for key, value in outcome.numbers.items()
    }
    words = outcome.message({**numbers, "level": float(outcome.level[row]), "row": float(row)})
    if outcome.severity is not None:
        numbers["severity"] = float(outcome.severity[row])
    return int(one.level[row]), {key: value for key, value in numbers.items() if np.isfinite(value)}, words


def differ(one: Mapping[str, float], other: Mapping[str, float]) -> list[str]:
    """Names of the numbers that are not the same to the solver's tolerance."""
    keys = sorted({*one, *other})
    return [
        f"{key}: {one.get(key)} {other.get(key)}"
        for key in keys
        if key not in one or key not in other or not np.isclose(one[key], other[key], rtol=1e-6, atol=1e-6)
    ]


@pytest.mark.parametrize("part", range(PARTS))
def test_a_row_is_judged_by_itself(catalog: Catalog, part: int) -> None:
    """Every rule on drawn pours: the same level, numbers and words of a scenario among others, alone, and in another
    company and order."""
    rng = np.random.default_rng(100 + part)
    spoke: set[str] = set()
    wrong: list[str] = []
    for _ in range(POURS):
        question = draw_question(rng, catalog, stated=bool(rng.random() < 0.5))
        drawn = draw_scenarios(rng, question, ROWS)
        together = said(question, Case(question, drawn.columns))
        spoke |= set(together)
        others = np.concatenate([rng.permutation(ROWS)[: ROWS // 2], rng.integers(ROWS, size=2)])
        asked = [np.array([row]) for row in rng.permutation(ROWS)[:ALONE]] + [others]
        for rows in asked:
            apart = said(question, Case(question, rows_of(drawn, rows).columns))
            for name in {*together, *apart}:
                for place, row in enumerate(rows):
                    one, other = of_row(together.get(name), int(row)), of_row(apart.get(name), place)
                    numbers = differ(one[1], other[1])
                    if one[0] != other[0] or numbers or (one[2] != other[2] and name not in SPEAK_OF_ALL):
                        poured = [item.product.name for item in question.poured]
                        wrong.append(f"{poured}, row {row} of {len(rows)}: {name} {one} {other} {numbers}")
    assert wrong == []
    assert len(spoke) > 35, "most rules speak in some of them"


def test_little_of_what_has_no_curve_is_not_asked_for_more(catalog: Catalog) -> None:
    """Ammonium molybdate, for whose solubility no curve is on record: a scenario with much of it does not make one with
    little of it unknown, and nobody is told to pour at least so much."""
    pour = {
        "product": [{"name": "ammonium molybdate", "amount": "150 g"}],
        "bucket": {"volume": "5 gal", "temperature": "20 degC"},
        "injection": {"ratio": "1:100", "injector": "measured", "line_temperature": "20 degC"},
        "water": {
            "ph": 6.8, "calcium": "1 mg/L", "magnesium": "1 mg/L", "alkalinity": "20 mg/L CaCO3", "sodium": "5 mg/L",
            "chloride": "5 mg/L", "sulfate": "2 mg/L", "iron": "0 mg/L", "manganese": "0 mg/L", "silica": "5 mg/L",
            "temperature": "12 degC",
        },
    }  # fmt: skip
    question = ask(Pour.parse(pour), catalog)
    columns = question.columns(3).moved(AMOUNT_FACTOR, np.array([0.01, 1.0, 2.0]))
    outcome = MORE_THAN_DISSOLVES.check(Case(question, columns))
    assert outcome is not None
    assert outcome.level.tolist() == [Level.NONE, Level.NONE, Level.UNKNOWN]  # 10 g/kg of it is let pass
    edge = check(pour, catalog).edge("amount_factor")
    assert edge is None or edge.worse is None or edge.worse.value > edge.now
