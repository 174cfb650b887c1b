"""Every rule against its table of cases (tests/cases/*.toml): fires, stays silent, is unknown."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from pourcheck import Catalog, check
from pourcheck.rules.families.registry import rules
from pourcheck.rules.judge.rule import Level

FILES = {
    file.stem: tomllib.loads(file.read_text("utf-8"))["case"]
    for file in sorted((Path(__file__).parent.parent / "cases").glob("*.toml"))
}
CASES = [case for cases in FILES.values() for case in cases]
#: Day of every pour, unless its case names another.
DAY = "2026-06-01"
#: Rules that cannot be silent, or that no input can be written for.
ALWAYS_SPEAKS = {"lifting-and-label"}
NO_CASE = {"not-computed"}
#: Rules that stop by what is there or not, which no range of what is not known changes.
BY_PRESENCE = {
    "insoluble-source",
    "slow-release-source",
    "particles-in-product",
    "backflow-preventer-missing",
    "strong-acids-together",
    "bucket-too-hot",  # heat over the heat capacity: no temperature or water turns it
}


def pour_of(case: dict[str, Any]) -> dict[str, Any]:
    """The pour that a case describes; 5 gal, 1:100 and DAY unless it says otherwise."""
    products = [dict(zip(("name", "amount"), text.rsplit("=", 1), strict=True)) for text in case.get("pour", [])]
    pour: dict[str, Any] = {
        "product": products + case.get("inline", []),
        "bucket": {"volume": "5 gal"},
        "injection": {"ratio": case.get("inject", "1:100")},
        "poured_on": case.get("poured_on", DAY),
    }
    water = case.get("water", "brook-well")
    if water != {}:
        pour["water"] = {"name": water} if isinstance(water, str) else water
    for table, field in (("bucket", "bucket_temperature"), ("injection", "line_temperature")):
        if field in case:
            pour[table][field.removeprefix("bucket_")] = case[field]
    pour["injection"] |= case.get("injection", {})
    if "suction" in pour["injection"]:
        del pour["injection"]["ratio"]
    return pour | {key: case[key] for key in ("site", "soil", "drip", "region") if key in case}


def row(case: dict[str, Any]) -> Any:
    """A case as a row; one that names a known fault of the product must fail until that is mended."""
    marks = pytest.mark.xfail(strict=True, reason=case["fault"]) if "fault" in case else ()
    return pytest.param(case, id=f"{case['rule']}: {case['name']}", marks=marks)


@pytest.mark.parametrize("case", [row(case) for case in CASES])
def test_case(case: dict[str, Any], catalog: Catalog) -> None:
    """A rule says of a pour what its table says."""
    verdict = check(pour_of(case), catalog, depth="edges" if "turns_at" in case else "numbers")
    found = {finding.rule: finding for finding in verdict.findings}
    expected = case["expect"]
    got = found[case["rule"]].level if case["rule"] in found else "silent"
    assert expected == got, found[case["rule"]].message if case["rule"] in found else verdict.summary
    order = ("silent", "note", "caution", "unknown", "stop")
    if expected in {"stop", "unknown", "caution"}:
        overall = verdict.verdict.replace("clear", "silent")
        assert order.index(overall) >= order.index(expected), "no finding is worse than the verdict"
        assert found[case["rule"]].do, "a finding says what to do"
        assert found[case["rule"]].sources, "a finding names its sources"
    if "says" in case:
        assert case["says"] in found[case["rule"]].message
    if "turns_at" in case:
        turns = {turn.input: turn.turns_at for turn in found[case["rule"]].turns}
        value = turns[case["turns_at"]]
        assert value is not None
        assert value == pytest.approx(case.get("near", value), rel=0.03)


@pytest.mark.parametrize("rule", rules(), ids=lambda rule: rule.name)
def test_every_rule_is_complete(rule: Any) -> None:
    """A rule has words, cure, sources, and cases that fire, stay silent, and are unknown where it can be."""
    for text in (rule.asks, rule.plain, rule.chemistry, rule.cure, *rule.sources):
        assert len(text) > 5
    assert rule.sources
    assert rule.name == rule.name.lower()
    if rule.name in NO_CASE:
        return
    seen = {case["expect"] for case in CASES if case["rule"] == rule.name}
    missing = {level.name.lower() for level in rule.levels} - seen
    assert not missing
    assert "silent" in seen or rule.name in ALWAYS_SPEAKS
    # What only cautions cannot be unknown: clear in a part of a range and caution in the rest is caution.
    assert "unknown" in seen or Level.STOP not in rule.levels or rule.name in BY_PRESENCE
    assert not seen - {level.name.lower() for level in rule.levels} - {"silent", "unknown"}


def test_cases_stand_in_the_file_of_their_rule() -> None:
    """A rule's cases stand in the file that is named as the rule's module."""
    module = {rule.name: rule.check.__module__.rpartition(".")[2] for rule in rules()}
    assert set(module.values()) == set(FILES)
    strange = [(file, case["rule"]) for file, cases in FILES.items() for case in cases if module[case["rule"]] != file]
    assert strange == []


def test_rule_names_are_unique() -> None:
    """One rule, one name, one place."""
    names = [rule.name for rule in rules()]
    assert len(names) == len(set(names))
    assert {case["rule"] for case in CASES} <= set(names)
    assert all(Level.NONE not in rule.levels for rule in rules())
