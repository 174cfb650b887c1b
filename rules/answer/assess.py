"""A question in, a verdict out: sweeps, applies the rules, measures the distance to the edge."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from functools import cache
from typing import cast

import numpy as np
from threadpoolctl import ThreadpoolController

from ...catalog.species import SPECIES
from ..ask.question import Columns, Poured, Question
from ..case.case import Case, Where
from ..chemistry.conductivity import ec_ms_per_cm, stock_ec_ms_per_cm
from ..chemistry.constants import Floats
from ..chemistry.doubt import estimated_pairs
from ..chemistry.phases import phases
from ..explore import margin as edges
from ..explore import sweep
from ..families.registry import Judge, worst
from ..judge.rule import Judged, Level, Levels, Rule
from .verdict import Answer, Bounds, Decider, Finding, LabelContent, Margin, SolidState, SolutionState, Verdict
from .water import water_state

_ANSWER: dict[int, Answer] = {
    Level.NONE: "clear",
    Level.NOTE: "clear",
    Level.CAUTION: "caution",
    Level.UNKNOWN: "unknown",
    Level.STOP: "stop",
}
_FINDING = {Level.NOTE: "note", Level.CAUTION: "caution", Level.UNKNOWN: "unknown", Level.STOP: "stop"}


@cache
def _threads() -> ThreadpoolController:
    return ThreadpoolController()


def one_thread() -> AbstractContextManager[object]:
    """Linear algebra on one thread: the matrices are small, and threads that wait for each other on a
    busy machine cost ten times what they save."""
    return cast(AbstractContextManager[object], _threads().limit(limits=1, user_api="blas"))


def overall(level: Levels) -> Level:
    """One level for all scenarios: a stop must hold in all of them; a doubt in any is a doubt."""
    if int(np.min(level)) == Level.STOP:
        return Level.STOP
    return Level(min(int(np.max(level)), int(Level.UNKNOWN)))


def assess(question: Question, *, details: bool) -> Verdict:
    """The verdict on a question, without swaps. details: also margins and turning values.

    Raises: InputError: the region's policy does not fit the rules.
    """
    judge = Judge(question.region, question.pour.region or "region")
    columns = sweep.scenarios(question)
    case = Case(question, columns)
    case.solve_together()
    judged = judge(case)
    answer = overall(worst(case, judged))
    decided_by = _decided_by(question, columns, judge, judged) if details and answer == Level.UNKNOWN else ()
    # Where a rule by itself turns is looked for where that matters, and for a few.
    listed = all(item.composition.listed for item in question.poured)
    told = _told(judged) if details and (listed or answer != Level.STOP) else set()
    found = [
        (overall(one.level), _finding(question, judge, one, columns, one.rule.name in told))
        for one in judged
        if np.any(one.level)
    ]
    found.sort(key=lambda pair: -pair[0])
    findings = tuple(finding for _, finding in found)
    margin = Margin()
    if details and answer != Level.UNKNOWN and not edges.no_number_turns(judged):
        found_at = _rounded(edges.margins(edges.Asked(question, columns, judge, answer == Level.STOP)))
        nominal = question.nominal()
        here = {n: nominal[edges.EDGES[n].column] for n, value in found_at.items() if value is not None}
        margin = Margin(**found_at, measured_from={name: _tidy(value) for name, value in here.items()})
    known = any(item.composition.mixtures for item in question.poured)
    return Verdict(
        verdict=_ANSWER[answer],
        summary=_summary(answer, findings, _lowered_by(case, judged, answer)),
        findings=findings,
        labels=tuple(_label(item) for item in question.poured if not item.product.content),
        water=None if question.water is None else water_state(question.water, question.usual),
        bucket=_state(case, "bucket") if known else None,
        line=_state(case, "line") if known else None,
        decided_by=decided_by,
        margin=margin,
        swaps=(),
        assumed=(*question.assumed, *(_estimated(case) if known else ())),
    )


def _lowered_by(case: Case, judged: Sequence[Judged], answer: Level) -> str:
    """Whose policy made the verdict milder than the rules by themselves have it; "" where none did."""
    if overall(worst(case, judged, lambda one: one.outcome.level)) <= answer:
        return ""
    return next(one.policy.by for one in judged if one.policy is not None and np.any(one.level < one.outcome.level))


def _label(item: Poured) -> LabelContent:
    """What a product is made of, as far as its label tells."""
    known = item.composition
    bounds = {
        SPECIES[name].spoken: Bounds(low=_tidy(low), best=_tidy(best), high=_tidy(high))
        for name, (low, best, high) in known.bounds_mol_per_kg.items()
        if name != "H2O"  # follows from the rest, and is no extreme
    }
    return LabelContent(
        product=item.product.name,
        sources_listed=known.listed,
        mol_per_kg=bounds,
        not_known=known.gaps,
        contradictions=known.faults,
    )


#: Pairs of ions below this do not decide anything [mol/kg].
_MATTERS_MOL_PER_KG = 0.1


def _estimated(case: Case) -> list[str]:
    """What the bucket's activity model had to estimate."""
    pairs = estimated_pairs(case.bucket.before_solids, _MATTERS_MOL_PER_KG)
    if not pairs:
        return []
    names = ", ".join(f"{cation} with {anion}" + (f" (as {lent})" if lent else "") for cation, anion, lent in pairs)
    return [f"bucket: no measured activity parameters, estimated with their error: {names}"]


