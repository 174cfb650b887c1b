"""Rules of soil and plant: is the nutrient wanted, and is the water at the emitter fit for roots?"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache, partial

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
from ..chemistry.conductivity import ec_ms_per_cm
from ..chemistry.constants import Floats
from ..judge.advice import DEFER
from ..judge.rule import Later, Level, Outcome, Rule, same
from ..judge.turns import BUFFERS, SLIGHTLY, Turns
from ..policy import salt_limits

#: Names of crops more alike than this are one, as strawberry and strawberries (0 to 100).
_ALIKE = 77.0


def _phosphorus(case: Case) -> Outcome | None:
    with_phosphorus = [item.product.name for item in case.poured if (item.product.percent("p2o5") or 0.0) > 0.1]
    if not with_phosphorus:
        return None
    soil, unwanted = case.question.pour.soil.phosphorus, case.question.region.no_phosphorus
    names = ", ".join(with_phosphorus)
    do = ("Take a feed without phosphorus: see the swap.",)
    if soil == "high":
        return Outcome(
            same(case, Level.CAUTION),
            lambda _: f"The soil has plenty of phosphorus, and {names} adds more: the phosphorus only runs off.",
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


PHOSPHORUS_NOT_NEEDED = Rule(
    name="phosphorus-not-needed",
    family="soil",
    may_be_lowered=True,
    swap_helps=True,
    levels=(Level.CAUTION, Level.NOTE),
    asks="Does the pour bring phosphorus that the soil does not need?",
    headline="The phosphorus is not needed here; it only runs off.",
    brief="phosphorus that is not needed",
    plain="Phosphorus stays in the soil for years. Where the test says high, more does nothing for the crop and runs off.",
    chemistry="Soil-test class, not chemistry of the pour. A region can make none the default until a soil test asks for it.",
    cure="The same nitrogen and potassium without phosphorus.",
    sources=("common practice, no source: no phosphorus where the soil test is high",),
    check=_phosphorus,
)


def _crop_limit(case: Case) -> tuple[str, float] | None:
    """The crop and the EC [mS/cm] that it bears, where a crop is stated that is on record."""
    crop = case.question.pour.soil.crop
    if crop is None:
        return None
    table = salt_limits().crops
    words = crop.strip().lower()
    for name in (words, words.split()[-1] if words else ""):
        from rapidfuzz import fuzz, process

        found = process.extractOne(name, list(table), scorer=fuzz.ratio, score_cutoff=_ALIKE)
        if found is not None:
            return found[0], table[found[0]]
    return None


def _salty(case: Case) -> Outcome | None:
    line = ec_ms_per_cm(case.line.before_solids)
    some, severe = salt_limits().ec_ms_per_cm
    crop = _crop_limit(case)
    limit = severe if crop is None else max(crop[1], some)
    level = np.where(line > some, int(Level.NOTE), int(Level.NONE))
    # Beyond what the model of conductivity is good for it is salty for sure.
    level[(line > limit) | ~np.isfinite(line)] = Level.CAUTION
    if not level.any():
        return None

    def message(n: Mapping[str, float]) -> str:
        ec = n["line_ec_ms_per_cm"]
        shown = f"EC {ec:.2g} mS/cm" if np.isfinite(ec) else "EC beyond the model"
        if crop is not None:
            tail = f"{crop[0]} begins to lose yield at {crop[1]:g} where all of its water is like that"
        else:
            own_crop = case.question.pour.soil.crop
            start = f"no limit is on record for {own_crop}; " if own_crop else ""
            tail = (
                f"{start}if all irrigation water were like this, yield would suffer slightly from {some:g} and severely "
                f"from {severe:g}"
            )
        return f"At the emitter the feed has {shown} (the water alone {n['water_ec_ms_per_cm']:.2g}): {tail}."

    return Outcome(
        level,
        message,
        numbers=Later(
            lambda: {
                "line_ec_ms_per_cm": line,
                "water_ec_ms_per_cm": ec_ms_per_cm(case.water_in_line.before_solids),
                "limit_ms_per_cm": limit,
            }
        ),
        do=("Dilute further or feed less at a time, and water with clear water in between.",),
        severity=np.where(np.isfinite(line), line, 1e3),
    )


SALTY_AT_EMITTER = Rule(
    name="salty-at-emitter",
    family="soil",
    may_be_lowered=True,
    levels=(Level.CAUTION, Level.NOTE),
    asks="Is the feed too salty for the crop where it drips?",
    headline="The feed {will} be salty enough to hurt crops where it drips.",
    brief="salty feed at the emitter",
    plain="Strong feed pulls water out of roots. Crops stand a short strong feed with clear water after it better "
    "than salty water all season.",
    chemistry="EC of the line from its ions, against the published classes for irrigation water and the crop's threshold; "
    "urea adds no EC but turns to ammonium.",
    cure="More dilution.",
    sources=(
        "from memory: FAO Irrigation and Drainage Paper 29 rev. 1, table 1: 0.7 and 3.0 dS/m",
        "from memory: FAO 29 rev. 1, table 4, after Maas and Hoffman 1977: thresholds by crop",
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
            ): "what it takes to neutral pairs or gas no longer conducts"
        },
    ),
    check=_salty,
)


#: Un-ionized ammonia in the line that hurts roots: some, for sure [mg/L NH3] (from memory: root damage is reported
#: from a few to some 20 mg/L in nutrient solution).
_FREE_AMMONIA_MG_PER_L = (5.0, 20.0)


def _free_ammonia(case: Case) -> Outcome | None:
    mixed = case.line.before_solids
    ammonia = 17_031.0 * mixed.molality[:, mixed.constants.species.index("NH3")]
    some, much = _FREE_AMMONIA_MG_PER_L
    level = np.where(case.brings("NH4+") & (ammonia > some), int(Level.NOTE), int(Level.NONE))
    level[case.brings("NH4+") & (ammonia > much)] = Level.CAUTION
    if not level.any():
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


FREE_AMMONIA = Rule(
    name="free-ammonia",
    family="soil",
    may_be_lowered=False,
    levels=(Level.CAUTION, Level.NOTE),
    asks="Is there free ammonia at the emitter?",
    headline="Free ammonia {will} burn roots at the emitter.",
    brief="free ammonia at the roots",
    plain="Ammonium is food, ammonia burns. In alkaline water part of the ammonium is ammonia.",
    chemistry="NH4+ = NH3 + H+, log K -9.24 at 25 degC: un-ionized ammonia of the line from its speciation.",
    cure="Lower pH, nitrate.",
    sources=(
        "minteq.v4.dat (NIST 46)",
        "from memory: root damage reported from a few to some 20 mg/L of NH3; the limits are a design choice",
    ),
    turns=Turns(
        worse=(AMOUNT_FACTOR, PH, LINE_TEMPERATURE, BUCKET_TEMPERATURE),
        better=(INJECTION_RATIO,),
        either={(ALKALINITY,): BUFFERS, (CALCIUM,): SLIGHTLY},
    ),
    needs=(("NH4+",),),
    check=_free_ammonia,
)


#: Chlorine that roots bear all the time, that burns them, and that is used to clean lines without a crop on [mg/L]:
#: 1 at the far end continuously, 200 to 500 to stand overnight (UF/IFAS citrus microirrigation appendix, read).
_CHLORINE_BEARS, _CHLORINE_BURNS, _CHLORINE_CLEANS = 1.0, 50.0, 500.0


def _chlorine(case: Case) -> Outcome | None:
    there = case.brings("OCl-")
    if not there.any():
        return None
    chlorine = case.total_mg_per_l("line", "OCl-") * 70.90 / 51.45
    fed = len(case.poured) > 1
    level = np.where(there & (chlorine > _CHLORINE_BEARS), int(Level.CAUTION), int(Level.NONE))
    level[there & (chlorine > (_CHLORINE_BURNS if fed else _CHLORINE_CLEANS))] = Level.STOP
    if not level.any():
        return None
    return Outcome(
        level,
        lambda n: (
            f"{n['line_chlorine_mg_per_l']:.3g} mg/L of chlorine in the line: 1 at the far end is what a crop bears; more is a "
            "treatment that stands in the line and is flushed out before watering."
        ),
        numbers={"line_chlorine_mg_per_l": chlorine},
        do=("Dose it as the drip's and the product's label say, with no crop watered, and flush.", DEFER),
        severity=chlorine,
    )


CHLORINE_AT_EMITTER = Rule(
    name="chlorine-at-emitter",
    family="soil",
    may_be_lowered=False,
    levels=(Level.STOP, Level.CAUTION),
    asks="Does so much chlorine reach the crop that it burns roots?",
    headline="Chlorine {will} reach the crop and burn its roots.",
    brief="chlorine at the roots",
    plain="Bleach cleans lines while nothing is watered. What drips at a crop burns its roots.",
    chemistry="Hypochlorite of the line as Cl2. 1 mg/L at the far end is used continuously, 200 to 500 stand overnight and are "
    "flushed. With feed in the same bucket it is a stop from 50 mg/L.",
    cure="A treatment of its own, flushed.",
    sources=(
        "UF/IFAS citrus microirrigation appendix: 1 mg/L continuous, 200 to 500 superchlorination, at the far end",
        "handbook of hazards: chlorine treatment is run as its own cycle, not with feed: root damage; 50 mg/L: design choice",
    ),
    turns=Turns(worse=(AMOUNT_FACTOR,), better=(INJECTION_RATIO,)),
    needs=(("OCl-",),),
    check=_chlorine,
)


@dataclass(frozen=True)
class _Sensitive:
    """What sensitive crops do not bear: slight from, severe from, and what to do. species: that bring it; values: of the
    line, in the unit."""

    species: tuple[str, ...]
    spoken: str
    unit: str
    some: float
    severe: float
    do: str
    values: Callable[[Case], Floats]


#: Nitrogen of a feed [mg/L]: crops fed all the time get up to the first, seedlings and salt-sensitive ones are burned
#: from the second (common practice, no source: greenhouse feeds are 50 to 250); mass of N in a mass of each species.
_NITROGEN_MG_PER_L = (250.0, 500.0)
_NITROGEN_SHARE = {"NO3-": 14.007 / 62.004, "NH4+": 14.007 / 18.039, "urea": 28.014 / 60.056}
#: Limits of trace metals are for water that is given for years; ten times as much is called severe here.
_METAL_TIMES = 10.0
#: mg in a milliequivalent; sodium below the second number is no matter, whatever its ratio.
_MG_PER_MEQ = {"Cl-": 35.45, "Na+": 22.99, "Ca+2": 20.04, "Mg+2": 12.15}
_LEAST_SODIUM_MEQ_PER_L = 3.0


def _nitrogen(case: Case) -> Floats:
    parts = [case.total_mg_per_l("line", name) * share for name, share in _NITROGEN_SHARE.items()]
    return np.asarray(np.add.reduce(parts))


def _meq_per_l(case: Case, ion: str) -> Floats:
    return case.total_mg_per_l("line", ion) / _MG_PER_MEQ[ion]


def _sodium_ratio(case: Case) -> Floats:
    sodium, hard = _meq_per_l(case, "Na+"), np.maximum(_meq_per_l(case, "Ca+2") + _meq_per_l(case, "Mg+2"), 0.1)
    return np.where(sodium > _LEAST_SODIUM_MEQ_PER_L, sodium / np.sqrt(hard / 2.0), 0.0)


def _boron(case: Case) -> Floats:
    return np.asarray(case.total_mg_per_l("line", "H3BO3") * 10.81 / 61.83)


@cache
def _sensitive() -> tuple[_Sensitive, ...]:
    """Chloride, sodium, boron and trace metals by published classes, and nitrogen."""
    limits = salt_limits()
    metals = (("Zn+2", "zinc", limits.zinc_mg_per_l), ("Cu+2", "copper", limits.copper_mg_per_l))
    return (
        _Sensitive(
            tuple(_NITROGEN_SHARE),
            "nitrogen",
            "mg/L",
            *_NITROGEN_MG_PER_L,
            "Dilute further, or feed less.",
            _nitrogen,
        ),
        _Sensitive(
            ("Cl-",),
            "chloride",
            "meq/L",
            *limits.chloride_meq_per_l,
            "Take a nutrient without chloride.",
            lambda case: _meq_per_l(case, "Cl-"),
        ),
        _Sensitive(
            ("Na+",),
            "sodium",
            "SAR",
            *limits.sodium_sar,
            "Take a nutrient without sodium, or add calcium.",
            _sodium_ratio,
        ),
        _Sensitive(
            ("H3BO3",),
            "boron",
            "mg/L",
            *limits.boron_mg_per_l,
            "Dose boron by the crop's own recommendation.",
            _boron,
        ),
        *(
            _Sensitive(
                (species,),
                name,
                "mg/L",
                limit,
                _METAL_TIMES * limit,
                f"Dose {name} by leaf or soil test.",
                partial(Case.total_mg_per_l, where="line", species=species),
            )
            for species, name, limit in metals
        ),
    )


def _unfit(case: Case) -> Outcome | None:
    """Nitrogen, chloride, sodium, boron and trace metals at the emitter, as far as the pour brings them."""
    found: list[_Sensitive] = []
    level, severity = np.full(case.size, int(Level.NONE)), np.zeros(case.size)
    numbers: dict[str, Floats | float] = {}
    for entry in _sensitive():
        if case.question.brought.isdisjoint(entry.species):
            continue
        brought, values = case.brings(*entry.species), entry.values(case)
        here = np.where(brought & (values > entry.some), int(Level.NOTE), int(Level.NONE))
        here[brought & (values > entry.severe)] = Level.CAUTION
        if here.any():
            found.append(entry)
            numbers[_key(entry)] = np.where(here > Level.NONE, values, np.nan)
        level, severity = np.maximum(level, here), np.fmax(severity, brought * values / entry.severe)
    if not found:
        return None

    def message(n: Mapping[str, float]) -> str:
        parts = [
            f"{e.spoken} {n[_key(e)]:.2g} {e.unit} (sensitive crops from {e.some:g}, severe from {e.severe:g})"
            for e in found
            if np.isfinite(n[_key(e)])
        ]
        return f"At the emitter: {' and '.join(parts)}; the classes are for crops that get all of their water so."

    return Outcome(level, message, numbers=numbers, do=tuple(entry.do for entry in found), severity=severity)


NUTRIENT_FORM_UNFIT = Rule(
    name="nutrient-form-unfit",
    family="soil",
    may_be_lowered=True,
    levels=(Level.CAUTION, Level.NOTE),
    asks="Does the pour bring nitrogen, chloride, sodium, boron, zinc or copper in a strength that hurts crops?",
    headline="So much nitrogen, chloride, sodium, boron or metal {will} hurt crops.",
    brief="more of a nutrient than crops bear",
    plain="Potassium chloride is cheap and berries hate it; sodium seals the soil; boron, zinc and copper are needed in "
    "grams and poison in ounces.",
    chemistry="Totals of the line against the published classes of irrigation water; sodium as its adsorption ratio; trace "
    "metals against the limits for water that is given for years, ten times as much counts as severe.",
    cure="Another source of the same nutrient.",
    sources=(
        "from memory: FAO 29 rev. 1, table 1: chloride 4 and 10 meq/L, boron 0.7 and 3.0 mg/L, sodium adsorption ratio 3 and 9",
        "common practice, no source: feeds of 50 to 250 mg/L nitrogen; FAO 29 rev. 1, table 1, holds nitrate of the water "
        "against 5 and 30 mg/L for crops that nitrogen spoils (read as PMC9128324)",
        "from memory: FAO 29 rev. 1, table 21: zinc 2.0, copper 0.2 mg/L; ten times: design choice",
    ),
    turns=Turns(
        better=(CALCIUM,),
        either={
            (AMOUNT_FACTOR, INJECTION_RATIO): "sodium counts against calcium and magnesium, which a feed brings too"
        },
    ),
    needs=((*_NITROGEN_SHARE, "Cl-", "Na+", "H3BO3", "Zn+2", "Cu+2"),),
    check=_unfit,
)


def _key(entry: _Sensitive) -> str:
    unit = {"meq/L": "meq_per_l", "mg/L": "mg_per_l", "SAR": "adsorption_ratio"}[entry.unit]
    return f"line_{entry.spoken}_{unit}"


RULES = (
    PHOSPHORUS_NOT_NEEDED,
    SALTY_AT_EMITTER,
    CHLORINE_AT_EMITTER,
    FREE_AMMONIA,
    NUTRIENT_FORM_UNFIT,
)
