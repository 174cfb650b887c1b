"""Rules of the bucket that go by solubility: what stays on the bottom, and what settles out of a mixture."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from ...catalog.quantity.table import ALKALINITY, AMOUNT_FACTOR, BUCKET_TEMPERATURE, CALCIUM, PH
from ...catalog.species import formula_share
from ..ask.salts import Salt
from ..case.case import Case, Mask
from ..case.solutions import STANDS_AT_C
from ..chemistry.constants import Floats
from ..chemistry.phases import phases
from ..chemistry.solution import Solution
from ..judge.advice import IN_A_JAR
from ..judge.forming import LEAST_BAND_SI, SIGMAS
from ..judge.rule import Later, Level, Levels, Outcome, Rule, taken, worst_of
from ..judge.turns import OTHER_SOLIDS, Turns

#: A salt sold as fully soluble but without a curve is let pass up to this strength [g/kg water];
#: writers ask for ten times this of a drip fertilizer (Spanish agronomy page: 100 g/L).
UNLISTED_G_PER_KG = 10.0
#: Less than this on the bottom is not worth a word [g/L] (design choice).
_SETTLED_G_PER_L = 1.0
#: Half-width in SI per ion of what a handbook's solubility itself leaves open: 2 % of it.
_HANDBOOK_SI_PER_ION = 0.01
#: An index per ion nearer to saturation than this is near the limit: about four fifths of a solubility.
_NEAR_SI_PER_ION = 0.06
#: Salts that only mixtures make have less certain constants (design choice: half their spread in print).
_ROUGH_SI = 0.2
#: ln of ice's activity constant is this times (1/273.15 K - 1/T): heat of fusion 6.01 kJ/mol (CRC, from memory).
_ICE_K = 6.01 / 8.314462618e-3
_HANDBOOK = "solubility curves of the materials (each point with its source in the catalog)"
_MODEL = "Pitzer activities (data/pitzer.csv names the source of each parameter)"
_LESS = "Pour less, or use more water or warmer water; stir, wait, and look at the bottom before you inject."
_DRAW = "Draw from above the bottom, through a screen."
_JAR = IN_A_JAR


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


def _shares_of_solubility(case: Case) -> tuple[dict[str, Floats], dict[str, Mask]]:
    """Mass over what the water holds of it, (B,), of each material that is no salt of the model; and where there is
    more than next to nothing of a material without a curve, (B,)."""
    water_g = case.bucket_water_kg * 1000.0
    shares: dict[str, Floats] = {}
    unlisted: dict[str, Mask] = {}
    for source_id, kg in case.source_kg.items():
        material = case.question.material(source_id)
        solid = case.question.solids[source_id]
        if material.form == "liquid" or (solid is not None and case.stock.has_phase(solid)):
            continue  # a solution only gets thinner; a salt is computed
        content = material.content[0]
        points = [(p.temperature_c, p.g_per_100_g_water) for p in material.solubility]
        converted = formula_share(content.formula, material.solubility[0].formula) if points else None
        grams = kg * 1000.0 * content.mass_fraction.value
        if converted is None:
            much = grams / water_g * 1000.0 > UNLISTED_G_PER_KG
            unlisted[material.name] = unlisted.get(material.name, np.zeros(case.size, dtype=bool)) | much
            continue
        limit = solubility_g_per_100_g(points, case.of(BUCKET_TEMPERATURE)) / 100.0 * water_g
        shares[material.name] = shares.get(material.name, np.zeros(case.size)) + grams * converted / limit
    return shares, unlisted


def _ion_count(salt: Salt) -> float:
    return sum(count for ion, count in salt.curve.ions if ion != "H+")


def _band(case: Case, salt: Salt) -> Floats:
    """Half-width in SI within which it cannot be told whether a salt settles, (B,)."""
    own = _ROUGH_SI if salt.rough else _HANDBOOK_SI_PER_ION * _ion_count(salt)
    return np.maximum(own, SIGMAS * case.si_sigma(salt.curve.name))


def _index(case: Case, salt: Salt) -> Floats:
    """Saturation index before anything settles, (B,); where nearly all of it settles, at least log10 of
    total over dissolved: the activity model knows nothing of so much in solution."""
    phase = case.stock.phase(salt.curve.name)
    needs = case.stock.phase_stoich[phase]
    ions = np.flatnonzero((needs > 0) & (np.arange(len(needs)) != case.stock.master("H+")))
    there = np.min(case.bucket.totals_mol_per_kg[:, ions] / needs[ions], axis=1)
    share = case.bucket.precipitated(salt.curve.name) / np.maximum(there, 1e-30)
    least = np.where(share > 0.1, -np.log10(np.clip(1.0 - share, 1e-3, 1.0)), -np.inf)
    # Where the solver found nothing before it settles, what settles is left to go by.
    return np.fmax(case.bucket.before_solids.si(salt.curve.name), least)


def _settles(case: Case, salt: Salt) -> tuple[Levels, Floats, Floats, Floats] | None:
    """(level, saturation index, g/L that settles, `_band`) of a salt in the bucket: STOP where it surely settles,
    UNKNOWN where that is open, CAUTION near the limit. None where it is nowhere near."""
    band, near_si = _band(case, salt), _NEAR_SI_PER_ION * _ion_count(salt)
    highest = float(case.bucket.before_solids.si(salt.curve.name).max())
    if highest <= -max(float(band.max()), 0.0) - near_si and not case.bucket.precipitated(salt.curve.name).any():
        return None
    si, settled = _index(case, salt), case.settled_g_per_l(case.bucket, salt)
    level = np.where(si > -band, int(Level.UNKNOWN), int(Level.NONE))
    level[(si > band) & (settled > _SETTLED_G_PER_L)] = Level.STOP
    near = (level == Level.NONE) & (si > -np.maximum(band, 0.0) - near_si)
    level[near] = Level.CAUTION
    return level, si, settled, band


#: From this share of its solubility on a material is near its limit.
_NEAR_SHARE = 0.8


def _more_than_dissolves(case: Case) -> Outcome | None:
    shares, unlisted = _shares_of_solubility(case)
    # What could be too much: its name, level, how far over it is, and the numbers of its own.
    found: list[tuple[str, Levels, Floats, dict[str, Floats]]] = []
    for name, share in shares.items():
        level = np.where(share > _NEAR_SHARE, int(Level.CAUTION), int(Level.NONE))
        level[share > 1.0] = Level.STOP
        found.append((name, level, share - 1.0, {"share_of_solubility": share}))
    for salt in case.in_reach(case.salts):
        if salt.curve.name in case.poured_salts and (settles := _settles(case, salt)) is not None:
            level, si, settled, band = settles
            numbers = {"saturation_index": si, "settled_g_per_l": settled, "model_band_si": band}
            found.append((salt.name, level, si, numbers))
    not_known = np.any([*unlisted.values(), np.zeros(case.size, dtype=bool)], axis=0)
    found.append(("", np.where(not_known, int(Level.UNKNOWN), int(Level.NONE)), np.full(case.size, -np.inf), {}))
    level = np.max([one for _, one, *_ in found], axis=0)
    if not level.any():
        return None
    which = worst_of([one for _, one, *_ in found], [measure for _, _, measure, _ in found])

    def shown() -> dict[str, Floats]:
        keys = dict.fromkeys(key for *_, numbers in found for key in numbers)
        nothing = np.full(case.size, np.nan)
        by_key = {key: taken(which, [numbers.get(key, nothing) for *_, numbers in found]) for key in keys}
        return {"bucket_temperature_c": case.of(BUCKET_TEMPERATURE), **by_key}

    def message(n: Mapping[str, float]) -> str:
        row = int(n["row"])
        name = found[which[row]][0]
        at = f"at {n['bucket_temperature_c']:.0f} degC"
        if not name:
            names = sorted(material for material, there in unlisted.items() if there[row])
            return f"No solubility is on record for {', '.join(names)}."
        if n["level"] == Level.STOP and np.isfinite(n.get("share_of_solubility", np.nan)):
            return f"More {name} than dissolves: {100 * n['share_of_solubility']:.0f} % of what the water holds {at}."
        if n["level"] == Level.STOP:
            return (
                f"More {name} than dissolves: {n['settled_g_per_l']:.3g} g per liter of stock stays on the bottom {at}."
            )
        if n["level"] == Level.UNKNOWN:
            return (
                f"Too close to call: whether all of the {name} dissolves {at} (saturation index "
                f"{n['saturation_index']:+.2f}, known to {n['model_band_si']:.2f})."
            )
        return f"Near the limit of {name} {at}: a colder bucket or a little more of it, and some stays on the bottom."

    return Outcome(
        level,
        message,
        numbers=Later(shown),
        do=(_LESS, _DRAW),
        severity=np.max([measure for _, _, measure, _ in found], axis=0),
    )


MORE_THAN_DISSOLVES = Rule(
    name="more-than-dissolves",
    family="bucket",
    may_be_lowered=True,
    levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
    asks="Is there more of a product than the bucket's water can hold at its temperature?",
    headline="More than the water holds: some {will} stay on the bucket's bottom.",
    milder="Close to all that the water holds: some may stay on the bottom.",
    brief="more than dissolves",
    plain="Cold water holds less, and salts that share an ion hold each other back. What does not dissolve "
    "settles, and is drawn in with the last of the bucket.",
    chemistry="Saturation of every salt poured: its constant at each temperature is the ion activity product of the "
    "handbook's saturated solution, in the same Pitzer model that the mixture is computed with. Materials that are no "
    "salts of the model go by their share of the handbook's solubility.",
    cure="Less product, more or warmer water.",
    sources=(_HANDBOOK, _MODEL),
    turns=Turns(
        worse=(AMOUNT_FACTOR, CALCIUM),
        either={
            (ALKALINITY, PH): "what dissolves hardly, as gypsum, answers to carbonate that takes calcium away",
            (BUCKET_TEMPERATURE,): "nearly all dissolve better in the warm, but some salts of calcium and manganese",
        },
    ),
    check=_more_than_dissolves,
)


def _settled_of(case: Case, solution: Solution) -> list[Salt]:
    """The salts of which something has settled in some scenario, or of which that is not known."""
    some = (solution.precipitated_mol_per_kg != 0.0).any(axis=0)
    return [salt for salt in (*case.salts, *case.made_salts) if some[case.stock.phase(salt.curve.name)]]


def _cold_bucket(case: Case) -> Outcome | None:
    cold, warm = case.bucket_cold, case.bucket
    if cold is warm:
        return None
    ln_aw = np.log(cold.before_solids.water_activity)
    celsius = cold.temperature_c
    ice = (ln_aw > _ICE_K * (1.0 / 273.15 - 1.0 / (celsius + 273.15))) & (celsius < 0.0) & (case.cooling_c > 3.0)
    nothing = np.zeros(case.size)
    # What stays on the bottom at first, how much of that comes back, and of which salt.
    found = [("", nothing, nothing)]
    for salt in _settled_of(case, cold):
        at_first = case.settled_g_per_l(cold, salt)
        back = at_first - case.settled_g_per_l(warm, salt)
        more = back > np.maximum(_SETTLED_G_PER_L, 0.01 * at_first)
        found.append((salt.name, np.where(more, at_first, 0.0), np.where(more, back, 0.0)))
    which = np.argmax([at_first for _, at_first, _ in found], axis=0)
    stays = taken(which, [at_first for _, at_first, _ in found])
    level = np.where(ice | (stays > 0.0), int(Level.CAUTION), int(Level.NONE))
    if not level.any():
        return None

    def message(n: Mapping[str, float]) -> str:
        cooled = (
            f"Dissolving cools the bucket by {n['cooling_c']:.0f} degC, from {n['bucket_temperature_c']:.0f} to "
            f"{n['cooled_bucket_c']:.0f} degC"
        )
        if n["settled_cold_g_per_l"] < _SETTLED_G_PER_L:
            return f"{cooled}: ice can form in it."
        share = n["comes_back_g_per_l"] / n["settled_cold_g_per_l"]
        after = "all of it dissolves" if share > 0.995 else f"{n['comes_back_g_per_l']:.3g} g/L of that dissolves"
        return (
            f"{cooled}. {n['settled_cold_g_per_l']:.3g} g per liter of {found[which[int(n['row'])]][0]} stays on the "
            f"bottom at first; {after} once it has warmed to {n['bucket_temperature_c']:.0f} degC again."
        )

    return Outcome(
        level,
        message,
        numbers=Later(
            lambda: {
                "cooling_c": case.of(BUCKET_TEMPERATURE) - case.cooled_c,
                "bucket_temperature_c": case.of(BUCKET_TEMPERATURE),
                "cooled_bucket_c": case.cooled_c,
                "settled_cold_g_per_l": stays,
                "comes_back_g_per_l": taken(which, [back for *_, back in found]),
            }
        ),
        do=(
            "Let the bucket warm to the air and stir again before you inject; warm water to start with saves the wait.",
            _DRAW,
        ),
        severity=stays,
    )


COLD_BUCKET = Rule(
    name="cold-bucket",
    family="bucket",
    may_be_lowered=False,
    levels=(Level.CAUTION,),
    asks="Does dissolving cool the bucket so far that some of it stays on the bottom?",
    headline="Dissolving chills the bucket, and some {will} stay on its bottom.",
    brief="a bucket too cold to dissolve all",
    plain="Nitrates and urea make the water cold enough that some stays undissolved at first; it comes back as the "
    "bucket warms to the air.",
    chemistry="Heats of solution at infinite dilution (the cautious side) over the heat capacity of the stock; the same "
    "equilibrium at the temperature that this leads to, and again at the starting temperature.",
    cure="Warm water, or wait and stir.",
    sources=(
        _HANDBOOK,
        _MODEL,
        "heats of solution of the materials (CRC table after Parker 1965, in the catalog); heat capacity: Laliberte 2009",
    ),
    turns=Turns(
        either={
            (
                AMOUNT_FACTOR,
                BUCKET_TEMPERATURE,
            ): "where much is left on the bottom anyway, it is silent of the little that comes back"
        }
    ),
    check=_cold_bucket,
)


#: A bucket warmer than this was mixed hot [degC] (design choice: warmer than a shed in summer); a hot tap gives no
#: more than the second (common practice, no source: heaters are set to 49 to 60 degC, 120 to 140 degF).
_HOT_C, _HOT_TAP_C = 30.0, 60.0


def _hot_bucket_cools(case: Case) -> Outcome | None:
    start = case.of(BUCKET_TEMPERATURE)
    hot, beyond = start > _HOT_C, start > _HOT_TAP_C
    if not hot.any():
        return None
    later = case.bucket_cooled_down
    # What settles later, and of which salt.
    more = [case.settled_g_per_l(later, salt) - case.settled_g_per_l(case.bucket, salt) for salt in case.salts]
    more.append(np.zeros(case.size))
    which = np.argmax(more, axis=0)
    most = taken(which, more)
    level = np.where(hot & (most > _SETTLED_G_PER_L), int(Level.CAUTION), int(Level.NONE))
    level[beyond] = Level.UNKNOWN
    if not level.any():
        return None

    def message(n: Mapping[str, float]) -> str:
        if n["bucket_temperature_c"] > _HOT_TAP_C:
            return (
                f"Water of {n['bucket_temperature_c']:.0f} degC is hotter than a tap gives: was degF meant? All that is said "
                "of this bucket holds for that temperature only."
            )
        return (
            f"Mixed at {n['bucket_temperature_c']:.0f} degC all of it dissolves, but once the bucket has cooled to "
            f"{STANDS_AT_C:.0f} degC, {n['settles_later_g_per_l']:.3g} g per liter of "
            f"{case.salts[which[int(n['row'])]].name} settles out."
        )

    return Outcome(
        level,
        message,
        numbers={"bucket_temperature_c": start, "settles_later_g_per_l": most},
        do=("Take less, so that it stays dissolved when it is cool; or use it up warm, the same hour.", _DRAW),
        severity=most,
    )


HOT_BUCKET_COOLS = Rule(
    name="hot-bucket-cools",
    family="bucket",
    may_be_lowered=False,
    levels=(Level.UNKNOWN, Level.CAUTION),
    asks="Does a bucket that was mixed hot drop crystals once it cools?",
    headline="Crystals {will} settle as the bucket cools, and plug the suction.",
    brief="crystals as the bucket cools",
    plain="Hot water dissolves more than the bucket can hold by next morning. What settles plugs the suction screen.",
    chemistry="The bucket's solids at 20 degC against those at its stated temperature, by the model and the handbook's "
    "solubility curves; looked at where more than 30 degC are stated. Above 60 degC it is asked whether degF was meant.",
    cure="Less of it, or used up warm.",
    sources=(_HANDBOOK, "design choice: 30 and 20 degC", "common practice, no source: a tap gives at most 60 degC"),
    turns=Turns(worse=(AMOUNT_FACTOR, BUCKET_TEMPERATURE), either={(PH,): OTHER_SOLIDS}),
    # A temperature that is not stated is swept down to a cold morning's.
    at_most=lambda question: Level.UNKNOWN if question.stated(BUCKET_TEMPERATURE) else Level.NONE,
    check=_hot_bucket_cools,
)


def _salts_out(case: Case, salts: Sequence[Salt], reason: str) -> Outcome | None:
    """Salts that nobody poured, made of the ions of what was poured."""
    found: list[tuple[str, Levels, Floats, Floats, Floats]] = []  # name, level, saturation index, g/L, band
    for salt in case.in_reach(salts):
        if salt.curve.name in case.poured_salts or salt.curve.name == "Gypsum":  # calcium-meets-sulfate's
            continue
        ours = np.all([case.brings(ion) for ion, _ in salt.curve.ions if ion != "H+"], axis=0)
        if ours.any() and (settles := _settles(case, salt)) is not None:
            level, si, settled, band = settles
            found.append((salt.name, np.where(ours, level, int(Level.NONE)), si, settled, band))
    if not any(level.any() for _, level, *_ in found):
        return None
    which = worst_of([level for _, level, *_ in found], [index for _, _, index, *_ in found])
    si = taken(which, [index for _, _, index, *_ in found])

    def message(n: Mapping[str, float]) -> str:
        at = f"at {n['bucket_temperature_c']:.0f} degC"
        name = found[which[int(n["row"])]][0]
        if n["level"] == Level.STOP:
            return f"{reason}: {n['settled_g_per_l']:.3g} g per liter of {name} settles out {at}."
        if n["level"] == Level.CAUTION:
            return (
                f"{reason}: near the limit of {name} {at} (saturation index {n['saturation_index']:+.2f}); a colder "
                "bucket or a little more, and it settles out."
            )
        return (
            f"{reason}: whether {name} settles out {at} is too close to call (saturation index "
            f"{n['saturation_index']:+.2f}, known to {n['model_band_si']:.2f})."
        )

    return Outcome(
        np.max([level for _, level, *_ in found], axis=0),
        message,
        numbers=Later(
            lambda: {
                "saturation_index": si,
                "settled_g_per_l": taken(which, [settled for *_, settled, _ in found]),
                "model_band_si": taken(which, [band for *_, band in found]),
                "bucket_temperature_c": case.of(BUCKET_TEMPERATURE),
            }
        ),
        do=("Pour less, use more or warmer water, or two buckets.", _JAR),
        severity=si,
    )


def _potassium_sulfate(case: Case) -> Outcome | None:
    salts = [salt for salt in case.salts if salt.curve.name == "K2SO4"]
    return _salts_out(case, salts, "Potassium meets sulfate in the bucket")


POTASSIUM_SULFATE_SALTS_OUT = Rule(
    name="potassium-sulfate-salts-out",
    family="bucket",
    may_be_lowered=True,
    levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
    asks="Do potassium of one product and sulfate of another make more potassium sulfate than dissolves?",
    headline="Potassium sulfate {will} settle in the bucket and plug the suction.",
    brief="potassium sulfate in the bucket",
    plain="Potassium chloride or nitrate with ammonium sulfate or Epsom salt: each dissolves, and in one bucket "
    "potassium sulfate settles out, the least soluble of the potassium salts.",
    chemistry="K2SO4 at its handbook solubility (11 g per 100 g at 20 degC) as a solubility constant in the Pitzer "
    "model; within the model's error it is left open.",
    cure="Less of it, warmer water, or two buckets.",
    sources=(_HANDBOOK, _MODEL, "Trade notes: potassium meeting sulfate can drop potassium sulfate"),
    turns=Turns(worse=(AMOUNT_FACTOR,), better=(BUCKET_TEMPERATURE,)),
    needs=(("K+",), ("SO4-2",)),
    check=_potassium_sulfate,
)


def _other_salts(case: Case) -> Outcome | None:
    salts = [salt for salt in case.salts if salt.curve.name != "K2SO4" and not salt.double]
    salts += case.made_salts
    out, mixed = _salts_out(case, salts, "The products trade ions"), _mixed_crystals(case)
    if out is None or mixed is None:
        return out or mixed
    by_crystal = mixed.level > out.level

    def message(n: Mapping[str, float]) -> str:
        return (mixed if by_crystal[int(n["row"])] else out).message(n)

    own = {key: np.where(by_crystal, np.nan, value) for key, value in out.numbers.items()}
    shared = {key: np.where(by_crystal, value, np.nan) for key, value in mixed.numbers.items()}
    assert out.severity is not None
    assert mixed.severity is not None
    return Outcome(
        np.maximum(out.level, mixed.level),
        message,
        numbers={**own, **shared, "bucket_temperature_c": case.of(BUCKET_TEMPERATURE)},
        do=out.do,
        severity=np.where(by_crystal, mixed.severity, out.severity),
    )


SALTS_OUT_TOGETHER = Rule(
    name="salts-out-together",
    family="bucket",
    may_be_lowered=True,
    levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
    asks="Do the ions of different products make another salt that is over its own solubility?",
    headline="Together these {will} drop a salt in the bucket that plugs the suction.",
    brief="a salt that settles from the mix",
    plain="Products trade ions in the bucket, and the pair that dissolves least settles out.",
    chemistry="Every salt of the catalog whose ions are all there, as a phase of one equilibrium; potassium and "
    "ammonium sulfates, and dihydrogen phosphates, also as mixed crystals (ideal), which are left open.",
    cure="Less of it, warmer water, or two buckets.",
    sources=(_HANDBOOK, _MODEL),
    turns=Turns(
        either={
            (CALCIUM, ALKALINITY, PH): "alkali or acid decides which ions are there, as borate, carbonate or phosphate",
            (AMOUNT_FACTOR,): "crystals that two salts share are its matter until one of them is over its own limit",
            (BUCKET_TEMPERATURE,): "nearly all dissolve better in the warm, but some double salts",
        }
    ),
    check=_other_salts,
)


#: Salts that crystallize together, ion for ion, in any proportion, and the moles of the ion that is exchanged.
_CRYSTALLIZE_TOGETHER = (
    ("K2SO4", "(NH4)2SO4", 2.0, "potassium and ammonium sulfate"),
    ("KH2PO4", "NH4H2PO4", 1.0, "potassium and ammonium dihydrogen phosphate"),
)


def _mixed_crystals(case: Case) -> Outcome | None:
    found: list[tuple[str, Floats, Floats]] = []  # name, index of the mixed crystal, with what is open of it
    for one, other, count, spoken in _CRYSTALLIZE_TOGETHER:
        if not (case.stock.has_phase(one) and case.stock.has_phase(other)):
            continue
        bucket = case.bucket.before_solids
        first, second = bucket.si(one), bucket.si(other)
        # Ideal mixing: both mole fractions at saturation add up to more than one.
        total = count * np.log10(10.0 ** (first / count) + 10.0 ** (second / count) + 1e-30)
        open_ = np.where((first < 0) & (second < 0) & np.isfinite(first + second), total, -np.inf)
        # As for every salt: what the activity model leaves open of the part that counts most.
        main = np.where(first > second, case.si_sigma(one), case.si_sigma(other))
        found.append((spoken, open_, open_ + np.maximum(LEAST_BAND_SI, SIGMAS * main)))
    if not any((over > 0.0).any() for *_, over in found):
        return None
    which = np.argmax([over for *_, over in found], axis=0)
    worst = taken(which, [index for _, index, _ in found])
    over = taken(which, [with_band for *_, with_band in found])

    def message(n: Mapping[str, float]) -> str:
        names = found[which[int(n["row"])]][0]
        return (
            f"{names[0].upper()}{names[1:]} share one crystal: together they may settle out although neither is over "
            f"its own limit (index of the mixed crystal {n['mixed_crystal_index']:+.2f})."
        )

    return Outcome(
        np.where(over > 0.0, int(Level.UNKNOWN), int(Level.NONE)),
        message,
        numbers={"mixed_crystal_index": worst, "bucket_temperature_c": case.of(BUCKET_TEMPERATURE)},
        do=("Pour less, use more or warmer water, or two buckets.", _JAR),
        severity=worst,
    )


#: From this much of a double sulfate's scarcest part on [mol/kg] it may be over its solubility in the
#: cold where no constants are on record (copper and manganese, potassium zinc); ammonium zinc and ammonium
#: magnesium sulfate hold 0.25 to 0.6 (from memory).
_DOUBLE_SULFATE_MOL_PER_KG = 0.15
_DOUBLE_PHASES = {"Schoenite": ("K+", "Mg+2"), "Syngenite": ("K+", "Ca+2")}


def _double_sulfate(case: Case) -> Outcome | None:
    found: list[tuple[Levels, Floats, str]] = []
    known: set[str] = set()

    def ours(level: Levels, ions: Iterable[str]) -> Levels:
        return np.where(np.all([case.brings(ion) for ion in ions], axis=0), level, int(Level.NONE))

    for salt in case.salts:
        ions = [ion for ion, _ in salt.curve.ions]
        if salt.double and salt.curve.name not in case.poured_salts and all(case.has(ion) for ion in ions):
            known |= set(ions)
            if (settles := _settles(case, salt)) is not None:
                level, si, *_ = settles
                found.append((ours(np.where(level == Level.CAUTION, 0, level), ions), si, salt.name))
    for name, parts in _DOUBLE_PHASES.items():
        if case.stock.has_phase(name) and all(case.has(part) for part in parts):
            entry, si = phases()[name], case.bucket.before_solids.si(name)
            band = np.maximum(-entry.surely_below_si, SIGMAS * case.si_sigma(name))
            level = np.where(si > -band, int(Level.UNKNOWN), int(Level.NONE))
            settled = case.bucket.precipitated(name) > 0.003
            level[(si > np.maximum(entry.surely_above_si, band)) & settled] = Level.STOP
            found.append((ours(level, parts), si, entry.spoken))
    # Metals without a double salt on record go by strength.
    metals = [ion for ion in ("Zn+2", "Cu+2", "Mn+2", "Fe+2") if ion not in known and case.has(ion)]
    part = np.zeros(case.size)
    if metals:
        molality = case.in_bucket_mol_per_kg
        free = molality(*metals) - molality("Edta-4")
        part = np.minimum(np.minimum(free, molality("NH4+", "K+") / 2.0), molality("SO4-2") / 2.0)
        level = np.where(part > _DOUBLE_SULFATE_MOL_PER_KG, int(Level.UNKNOWN), int(Level.NONE))
        found.append((level, np.full(case.size, -np.inf), "a double sulfate of the trace metal"))
    if not any(level.any() for level, *_ in found):
        return None
    which = worst_of([level for level, *_ in found], [index for _, index, _ in found])
    worst = taken(which, [index for _, index, _ in found])

    def message(n: Mapping[str, float]) -> str:
        name = found[which[int(n["row"])]][2]
        does = "settles out" if n["level"] == Level.STOP else "may settle out"
        index = f" (saturation index {n['saturation_index']:+.2f})" if np.isfinite(n["saturation_index"]) else ""
        return f"{name[0].upper()}{name[1:]} {does} at {n['bucket_temperature_c']:.0f} degC{index}."

    return Outcome(
        np.max([level for level, *_ in found], axis=0),
        message,
        numbers={
            "saturation_index": worst,
            "metal_sulfate_mol_per_kg": part,
            "bucket_temperature_c": case.of(BUCKET_TEMPERATURE),
        },
        do=("Pour less, use more or warmer water, or two buckets.", _JAR),
        severity=np.maximum(worst, part - 1e3),
    )


DOUBLE_SULFATE = Rule(
    name="double-sulfate",
    family="bucket",
    may_be_lowered=True,
    levels=(Level.STOP, Level.UNKNOWN),
    asks="Can a double sulfate of ammonium or potassium with magnesium, calcium or a metal settle out?",
    headline="A double salt {will} settle in the bucket and plug the suction.",
    brief="a double salt in the bucket",
    plain="Ammonium or potassium sulfate and Epsom salt share a crystal that dissolves less than either.",
    chemistry="K2Mg(SO4)2.6H2O (log K -4.328), K2Ca(SO4)2.H2O (-6.43), (NH4)2Mg(SO4)2.6H2O and (NH4)2Zn(SO4)2.6H2O "
    "from their solubility; for other metals strength decides.",
    cure="Less, warmer, or two buckets.",
    sources=(
        "pitzer.dat of PHREEQC 3.8.6",
        "from memory: Seidell, solubility of ammonium magnesium and ammonium zinc sulfate",
    ),
    turns=Turns(
        worse=(AMOUNT_FACTOR,),
        either={(BUCKET_TEMPERATURE,): "nearly all dissolve better in the warm, but some double salts"},
    ),
    needs=(("NH4+", "K+"), ("SO4-2",)),
    check=_double_sulfate,
)


RULES = (
    MORE_THAN_DISSOLVES,
    COLD_BUCKET,
    HOT_BUCKET_COOLS,
    POTASSIUM_SULFATE_SALTS_OUT,
    SALTS_OUT_TOGETHER,
    DOUBLE_SULFATE,
)
