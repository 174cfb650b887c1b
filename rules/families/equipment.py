"""Rules of the equipment: injector, filter, times, fittings."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ..case import Case
from ..hydraulics import (
    FLUSH_PER_TRAVEL,
    FLUSH_VELOCITY_M_PER_S,
    RULE_OF_THUMB,
    flow_for_velocity_l_per_min,
    injection_time_min,
    left_in_bucket_l,
)
from ..irrigation import Plan
from ..rule import Level, Outcome, Rule, same
from .advice import DEFER

L_PER_GAL = 3.785411784


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
            lambda _: "Backflow preventer not stated: do not inject without one.",
            do=do,
        )
    return Outcome(
        same(case, Level.STOP),
        lambda _: (
            "No backflow preventer: when pressure drops, the stock is sucked into the well or the drinking water."
        ),
        do=do,
    )


def _by(plan: Plan) -> str:
    """Where a needed time comes from."""
    if plan.travel_min is None:
        return "rule of thumb 10 to 15 min, common practice"
    return f"travel to the last emitter {plan.travel_min:.0f} min, {plan.basis}"


def _charge(case: Case) -> Outcome | None:
    plan = case.question.plan
    stated, least = plan.stated.charge_min, RULE_OF_THUMB.low.charge_min
    needed = plan.travel_min if plan.travel_min is not None else least
    assert needed is not None
    do = ("Bring the drip up to pressure with clear water until the last emitter runs, then inject.",)
    if stated is None:
        if plan.system is None and plan.basis == "unknown":
            return None
        return Outcome(
            same(case, Level.NOTE),
            lambda n: f"Charge the drip with clear water for {n['needed_min']:.0f} min first ({_by(plan)}).",
            numbers={"needed_min": needed},
            do=do,
        )
    if stated >= needed - 1e-9:
        return None
    return Outcome(
        same(case, Level.CAUTION),
        lambda n: (
            f"Charged for {n['charge_min']:.0f} min, {n['needed_min']:.0f} needed ({_by(plan)}): the first emitters get "
            "more feed than the last."
        ),
        numbers={"charge_min": stated, "needed_min": needed},
        do=do,
    )


def _flush(case: Case) -> Outcome | None:
    plan = case.question.plan
    stated, least = plan.stated.flush_min, RULE_OF_THUMB.low.flush_min
    needed = FLUSH_PER_TRAVEL * plan.travel_min if plan.travel_min is not None else least
    assert needed is not None
    do = ["Run clear water until the last emitter is clear of feed (EC meter or dye tells)."]
    if plan.system is not None:
        lateral = plan.system.lateral
        gpm = flow_for_velocity_l_per_min(FLUSH_VELOCITY_M_PER_S, lateral.inside_diameter_m) / L_PER_GAL
        do.append(
            f"To flush the ends themselves, open them a few at a time: {gpm:.2g} gal/min out of each end makes 1 ft/s."
        )
    if stated is None:
        if plan.system is None and plan.basis == "unknown":
            return None
        return Outcome(
            same(case, Level.NOTE),
            lambda n: f"Flush with clear water for at least {n['needed_min']:.0f} min after it ({_by(plan)}).",
            numbers={"needed_min": needed},
            do=tuple(do),
        )
    if stated >= needed - 1e-9:
        return None
    return Outcome(
        same(case, Level.CAUTION),
        lambda n: (
            f"Flushed for {n['flush_min']:.0f} min, {n['needed_min']:.0f} needed ({_by(plan)}): feed is left in the line, "
            "and the last emitters get less of it."
        ),
        numbers={"flush_min": stated, "needed_min": needed},
        do=tuple(do),
    )


def _fits(case: Case) -> Outcome | None:
    """Bucket, suction and time of injection against each other."""
    plan = case.question.plan
    flow, inject = plan.flow_l_per_min, plan.stated.inject_min
    if plan.suction_l_per_min is not None:
        suction = np.full(case.size, plan.suction_l_per_min)
    elif flow is not None:
        suction = flow / (1.0 + case.injection_ratio)
    else:
        return None
    bucket_l = case.bucket_volume_l
    takes = np.array([injection_time_min(float(v), float(s)) for v, s in zip(bucket_l, suction, strict=True)])
    numbers = {"empties_in_min": takes, "suction_l_per_min": suction, "bucket_l": bucket_l}
    travel = plan.travel_min
    if inject is None:
        level = np.full(case.size, int(Level.NOTE))
        if travel is not None:
            level[takes < travel] = Level.CAUTION
        return Outcome(
            level,
            lambda n: (
                f"The injector takes {n['empties_in_min']:.0f} min to empty the bucket"
                + (
                    f", less than the {travel:.0f} min to the last emitter: too short to even out."
                    if travel is not None and n["empties_in_min"] < travel
                    else "; irrigate at least so long, and flush after."
                )
            ),
            numbers=numbers,
            do=("Take more water in the bucket, or a weaker setting, so that it runs longer.",),
            severity=-takes,
        )
    left = np.array([left_in_bucket_l(float(v), float(s), inject) for v, s in zip(bucket_l, suction, strict=True)])
    level = np.where(left > 0.05 * bucket_l, int(Level.CAUTION), int(Level.NONE))
    if travel is not None and inject < travel:
        level[:] = Level.CAUTION
    if not np.any(level):
        return None

    def message(n: Mapping[str, float]) -> str:
        if n["left_l"] > 0.05 * n["bucket_l"]:
            return (
                f"In {inject:.0f} min the injector draws {n['bucket_l'] - n['left_l']:.3g} of {n['bucket_l']:.3g} L; "
                f"emptying it takes {n['empties_in_min']:.0f} min."
            )
        return f"Injected for {inject:.0f} min, but the last emitter is {travel:.0f} min away: too short to even out."

    return Outcome(
        level,
        message,
        numbers={**numbers, "left_l": left},
        do=("Inject longer, take a stronger setting, or mix a smaller bucket.",),
        severity=left,
    )


#: Parts of water per part of stock that injectors of small farms reach (common practice, no source).
_STRONGEST, _WEAKEST = 10.0, 1000.0


def _reach(case: Case) -> Outcome | None:
    ratio = case.injection_ratio
    level = np.where((ratio < _STRONGEST) | (ratio > _WEAKEST), int(Level.CAUTION), int(Level.NONE))
    if not np.any(level):
        return None
    return Outcome(
        level,
        lambda n: (
            f"A ratio of 1:{n['injection_ratio']:.0f} is {'stronger' if n['injection_ratio'] < _STRONGEST else 'weaker'} "
            "than most small injectors reach (1:10 to 1:1000)."
        ),
        numbers={"injection_ratio": ratio},
        do=("Measure what the injector draws, with a measured gallon and a watch.",),
    )


#: Filter of a drip [mesh]: coarser than this lets through what closes emitters (common practice, no source).
_LEAST_MESH = 120


def _filter(case: Case) -> Outcome | None:
    site = case.question.pour.site
    do = (f"Fit a screen or disc filter of {_LEAST_MESH} to 200 mesh after the injector, as the emitter's maker says.",)
    if site.filter is False:
        return Outcome(
            same(case, Level.CAUTION),
            lambda _: "No filter after the injector: what does not dissolve goes straight to the emitters.",
            do=do,
        )
    if site.filter_mesh is not None and site.filter_mesh < _LEAST_MESH:
        return Outcome(
            same(case, Level.CAUTION),
            lambda n: f"A filter of {n['mesh']:.0f} mesh is coarse for drip (120 to 200 mesh is usual).",
            numbers={"mesh": float(site.filter_mesh)},
            do=do,
        )
    return None


#: Fittings that a feed attacks: species or hazard -> fittings, and what happens.
_ATTACKS: tuple[tuple[str, tuple[str, ...], frozenset[str], str], ...] = (
    ("ammonium or urea-ammonium nitrate", ("NH4+",), frozenset({"copper", "brass", "bronze", "galvanised"}), "eats"),
    ("chloride", ("Cl-",), frozenset({"aluminium", "galvanised", "steel", "stainless"}), "pits"),
    ("nitrate with ammonium", ("NO3-",), frozenset({"steel"}), "cracks"),
    ("copper", ("Cu+2",), frozenset({"aluminium", "galvanised", "steel"}), "plates out on and eats"),
)
_ACID_EATS = frozenset({"galvanised", "steel", "aluminium", "brass", "copper", "bronze", "concrete"})
_ALKALI_EATS = frozenset({"aluminium", "galvanised", "brass"})


def _corrodes(case: Case) -> Outcome | None:
    fittings = set(case.question.pour.site.fittings or ())
    metals = fittings - {"plastic"}
    if not metals:
        return None
    found: list[str] = []
    level = np.full(case.size, int(Level.NONE))
    ph = case.bucket.before_solids.ph
    for mask, what, eaten, verb in (
        (ph < 4.0, "acid stock", _ACID_EATS, "eats"),
        (ph > 10.0, "alkaline stock", _ALKALI_EATS, "eats"),
        *((case.brings(*species), what, eaten, verb) for what, species, eaten, verb in _ATTACKS),
    ):
        hit = sorted(metals & eaten)
        if hit and np.any(mask):
            level[mask] = Level.CAUTION
            found.append(f"{what} {verb} {' and '.join(hit)}")
    if not found:
        return None
    return Outcome(
        level,
        lambda n: f"Fittings at the injector (bucket pH {n['bucket_ph']:.1f}): {'; '.join(found)}.",
        numbers={"bucket_ph": ph},
        do=("Plastic (PVC, polyethylene) or 316 stainless where the stock runs undiluted; rinse after use.", DEFER),
    )


RULES = (
    Rule(
        name="backflow-preventer-missing",
        family="equipment",
        levels=(Level.STOP, Level.NOTE),
        asks="Is the water source kept safe from the stock?",
        plain="A Venturi works both ways: when the pump stops, the line sucks the bucket into the well.",
        chemistry="Hydraulics, not chemistry: back-siphonage when supply pressure falls below the line's.",
        cure="Backflow preventer as local code says: check valve upstream, vacuum relief, low-pressure drain, injection-line "
        "check valve.",
        sources=(
            "UF/IFAS HS1306: backflow devices are required on systems with injection",
            "WAC 16-202-310 and 16-202-1014: check valve also next to a Venturi",
        ),
        check=_backflow,
    ),
    Rule(
        name="charge-too-short",
        family="equipment",
        levels=(Level.CAUTION, Level.NOTE),
        asks="Is the drip full and at pressure before the stock goes in?",
        plain="Stock that is injected into an empty line reaches the near emitters first and long, the far ones late and short.",
        chemistry="Hydraulics: travel time to the last emitter, plug flow, uniform outflow: the sum over the segments of volume "
        "over the flow that is left, and the main before it. Without the drip's sizes the rule of thumb counts.",
        cure="Clear water until the last emitter runs.",
        sources=(
            "common practice, no source: 10 to 15 min",
            "UF/IFAS HS1306, citrus fertigation: travel 20 to 30 min in most systems; fill to pressure first",
        ),
        check=_charge,
    ),
    Rule(
        name="flush-too-short",
        family="equipment",
        levels=(Level.CAUTION, Level.NOTE),
        asks="Is the stock flushed out of the last emitter?",
        plain="What stays in the line dries in the emitters, feeds slime, and is missing at the far end.",
        chemistry="Hydraulics: clear water has to travel as long as the stock did, and a tenth more for mixing. Ends flush at "
        "0.3 m/s (1 ft/s).",
        cure="Clear water for longer than the travel time.",
        sources=(
            "common practice, no source: 10 to 15 min",
            "UF/IFAS HS1306: at least 30 min where travel is 20 to 30 min",
            "University of California, Maintenance of Microirrigation Systems: 1 ft/s at the open end",
            "New England Vegetable Guide: feed left in lines leads to solids and slime",
        ),
        check=_flush,
    ),
    Rule(
        name="injection-does-not-fit",
        family="equipment",
        levels=(Level.CAUTION, Level.NOTE),
        asks="Do bucket, suction and time of injection fit each other?",
        plain="A bucket that is empty after five minutes feeds the first emitters; one that takes two hours outlasts the "
        "irrigation.",
        chemistry="Hydraulics: volume over suction; suction is the flow over the ratio. An injection shorter than the travel time "
        "does not even out.",
        cure="More or less water in the bucket, another setting.",
        sources=(
            "UF/IFAS HS1306: inject at least 30 to 45 min where travel is 20 to 30 min",
            "vineyard fertigation chapter: Venturi suction depends on the pressure difference",
        ),
        check=_fits,
    ),
    Rule(
        name="ratio-out-of-reach",
        family="equipment",
        levels=(Level.CAUTION,),
        asks="Can a small injector hold this ratio?",
        plain="Most small injectors work between 1:10 and 1:1000; outside, the dial says what the injector does not do.",
        chemistry="Hydraulics: suction starts at a pressure loss of some 20 %, and falls off at both ends.",
        cure="A measured ratio.",
        sources=(
            "common practice, no source",
            "from memory: UF/IFAS CIR864 and makers' curves: 10 to 30 % pressure loss",
        ),
        check=_reach,
    ),
    Rule(
        name="filter-missing",
        family="equipment",
        levels=(Level.CAUTION,),
        asks="Is there a filter fine enough after the injector?",
        plain="Bucket dirt, coating and undissolved grains go where the water goes.",
        chemistry="Emitter paths are 0.5 to 1.5 mm; a filter holds back what is a sixth to a tenth of that, 120 to 200 mesh.",
        cure="A filter after the injector.",
        sources=("common practice, no source: 120 to 200 mesh for drip, as the emitter's maker says",),
        check=_filter,
    ),
    Rule(
        name="corrodes-metal",
        family="equipment",
        levels=(Level.CAUTION,),
        asks="Does the stock eat a metal that it runs through?",
        plain="Ammonium eats brass and copper, acid eats galvanised iron, chloride pits stainless steel.",
        chemistry="Ammine complexes of copper and zinc; pH of the bucket below 4 or above 10; chloride pitting; copper plates out "
        "on baser metals. Rates depend on time and strength: a presence rule.",
        cure="Plastic fittings, rinsed.",
        sources=(
            "from memory: fluid fertilizer handling guides: UAN and ammonium nitrate attack copper, brass and zinc; acids attack "
            "mild steel, galvanised steel and concrete; chlorides pit stainless steel",
        ),
        check=_corrodes,
    ),
)
