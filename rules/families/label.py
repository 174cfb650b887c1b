"""Rules that read the label: can this product become a true solution, and is it known what it is?"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np

from ...catalog.drip import RESIDUE_CAUTION_PERCENT, RESIDUE_STOP_PERCENT
from ...catalog.label.grades import grade_words
from ...catalog.label.guarantee import label_percents
from ...catalog.quantity.table import AMOUNT_FACTOR, CALCIUM, INJECTION_RATIO
from ...catalog.species import molar_mass_g_per_mol
from ..ask.question import Poured
from ..case.case import Case
from ..chemistry.constants import Floats
from ..judge.advice import JAR_TEST, LEAST_MESH
from ..judge.rule import Level, Outcome, Rule, same
from ..judge.turns import Turns


def _of(case: Case, dissolving: str) -> list[str]:
    """Products that are of a kind, or name a source on their label that is."""
    found = []
    for item in case.poured:
        if item.grades and not all(grade.dissolving == dissolving for grade in item.grades):
            continue  # unknown-grade's own
        if item.grades or item.product.dissolving == dissolving:
            found.append(item.product.name)
        else:
            guilty = [s.name for s in item.sources_of_label if s.dissolving == dissolving]
            if guilty:
                found.append(f"{item.product.name} (from {', '.join(guilty)})")
    return found


def _insoluble(case: Case) -> Outcome | None:
    names = _of(case, "insoluble")
    if not names:
        return None
    return Outcome(
        same(case, Level.STOP),
        lambda _: f"{', '.join(names)} does not dissolve in water; it would settle in bucket, filter and emitters.",
        do=("Spread it on the soil instead, or take a soluble source of the same nutrient.",),
    )


INSOLUBLE_SOURCE = Rule(
    name="insoluble-source",
    family="label",
    may_be_lowered=True,
    levels=(Level.STOP,),
    asks="Is a product, or a source on its label, insoluble in water?",
    headline="It does not dissolve: it {will} settle and block filter and emitters.",
    brief="a product that does not dissolve",
    plain="Rock phosphate, lime, gypsum rock, bone meal and elemental sulfur do not dissolve. Ground fine they only "
    "travel further before they plug.",
    chemistry="Solubilities lie from next to nothing (limestone, rock phosphate, sulfur) to 2.5 g/L (gypsum), far under what a "
    "bucket would carry; available phosphate on a label is "
    "a citrate test and not water solubility.",
    cure="Soil application, or a soluble source.",
    sources=(
        "Trade notes: ask for almost no residue and more than 100 g/L solubility (Spanish agronomy page)",
        "CRC Handbook (from memory): calcium carbonate 0.01, gypsum 2.4 g/L",
    ),
    check=_insoluble,
)


def _slow_release(case: Case) -> Outcome | None:
    names = _of(case, "slow-release")
    if not names:
        return None
    return Outcome(
        same(case, Level.STOP),
        lambda _: f"{', '.join(names)} is slow-release: coated or hardly soluble grains stay solid.",
        do=("Spread it on the soil instead, or take a soluble nitrogen source.",),
    )


SLOW_RELEASE_SOURCE = Rule(
    name="slow-release-source",
    family="label",
    may_be_lowered=True,
    levels=(Level.STOP,),
    asks="Is a product, or a source on its label, made to dissolve slowly?",
    headline="Slow-release grains {will} stay solid and block filter and emitters.",
    brief="slow-release grains",
    plain="Coated and condensed urea release over weeks. In a bucket the grains stay, and coats float into the line.",
    chemistry="Sulfur or polymer coats, or urea-aldehyde condensates of low solubility.",
    cure="Soil application, or plain urea.",
    sources=("common practice, no source",),
    check=_slow_release,
)


def _grade_words(item: Poured) -> str:
    """What a name may mean, and which of it leaves something behind."""
    clean = [grade_words(grade) for grade in item.grades if grade.dissolving == "complete"]
    others = [grade_words(grade) for grade in item.grades if grade.dissolving != "complete"]
    if not others or not clean:
        return f"{item.product.name} may be {' or '.join(clean or others)}: each was tried"
    return (
        f"{item.product.name} may be {' or '.join(clean)}, which dissolves, or {' or '.join(others)}, a field grade that "
        "leaves clay or coating in the bucket"
    )


def _unknown_grade(case: Case) -> Outcome | None:
    places = [i for i, item in enumerate(case.poured) if item.grades]
    if not places:
        return None
    level = np.full(case.size, int(Level.NOTE))
    for i in places:
        clean = np.array([grade.dissolving == "complete" for grade in case.poured[i].grades])
        if clean.any() and not clean.all():
            level[~clean[case.columns.grade(i)]] = Level.UNKNOWN
    told = "; ".join(_grade_words(case.poured[i]) for i in places)
    ask = [grade_words(grade) for i in places for grade in case.poured[i].grades]
    return Outcome(
        level,
        lambda _: f"Its name does not tell the grade: {told}.",
        do=(f"Read the bag or drum, and write which it is: {' or '.join(ask)}.",),
    )


UNKNOWN_GRADE = Rule(
    name="unknown-grade",
    family="label",
    may_be_lowered=True,
    levels=(Level.UNKNOWN, Level.NOTE),
    asks="Does a product's name mean several grades of a material, of which some are not for drip?",
    headline="Its name does not tell its grade, and a field grade leaves solids.",
    brief="a grade that is not stated",
    plain="MAP, DAP and muriate of potash are sold as clean crystals and as field granules with clay and coating; bleach, "
    "phosphoric acid and UAN in several strengths. Each that the name may mean is tried.",
    chemistry="Every grade is a mixture of its own in the sweep, with its density; what leaves residue would be stopped by "
    "particles-in-product.",
    cure="The grade as it stands on bag or drum: technical MAP 12-61-0, granular MAP 11-52-0.",
    sources=("common practice, no source: grades as the seed materials have them",),
    check=_unknown_grade,
)


def _particles(case: Case) -> Outcome | None:
    residue, suspended = _of(case, "leaves-residue"), _of(case, "suspension")
    declared = [
        (item.product.name, number.value)
        for item in case.poured
        if (number := item.product.numbers.get("insolubles")) and number.value > RESIDUE_CAUTION_PERCENT
    ]
    if not residue and not suspended and not declared:
        return None
    parts = []
    if residue:
        parts.append(f"{', '.join(residue)} is a field grade that leaves clay, coating or ore in the bucket")
    if suspended:
        parts.append(f"{', '.join(suspended)} is a suspension of particles, not a solution")
    parts += [f"{name} leaves {percent:g} % of its mass undissolved" for name, percent in declared]
    most = max((percent for _, percent in declared), default=0.0)
    sure = bool(residue or suspended) or most >= RESIDUE_STOP_PERCENT
    return Outcome(
        same(case, Level.STOP if sure else Level.CAUTION),
        lambda _: "; ".join(parts) + ".",
        numbers={"declared_residue_percent": most, "limit_percent": RESIDUE_STOP_PERCENT} if declared else {},
        do=(
            ("Dissolve it by itself, as its label says, and draw off the clear part.",)
            if any("hypochlorite" in item.hazards for item in case.poured)
            else (
                "Take the soluble (technical, solution, greenhouse) grade of the same material.",
                "Or spread it on the soil.",
            )
        ),
    )


PARTICLES_IN_PRODUCT = Rule(
    name="particles-in-product",
    family="label",
    may_be_lowered=True,
    levels=(Level.STOP, Level.CAUTION),
    asks="Does a product leave solids behind, or is it a suspension?",
    headline="Particles in the product {will} settle and block filter and emitters.",
    brief="particles in the product",
    plain="Field granules carry clay, wax, oil or ore that does not dissolve and plugs filter and emitters.",
    chemistry="Suggested limits of insoluble residue for drip: 0.01 to 0.5 % by mass, by writer.",
    cure="The soluble grade of the same material.",
    sources=(
        "Magen, potassium chloride in fertigation (IPI): residue below 0.2 %",
        "Alarcon Vera, Vida Rural: residue below 0.5 % at 15 degC",
    ),
    check=_particles,
)


#: Phosphate in the line [mmol/L] and calcium with it [mg/L] from which on it may precipitate, where it is not known what
#: the feed holds beside it (the calcium: UF/IFAS, from memory; the phosphate: design choice, 3 mg/L of P).
_PHOSPHATE_MMOL_PER_L, _CALCIUM_MG_PER_L = 0.1, 50.0
_G_PER_MOL_P2O5 = molar_mass_g_per_mol("P2O5")


def _claimed_phosphate_mol(case: Case, items: Iterable[Poured]) -> Floats:
    """Phosphate that labels claim, (B,) [mol]."""
    grams = [item.kg(case.columns) * 10.0 * label_percents(item.product).get("p2o5", 0.0) for item in items]
    return np.asarray(2.0 * np.sum(grams, axis=0) / _G_PER_MOL_P2O5)


def _organic(case: Case) -> Outcome | None:
    names = _of(case, "organic")
    if not names:
        return None
    site = case.question.pour.site
    coarse = site.filter_mesh is not None and site.filter_mesh < LEAST_MESH
    level = np.full(case.size, int(Level.CAUTION if site.filter or site.filter_mesh else Level.UNKNOWN))
    if site.filter is False or coarse:
        level[:] = Level.STOP
    items = [item for item in case.poured if any(name.startswith(item.product.name) for name in names)]
    liters = case.bucket_volume_l * (1.0 + case.injection_ratio)
    phosphate = 1000.0 * _claimed_phosphate_mol(case, items) / liters
    calcium = case.total_mg_per_l("line", "Ca+2")
    hard = (phosphate > _PHOSPHATE_MMOL_PER_L) & (calcium > _CALCIUM_MG_PER_L)
    meets = (phosphate > 0.0) & case.brings("Ca+2", "Mg+2", "Fe+2", "Fe+3", "Zn+2", "Cu+2", "Mn+2")
    level[(hard | meets) & (level < Level.UNKNOWN)] = Level.UNKNOWN
    who = ", ".join(names)

    def message(n: Mapping[str, float]) -> str:
        said = f"{who} carries fine organic particles and gums, which feed slime in the line"
        if n["level"] == Level.STOP:
            return f"{said}; without a filter of {LEAST_MESH} mesh or finer they go to the emitters."
        if site.filter is None and site.filter_mesh is None:
            return f"{said}; it is not known whether a filter of {LEAST_MESH} mesh or finer holds them back."
        if n["level"] == Level.UNKNOWN:
            return (
                f"{said}. What dissolves of it is not on its label, and the phosphate that it claims "
                f"({n['claimed_phosphate_mmol_per_l']:.2g} mmol/L in the line) may meet calcium or a metal."
            )
        return f"{said}. The filter holds back the coarse part: clean it after every bucket."

    return Outcome(
        level,
        message,
        numbers={"claimed_phosphate_mmol_per_l": phosphate, "line_calcium_mg_per_l": calcium},
        do=(
            f"Strain it into the bucket, filter to {LEAST_MESH} to 200 mesh behind the injector, and flush at once.",
            "By itself in the bucket, used up the same day; jar test it with your own water first.",
        ),
        severity=phosphate * np.maximum(calcium, 1e-9),
    )


ORGANIC_PARTICLES = Rule(
    name="organic-particles",
    family="label",
    may_be_lowered=True,
    levels=(Level.STOP, Level.UNKNOWN, Level.CAUTION),
    asks="Is a product a fish, seaweed or other organic feed, and is it filtered?",
    headline="Particles of organic matter {will} settle and block the emitters.",
    brief="particles of organic matter",
    plain="Fish and seaweed feeds are used through drip behind a fine filter, with a flush; what passes feeds slime.",
    chemistry="Oil, protein, bone and gums stay in suspension. What dissolves is not on the label: its claimed phosphate "
    "is held against calcium in the line (0.1 mmol/L with 50 mg/L) and against calcium and metals in the bucket.",
    cure="A filter of 120 mesh or finer, by itself in the bucket, a flush; or on the soil.",
    sources=(
        "common practice, no source: organic growers drip fish and seaweed behind 120 to 200 mesh",
        "UF/IFAS: 50 mg/L calcium (from memory)",
    ),
    turns=Turns(worse=(AMOUNT_FACTOR, CALCIUM), better=(INJECTION_RATIO,)),
    check=_organic,
)


def _open(case: Case) -> list[Poured]:
    """Products whose label does not tell all of what dissolves."""
    return [
        item
        for item in case.poured
        if (item.product.dissolving in {"complete", "leaves-residue"} or item.product.kind == "product")
        and item.product.dissolving != "organic"  # organic-particles' own
        and item.composition.gaps
    ]


def _unknown_sources(case: Case) -> Outcome | None:
    items = _open(case)
    if not items:
        return None
    gaps = [f"{item.product.name}: {gap}" for item in items for gap in item.composition.gaps]
    # Swept over all materials that could make the grade, the other rules say what it matters; what is then left is
    # that the catalog does not hold every material. Otherwise nothing is known.
    bounded = all(not item.composition.listed and len(item.composition.mixtures) > 1 and item.soluble for item in items)
    tail = (
        " It was swept over every mixture of the catalog's soluble materials that makes its grade."
        if bounded
        else " It may hold calcium, sulfate or phosphate that the label does not show."
    )
    chemicals = all(item.product.kind == "material" for item in items)
    if chemicals:
        tail = " What it does to the rest is not computed."
    return Outcome(
        same(case, Level.CAUTION if bounded else Level.UNKNOWN),
        lambda _: "What dissolves is not fully known: " + "; ".join(gaps) + "." + tail,
        do=("Take it by itself, as its label says, and flush before and after.", JAR_TEST)
        if chemicals
        else (
            'Read the "derived from" line of the label and add it, or ask the maker for it.',
            JAR_TEST,
        ),
    )


UNKNOWN_SOURCES = Rule(
    name="unknown-sources",
    family="label",
    may_be_lowered=True,
    levels=(Level.UNKNOWN, Level.CAUTION),
    asks="Is it known which chemicals the product dissolves to?",
    headline="What dissolves of it is not known, so what forms is open.",
    brief="contents that are not known",
    plain='Two bottles of the same grade can hold different salts. The "derived from" line tells which.',
    chemistry="The guaranteed analysis fixes nutrients, not ions: sulfate, chloride, calcium and the form of phosphate "
    "follow only from the sources. Without them the pour is swept over all materials of the catalog that could make "
    "the grade; the sweep says what the missing line would decide.",
    cure="The derived-from line, a data sheet, or a jar test.",
    sources=("Trade notes: derived from is the best clue to hidden sulfate, chloride, calcium and chelate",),
    check=_unknown_sources,
)


def _does_not_add_up(case: Case) -> Outcome | None:
    faults = [f"{item.product.name}: {fault}" for item in case.poured for fault in item.composition.faults]
    if not faults:
        return None
    return Outcome(
        same(case, Level.UNKNOWN),
        lambda _: "The label contradicts itself, so it is not known what dissolves: " + "; ".join(faults) + ".",
        do=("Read the label again, number by number: a line may be missing or on another basis.", JAR_TEST),
    )


LABEL_DOES_NOT_ADD_UP = Rule(
    name="label-does-not-add-up",
    family="label",
    may_be_lowered=True,
    levels=(Level.UNKNOWN,),
    asks="Does the label agree with itself and with its sources?",
    headline="The label contradicts itself, so what dissolves is not known.",
    brief="a label that contradicts itself",
    plain="The parts of a label check each other: nitrogen forms against the total, the analysis against the sources, "
    "everything against 100 %. Where they do not agree, one of them was misread or is on another basis.",
    chemistry="Every guarantee is a range, from the investigational allowance below it to rounding and overrun above; a "
    "linear program finds no source masses that meet all of them. Element for oxide (P for P2O5, K for K2O, Mg for MgO) "
    "is tried and named where it fits.",
    cure="The label read again, or a data sheet.",
    sources=(
        "from memory: Association of American Plant Food Control Officials, Official Publication: investigational "
        "allowances",
        "Trade notes: P and K are on the oxide basis, secondary nutrients as elements; European labels may show oxides",
    ),
    check=_does_not_add_up,
)


RULES = (
    UNKNOWN_GRADE,
    INSOLUBLE_SOURCE,
    SLOW_RELEASE_SOURCE,
    PARTICLES_IN_PRODUCT,
    ORGANIC_PARTICLES,
    UNKNOWN_SOURCES,
    LABEL_DOES_NOT_ADD_UP,
)
