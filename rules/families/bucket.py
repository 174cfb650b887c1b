"""Rules of the bucket: what stays on the bottom, and what two right bottles make together."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ...catalog.species import SPECIES, formula_share
from ..case import Case, Where
from ..chemistry.activity import VALID_UP_TO_MOL_PER_KG
from ..chemistry.constants import Floats
from ..chemistry.phases import BUCKET_PHASES, LINE_PHASES, phases
from ..registry import Level, Levels, Outcome, Rule

#: Half-width in SI within which the bucket model cannot tell, by ionic strength [mol/kg]: dilute; up
#: to the model's limit; beyond it, where coefficients are held and the result is an estimate. The
#: last two are compared with a Pitzer model in the tests.
BAND_SI = ((0.1, 0.05), (VALID_UP_TO_MOL_PER_KG, 0.15), (np.inf, 0.6))
#: From this much of a solid on a pour is stopped [mg/L]. In the bucket it is diluted again, 50 times
#: or more, to below the lowest class of suspended solids in water for drip (50 mg/L, Bucks and
#: Nakayama); in the line it is what the emitters see. Design choice within that.
STOP_MG_PER_L: dict[Where, float] = {"bucket": 100.0, "line": 1.0}
FORMED: dict[Where, tuple[str, ...]] = {"bucket": BUCKET_PHASES, "line": LINE_PHASES}
HAZE_MG_PER_L = 10.0
JAR_TEST = (
    "Jar test: mix it at the line's dilution with your own water, cover it, and look after 2 hours and next "
    "morning; cloud, flakes or film means no."
)
TWO_BUCKETS = "Use two buckets, one after the other, and flush the line with clear water in between."
#: A salt sold as fully soluble but without a curve is let pass up to this strength [g/kg water];
#: writers ask for ten times this of a drip fertilizer (Spanish agronomy page: 100 g/L).
UNLISTED_G_PER_KG = 10.0
MODEL_NOTE = "Bucket model: dilute-solution activities, valid to an ionic strength of 0.5 mol/kg"


def band_si(case: Case) -> Floats:
    """Half-width of what the bucket's activity model leaves open, (B,) in SI."""
    strength = case.bucket.before_solids.ionic_strength
    return np.select([strength <= limit for limit, _ in BAND_SI], [band for _, band in BAND_SI])


def solid_levels(case: Case, where: Where, phase: str, *, haze_mg_per_l: float, band: Floats | float = 0.0) -> Levels:
    """STOP where a solid surely forms, UNKNOWN where model and constants cannot tell, else NONE.

    Amounts count too: less than the stop amount of bucket or line is CAUTION, less than haze_mg_per_l
    is not worth a word. Where it is open whether it forms, the amount is the most that it could be
    if the doubt went against us. band: half-width of the model's own uncertainty in SI.
    """
    entry = phases()[phase]
    si = case.solution(where).before_solids.si(phase)
    doubt = np.maximum(band, -entry.surely_below_si)
    surely = si > np.maximum(band, entry.surely_above_si)
    # An index of s takes at most the share 1 - 10^-s of the scarcest ingredient (1:1 salts; less for others).
    most = case.most_mg_per_l(where, phase) * (1.0 - 10.0 ** -np.maximum(si + doubt, 0.0))
    formed = case.precipitated_mg_per_l(where, phase) if phase in FORMED[where] else most
    amount = np.where(surely, formed, most)
    # A solid that takes days and may not form at all does not hold up a bucket that is used today.
    doubtful = Level.CAUTION if entry.pace == "days" else Level.UNKNOWN
    level = np.where(surely, int(Level.STOP), int(doubtful))
    level[amount < STOP_MG_PER_L[where]] = Level.CAUTION
    level[amount < haze_mg_per_l] = Level.NONE
    return level


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
    amount = case.precipitated_mg_per_l("bucket", phase)
    band = band_si(case)
    level = solid_levels(case, "bucket", phase, haze_mg_per_l=HAZE_MG_PER_L, band=band)
    if not np.any(level):
        return None
    spoken = phases()[phase].spoken

    def message(n: Mapping[str, float]) -> str:
        if n["level"] == Level.STOP:
            return (
                f"{what} in the bucket: {n['precipitated_g_per_l']:.3g} g/L of {spoken} comes out "
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
                f"(saturation index {n['saturation_index']:+.2f})."
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
            "bucket_ionic_strength_mol_per_kg": solution.before_solids.ionic_strength,
        },
        do=do,
        severity=si,
    )