def _rounded(values: Mapping[str, float | None]) -> dict[str, float | None]:
    return {key: None if value is None else float(f"{value:.4g}") for key, value in values.items()}


def _summary(answer: Level, findings: tuple[Finding, ...], lowered_by: str) -> str:
    text = _headline(answer, findings)
    return f"{text[:-1]}, by {lowered_by}." if lowered_by else text


def _headline(answer: Level, findings: tuple[Finding, ...]) -> str:
    lead = [f for f in findings if f.level == _FINDING.get(answer)]
    if answer == Level.STOP:
        if lead:
            return "Do not pour this: " + ", ".join(f.rule for f in lead) + "."
        return (
            "Whatever is not known, something stops it: "
            + ", ".join(f.rule for f in findings if f.level == "unknown")
            + "."
        )
    if answer == Level.UNKNOWN:
        return "Not known to be safe: " + ", ".join(f.rule for f in lead) + "."
    if answer == Level.CAUTION:
        return "Can be poured with care: " + ", ".join(f.rule for f in lead) + "."
    return "Nothing that is checked here stands against it."


#: Findings whose own turning value is looked for.
_MOST_TOLD = 6


def _told(judged: Sequence[Judged]) -> set[str]:
    """Names of the rules that are unknown, as far as they are told by themselves."""
    unknown = [one.rule.name for one in judged if overall(one.level) == Level.UNKNOWN]
    return set(unknown[:_MOST_TOLD])


def _trouble_of(judge: Judge, *asked: Rule) -> sweep.Trouble:
    """Where one of some rules stops or is unknown."""

    def trouble(case: Case) -> sweep.Mask:
        return np.asarray(worst(case, judge(case, only=asked)) >= Level.UNKNOWN)

    return trouble


def _decided_by(question: Question, columns: Columns, judge: Judge, judged: Sequence[Judged]) -> tuple[Decider, ...]:
    """What the verdict turns on, over all rules whose answer is not the same everywhere."""
    split = [(one.rule, bad) for one in judged if 0 < np.sum(bad := one.level >= Level.UNKNOWN) < len(bad)]
    if not split:
        return ()
    bad = np.any([mask for _, mask in split], axis=0)
    if np.all(bad):
        # Something is wrong in every scenario, though not the same; what decides is what the rules turn on.
        return ()
    return tuple(
        Decider(
            input=turn.input.name,
            unit=turn.input.unit,
            turns_at=None if turn.at is None else _tidy(turn.at),
            low=None if turn.at is None else _tidy(turn.low),
            high=None if turn.at is None else _tidy(turn.high),
            trouble=None if turn.at is None else "above" if turn.stops_above else "below",
            told=turn.told,
            explains=round(turn.explains, 3),
            find_out=turn.input.find_out,
        )
        for turn in sweep.turns(question, dict(columns), bad, _trouble_of(judge, *(rule for rule, _ in split)))
    )


def _finding(question: Question, judge: Judge, judged: Judged, columns: Mapping[str, Floats], details: bool) -> Finding:
    rule, outcome = judged.rule, judged.outcome
    level = overall(judged.level)
    row = _row_to_show(judged, level)
    # The rule's own words, at the level that it would have.
    shown = Level(int(outcome.level[row]))
    numbers = {
        key: float(np.broadcast_to(np.asarray(value, dtype=float), outcome.level.shape)[row])
        for key, value in outcome.numbers.items()
    }
    message = outcome.message({**numbers, "level": float(shown)})
    because = dict(numbers)
    for key, value in outcome.numbers.items():
        span = np.asarray(value, dtype=float)
        finite = span[np.isfinite(span)] if span.ndim else np.zeros(0)
        least, most = (float(np.min(finite)), float(np.max(finite))) if finite.size else (0.0, 0.0)
        if most - least > 1e-6 * max(abs(most), 1e-9):
            because[f"{key}_low"], because[f"{key}_high"] = least, most
    do = list(outcome.do)
    bad = judged.level >= Level.UNKNOWN
    if level == Level.UNKNOWN and not np.all(bad):
        found = sweep.turns(question, dict(columns), bad, _trouble_of(judge, rule)) if details else []
        if found:
            message = f"Not decided by what is stated. Turns at {'; '.join(t.words() for t in found)}. There: {message}"
            because |= {turn.key: turn.at for turn in found if turn.at is not None}
            do = [f"Find out: {turn.input.find_out}." for turn in found] + do
        else:
            message = f"Not decided by what is stated; in part of the range: {message}"
    return Finding(
        rule=rule.name,
        level=_FINDING[level],
        where=rule.family,
        message=message,
        because={key: _tidy(value) for key, value in because.items() if np.isfinite(value)},
        do=tuple(dict.fromkeys(do)),
        sources=rule.sources,
        turned=_policy_words(judged),
    )


