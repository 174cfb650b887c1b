"""Rules of the line: the stock, diluted into the grower's own water, up to the last emitter."""

from __future__ import annotations

from collections.abc import Mapping

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
from ..case.case import Case
from ..chemistry.phases import phases
from ..judge.advice import DEFER, FLUSH
from ..judge.forming import all_far_below, solid_levels
from ..judge.rule import Level, Outcome, Rule
from ..judge.turns import BUFFERS, HEAT, OWN_PH, SLIGHTLY, Turns

#: Published flag of a water that throws solids with phosphate: calcium above this [mg/L] ...
HARD_CALCIUM_MG_PER_L = 50.0
#: ... with bicarbonate above this [mg/L CaCO3] (150 mg/L HCO3).
HARD_ALKALINITY_MG_PER_L_CACO3 = 123.0
#: Lime: over saturation, building up in emitters, and expected to cloud the line as it runs, from these indices on.
LIME_OVER_SI, LIME_SCALES_SI, LIME_CLOUDS_SI = 0.05, 0.3, 1.0
#: Phosphate of the line below this is a trace of the well's [mol/kg], 0.1 mg/L.
LEAST_PHOSPHATE_MOL_PER_KG = 1e-6
#: Below this pH calcium phosphate stays dissolved (from memory: Rauschkolb, Burt).
ACID_HOLDS_PH = 4.0
#: Within a factor of two of saturation.
NEAR_SI = -0.3
#: Amounts below this [mg/L] are not worth a word.
LEAST_MG_PER_L = 1.0


def _phosphate(case: Case) -> Outcome | None:
    mixed = case.line.before_solids
    phosphate = mixed.totals_mol_per_kg[:, case.constants.master("PO4-3")]
    if not (phosphate > LEAST_PHOSPHATE_MOL_PER_KG).any():
        return None
    brushite, octacalcium = mixed.si("Brushite"), mixed.si("OCP")
    fresh, aged = mixed.si("ACP1"), mixed.si("ACP2")
    amount = case.precipitated_mg_per_l("line", "Brushite")
    table = phases()
    level = solid_levels(case, "line", "Brushite", haze_mg_per_l=LEAST_MG_PER_L)
    slow = (octacalcium > table["OCP"].surely_above_si) & (aged > table["ACP2"].surely_above_si)
    level = np.maximum(level, np.where(slow, int(Level.CAUTION), 0))
    level = np.maximum(level, np.where(fresh > table["ACP1"].surely_above_si, int(Level.STOP), 0))
    # Where the slow phosphates are surely over their solubility and the water is over the published
    # limit for phosphate, practice has decided what equilibrium with the fast one leaves open.
    calcium = case.total_mg_per_l("line", "Ca+2")
    # A hair more, so that the last digits of a computed total do not decide.
    hard = (calcium > HARD_CALCIUM_MG_PER_L * (1.0 + 1e-6)) & (case.of(ALKALINITY) > HARD_ALKALINITY_MG_PER_L_CACO3)
    level = np.maximum(level, np.where(slow & hard, int(Level.STOP), 0))
    # Near the edge, or against what practice says of such water, is nowhere plainly clear.
    near = (brushite > NEAR_SI) | (hard & (mixed.ph > ACID_HOLDS_PH))
    level = np.maximum(level, np.where(near, int(Level.CAUTION), 0))
    level[phosphate <= LEAST_PHOSPHATE_MOL_PER_KG] = Level.NONE
    if not level.any():
        return None

    def message(n: Mapping[str, float]) -> str:
        over = f"saturation index {n['brushite_saturation_index']:+.2f}, pH {n['line_ph']:.1f}"
        if n["level"] == Level.STOP and n["precipitated_mg_per_l"] >= LEAST_MG_PER_L:
            return (
                f"Phosphate meets the calcium of the water: {n['precipitated_mg_per_l']:.0f} mg/L of calcium phosphate "
                f"can form in the line ({over})."
            )
        if n["level"] == Level.STOP:
            return (
                f"Calcium phosphate forms slowly in the line (octacalcium phosphate index "
                f"{n['octacalcium_saturation_index']:+.2f}; brushite {over}), and the water is over the published limit "
                "for phosphate."
            )
        if n["level"] == Level.UNKNOWN:
            return f"Calcium phosphate in the line is too close to call ({over})."
        return (
            "Near the edge: what stands in the line, warms or loses its acid can still drop calcium phosphate (octacalcium "
            f"phosphate index {n['octacalcium_saturation_index']:+.2f}; brushite {over})."
        )

    return Outcome(
        level,
        message,
        numbers={
            "brushite_saturation_index": brushite,
            "octacalcium_saturation_index": octacalcium,
            "precipitated_mg_per_l": amount,
            "line_ph": mixed.ph,
            "line_calcium_mg_per_l": calcium,
            "line_phosphate_mg_per_l": case.total_mg_per_l("line", "PO4-3"),
        },
        do=(
            "Leave phosphorus out of this drip: take the swap below, or put phosphate on the soil.",
            "Where phosphorus is needed, only an acid source that keeps the whole line below pH 4 holds it; ask an "
            "adviser.",
            FLUSH,
        ),
        severity=brushite,
    )


