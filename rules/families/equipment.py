"""Rules of the equipment: injector, filter, times, fittings."""

from __future__ import annotations

from collections.abc import Mapping
from math import ceil

import numpy as np

from ...catalog.quantity.table import ALKALINITY, AMOUNT_FACTOR, BUCKET_TEMPERATURE, CALCIUM, INJECTION_RATIO, PH
from ...catalog.quantity.units import L_PER_GAL
from ..ask.hydraulics import (
    FLUSH_PER_TRAVEL,
    FLUSH_VELOCITY_M_PER_S,
    RULE_OF_THUMB_MIN,
    DripSystem,
    flow_for_velocity_l_per_min,
    injection_time_min,
    laterals_flushed_at_once,
    left_in_bucket_l,
)
from ..ask.plan import Plan
from ..case.case import Case, Mask
from ..chemistry.constants import Floats
from ..judge.advice import DEFER, LEAST_MESH, STRONGEST_RATIO, WEAKEST_RATIO
from ..judge.rule import Level, Outcome, Rule, same
from ..judge.turns import SLIGHTLY, Turns

#: Share by which two times may differ and count as equal.
_ROUNDING = 1e-9


def _backflow(case: Case) -> Outcome | None:
    fitted = case.question.pour.site.backflow_preventer
    if fitted:
        return None
    do = (
        "Fit a backflow preventer, a vacuum relief and a check valve on the injection line before you inject.",
        DEFER,
    )
    if fitted is None:
        return Outcome(
            same(case, Level.NOTE),
            lambda _: "Backflow preventer? Do not inject without one.",
            do=do,
        )
    return Outcome(
        same(case, Level.STOP),
        lambda _: (
            "No backflow preventer: when pressure drops, the stock is sucked into the well or the drinking water."
        ),
        do=do,
    )


BACKFLOW_PREVENTER_MISSING = Rule(
    name="backflow-preventer-missing",
    family="equipment",
    may_be_lowered=False,
    levels=(Level.STOP, Level.NOTE),
    asks="Is the water source kept safe from the stock?",
    headline="Without a backflow preventer the feed can be sucked into the well.",
    brief="no backflow preventer",
    plain="A Venturi works both ways: when the pump stops, the line sucks the bucket into the well.",
    chemistry="Hydraulics, not chemistry: back-siphonage when supply pressure falls below the line's.",
    cure="Backflow preventer as local code says: check valve upstream, vacuum relief, low-pressure drain, injection-line "
    "check valve.",
    sources=(
        "UF/IFAS HS1306: backflow devices are required on systems with injection",
        "WAC 16-202-310 and 16-202-1014: check valve also next to a Venturi",
    ),
    check=_backflow,
)


def _minutes(time_min: float) -> str:
    """A time as it was stated or computed, to a tenth."""
    return f"{round(time_min, 1):g}"


def _at_least(time_min: float) -> str:
    """A time that is needed, rounded up, so that following it is always enough: to a minute, short ones to a tenth."""
    step = 1.0 if time_min >= 10.0 else 0.1
    return f"{round(ceil(time_min / step * (1.0 - _ROUNDING)) * step, 1):g}"


def _by(plan: Plan) -> str:
    """Where a needed time comes from."""
    if plan.travel_min is None:
        return "rule of thumb 10 to 15 min, common practice"
    how = f"{plan.basis} {plan.left_out}".strip()
    return f"travel to the last emitter {_minutes(plan.travel_min)} min, {how}"


#: Place travel takes this long, the published flush is this long at least (UF/IFAS HS1306, citrus).
LONG_TRAVEL_MIN, LONG_FLUSH_MIN = 20.0, 30.0


