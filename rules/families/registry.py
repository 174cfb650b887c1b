"""The one ordered table of all rules, and what they say of a case together, at the levels of a region's policy."""

from __future__ import annotations

import logging
import os
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from ...catalog import InputError
from ...catalog.text import quoted
from ..ask.question import Question
from ..case.case import Case
from ..judge.advice import BUCKET_JAR_TEST, CHECK_INPUT
from ..judge.rule import Judged, Level, LevelBounds, Levels, Outcome, Rule, same
from ..policy.region import Region
from . import bucket, dissolving, equipment, gels, label, line, metals, people, soil, standing, water

#: Set to raise what goes wrong inside a rule, instead of calling the rule unknown.
DEBUG_VARIABLE = "POURCHECK_DEBUG"
_log = logging.getLogger(__name__)


@cache
def rules() -> tuple[Rule, ...]:
    """All rules, in the order in which they are listed and checked."""
    return (
        *people.RULES,
        *label.RULES,
        *dissolving.RULES,
        *bucket.RULES,
        *metals.RULES,
        *gels.RULES,
        *line.RULES,
        *standing.RULES,
        *water.RULES,
        *equipment.RULES,
        *soil.RULES,
    )


def rule_named(name: str) -> Rule:
    """The rule of a name. Raises: InputError: none; offers the nearest."""
    from rapidfuzz import process

    table = {rule.name: rule for rule in rules()}
    if name in table:
        return table[name]
    nearest = [choice for choice, _, _ in process.extract(name, list(table), limit=3)]
    raise InputError(f"unknown rule {quoted(name)}", mend=f"nearest: {', '.join(nearest)}")


def bounds_of(region: Region, where: str) -> dict[str, LevelBounds]:
    """The levels that a region gives the rules, by rule. where: the region's file or name, for the reader.

    Raises: InputError: a level for a rule that there is not, or a lower one for a rule that may not be lowered.
    """
    found = {}
    for name, row in region.level.items():
        try:
            rule = rule_named(name)
        except InputError as error:
            raise error.at(f"{where}, level") from None
        most = Level[(row.at_most or "stop").upper()]
        if most < max(rule.levels) and not rule.may_be_lowered:
            raise InputError(
                f"{name} keeps people, wells or the answer safe and may not be lowered",
                where=f"{where}, level",
                mend="leave out its at_most",
            )
        found[name] = LevelBounds(
            Level[(row.at_least or "none").upper()], most, f"the policy of {region.name}", row.reason
        )
    return found


class Judge:
    """The rules at the levels of a region's policy.

    >>> from pourcheck.rules.policy.region import region_named
    >>> judge = Judge(region_named(None))
    """

    def __init__(self, region: Region, where: str = "region") -> None:
        """Raises: InputError: as `bounds_of`."""
        self._bounds: Mapping[str, LevelBounds] = bounds_of(region, where)
        self._read: dict[str, tuple[str, ...]] = {}
        self._last: tuple[Question, dict[Level, tuple[Rule, ...]]] | None = None

    def __call__(self, case: Case, *, least: Level = Level.NOTE, only: Iterable[Rule] | None = None) -> list[Judged]:
        """What every rule that applies says of a case, after the policy. Only the rules that can come to `least` or
        worse for this pour are asked; only: these and no others."""
        question = case.question
        if only is None:
            asked = self._asked(question, least)
        else:
            asked = tuple(rule for rule in only if self._worst_of(rule, question) >= least)
        case.begin(self._likely(asked))
        return [self._counted(rule, outcome) for rule in asked if (outcome := self._outcome(rule, case)) is not None]

    def _likely(self, asked: Sequence[Rule]) -> Collection[str]:
        """Names of the solutions that these rules are likely to read: those that they read last."""
        names = {name for rule in asked for name in self._read.get(rule.name, ())}
        # Whether they were found is its own question, and it is noted as having read none.
        return names.union(bucket.COMPUTED) if any(rule is bucket.NOT_COMPUTED for rule in asked) else names

    def _outcome(self, rule: Rule, case: Case) -> Outcome | None:
        """What a rule says; which solutions it read for that is remembered."""
        outcome = _outcome(rule, case)
        self._read[rule.name] = tuple(case.asked)
        return outcome

    def _asked(self, question: Question, least: Level) -> tuple[Rule, ...]:
        """The rules that can come to `least` or worse for a pour, by what they say of themselves and the policy."""
        if self._last is None or self._last[0] is not question:
            self._last = question, {}
        found = self._last[1]
        if least not in found:
            found[least] = tuple(rule for rule in rules() if self._worst_of(rule, question) >= least)
        return found[least]

    def _worst_of(self, rule: Rule, question: Question) -> int:
        """The worst that a rule can come to for a pour, by itself and the policy."""
        own, bounds = rule.worst_for(question), self._bounds.get(rule.name)
        if bounds is None or own == Level.NONE:
            return own
        return int(np.max(bounds(np.array([level for level in rule.levels if level < own] + [own]))))

    def _counted(self, rule: Rule, outcome: Outcome) -> Judged:
        bounds = self._bounds.get(rule.name)
        if bounds is None:
            return Judged(rule, outcome, outcome.level)
        level = bounds(outcome.level)
        return Judged(rule, outcome, level, None if np.array_equal(level, outcome.level) else bounds)


