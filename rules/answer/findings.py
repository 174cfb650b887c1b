"""From what the rules say in every scenario to findings: one level each, the scenario to show, what it turns on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite

import numpy as np
from numpy.typing import NDArray

from ..ask.question import Question
from ..explore.deciding import TurningPoint, Wanted
from ..families.label import UNKNOWN_GRADE
from ..families.registry import failed_headline, failure
from ..judge.advice import JARS, OTHER_WATER, TWO_BUCKETS
from ..judge.rule import Judged, Level, Outcome, overall
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


@dataclass(frozen=True)
class Words:
    """What a rule says, in words. row: the scenario to show; happens: the rule's own sentence on that one; finite:
    names of the numbers that there are in it."""

    row: int
    happens: str
    finite: tuple[str, ...]


def spoken(judged: Judged) -> tuple[Judged, Words | None]:
    """What a rule says with the words for it, once they could be made; none where it is silent. A rule whose words
    cannot be made is unknown everywhere, or the stop that it was, with its name: a verdict has to be made of the levels
    after this."""
    if not judged.speaks:
        return judged, None
    try:
        return judged, _words(judged)
    except Exception as fault:
        words, outcome = failure(judged.rule, fault), judged.outcome
        level = np.maximum(judged.level, int(Level.UNKNOWN))
        head = failed_headline(judged.rule)
        failed = Judged(judged.rule, Outcome(level, lambda _: words, do=outcome.do, headline=head), level)
        return failed, _words(failed)


def _words(judged: Judged) -> Words:
    """The words of a rule that speaks. Raises: whatever goes wrong in making them; ValueError: its numbers make no
    sense."""
    row, outcome = _row_to_show(judged), judged.outcome
    named = {key: _in_row(value, outcome, row) for key, value in outcome.numbers.items()}
    finite = tuple(key for key, value in named.items() if isfinite(value))
    names = [split_unit(key)[0] for key in finite]
    if len(set(names)) < len(names):
        raise ValueError(f"two numbers are called the same: {', '.join(names)}")
    return Words(row, outcome.message({**named, "level": float(outcome.level[row]), "row": float(row)}), finite)


def looked_at(judged: Sequence[Judged]) -> list[Wanted]:
    """The first few findings that are unknown, whose own turning value is looked for."""
    unknown = [one for one in judged if one.overall == Level.UNKNOWN][:_MOST_LOOKED_AT]
    wanted = [Wanted(one.level >= Level.UNKNOWN, (one.rule,)) for one in unknown]
    return [one for one in wanted if not one.bad.all()]


def decided(judged: Sequence[Judged]) -> list[Wanted]:
    """What is looked for to tell what the verdict turns on, over all rules whose answer is not the same everywhere."""
    split = [(one.rule, bad) for one in judged if 0 < np.sum(bad := one.level >= Level.UNKNOWN) < len(bad)]
    if not split:
        return []
    bad = np.any([mask for _, mask in split], axis=0)
    # What the bag says is read before any water is tested.
    grades = [Wanted(mask, (rule,)) for rule, mask in split if rule is UNKNOWN_GRADE]
    if bad.all() and not grades:
        # Something is wrong in every scenario, though not the same; what decides is what the rules turn on.
        return []
    return [*grades, Wanted(bad, [rule for rule, _ in split])]


def findings(
    question: Question,
    judged: Sequence[Judged],
    turns: Mapping[str, Sequence[TurningPoint]],
    words: Sequence[Words | None] | None = None,
) -> tuple[Finding, ...]:
    """Findings, the worst first. turns: where some of them turn by themselves, by the rule's name. words: of each,
    where they were made."""
    gas = any(one.rule.sets_gas_free and one.overall >= Level.CAUTION for one in judged)
    found = []
    for one, known in zip(judged, words or [None] * len(judged), strict=True):
        if not one.speaks:
            continue
        its = tuple(decision(turn) for turn in turns.get(one.rule.name, ()))
        cures = _fitting(one.outcome.do, gas=gas, alone=len(question.poured) == 1)
        found.append((one.overall, _finding(one, known or _words(one), its, cures)))
    found.sort(key=lambda pair: -pair[0])
    return tuple(finding for _, finding in found)


def decisions(turned: Sequence[Sequence[TurningPoint]]) -> tuple[Decision, ...]:
    """What the verdict turns on, of what was found of all that was `decided`, each input once."""
    turns: dict[str, TurningPoint] = {}
    for turn in (turn for some in turned for turn in some):
        turns.setdefault(turn.input.name, turn)
    # What turns at no value and by no choice decides nothing that could be found out.
    telling = (turn for turn in turns.values() if turn.at is not None or (turn.choice and turn.choice.worse))
    return tuple(decision(turn) for turn in telling)


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


def _fitting(steps: Sequence[str], *, gas: bool, alone: bool) -> tuple[str, ...]:
    """What to do, each once, as it fits the pour: no trial in a jar where a gas could form, and no second bucket for
    what is poured alone."""
    fitting = [step for step in steps if not (gas and step in JARS)]
    kept = list(dict.fromkeys(OTHER_WATER if alone and step == TWO_BUCKETS else step for step in fitting))
    if kept and kept[0].startswith("Or "):  # to what was taken out
        kept[0] = kept[0][3:4].upper() + kept[0][4:]
    return tuple(kept)


def _finding(judged: Judged, words: Words, turns: tuple[Decision, ...], cures: tuple[str, ...]) -> Finding:
    rule, outcome, level = judged.rule, judged.outcome, judged.overall
    own = level if judged.policy is None else overall(outcome.level)
    by = judged.policy if own != level else None
    return Finding(
        rule=rule.name,
        level=_FINDING[level],
        own_level=_FINDING[own] if by else None,
        lowered_by=by.by if by and level < own else None,
        raised_by=by.by if by and level > own else None,
        reason=by.reason if by else None,
        where=rule.family,
        headline=rule.headline_at(level, outcome.headline),
        brief=rule.brief,
        scenarios="all" if judged.everywhere else "some",
        happens=words.happens,
        numbers={
            name: number(outcome.numbers[key], unit, words.row)
            for key in words.finite
            for name, unit in (split_unit(key),)
        },
        turns=turns,
        cures=cures,
        sources=rule.sources,
    )


def _in_row(value: NDArray[np.float64] | float, outcome: Outcome, row: int) -> float:
    """A number of an outcome, (B,) or one for all, in one scenario. Raises: ValueError: it has another shape."""
    if not isinstance(value, np.ndarray) or not value.ndim:
        return float(value)
    if value.shape not in {outcome.level.shape, (1,)}:
        raise ValueError(f"{value.shape} numbers for {outcome.level.shape} scenarios")
    return float(value[row if len(value) > 1 else 0])


def _row_to_show(judged: Judged) -> int:
    """The best estimate where it shares the finding's level, else the worst scenario that does."""
    shared = min(judged.overall, Level.UNKNOWN)
    if judged.level[0] >= shared:
        return 0
    fits, severity = judged.level >= shared, judged.outcome.severity
    rank = np.zeros(len(fits)) if severity is None else np.nan_to_num(severity, nan=-1e300, neginf=-1e300)
    return int(np.argmax(np.where(fits, rank, -np.inf)))