def _fill(case: Case) -> Outcome | None:
    plan = case.question.plan
    stated = plan.stated.fill_min
    needed = RULE_OF_THUMB_MIN if plan.travel_min is None else plan.travel_min
    do = ("Bring the drip up to pressure with clear water until the last emitter runs, then inject.",)
    if stated is None:
        if plan.travel_min is None:
            return None
        return Outcome(
            same(case, Level.NOTE),
            lambda n: f"Fill the drip with clear water for {_at_least(n['needed_min'])} min first ({_by(plan)}).",
            numbers={"needed_min": needed},
            do=do,
        )
    if stated >= needed * (1.0 - _ROUNDING):
        return None
    return Outcome(
        same(case, Level.CAUTION),
        lambda n: (
            f"Filled for {_minutes(n['fill_min'])} min, {_at_least(n['needed_min'])} needed ({_by(plan)}): the first "
            "emitters get more feed than the last."
        ),
        numbers={"fill_min": stated, "needed_min": needed},
        do=do,
    )


FILL_TOO_SHORT = Rule(
    name="fill-too-short",
    family="equipment",
    may_be_lowered=True,
    levels=(Level.CAUTION, Level.NOTE),
    asks="Is the drip full and at pressure before the stock goes in?",
    headline="The drip is not full when the feed goes in: far plants get less.",
    brief="too short a fill",
    plain="Stock that is injected into an empty line reaches the near emitters first and long, the far ones late and short.",
    chemistry="Hydraulics: travel time to the last emitter, plug flow, uniform outflow: the sum over the segments of volume "
    "over the flow that is left, and the main before it as if it carried all the flow to its end. Without the drip's sizes the "
    "rule of thumb counts.",
    cure="Clear water until the last emitter runs.",
    sources=(
        "common practice, no source: 10 to 15 min",
        "UF/IFAS HS1306, citrus fertigation: travel 20 to 30 min in most systems; fill to pressure first",
    ),
    check=_fill,
)


def _flush(case: Case) -> Outcome | None:
    plan = case.question.plan
    stated = plan.stated.flush_min
    needed = RULE_OF_THUMB_MIN if plan.travel_min is None else FLUSH_PER_TRAVEL * plan.travel_min
    if plan.travel_min is not None and plan.travel_min >= LONG_TRAVEL_MIN:
        needed = max(needed, LONG_FLUSH_MIN)
    do = ["Run clear water until the last emitter is clear of feed (EC meter or dye tells)."]
    if plan.system is not None:
        do.append(_ends(plan.system, plan.drip_flow_l_per_min))
    if stated is None:
        if plan.travel_min is None:
            return None
        return Outcome(
            same(case, Level.NOTE),
            lambda n: f"Flush with clear water for at least {_at_least(n['needed_min'])} min after it ({_by(plan)}).",
            numbers={"needed_min": needed},
            do=tuple(do),
        )
    if stated >= needed * (1.0 - _ROUNDING):
        return None
    return Outcome(
        same(case, Level.CAUTION),
        lambda n: (
            f"Flushed for {_minutes(n['flush_min'])} min, {_at_least(n['needed_min'])} needed ({_by(plan)}): feed is left "
            "in the line, and the last emitters get less of it."
        ),
        numbers={"flush_min": stated, "needed_min": needed},
        do=tuple(do),
    )


FLUSH_TOO_SHORT = Rule(
    name="flush-too-short",
    family="equipment",
    may_be_lowered=True,
    levels=(Level.CAUTION, Level.NOTE),
    asks="Is the stock flushed out of the last emitter?",
    headline="The flush is too short: feed {will} be left in the last emitters.",
    brief="too short a flush",
    plain="What stays in the line dries in the emitters, feeds slime, and is missing at the far end.",
    chemistry="Hydraulics: clear water has to travel as long as the stock did, and a tenth more for mixing. Ends flush at "
    "0.3 m/s (1 ft/s), the emitters of the open lateral dripping on.",
    cure="Clear water for longer than the travel time.",
    sources=(
        "common practice, no source: 10 to 15 min",
        "UF/IFAS HS1306: at least 30 min where travel is 20 to 30 min",
        "University of California, Maintenance of Microirrigation Systems: 1 ft/s at the open end",
        "New England Vegetable Guide: feed left in lines leads to solids and slime",
    ),
    check=_flush,
)


