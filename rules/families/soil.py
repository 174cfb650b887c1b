"""Rules of the soil: is the nutrient wanted at all?"""

from __future__ import annotations

from ..case import Case
from ..rule import Level, Outcome, Rule, same


def _phosphorus(case: Case) -> Outcome | None:
    with_phosphorus = [item.product.name for item in case.poured if (item.product.percent("p2o5") or 0.0) > 0.1]
    if not with_phosphorus:
        return None
    soil = case.question.pour.soil.phosphorus
    names = ", ".join(with_phosphorus)
    do = ("Take a feed without phosphorus: see the swap.",)
    if soil == "high":
        return Outcome(
            same(case, Level.CAUTION),
            lambda _: f"The soil has plenty of phosphorus, and {names} adds more: money spent on runoff.",
            do=do,
        )
    if soil is None:
        return Outcome(
            same(case, Level.NOTE),
            lambda _: f"{names} brings phosphorus; whether the soil needs any is not stated.",
            do=("A soil test tells; most garden soils that were fed for years need none.", *do),
        )
    return None


RULES = (
    Rule(
        name="phosphorus-where-soil-has-plenty",
        family="soil",
        levels=(Level.CAUTION, Level.NOTE),
        asks="Does the pour bring phosphorus to a soil that has plenty?",
        plain="Phosphorus stays in the soil for years. Where the test says high, more does nothing for the crop and runs off.",
        chemistry="Soil-test class, not chemistry of the pour.",
        cure="The same nitrogen and potassium without phosphorus.",
        sources=("common practice, no source: no phosphorus where the soil test is high",),
        check=_phosphorus,
    ),
)
