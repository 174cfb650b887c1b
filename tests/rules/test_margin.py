"""Margins: a hair inside the value that is given the verdict holds, a little outside it does not.

What a margin claims is tried by asking again with that number stated. The wells and pours are made up.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import pytest

from pourcheck import Catalog, check
from pourcheck.catalog.quantity.table import LEVERS
from pourcheck.rules.answer.verdict import Edge, Verdict

HARD = {
    "ph": 7.6, "alkalinity": 210.0, "calcium": 95.0, "magnesium": 8.0, "sodium": 10.0, "potassium": 1.0,
    "chloride": 30.0, "sulfate": 40.0, "nitrate": 5.0, "iron": 0.01, "manganese": 0.005, "silica": 10.0,
}  # fmt: skip
SOFT = {
    "ph": 6.8, "alkalinity": 17.0, "calcium": 4.0, "magnesium": 1.2, "sodium": 3.0, "potassium": 1.0,
    "chloride": 3.0, "sulfate": 4.0, "nitrate": 1.0, "iron": 0.01, "manganese": 0.005, "silica": 8.0,
}  # fmt: skip


#: The quantities that are moved, by their name in an answer.
QUANTITY = {quantity.key: quantity for quantity in LEVERS}


def beyond(edge: Edge) -> float:
    """The value of the one side that an edge has."""
    (side,) = filter(None, (edge.better, edge.worse))
    return side.value


def found(verdict: Verdict) -> dict[str, float]:
    """Where a verdict turns, by what is moved."""
    return {edge.input: beyond(edge) for edge in verdict.edges}


@dataclass(frozen=True)
class Asked:
    """A pour of which everything is one number: kg of products in 20 L, mg/L (alkalinity CaCO3), degC."""

    products: dict[str, float]
    water: dict[str, float]
    ratio: float = 100.0
    line_c: float = 25.0
    bucket_c: float = 15.0

    def pour(self, read: str = "measured") -> dict[str, Any]:
        """In the pour's schema."""
        units = {"ph": "", "alkalinity": " mg/L CaCO3"}
        water: dict[str, Any] = {k: f"{v!r}{units.get(k, ' mg/L')}" for k, v in self.water.items()}
        return {
            "product": [{"name": name, "amount": f"{kg!r} kg"} for name, kg in self.products.items()],
            "bucket": {"volume": "20 L", "temperature": f"{self.bucket_c!r} degC"},
            "water": water | {"temperature": "14 degC"},
            "injection": {
                "ratio": f"1:{self.ratio!r}",
                "ratio_read": read,
                "line_temperature": f"{self.line_c!r} degC",
            },
            "site": {"backflow_preventer": True},
        }

    def at(self, margin: str, value: float) -> Asked:
        """The same with one number changed."""
        if margin == "amount_factor":
            return replace(self, products={name: kg * value for name, kg in self.products.items()})
        if margin == "injection_ratio":
            return replace(self, ratio=value)
        if margin == "line_temperature":
            return replace(self, line_c=value)
        if margin == "bucket_temperature":
            return replace(self, bucket_c=value)
        return replace(self, water={**self.water, QUANTITY[margin].name: value})


POURS = {
    # calcium phosphate in the line and in the bucket
    "clear MAP, soft": Asked({"MAP": 0.45}, SOFT),
    "stopped MAP, hard": Asked({"MAP": 0.45}, HARD),
    "stopped in the bucket": Asked({"MAP": 0.005}, HARD),
    "MAP near the edge": Asked({"MAP": 0.2}, {**SOFT, "calcium": 48.0, "ph": 7.5, "alkalinity": 100.0}),
    # lime
    "lime near the edge": Asked({"potassium carbonate": 0.06}, HARD),
    # salt that stays on the bottom of a cold bucket
    "cold potassium nitrate": Asked({"potassium nitrate": 3.5}, SOFT),
    # gypsum
    "stopped gypsum": Asked({"calcium nitrate": 0.9, "magnesium sulfate": 0.9}, SOFT),
    "potassium sulfate, hard": Asked({"potassium sulfate": 1.0}, HARD),
}
#: How far inside and outside of a margin is tried: shares of what goes by ratio, and of pH and degC [1].
BY_RATIO, BY_PH, BY_C = 0.02, 0.06, 0.8