def solubility_g_per_100_g(points: list[tuple[float, float]], temperature_c: Floats) -> Floats:
    """Handbook solubility at each temperature [g per 100 g water]: log-linear between the points.

    Outside the curve it goes on along its last stretch downwards in temperature, and is held at the
    last point upwards. points: (degC, g per 100 g), ascending.
    """
    t = np.array([p[0] for p in points])
    ln_s = np.log([p[1] for p in points])
    value = np.interp(temperature_c, t, ln_s)
    if len(points) > 1:
        slope = (ln_s[1] - ln_s[0]) / (t[1] - t[0])
        below = temperature_c < t[0]
        value = np.where(below, ln_s[0] + np.minimum(slope * (temperature_c - t[0]), 0.0), value)
    return np.asarray(np.exp(value))


def _shares_of_solubility(case: Case, temperature_c: Floats) -> tuple[dict[str, Floats], set[str]]:
    """Each material's mass over what the water holds of it, (B,), and materials without a curve.

    Where a label allows several mixtures, the one with most of a material counts.
    """
    water_g = case.bucket_water_kg * 1000.0
    shares: dict[str, Floats] = {}
    unlisted: set[str] = set()
    for item in case.poured:
        most: dict[str, float] = {}
        for mixture in item.composition.mixtures:
            for source_id, part in mixture.sources.items():
                most[source_id] = max(part, most.get(source_id, 0.0))
        for source_id, part in most.items():
            material = case.question.material(source_id)
            if material.form == "liquid":
                continue  # already a solution; it only gets thinner
            content = material.content[0]
            points = [(p.temperature_c, p.g_per_100_g_water) for p in material.solubility]
            converted = formula_share(content.formula, material.solubility[0].formula) if points else None
            grams = item.mass_kg * 1000.0 * part * content.mass_fraction.value * case.column("amount_factor")
            if converted is None:
                if float(np.max(grams / water_g)) * 1000.0 > UNLISTED_G_PER_KG:
                    unlisted.add(material.name)
                continue
            limit = solubility_g_per_100_g(points, temperature_c) / 100.0 * water_g
            shares[material.name] = shares.get(material.name, np.zeros(case.size)) + grams * converted / limit
    return shares, unlisted


def _more_than_dissolves(case: Case) -> Outcome | None:
    shares, unlisted = _shares_of_solubility(case, case.column("bucket_temperature_c"))
    if not shares and not unlisted:
        return None
    none = np.zeros((1, case.size))
    most = np.max([*shares.values(), *none], axis=0)
    worst = max(shares, key=lambda name: float(np.max(shares[name]))) if shares else ""
    cold_shares, _ = _shares_of_solubility(case, case.cooled_c)
    cold = np.sum([*cold_shares.values(), *none], axis=0)
    level = np.full(case.size, int(Level.UNKNOWN if unlisted else Level.NONE))
    level[cold > 0.8] = np.maximum(level[cold > 0.8], int(Level.CAUTION))
    level[most > 1.0] = Level.STOP
    if not np.any(level):
        return None

    def message(n: Mapping[str, float]) -> str:
        if n["level"] == Level.STOP:
            return (
                f"More {worst} than dissolves: {100 * n['share_of_solubility']:.0f} % of what the water holds at "
                f"{n['bucket_temperature_c']:.0f} degC; the rest stays on the bottom."
            )
        if n["level"] == Level.UNKNOWN:
            return f"No solubility is on record for {', '.join(sorted(unlisted))}."
        return (
            f"Dissolving cools the bucket by up to {n['cooling_c']:.0f} degC, and at {n['cooled_bucket_c']:.0f} degC it "
            f"takes {100 * n['share_of_solubility_cooled']:.0f} % of what the water holds: some stays on the bottom until it "
            "has warmed."
            if n["cooling_c"] > 1.0
            else f"Near the limit: {100 * n['share_of_solubility_cooled']:.0f} % of what the water holds at "
            f"{n['cooled_bucket_c']:.0f} degC."
        )

    return Outcome(
        level,
        message,
        numbers={
            "share_of_solubility": most,
            "share_of_solubility_cooled": cold,
            "bucket_temperature_c": case.column("bucket_temperature_c"),
            "cooled_bucket_c": case.cooled_c,
            "cooling_c": case.cooling_c,
        },
        do=(
            "Pour less, or use more water or warmer water; stir, wait, and look at the bottom before you inject.",
            "Draw from above the bottom, through a screen.",
        ),
        severity=np.maximum(cold, most),
    )


