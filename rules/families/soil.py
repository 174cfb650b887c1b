"""Rules of soil and plant: is the nutrient wanted, and is the water at the emitter fit for roots?"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from rapidfuzz import fuzz, process

from ...catalog import InputError
from ..case import Case
from ..chemistry.conductivity import ec_ms_per_cm
from ..policy import salt_limits
from ..rule import Level, Outcome, Rule, same

_MG_PER_MEQ_CHLORIDE = 35.45
#: Names of crops more alike than this are one, as strawberry and strawberries (0 to 100).
_ALIKE = 75.0


def _phosphorus(case: Case) -> Outcome | None:
    with_phosphorus = [item.product.name for item in case.poured if (item.product.percent("p2o5") or 0.0) > 0.1]
    if not with_phosphorus:
        return None
    soil, unwanted = case.question.pour.soil.phosphorus, case.question.no_phosphorus
    names = ", ".join(with_phosphorus)
    do = ("Take a feed without phosphorus: see the swap.",)
    if soil == "high":
        return Outcome(
            same(case, Level.CAUTION),
            lambda _: f"The soil has plenty of phosphorus, and {names} adds more: money spent on runoff.",
            do=do,
        )
    if soil is None and unwanted:
        return Outcome(
            same(case, Level.CAUTION),
            lambda _: f"{names} brings phosphorus; in this region none is given unless a soil test asks for it.",
            do=("Show a soil test that asks for it (--soil-phosphorus low).", *do),
        )
    if soil is None:
        return Outcome(
            same(case, Level.NOTE),
            lambda _: f"{names} brings phosphorus; whether the soil needs any is not stated.",
            do=("A soil test tells; most garden soils that were fed for years need none.", *do),
        )
    return None


def _crop_limit(case: Case) -> tuple[str, float] | None:
    """The crop and the EC [mS/cm] that it bears, where a crop is stated. Raises: InputError: a crop not in the table."""
    crop = case.question.pour.soil.crop
    if crop is None:
        return None
    table = salt_limits().crops
    found = process.extractOne(crop.strip().lower(), list(table), scorer=fuzz.ratio, score_cutoff=_ALIKE)
    if found is None:
        names = ", ".join(table)
        raise InputError(
            f'no salt limit is on record for "{crop}"', where="soil.crop", mend=f"leave it out, or write {names}"
        )
    return found[0], table[found[0]]


def _salty(case: Case) -> Outcome | None:
    line = ec_ms_per_cm(case.line.before_solids)
    own = ec_ms_per_cm(case.water_in_line.before_solids)
    some, severe = salt_limits().ec_ms_per_cm
    crop = _crop_limit(case)
    limit = severe if crop is None else max(crop[1], some)
    level = np.where(line > some, int(Level.NOTE), int(Level.NONE))
    # Beyond what the model of conductivity is good for it is salty for sure.
    level[(line > limit) | ~np.isfinite(line)] = Level.CAUTION
    if not np.any(level):
        return None

    def message(n: Mapping[str, float]) -> str:
        ec = n["line_ec_ms_per_cm"]
        shown = f"EC {ec:.2g} mS/cm" if np.isfinite(ec) else "EC beyond the model"
        if crop is not None:
            tail = f"{crop[0]} begins to lose yield at {crop[1]:g} where all of its water is like that"
        else:
            tail = f"crops are restricted slightly from {some:g}, severely from {severe:g}, where all of their water is like that"
        return f"At the emitter the feed has {shown} (the water alone {n['water_ec_ms_per_cm']:.2g}): {tail}."

    return Outcome(
        level,
        message,
        numbers={"line_ec_ms_per_cm": line, "water_ec_ms_per_cm": own, "limit_ms_per_cm": limit},
        do=("Dilute further or feed less at a time, and water with clear water in between.",),
        severity=np.where(np.isfinite(line), line, 1e3),
    )


#: Un-ionised ammonia in the line that hurts roots: some, for sure [mg/L NH3] (from memory: root damage is reported
#: from a few to some 20 mg/L in nutrient solution).
_FREE_AMMONIA_MG_PER_L = (5.0, 20.0)


def _free_ammonia(case: Case) -> Outcome | None:
    if not case.has("NH4+"):
        return None
    mixed = case.line.before_solids
    ammonia = 17_031.0 * mixed.molality[:, mixed.constants.species.index("NH3")]
    some, much = _FREE_AMMONIA_MG_PER_L
    level = np.where(ammonia > some, int(Level.NOTE), int(Level.NONE))
    level[ammonia > much] = Level.CAUTION
    if not np.any(level):
        return None
    return Outcome(
        level,
        lambda n: (
            f"{n['free_ammonia_mg_per_l']:.3g} mg/L of free ammonia at the emitter (line pH {n['line_ph']:.1f}): it burns "
            "roots and seedlings."
        ),
        numbers={"free_ammonia_mg_per_l": ammonia, "line_ph": mixed.ph},
        do=("Lower the pH or the ammonium, or take nitrate; water with clear water after it.",),
        severity=ammonia,
    )


def _unfit(case: Case) -> Outcome | None:
    """Chloride and boron at the emitter against the published classes, as far as the pour brings them."""
    limits = salt_limits()
    found: list[str] = []
    level = np.full(case.size, int(Level.NONE))
    numbers: dict[str, np.ndarray] = {}
    for species, name, values, (some, severe), unit in (
        (
            "Cl-",
            "chloride",
            case.total_mg_per_l("line", "Cl-") / _MG_PER_MEQ_CHLORIDE,
            limits.chloride_meq_per_l,
            "meq/L",
        ),
        (
            "H3BO3",
            "boron",
            case.total_mg_per_l("line", "H3BO3") * 10.81 / 61.83,
            limits.boron_mg_per_l,
            "mg/L",
        ),
    ):
        brought = case.brings(species)
        here = np.where(brought & (values > some), int(Level.NOTE), int(Level.NONE))
        here[brought & (values > severe)] = Level.CAUTION
        if np.any(here):
            found.append(
                f"{name} {float(np.max(values)):.2g} {unit} (sensitive crops from {some:g}, severe from {severe:g})"
            )
            numbers[f"line_{name}_{unit.replace('/', '_per_').lower()}"] = values
        level = np.maximum(level, here)
    if not found:
        return None
    return Outcome(
        level,
        lambda _: (
            f"At the emitter: {' and '.join(found)}. Sensitive crops (berries, beans, stone fruit, citrus) suffer."
        ),
        numbers=numbers,
        do=("Take nitrate or sulfate of potassium instead of chloride; dose boron by the crop's own recommendation.",),
    )


RULES = (
    Rule(
        name="phosphorus-where-soil-has-plenty",
        family="soil",
        levels=(Level.CAUTION, Level.NOTE),
        asks="Does the pour bring phosphorus to a soil that has plenty?",
        plain="Phosphorus stays in the soil for years. Where the test says high, more does nothing for the crop and runs off.",
        chemistry="Soil-test class, not chemistry of the pour. A region can make none the default until a soil test asks for it.",
        cure="The same nitrogen and potassium without phosphorus.",
        sources=("common practice, no source: no phosphorus where the soil test is high",),
        check=_phosphorus,
    ),
    Rule(
        name="salty-at-emitter",
        family="soil",
        levels=(Level.CAUTION, Level.NOTE),
        asks="Is the feed too salty for the crop where it drips?",
        plain="Strong feed pulls water out of roots. A short feed with clear water after it is borne better than all water so.",
        chemistry="EC of the line from its ions, against the published classes for irrigation water and the crop's threshold; "
        "urea adds no EC but turns to ammonium.",
        cure="More dilution.",
        sources=(
            "from memory: FAO Irrigation and Drainage Paper 29 rev. 1, table 1: 0.7 and 3.0 dS/m",
            "from memory: FAO 29 rev. 1, table 4, after Maas and Hoffman 1977: thresholds by crop",
        ),
        check=_salty,
    ),
    Rule(
        name="free-ammonia",
        family="soil",
        levels=(Level.CAUTION, Level.NOTE),
        asks="Is there free ammonia at the emitter?",
        plain="Ammonium is food, ammonia burns. In alkaline water some of the one is the other.",
        chemistry="NH4+ = NH3 + H+, log K -9.24 at 25 degC: un-ionised ammonia of the line from its speciation.",
        cure="Lower pH, nitrate.",
        sources=(
            "minteq.v4.dat (NIST 46)",
            "from memory: root damage reported from a few to some 20 mg/L of NH3; the limits are a design choice",
        ),
        check=_free_ammonia,
    ),
    Rule(
        name="nutrient-form-unfit",
        family="soil",
        levels=(Level.CAUTION, Level.NOTE),
        asks="Does the pour bring chloride or boron in a strength that sensitive crops do not bear?",
        plain="Potassium chloride is cheap and berries hate it; boron is needed in grams and poison in ounces.",
        chemistry="Totals of the line against the published classes of irrigation water.",
        cure="Another source of the same nutrient.",
        sources=("from memory: FAO 29 rev. 1, table 1: chloride 4 and 10 meq/L, boron 0.7 and 3.0 mg/L",),
        check=_unfit,
    ),
)
