"""A rule that fails makes the answer unknown, with its name; no fault reaches the reader, none is hidden from tests."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from pourcheck import Catalog, Pour, check
from pourcheck.rules.answer.findings import findings
from pourcheck.rules.ask.question import ask
from pourcheck.rules.case.case import Case
from pourcheck.rules.explore.scenarios import scenarios
from pourcheck.rules.families.people import LIFTING_AND_LABEL
from pourcheck.rules.families.registry import Judge
from pourcheck.rules.judge.rule import Level, Outcome

POUR: dict[str, Any] = {
    "product": [{"name": "urea", "amount": "4 oz"}],
    "bucket": {"volume": "5 gal"},
    "injection": {"ratio": "1:100"},
    "water": {"name": "brook-well"},
}


def _breaks(_case: Case) -> Outcome | None:
    raise KeyError("no such column")


def _wrong_shape(_case: Case) -> Outcome | None:
    return Outcome(np.array([int(Level.NOTE)] * 3), lambda _: "three")


@pytest.mark.parametrize("check_of_rule", [_breaks, _wrong_shape])
def test_a_rule_that_fails_is_unknown(catalog: Catalog, monkeypatch: pytest.MonkeyPatch, check_of_rule: Any) -> None:
    """By its check, or by levels of another shape: level unknown, and the rule is named."""
    question = ask(Pour.parse(POUR), catalog)
    columns = scenarios(question)
    judge, case = Judge(question.region), Case(question, columns)
    broken = replace(LIFTING_AND_LABEL, check=check_of_rule)
    with pytest.raises((KeyError, ValueError)):
        findings(question, judge(case, only=[broken]), {})
    monkeypatch.delenv("POURCHECK_DEBUG")
    (found,) = findings(question, judge(case, only=[broken]), {})
    assert found.level == "unknown"
    assert broken.name in found.happens
    assert broken.asks in found.happens


def test_the_rules_do_not_fail(catalog: Catalog) -> None:
    """With faults raised, as here, a check of every rule goes through."""
    assert check(POUR, catalog, depth="numbers").verdict == "clear"
