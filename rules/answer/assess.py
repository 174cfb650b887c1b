"""A question in, a verdict out: sweeps, applies the rules, measures the distance to the edge. Words come after."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import cast, get_args

from ...catalog.quantity.table import AMOUNT_FACTOR, INJECTION_RATIO
from ..ask.question import Question
from ..case.case import Case
from ..explore.deciding import turning_points
from ..explore.edges import Turns, edges, no_number_turns
from ..explore.looks import Asked
from ..explore.scenarios import scenarios
from ..families.registry import Judge, worst
from ..judge.rule import Judged, Level, overall
from .blas import one_thread
from .echo import echo, program, used
from .findings import ANSWER, Words, decided, decisions, findings, looked_at, spoken
from .jars import jars_seen
from .numbers import tidy
from .states import contents, estimated, state
from .verdict import Answer, Beyond, Depth, Edge, EdgeInput, Verdict
from .water import water_state

__all__ = ["Weighed", "assess", "one_thread", "weigh"]


@dataclass(frozen=True)
class Weighed:
    """What the rules say of a question: the swept scenarios, every rule's outcome as it can be told, and the level of
    all of it."""

    question: Question
    judge: Judge
    case: Case
    by_rules: Sequence[Judged]
    judged: Sequence[Judged]
    words: Sequence[Words | None]
    level: Level

    @property
    def answer(self) -> Answer:
        """The verdict in a word."""
        return ANSWER[self.level]

    @property
    def blamed(self) -> tuple[str, ...]:
        """Names of the rules that say more than a note, the worst first."""
        levels = [(one.overall, one.rule.name) for one in self.judged]
        return tuple(name for level, name in sorted(levels, key=lambda pair: -pair[0]) if level > Level.NOTE)


def weigh(question: Question, least: Level = Level.NOTE) -> Weighed:
    """Every rule that can come to `least` or worse, in every scenario. Raises: InputError: the region's policy does
    not fit the rules."""
    judge = Judge(question.region, question.pour.region or "region")
    case = Case(question, scenarios(question))
    by_rules = judge(case, least=least)
    told = [spoken(one) for one in by_rules]
    judged = [one for one, _ in told]
    return Weighed(question, judge, case, by_rules, judged, [words for _, words in told], overall(worst(case, judged)))


#: Hazards of products of which no amount is told as good.
ENDANGER = frozenset({"hypochlorite", "acid"})


def dangerous(judged: Sequence[Judged], question: Question) -> bool:
    """Whether a pour endangers people, or holds what does, so that no amount of it is told as good."""
    return any(one.rule.family == "people" and (one.level >= Level.CAUTION).any() for one in judged) or any(
        item.hazards & ENDANGER for item in question.poured
    )


def assess(weighed: Weighed, depth: Depth) -> Verdict:
    """The verdict on what was weighed, without what to do instead and without words, to this depth (see `check`)."""
    question, deep = weighed.question, depth == "edges"
    judge, case, columns, judged, level = (
        weighed.judge,
        weighed.case,
        weighed.case.columns,
        weighed.judged,
        weighed.level,
    )
    # Where a rule by itself turns is looked for where that matters.
    listed = all(item.composition.listed for item in question.poured)
    look = deep and (listed or level != Level.STOP)
    each, whole = looked_at(judged) if look else [], decided(judged) if deep and level == Level.UNKNOWN else []
    turned = turning_points(question, columns, judge, [*each, *whole])
    turns = {one.rules[0].name: points for one, points in zip(each, turned, strict=False)}
    found = findings(question, judged, turns, weighed.words)
    known = any(item.composition.mixtures for item in question.poured)
    states = known and depth != "verdict"
    return Verdict(
        program=program(),
        pour=echo(question, columns),
        used=used(question),
        region=None if question.pour.region is None else question.region.name,
        verdict=weighed.answer,
        lowered_by=_lowered_by(case, judged, level),
        findings=found,
        labels=contents(question.poured),
        water=None if question.water is None else water_state(question.water, question.usual),
        bucket=state(case, "bucket") if states else None,
        line=state(case, "line") if states else None,
        decided_by=decisions(turned[len(each) :]),
        edges=edges_of(weighed) if deep else (),
        jars=jars_seen(question.jars, found),
        assumed=(*question.assumed, *(estimated(case) if known else ())),
    )


def _plain(answer: Level) -> Level:
    """A verdict's level: a note is none."""
    return answer if answer >= Level.CAUTION else Level.NONE


def _lowered_by(case: Case, judged: Sequence[Judged], answer: Level) -> str | None:
    """Whose policy made the verdict milder than the rules by themselves have it."""
    if all(one.policy is None for one in judged) or overall(worst(case, judged, own=True)) <= answer:
        return None
    return next(one.policy.by for one in judged if one.policy is not None and (one.level < one.outcome.level).any())


def edges_of(weighed: Weighed) -> tuple[Edge, ...]:
    """How far each number is from where the verdict turns; none for an unknown verdict, nor where no number does."""
    # Beyond an edge a rule that has no words here would be unknown too, which the levels there do not say.
    sound = all(one is other for one, other in zip(weighed.judged, weighed.by_rules, strict=True))
    if not sound or weighed.level == Level.UNKNOWN or no_number_turns(weighed.judged):
        return ()
    question, judged = weighed.question, weighed.judged
    asked = Asked(question, weighed.case.columns, weighed.judge, judged, _plain(weighed.level))
    # Nobody is told how much more of what endangers people would do.
    danger = dangerous(judged, question)
    found = []
    for edge in edges(asked, without=(AMOUNT_FACTOR, INJECTION_RATIO) if danger else ()):
        assert edge.quantity.key in get_args(EdgeInput)
        found.append(
            Edge(
                input=cast(EdgeInput, edge.quantity.key),
                unit=edge.quantity.unit,
                now=tidy(edge.now),
                better=_beyond(edge.better),
                worse=_beyond(edge.worse),
            )
        )
    return tuple(found)


def _beyond(turns: Turns | None) -> Beyond | None:
    return None if turns is None else Beyond(value=float(f"{turns.value:.4g}"), verdict=ANSWER[turns.verdict])
