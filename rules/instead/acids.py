"""Acid for a pour, or for the water alone: which, how much, what the pour with it comes to, and where none may be."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from ...catalog import Catalog, InputError, Product, UnknownName
from ...catalog.quantity.table import SULFIDE
from ..answer.assess import one_thread
from ..answer.verdict import SEVERITY, AcidDose, AcidOffer, Acids
from ..ask.pour import Pour, PouredProduct
from ..ask.question import Question, ask
from ..families.people import SULFIDE_SOME_MG_PER_L
from .acid import TARGET_PH, AcidDemand, acid_demands, must_be_target, water_alone
from .measured import measured, metric
from .recheck import Again, tables_of

#: Acids of fertilizer use by their materials, milder to handle first.
_ACIDS = ("sulfuric-acid", "nitric-acid", "phosphoric-acid-75")
#: What brings phosphate, offered beside a pour only where phosphate is poured anyway.
PHOSPHORIC = "phosphoric-acid-75"
#: What is never acidified: hazards of products, and what they dissolve to. Chlorine, ammonia, sulfur dioxide and carbon
#: dioxide come out of them, silica gels, polyphosphate falls apart (common practice, no source).
_NEVER = frozenset({"hypochlorite", "sulfite-gas", "alkali", "ammonia-gas"})
_NEVER_SPECIES = frozenset({"CO3-2", "S2O3-2", "H4SiO4", "P2O7-4"})
#: Acid that cannot be measured to this share is not offered.
_WITHIN = 0.05
#: Percent P2O5 from which on a product is a source of it.
_OF_PHOSPHATE = 1.0


def acid(
    pour: Pour | Mapping[str, object],
    catalog: Catalog,
    *,
    target_ph: float = TARGET_PH,
    acids: Sequence[str] = (),
) -> Acids:
    """How much of which acid brings the line to a pH: per fill, per hour and per 1,000 L, with what it adds, and the
    verdict on the pour with it.

    pour: a Pour, or plain data of the pour schema; without products, or with an empty list of them, acid goes into the
    water alone. acids: names of them; empty: sulfuric and nitric, and phosphoric where phosphate is poured anyway.
    Raises: InputError: the pour is not sound, the pH is none for irrigation, an acid is none of known content, or the
        line is not known well enough.

    >>> from pourcheck import Catalog, acid
    >>> water = {"bucket": {"volume": "5 gal"}, "injection": {"ratio": "1:100"}, "water": {"name": "ridge-well"}}
    >>> with Catalog.open("sqlite://") as catalog:
    ...     found = acid(water, catalog, acids=["sulfuric acid"])
    >>> found.offered[0].dose.amount, round(found.offered[0].dose.ph.value, 1)
    ('2.65 fl oz', 6.5)
    """
    must_be_target(target_ph)
    with one_thread(), catalog.snapshot():
        named = [catalog.product(name) for name in acids]
        if not isinstance(pour, Pour) and not pour.get("product"):
            plain = {key: value for key, value in pour.items() if key != "product"}
            usual = _usual(catalog, phosphate=True)
            if not (named or usual):
                raise InputError("the catalog holds no acid", where="acids", mend="add one to it")
            question, chosen = water_alone(plain, catalog, (named or usual)[0]), named or usual
        else:
            question = ask(Pour.parse(pour), catalog)
            chosen = named or usual_acids(question, catalog)
        if refused := refusal(question):
            return Acids(target_ph=target_ph, ph=None, needed=True, offered=(), refused=refused)
        return _acids(question, Again(question, catalog), chosen, target_ph)


def _acids(question: Question, again: Again, acids: Sequence[Product], target_ph: float) -> Acids:
    demands = acid_demands(question, acids, target_ph)
    known = [one for one in demands if one is not None]
    offered = []
    for demand in known:
        found = with_acid(question, demand)
        seen = None if found is None else again(found[0])
        if found is None or seen is None:
            continue
        offered.append(
            AcidOffer(
                dose=dose(demand, found[1]),
                change=tables_of(found[0], "product"),
                verdict=seen.answer,
                rules=seen.blamed,
            )
        )
    offered.sort(key=lambda one: SEVERITY.index(one.verdict))
    return Acids(
        target_ph=target_ph,
        ph=known[0].ph_without if known else None,
        needed=not known or any(one.needed for one in known),
        offered=tuple(offered),
    )


def refusal(question: Question) -> str:
    """Why no acid may be in this bucket: "chlorinated", "sulfide" of the water, "not known", or a product that it must
    not meet; "" where it may."""
    if question.pour.site.chlorination:
        return "chlorinated"
    ends = [one.high for one in question.unknowns if one.quantity is SULFIDE]
    if max(ends, default=question.fixed.get(SULFIDE.name, 0.0)) >= SULFIDE_SOME_MG_PER_L:
        return "sulfide"
    for item in question.poured:
        mixtures = item.composition.mixtures
        if item.hazards & _NEVER or any(_NEVER_SPECIES & one.species_mol_per_kg.keys() for one in mixtures):
            return item.product.name
        if not item.composition.listed or not mixtures:
            return "not known"
    return ""


def usual_acids(question: Question, catalog: Catalog) -> list[Product]:
    """The acids that are looked for beside a pour."""
    return _usual(catalog, phosphate=any(brings_phosphate(item.likely) for item in question.poured))


def brings_phosphate(product: Product) -> bool:
    """Whether a product is a source of it."""
    return (product.percent("p2o5") or 0.0) > _OF_PHOSPHATE


def _usual(catalog: Catalog, *, phosphate: bool) -> list[Product]:
    return [product for product in _of_catalog(catalog) if phosphate or product.id != PHOSPHORIC]


def _of_catalog(catalog: Catalog) -> Iterator[Product]:
    for name in _ACIDS:
        try:
            yield catalog.product(name)
        except UnknownName:
            continue


def with_acid(question: Question, demand: AcidDemand) -> tuple[Pour, str] | None:
    """A pour with an acid in its bucket, and the amount as it is measured; None where none is needed, the bucket does
    not hold it, or it is too little to measure."""
    if demand.times_weaker > 1.0 or demand.fill_kg.value <= 0.0:
        return None
    text, kg = measured(demand.acid, demand.fill_kg.value, in_metric=metric(question))
    if not as_needed(kg, demand.fill_kg.value):
        return None
    line = PouredProduct.model_validate({"name": demand.acid.id, "amount": text})
    lines = question.pour.product if question.poured else ()
    return question.pour.model_copy(update={"product": (*lines, line)}), text


def as_needed(kg: float, needed_kg: float) -> bool:
    """Whether an amount of acid as it is measured is near enough."""
    return abs(kg - needed_kg) <= _WITHIN * needed_kg


def dose(demand: AcidDemand, text: str) -> AcidDose:
    """An acid's demand as an answer tells it. text: its amount in a fill."""
    return AcidDose(
        id=demand.acid.id,
        name=demand.acid.name,
        amount=text,
        kg_per_hour=demand.hour_kg,
        liters_per_1000_l=demand.per_1000_l_l,
        ph_without=demand.ph_without,
        ph=demand.ph_with,
        adds_mg_per_l=dict(demand.line_adds_mg_per_l),
        percent_of_stock=demand.percent_of_stock,
    )
