"""Rules that keep people safe. Wording is the usual caution; label, code and licensed practice rule."""

from __future__ import annotations

from ..case import Case
from ..rule import Level, Outcome, Rule, same
from .advice import DEFER


def _names(case: Case, *hazards: str) -> list[str]:
    return [p.product.name for p in case.poured if set(p.product.hazards) & set(hazards)]


def _and(names: list[str]) -> str:
    return " and ".join(names)


def _chlorine_gas(case: Case) -> Outcome | None:
    bleach, acid = _names(case, "hypochlorite"), _names(case, "acid")
    if not acid or not (bleach or case.question.pour.site.chlorination):
        return None
    if bleach:
        return Outcome(
            same(case, Level.STOP),
            lambda _: f"{_and(bleach)} with {_and(acid)} gives off chlorine gas, which can kill.",
            do=(
                "Never let them meet: not in a bucket, not in a measuring cup, not in storage.",
                "If both are used on one system, inject at separate points and at separate times.",
                DEFER,
            ),
        )
    return Outcome(
        same(case, Level.CAUTION),
        lambda _: f"{_and(acid)} goes into a system that is also chlorinated.",
        do=("Stop chlorination, flush, and inject the acid at a point of its own.", DEFER),
    )


def _chloramine(case: Case) -> Outcome | None:
    bleach = _names(case, "hypochlorite")
    if not (bleach or case.question.pour.site.chlorination):
        return None
    if not case.has("NH4+", "urea", "S2O3-2"):
        return None
    level = Level.STOP if bleach else Level.CAUTION
    with_ = _and(bleach) if bleach else "chlorine in the system"
    return Outcome(
        same(case, level),
        lambda _: f"{with_} meets ammonium, urea or thiosulfate: chloramines form and the chlorine is used up.",
        do=("Run chlorine as a treatment of its own, never with feed; flush between the two.", DEFER),
    )


def _acid_to_water(case: Case) -> Outcome | None:
    acid = _names(case, "acid")
    if not acid:
        return None
    return Outcome(
        same(case, Level.NOTE),
        lambda _: f"{_and(acid)}: pour acid slowly into water, never water into acid.",
        do=("Fill the bucket first; goggles, gloves, water to rinse with at hand.", DEFER),
    )


def _caustic(case: Case) -> Outcome | None:
    alkali = _names(case, "alkali", "ammonia-gas")
    if not alkali:
        return None
    return Outcome(
        same(case, Level.NOTE),
        lambda _: f"{_and(alkali)}: caustic to skin and eyes; with ammonium feeds it gives off ammonia.",
        do=("Goggles and gloves; add it slowly to cold water, out of doors.", DEFER),
    )


def _lifting(case: Case) -> Outcome:
    full_kg = case.question.bucket_l + sum(p.mass_kg for p in case.poured)
    return Outcome(
        same(case, Level.NOTE),
        lambda n: (
            f"The full bucket weighs about {n['full_bucket_kg']:.0f} kg "
            f"({n['full_bucket_kg'] * 2.20462:.0f} lb)."
            + (" Mix it where it stays." if n["full_bucket_kg"] > 15 else "")
        ),
        numbers={"full_bucket_kg": full_kg},
        do=("Read the label of every product before you pour.",),
    )


RULES = (
    Rule(
        name="chlorine-gas",
        family="people",
        levels=(Level.STOP, Level.CAUTION),
        asks="Does hypochlorite (bleach, chlorine treatment) meet an acid?",
        plain="Bleach and any acid make chlorine gas at once. It has killed people in closed sheds.",
        chemistry="OCl- + 2 H+ + Cl- -> Cl2 + H2O; hypochlorous acid turns to dissolved chlorine below about pH 4. "
        "Urea phosphate, urea-sulfuric and phosphoric acid count as acids.",
        cure="Keep them apart in bucket, injector and store; separate injection points and times.",
        sources=(
            "from memory: safety data sheets and extension manuals (conservative)",
            "Drip chlorination guide of a growers association: run chlorine as its own cycle, not with feed",
        ),
        check=_chlorine_gas,
    ),
    Rule(
        name="chloramine",
        family="people",
        levels=(Level.STOP, Level.CAUTION),
        asks="Does hypochlorite meet ammonium, urea or thiosulfate?",
        plain="Chlorine with ammonium or urea makes choking chloramines, and the chlorine no longer cleans.",
        chemistry="HOCl + NH4+ -> NH2Cl + H3O+, on to NHCl2 and NCl3 in strong or acid mixes; thiosulfate reduces "
        "hypochlorite with much heat.",
        cure="Chlorinate as a cycle of its own and flush before feeding.",
        sources=("from memory: safety data sheets and extension manuals (conservative)",),
        check=_chloramine,
    ),
    Rule(
        name="acid-to-water",
        family="people",
        levels=(Level.NOTE,),
        asks="Is an acid poured?",
        plain="Acid goes into water. Water poured into acid boils and spits.",
        chemistry="The heat of dilution is set free where the two meet; in a large volume of water it is carried off.",
        cure="Fill the bucket with water first, then add the acid slowly.",
        sources=("Spanish agronomy page on fertilizer compatibility: pour acid slowly into water",),
        check=_acid_to_water,
    ),
    Rule(
        name="caustic",
        family="people",
        levels=(Level.NOTE,),
        asks="Is a strong base poured?",
        plain="Hydroxide, carbonate, silicate and aqua ammonia burn skin and eyes and drive ammonia out of feeds.",
        chemistry="Above about pH 9 ammonium turns to ammonia gas (pKa 9.25 at 25 degC).",
        cure="Protect eyes and hands; keep from ammonium feeds.",
        sources=("lecture notes on mixing: ammonium with lime, hydroxide or carbonate releases ammonia",),
        check=_caustic,
    ),
    Rule(
        name="lifting-and-label",
        family="people",
        levels=(Level.NOTE,),
        asks="How heavy is the full bucket?",
        plain="A full 5 gallon bucket weighs over 40 lb; a splash of stock in the eye is worse than a slow mix.",
        chemistry="Mass of water plus what is dissolved.",
        cure="Mix where the injector stands; two people, or two half buckets.",
        sources=("common practice, no source",),
        check=_lifting,
    ),
)