def beside(margin: str, value: float, here: float) -> tuple[float, float]:
    """A number just inside a margin, towards what is stated, and one just outside."""
    outwards = 1.0 if value > here else -1.0
    lever = QUANTITY[margin].lever
    assert lever is not None
    if lever.by_ratio:
        return value * (1.0 - 0.001 * outwards), value * (1.0 + BY_RATIO * outwards)
    step = BY_PH if margin == "water_ph" else BY_C
    return value - 0.02 * step * outwards, value + step * outwards


def levels(asked: Asked, catalog: Catalog) -> set[str]:
    """Levels of what is found. A water test of which one number alone is changed is out of balance, as no water is:
    what is said of the test as such is left out."""
    findings = check(asked.pour(), catalog, details=False).findings
    return {finding.level for finding in findings if not finding.rule.startswith("water-test-")}


def stopped(asked: Asked, catalog: Catalog) -> bool:
    """True for a stop."""
    return "stop" in levels(asked, catalog)


def goes(asked: Asked, catalog: Catalog) -> bool:
    """True for clear or caution."""
    return not levels(asked, catalog) & {"stop", "unknown"}


@pytest.mark.parametrize("which", POURS)
def test_a_margin_is_where_the_verdict_turns(catalog: Catalog, which: str) -> None:
    """Inside it a stop is a stop and a go is a go; outside neither is. Where there is none, none of a few values in
    the range that is looked at turns it."""
    asked = POURS[which]
    verdict = check(asked.pour(), catalog)
    assert verdict.verdict != "unknown"
    holds = stopped if verdict.verdict == "stop" else goes
    wrong = []
    edges = {edge.input: edge for edge in verdict.edges}
    for margin, quantity in QUANTITY.items():
        lever = quantity.lever
        assert lever is not None
        value = found(verdict).get(margin)
        if margin == "water_hardness":
            assert value is None  # calcium was told apart
            continue
        if value is None:
            # An overfull bucket is refused, not judged.
            high = 1.2 if margin == "amount_factor" else lever.high
            places = [lever.low, high, *(lever.low + share * (high - lever.low) for share in (0.02, 0.1, 0.3, 0.6))]
            if margin == "amount_factor" and verdict.verdict == "stop":
                continue
            wrong += [f"{margin} {v:.4g} turns it" for v in places if not holds(asked.at(margin, v), catalog)]
            continue
        here = edges[margin].now
        inside, outside = beside(margin, value, here)
        if not holds(asked.at(margin, inside), catalog):
            wrong.append(f"{margin} {value:.4g} has turned at {inside:.4g} already")
        if holds(asked.at(margin, outside), catalog):
            wrong.append(f"{margin} {value:.4g} has not turned at {outside:.4g}")
    assert wrong == []


def test_every_number_has_a_margin_somewhere(catalog: Catalog) -> None:
    """The table above tries each of them, on stops and on goes, upwards and downwards."""
    seen: set[tuple[str, bool]] = set()
    for which in ("stopped in the bucket", "lime near the edge"):
        edges = check(POURS[which].pour(), catalog).edges
        seen |= {(edge.input, beyond(edge) > edge.now) for edge in edges}
    assert {name for name, _ in seen} == set(QUANTITY) - {"water_hardness"}
    assert {upwards for _, upwards in seen} == {True, False}


def test_the_margin_of_a_ratio_off_a_dial_is_nearer(catalog: Catalog) -> None:
    """10 % that a dial may be off (from memory: makers of proportional injectors) are taken off the margin."""
    asked = POURS["lime near the edge"]
    measured = found(check(replace(asked, ratio=120.0).pour(), catalog))["injection_ratio"]
    off_a_dial = found(check(replace(asked, ratio=120.0).pour("dial"), catalog))["injection_ratio"]
    assert off_a_dial == pytest.approx(measured / 0.9, rel=0.02)


def test_an_unknown_verdict_has_no_margin(catalog: Catalog) -> None:
    """Its deciding inputs say where it turns."""
    data = POURS["clear MAP, soft"].pour()
    del data["water"]["calcium"]
    verdict = check({**data, "product": [{"name": "MAP", "amount": "2 kg"}]}, catalog)
    assert verdict.verdict == "unknown"
    assert verdict.edges == ()
    assert verdict.decided_by


def test_what_stops_by_no_number_has_no_margin(catalog: Catalog) -> None:
    """Rock phosphate does not dissolve at any amount."""
    asked = Asked({"rock phosphate": 0.1}, SOFT)
    verdict = check(asked.pour(), catalog)
    assert verdict.verdict == "stop"
    assert verdict.edges == ()
