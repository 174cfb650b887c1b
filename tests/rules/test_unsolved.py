"""A solution that could not be found makes an answer unknown, and no number of it is told."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pourcheck import Catalog, Pour, Verdict, check
from pourcheck.catalog import InputError
from pourcheck.catalog.quantity.table import ALKALINITY, AMOUNT_FACTOR, CALCIUM, PH
from pourcheck.rules.ask.question import ask
from pourcheck.rules.case.case import Case
from pourcheck.rules.chemistry import compiled, newton
from pourcheck.rules.explore.scenarios import scenarios
from pourcheck.rules.families.registry import Judge, rules
from pourcheck.rules.judge.rule import Level

sys.path.insert(0, str(Path(__file__).parent.parent / "evidence"))
from drawn_pours import draw_pour

HOSTILE, PARTS = 12, 4
#: Solutions whose failure leaves nothing known of a pour.
ALL_ASKED = ("water", "bucket", "bucket_in_air", "line", "water_in_line")
SOFT = {
    "ph": 6.9, "calcium": "8 mg/L", "magnesium": "2 mg/L", "alkalinity": "31 mg/L CaCO3", "sodium": "6 mg/L",
    "chloride": "9 mg/L", "sulfate": "5 mg/L", "iron": "0 mg/L", "manganese": "0 mg/L", "silica": "9 mg/L",
    "nitrate": "2 mg/L", "boron": "0 mg/L", "sulfide": "0 mg/L", "temperature": "13 degC",
}  # fmt: skip


def pour_of(*products: tuple[str, str], water: dict[str, Any] = SOFT) -> dict[str, Any]:
    """A pour of which everything that matters is stated. Odd amounts: no other test has solved it already."""
    return {
        "product": [{"name": name, "amount": amount} for name, amount in products],
        "bucket": {"volume": "5.13 gal", "temperature": "19 degC"},
        "injection": {"ratio": "1:113", "injector": "measured", "line_temperature": "21 degC"},
        "site": {"backflow_preventer": True, "filter_mesh": 155},
        "soil": {"phosphorus": "low"},
        "water": water,
    }


def numbers_in(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Every leaf of a JSON text, with its place."""
    if isinstance(value, dict):
        for key, part in value.items():
            yield from numbers_in(part, f"{path}/{key}")
    elif isinstance(value, list):
        for i, part in enumerate(value):
            yield from numbers_in(part, f"{path}/{i}")
    else:
        yield path, value


def odd(verdict: Verdict) -> list[str]:
    """What no answer may say: numbers that are none, a pH that no solution has."""
    found = []
    data = json.loads(verdict.to_json(), parse_constant=lambda name: f"the constant {name}")
    for path, value in numbers_in(data):
        if isinstance(value, str):
            words = value.lower().replace("+", " ").replace(",", " ").split()
            if "nan" in words or "inf" in words or value.startswith("the constant"):
                found.append(f"{path}: {value}")
        elif path.rpartition("/")[0].endswith(("ph", "pH")) and not -2.0 <= value <= 16.0:
            found.append(f"{path}: {value}")
    return found


@pytest.mark.parametrize("part", range(PARTS))
def test_no_pour_brings_out_a_number_that_is_none(catalog: Catalog, part: int) -> None:
    """Drawn pours that nobody in his right mind makes (a thimble of water, a bucket that is half salt, water at 100
    degC, strong acids, every ion): an answer or a refusal, no number that is none, and unknown or a stop where
    something could not be solved."""
    rng = np.random.default_rng(40 + part)
    names = [product.name for product in catalog.products()]
    wrong, answered = [], 0
    for _ in range(HOSTILE):
        pour = draw_pour(rng, names, stated=bool(rng.random() < 0.7), hostile=True)
        try:
            verdict = check(pour, catalog, depth="numbers")
        except InputError:
            continue
        answered += 1
        question = ask(Pour.parse(pour), catalog)
        lost = Case(question, scenarios(question)).unsolved(*ALL_ASKED)
        if np.any(lost) and verdict.verdict not in {"unknown", "stop"}:
            wrong.append(f"{pour}: {verdict.verdict}")
        wrong += [f"{pour}: {one}" for one in odd(verdict)]
    assert wrong == []
    assert answered > HOSTILE // 2


