"""Rules of the bucket that go by solubility: what stays on the bottom."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ...catalog.species import formula_share
from ..case import Case
from ..chemistry.constants import Floats
from ..rule import Level, Outcome, Rule

#: A salt sold as fully soluble but without a curve is let pass up to this strength [g/kg water];
#: writers ask for ten times this of a drip fertilizer (Spanish agronomy page: 100 g/L).
UNLISTED_G_PER_KG = 10.0
_HANDBOOK = "solubility curves of the materials (each point with its source in the catalog)"


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
    # Salt and urea lower the freezing point by 1.86 degC per mole of particles in a kg (textbook value).
    freezing_c = -1.86 * np.sum(case.bucket.before_solids.molality, axis=1)
    freezes = (case.cooled_c < freezing_c) & (case.cooling_c > 3.0)
    level[(cold > 0.8) | freezes] = np.maximum(level[(cold > 0.8) | freezes], int(Level.CAUTION))
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
        if set(ions) == {"Ca+2", "SO4-2"}:
            continue  # gypsum is computed, by calcium-meets-sulfate
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
)
