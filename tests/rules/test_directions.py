"""Every rule turns as it declares with more of a lever; more of what makes lime never makes it milder."""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from pourcheck import Catalog, Pour
from pourcheck.catalog.quantity.table import ALKALINITY, AMOUNT_FACTOR, CALCIUM, LINE_TEMPERATURE, PH, Quantity
from pourcheck.rules.ask.question import Question, ask
from pourcheck.rules.case.case import Case
from pourcheck.rules.families.line import LIME_IN_LINE
from pourcheck.rules.families.registry import rules
from pourcheck.rules.families.water import WATER_SCALES_BY_ITSELF
from pourcheck.rules.judge.rule import Levels, Rule

sys.path.insert(0, str(Path(__file__).parent.parent / "evidence"))
from directions import STEPS as LEVERS
from directions import Turns, measure, strays

POURS = {
    "calcium nitrate": "2 lb",
    "a little calcium nitrate": "1 oz",
    "potassium carbonate": "3 oz",
    "aqua ammonia": "4 fl oz",
    "urea": "2 lb",
}
#: How far up each is moved: mg/L, mg/L CaCO3, pH. Not the temperature: closed to the air, a warmer line has a lower pH,
#: which at pH 8 and above can outweigh the lower solubility of calcite by some hundredths of an index.
STEPS: dict[Quantity, float] = {CALCIUM: 40.0, ALKALINITY: 40.0, PH: 0.3}
#: Pours with alkali: more alkalinity buffers it, so that the pH rises less.
ALKALINE = {"potassium carbonate", "aqua ammonia"}
WATERS = 600


def question(catalog: Catalog, name: str) -> Question:
    """A pour of one product at 1:64, everything of the water stated."""
    product = name.removeprefix("a little ")
    water = {
        "ph": 7.6, "calcium": "95 mg/L", "magnesium": "8 mg/L", "alkalinity": "210 mg/L CaCO3", "sodium": "10 mg/L",
        "chloride": "30 mg/L", "sulfate": "40 mg/L", "iron": "0 mg/L", "manganese": "0 mg/L", "silica": "10 mg/L",
        "temperature": "14 degC",
    }  # fmt: skip
    return ask(
        Pour.parse(
            {
                "product": [{"name": product, "amount": POURS[name]}],
                "bucket": {"volume": "5 gal", "temperature": "20 degC"},
                "water": water,
                "injection": {"ratio": "1:64", "injector": "measured", "line_temperature": "25 degC"},
            }
        ),
        catalog,
    )


def levels(asked: Question, rule: Rule, drawn: dict[Quantity, np.ndarray], size: int) -> Levels:
    """What a rule says of many waters."""
    columns = asked.columns(size)
    for quantity, values in drawn.items():
        columns = columns.moved(quantity, values)
    case = Case(asked, columns)
    outcome = rule.check(case)
    return np.zeros(size, dtype=np.int64) if outcome is None else outcome.level


@pytest.mark.parametrize("rule", [LIME_IN_LINE, WATER_SCALES_BY_ITSELF], ids=lambda rule: rule.name)
@pytest.mark.parametrize("name", POURS)
def test_more_of_what_makes_lime_never_makes_it_milder(catalog: Catalog, name: str, rule: Rule) -> None:
    """Calcium, alkalinity, pH, each moved up alone in some hundred drawn waters."""
    rng = np.random.default_rng(7)
    drawn: dict[Quantity, np.ndarray] = {
        CALCIUM: rng.uniform(2.0, 250.0, WATERS),
        ALKALINITY: rng.uniform(10.0, 400.0, WATERS),
        PH: rng.uniform(6.5, 8.5, WATERS),
        LINE_TEMPERATURE: rng.uniform(14.0, 40.0, WATERS),
    }
    asked = question(catalog, name)
    before = levels(asked, rule, drawn, WATERS)
    for quantity, step in STEPS.items():
        if quantity is ALKALINITY and name in ALKALINE and rule is LIME_IN_LINE:
            continue
        after = levels(asked, rule, {**drawn, quantity: drawn[quantity] + step}, WATERS)
        assert not np.any(after < before), quantity.name
    if rule is WATER_SCALES_BY_ITSELF or name != "urea":
        assert len(np.unique(before)) > 1, "some of these waters are over lime, some are not"


def test_more_calcium_is_no_way_out_of_a_lime_stop(catalog: Catalog) -> None:
    """A well over lime: with twice its calcium it is over lime all the more."""
    asked = question(catalog, "calcium nitrate")
    drawn: dict[Quantity, np.ndarray] = {
        CALCIUM: np.array([105.0, 167.0, 210.0]), ALKALINITY: np.full(3, 275.0), PH: np.full(3, 8.1),
    }  # fmt: skip
    found = levels(asked, LIME_IN_LINE, drawn, 3)
    assert found[0] <= found[1] <= found[2]
    assert found[0] == 4


#: Drawn pours here; tests/evidence/directions.py draws 10,000.
PARTS, DRAWN = 4, 80


@pytest.mark.parametrize("part", range(PARTS))
def test_every_rule_turns_as_it_declares(catalog: Catalog, part: int) -> None:
    """Each lever raised alone in drawn pours: no rule turns a way that it does not declare."""
    counts: Turns = {}
    spoke: Counter[str] = Counter()
    measure(np.random.default_rng(700 + part), catalog, DRAWN, counts, spoke)
    assert strays(counts) == []
    assert sum(one.rose + one.fell for one in counts.values()) > DRAWN, "levels turn in these pours"


@pytest.mark.parametrize("rule", rules(), ids=lambda rule: rule.name)
def test_a_direction_is_one(rule: Rule) -> None:
    """A lever is declared once, is one that is drawn, and what may turn either way says why."""
    named = [*rule.turns.worse, *rule.turns.better, *(lever for levers in rule.turns.either for lever in levers)]
    assert len(named) == len({lever.name for lever in named})
    assert {lever.name for lever in named} <= {lever.name for lever in LEVERS}
    for why in rule.turns.either.values():
        assert len(why) > 15
        assert "\n" not in why


def test_most_directions_are_one_way() -> None:
    """Either way is the exception: of all rules and levers less than one in four; and none of the rules of people's
    safety gets milder with more product, but where alkali takes the acid away or an acid the alkali."""
    ways = [rule.turns.may(lever) for rule in rules() for lever in LEVERS]
    assert sum(worse and better for worse, better in ways) < len(ways) / 4
    milder = {rule.name for rule in rules() if rule.family == "people" and rule.turns.may(AMOUNT_FACTOR)[1]}
    assert milder <= {"chlorine-gas", "ammonia-escapes"}
