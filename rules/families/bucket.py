"""Rules of the bucket: what two right bottles, or a bottle and the water, make together."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ...catalog.species import SPECIES
from ..case import Case
from ..chemistry.constants import Floats
from ..chemistry.phases import phases
from ..rule import Level, Levels, Outcome, Rule
from .advice import BUCKET_JAR_TEST, JAR_TEST, TWO_BUCKETS
from .solids import (
    HAZE_MG_PER_L,
    IRON_MODERATE_MG_PER_L,
    IRON_SEVERE_MG_PER_L,
    MODEL_NOTE,
    STOP_MG_PER_L,
    band_si,
    solid_levels,
)


def _solid_in_bucket(
    case: Case,
    phase: str,
    ingredients: tuple[str, ...],
    what: str,
    do: tuple[str, ...],
) -> Outcome | None:
    """A solid that needs every ingredient, at least one of them from a product."""
    if not any(case.has(name) for name in ingredients):
        return None
    solution = case.bucket
    si = solution.before_solids.si(phase)
    counted = phase in case.bucket_phases
    amount = case.precipitated_mg_per_l("bucket", phase) if counted else case.most_mg_per_l("bucket", phase)
    up_to = "" if counted else "up to "
    band = band_si(case, phase)
    level = solid_levels(case, "bucket", phase, haze_mg_per_l=HAZE_MG_PER_L, band=band)
    if not np.any(level):
        return None
    aired = case.bucket_in_air.before_solids
    spoken = phases()[phase].spoken

    def message(n: Mapping[str, float]) -> str:
        if n["level"] == Level.STOP:
            return (
                f"{what} in the bucket: {up_to}{n['precipitated_g_per_l']:.3g} g/L of {spoken} comes out "
                f"(saturation index {n['saturation_index']:+.2f})."
            )
        if n["level"] == Level.CAUTION and phases()[phase].pace == "days":
            return (
                f"{what} in the bucket: {spoken} may come out over days (saturation index "
                f"{n['saturation_index']:+.2f}). Use it up the same day."
            )
        if n["level"] == Level.CAUTION:
            return (
                f"{what} in the bucket: at most a haze of {spoken}, under {STOP_MG_PER_L['bucket']:.0f} mg/L "
                f"(saturation index {max(n['saturation_index'], n['saturation_index_in_air']):+.2f})."
            )
        if n["saturation_index_in_air"] > n["saturation_index"] + 0.05:
            return (
                f"{what} in the bucket: once the bucket has lost its carbon dioxide, {spoken} may come out (saturation "
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
            "bucket_ph_in_air": aired.ph,
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
        ("Ca+2", "SO4-2"),
        "Calcium meets sulfate",
        (TWO_BUCKETS, "Or take a source of the same nutrient without sulfate (or without calcium)."),
    )


def _calcium_meets_phosphate(case: Case) -> Outcome | None:
    return _solid_in_bucket(
        case,
        "Brushite",
        ("Ca+2", "PO4-3"),
        "Calcium meets phosphate",
        (TWO_BUCKETS, "Or leave the phosphate out: see the swap."),
    )


def _struvite(case: Case) -> Outcome | None:
    return _solid_in_bucket(
        case,
        "Struvite",
        ("Mg+2", "NH4+", "PO4-3"),
        "Ammonium, magnesium and phosphate meet",
        (TWO_BUCKETS, "Or keep the bucket acid: monoammonium instead of diammonium phosphate."),
    )


def _newberyite(case: Case) -> Outcome | None:
    return _solid_in_bucket(
        case,
        "Newberyite",
        ("Mg+2", "PO4-3"),
        "Magnesium meets phosphate",
        (TWO_BUCKETS, BUCKET_JAR_TEST),
    )


def _magnesium_hydroxide(case: Case) -> Outcome | None:
    return _solid_in_bucket(case, "Brucite", ("Mg+2", "K+", "Na+", "NH4+"), "Magnesium meets alkali", (TWO_BUCKETS,))


def _magnesium_carbonate(case: Case) -> Outcome | None:
    return _solid_in_bucket(case, "Nesquehonite", ("Mg+2", "CO3-2"), "Magnesium meets carbonate", (TWO_BUCKETS,))


#: CaMoO4: product of molalities above which it surely forms, and under which it does not; Ksp about
#: 1.5e-8 (CRC, from memory) and activity coefficients between 0.1 and 1.
_POWELLITE = (1e-5, 1e-8)


def _molybdate(case: Case) -> Outcome | None:
    if not case.has("MoO4-2"):
        return None
    calcium, molybdate = case.in_bucket_mol_per_kg("Ca+2"), case.in_bucket_mol_per_kg("MoO4-2")
    product = calcium * molybdate
    grams = np.minimum(calcium, molybdate) * 200.0
    level = np.where(product > _POWELLITE[1], int(Level.UNKNOWN), int(Level.NONE))
    level[product > _POWELLITE[0]] = Level.STOP
    level[(level > 0) & (grams < STOP_MG_PER_L["bucket"] / 1000.0)] = Level.CAUTION
    level[grams < HAZE_MG_PER_L / 1000.0] = Level.NONE
    if not np.any(level):
        return None
    return Outcome(
        level,
        lambda n: f"Calcium meets molybdate in the bucket: up to {n['most_g_per_l']:.2g} g/L of calcium molybdate.",
        numbers={"ion_product": product, "most_g_per_l": grams},
        do=(TWO_BUCKETS,),
        severity=product,
    )


def _lime_in_bucket(case: Case) -> Outcome | None:
    if not case.has("Ca+2", "CO3-2") and not case.alkaline:
        return None
    solution = case.bucket
    si, amount = solution.before_solids.si("Calcite"), case.precipitated_mg_per_l("bucket", "Calcite")
    level = np.full(case.size, int(Level.NONE))
    level[(si > 0.5) & (amount > 10.0)] = Level.CAUTION
    level[(si > 1.0) & (amount > 300.0)] = Level.STOP
    if not np.any(level):
        return None
    return Outcome(
        level,
        lambda n: (
            f"Lime clouds the bucket: up to {n['precipitated_g_per_l']:.2g} g/L of calcite can come out "
            f"(saturation index {n['saturation_index']:+.2f})."
        ),
        numbers={
            "saturation_index": si,
            "precipitated_g_per_l": amount / 1000.0,
            "bucket_ph": solution.before_solids.ph,
        },
        do=(
            "Let it settle over night and draw off the clear part through a screen, or mix with rain or soft water.",
            "Keep carbonates and hydroxides out of a bucket with calcium.",
        ),
        severity=si,
    )


#: Pressure of carbon dioxide [atm] from which on a bucket fizzes, and from which on it boils over; litres of
#: gas per mole at 20 degC. Design choice: a closed bottle of soda water holds 2 to 4 atm.
_FIZZES_ATM, _BOILS_OVER_ATM, _GAS_L_PER_MOL = 1.2, 5.0, 24.0


def _acid_meets_carbonate(case: Case) -> Outcome | None:
    if not case.has("CO3-2") or len(case.poured) < 2:
        return None
    pressure = 10.0 ** np.clip(case.bucket.before_solids.si("CO2(g)"), -9.0, 9.0)
    gas = case.in_bucket_mol_per_kg("CO3-2") * np.clip(1.0 - 1.0 / np.maximum(pressure, 1e-9), 0.0, 1.0)
    gas_l = gas * _GAS_L_PER_MOL * case.water_kg_per_l("bucket")
    level = np.where((pressure > _FIZZES_ATM) & (gas_l > 0.2), int(Level.CAUTION), int(Level.NONE))
    level[(pressure > _BOILS_OVER_ATM) & (gas_l > 1.0)] = Level.STOP
    if not np.any(level):
        return None
    return Outcome(
        level,
        lambda n: (
            f"Acid meets carbonate in the bucket: up to {n['gas_l_per_l']:.2g} L of carbon dioxide per litre of stock "
            f"wants out ({n['carbon_dioxide_atm']:.2g} atm). "
            + ("It boils over and spits acid." if n["level"] == Level.STOP else "It fizzes; leave room, add slowly.")
        ),
        numbers={"carbon_dioxide_atm": pressure, "gas_l_per_l": gas_l, "bucket_ph": case.bucket.before_solids.ph},
        do=(
            TWO_BUCKETS,
            "Goggles and gloves; in a closed shed the gas takes the air away. Never in a closed vessel.",
        ),
        severity=pressure,
    )


#: Metal phosphates by the species of the metal; ranges of their constants are in phases.toml.
_METAL_PHOSPHATES = {"Zn+2": "Hopeite", "Fe+2": "Vivianite", "Cu+2": "Cu3PO42_3H2O", "Fe+3": "Strengite"}


def _metal_meets_phosphate(case: Case) -> Outcome | None:
    if not case.has("PO4-3"):
        return None
    bucket = case.bucket.before_solids
    found: list[tuple[Levels, Floats, str, str]] = []  # level, severity, name of the number, words
    for species, phase in _METAL_PHOSPHATES.items():
        if not case.has(species) or (species == "Fe+3" and not case.unchelated("Fe+3")):
            continue
        level = solid_levels(case, "bucket", phase, haze_mg_per_l=1.0, band=band_si(case, phase))
        found.append((level, bucket.si(phase), "saturation_index", phases()[phase].spoken))
    if case.unchelated("Mn+2"):
        # Constants of manganese phosphates in print would stop every mix or none; pH is what is left.
        level = np.where(bucket.ph > 5.0, int(Level.CAUTION), int(Level.NONE))
        level[bucket.ph > 6.0] = Level.UNKNOWN
        found.append((level, bucket.ph, "bucket_ph", "manganese phosphate"))
    if not found or not any(np.any(level) for level, *_ in found):
        return None
    _, severity, number, spoken = max(found, key=lambda one: (int(np.max(one[0])), float(np.max(one[1]))))

    def message(n: Mapping[str, float]) -> str:
        shown = f"saturation index {n[number]:+.1f}" if number == "saturation_index" else f"bucket pH {n[number]:.1f}"
        sure = "." if n["level"] == Level.STOP else "; constants in print differ too much to tell."
        return f"A trace metal meets phosphate in the bucket: {spoken}, {shown}{sure}"

    return Outcome(
        np.max([level for level, *_ in found], axis=0),
        message,
        numbers={number: severity},
        do=(TWO_BUCKETS, "Or take the metal as a chelate (EDTA, DTPA) that suits the pH."),
        severity=severity,
    )


#: Above this index a solid that takes days near saturation forms at once (common practice, no source).
FAR_OVER_SI = 2.0
#: Hydroxides and carbonates of trace metals: species -> phases.
_METAL_SOLIDS = {
    "Zn+2": ("Zn(OH)2_am", "Smithsonite"),
    "Cu+2": ("CuOH2", "Malachite"),
    "Mn+2": ("Pyrochroite", "Rhodochrosite"),
}


def _metal_hydroxide(case: Case) -> Outcome | None:
    level = np.full(case.size, int(Level.NONE))
    line_ph = case.line.before_solids.ph
    named = []
    worst = np.full(case.size, -np.inf)  # no index where iron is the only metal
    for species, solids in _METAL_SOLIDS.items():
        if not case.unchelated(species):
            continue
        for phase in solids:
            si = np.maximum(case.line.before_solids.si(phase), case.bucket.before_solids.si(phase))
            amount = case.most_mg_per_l("line", phase)
            entry = phases()[phase]
            slow = entry.pace == "days"
            enough = amount > STOP_MG_PER_L["line"]
            trouble = (si > entry.surely_below_si) & enough
            level[trouble] = np.maximum(level[trouble], int(Level.CAUTION if slow else Level.UNKNOWN))
            # A hundred times over saturation, what is called slow is not.
            sure_si = FAR_OVER_SI if slow else entry.surely_above_si
            level[(si > sure_si) & enough] = Level.STOP
            worst = np.maximum(worst, si)
            if np.any(trouble):
                named.append(species)
    if case.unchelated("Fe+2"):
        masters = case.constants.masters
        iron = case.product_mol[:, masters.index("Fe+2")] / case.bucket_water_kg
        in_line = iron / (1.0 + case.injection_ratio) * 55_845.0
        level[in_line > IRON_MODERATE_MG_PER_L] = np.maximum(
            level[in_line > IRON_MODERATE_MG_PER_L], int(Level.CAUTION)
        )
        level[(in_line > IRON_SEVERE_MG_PER_L) & (line_ph > 5.0)] = Level.STOP
        named.append("Fe+2")
    if not np.any(level):
        return None
    spoken = ", ".join(dict.fromkeys(SPECIES[name].spoken for name in named))
    return Outcome(
        level,
        lambda n: (
            f"Unchelated {spoken} at line pH {n['line_ph']:.1f}: hydroxide or carbonate (iron: rust, once air gets "
            "at it) settles in the line."
        ),
        numbers={"line_ph": line_ph, "saturation_index": worst},
        do=("Take the metal as a chelate that suits the pH, or spray it on the leaf.", JAR_TEST),
        severity=line_ph,
    )


def _thiosulfate_meets_acid(case: Case) -> Outcome | None:
    if not case.has("S2O3-2"):
        return None
    ph = case.bucket.before_solids.ph
    acid = any("acid" in item.hazards for item in case.poured)
    level = np.where(ph < 5.0, int(Level.STOP), np.where(ph < 6.0, int(Level.CAUTION), int(Level.NONE)))
    if len(case.poured) == 1:
        level[:] = Level.NONE  # the bottle as it is sold holds its own pH
    if acid:
        level = np.full(case.size, int(Level.STOP))
    level[~case.brings("S2O3-2")] = Level.NONE
    if not np.any(level):
        return None
    return Outcome(
        level,
        lambda n: (
            f"Thiosulfate in an acid bucket (pH {n['bucket_ph']:.1f}): it breaks down to solid sulfur and sulfur "
            "dioxide gas below about pH 6."
        ),
        numbers={"bucket_ph": ph, "limit_ph": 6.0},
        do=(TWO_BUCKETS, "Do not breathe over the bucket; sulfur dioxide chokes."),
        severity=-ph,
    )


def _polyphosphate_meets_calcium(case: Case) -> Outcome | None:
    if not (case.has("P2O7-4") and case.has("Ca+2")):
        return None
    return Outcome(
        np.where(case.brings("P2O7-4") & case.brings("Ca+2"), int(Level.STOP), int(Level.NONE)),
        lambda _: "Polyphosphate meets a calcium product in the bucket: it gels and plugs.",
        do=(TWO_BUCKETS,),
    )


def _silicate_gels(case: Case) -> Outcome | None:
    silicate = case.brings("H4SiO4")
    if not np.any(silicate):
        return None
    ph = case.bucket.before_solids.ph
    level = np.where(ph < 9.0, int(Level.STOP), int(Level.NONE))
    if len(case.poured) > 1:
        level = np.maximum(level, int(Level.UNKNOWN))
    level[case.brings("Ca+2", "Mg+2")] = Level.STOP
    level[~silicate] = Level.NONE
    if not np.any(level):
        return None
    return Outcome(
        level,
        lambda n: (
            f"Silicate at bucket pH {n['bucket_ph']:.1f}: it gels below about pH 9, and with calcium or "
            "magnesium at any pH."
        ),
        numbers={"bucket_ph": ph, "limit_ph": 9.0},
        do=("Inject silicate alone, diluted, and flush before and after.", JAR_TEST),
        severity=-ph,
    )


def _not_computed(case: Case) -> Outcome | None:
    # The cold bucket only where a rule has asked for it: it alone never stops a pour.
    cold = [case.bucket_cold] if "bucket_cold" in case.__dict__ else []
    solved = (case.water, case.bucket, case.bucket_in_air, case.line, case.water_in_line, *cold)
    lost = ~np.all([solution.converged for solution in solved], axis=0)
    if not np.any(lost):
        return None
    return Outcome(
        np.where(lost, int(Level.UNKNOWN), int(Level.NONE)),
        lambda _: "The chemistry of this pour could not be solved; nothing is known of what stays dissolved.",
        do=("Check amounts and water test for a typing error.", JAR_TEST),
    )


_GYPSUM = "minteq.v4.dat (NIST 46) constants; " + MODEL_NOTE

RULES = (
    Rule(
        name="calcium-meets-sulfate",
        family="bucket",
        levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
        asks="Does calcium meet enough sulfate in the bucket to make gypsum?",
        plain="Calcium and sulfate products in one bucket turn to plaster. Acid does not bring it back.",
        chemistry="CaSO4.2H2O, log K -4.61 at 25 degC; solubility in pure water about 2.6 g/L. Ion pairs and activities "
        "are counted.",
        cure="Two buckets, or a source without one of the two.",
        sources=(_GYPSUM, "Three-rule summary of the trade: calcium away from sulfate (trade notes)"),
        check=_calcium_meets_sulfate,
    ),
    Rule(
        name="calcium-meets-phosphate",
        family="bucket",
        levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
        asks="Does calcium, from a product or the water, meet enough phosphate in the bucket?",
        plain="Calcium and phosphate in one bucket make a white mud of calcium phosphate.",
        chemistry="Brushite CaHPO4.2H2O forms first below about pH 7; log K -18.995 (with PO4-3 and H+). Acid holds it "
        "back, so pH is computed from the products.",
        cure="Two buckets; no phosphate with calcium.",
        sources=(_GYPSUM, "Three-rule summary of the trade: calcium away from phosphate (trade notes)"),
        check=_calcium_meets_phosphate,
    ),
    Rule(
        name="ammonium-magnesium-phosphate",
        family="bucket",
        levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
        asks="Do ammonium, magnesium and phosphate meet above the solubility of struvite?",
        plain="Epsom salt with an ammonium phosphate that is not acid makes struvite, a hard scale.",
        chemistry="MgNH4PO4.6H2O, log K -13.26; in print from -12.6 to -13.5.",
        cure="Two buckets, or keep the bucket acid.",
        sources=("Ohlinger et al. 1998 (from memory); Ronteltap et al. 2007: 10^-13.26, 22.6 kJ/mol",),
        check=_struvite,
    ),
    Rule(
        name="magnesium-meets-phosphate",
        family="bucket",
        levels=(Level.STOP, Level.CAUTION),
        asks="Does magnesium meet enough phosphate to make newberyite?",
        plain="Magnesium and phosphate concentrates can drop a white powder over days.",
        chemistry="MgHPO4.3H2O, log K -18.175; no temperature data.",
        cure="Two buckets.",
        sources=("minteq.v4.dat (NIST 46)", "Trade notes: magnesium away from phosphate"),
        check=_newberyite,
    ),
    Rule(
        name="magnesium-hydroxide",
        family="bucket",
        levels=(Level.STOP, Level.UNKNOWN),
        asks="Does magnesium meet enough alkali to make its hydroxide?",
        plain="Epsom salt with hydroxide or aqua ammonia turns to milk of magnesia.",
        chemistry="Mg(OH)2, log K 16.844 (brucite); fresh solid up to half a unit more soluble.",
        cure="Two buckets.",
        sources=("minteq.v4.dat (NIST 46)",),
        check=_magnesium_hydroxide,
    ),
    Rule(
        name="magnesium-carbonate",
        family="bucket",
        levels=(Level.STOP, Level.UNKNOWN),
        asks="Does magnesium meet carbonate?",
        plain="Epsom salt with potassium carbonate drops magnesium carbonate.",
        chemistry="MgCO3.3H2O, log K -4.67.",
        cure="Two buckets.",
        sources=("minteq.v4.dat (NIST 46)",),
        check=_magnesium_carbonate,
    ),
    Rule(
        name="calcium-meets-molybdate",
        family="bucket",
        levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
        asks="Does calcium meet molybdate?",
        plain="Molybdate and calcium make a powder that hardly dissolves.",
        chemistry="CaMoO4, Ksp about 1.5e-8; the ion product with a wide band for activities.",
        cure="Molybdate in the bucket without calcium.",
        sources=("from memory: CRC Handbook, solubility product",),
        check=_molybdate,
    ),
    Rule(
        name="lime-in-bucket",
        family="bucket",
        levels=(Level.STOP, Level.CAUTION),
        asks="Does the bucket go over the solubility of lime?",
        plain="Calcium with bicarbonate water, or anything alkaline, clouds the bucket with lime.",
        chemistry="Calcite, log K -8.48, closed to the air. Up to about 100 mg/L the water's own alkalinity is the limit.",
        cure="Settle and draw off clear; soft water; no carbonate with calcium.",
        sources=(
            "minteq.v4.dat (NIST 46); " + MODEL_NOTE,
            "limits 10 and 300 mg/L: design choice, no source",
        ),
        check=_lime_in_bucket,
    ),
    Rule(
        name="acid-meets-carbonate",
        family="bucket",
        levels=(Level.STOP, Level.CAUTION),
        asks="Does an acid meet a carbonate or bicarbonate, so that the bucket boils over with gas?",
        plain="Acid on potassium bicarbonate foams like vinegar on baking soda, by the bucketful, and throws acid about.",
        chemistry="Pressure of carbon dioxide over the closed bucket, from its pH and carbonate; above 1 atm it bubbles. "
        "What is lost to the air is missing in the line, whose pH is then higher: that is swept.",
        cure="Two buckets.",
        sources=("design choice: limits 1.2 and 5 atm", "Henry's constant: minteq.v4.dat (NIST 46)"),
        check=_acid_meets_carbonate,
    ),
    Rule(
        name="metal-meets-phosphate",
        family="bucket",
        levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
        asks="Does an unchelated zinc, iron or copper meet phosphate?",
        plain="Zinc, iron and copper sulfates drop out with phosphate.",
        chemistry="Hopeite, vivianite, strengite, copper phosphate; constants in print differ by 1 to 3 log units, and the "
        "answer is left open within that.",
        cure="Two buckets, or chelates.",
        sources=(
            "minteq.v4.dat (NIST 46) and the spread between shipped databases",
            "Trade notes: unchelated metals",
        ),
        check=_metal_meets_phosphate,
    ),
    Rule(
        name="metal-hydroxide",
        family="bucket",
        levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
        asks="Does an unchelated iron, manganese, zinc or copper meet alkaline water?",
        plain="Sulfates of iron, zinc, copper and manganese turn to rust or sludge in hard, alkaline water.",
        chemistry="Hydroxides of zinc, copper and manganese by saturation index within 0.5; their carbonates are slow and a "
        "caution, and a stop a hundred times over saturation; iron(II) oxidises, so all of it counts, by the classes of iron in water (0.1 and 1.5 mg/L), above pH 5.",
        cure="Chelates, or leaf sprays.",
        sources=(
            "minteq.v4.dat (NIST 46)",
            "Bucks, Nakayama and Gilbert 1979 classes, as reprinted; materials table: iron sulfate rusts in stock (from memory)",
        ),
        check=_metal_hydroxide,
    ),
    Rule(
        name="thiosulfate-meets-acid",
        family="bucket",
        levels=(Level.STOP, Level.CAUTION),
        asks="Is a thiosulfate in a bucket below pH 6?",
        plain="Acid turns thiosulfate to sulfur mud and choking gas.",
        chemistry="S2O3-2 + H+ -> S + HSO3-; slow near pH 6 (a caution), fast below 5 (a stop). Kinetics, not equilibrium: a limit is used.",
        cure="Two buckets; no acid.",
        sources=("from memory: maker leaflets; Burt et al. 1995: breaks down below about pH 6",),
        check=_thiosulfate_meets_acid,
    ),
    Rule(
        name="polyphosphate-meets-calcium",
        family="bucket",
        levels=(Level.STOP,),
        asks="Does a polyphosphate meet a calcium product?",
        plain="10-34-0 and calcium nitrate make a gel that nothing clears.",
        chemistry="Calcium pyrophosphates and polyphosphates; the constants are not in the model, so presence decides.",
        cure="Two buckets.",
        sources=("Fluid fertilizer physical characteristics sheet: with calcium water 10-34-0 gels and plugs",),
        check=_polyphosphate_meets_calcium,
    ),
    Rule(
        name="silicate-gels",
        family="bucket",
        levels=(Level.STOP, Level.UNKNOWN),
        asks="Is a silicate with anything that lowers its pH, or with calcium or magnesium?",
        plain="Potassium silicate turns to jelly when it meets acid, ammonium or calcium.",
        chemistry="Silicic acid polymerises below about pH 9; kinetics, not equilibrium: a limit is used.",
        cure="Alone, diluted, flushed.",
        sources=("from memory: generic trade values: gels below pH 9 and with calcium",),
        check=_silicate_gels,
    ),
    Rule(
        name="not-computed",
        family="bucket",
        levels=(Level.UNKNOWN,),
        asks="Did the chemistry solver find the answer?",
        plain="When the numbers cannot be found, the answer is unknown and never clear.",
        chemistry="Mass balances to 1e-11 in every scenario; a scenario that does not reach it counts as unknown.",
        cure="Check the input; jar test.",
        sources=("design choice",),
        check=_not_computed,
    ),
)