def _ends(system: DripSystem, drip_flow_l_per_min: float | None) -> str:
    """How to flush the ends of the laterals."""
    end_l_per_min = flow_for_velocity_l_per_min(FLUSH_VELOCITY_M_PER_S, system.lateral.inside_diameter_m)
    said = (
        "To flush the ends themselves, open them a few at a time: "
        f"{end_l_per_min / L_PER_GAL:.2g} gal/min out of each end makes 1 ft/s"
    )
    if drip_flow_l_per_min is None:
        return f"{said}."
    own = f"the drip's own {drip_flow_l_per_min / L_PER_GAL:.2g} gal/min"
    count = laterals_flushed_at_once(system, drip_flow_l_per_min)
    if count == 0:
        return f"{said}; {own} is too little for a single one, the source has to give more."
    return f"{said}; with {own} that is {count} lateral{'' if count == 1 else 's'} at a time, the others shut."


#: Share of a bucket that may be left in it, and share of the injection by which it may be empty too early, before
#: something is said; share by which a stated flow may differ from the sum of the emitters (design choices).
_LEFT, _EMPTY_EARLY, _FLOWS_AGREE = 0.05, 0.20, 0.30


def _set_to(case: Case) -> float | None:
    """The ratio that the injector is set to; None where it is measured, a range already, or not stated."""
    injection = case.question.pour.injection
    return injection.ratio.low if injection.ratio is not None and injection.off_by is not None else None


def _off_share(case: Case) -> float:
    """Share by which the swept ratio is off what the injector is set to, at most; 0 where that was measured."""
    error = case.question.pour.injection.off_by
    return 0.0 if error is None else error.within_share


def _suction_l_per_min(case: Case) -> Floats | None:
    """What the injector draws, (B,) [L/min]; None where it does not follow from what is stated.

    Stated rates that are ranges go along with the ratio that they make. Of the drip's own flow, which holds the stock
    too, 1 part in 1 + ratio is stock.
    """
    plan = case.question.plan
    if plan.suction_l_per_min is not None and plan.flow_l_per_min is not None:
        return np.clip(0.5 * sum(plan.flow_l_per_min) / case.injection_ratio, *plan.suction_l_per_min)
    if plan.drip_flow_l_per_min is None:
        return None
    return plan.drip_flow_l_per_min / (1.0 + case.injection_ratio)


def _flows_differ(plan: Plan) -> str:
    """That the stated flow is not what the emitters put out, in words; "" where it is or is not known."""
    own, water, drawn = plan.drip_flow_l_per_min, plan.flow_l_per_min, plan.suction_l_per_min
    if own is None or water is None or drawn is None:
        return ""
    least, most = water[0] + drawn[0], water[1] + drawn[1]
    if least <= (1.0 + _FLOWS_AGREE) * own and most >= (1.0 - _FLOWS_AGREE) * own:
        return ""
    return (
        f"The stated flow of {0.5 * sum(water) / L_PER_GAL:.2g} gal/min is not the drip's own: its emitters put out "
        f"{own / L_PER_GAL:.2g} gal/min by what is said of them."
    )


