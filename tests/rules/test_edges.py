"""Edges: a little inside the value that is given the verdict holds, a little outside it is what the edge says.

What an edge claims is tried by asking again with that number stated. The wells and pours are made up.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from pourcheck import Catalog, check
from pourcheck.catalog.quantity.table import LEVERS

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


@dataclass(frozen=True)
class Asked:
    """A pour of which everything is one number: kg of products in 20 L, mg/L (alkalinity CaCO3), degC."""

    products: dict[str, float]
    water: dict[str, float]
    ratio: float = 100.0
    line_c: float = 25.0
    bucket_c: float = 15.0

    def pour(self, injector: str = "measured") -> dict[str, Any]:
        """In the pour's schema."""
        units = {"ph": "", "alkalinity": " mg/L CaCO3"}
        water: dict[str, Any] = {k: f"{v!r}{units.get(k, ' mg/L')}" for k, v in self.water.items()}
        return {
            "product": [{"name": name, "amount": f"{kg!r} kg"} for name, kg in self.products.items()],
            "bucket": {"volume": "20 L", "temperature": f"{self.bucket_c!r} degC"},
            "water": water | {"temperature": "14 degC"},
            "injection": {
                "ratio": f"1:{self.ratio!r}",
                "injector": injector,
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
    "clear MAP, soft": Asked({"technical MAP": 0.45}, SOFT),
    "stopped MAP, hard": Asked({"technical MAP": 0.45}, HARD),
    "stopped in the bucket": Asked({"technical MAP": 0.005}, HARD),
    "MAP near the edge": Asked({"technical MAP": 0.2}, {**SOFT, "calcium": 48.0, "ph": 7.5, "alkalinity": 100.0}),
    # lime
    "lime near the edge": Asked({"potassium carbonate": 0.06}, HARD),
    # salt that stays on the bottom of a cold bucket
    "cold potassium nitrate": Asked({"potassium nitrate": 3.5}, SOFT),
    # gypsum
    "stopped gypsum": Asked({"calcium nitrate": 0.9, "magnesium sulfate": 0.9}, SOFT),
    "potassium sulfate, hard": Asked({"potassium sulfate": 1.0}, HARD),
}
#: How far inside and outside of an edge is asked again: shares of what goes by ratio; of pH and degC, of their ranges.
ASKED_AGAIN = 0.02


def beside(name: str, value: float, here: float) -> tuple[float, float]:
    """A number just inside an edge, towards what is stated, and one just outside."""
    outwards = 1.0 if value > here else -1.0
    lever = QUANTITY[name].lever
    assert lever is not None
    if lever.by_ratio:
        return value * (1.0 - ASKED_AGAIN * outwards), value * (1.0 + ASKED_AGAIN * outwards)
    step = ASKED_AGAIN * (lever.high - lever.low)
    return value - step * outwards, value + step * outwards


ORDER = ("clear", "caution", "unknown", "stop")


def verdict_of(asked: Asked, catalog: Catalog) -> str:
    """The verdict. A water test of which one number alone is changed is out of balance, as no water is: what is said of
    the test as such is left out."""
    findings = check(asked.pour(), catalog, depth="numbers").findings
    said = [finding.level for finding in findings if not finding.rule.startswith("water-test-")]
    return max((level.replace("note", "clear") for level in said), key=ORDER.index, default="clear")


@pytest.mark.parametrize("which", POURS)
def test_an_edge_is_where_the_verdict_turns(catalog: Catalog, which: str) -> None:
    """Asked again 2 % inside it the verdict is what it was, 2 % outside what the edge says."""
    asked = POURS[which]
    verdict = check(asked.pour(), catalog)
    assert verdict.verdict != "unknown"
    wrong = []
    for edge in verdict.edges:
        for side, better in ((edge.better, True), (edge.worse, False)):
            if side is None:
                continue
            assert (ORDER.index(side.verdict) < ORDER.index(verdict.verdict)) == better
            inside, outside = beside(edge.input, side.value, edge.now)
            found = (
                verdict_of(asked.at(edge.input, inside), catalog),
                verdict_of(asked.at(edge.input, outside), catalog),
            )
            if found != (verdict.verdict, side.verdict):
                wrong.append(f"{edge.input} {side.value:.4g} ({edge.now:.4g}): {found}, told {side.verdict}")
    assert wrong == []


@pytest.mark.parametrize("which", ["clear MAP, soft", "cold potassium nitrate", "stopped gypsum"])
def test_where_there_is_no_edge_nothing_turns(catalog: Catalog, which: str) -> None:
    """A lever without an edge to a side: none of a few values of its range turns the verdict to that side."""
    asked = POURS[which]
    verdict = check(asked.pour(), catalog)
    now, wrong = ORDER.index(verdict.verdict), []
    for name, quantity in QUANTITY.items():
        edge, lever = verdict.edge(name), quantity.lever
        assert lever is not None
        if name in {"water_hardness", "amount_factor"}:
            continue  # calcium was told apart; an overfull bucket is refused, not judged
        for share in (0.02, 0.1, 0.3, 0.6, 0.95):
            value = lever.low + share * (lever.high - lever.low)
            found = ORDER.index(verdict_of(asked.at(name, value), catalog))
            if (found < now and (edge is None or edge.better is None)) or (
                found > now and (edge is None or edge.worse is None)
            ):
                wrong.append(f"{name} {value:.4g}: {ORDER[found]}")
    assert wrong == []


def test_every_number_has_an_edge_somewhere(catalog: Catalog) -> None:
    """The table above tries each of them, to the better and to the worse, upwards and downwards."""
    seen: set[tuple[str, bool, bool]] = set()
    for which in ("stopped in the bucket", "lime near the edge", "cold potassium nitrate", "clear MAP, soft"):
        for edge in check(POURS[which].pour(), catalog).edges:
            for side, better in ((edge.better, True), (edge.worse, False)):
                if side is not None:
                    seen.add((edge.input, better, side.value > edge.now))
    assert {name for name, _, _ in seen} == set(QUANTITY) - {"water_hardness"}
    assert {(better, upwards) for _, better, upwards in seen} == {(b, u) for b in (True, False) for u in (True, False)}


@pytest.mark.parametrize(("injector", "off"), [("pump", 0.10), ("venturi", 0.25)])
def test_the_edge_of_a_ratio_that_was_not_measured_is_nearer(catalog: Catalog, injector: str, off: float) -> None:
    """What an injector may be off (a pump 10 %, from memory: makers of proportional injectors; a Venturi 25 %, common
    practice, no source) is taken off the edge."""
    asked = replace(POURS["MAP near the edge"], ratio=120.0)
    measured = check(asked.pour(), catalog).edge("injection_ratio")
    as_set = check(asked.pour(injector), catalog).edge("injection_ratio")
    assert measured is not None
    assert measured.worse is not None
    assert as_set is not None
    assert as_set.worse is not None
    assert as_set.worse.value == pytest.approx(measured.worse.value / (1.0 - off), rel=0.03)


def test_beyond_a_stop_what_can_only_caution_is_heard(catalog: Catalog, tmp_path: Path) -> None:
    """A region has salt in the line as a stop; diluted until it has nothing to say, the missing filter is left."""
    region = tmp_path / "region.toml"
    raised = '[level.salty-at-emitter]\nat_least = "stop"\nreason = "invented"\n'
    region.write_text('name = "Elsewhere (invented)"\n' + raised, "utf-8")
    pour = Asked({"potassium nitrate": 1.0}, SOFT).pour()
    pour |= {"region": str(region), "site": {"backflow_preventer": True, "filter": False}}
    verdict = check(pour, catalog)
    edge = verdict.edge("injection_ratio")
    assert verdict.verdict == "stop"
    assert edge is not None
    assert edge.better is not None
    diluted = pour | {"injection": {**pour["injection"], "ratio": f"1:{1.02 * edge.better.value!r}"}}
    assert edge.better.verdict == check(diluted, catalog, depth="verdict").verdict == "caution"


def test_an_unknown_verdict_has_no_edge(catalog: Catalog) -> None:
    """Its deciding inputs say where it turns."""
    data = POURS["clear MAP, soft"].pour()
    data["water"]["calcium"] = "5 to 150 mg/L"
    verdict = check({**data, "product": [{"name": "technical MAP", "amount": "2 kg"}]}, catalog)
    assert verdict.verdict == "unknown"
    assert verdict.edges == ()
    assert verdict.decided_by


def test_what_stops_by_no_number_has_no_edge(catalog: Catalog) -> None:
    """Rock phosphate does not dissolve at any amount."""
    asked = Asked({"rock phosphate": 0.1}, SOFT)
    verdict = check(asked.pour(), catalog)
    assert verdict.verdict == "stop"
    assert verdict.edges == ()


def test_a_boron_edge_is_that_of_the_crop(catalog: Catalog) -> None:
    """4 oz of borax in 5 gal at 1:100 is a caution; the amount at which it is clear is told, and far below ten times
    the severe class (from memory: FAO 29, boron 3 mg/L severe)."""
    verdict = check(Asked({"borax": 0.113}, {**SOFT, "boron": 0.0}).pour(), catalog)
    assert verdict.verdict == "caution"
    edge = verdict.edge("amount_factor")
    assert edge is not None
    assert edge.better is not None
    assert edge.better.verdict == "clear"
    boron_mg_per_l = 0.1134 * 113.0 * edge.better.value / 20.0 / 101.0 * 1000.0  # borax holds 11.34 % boron
    assert boron_mg_per_l == pytest.approx(3.0, rel=0.1)


@pytest.mark.parametrize(("ratio", "told"), [(100.0, 10.0), (120.0, 1000.0), (80.0, 10.0)])
def test_the_nearer_of_two_turns_is_told(catalog: Catalog, ratio: float, told: float) -> None:
    """A ratio out of an injector's reach, below 10 and above 1000: the nearer by ratio, of two alike the lower one."""
    edge = check(Asked({"urea": 0.05}, SOFT, ratio=ratio).pour(), catalog).edge("injection_ratio")
    assert edge is not None
    assert edge.worse is not None
    assert edge.worse.value == pytest.approx(told, rel=0.01)


def test_a_narrow_band_within_an_injectors_reach_is_found(catalog: Catalog) -> None:
    """15 oz of borax in 20 L is clear only from where boron comes below 3 mg/L (from memory: FAO 29, severe), at some
    1:800, to the 1:1000 that small injectors reach."""
    edge = check(Asked({"borax": 0.425}, {**SOFT, "boron": 0.0}).pour(), catalog).edge("injection_ratio")
    assert edge is not None
    assert edge.better is not None
    assert edge.better.verdict == "clear"
    assert 0.425 * 0.1134 / 20.0 * 1e6 / (1.0 + edge.better.value) == pytest.approx(3.0, rel=0.1)
    assert 750.0 < edge.better.value < 1000.0


def test_an_amount_far_beyond_the_range_of_the_others_has_its_edge(catalog: Catalog) -> None:
    """As far as the bucket has room: urea that is clear at an ounce is so up to where it harms the crop."""
    asked = Asked({"urea": 0.1}, SOFT)
    edge = check(asked.pour(), catalog).edge("amount_factor")
    assert edge is not None
    assert edge.worse is not None
    assert edge.worse.value > 20.0
    inside, outside = beside("amount_factor", edge.worse.value, 1.0)
    assert verdict_of(asked.at("amount_factor", inside), catalog) == "clear"
    assert verdict_of(asked.at("amount_factor", outside), catalog) == edge.worse.verdict
