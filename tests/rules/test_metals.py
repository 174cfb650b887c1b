"""The rules of trace metals: a scenario's answer is its own, and more of a metal is never milder."""

from __future__ import annotations

import numpy as np
import pytest

from pourcheck import Catalog, Pour
from pourcheck.catalog.quantity.table import ALKALINITY, BUCKET_TEMPERATURE, CALCIUM, LINE_TEMPERATURE, PH, Quantity
from pourcheck.rules.ask.question import Question, ask
from pourcheck.rules.case.case import Case
from pourcheck.rules.families.metals import METAL_HYDROXIDE, METAL_MEETS_PHOSPHATE, METAL_MEETS_PHOSPHATE_IN_LINE
from pourcheck.rules.judge.rule import Level, Levels, Rule

RULES = (METAL_HYDROXIDE, METAL_MEETS_PHOSPHATE, METAL_MEETS_PHOSPHATE_IN_LINE)
#: Least and most of each in a drawn water [mg/L CaCO3, mg/L, pH, degC].
DRAWN: dict[Quantity, tuple[float, float]] = {
    ALKALINITY: (10.0, 350.0), CALCIUM: (5.0, 150.0), PH: (5.8, 8.5), BUCKET_TEMPERATURE: (5.0, 35.0),
    LINE_TEMPERATURE: (10.0, 40.0),
}  # fmt: skip
WATERS = 24


def question(catalog: Catalog, *products: str) -> Question:
    """A pour at 1:100 into a water of which everything is stated."""
    water = {
        "ph": 7.6, "calcium": "95 mg/L", "magnesium": "8 mg/L", "alkalinity": "210 mg/L CaCO3", "sodium": "10 mg/L",
        "chloride": "30 mg/L", "sulfate": "40 mg/L", "iron": "0 mg/L", "manganese": "0 mg/L", "silica": "10 mg/L",
        "temperature": "14 degC",
    }  # fmt: skip
    listed = [dict(zip(("name", "amount"), text.split("="), strict=True)) for text in products]
    pour = {
        "product": listed,
        "bucket": {"volume": "5 gal", "temperature": "20 degC"},
        "water": water,
        "injection": {"ratio": "1:100", "injector": "measured", "line_temperature": "25 degC"},
    }
    return ask(Pour.parse(pour), catalog)


def drawn() -> dict[Quantity, np.ndarray]:
    """Waters and temperatures, evenly."""
    random = np.random.default_rng(3)
    return {quantity: random.uniform(*span, WATERS) for quantity, span in DRAWN.items()}


def levels(asked: Question, rule: Rule, values: dict[Quantity, np.ndarray]) -> Levels:
    """What a rule says of these waters."""
    size = len(values[PH])
    columns = asked.columns(size)
    for quantity, column in values.items():
        columns = columns.moved(quantity, column)
    outcome = rule.check(Case(asked, columns))
    return np.zeros(size, dtype=np.int64) if outcome is None else outcome.level


@pytest.mark.parametrize(
    "products",
    [
        ("zinc sulfate=0.3 oz",),
        ("copper sulfate=0.3 oz", "manganese sulfate=2 oz"),
        ("manganese sulfate=0.4 oz", "monopotassium phosphate=1 lb"),
        ("zinc EDTA=2 oz", "iron sulfate=0.5 oz", "dipotassium phosphate=4 oz"),
    ],
)
def test_a_scenario_does_not_feel_the_others(products: tuple[str, ...], catalog: Catalog) -> None:
    """Each of 24 waters asked alone gets the level that it gets among the others; several levels are met."""
    asked, values = question(catalog, *products), drawn()
    met = set()
    for rule in RULES:
        together = levels(asked, rule, values)
        alone = [
            int(levels(asked, rule, {quantity: column[i : i + 1] for quantity, column in values.items()})[0])
            for i in range(WATERS)
        ]
        assert together.tolist() == alone, rule.name
        met |= set(alone)
    assert len(met) >= 2


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
@pytest.mark.parametrize("metal", ["zinc sulfate", "manganese sulfate", "iron sulfate", "copper sulfate"])
def test_more_of_a_metal_is_never_milder(rule: Rule, metal: str, catalog: Catalog) -> None:
    """From 1 g to 4 oz, in 24 waters, with a little phosphate where the rule asks for it; both ends are met."""
    beside = () if rule is METAL_HYDROXIDE else ("monopotassium phosphate=8 oz",)
    amounts = ("0.05 oz", "0.15 oz", "0.5 oz", "1.5 oz", "4 oz")
    found = np.array([levels(question(catalog, f"{metal}={amount}", *beside), rule, drawn()) for amount in amounts])
    milder = np.diff(found, axis=0) < 0
    assert not np.any(milder), found[:, np.any(milder, axis=0)].T
    assert np.min(found[0]) < Level.STOP
    assert np.max(found[-1]) == Level.STOP
