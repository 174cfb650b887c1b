"""A rule whose sentence or numbers cannot be made leaves its question open: never a clear, never a fault."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pytest

from pourcheck import Catalog, check
from pourcheck.rules.answer.verdict import Depth
from pourcheck.rules.case.case import Case
from pourcheck.rules.families import registry
from pourcheck.rules.judge.rule import Level, Outcome


def pour(product: str = "urea", **tables: Any) -> dict[str, Any]:
    """4 oz into 5 gal, 1:100, the soft well: nothing is open, and urea is clear."""
    return {
        "product": [{"name": product, "amount": "4 oz"}],
        "bucket": {"volume": "5 gal", "temperature": "20 degC"},
        "injection": {"ratio": "1:100", "line_temperature": "25 degC"},
        "water": {"name": "brook-well"},
        "poured_on": "2026-06-01",
        **tables,
    }


def patched(patch: pytest.MonkeyPatch, name: str, change: Callable[[Outcome], Outcome]) -> None:
    """The table of rules with one whose outcome is changed, and faults answered as they are outside the tests."""
    patch.delenv(registry.DEBUG_VARIABLE, raising=False)
    table = registry.rules()
    rule = registry.rule_named(name)

    def run(case: Case) -> Outcome | None:
        outcome = rule.check(case)
        return None if outcome is None else change(outcome)

    changed = tuple(replace(one, check=run) if one is rule else one for one in table)
    patch.setattr(registry, "rules", lambda: changed)


def speechless(outcome: Outcome) -> Outcome:
    """An outcome whose sentence fails."""
    return replace(outcome, message=lambda numbers: f"{numbers['no such number']}")


@pytest.mark.parametrize("depth", get_args(Depth))
def test_a_sentence_that_fails_leaves_the_verdict_unknown(
    catalog: Catalog, monkeypatch: pytest.MonkeyPatch, depth: Depth
) -> None:
    """A note on a clear pour whose sentence fails: unknown with the rule's name, in finding, summary and exit code,
    and no edge, which the levels alone would give."""
    assert check(pour(), catalog, depth="numbers").verdict == "clear"
    patched(monkeypatch, "lifting-and-label", speechless)
    verdict = check(pour(), catalog, depth=depth)
    assert verdict.verdict == "unknown"
    assert verdict.exit_code() == 1
    assert "lifting-and-label" in verdict.summary
    finding = verdict.findings[0]
    assert (finding.rule, finding.level, finding.scenarios) == ("lifting-and-label", "unknown", "all")
    assert "lifting-and-label could not be computed" in finding.message
    assert "KeyError" in finding.message
    assert finding.do
    assert verdict.edges == ()


def test_numbers_that_do_not_fit_leave_the_verdict_unknown(catalog: Catalog, monkeypatch: pytest.MonkeyPatch) -> None:
    """Numbers of another count of scenarios."""
    patched(monkeypatch, "lifting-and-label", lambda o: replace(o, numbers={"full_bucket_kg": np.zeros(10_007)}))
    assert check(pour(), catalog, depth="numbers").verdict == "unknown"


def test_a_stop_stays_a_stop(catalog: Catalog, monkeypatch: pytest.MonkeyPatch) -> None:
    """The level was found before the sentence failed."""
    patched(monkeypatch, "insoluble-source", speechless)
    verdict = check(pour("bone meal"), catalog, depth="numbers")
    assert verdict.verdict == "stop"
    finding = next(one for one in verdict.findings if one.rule == "insoluble-source")
    assert finding.level == "stop"
    assert "could not be computed" in finding.message


def test_a_stop_beside_a_failure_has_no_edge(catalog: Catalog, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the stop ends the failure still leaves the answer open, which an edge would not say."""
    hard = pour("technical MAP", water={"name": "ridge-well"})
    assert check(hard, catalog).edges
    patched(monkeypatch, "lifting-and-label", speechless)
    verdict = check(hard, catalog)
    assert verdict.verdict == "stop"
    assert verdict.edges == ()


def test_a_failure_is_raised_where_it_is_asked_for(catalog: Catalog, monkeypatch: pytest.MonkeyPatch) -> None:
    """With POURCHECK_DEBUG."""
    patched(monkeypatch, "lifting-and-label", speechless)
    monkeypatch.setenv(registry.DEBUG_VARIABLE, "1")
    with pytest.raises(KeyError):
        check(pour(), catalog, depth="numbers")


@pytest.mark.parametrize(
    ("table", "own", "lowered"),
    [('at_most = "note"', "stop", True), ('at_least = "note"', None, False)],
    ids=["lowered", "left as it is"],
)
def test_a_policy_is_named_only_where_it_changed_the_level(
    catalog: Catalog, tmp_path: Path, table: str, own: str | None, lowered: bool
) -> None:
    """A finding has a level of its own only where the one that counts is another."""
    place = tmp_path / "region.toml"
    rows = f'name = "Elsewhere (invented)"\n[level.insoluble-source]\n{table}\nreason = "invented"\n'
    place.write_text(rows, "utf-8")
    verdict = check(pour("bone meal", region=str(place)), catalog, depth="numbers")
    finding = next(one for one in verdict.findings if one.rule == "insoluble-source")
    assert finding.own_level == own
    assert bool(finding.lowered_by) == lowered
    assert finding.raised_by is None


def test_a_policy_that_changes_some_scenarios_only_is_not_named(
    catalog: Catalog, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Stop in half of the scenarios and unknown in the rest is unknown; with the stops lowered to unknown it still is,
    and nobody lowered it."""

    def halves(outcome: Outcome) -> Outcome:
        level = np.full_like(outcome.level, int(Level.UNKNOWN))
        level[::2] = Level.STOP
        return replace(outcome, level=level)

    patched(monkeypatch, "insoluble-source", halves)
    place = tmp_path / "region.toml"
    rows = '[level.insoluble-source]\nat_most = "unknown"\nreason = "invented"\n'
    place.write_text(f'name = "Elsewhere (invented)"\n{rows}', "utf-8")
    data = pour("bone meal", region=str(place))
    del data["bucket"]["temperature"]  # so that there are scenarios
    finding = next(one for one in check(data, catalog, depth="numbers").findings if one.rule == "insoluble-source")
    assert (finding.level, finding.own_level, finding.lowered_by, finding.reason) == ("unknown", None, None, None)
