"""Rules of the bucket: what two right bottles, or a bottle and the water, make together."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ...catalog.quantity.table import ALKALINITY, AMOUNT_FACTOR, BUCKET_TEMPERATURE, CALCIUM, INJECTION_RATIO, PH
from ..case.case import Case
from ..chemistry.phases import phases
from ..judge.advice import BUCKET_JAR_TEST, CHECK_INPUT, JAR_TEST, TWO_BUCKETS
from ..judge.forming import HAZE_MG_PER_L, MODEL_NOTE, all_far_below, band_si, solid_levels, stop_mg_per_l
from ..judge.rule import Level, Outcome, Rule
from ..judge.turns import HEAT, OTHER_SOLIDS, OWN_PH, SLIGHTLY, Turns

#: What the products bring one of, at least, where a solid is theirs.
_GYPSUM_OF, _BRUSHITE_OF, _NESQUEHONITE_OF = ("Ca+2", "SO4-2"), ("Ca+2", "PO4-3"), ("Mg+2", "CO3-2")
_STRUVITE_OF, _NEWBERYITE_OF = ("Mg+2", "NH4+", "PO4-3"), ("Mg+2", "PO4-3")
_BRUCITE_OF = ("Mg+2", "K+", "Na+", "NH4+")
_GYPSUM = "minteq.v4.dat (NIST 46) constants; " + MODEL_NOTE


def _solid_in_bucket(
    case: Case,
    phase: str,
    ingredients: tuple[str, ...],
    what: str,
    do: tuple[str, ...],
) -> Outcome | None:
    """A solid that needs every ingredient, at least one of them from a product."""
    solution = case.bucket
    si = solution.before_solids.si(phase)
    if all_far_below(case, "bucket", phase):
        return None
    counted = phase in case.bucket_phases
    amount = case.precipitated_mg_per_l("bucket", phase) if counted else case.most_mg_per_l("bucket", phase)
    up_to = "" if counted else "up to "
    band = band_si(case, phase)
    level = solid_levels(case, "bucket", phase, haze_mg_per_l=HAZE_MG_PER_L, band=band)
    level[~case.brings(*ingredients)] = Level.NONE
    if not level.any():
        return None
    aired = case.bucket_in_air.before_solids
    spoken = phases()[phase].spoken

    def message(n: Mapping[str, float]) -> str:
        if n["level"] == Level.STOP:
            return (
                f"{what} in the bucket: {up_to}{n['precipitated_g_per_l']:.3g} g/L of {spoken} forms "
                f"(saturation index {n['saturation_index']:+.2f})."
            )
        if n["level"] == Level.CAUTION and phases()[phase].pace == "days":
            return (
                f"{what} in the bucket: {spoken} may form over days (saturation index "
                f"{n['saturation_index']:+.2f}). Use it up the same day."
            )
        if n["level"] == Level.CAUTION:
            return (
                f"{what} in the bucket: at most a haze of {spoken}, under 1 mg/L in the line "
                f"(saturation index {max(n['saturation_index'], n['saturation_index_in_air']):+.2f})."
            )
        if n["saturation_index_in_air"] > n["saturation_index"] + 0.05:
            return (
                f"{what} in the bucket: once the bucket has lost its carbon dioxide, {spoken} may form (saturation "
                f"index {n['saturation_index_in_air']:+.2f} then, {n['saturation_index']:+.2f} at first)."
            )
        return (
            f"{what} in the bucket: {spoken} is too close to call (saturation index "
            f"{n['saturation_index']:+.2f}; model and constants leave it open)."
        )

    return Outcome(
        level,
        message,
        numbers={
            "saturation_index": si,
            "model_band_si": band,
            "precipitated_g_per_l": amount / 1000.0,
            "bucket_ph": solution.before_solids.ph,
            "bucket_in_air_ph": aired.ph,
            "saturation_index_in_air": aired.si(phase),
            "bucket_ionic_strength_mol_per_kg": solution.before_solids.ionic_strength,
        },
        do=do,
        severity=si,
    )


def _calcium_meets_sulfate(case: Case) -> Outcome | None:
    return _solid_in_bucket(
        case,
        "Gypsum",
        _GYPSUM_OF,
        "Calcium meets sulfate",
        (TWO_BUCKETS, "Or take a source of the same nutrient without sulfate (or without calcium)."),
    )


CALCIUM_MEETS_SULFATE = Rule(
    name="calcium-meets-sulfate",
    family="bucket",
    may_be_lowered=True,
    levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
    asks="Does calcium meet enough sulfate in the bucket to make gypsum?",
    headline="Gypsum (plaster) {will} form in the bucket and block the emitters.",
    brief="gypsum in the bucket",
    plain="Calcium and sulfate products in one bucket turn to plaster. Acid does not dissolve it.",
    chemistry="CaSO4.2H2O, log K -4.61 at 25 degC; solubility in pure water about 2.6 g/L. Ion pairs and activities "
    "are counted.",
    cure="Two buckets, or a source without one of the two.",
    sources=(_GYPSUM, "Three-rule summary of the trade: calcium away from sulfate (trade notes)"),
    turns=Turns(
        worse=(CALCIUM,),
        better=(INJECTION_RATIO,),
        either={
            (AMOUNT_FACTOR,): "the stronger the stock, the less the model is sure of what it holds",
            (BUCKET_TEMPERATURE,): "gypsum dissolves best near 40 degC",
            (ALKALINITY, PH): OTHER_SOLIDS,
        },
    ),
    needs=(_GYPSUM_OF,),
    by_solution=True,
    check=_calcium_meets_sulfate,
)


def _calcium_meets_phosphate(case: Case) -> Outcome | None:
    return _solid_in_bucket(
        case,
        "Brushite",
        _BRUSHITE_OF,
        "Calcium meets phosphate",
        (TWO_BUCKETS, "Or leave the phosphate out, and pour a swap instead."),
    )


CALCIUM_MEETS_PHOSPHATE = Rule(
    name="calcium-meets-phosphate",
    family="bucket",
    may_be_lowered=True,
    swap_helps=True,
    levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
    asks="Does calcium, from a product or the water, meet enough phosphate in the bucket?",
    headline="Calcium phosphate {will} form in the bucket and block the emitters.",
    brief="calcium phosphate in the bucket",
    plain="Calcium and phosphate in one bucket make a white mud of calcium phosphate.",
    chemistry="Brushite CaHPO4.2H2O forms first below about pH 7; log K -18.995 (with PO4-3 and H+). Acid holds it "
    "back, so pH is computed from the products.",
    cure="Two buckets; no phosphate with calcium.",
    sources=(_GYPSUM, "Three-rule summary of the trade: calcium away from phosphate (trade notes)"),
    turns=Turns(
        better=(INJECTION_RATIO,),
        either={(AMOUNT_FACTOR,): OWN_PH, (CALCIUM, ALKALINITY, PH): OTHER_SOLIDS, (BUCKET_TEMPERATURE,): HEAT},
    ),
    needs=(_BRUSHITE_OF,),
    by_solution=True,
    check=_calcium_meets_phosphate,
)


def _struvite(case: Case) -> Outcome | None:
    return _solid_in_bucket(
        case,
        "Struvite",
        _STRUVITE_OF,
        "Ammonium, magnesium and phosphate meet",
        (TWO_BUCKETS, "Or keep the bucket acid: monoammonium instead of diammonium phosphate."),
    )


AMMONIUM_MAGNESIUM_PHOSPHATE = Rule(
    name="ammonium-magnesium-phosphate",
    family="bucket",
    may_be_lowered=True,
    swap_helps=True,
    levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
    asks="Do ammonium, magnesium and phosphate meet above the solubility of struvite?",
    headline="Magnesium ammonium phosphate {will} form in the bucket as hard scale.",
    brief="hard phosphate scale in the bucket",
    plain="Epsom salt with an ammonium phosphate that is not acid makes struvite, a hard scale.",
    chemistry="MgNH4PO4.6H2O, log K -13.26; in print from -12.6 to -13.5.",
    cure="Two buckets, or keep the bucket acid.",
    sources=("Ohlinger et al. 1998 (from memory); Ronteltap et al. 2007: 10^-13.26, 22.6 kJ/mol",),
    turns=Turns(
        better=(INJECTION_RATIO, CALCIUM, BUCKET_TEMPERATURE),
        either={(AMOUNT_FACTOR,): OWN_PH, (ALKALINITY, PH): OTHER_SOLIDS},
    ),
    needs=(_STRUVITE_OF,),
    by_solution=True,
    check=_struvite,
)


def _newberyite(case: Case) -> Outcome | None:
    return _solid_in_bucket(
        case,
        "Newberyite",
        _NEWBERYITE_OF,
        "Magnesium meets phosphate",
        (TWO_BUCKETS, BUCKET_JAR_TEST),
    )


MAGNESIUM_MEETS_PHOSPHATE = Rule(
    name="magnesium-meets-phosphate",
    family="bucket",
    may_be_lowered=True,
    swap_helps=True,
    levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
    asks="Does magnesium meet enough phosphate to make newberyite?",
    headline="Magnesium phosphate {will} settle in the bucket and block emitters.",
    brief="magnesium phosphate in the bucket",
    plain="Magnesium and phosphate concentrates can drop a white powder over days.",
    chemistry="MgHPO4.3H2O, log K -18.175; no temperature data.",
    cure="Two buckets.",
    sources=("minteq.v4.dat (NIST 46)", "Trade notes: magnesium away from phosphate"),
    turns=Turns(
        better=(INJECTION_RATIO, CALCIUM),
        either={(AMOUNT_FACTOR,): OWN_PH, (ALKALINITY, PH): OTHER_SOLIDS, (BUCKET_TEMPERATURE,): HEAT},
    ),
    needs=(_NEWBERYITE_OF,),
    by_solution=True,
    check=_newberyite,
)


def _magnesium_hydroxide(case: Case) -> Outcome | None:
    return _solid_in_bucket(case, "Brucite", _BRUCITE_OF, "Magnesium meets alkali", (TWO_BUCKETS,))


MAGNESIUM_HYDROXIDE = Rule(
    name="magnesium-hydroxide",
    family="bucket",
    may_be_lowered=True,
    levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
    asks="Does magnesium meet enough alkali to make its hydroxide?",
    headline="White magnesia mud {will} form in the bucket and block the filter.",
    brief="magnesia mud in the bucket",
    plain="Epsom salt with hydroxide or aqua ammonia turns to milk of magnesia.",
    chemistry="Mg(OH)2, log K 16.844 (brucite); fresh solid up to half a unit more soluble.",
    cure="Two buckets.",
    sources=("minteq.v4.dat (NIST 46)",),
    turns=Turns(
        worse=(PH, BUCKET_TEMPERATURE),
        better=(INJECTION_RATIO,),
        either={(AMOUNT_FACTOR,): OWN_PH, (CALCIUM, ALKALINITY): OTHER_SOLIDS},
    ),
    needs=(_BRUCITE_OF,),
    by_solution=True,
    check=_magnesium_hydroxide,
)


def _magnesium_carbonate(case: Case) -> Outcome | None:
    return _solid_in_bucket(case, "Nesquehonite", _NESQUEHONITE_OF, "Magnesium meets carbonate", (TWO_BUCKETS,))


MAGNESIUM_CARBONATE = Rule(
    name="magnesium-carbonate",
    family="bucket",
    may_be_lowered=True,
    levels=(Level.STOP, Level.UNKNOWN),
    asks="Does magnesium meet carbonate?",
    headline="Magnesium carbonate {will} form in the bucket and block the filter.",
    brief="magnesium carbonate in the bucket",
    plain="Epsom salt with potassium carbonate drops magnesium carbonate.",
    chemistry="MgCO3.3H2O, log K -4.67.",
    cure="Two buckets.",
    sources=("minteq.v4.dat (NIST 46)",),
    turns=Turns(
        worse=(ALKALINITY, PH),
        better=(INJECTION_RATIO, CALCIUM),
        either={(AMOUNT_FACTOR,): OTHER_SOLIDS, (BUCKET_TEMPERATURE,): HEAT},
    ),
    needs=(_NESQUEHONITE_OF,),
    by_solution=True,
    check=_magnesium_carbonate,
)


#: CaMoO4: product of molalities above which it surely forms, and under which it does not; Ksp about
#: 1.5e-8 (CRC, from memory) and activity coefficients between 0.1 and 1.
_POWELLITE = (1e-5, 1e-8)


def _molybdate(case: Case) -> Outcome | None:
    calcium, molybdate = case.in_bucket_mol_per_kg("Ca+2"), case.in_bucket_mol_per_kg("MoO4-2")
    product = calcium * molybdate
    grams = np.minimum(calcium, molybdate) * 200.0
    level = np.where(product > _POWELLITE[1], int(Level.UNKNOWN), int(Level.NONE))
    level[product > _POWELLITE[0]] = Level.STOP
    level[(level > 0) & (grams < stop_mg_per_l(case, "bucket") / 1000.0)] = Level.CAUTION
    level[grams < HAZE_MG_PER_L / 1000.0] = Level.NONE
    if not level.any():
        return None
    return Outcome(
        level,
        lambda n: f"Calcium meets molybdate in the bucket: up to {n['most_g_per_l']:.2g} g/L of calcium molybdate.",
        numbers={"ion_product": product, "most_g_per_l": grams},
        do=(TWO_BUCKETS,),
        severity=product,
    )


CALCIUM_MEETS_MOLYBDATE = Rule(
    name="calcium-meets-molybdate",
    family="bucket",
    may_be_lowered=True,
    levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
    asks="Does calcium meet molybdate?",
    headline="Calcium molybdate {will} form in the bucket; the molybdenum is lost.",
    brief="calcium molybdate in the bucket",
    plain="Molybdate and calcium make a powder that hardly dissolves.",
    chemistry="CaMoO4, Ksp about 1.5e-8; the ion product with a wide band for activities.",
    cure="Molybdate in the bucket without calcium.",
    sources=("from memory: CRC Handbook, solubility product",),
    turns=Turns(worse=(CALCIUM,), better=(INJECTION_RATIO,), either={(AMOUNT_FACTOR,): OWN_PH}),
    needs=(("MoO4-2",),),
    by_solution=True,
    check=_molybdate,
)


#: More lime than this is a mud that nobody settles overnight [mg/L] (design choice).
_SETTLES_MG_PER_L = 500.0
_SETTLE = (
    "Let it settle overnight and draw off the clear part through a screen, or mix with rain or soft water.",
    "Keep carbonates and hydroxides out of a bucket with calcium.",
)


def _lime_in_bucket(case: Case) -> Outcome | None:
    ours = case.brings("Ca+2", "CO3-2") | case.alkaline
    if not ours.any():
        return None
    solution = case.bucket
    si, amount = solution.before_solids.si("Calcite"), case.precipitated_mg_per_l("bucket", "Calcite")
    level = np.full(case.size, int(Level.NONE))
    level[ours & (si > 0.5) & (amount > 10.0)] = Level.CAUTION
    level[ours & (si > 1.0) & (amount > 300.0)] = Level.STOP
    if not level.any():
        return None
    return Outcome(
        level,
        lambda n: (
            f"Lime scale clouds the bucket: up to {n['precipitated_g_per_l']:.2g} g/L (calcite) can form "
            f"(saturation index {n['saturation_index']:+.2f})."
        ),
        numbers={
            "saturation_index": si,
            "precipitated_g_per_l": amount / 1000.0,
            "bucket_ph": solution.before_solids.ph,
        },
        do=(TWO_BUCKETS, _SETTLE[1]) if (amount >= _SETTLES_MG_PER_L).any() else _SETTLE,
        severity=si,
    )


LIME_IN_BUCKET = Rule(
    name="lime-in-bucket",
    family="bucket",
    may_be_lowered=True,
    levels=(Level.STOP, Level.CAUTION),
    asks="Does lime scale form in the bucket?",
    headline="Lime scale {will} cloud the bucket and settle in filter and emitters.",
    brief="lime scale in the bucket",
    plain="Calcium with bicarbonate water, or anything alkaline, clouds the bucket with lime scale.",
    chemistry="Calcite, log K -8.48, closed to the air. Up to about 100 mg/L the water's own alkalinity is the limit.",
    cure="Settle and draw off clear; soft water; no carbonate with calcium.",
    sources=(
        "minteq.v4.dat (NIST 46); " + MODEL_NOTE,
        "limits 10 and 300 mg/L: design choice, no source",
    ),
    turns=Turns(either={(AMOUNT_FACTOR, CALCIUM, ALKALINITY, PH): OTHER_SOLIDS, (BUCKET_TEMPERATURE,): HEAT}),
    by_solution=True,
    check=_lime_in_bucket,
)


#: Pressure of carbon dioxide [atm] from which on a bucket fizzes, and from which on it boils over; liters of
#: gas per mole at 20 degC. Design choice: a closed bottle of soda water holds 2 to 4 atm.
_FIZZES_ATM, _BOILS_OVER_ATM, _GAS_L_PER_MOL = 1.2, 5.0, 24.0


def _acid_meets_carbonate(case: Case) -> Outcome | None:
    if len(case.poured) < 2:
        return None
    pressure = 10.0 ** np.clip(case.bucket.before_solids.si("CO2(g)"), -9.0, 9.0)
    gas = case.in_bucket_mol_per_kg("CO3-2") * np.clip(1.0 - 1.0 / np.maximum(pressure, 1e-9), 0.0, 1.0)
    gas_l = gas * _GAS_L_PER_MOL * case.water_kg_per_l("bucket")
    level = np.where((pressure > _FIZZES_ATM) & (gas_l > 0.2), int(Level.CAUTION), int(Level.NONE))
    level[~case.brings("CO3-2")] = Level.NONE
    level[(level > Level.NONE) & (pressure > _BOILS_OVER_ATM) & (gas_l > 1.0)] = Level.STOP
    if not level.any():
        return None
    return Outcome(
        level,
        lambda n: (
            f"Acid meets carbonate in the bucket: up to {n['gas_l_per_l']:.2g} L of carbon dioxide per liter of stock "
            f"wants out ({n['carbon_dioxide_atm']:.2g} atm). "
            + ("It boils over and spits acid." if n["level"] == Level.STOP else "It fizzes; leave room, add slowly.")
        ),
        numbers={"carbon_dioxide_atm": pressure, "gas_l_per_l": gas_l, "bucket_ph": case.bucket.before_solids.ph},
        do=(
            TWO_BUCKETS,
            "Goggles and gloves; in a closed shed the gas displaces the air. Never in a closed vessel.",
        ),
        severity=pressure,
    )


ACID_MEETS_CARBONATE = Rule(
    name="acid-meets-carbonate",
    family="bucket",
    may_be_lowered=False,
    sets_gas_free=True,
    levels=(Level.STOP, Level.CAUTION),
    asks="Does an acid meet a carbonate or bicarbonate, so that the bucket boils over with gas?",
    headline="The bucket {will} foam over with gas and throw acid about.",
    brief="a bucket that foams over",
    plain="Acid on potassium bicarbonate foams like vinegar on baking soda, by the bucketful, and throws acid about.",
    chemistry="Pressure of carbon dioxide over the closed bucket, from its pH and carbonate; above 1 atm it bubbles. "
    "What is lost to the air is missing in the line, whose pH is then higher: that is swept.",
    cure="Two buckets.",
    sources=("design choice: limits 1.2 and 5 atm", "Henry's constant: minteq.v4.dat (NIST 46)"),
    turns=Turns(worse=(AMOUNT_FACTOR, ALKALINITY, BUCKET_TEMPERATURE), better=(PH,), either={(CALCIUM,): OTHER_SOLIDS}),
    needs=(("CO3-2",),),
    check=_acid_meets_carbonate,
)


#: Solutions that every pour has to have; what others are asked for is the matter of the rules that ask.
COMPUTED = ("water", "bucket", "bucket_in_air", "line", "water_in_line")


def _not_computed(case: Case) -> Outcome | None:
    if not case.any_unsolved(COMPUTED):
        return None
    return Outcome(
        np.where(case.unsolved(*COMPUTED), int(Level.UNKNOWN), int(Level.NONE)),
        lambda _: "The chemistry of this pour could not be solved; nothing is known of what stays dissolved.",
        do=(CHECK_INPUT, JAR_TEST),
    )


NOT_COMPUTED = Rule(
    name="not-computed",
    family="bucket",
    may_be_lowered=False,
    levels=(Level.UNKNOWN,),
    asks="Did the chemistry solver find the answer?",
    headline="This pour could not be computed; what stays dissolved is not known.",
    brief="a pour that could not be computed",
    plain="When the numbers cannot be found, the answer is unknown and never clear.",
    chemistry="Mass balances to 1e-11 in every scenario; a scenario that does not reach it, or whose pH or water activity "
    "is none that the model knows, counts as unknown, here and in every rule that would have gone by it.",
    cure="Check the input; jar test.",
    sources=("design choice",),
    check=_not_computed,
)


def _beyond_model(case: Case) -> Outcome | None:
    mixed = case.bucket.before_solids
    beyond = mixed.ionic_strength > mixed.valid_up_to_mol_per_kg
    if not beyond.any():
        return None
    return Outcome(
        np.where(beyond, int(Level.CAUTION), int(Level.NONE)),
        lambda n: (
            f"The bucket has an ionic strength of {n['ionic_strength_mol_per_kg']:.2g} mol/kg; the model is good to "
            f"{n['good_to_mol_per_kg']:.2g}. What is said of it is an estimate."
        ),
        numbers={
            "ionic_strength_mol_per_kg": mixed.ionic_strength,
            "good_to_mol_per_kg": np.broadcast_to(mixed.valid_up_to_mol_per_kg, (case.size,)).astype(float),
        },
        do=("Use more water.", BUCKET_JAR_TEST),
        severity=mixed.ionic_strength,
    )


BUCKET_BEYOND_THE_MODEL = Rule(
    name="bucket-beyond-the-model",
    family="bucket",
    may_be_lowered=True,
    levels=(Level.CAUTION,),
    asks="Is the bucket stronger than the chemistry here is good for?",
    headline="A very strong bucket: what stays dissolved is only an estimate.",
    brief="a bucket too strong to be sure",
    plain="Nearly undiluted liquids and very strong stocks are beyond what the numbers were made for.",
    chemistry="Pitzer parameters were fitted up to some 6 mol/kg, and to each salt's own molality; beyond, activities are "
    "extrapolated.",
    cure="More water, and a jar test.",
    sources=("the fitted ranges of the parameters, in their tables",),
    turns=Turns(worse=(AMOUNT_FACTOR, CALCIUM, ALKALINITY), either={(BUCKET_TEMPERATURE,): SLIGHTLY}),
    check=_beyond_model,
)


RULES = (
    CALCIUM_MEETS_SULFATE,
    CALCIUM_MEETS_PHOSPHATE,
    AMMONIUM_MAGNESIUM_PHOSPHATE,
    MAGNESIUM_MEETS_PHOSPHATE,
    MAGNESIUM_HYDROXIDE,
    MAGNESIUM_CARBONATE,
    CALCIUM_MEETS_MOLYBDATE,
    LIME_IN_BUCKET,
    ACID_MEETS_CARBONATE,
    BUCKET_BEYOND_THE_MODEL,
    NOT_COMPUTED,
)