def _salts_out(case: Case) -> Outcome | None:
    sources = {name for item in case.poured for m in item.composition.mixtures for name in m.sources}
    if len(sources) < 2:
        return None
    temperature = case.column("bucket_temperature_c")
    masters = case.constants.masters
    poured = case.product_mol
    molality = case.bucket_totals.copy()
    phosphate, h = masters.index("PO4-3"), masters.index("H+")
    acid_share = np.clip(poured[:, h] / np.maximum(poured[:, phosphate], 1e-30) - 1.0, 0.0, 1.0)
    ratios: dict[str, Floats] = {}
    for salt in case.question.salts:
        ions, protons = salt.ions, salt.protons_per_phosphate
        index = [masters.index(name) for name in ions]
        if np.any(np.max(poured[:, index], axis=0) <= 0):
            continue
        strength = molality[:, index].copy()
        if "PO4-3" in ions:
            share = acid_share if protons == 2 else 1.0 - acid_share
            strength[:, list(ions).index("PO4-3")] *= share
        counts = np.array(list(ions.values()))
        saturated = salt.saturated_mol_per_kg(solubility_g_per_100_g(list(salt.points), temperature))
        with np.errstate(divide="ignore"):
            ln_ratio = np.log(strength) @ counts - np.log(saturated[:, None] * counts) @ counts
        ratios[salt.name] = ln_ratio / np.sum(counts)
    if not ratios:
        return None
    worst = max(ratios, key=lambda name: float(np.max(ratios[name])))
    over = np.max(list(ratios.values()), axis=0)
    level = np.where(over > 0.0, int(Level.UNKNOWN), int(Level.NONE))
    if not np.any(level):
        return None
    return Outcome(
        level,
        lambda n: (
            f"The products can trade ions: {worst} would be at {n['share_of_saturation']:.2g} times its saturation at "
            f"{n['bucket_temperature_c']:.0f} degC if the solution were ideal, and may settle out."
        ),
        numbers={"share_of_saturation": np.exp(over), "bucket_temperature_c": temperature},
        do=(
            "Pour less, use more or warmer water, or two buckets.",
            "Try it in a jar at full strength in the cold: what settles is what the bucket would lose.",
        ),
        severity=over,
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
        (TWO_BUCKETS, JAR_TEST),
    )


def _lime_in_bucket(case: Case) -> Outcome | None:
    if not case.has("Ca+2", "CO3-2") and not np.any(case.product_mol[:, case.constants.master("H+")] < 0):
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


#: Metal phosphates by the species of the metal; ranges of their constants are in phases.toml.
_METAL_PHOSPHATES = {"Zn+2": "Hopeite", "Fe+2": "Vivianite", "Cu+2": "Cu3PO42_3H2O", "Fe+3": "Strengite"}


def _metal_meets_phosphate(case: Case) -> Outcome | None:
    if not case.has("PO4-3"):
        return None
    levels: list[Levels] = []
    indices: list[Floats] = []
    names: list[str] = []
    for species, phase in _METAL_PHOSPHATES.items():
        if not case.has(species) or (species == "Fe+3" and not case.unchelated("Fe+3")):
            continue
        si = case.bucket.before_solids.si(phase)
        levels.append(solid_levels(case, "bucket", phase, haze_mg_per_l=1.0, band=band_si(case)))
        indices.append(si)
        names.append(phases()[phase].spoken)
    if not levels or not np.any(levels):
        return None
    worst = int(
        np.argmax([float(np.max(level)) + 1e-3 * float(np.max(si)) for level, si in zip(levels, indices, strict=True)])
    )
    return Outcome(
        np.max(levels, axis=0),
        lambda n: (
            f"A trace metal meets phosphate in the bucket: {names[worst]}, saturation index "
            f"{n['saturation_index']:+.1f}"
            + ("." if n["level"] == Level.STOP else "; constants in print differ too much to tell.")
        ),
        numbers={"saturation_index": indices[worst]},
        do=(TWO_BUCKETS, "Or take the metal as a chelate (EDTA, DTPA) that suits the pH."),
        severity=indices[worst],
    )


#: Hydroxides and carbonates of trace metals: species -> phases.
_METAL_SOLIDS = {
    "Zn+2": ("Zn(OH)2_am", "Smithsonite"),
    "Cu+2": ("CuOH2", "Malachite"),
    "Mn+2": ("Rhodochrosite",),
}
#: Iron that is not chelated and what it may be in the line [mg/L]; the classes of iron in water.
_IRON_CAUTION_MG_PER_L, _IRON_STOP_MG_PER_L = 0.1, 1.5