def _outcome(rule: Rule, case: Case) -> Outcome | None:
    """What a rule says; that nothing is known of what it asks, where it fails or a solution that it read was not found."""
    try:
        case.asked.clear()
        outcome = rule.check(case)
        if case.asked and case.any_unsolved(case.asked):
            outcome = _where_found(rule, outcome, case.unsolved(*tuple(case.asked)))
        if outcome is not None and outcome.level.shape != (case.size,):
            raise ValueError(f"{outcome.level.shape} levels for {case.size} scenarios")
        return outcome
    except Exception as fault:
        words = failure(rule, fault)
        return Outcome(
            same(case, Level.UNKNOWN),
            lambda _: words,
            do=(CHECK_INPUT, "Report the pour if it persists."),
            headline=failed_headline(rule),
        )


def _where_found(rule: Rule, outcome: Outcome | None, lost: NDArray[np.bool_]) -> Outcome:
    """What a rule says where its solutions were found; elsewhere it is unknown, or the stop that it is by presence
    alone, and has no numbers. lost: (B,)."""
    said = outcome or Outcome(np.zeros(len(lost), dtype=np.int64), lambda _: "", do=(CHECK_INPUT, BUCKET_JAR_TEST))

    def message(n: Mapping[str, float]) -> str:
        if not lost[int(n["row"])]:
            return said.message(n)
        if n["level"] == Level.STOP:
            return f"{rule.headline_at(Level.STOP, said.headline)} The chemistry of this pour could not be solved for numbers."
        return f"The chemistry of this pour could not be solved, so this is not known: {rule.asks}"

    return replace(
        said,
        level=np.where(lost, np.maximum(said.level, int(Level.UNKNOWN)), said.level),
        message=message,
        numbers={key: np.where(lost, np.nan, value) for key, value in said.numbers.items()},
        severity=None if said.severity is None else np.where(lost, -np.inf, said.severity),
    )


def failed_headline(rule: Rule) -> str:
    """The headline of a rule that failed."""
    return f"{rule.name} could not be computed for this pour."


def failure(rule: Rule, fault: Exception) -> str:
    """What to say of a rule that failed. Raises: the fault itself, where DEBUG_VARIABLE is set."""
    if os.environ.get(DEBUG_VARIABLE):
        raise fault
    _log.error("rule %s failed", rule.name, exc_info=fault)
    kind = type(fault).__name__
    return f"{rule.name} could not be computed for this pour ({kind}), so this is not known: {rule.asks}"


def worst(case: Case, judged: Iterable[Judged], *, own: bool = False) -> Levels:
    """Worst level in each scenario, (B,); own: by the rules themselves, as if there were no policy."""
    level = np.zeros(case.size, dtype=np.int64)
    for one in judged:
        level = np.maximum(level, one.outcome.level if own else one.level)
    return level
