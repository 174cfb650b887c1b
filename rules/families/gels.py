"""Rules of what equilibrium cannot tell: breakdown, gels, curds, and the order in which things go in."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ...catalog.quantity.table import ALKALINITY, AMOUNT_FACTOR, BUCKET_TEMPERATURE, CALCIUM, INJECTION_RATIO, PH
from ...catalog.species import molar_mass_g_per_mol
from ..ask.question import Poured
from ..case.case import Case, Mask
from ..judge.advice import BUCKET_JAR_TEST, IF_MIXED, JAR_TEST, TWO_BUCKETS
from ..judge.rule import Level, Outcome, Rule
from ..judge.turns import OTHER_SOLIDS, OWN_PH, SLIGHTLY, Turns
from .line import HARD_CALCIUM_MG_PER_L

#: Acid that is brought in [mol of protons per kg of water] before the pH of a bucket is one that acid made: the
#: computed pH of ammonium salts in unbuffered water says nothing.
_LEAST_ACID_MOL_PER_KG = 1e-3


def _thiosulfate_meets_acid(case: Case) -> Outcome | None:
    there = case.brings("S2O3-2")
    if not there.any():
        return None
    bucket = case.bucket.before_solids
    ph = bucket.ph
    soured = case.product_mol[:, case.constants.master("H+")] / case.bucket_water_kg > _LEAST_ACID_MOL_PER_KG
    level = np.where(ph < 5.0, int(Level.STOP), np.where(ph < 6.0, int(Level.CAUTION), int(Level.NONE)))
    level[~soured] = Level.NONE
    # The pH of what is stronger than the model is good for is a guess.
    level[(level == Level.STOP) & (bucket.ionic_strength > bucket.valid_up_to_mol_per_kg)] = Level.UNKNOWN
    if len(case.poured) == 1:
        level[:] = Level.NONE  # the bottle as it is sold holds its own pH
    if any("acid" in item.hazards for item in case.poured):
        level[:] = Level.STOP
    level[~there] = Level.NONE
    if not level.any():
        return None
    return Outcome(
        level,
        lambda n: (
            f"Thiosulfate in an acid bucket (pH {n['bucket_ph']:.1f}): it breaks down to solid sulfur and sulfur "
            "dioxide, a toxic gas, below about pH 6."
        ),
        numbers={"bucket_ph": ph, "limit_ph": 6.0},
        do=(IF_MIXED, TWO_BUCKETS, "Do not breathe over the bucket; sulfur dioxide chokes."),
        severity=-ph,
    )


THIOSULFATE_MEETS_ACID = Rule(
    name="thiosulfate-meets-acid",
    family="bucket",
    may_be_lowered=False,
    sets_gas_free=True,
    levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
    asks="Is a thiosulfate in a bucket below pH 6?",
    headline="Acid {will} turn thiosulfate to sulfur mud and choking gas.",
    brief="sulfur mud and choking gas",
    plain="Acid turns thiosulfate to sulfur mud and choking gas.",
    chemistry="S2O3-2 + H+ -> S + HSO3-; slow near pH 6 (a caution), fast below 5 (a stop). Kinetics, not equilibrium: a "
    "limit is used, where something acid was poured; acid itself with it is a stop at any pH.",
    cure="Two buckets; no acid.",
    sources=("from memory: maker leaflets; Burt et al. 1995: breaks down below about pH 6",),
    turns=Turns(
        worse=(BUCKET_TEMPERATURE,),
        better=(ALKALINITY, PH),
        either={
            (AMOUNT_FACTOR,): "a pH of what is stronger than the model is good for is a guess, and unknown",
            (CALCIUM,): OTHER_SOLIDS,
        },
    ),
    needs=(("S2O3-2",),),
    check=_thiosulfate_meets_acid,
)


#: Sulfite of thiosulfate as it is sold, at most, in moles per mole of thiosulfate; from memory: makers' sheets.
_SULFITE_SHARE = 0.03
#: Solubility product of calcium sulfite hemihydrate at 25 degC [(mol/kg)^2]; from memory.
_CALCIUM_SULFITE_K = 10.0**-6.5


def _thiosulfate_meets_calcium(case: Case) -> Outcome | None:
    # Calcium thiosulfate has dropped its own sulfite at the maker's.
    calcium_mol = case.product_mol[:, case.constants.master("Ca+2")]
    thiosulfate_mol = case.product_mol[:, case.constants.master("S2O3-2")]
    own = np.zeros(case.size)
    for name, kg in case.source_kg.items():
        dissolves = [content for content in case.question.material(name).content if "S2O3-2" in content.dissolves_to]
        for content in dissolves:
            if "Ca+2" in content.dissolves_to:
                own += kg * content.mass_fraction.value * 1000.0 / molar_mass_g_per_mol(content.formula)
    sulfite_mol = _SULFITE_SHARE * np.maximum(thiosulfate_mol - own, 0.0)
    bucket = case.bucket.before_solids
    kg = case.bucket_water_kg
    # The activity coefficient of sulfite is taken as that of thiosulfate, an ion of the same charge.
    thiosulfate_activity = np.exp(bucket.ln_activity[:, case.constants.master("S2O3-2")])
    sulfite_activity = thiosulfate_activity * sulfite_mol / np.maximum(thiosulfate_mol, 1e-12)
    product = np.exp(bucket.ln_activity[:, case.constants.master("Ca+2")]) * sulfite_activity
    sulfite_g_per_l = np.minimum(sulfite_mol, calcium_mol) / kg * molar_mass_g_per_mol("CaSO3")
    level = np.where((product > _CALCIUM_SULFITE_K) & (sulfite_mol > 0.0), int(Level.CAUTION), int(Level.NONE))
    level[~(case.brings("S2O3-2") & case.brings("Ca+2"))] = Level.NONE
    if not level.any():
        return None
    return Outcome(
        level,
        lambda n: (
            f"Thiosulfate as it is sold holds some sulfite: with calcium in the bucket up to "
            f"{n['bucket_solids_g_per_l']:.1f} g/L calcium sulfite may settle."
        ),
        numbers={"bucket_solids_g_per_l": sulfite_g_per_l},
        do=(BUCKET_JAR_TEST, "Ask the maker for the sulfite and sulfate of the thiosulfate."),
        severity=sulfite_g_per_l,
    )


THIOSULFATE_MEETS_CALCIUM = Rule(
    name="thiosulfate-meets-calcium",
    family="bucket",
    may_be_lowered=True,
    levels=(Level.CAUTION,),
    asks="Does thiosulfate that may hold sulfite meet a calcium product?",
    headline="Calcium sulfite {will} cloud the bucket and settle in the line.",
    brief="calcium sulfite in the bucket",
    plain="Calcium thiosulfate stays dissolved; the sulfite left in thiosulfate of another base does not.",
    chemistry="Ca+2 + SO3-2 -> CaSO3.1/2H2O, pK 6.5; up to 3 mol sulfite per 100 mol thiosulfate, its activity "
    "coefficient that of thiosulfate. Air turns it to sulfate, so gypsum may follow.",
    cure="Jar test; two buckets; or calcium thiosulfate as the source of sulfur.",
    sources=(
        "from memory: maker leaflets of ammonium and potassium thiosulfate, 0 to 2 % sulfite",
        "from memory: handbook solubility of calcium sulfite hemihydrate, some 0.05 g/L",
    ),
    turns=Turns(worse=(AMOUNT_FACTOR, CALCIUM), better=(BUCKET_TEMPERATURE,)),
    needs=(("S2O3-2",), ("Ca+2",)),
    check=_thiosulfate_meets_calcium,
)


def _polyphosphate_meets_calcium(case: Case) -> Outcome | None:
    return Outcome(
        np.where(case.brings("P2O7-4") & case.brings("Ca+2"), int(Level.STOP), int(Level.NONE)),
        lambda _: "Polyphosphate meets a calcium product in the bucket: it gels and plugs.",
        do=(TWO_BUCKETS,),
    )


POLYPHOSPHATE_MEETS_CALCIUM = Rule(
    name="polyphosphate-meets-calcium",
    family="bucket",
    may_be_lowered=True,
    swap_helps=True,
    levels=(Level.STOP,),
    asks="Does a polyphosphate meet a calcium product?",
    headline="A gel {will} form in the bucket and block emitters for good.",
    brief="a gel in the bucket",
    plain="10-34-0 and calcium nitrate make a gel that nothing clears.",
    chemistry="Calcium pyrophosphates and polyphosphates; the constants are not in the model, so presence decides.",
    cure="Two buckets.",
    sources=("Fluid fertilizer physical characteristics sheet: with calcium water 10-34-0 gels and plugs",),
    needs=(("P2O7-4",), ("Ca+2",)),
    check=_polyphosphate_meets_calcium,
)


#: Polyphosphate as a sequestrant, 1 to 2 mg/L (UF/IFAS citrus microirrigation appendix, read).
_SEQUESTERS_MG_PER_L = 2.0


def _polyphosphate(case: Case) -> Outcome | None:
    calcium = case.total_mg_per_l("line", "Ca+2")
    level = np.where(calcium > HARD_CALCIUM_MG_PER_L, int(Level.STOP), int(Level.UNKNOWN))
    level = np.where(calcium < 10.0, int(Level.CAUTION), level)
    # A trace of polyphosphate keeps calcium moving instead (1 to 2 mg/L).
    trace = case.total_mg_per_l("line", "P2O7-4") < _SEQUESTERS_MG_PER_L
    level[trace] = np.minimum(level[trace], int(Level.CAUTION))
    level[~case.brings("P2O7-4")] = Level.NONE
    return Outcome(
        level,
        lambda n: (
            f"Polyphosphate with {n['line_calcium_mg_per_l']:.0f} mg/L calcium in the line: it can gel, and the "
            "model has no constants for it."
        ),
        numbers={"line_calcium_mg_per_l": calcium, "limit_calcium_mg_per_l": HARD_CALCIUM_MG_PER_L},
        do=("Take a phosphate-free feed, or put it on the soil.", JAR_TEST),
        severity=calcium,
    )


POLYPHOSPHATE_MEETS_HARD_WATER = Rule(
    name="polyphosphate-meets-hard-water",
    family="line",
    may_be_lowered=True,
    swap_helps=True,
    levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
    asks="Does polyphosphate go into water with calcium?",
    headline="A gel {will} form in the drip line and block emitters.",
    brief="a gel in the line",
    plain="Low doses of 10-34-0 gel in hard water.",
    chemistry="Calcium polyphosphates; hydrolysis to orthophosphate goes on in the line. No constants in the model.",
    cure="No polyphosphate through this drip.",
    sources=(
        "from memory: Duis and Burman 1969 and manuals: gels at low dose in hard water",
        "from memory: Florida and California guidance: none above 50 mg/L calcium",
    ),
    turns=Turns(worse=(AMOUNT_FACTOR, CALCIUM), better=(INJECTION_RATIO,)),
    needs=(("P2O7-4",),),
    check=_polyphosphate,
)


#: Amorphous silica dissolves to about this at 25 degC (from memory: geochemistry textbooks) [mg/L SiO2].
_SILICA_HOLDS_MG_PER_L = 120.0
_SIO2_SHARE = 60.08 / 96.11


def _silicate_gels(case: Case) -> Outcome | None:
    silicate = case.brings("H4SiO4")
    if not silicate.any():
        return None
    ph, line_ph = case.bucket.before_solids.ph, case.line.before_solids.ph
    in_line = case.total_mg_per_l("line", "H4SiO4") * _SIO2_SHARE
    level = np.where(ph < 9.0, int(Level.STOP), int(Level.NONE))
    if len(case.poured) > 1:
        level = np.maximum(level, int(Level.UNKNOWN))
    dilutes = (in_line > _SILICA_HOLDS_MG_PER_L) & (line_ph < 9.5)
    level[dilutes] = np.maximum(level[dilutes], int(Level.UNKNOWN))
    level[case.brings("Ca+2", "Mg+2")] = Level.STOP
    level[~silicate] = Level.NONE
    if not level.any():
        return None

    def message(n: Mapping[str, float]) -> str:
        if n["level"] == Level.STOP:
            return f"Silicate at bucket pH {n['bucket_ph']:.1f}: it gels below about pH 9, and with calcium or magnesium at any pH."
        if n["line_silica_mg_per_l"] > _SILICA_HOLDS_MG_PER_L and n["line_ph"] < 9.5:
            return (
                f"Silicate in the line: {n['line_silica_mg_per_l']:.0f} mg/L of silica at pH {n['line_ph']:.1f}; above some "
                "120 mg/L it can gel there, given time."
            )
        return "Silicate with another product: salts can bring it down, and there are no numbers for it."

    return Outcome(
        level,
        message,
        numbers={"bucket_ph": ph, "line_ph": line_ph, "line_silica_mg_per_l": in_line},
        do=("Inject silicate alone, diluted, and flush before and after.", JAR_TEST),
        severity=-ph,
    )


SILICATE_GELS = Rule(
    name="silicate-gels",
    family="bucket",
    may_be_lowered=True,
    levels=(Level.STOP, Level.UNKNOWN),
    asks="Is a silicate with anything that lowers its pH, or with calcium or magnesium?",
    headline="Silicate {will} turn to jelly and block filter and emitters.",
    brief="silicate jelly",
    plain="Potassium silicate turns to jelly when it meets acid, ammonium or calcium.",
    chemistry="Silicic acid polymerizes below about pH 9; kinetics, not equilibrium: a limit is used.",
    cure="Alone, diluted, flushed.",
    sources=("from memory: generic trade values: gels below pH 9 and with calcium",),
    turns=Turns(
        worse=(ALKALINITY, BUCKET_TEMPERATURE),
        better=(INJECTION_RATIO, PH),
        either={
            (AMOUNT_FACTOR,): "silicate keeps itself alkaline, and more of it is more silica in the line",
            (CALCIUM,): SLIGHTLY,
        },
    ),
    needs=(("H4SiO4",),),
    check=_silicate_gels,
)


#: Words that mark a product of organic matter, on its name or its label: what acid brings down for sure (humic acid by
#: definition, alginate of seaweed from memory), and what may curdle.
_ACID_BRINGS_DOWN = ("humic", "humate", "leonardite", "seaweed", "kelp", "alginate")
_MAY_CURDLE = ("fulvic", "fish", "molasses", "compost", "amino", "protein")
#: Those precipitate from acid: for sure below the first pH, perhaps below the second; the others perhaps below the first.
_HUMIC_OUT_PH, _HUMIC_HOLDS_PH = 3.5, 6.0
#: and with calcium or trace metals from about this strength on [mol/kg].
_CURDLES_MOL_PER_KG = 0.005


def _words(item: Poured) -> str:
    return " ".join([item.product.name, *item.product.aliases, *item.product.derived_from]).lower()


def _named(case: Case, words: tuple[str, ...]) -> list[str]:
    return [item.product.name for item in case.poured if any(word in _words(item) for word in words)]


def _organic_meets_acid(case: Case) -> Outcome | None:
    humic = _named(case, _ACID_BRINGS_DOWN)
    organic = list(dict.fromkeys([*humic, *_named(case, _MAY_CURDLE)]))
    if not organic or len(case.poured) == len(organic):
        return None
    ph = case.bucket.before_solids.ph
    metals = case.in_bucket_mol_per_kg("Ca+2", "Mg+2", "Zn+2", "Mn+2", "Cu+2", "Fe+2", "Fe+3")
    acid = case.product_mol[:, case.constants.master("H+")] / case.bucket_water_kg > _LEAST_ACID_MOL_PER_KG
    open_ = (metals > _CURDLES_MOL_PER_KG) | (acid & (ph < (_HUMIC_HOLDS_PH if humic else _HUMIC_OUT_PH)))
    level = np.where(open_, int(Level.UNKNOWN), int(Level.NONE))
    if humic:
        level[acid & (ph < _HUMIC_OUT_PH)] = Level.STOP
    if not level.any():
        return None

    def message(n: Mapping[str, float]) -> str:
        if n["level"] == Level.STOP:
            return f"{', '.join(humic)} in an acid bucket (pH {n['bucket_ph']:.1f}): it curdles."
        return (
            f"{', '.join(organic)} with acid, calcium or metals (bucket pH {n['bucket_ph']:.1f}): organic matter can "
            "curdle; there are no numbers for it."
        )

    return Outcome(
        level,
        message,
        numbers={"bucket_ph": ph, "calcium_and_metals_mol_per_kg": metals},
        do=("Give it alone, on another day, and flush.", BUCKET_JAR_TEST),
        severity=-ph,
    )


ORGANIC_MEETS_ACID = Rule(
    name="organic-meets-acid",
    family="bucket",
    may_be_lowered=True,
    levels=(Level.STOP, Level.UNKNOWN),
    asks="Is humic, fish or seaweed matter with acid, calcium or metals?",
    headline="Organic matter {will} curdle in the bucket and block emitters.",
    brief="curdled organic matter",
    plain="Humates and seaweed turn to curds with acid or with calcium, fish and the like may; curds close emitters.",
    chemistry="Humic acids are by definition what precipitates below pH 2, and begin to flock near 4; alginate of seaweed does "
    "likewise; fulvic acid stays dissolved. Calcium and metals bind all of them. No constants: limits of pH 3.5 and 6 and of "
    "5 mmol/kg of metals are used.",
    cure="Alone, on another day.",
    sources=(
        "humic acid: the part of humus that is not soluble in acid, by definition",
        "from memory: makers' leaflets keep humates from acid and from calcium; the limits are a design choice",
    ),
    turns=Turns(worse=(CALCIUM, BUCKET_TEMPERATURE), better=(ALKALINITY, PH), either={(AMOUNT_FACTOR,): OWN_PH}),
    check=_organic_meets_acid,
)


def _best_apart(case: Case) -> Mask:
    """Where no order makes the mix right: bleach, acid with alkali, carbonate or thiosulfate, calcium with what
    drops it, (B,)."""
    hazards = frozenset().union(*(item.hazards for item in case.poured))
    acid = "acid" in hazards
    by_name = (
        "hypochlorite" in hazards
        or (acid and bool(hazards & {"alkali", "ammonia-gas"}))
        or bool(_named(case, (*_ACID_BRINGS_DOWN, *_MAY_CURDLE)))
    )
    with_acid = case.brings("CO3-2", "S2O3-2", "H4SiO4") & acid
    with_calcium = case.brings("Ca+2") & case.brings("SO4-2", "PO4-3", "P2O7-4", "CO3-2", "H4SiO4")
    return np.asarray(case.brings("OCl-") | with_acid | with_calcium | by_name)


def _order(case: Case) -> Outcome | None:
    if len(case.poured) < 2:
        return None
    level = np.where(_best_apart(case), int(Level.NONE), int(Level.NOTE))
    if not level.any():
        return None

    def rank(item: Poured) -> tuple[int, float]:
        if "acid" in item.hazards:
            return 0, 0.0
        if any(word in item.product.name.upper() for word in ("EDTA", "DTPA", "EDDHA")):
            return 3, 0.0
        if item.product.form == "liquid":
            return 1, 0.0
        points = [point.g_per_100_g_water for point in item.product.solubility if point.temperature_c >= 10.0]
        return 2, min(points, default=50.0)

    names = ", then ".join(item.product.name for item in sorted(case.poured, key=rank))
    return Outcome(
        level,
        lambda _: f"Order: most of the water first, then {names}; stir each clear before the next, then fill up.",
        do=(
            "Acid goes in before feeds, liquids before dry products, of those the least soluble first; chelates last.",
        ),
    )


ORDER_OF_MIXING = Rule(
    name="order-of-mixing",
    family="bucket",
    may_be_lowered=False,
    levels=(Level.NOTE,),
    asks="In which order do the products go into the bucket?",
    headline="The order of mixing matters: stir each clear before the next.",
    brief="the order of mixing",
    plain="Water first, then acid, then liquids, then what dissolves worst, each stirred clear before the next. It says nothing where "
    "no order makes the mix right.",
    chemistry="Local strength, not equilibrium: two concentrates that meet undiluted can make solids that are slow to "
    "dissolve again.",
    cure="The order that the note gives.",
    sources=(
        "Spanish agronomy page: acid goes in before fertilizers, then the least soluble first",
        "from memory: Burt, O'Connor and Ruehr 1995: water, acid, liquids, then dry products; chelates last: common practice",
    ),
    check=_order,
)


#: Least thing that may be called an acid with polyphosphate [mol of protons per kg of water].
_MUCH_ACID_MOL_PER_KG = 0.05


def _polyphosphate_meets_acid(case: Case) -> Outcome | None:
    if not any("acid" in item.hazards for item in case.poured):
        return None
    if len(case.poured) < 2:
        return None
    acid = case.product_mol[:, case.constants.master("H+")] / case.bucket_water_kg
    level = np.where(case.brings("P2O7-4") & (acid > _MUCH_ACID_MOL_PER_KG), int(Level.CAUTION), int(Level.NONE))
    if not level.any():
        return None
    return Outcome(
        level,
        lambda _: (
            "Acid breaks polyphosphate down to orthophosphate, within days when warm: what it kept dissolved (zinc, iron, "
            "hardness) forms solids."
        ),
        do=("Use it up the same day, or keep the acid for another bucket.",),
        severity=acid,
    )


POLYPHOSPHATE_MEETS_ACID = Rule(
    name="polyphosphate-meets-acid",
    family="bucket",
    may_be_lowered=True,
    levels=(Level.CAUTION,),
    asks="Does a polyphosphate stand in acid?",
    headline="Acid breaks polyphosphate down; what it held {will} settle.",
    brief="polyphosphate in acid",
    plain="Acid breaks polyphosphate down, and what it kept dissolved settles.",
    chemistry="Hydrolysis to orthophosphate: years in the neutral bottle, weeks to days in acid and warmth. Kinetics, not "
    "equilibrium.",
    cure="The same day, or another bucket.",
    sources=("from memory: Burt et al. 1995; condensed phosphates hydrolyze faster in acid and warmth",),
    turns=Turns(worse=(AMOUNT_FACTOR,)),
    needs=(("P2O7-4",),),
    check=_polyphosphate_meets_acid,
)


RULES = (
    THIOSULFATE_MEETS_ACID,
    THIOSULFATE_MEETS_CALCIUM,
    POLYPHOSPHATE_MEETS_CALCIUM,
    POLYPHOSPHATE_MEETS_HARD_WATER,
    POLYPHOSPHATE_MEETS_ACID,
    SILICATE_GELS,
    ORGANIC_MEETS_ACID,
    ORDER_OF_MIXING,
)
