"""A region's policy: the level after it is the only one that counts, and what keeps people safe is not lowered."""

from __future__ import annotations

import re
import types
from pathlib import Path
from typing import Any

import pytest

from pourcheck import Catalog, InputError, check
from pourcheck.rules.families.registry import bounds_of, rules
from pourcheck.rules.judge.rule import Rule
from pourcheck.rules.policy.region import packaged, region_named

SOFT = {"name": "brook-well"}
COLD = {"volume": "5 gal", "temperature": "10 degC"}


def region(folder: Path, text: str) -> str:
    """A region's file, by its path."""
    place = folder / "region.toml"
    place.write_text('name = "Elsewhere (invented)"\n' + text, "utf-8")
    return str(place)


def pour(product: str, amount: str, **tables: Any) -> dict[str, Any]:
    """One product in 5 gal, 1:100, soft well."""
    return {
        "product": [{"name": product, "amount": amount}],
        "bucket": COLD,
        "injection": {"ratio": "1:100"},
        "water": SOFT,
        "poured_on": "2026-06-01",
        **tables,
    }


def test_a_raised_rule_moves_the_edge(catalog: Catalog, tmp_path: Path) -> None:
    """Where a cold bucket is a stop, the edge is where it becomes one: below it a go, above it a stop."""
    raised = region(tmp_path, '[level.cold-bucket]\nat_least = "stop"\nreason = "invented"\n')
    verdict = check(pour("potassium nitrate", "4 lb", region=raised), catalog)
    edge = verdict.edge("amount_factor")
    assert edge is not None
    assert edge.worse is not None
    for factor, expected in ((0.98, {"clear", "caution"}), (1.03, {"unknown", "stop"})):
        amount = f"{4 * edge.worse.value * factor!r} lb"
        again = check(pour("potassium nitrate", amount, region=raised), catalog, depth="numbers")
        assert again.verdict in expected, factor


def test_a_raised_stop_has_an_edge_of_its_own(catalog: Catalog, tmp_path: Path) -> None:
    """On a stop by policy no edge equals the value that is poured."""
    raised = region(tmp_path, '[level.cold-bucket]\nat_least = "stop"\nreason = "invented"\n')
    verdict = check(pour("potassium nitrate", "7 lb", region=raised), catalog)
    assert verdict.verdict == "stop"
    (finding,) = [one for one in verdict.findings if one.rule == "cold-bucket"]
    assert (finding.own_level, finding.raised_by) == ("caution", "the policy of Elsewhere (invented)")
    for edge in verdict.edges:
        assert edge.better is not None
        assert edge.better.value != pytest.approx(edge.now, rel=1e-3), edge.input


def test_a_lowered_verdict_says_by_whom(catalog: Catalog, tmp_path: Path) -> None:
    """A stop that a policy lowers is never clear without the words."""
    lowered = region(tmp_path, '[level.insoluble-source]\nat_most = "note"\nreason = "invented"\n')
    assert check(pour("bone meal", "1 oz"), catalog, depth="numbers").verdict == "stop"
    verdict = check(pour("bone meal", "1 oz", region=lowered), catalog, depth="numbers")
    assert verdict.verdict != "stop"
    assert "by the policy of Elsewhere (invented)" in verdict.summary


REFUSED = {
    "a rule of gas": '[level.thiosulfate-meets-acid]\nat_most = "note"\nreason = "x"\n',
    "a rule of spatter": '[level.acid-meets-carbonate]\nat_most = "caution"\nreason = "x"\n',
    "a rule of chlorine": '[level.chlorine-at-emitter]\nat_most = "note"\nreason = "x"\n',
    "no rule": '[level.gas-in-line]\nat_most = "note"\nreason = "x"\n',
    "most under least": '[level.cold-bucket]\nat_least = "stop"\nat_most = "note"\nreason = "x"\n',
    "neither": '[level.cold-bucket]\nreason = "x"\n',
    "below zero": '[unknown.calcium]\nlow = -50\nhigh = 20\nsource = "x"\n',
    "beyond any water": '[unknown.calcium]\nlow = 5\nhigh = 1e30\nsource = "x"\n',
    "no pH": '[unknown.ph]\nlow = -50\nhigh = 7\nsource = "x"\n',
    "not finite": '[unknown.calcium]\nlow = 5\nhigh = inf\nsource = "x"\n',
}


@pytest.mark.parametrize("which", REFUSED)
def test_what_a_region_may_not_say(catalog: Catalog, tmp_path: Path, which: str) -> None:
    """One clear line, before anything is computed."""
    with pytest.raises(InputError):
        check(pour("urea", "1 oz", region=region(tmp_path, REFUSED[which])), catalog, depth="numbers")


def test_no_phosphorus_by_default(catalog: Catalog, tmp_path: Path) -> None:
    """Where a region gives none unless a soil test asks for it, phosphate is a caution, and not with a low soil."""
    none = region(tmp_path, '[phosphorus]\ndefault = "none"\nsource = "x"\n')
    rule = "phosphorus-not-needed"
    found = {
        f.rule: f.level for f in check(pour("technical MAP", "1 oz", region=none), catalog, depth="numbers").findings
    }
    assert found[rule] == "caution"
    asked_for = check(pour("technical MAP", "1 oz", region=none, soil={"phosphorus": "low"}), catalog, depth="numbers")
    assert rule not in {f.rule for f in asked_for.findings}


@pytest.mark.parametrize("name", packaged())
def test_packaged_regions_fit_the_rules(name: str) -> None:
    """Every level of a region that comes along is of a rule that may have it."""
    bounds_of(region_named(name), name)


#: What a rule speaks of that no region may lower.
DANGER = re.compile(r"\b(gas(es)?|heats?|burns?|spatters?|spits?|drinking water|chlorine|explod\w+)\b", re.IGNORECASE)


def texts(rule: Rule) -> str:
    """Everything that a rule says: its declaration, and the words in its check."""
    found = [rule.asks, rule.plain, rule.chemistry, rule.cure]
    codes: list[types.CodeType] = [rule.check.__code__] if isinstance(rule.check, types.FunctionType) else []
    while codes:
        for constant in codes.pop().co_consts:
            if isinstance(constant, types.CodeType):
                codes.append(constant)
            elif isinstance(constant, str):
                found.append(constant)
    return " ".join(found)


@pytest.mark.parametrize("rule", rules(), ids=lambda rule: rule.name)
def test_what_endangers_people_may_not_be_lowered(rule: Rule) -> None:
    """A rule that speaks of gas, heat, burns, spatter, drinking water or chlorine keeps its level."""
    assert not (rule.may_be_lowered and DANGER.search(texts(rule))), DANGER.search(texts(rule))