def _metal_hydroxide(case: Case) -> Outcome | None:
    level = np.full(case.size, int(Level.NONE))
    line_ph = case.line.before_solids.ph
    named = []
    worst = np.full(case.size, -99.0)
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
            if not slow:
                level[(si > entry.surely_above_si) & enough] = Level.STOP
            worst = np.maximum(worst, si)
            if np.any(trouble):
                named.append(species)
    if case.unchelated("Fe+2"):
        masters = case.constants.masters
        iron = case.product_mol[:, masters.index("Fe+2")] / case.bucket_water_kg
        in_line = iron / (1.0 + case.injection_ratio) * 55_845.0
        level[in_line > _IRON_CAUTION_MG_PER_L] = np.maximum(
            level[in_line > _IRON_CAUTION_MG_PER_L], int(Level.CAUTION)
        )
        level[(in_line > _IRON_STOP_MG_PER_L) & (line_ph > 5.0)] = Level.STOP
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
    acid = any("acid" in item.product.hazards for item in case.poured)
    level = np.where(ph < 6.0, int(Level.STOP), int(Level.NONE))
    if acid:
        level = np.full(case.size, int(Level.STOP))
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
        np.full(case.size, int(Level.STOP)),
        lambda _: "Polyphosphate meets a calcium product in the bucket: it gels and plugs.",
        do=(TWO_BUCKETS,),
    )


def _silicate_gels(case: Case) -> Outcome | None:
    if not any("H4SiO4" in m.species_mol_per_kg for p in case.poured for m in p.composition.mixtures):
        return None
    ph = case.bucket.before_solids.ph
    level = np.where(ph < 9.0, int(Level.STOP), int(Level.NONE))
    if case.has("Ca+2", "Mg+2"):
        level = np.full(case.size, int(Level.STOP))
    elif len(case.poured) > 1:
        level = np.maximum(level, int(Level.UNKNOWN))
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
    lost = ~(case.bucket.converged & case.line.converged & case.water_in_line.converged)
    if not np.any(lost):
        return None
    return Outcome(
        np.where(lost, int(Level.UNKNOWN), int(Level.NONE)),
        lambda _: "The chemistry of this pour could not be solved; nothing is known of what stays dissolved.",
        do=("Check amounts and water test for a typing error.", JAR_TEST),
    )


_HANDBOOK = "solubility curves of the materials (each point with its source in the catalog)"
_GYPSUM = "minteq.v4.dat (NIST 46) constants; " + MODEL_NOTE

RULES = (
    Rule(
        name="more-than-dissolves",
        family="bucket",
        levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
        asks="Is there more of a product than the bucket's water can hold at its temperature?",
        plain="Cold water holds less. What does not dissolve settles, and is drawn in at the end of the bucket.",
        chemistry="Mass of each salt against its handbook solubility at the bucket's temperature. Heats of solution, where on "
        "record, tell how far it cools at first; a caution from four fifths of what "
        "the cooled water holds, all salts' shares added up. Ions that salts share are salts-out-together's.",
        cure="Less product, more or warmer water.",
        sources=(_HANDBOOK,),
        check=_more_than_dissolves,
    ),
    Rule(
        name="salts-out-together",
        family="bucket",
        levels=(Level.UNKNOWN,),
        asks="Do the ions of different products make a salt that is over its own solubility?",
        plain="Potassium chloride and ammonium sulfate each dissolve; in one bucket potassium sulfate can settle out of "
        "them, the least soluble of the potassium salts.",
        chemistry="Ion product of every common fertilizer salt against the product at its handbook solubility, activity "
        "coefficients taken as equal. Mixtures often hold more than that, sometimes less, so it is left open.",
        cure="Less of it, warmer water, or two buckets.",
        sources=(
            _HANDBOOK,
            "Trade notes: potassium meeting sulfate can drop potassium sulfate, the least soluble of the common potassium salts",
        ),
        check=_salts_out,
    ),
    Rule(
        name="calcium-meets-sulfate",
        family="bucket",
        levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
        asks="Does calcium meet enough sulfate in the bucket to make gypsum?",
        plain="Calcium and sulfate products in one bucket turn to plaster. Acid does not bring it back.",
        chemistry="CaSO4.2H2O, log K -4.61 at 25 degC; solubility in pure water about 2.4 g/L. Ion pairs and activities "
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
        chemistry="Hydroxides of zinc and copper by saturation index within 0.5; their carbonates and manganese's are slow and "
        "a caution; iron(II) oxidises, so all of it counts, by the classes of iron in water (0.1 and 1.5 mg/L), above pH 5.",
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
        levels=(Level.STOP,),
        asks="Is a thiosulfate in a bucket below pH 6?",
        plain="Acid turns thiosulfate to sulfur mud and choking gas.",
        chemistry="S2O3-2 + H+ -> S + HSO3-; slow near pH 6, fast below 5. Kinetics, not equilibrium: a limit is used.",
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