def _fits(case: Case) -> Outcome | None:
    """Bucket, suction and time of injection against each other, and the stated flow against the drip's."""
    plan = case.question.plan
    inject, travel = plan.stated.inject_min, plan.travel_min
    suction = _suction_l_per_min(case)
    if suction is None:
        return None
    bucket_l = case.bucket_volume_l
    takes = injection_time_min(bucket_l, suction)
    numbers: dict[str, Floats | float] = {"empties_in_min": takes, "suction_l_per_min": suction, "bucket_l": bucket_l}
    lasts, stays, early = takes, np.zeros(case.size, dtype=bool), np.zeros(case.size, dtype=bool)
    severity = -takes
    # A setting that is off is no fault of the time: what counts is the bucket at the ratio that it says.
    most_left = 1.0 - (1.0 - _LEFT) / (1.0 + _off_share(case))
    early_share = (1.0 - _EMPTY_EARLY) * (1.0 - _off_share(case))
    if inject is not None:
        left = left_in_bucket_l(bucket_l, suction, inject)
        numbers["left_l"] = left
        stays = left > most_left * bucket_l
        early = takes < early_share * inject
        lasts = np.minimum(takes, inject)
        severity = np.where(stays, left / bucket_l, -lasts)
    short = np.zeros(case.size, dtype=bool) if travel is None else lasts < travel * (1.0 - _ROUNDING)
    numbers["feed_min"] = lasts
    differ = _flows_differ(plan)
    level = np.full(case.size, int(Level.NOTE if inject is None or differ else Level.NONE))
    level[early] = Level.NOTE
    # Where the travel time was computed from the emitters, another flow makes it another time.
    level[stays | short | (bool(differ) and plan.basis == "computed")] = Level.CAUTION
    if not level.any():
        return None
    ratio = case.injection_ratio
    at = "" if case.question.stated(INJECTION_RATIO) else f", at 1:{ratio.min():.0f} to 1:{ratio.max():.0f}"
    ends = _minutes(float(takes.min())), _minutes(float(takes.max()))
    emptying = f"{ends[0]} min" if ends[0] == ends[1] else f"{ends[0]} to {ends[1]} min"

    def message(n: Mapping[str, float]) -> str:
        takes_min, left_share = n["empties_in_min"], n.get("left_l", 0.0) / n["bucket_l"]
        too_short = travel is not None and n["feed_min"] < travel * (1.0 - _ROUNDING)
        said = []
        if inject is None:
            said.append(f"The injector takes {emptying} to empty the bucket{at}.")
            if not too_short:
                said.append("Irrigate at least so long, and flush after.")
        elif left_share > most_left:
            said.append(
                f"In {_minutes(inject)} min the injector draws {100 * (1 - left_share):.0f} % of the bucket; emptying it takes "
                f"{_minutes(takes_min)} min."
            )
        elif takes_min < early_share * inject:
            said.append(
                f"The bucket is empty after {_minutes(takes_min)} of the {_minutes(inject)} min: from then on the "
                "injector draws air."
            )
        if too_short and travel is not None:
            said.append(
                f"Feed goes in for {_minutes(n['feed_min'])} min and the last emitter is {_minutes(travel)} min away: the "
                "far ones get their share only if all of it is flushed out."
            )
        return " ".join([*said, differ]).strip()

    do = []
    if stays.any():
        do.append("Inject longer, take a stronger setting, or mix a smaller bucket.")
    if travel is not None and short.any():
        do.append(
            "Take more water in the bucket, or a weaker setting, so that it runs longer."
            if (takes < travel).any()
            else "Inject until the bucket is empty."
        )
    if early.any():
        do.append("Stop the injector when the bucket is empty, and flush from then on.")
    if differ:
        do.append(
            "Read the flow off a water meter while the drip runs alone; count laterals and emitters; look for leaks and "
            "clogged emitters."
        )
    return Outcome(level, message, numbers=numbers, do=tuple(do), severity=severity)


INJECTION_DOES_NOT_FIT = Rule(
    name="injection-does-not-fit",
    family="equipment",
    may_be_lowered=True,
    levels=(Level.CAUTION, Level.NOTE),
    asks="Do bucket, suction and time of injection fit each other?",
    headline="Bucket, injector and injection time do not fit each other.",
    brief="an injection time that does not fit",
    plain="A bucket that is empty after five minutes reaches the far emitters only if all of it is flushed out; one that "
    "takes two hours outlasts the irrigation; one that is empty early lets air in.",
    chemistry="Hydraulics: volume over suction; suction is the flow of the water over the ratio. In plug flow every emitter "
    "gets the same feed once all of it is flushed out; an injection shorter than the travel time depends on that flush. A "
    "stated flow more than 30 % off the sum of the emitters (design choice) makes the computed travel time doubtful.",
    cure="More or less water in the bucket, another setting, a measured flow.",
    sources=(
        "UF/IFAS HS1306: inject at least 30 to 45 min where travel is 20 to 30 min",
        "vineyard fertigation chapter: Venturi suction depends on the pressure difference",
    ),
    turns=Turns(
        either={
            (INJECTION_RATIO,): "a weaker setting makes the bucket last longer, and leaves more of it",
            (AMOUNT_FACTOR,): "what is added to water makes more of it",
        }
    ),
    check=_fits,
)


