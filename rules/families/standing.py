"""Rules of the line between events: what stands in it warms, dries, and raises its pH."""

from __future__ import annotations

from collections.abc import Mapping
from math import log10

import numpy as np

from ...catalog.quantity.table import (
    ALKALINITY,
    AMOUNT_FACTOR,
    BUCKET_TEMPERATURE,
    CALCIUM,
    INJECTION_RATIO,
    LINE_TEMPERATURE,
    PH,
)
from ..ask.question import Question
from ..case.case import Case
from ..case.solutions import DRIED, SUN_C
from ..chemistry.constants import Floats
from ..chemistry.phases import phases
from ..judge.advice import FLUSH
from ..judge.rule import Level, Outcome, Rule, taken
from ..judge.turns import OWN_PH, Turns
from .line import LEAST_MG_PER_L, LIME_CLOUDS_SI, LIME_SCALES_SI

#: Warming that is looked at, at least [degC].
_LEAST_WARMING_C = 5.0


def _warm_line(case: Case) -> Outcome | None:
    warms = SUN_C - case.line_temperature_c >= _LEAST_WARMING_C
    if not warms.any():
        return None
    warm, here = case.sunny_line.before_solids, case.line.before_solids
    lime, brushite = warm.si("Calcite"), warm.si("Brushite")
    table = phases()
    over_lime = (lime > LIME_SCALES_SI) & (here.si("Calcite") <= LIME_SCALES_SI)
    clouds = (lime > LIME_CLOUDS_SI) & (here.si("Calcite") <= LIME_CLOUDS_SI)
    sure = table["Brushite"].surely_above_si
    phosphate = (brushite > sure) & (here.si("Brushite") <= sure)
    level = np.where(warms & over_lime, int(Level.NOTE), int(Level.NONE))
    level[warms & (clouds | phosphate)] = Level.CAUTION
    if not level.any():
        return None

    def message(n: Mapping[str, float]) -> str:
        phosphate_index = n["brushite_saturation_index_warm"]
        if n["brushite_saturation_index"] <= sure < phosphate_index:
            return f"At {SUN_C:.0f} degC, in the sun, calcium phosphate can form in the line (index {phosphate_index:+.2f})."
        return (
            f"At {SUN_C:.0f} degC, in the sun, lime scale can form in the line (calcite index "
            f"{n['calcite_saturation_index_warm']:+.2f} instead of {n['calcite_saturation_index']:+.2f})."
        )

    return Outcome(
        level,
        message,
        numbers={
            "calcite_saturation_index": here.si("Calcite"),
            "calcite_saturation_index_warm": lime,
            "brushite_saturation_index": here.si("Brushite"),
            "brushite_saturation_index_warm": brushite,
            "sun_c": SUN_C,
        },
        do=("Inject in the cool of the morning; shade or bury the tube.", FLUSH),
        severity=np.where(np.isfinite(lime), lime, -9.0),
    )


WARM_LINE = Rule(
    name="warm-line",
    family="line",
    may_be_lowered=True,
    levels=(Level.CAUTION, Level.NOTE),
    asks="Does lime scale or phosphate form in the line when the sun warms it?",
    headline="Scale {will} form in the line where the sun warms it.",
    brief="scale in a sun-warmed line",
    plain="Black tube in the sun reaches 45 degC and more. Lime and calcium phosphate dissolve less in warm water.",
    chemistry="The same line at 45 degC: calcite and brushite indices. A line temperature that is not stated is swept up to "
    "there by every rule, and this one is silent.",
    cure="Cool hours, shade, flush.",
    sources=("minteq.v4.dat (NIST 46)", "common practice, no source: 45 degC in black tube"),
    turns=Turns(
        better=(LINE_TEMPERATURE,),
        either={
            (
                AMOUNT_FACTOR,
                INJECTION_RATIO,
                CALCIUM,
                ALKALINITY,
                PH,
                BUCKET_TEMPERATURE,
            ): "it speaks of what the sun brings about alone: less, where the cool line is over already"
        },
    ),
    # A line temperature that is not stated is swept up to the sun's.
    at_most=lambda question: Level.CAUTION if question.stated(LINE_TEMPERATURE) else Level.NONE,
    check=_warm_line,
)


#: Solids that dry out of what was left standing: phase -> words, how many ions it takes, and what drying adds to its
#: index beside their strength at most, through a pH that rises on the way (sulfate hardly feels that).
DRIES_OUT = {
    "Gypsum": ("gypsum", 2, 0.3),
    "Brushite": ("calcium phosphate", 2, 1.0),
    "Calcite": ("lime scale", 2, 1.0),
    "Struvite": ("magnesium ammonium phosphate", 3, 1.0),
}
#: The pour counts where it raises an index by at least this over the water's own.
_RAISED_SI = 0.2


def raised_si(phase: str) -> float:
    """By how much drying raises the index of one of these solids at most."""
    _, ions, by_ph = DRIES_OUT[phase]
    return ions * log10(DRIED) + by_ph


def _left_standing(question: Question) -> Level:
    """What a crust comes to: nothing where the line is flushed, a caution where it is known not to be."""
    needed, flushed = question.plan.travel_min, question.plan.stated.flush_min
    if flushed is None:
        return Level.NOTE
    return Level.NONE if flushed > 0.0 and (needed is None or flushed >= needed) else Level.CAUTION