PHOSPHATE_MEETS_HARD_WATER = Rule(
    name="phosphate-meets-hard-water",
    family="line",
    may_be_lowered=True,
    swap_helps=True,
    levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
    asks="Does phosphate meet enough calcium in the line to form a solid?",
    headline="Calcium phosphate {will} form in the drip line and block emitters.",
    brief="calcium phosphate in the line",
    plain="Phosphate and hard water make calcium phosphate in the drip line. It hardens in the emitters, and acid takes "
    "weeks to dissolve it, if it ever does.",
    chemistry="Brushite (log K -18.995) forms in minutes below pH 7, fresh amorphous calcium phosphate above. The line's "
    "pH comes from the proton balance of water and fertilizer. Slower phosphates (octacalcium, aged amorphous) are a "
    "caution about standing water, and a stop where the water is also over the published limits.",
    cure="No phosphate through this drip: swap, or soil application.",
    sources=(
        "minteq.v4.dat (NIST 46) constants in PHREEQC's ion-pair and activity model",
        "from memory: Florida and California guidance: no neutral phosphate above 50 mg/L calcium",
        "Rottenberg, notes on fertilizer interaction: calcium 60, bicarbonate 150 mg/L",
        "Auburn ANR-0653: advises against phosphorus through drip",
    ),
    turns=Turns(
        worse=(CALCIUM, BUCKET_TEMPERATURE),
        either={
            (PH,): "a higher pH drives it out, until carbonate takes the calcium in an alkaline line",
            (AMOUNT_FACTOR, INJECTION_RATIO): OWN_PH,
            (ALKALINITY,): BUFFERS,
            (
                LINE_TEMPERATURE,
            ): "brushite hardly feels warmth, the slower phosphates have no constants for it, and the pH falls",
        },
    ),
    by_solution=True,
    check=_phosphate,
)


def _sulfate(case: Case) -> Outcome | None:
    if all_far_below(case, "line", "Gypsum"):
        return None
    mixed = case.line.before_solids
    si, amount = mixed.si("Gypsum"), case.precipitated_mg_per_l("line", "Gypsum")
    level = solid_levels(case, "line", "Gypsum", haze_mg_per_l=LEAST_MG_PER_L)
    level = np.maximum(level, np.where((si > NEAR_SI) & (level == 0), int(Level.CAUTION), 0))
    if not level.any():
        return None

    def message(n: Mapping[str, float]) -> str:
        index = f"saturation index {n['saturation_index']:+.2f}"
        if n["level"] == Level.STOP:
            return f"Gypsum in the line: {n['precipitated_mg_per_l']:.0f} mg/L forms ({index})."
        if n["level"] == Level.UNKNOWN:
            return f"Gypsum in the line is too close to call ({index})."
        return f"The line is within a factor of two of gypsum ({index}); a drying emitter passes it."

    return Outcome(
        level,
        message,
        numbers={
            "saturation_index": si,
            "precipitated_mg_per_l": amount,
            "line_calcium_mg_per_l": case.total_mg_per_l("line", "Ca+2"),
            "line_sulfate_mg_per_l": case.total_mg_per_l("line", "SO4-2"),
        },
        do=("Take a source without sulfate (nitrate or chloride), or dilute further.", FLUSH),
        severity=si,
    )


SULFATE_MEETS_HARD_WATER = Rule(
    name="sulfate-meets-hard-water",
    family="line",
    may_be_lowered=True,
    levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
    asks="Do sulfate and calcium in the line go over gypsum?",
    headline="Gypsum {will} form in the drip line and block emitters.",
    brief="gypsum in the line",
    plain="Sulfate feeds in water that is rich in calcium (or the reverse) drop gypsum, and acid does not dissolve it.",
    chemistry="CaSO4.2H2O, log K -4.61; within 0.1 of saturation the model cannot tell.",
    cure="Nitrate or chloride sources, more dilution.",
    sources=(
        "minteq.v4.dat (NIST 46)",
        "IASRI e-course: sulfate fertilizers can drop gypsum in high-calcium water",
    ),
    turns=Turns(
        worse=(AMOUNT_FACTOR, CALCIUM),
        better=(INJECTION_RATIO,),
        either={(LINE_TEMPERATURE,): "gypsum dissolves best near 40 degC"},
    ),
    by_solution=True,
    check=_sulfate,
)


