"""From what the rules say in every scenario to findings: one level each, the scenario to show, what it turns on."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..ask.columns import Columns
from ..ask.question import Question
from ..explore.deciding import TurningPoint, turning_points
from ..families.registry import Judge, failure
from ..judge.rule import Judged, Level, Levels
from .numbers import number, split_unit, tidy
from .verdict import Answer, Decision, Finding, FindingLevel

ANSWER: dict[Level, Answer] = {
    Level.NONE: "clear",
    Level.NOTE: "clear",
    Level.CAUTION: "caution",
    Level.UNKNOWN: "unknown",
    Level.STOP: "stop",
}
_FINDING: dict[Level, FindingLevel] = {
    Level.NOTE: "note",
    Level.CAUTION: "caution",
    Level.UNKNOWN: "unknown",
    Level.STOP: "stop",
}
#: Findings whose own turning value is looked for.
_MOST_LOOKED_AT = 6


def overall(level: Levels) -> Level:
    """One level for all scenarios: a stop must hold in all of them; a doubt in any is a doubt."""
    if int(np.min(level)) == Level.STOP:
        return Level.STOP
    return Level(min(int(np.max(level)), int(Level.UNKNOWN)))


def findings(
    question: Question, columns: Columns, judge: Judge, judged: Sequence[Judged], *, look: bool
) -> tuple[Finding, ...]:
    """Findings, the worst first. look: also for the values at which the first few that are unknown turn."""
    unknown = [one.rule.name for one in judged if overall(one.level) == Level.UNKNOWN]
    looked_at = set(unknown[:_MOST_LOOKED_AT]) if look else set()
    found = []
    for one in judged:
        if np.any(one.level):
            bad = one.level >= Level.UNKNOWN
            turns: list[TurningPoint] = []
            if one.rule.name in looked_at and not np.all(bad):
                turns = turning_points(question, columns, bad, judge, [one.rule])
            found.append((overall(one.level), _finding(one, tuple(decision(turn) for turn in turns))))
    found.sort(key=lambda pair: -pair[0])
    return tuple(finding for _, finding in found)


def decisions(question: Question, columns: Columns, judge: Judge, judged: Sequence[Judged]) -> tuple[Decision, ...]:
    """What the verdict turns on, over all rules whose answer is not the same everywhere."""
    split = [(one.rule, bad) for one in judged if 0 < np.sum(bad := one.level >= Level.UNKNOWN) < len(bad)]
    if not split:
        return ()
    bad = np.any([mask for _, mask in split], axis=0)
    if np.all(bad):
        # Something is wrong in every scenario, though not the same; what decides is what the rules turn on.
        return ()
    rules = [rule for rule, _ in split]
    return tuple(decision(turn) for turn in turning_points(question, columns, bad, judge, rules))


def decision(turn: TurningPoint) -> Decision:
    """A turning point as an answer has it."""
    number_turns = turn.at is not None
    return Decision(
        input=turn.input.name,
        unit=turn.input.unit,
        turns_at=tidy(turn.at) if turn.at is not None else None,
        low=tidy(turn.low) if number_turns else None,
        high=tidy(turn.high) if number_turns else None,
        worse_when=("above" if turn.worse_above else "below") if number_turns else None,
        worse_if=turn.choice.worse if turn.choice else "",
        better_if=turn.choice.better if turn.choice else "",
        explains=round(turn.explains, 3),
        find_out=turn.input.find_out,
    )


def _finding(judged: Judged, turns: tuple[Decision, ...]) -> Finding:
    rule, outcome = judged.rule, judged.outcome
    level = overall(judged.level)
    row = _row_to_show(judged, level)
    fits = judged.level >= (Level.UNKNOWN if level >= Level.UNKNOWN else level)
    named = {
        key: float(np.broadcast_to(np.asarray(value, dtype=float), outcome.level.shape)[row])
        for key, value in outcome.numbers.items()
    }
    try:
        # The rule's own words, at the level that it has by itself.
        happens = outcome.message({**named, "level": float(outcome.level[row])})
    except Exception as fault:
        happens, level = failure(rule, fault), max(level, Level.UNKNOWN)
    by = judged.policy
    own = overall(outcome.level)
    return Finding(
        rule=rule.name,
        level=_FINDING[level],
        own_level=_FINDING[own] if by else None,
        lowered_by=by.by if by and np.any(judged.level < outcome.level) else None,
        raised_by=by.by if by and np.any(judged.level > outcome.level) else None,
        reason=by.reason if by else None,
        where=rule.family,
        scenarios="all" if np.all(fits) else "some",
        happens=happens,
        numbers={
            split_unit(key)[0]: number(value, split_unit(key)[1], row)
            for key, value in outcome.numbers.items()
            if np.isfinite(named[key])
        },
        turns=turns,
        cures=tuple(dict.fromkeys(outcome.do)),
        sources=rule.sources,
    )


def _row_to_show(judged: Judged, level: Level) -> int:
    """The best estimate where it shares the finding's level, else the worst scenario that does."""
    outcome = judged.outcome
    fits = judged.level >= (Level.UNKNOWN if level >= Level.UNKNOWN else level)
    if fits[0]:
        return 0
    severity = outcome.severity if outcome.severity is not None else np.zeros(len(fits))
    rank = np.where(fits, np.nan_to_num(severity, neginf=-1e300), -np.inf)
    return int(np.argmax(rank))