def _reach(case: Case) -> Outcome | None:
    ratio = case.injection_ratio
    # What the injector is set to has to be within reach, not the scenarios about it.
    off = _off_share(case) + _ROUNDING
    strong, weak = ratio < STRONGEST_RATIO * (1.0 - off), ratio > WEAKEST_RATIO * (1.0 + off)
    level = np.where(strong | weak, int(Level.CAUTION), int(Level.NONE))
    if not level.any():
        return None
    set_to = _set_to(case)

    def message(n: Mapping[str, float]) -> str:
        found = n["injection_ratio"]
        shown = found if set_to is None else set_to
        return (
            f"A ratio of 1:{shown:.{'3g' if shown < 100.0 else '0f'}} is "
            f"{'stronger' if found < STRONGEST_RATIO else 'weaker'} than most small injectors reach (1:10 to 1:1000)."
        )

    return Outcome(
        level,
        message,
        numbers={"injection_ratio": ratio},
        do=("Measure what the injector draws, with a measured gallon and a watch.",),
        severity=np.maximum(ratio / WEAKEST_RATIO, STRONGEST_RATIO / ratio),
    )


RATIO_OUT_OF_REACH = Rule(
    name="ratio-out-of-reach",
    family="equipment",
    may_be_lowered=True,
    levels=(Level.CAUTION,),
    asks="Can a small injector hold this ratio?",
    headline="Most small injectors cannot hold this ratio.",
    brief="a ratio few injectors hold",
    plain="Most small injectors work between 1:10 and 1:1000; outside that, the setting does not tell what it does.",
    chemistry="Hydraulics: suction starts at a pressure loss of some 20 %, and falls off at both ends.",
    cure="A measured ratio.",
    sources=(
        "common practice, no source",
        "from memory: UF/IFAS CIR864 and makers' curves: 10 to 30 % pressure loss",
    ),
    turns=Turns(either={(INJECTION_RATIO,): "too strong below, too weak above"}),
    check=_reach,
)


def _filter(case: Case) -> Outcome | None:
    site = case.question.pour.site
    do = (f"Fit a screen or disc filter of {LEAST_MESH} to 200 mesh after the injector, as the emitter's maker says.",)
    if site.filter is False:
        return Outcome(
            same(case, Level.CAUTION),
            lambda _: "No filter after the injector: what does not dissolve goes straight to the emitters.",
            do=do,
        )
    if site.filter_mesh is not None and site.filter_mesh < LEAST_MESH:
        return Outcome(
            same(case, Level.CAUTION),
            lambda n: f"A filter of {n['mesh']:.0f} mesh is coarse for drip (120 to 200 mesh is usual).",
            numbers={"mesh": float(site.filter_mesh)},
            do=do,
        )
    return None


FILTER_MISSING = Rule(
    name="filter-missing",
    family="equipment",
    may_be_lowered=True,
    levels=(Level.CAUTION,),
    asks="Is there a filter fine enough after the injector?",
    headline="Without a fine filter dirt from the bucket {will} block emitters.",
    brief="no fine filter",
    plain="Bucket dirt, coating and undissolved grains go where the water goes.",
    chemistry="Emitter paths are 0.5 to 1.5 mm; a filter holds back what is a sixth to a tenth of that, 120 to 200 mesh.",
    cure="A filter after the injector.",
    sources=("common practice, no source: 120 to 200 mesh for drip, as the emitter's maker says",),
    check=_filter,
)