def _adds_lime(case: Case) -> np.ndarray:
    """Where the pour brings what lime is made of, or alkali that drives it out, (B,): a matter of the pour alone, so
    that no harder water makes it better."""
    alkali = case.product_mol[:, case.constants.master("H+")] < -_LEAST_ALKALI_MOL
    return np.asarray(case.brings("Ca+2", "CO3-2") | alkali)


#: Protons that a bucket takes up, at least, to be called alkaline [mol].
_LEAST_ALKALI_MOL = 1e-6


def _lime(case: Case) -> Outcome | None:
    adds = _adds_lime(case)
    if not adds.any():
        return None  # lime is then the water's own matter
    mixed = case.line.before_solids
    si, before = mixed.si("Calcite"), case.water_in_line.before_solids.si("Calcite")
    amount = case.precipitated_mg_per_l("line", "Calcite")
    level = np.where(adds & (si > LIME_OVER_SI), int(Level.NOTE), int(Level.NONE))
    level[adds & (si > LIME_SCALES_SI)] = Level.CAUTION
    clouds = si > LIME_CLOUDS_SI - phases()["Calcite"].surely_above_si
    level[adds & clouds & (amount >= LEAST_MG_PER_L)] = Level.STOP
    if not level.any():
        return None

    def message(n: Mapping[str, float]) -> str:
        index = f"calcite index {n['saturation_index']:+.2f} at {n['line_temperature_c']:.0f} degC"
        own = f"the water alone has {n['water_alone_saturation_index']:+.2f}"
        if n["level"] == Level.STOP:
            return f"The pour makes the water drop lime scale: {n['precipitated_mg_per_l']:.0f} mg/L ({index}; {own})."
        if n["level"] == Level.CAUTION:
            return f"Lime scale builds up slowly, most where the line is warm ({index}; {own})."
        return f"The line is slightly over what water holds of lime scale ({index}; {own})."

    return Outcome(
        level,
        message,
        numbers={
            "saturation_index": si,
            "water_alone_saturation_index": before,
            "precipitated_mg_per_l": amount,
            "line_ph": mixed.ph,
            "line_temperature_c": case.line_temperature_c,
        },
        do=(
            FLUSH,
            "Shade or bury the tube; an acid-forming feed or a licensed acid treatment keeps lime scale down.",
        ),
        severity=si,
    )


LIME_IN_LINE = Rule(
    name="lime-in-line",
    family="line",
    may_be_lowered=True,
    levels=(Level.STOP, Level.CAUTION, Level.NOTE),
    asks="Does a pour with calcium, carbonate or alkali make the line leave lime scale?",
    headline="Lime scale {will} form in the drip line and narrow the emitters.",
    brief="lime scale in the line",
    plain="Hard, alkaline water leaves lime scale where it warms up. A feed that raises pH or calcium makes it worse.",
    chemistry="Calcite index of the line, closed to air, at the line's temperature. From 0.3 it builds up in emitters; near 1 "
    "and above it can cloud within minutes. More calcium never makes it milder, nor a higher pH unless borate buffers it, nor more "
    "alkalinity where the pour brings no alkali; alkali raises the pH of a well buffered water less.",
    cure="Acid-forming feeds, cooler line, flush.",
    sources=(
        "minteq.v4.dat (NIST 46)",
        "from memory: Langelier index classes; 0.3 for drip and 1.0 for clouding: design choice",
    ),
    turns=Turns(
        worse=(CALCIUM, BUCKET_TEMPERATURE),
        either={
            (AMOUNT_FACTOR, INJECTION_RATIO): OWN_PH,
            (ALKALINITY,): BUFFERS,
            (PH,): "a borate feed buffers: it raises the pH of a mild water and lowers that of an alkaline one",
            (LINE_TEMPERATURE,): HEAT,
        },
    ),
    by_solution=True,
    check=_lime,
)


