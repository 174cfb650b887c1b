"""Over-caution: 60 pours that advisers recommend, with a full water test and without one (data/good_pours.toml)."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from pourcheck import Catalog, Verdict, check

DATA = tomllib.loads((Path(__file__).parent / "data" / "good_pours.toml").read_text("utf-8"))
POURS: list[dict[str, Any]] = DATA["pour"]
WORSE = {"stop", "unknown"}
#: How many may come out worse than a caution: nobody listens to a checker that cries wolf.
WITH_WATER, WITHOUT_WATER = 3, 10


def asked(row: dict[str, Any], water: dict[str, Any] | None, catalog: Catalog) -> Verdict:
    """The verdict on a row of the panel."""
    pour: dict[str, Any] = {
        "product": [dict(zip(("name", "amount"), text.rsplit("=", 1), strict=True)) for text in row["products"]],
        "bucket": {"volume": "5 gal"},
        "injection": {"ratio": row["inject"]},
        "site": {"backflow_preventer": True, "filter": True, "filter_mesh": 150, "chlorination": False},
        "poured_on": "2026-06-01",
    }
    return check(pour if water is None else pour | {"water": water}, catalog, depth="numbers")


def told(row: dict[str, Any], verdict: Verdict) -> str:
    """A row that came out worse, and by which rules."""
    rules = [finding.rule for finding in verdict.findings if finding.level in WORSE]
    return f"{' + '.join(row['products'])}: {verdict.verdict}, {', '.join(rules)}"


def test_the_panel() -> None:
    """60 different pours, each with its source."""
    assert len(POURS) == 60
    assert len({(tuple(row["products"]), row["water"]) for row in POURS}) == 60
    assert all(row["source"] for row in POURS)


@pytest.mark.parametrize(("tested", "allowed"), [(True, WITH_WATER), (False, WITHOUT_WATER)], ids=["water", "none"])
def test_what_advisers_recommend_is_not_stopped(tested: bool, allowed: int, catalog: Catalog) -> None:
    """Few of them are worse than a caution."""
    verdicts = [(row, asked(row, DATA["water"][row["water"]] if tested else None, catalog)) for row in POURS]
    worse = [told(row, verdict) for row, verdict in verdicts if verdict.verdict in WORSE]
    assert len(worse) <= allowed, "\n".join(worse)
    if tested:
        assert sum(verdict.verdict == "clear" for _, verdict in verdicts) >= 30


def test_without_a_water_test_only_what_meets_the_water_is_left_open(catalog: Catalog) -> None:
    """A pour without calcium, phosphate or an organic feed is clear or caution, and what to test is told."""
    for row in POURS:
        verdict = asked(row, None, catalog)
        if verdict.verdict in WORSE:
            open_rules = {finding.rule for finding in verdict.findings if finding.level in WORSE}
            meets_water = {"lime-in-line", "phosphate-meets-hard-water"}
            assert open_rules & (meets_water | {"unknown-sources"}), told(row, verdict)
        assert any(finding.rule == "water-test-incomplete" for finding in verdict.findings), row["products"]