#: Fittings that a feed attacks: what it is called, the species that it takes together -> fittings, and what happens.
_ATTACKS: tuple[tuple[str, tuple[str, ...], frozenset[str], str], ...] = (
    ("ammonium", ("NH4+",), frozenset({"copper", "brass", "bronze", "galvanized"}), "corrodes"),
    ("chloride", ("Cl-",), frozenset({"aluminum", "galvanized", "steel", "stainless"}), "pits"),
    ("nitrate with ammonium", ("NO3-", "NH4+"), frozenset({"steel"}), "cracks"),
    ("copper", ("Cu+2",), frozenset({"aluminum", "galvanized", "steel"}), "plates out on and corrodes"),
)
_ACID_CORRODES = frozenset({"galvanized", "steel", "aluminum", "brass", "copper", "bronze", "concrete"})
_ALKALI_CORRODES = frozenset({"aluminum", "galvanized", "brass"})


#: Weaker than this the stock is hardly worse than water [mol/kg] (design choice).
_ATTACKS_FROM = {"NH4+": 0.1, "Cl-": 0.1, "NO3-": 0.1, "Cu+2": 1e-3}


def _corrodes(case: Case) -> Outcome | None:
    fittings = set(case.question.pour.site.fittings or ())
    metals = fittings - {"plastic"}
    if not metals:
        return None
    found: list[tuple[Mask, str]] = []
    level = np.full(case.size, int(Level.NONE))
    ph = case.bucket.before_solids.ph
    for mask, what, eaten, verb in (
        (ph < 4.0, "acid stock", _ACID_CORRODES, "corrodes"),
        (ph > 10.0, "alkaline stock", _ALKALI_CORRODES, "corrodes"),
        *(
            (
                np.all([case.in_bucket_mol_per_kg(name) > _ATTACKS_FROM[name] for name in species], axis=0),
                what,
                eaten,
                verb,
            )
            for what, species, eaten, verb in _ATTACKS
        ),
    ):
        hit = sorted(metals & eaten)
        if hit and mask.any():
            level[mask] = Level.CAUTION
            found.append((mask, f"{what} {verb} {' and '.join(hit)}"))
    if not found:
        return None

    def message(n: Mapping[str, float]) -> str:
        said = "; ".join(words for mask, words in found if mask[int(n["row"])])
        return f"Fittings at the injector (bucket pH {n['bucket_ph']:.1f}): {said}."

    return Outcome(
        level,
        message,
        numbers={"bucket_ph": ph},
        do=(
            "Plastic (PVC, polyethylene) where the stock runs undiluted, or 316 stainless where it holds no chloride; rinse "
            "after use.",
            DEFER,
        ),
    )


CORRODES_METAL = Rule(
    name="corrodes-metal",
    family="equipment",
    may_be_lowered=True,
    levels=(Level.CAUTION,),
    asks="Does the stock corrode a metal that it runs through?",
    headline="The stock {will} corrode metal that it runs through.",
    brief="corroded metal",
    plain="Ammonium corrodes brass and copper, acid corrodes galvanized iron, chloride pits stainless steel.",
    chemistry="Ammine complexes of copper and zinc; pH of the bucket below 4 or above 10; chloride pitting; copper plates out "
    "on baser metals. Rates depend on time and strength: a presence rule.",
    cure="Plastic fittings, rinsed.",
    sources=(
        "from memory: fluid fertilizer handling guides: UAN and ammonium nitrate attack copper, brass and zinc; acids attack "
        "mild steel, galvanized steel and concrete; chlorides pit stainless steel",
    ),
    turns=Turns(
        worse=(AMOUNT_FACTOR,),
        either={
            (ALKALINITY, PH): "against acid it helps, alkali corrodes as well",
            (CALCIUM, BUCKET_TEMPERATURE): SLIGHTLY,
        },
    ),
    check=_corrodes,
)


RULES = (
    BACKFLOW_PREVENTER_MISSING,
    FILL_TOO_SHORT,
    FLUSH_TOO_SHORT,
    INJECTION_DOES_NOT_FIT,
    RATIO_OUT_OF_REACH,
    FILTER_MISSING,
    CORRODES_METAL,
)
