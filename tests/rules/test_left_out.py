"""A rule that is not asked of a pour, for what the products do not bring, would have said nothing of it."""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from pourcheck import Catalog
from pourcheck.rules.ask.question import Question
from pourcheck.rules.case.case import Case
from pourcheck.rules.families.registry import Judge, rules
from pourcheck.rules.families.standing import DRIES_OUT, raised_si
from pourcheck.rules.judge.rule import Level, LevelBounds, Rule

sys.path.insert(0, str(Path(__file__).parent.parent / "evidence"))
from drawn_pours import draw_question, draw_scenarios

#: Drawn pours in all, in parts, and scenarios of each.
PARTS, POURS, ROWS = 4, 25, 12
#: Rules that say what they need, and those that say the worst that they can come to.
NEED = [rule for rule in rules() if rule.needs]
BOUNDED = [rule for rule in rules() if rule.at_most is not None]


def worst_said(rule: Rule, case: Case) -> int:
    """The worst that a rule says when it is asked nevertheless."""
    outcome = rule.check(case)
    return int(Level.NONE) if outcome is None else int(np.max(outcome.level))


@pytest.mark.parametrize("part", range(PARTS))
def test_what_is_left_out_would_have_said_nothing(catalog: Catalog, part: int) -> None:
    """Every rule that needs something on drawn pours that lack it; and none comes to worse than it says it can."""
    rng = np.random.default_rng(300 + part)
    left_out: Counter[str] = Counter()
    asked: Counter[str] = Counter()
    wrong = []
    for _ in range(POURS):
        question = draw_question(rng, catalog, stated=bool(rng.random() < 0.5))
        case = Case(question, draw_scenarios(rng, question, ROWS).columns)
        for rule in (*NEED, *BOUNDED):
            most = rule.worst_for(question)
            if most == Level.NONE and not rule.needs:
                continue  # of such a pour it is not to speak
            (asked if most > Level.NONE else left_out)[rule.name] += 1
            if (said := worst_said(rule, case)) > most:
                wrong.append(f"{[item.product.name for item in question.poured]}: {rule.name} says {Level(said).name}")
    assert wrong == []
    assert sum(left_out.values()) > 10 * POURS
    assert len(asked) > 0.6 * len(NEED), "most of them are asked of some of these pours, too"


def test_all_that_can_speak_are_asked(catalog: Catalog) -> None:
    """Asked for stops alone, the rules that can stop are asked, and those that a region raises to a stop."""
    question = draw_question(np.random.default_rng(5), catalog, stated=True)
    case = Case(question, question.columns(1))
    judge = Judge(question.region)
    everything = {one.rule.name for one in judge(case)}
    stops = {one.rule.name for one in judge(case, least=Level.STOP)}
    can = {rule.name for rule in rules() if Level.STOP in rule.levels}
    assert stops == everything & can
    raised = next(name for name in sorted(everything - can))
    judge._bounds = {raised: LevelBounds(Level.STOP, Level.STOP, "a region", "to try it")}
    judge._last = None
    assert raised in {one.rule.name for one in judge(case, least=Level.STOP)}


@pytest.mark.parametrize("rule", [*NEED, *BOUNDED], ids=lambda rule: rule.name)
def test_what_a_rule_can_come_to_is_one_of_its_levels(catalog: Catalog, rule: Rule) -> None:
    """Or nothing."""
    rng = np.random.default_rng(9)
    questions: list[Question] = [draw_question(rng, catalog, stated=stated) for stated in (True, False)]
    assert {rule.worst_for(question) for question in questions} <= {*rule.levels, Level.NONE, Level.UNKNOWN}


def test_drying_raises_no_index_by_more(catalog: Catalog) -> None:
    """What is further below saturation in the running line is not dried to see what forms."""
    rng = np.random.default_rng(21)
    rises: dict[str, list[float]] = {phase: [] for phase in DRIES_OUT}
    for _ in range(2 * POURS):
        question = draw_question(rng, catalog, stated=bool(rng.random() < 0.5))
        case = Case(question, draw_scenarios(rng, question, ROWS).columns)
        wet, dry = case.line.before_solids, case.drying_line.before_solids
        for phase, found in rises.items():
            there = np.isfinite(wet.si(phase)) & np.isfinite(dry.si(phase))
            found += (dry.si(phase)[there] - wet.si(phase)[there]).tolist()
    assert {phase: max(found) for phase, found in rises.items() if not 0.5 < max(found) < raised_si(phase)} == {}


def test_a_bucket_that_cannot_feel_cold_does_not(catalog: Catalog) -> None:
    """Told by the most that it may cool: it holds more heat than that goes by, and worked out it is the same bucket."""
    rng = np.random.default_rng(22)
    spared = 0
    for _ in range(4 * POURS):
        question = draw_question(rng, catalog, stated=bool(rng.random() < 0.5))
        columns = draw_scenarios(rng, question, ROWS).columns
        case, again = Case(question, columns), Case(question, columns)
        assert np.all(case.cooling_c <= case.most_cooling_c)
        assert np.all(case.warming_c <= case.most_warming_c)
        again.__dict__["may_feel_cold"] = True
        if not case.may_feel_cold:
            spared += case.most_cooling_c.any()
            assert case.bucket_cold is case.bucket
            assert again.bucket_cold is again.bucket
    assert spared > POURS / 2