def _drying(case: Case) -> Outcome | None:
    crusts, table, wet = _left_standing(case.question), phases(), case.line.before_solids
    onsets = {
        phase: LIME_SCALES_SI if phase == "Calcite" else max(table[phase].surely_above_si, 0.0) for phase in DRIES_OUT
    }
    # Of what the running line is over already, or nowhere near to, drying brings nothing about.
    near = [
        phase
        for phase, onset in onsets.items()
        if ((wet.si(phase) <= onset) & (wet.si(phase) > onset - raised_si(phase))).any()
    ]
    if not near:
        return None
    drying, dry = case.drying_line, case.drying_line.before_solids
    passes = {
        phase: (dry.si(phase) > onsets[phase])
        & (wet.si(phase) <= onsets[phase])
        & (drying.precipitated(phase) * 1e5 > LEAST_MG_PER_L)
        for phase in near
    }
    rows = np.any([*passes.values()], axis=0)
    if not rows.any():
        return None
    # What the water does by itself is no matter of the pour.
    water = case.drying_water(rows)
    level = np.full(case.size, int(Level.NONE))
    found: list[Floats] = []
    for phase, over in passes.items():
        over[rows] &= ~(dry.si(phase)[rows] <= water.si(phase) + _RAISED_SI)
        level[over] = crusts
        found.append(np.where(over, dry.si(phase), -np.inf))
    level[rows] = np.where(water.converged, level[rows], int(Level.UNKNOWN))
    if not level.any():
        return None
    which = np.argmax(found, axis=0)
    worst, names = taken(which, found), [DRIES_OUT[phase][0] for phase in near]
    return Outcome(
        level,
        lambda n: (
            "If the line is not flushed, what is left in the emitters dries; once "
            f"{100 * (1 - 1 / DRIED):.0f} % of the water is gone, {names[which[int(n['row'])]]} forms (saturation index "
            f"{n['saturation_index_dry']:+.2f})."
        ),
        numbers={"saturation_index_dry": worst},
        do=(FLUSH,),
        severity=worst,
    )


DRYING_EMITTER = Rule(
    name="drying-emitter",
    family="line",
    may_be_lowered=True,
    levels=(Level.CAUTION, Level.NOTE),
    asks="Would what is left in the emitters dry to a solid?",
    headline="What is left in the emitters {will} dry to a crust: flush the line.",
    brief="a crust in dry emitters",
    plain="Between events the last drops in an emitter dry up and leave what was dissolved in them.",
    chemistry="The line with three quarters of its water gone: gypsum, calcium phosphate, lime, struvite, where the pour "
    "raises the index over the water's own. Silent where the flush is long enough.",
    cure="Flush with clear water.",
    sources=(
        "minteq.v4.dat (NIST 46)",
        "New England Vegetable Guide: feed left in lines leads to solids and slime; flush after",
        "design choice: a quarter of the water left",
    ),
    turns=Turns(
        either={
            (
                AMOUNT_FACTOR,
                INJECTION_RATIO,
                CALCIUM,
                ALKALINITY,
                PH,
                LINE_TEMPERATURE,
                BUCKET_TEMPERATURE,
            ): "it speaks of what drying brings about alone: less, where the running line is over already"
        }
    ),
    at_most=_left_standing,
    check=_drying,
)


def _ammonia_raises_ph(case: Case) -> Outcome | None:
    alkali = case.product_mol[:, case.constants.master("H+")] < 0.0
    ph, own = case.line.before_solids.ph, case.water.before_solids.ph
    rises = case.brings("NH4+") & alkali & (ph > own + 0.3)
    level = np.where(rises, int(Level.NOTE), int(Level.NONE))
    level[rises & (ph > 8.0)] = Level.CAUTION
    if not level.any():
        return None
    return Outcome(
        level,
        lambda n: (
            f"Ammonia raises the pH of the line from {n['water_ph']:.1f} to {n['line_ph']:.1f}: hard water drops lime scale, and "
            "iron and phosphate form solids."
        ),
        numbers={"line_ph": ph, "water_ph": own},
        do=("Take ammonium nitrate or sulfate instead of ammonia water, or inject into soft water.", FLUSH),
        severity=ph,
    )


AMMONIA_RAISES_PH = Rule(
    name="ammonia-raises-ph",
    family="line",
    may_be_lowered=True,
    levels=(Level.CAUTION, Level.NOTE),
    asks="Does ammonia raise the pH of the line?",
    headline="Ammonia {will} make the water drop lime scale in the drip line.",
    brief="lime scale from ammonia",
    plain="Ammonia softens hard water by dropping its lime scale, and does so in your line.",
    chemistry="NH3 + H2O -> NH4+ + OH-; pH of the line from the proton balance.",
    cure="An ammonium salt instead.",
    sources=("from memory: Burt et al.: aqua or anhydrous ammonia lifts pH and precipitates lime in the line",),
    turns=Turns(
        worse=(BUCKET_TEMPERATURE,),
        better=(INJECTION_RATIO, CALCIUM, ALKALINITY, LINE_TEMPERATURE),
        either={(AMOUNT_FACTOR,): OWN_PH, (PH,): "the line is more alkaline, and the feed raises it less"},
    ),
    needs=(("NH4+",),),
    check=_ammonia_raises_ph,
)


RULES = (
    WARM_LINE,
    DRYING_EMITTER,
    AMMONIA_RAISES_PH,
)