def _policy_words(judged: Judged) -> str | None:
    if judged.policy is None:
        return None
    was, now = (overall(levels).name.lower() for levels in (judged.outcome.level, judged.level))
    return f"{was} turned to {now} by {judged.policy.by}: {judged.policy.reason}"


def _row_to_show(judged: Judged, level: Level) -> int:
    """The best estimate where it shares the finding's level, else the worst scenario that does."""
    outcome = judged.outcome
    fits = judged.level >= (Level.UNKNOWN if level >= Level.UNKNOWN else level)
    if fits[0]:
        return 0
    severity = outcome.severity if outcome.severity is not None else np.zeros(len(fits))
    rank = np.where(fits, np.nan_to_num(severity, neginf=-1e300), -np.inf)
    return int(np.argmax(rank))


def _state(case: Case, where: Where) -> SolutionState:
    mixed = case.solution(where).before_solids
    constants = case.constants
    ions: dict[str, Floats] = {}
    for i, name in enumerate(constants.masters):
        if name != "H+" and np.any(mixed.totals_mol_per_kg[:, i] > 1e-9):
            ions[SPECIES[name].spoken.split(" (")[0].replace(" ", "_")] = case.total_mg_per_l(where, name)
    extra: dict[str, Floats] = {}
    if where == "bucket":
        per_kg = case.bucket_volume_l / case.bucket_water_kg
        conductivity = stock_ec_ms_per_cm(mixed, per_kg)
        extra = {
            "ph_in_air": case.bucket_in_air.before_solids.ph,
            "density_kg_per_l": case.bucket_density_kg_per_l,
            "volume_l": case.bucket_volume_l,
            "water_poured_l": case.poured_water_l,
        }
    else:
        conductivity = ec_ms_per_cm(mixed)
    numbers = {
        "temperature_c": mixed.temperature_c,
        "ph": mixed.ph,
        "ionic_strength_mol_per_kg": mixed.ionic_strength,
        **({} if np.any(np.isnan(conductivity)) else {"ec_ms_per_cm": conductivity}),
        **extra,
    }
    solids = []
    for name, phase in phases().items():
        if name not in mixed.constants.phases:
            continue
        si = mixed.si(name)
        if not np.isfinite(si[0]) or float(np.max(si)) < -3.0:
            continue
        table = {"saturation_index": si}
        if name in case.formed(where):
            table["precipitated_mg_per_l"] = case.precipitated_mg_per_l(where, name)
        solids.append(_solid(phase.spoken, table, phase.onset_si))
    for salt in case.salts if where == "bucket" else ():
        name = salt.curve.name
        si = mixed.si(name)
        if name in phases() or not np.isfinite(si[0]) or float(np.max(si)) < -1.0:
            continue
        table = {
            "saturation_index": si,
            "precipitated_mg_per_l": 1000.0 * case.settled_g_per_l(case.bucket, salt),
        }
        solids.append(_solid(salt.name, table, 0.0))
    low, high = _range({**numbers, **ions})
    return SolutionState(
        temperature_c=_tidy(mixed.temperature_c[0]),
        ph=_tidy(mixed.ph[0]),
        ionic_strength_mol_per_kg=_tidy(mixed.ionic_strength[0]),
        ec_ms_per_cm=None if np.isnan(conductivity[0]) else _tidy(conductivity[0]),
        ions_mg_per_l={key: _tidy(value[0]) for key, value in ions.items()},
        solids=tuple(sorted(solids, key=lambda s: -s.saturation_index)),
        model=mixed.model,
        within_validity=bool(np.all(mixed.ionic_strength <= mixed.valid_up_to_mol_per_kg)),
        **{key: _tidy(value[0]) for key, value in extra.items()},
        low=low,
        high=high,
    )


def _solid(spoken: str, table: Mapping[str, Floats], onset_si: float) -> SolidState:
    low, high = _range(table)
    amount = table.get("precipitated_mg_per_l")
    return SolidState(
        solid=spoken,
        saturation_index=_tidy(table["saturation_index"][0]),
        precipitated_mg_per_l=None if amount is None else _tidy(amount[0]),
        onset=onset_si,
        low=low,
        high=high,
    )


def _tidy(value: float) -> float:
    rounded = float(f"{float(value):.5g}")
    return 0.0 if abs(rounded) < 1e-6 else rounded


def _range(table: Mapping[str, Floats]) -> tuple[dict[str, float], dict[str, float]]:
    """Lowest and highest of each number that is not the same in all scenarios."""
    low, high = {}, {}
    for key, values in table.items():
        finite = values[np.isfinite(values)]
        least, most = _tidy(np.min(finite)), _tidy(np.max(finite))
        if most - least > 1e-6 * max(abs(most), abs(least), 1e-6):
            low[key], high[key] = least, most
    return low, high
