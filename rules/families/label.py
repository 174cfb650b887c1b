"""Rules that read the label: can this product become a true solution, and is it known what it is?"""

from __future__ import annotations

from ..case import Case
from ..rule import Level, Outcome, Rule, same
from .advice import JAR_TEST


def _of(case: Case, dissolving: str) -> list[str]:
    """Products that are of a kind, or name a source on their label that is."""
    found = []
    for item in case.poured:
        if item.product.dissolving == dissolving:
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


def _slow_release(case: Case) -> Outcome | None:
    names = _of(case, "slow-release")
    if not names:
        return None
    return Outcome(
        same(case, Level.STOP),
        lambda _: f"{', '.join(names)} is slow-release: coated or hardly soluble grains stay solid.",
        do=("Spread it on the soil instead, or take a soluble nitrogen source.",),
    )


def _particles(case: Case) -> Outcome | None:
    residue, suspended = _of(case, "leaves-residue"), _of(case, "suspension")
    if not residue and not suspended:
        return None
    parts = []
    if residue:
        parts.append(f"{', '.join(residue)} is a field grade that leaves clay, coating or ore in the bucket")
    if suspended:
        parts.append(f"{', '.join(suspended)} is a suspension of particles, not a solution")
    return Outcome(
        same(case, Level.STOP),
        lambda _: "; ".join(parts) + ".",
        do=(
            "Take the soluble (technical, solution, greenhouse) grade of the same material.",
            "Or spread it on the soil.",
        ),
    )


def _unknown_sources(case: Case) -> Outcome | None:
    gaps = [
        f"{item.product.name}: {gap}"
        for item in case.poured
        if item.product.dissolving in {"complete", "leaves-residue"} or item.product.kind == "product"
        for gap in item.composition.gaps
    ]
    if not gaps:
        return None
    return Outcome(
        same(case, Level.UNKNOWN),
        lambda _: (
            "What dissolves is not fully known: " + "; ".join(gaps) + ". It may hold calcium, sulfate or "
            "phosphate that the label does not show."
        ),
        do=(
            'Read the "derived from" line of the label and add it, or ask the maker for it.',
            JAR_TEST,
        ),
    )


RULES = (
    Rule(
        name="insoluble-source",
        family="label",
        levels=(Level.STOP,),
        asks="Is a product, or a source on its label, insoluble in water?",
        plain="Rock phosphate, lime, gypsum rock, bone meal and elemental sulfur do not dissolve. Ground fine they only "
        "travel further before they plug.",
        chemistry="Solubilities lie below 0.1 g/L, far under what a bucket would carry; available phosphate on a label is "
        "a citrate test and not water solubility.",
        cure="Soil application, or a soluble source.",
        sources=(
            "Trade notes: ask for almost no residue and more than 100 g/L solubility (Spanish agronomy page)",
            "Knott's Handbook for Vegetable Growers, 2nd ed.: superphosphates 17-33 lb per 100 gal",
        ),
        check=_insoluble,
    ),
    Rule(
        name="slow-release-source",
        family="label",
        levels=(Level.STOP,),
        asks="Is a product, or a source on its label, made to dissolve slowly?",
        plain="Coated and condensed urea release over weeks. In a bucket the grains stay, and coats float into the line.",
        chemistry="Sulfur or polymer coats, or urea-aldehyde condensates of low solubility.",
        cure="Soil application, or plain urea.",
        sources=("common practice, no source",),
        check=_slow_release,
    ),
    Rule(
        name="particles-in-product",
        family="label",
        levels=(Level.STOP,),
        asks="Does a product leave solids behind, or is it a suspension?",
        plain="Field granules carry clay, wax, oil or ore that does not dissolve and plugs filter and emitters.",
        chemistry="Suggested limits of insoluble residue for drip: 0.01 to 0.5 % by mass, by writer.",
        cure="The soluble grade of the same material.",
        sources=(
            "Magen, potassium chloride in fertigation (IPI): residue below 0.2 %",
            "Alarcon Vera, Vida Rural: residue below 0.5 % at 15 degC",
        ),
        check=_particles,
    ),
    Rule(
        name="unknown-sources",
        family="label",
        levels=(Level.UNKNOWN,),
        asks="Is it known which chemicals the product dissolves to?",
        plain='Two bottles of the same grade can hold different salts. The "derived from" line tells which.',
        chemistry="The guaranteed analysis fixes nutrients, not ions: sulfate, chloride, calcium and the form of phosphate "
        "follow only from the sources.",
        cure="The derived-from line, a data sheet, or a jar test.",
        sources=("Trade notes: derived from is the best clue to hidden sulfate, chloride, calcium and chelate",),
        check=_unknown_sources,
    ),
)