def test_a_solver_that_fails_says_so(catalog: Catalog, monkeypatch: pytest.MonkeyPatch) -> None:
    """The solver given two steps instead of 400: what was clear is unknown, says why, and tells no number."""
    pour = pour_of(("potassium nitrate", "211 g"))
    monkeypatch.setattr(newton, "MOST_STEPS", 2)
    monkeypatch.setenv(compiled.REFERENCE_VARIABLE, "1")
    verdict = check(pour, catalog)
    monkeypatch.undo()
    assert verdict.verdict == "unknown"
    found = {finding.rule: finding for finding in verdict.findings}
    assert found["not-computed"].level == "unknown"
    for name in ("more-than-dissolves", "water-scales-by-itself", "line-ph-extreme", "sulfate-meets-hard-water"):
        assert found[name].level == "unknown", name
        assert "could not be solved" in found[name].message
        assert found[name].numbers == {}
    assert verdict.bucket is None
    assert verdict.line is None
    assert verdict.edges == ()
    assert odd(verdict) == []
    assert check(pour_of(("potassium nitrate", "212 g")), catalog, depth="numbers").verdict == "clear"


def test_what_stops_by_presence_stops_without_a_solver(catalog: Catalog, monkeypatch: pytest.MonkeyPatch) -> None:
    """Bleach with acid makes chlorine whatever the pH is computed to be."""
    monkeypatch.setattr(newton, "MOST_STEPS", 2)
    monkeypatch.setenv(compiled.REFERENCE_VARIABLE, "1")
    verdict = check(pour_of(("household bleach", "97 g"), ("nitric acid", "53 g")), catalog, depth="numbers")
    assert verdict.verdict == "stop"
    chlorine = next(finding for finding in verdict.findings if finding.rule == "chlorine-gas")
    assert chlorine.level == "stop"
    assert odd(verdict) == []


def test_scenarios_that_were_solved_keep_their_answer(catalog: Catalog) -> None:
    """Half of the scenarios are a water that is none (pH 3 with much alkalinity, the carbonic acid of a hundred
    atmospheres): they are unknown to every rule that reads a solution; the others are judged as without them."""
    question = ask(Pour.parse(pour_of(("calcium nitrate", "433 g"), ("potassium nitrate", "307 g"))), catalog)
    ph = np.array([6.9, 3.0, 7.7, 3.0, 8.2])
    sound = ph > 4.0
    columns = question.columns(5).moved(PH, ph).moved(ALKALINITY, np.array([31.0, 400.0, 190.0, 300.0, 220.0]))
    columns = columns.moved(CALCIUM, np.linspace(5.0, 150.0, 5)).moved(AMOUNT_FACTOR, np.linspace(0.5, 2.0, 5))
    judge = Judge(question.region)
    case = Case(question, columns)
    mixed = {one.rule.name: one for one in judge(case)}
    assert case.unsolved(*ALL_ASKED).tolist() == (~sound).tolist()
    alone = {one.rule.name: one for one in judge(Case(question, columns.repeated(np.flatnonzero(sound), 1)))}
    for rule in (rule for rule in rules() if rule.worst_for(question) > Level.NONE):
        case.asked.clear()
        rule.check(case)
        reads = bool(case.asked) and rule.name != "not-computed"
        if reads:
            outcome = mixed[rule.name].outcome
            assert np.all(outcome.level[~sound] == Level.UNKNOWN), rule.name
            for key, value in outcome.numbers.items():
                assert np.all(np.isnan(np.broadcast_to(value, (5,))[~sound])), key
        if rule.name in mixed and rule.name != "not-computed":
            expected = alone[rule.name].level if rule.name in alone else np.zeros(3, dtype=np.int64)
            assert np.array_equal(mixed[rule.name].level[sound], expected), rule.name
    assert np.array_equal(mixed["not-computed"].level == Level.UNKNOWN, ~sound)
    assert sum(name in mixed for name in ("lime-in-line", "calcium-meets-sulfate", "water-scales-by-itself")) == 3


@pytest.mark.parametrize(("name", "read"), [("salts", {"water"}), ("out_of_reach", {"bucket"})])
def test_who_reads_what_others_have_read_has_read_it_too(catalog: Catalog, name: str, read: set[str]) -> None:
    """What is made from a solution and kept tells everybody who takes it that the solution was read."""
    question = ask(Pour.parse(pour_of(("calcium nitrate", "433 g"))), catalog)
    case = Case(question, scenarios(question))
    for _ in range(2):
        case.asked.clear()
        getattr(case, name)
        assert set(case.asked) == read


def test_a_ph_that_no_solution_has_is_not_told(catalog: Catalog) -> None:
    """The strongest acids that there are, in a thimble of water and hot: no pH outside of what the models know."""
    pour = pour_of(("sulfuric acid", "9 kg"), ("superphosphoric acid", "4 kg"), ("nitric acid", "3 kg"))
    pour["bucket"] = {"volume": "13.7 L", "temperature": "98 degC"}
    pour["injection"]["ratio"] = "1:1.3"
    verdict = check(pour, catalog, depth="numbers")
    assert verdict.verdict == "stop"
    assert odd(verdict) == []