def _struvite(case: Case) -> Outcome | None:
    if all_far_below(case, "line", "Struvite"):
        return None
    si = case.line.before_solids.si("Struvite")
    amount = case.precipitated_mg_per_l("line", "Struvite")
    level = solid_levels(case, "line", "Struvite", haze_mg_per_l=LEAST_MG_PER_L)
    if not level.any():
        return None
    return Outcome(
        level,
        lambda n: (
            f"Up to {n['precipitated_mg_per_l']:.0f} mg/L of magnesium ammonium phosphate can form in the line (struvite "
            f"index {n['saturation_index']:+.2f}; published constants differ by 0.5)."
        ),
        numbers={"saturation_index": si, "precipitated_mg_per_l": amount},
        do=("Take the acid phosphate (monoammonium) instead, or leave magnesium for another day.", FLUSH),
        severity=si,
    )


STRUVITE_IN_LINE = Rule(
    name="struvite-in-line",
    family="line",
    may_be_lowered=True,
    swap_helps=True,
    levels=(Level.STOP, Level.UNKNOWN),
    asks="Does the line go over struvite?",
    headline="Hard phosphate scale {will} form in the drip line and block emitters.",
    brief="hard phosphate scale in the line",
    plain="Ammonium, magnesium and phosphate in alkaline water make struvite scale.",
    chemistry="MgNH4PO4.6H2O, log K -13.26, in print from -12.6 to -13.5.",
    cure="Acid phosphate, or no magnesium with it.",
    sources=("Ronteltap et al. 2007: 10^-13.26, 22.6 kJ/mol",),
    turns=Turns(
        worse=(BUCKET_TEMPERATURE,),
        either={
            (AMOUNT_FACTOR, INJECTION_RATIO): OWN_PH,
            (
                CALCIUM,
                ALKALINITY,
                PH,
            ): "carbonate and phosphate share calcium and magnesium, and ammonium becomes ammonia",
            (LINE_TEMPERATURE,): HEAT,
        },
    ),
    by_solution=True,
    check=_struvite,
)


#: pH of the line: beyond the first pair roots and metal suffer, beyond the second stop (common practice, no source; acid
#: cleaning is done at 4.5 to 5.0, UF/IFAS). A declared acid flush, with no crop watered, may go lower.
_LINE_PH_CAUTION, _LINE_PH_STOP, _ACID_FLUSH_STOP = (5.0, 9.5), (3.5, 10.5), 2.0


def _line_ph(case: Case) -> Outcome | None:
    ph = case.line.before_solids.ph
    own = case.of(PH)
    level = np.where((ph < _LINE_PH_CAUTION[0]) | (ph > _LINE_PH_CAUTION[1]), int(Level.CAUTION), int(Level.NONE))
    lowest = _ACID_FLUSH_STOP if case.question.pour.site.acid_flush else _LINE_PH_STOP[0]
    level[(ph < lowest) | (ph > _LINE_PH_STOP[1])] = Level.STOP
    level[np.abs(ph - own) < 0.3] = Level.NONE
    if not level.any():
        return None
    return Outcome(
        level,
        lambda n: f"The line has pH {n['line_ph']:.1f}: hard on roots, emitters and metal.",
        numbers={"line_ph": ph, "water_ph": own},
        do=("Dilute further, or pour less.", DEFER),
        severity=np.abs(ph - 7.0),
        headline="The line {will} be acid enough to harm roots and metal."
        if (ph < 7.0).all()
        else "The line {will} be alkaline enough to harm roots and plug emitters."
        if (ph > 7.0).all()
        else "",
    )


LINE_PH_EXTREME = Rule(
    name="line-ph-extreme",
    family="line",
    may_be_lowered=False,
    levels=(Level.STOP, Level.CAUTION),
    asks="Does the pour make the line very acid or very alkaline?",
    headline="The line {will} be acid or alkaline enough to harm roots and metal.",
    brief="a very acid or alkaline line",
    plain="Strong acid or lye in the line burns roots and corrodes metal and some plastics.",
    chemistry="pH of the line from the proton balance: caution below 5 or above 9.5, stop below 3.5 or above 10.5; below 2 where an acid flush is declared.",
    cure="Dilute, or pour less.",
    sources=(
        "common practice, no source, for the limits",
        "UF/IFAS citrus microirrigation appendix: acid cleaning at pH 4.5 to 5.0 at the outlet",
    ),
    turns=Turns(
        worse=(AMOUNT_FACTOR,),
        better=(INJECTION_RATIO, ALKALINITY),
        either={
            (PH, BUCKET_TEMPERATURE): "it helps against acid and adds to alkali",
            (CALCIUM, LINE_TEMPERATURE): SLIGHTLY,
        },
    ),
    by_solution=True,
    check=_line_ph,
)


RULES = (
    PHOSPHATE_MEETS_HARD_WATER,
    SULFATE_MEETS_HARD_WATER,
    LIME_IN_LINE,
    STRUVITE_IN_LINE,
    LINE_PH_EXTREME,
)
