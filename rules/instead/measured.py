"""Amounts that a person can measure, on a scale or in a jug, in their own units."""

from __future__ import annotations

from ...catalog import Product
from ...catalog.quantity.measure import read_amount
from ...catalog.quantity.units import KG_PER_LB, L_PER_GAL
from ..ask.question import Question

_FL_OZ_PER_GAL, _OZ_PER_LB = 128, 16
#: Steps of what kitchen scales, jugs and syringes show: a gram and a milliliter at the least, coarser for larger
#: amounts (common practice, no source).
_OUNCES = (0.05, 0.1, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 80.0)
_FLUID_OUNCES = (0.05, 0.1, 0.25, 0.5, 1.0, 2.0)
_GALLONS = (0.01, 0.02, 0.05, 0.1, 0.25, 0.5, 1.0)
_GRAMS = _MILLILITERS = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 5000.0)
#: The step is the coarsest that is at most this share of the amount.
_STEP_SHARE = 0.02


def metric(question: Question) -> bool:
    """Whether who pours measures in metric units: in none of the amounts stands another, or, where nothing is poured,
    not in the bucket's volume."""
    systems = {item.amount.system for item in question.poured} or {question.pour.bucket.measure.system}
    return "us" not in systems


def measured(product: Product, kg: float, *, in_metric: bool, at_most: bool = False) -> tuple[str, float]:
    """An amount of a product to the step of a scale or a jug that is at most 2 % of it, or one at least of the finest:
    as it is written, and what it weighs [kg]. Liquids by volume, dry products by mass. at_most: never more of it than
    that, but for a step of the finest.

    >>> from pourcheck import Catalog
    >>> with Catalog.open("sqlite://") as catalog:
    ...     urea, uan = catalog.product("urea"), catalog.product("UAN 32")
    >>> measured(urea, 0.86, in_metric=False)[0], measured(urea, 0.86, in_metric=True)[0]
    ('1 lb 14.5 oz', '860 g')
    >>> measured(uan, 0.86, in_metric=False)[0], measured(uan, 14.2, in_metric=False)[0]
    ('22 fl oz', '2.85 gal')
    >>> measured(uan, 5.3, in_metric=True)[0]
    '4 L'
    """
    density = product.density
    if product.form == "liquid" and density is not None:
        liters = kg / density.kg_per_l
        if in_metric:
            ml = _rounded(1000.0 * liters, _MILLILITERS, at_most)
            return _of_thousand(ml, "mL", "L"), ml / 1000.0 * density.kg_per_l
        gallons = _rounded(liters / L_PER_GAL, _GALLONS, at_most)
        if gallons >= 1.0:
            return f"{gallons:g} gal", gallons * L_PER_GAL * density.kg_per_l
        ounces = _rounded(liters / L_PER_GAL * _FL_OZ_PER_GAL, _FLUID_OUNCES, at_most)
        return f"{ounces:g} fl oz", ounces / _FL_OZ_PER_GAL * L_PER_GAL * density.kg_per_l
    if in_metric:
        grams = _rounded(1000.0 * kg, _GRAMS, at_most)
        return _of_thousand(grams, "g", "kg"), grams / 1000.0
    ounces = _rounded(kg / KG_PER_LB * _OZ_PER_LB, _OUNCES, at_most)
    return _in_pounds(ounces), ounces / _OZ_PER_LB * KG_PER_LB


def on_a_scale(text: str, product: Product, kg: float, *, in_metric: bool) -> str:
    """An amount of a product as it is written where a scale or a jug shows that, quarters of ounces, pounds and gallons
    for one; else to the step of one.

    >>> from pourcheck import Catalog
    >>> with Catalog.open("sqlite://") as catalog:
    ...     urea = catalog.product("urea")
    >>> on_a_scale("1.25 lb", urea, 0.567, in_metric=False), on_a_scale("1.33 lb", urea, 0.604, in_metric=False)
    ('1.25 lb', '1 lb 5.25 oz')
    """
    amount = read_amount(text)
    shown = amount.system != "us" or float(4.0 * amount.number).is_integer()
    return text if shown else measured(product, kg, in_metric=in_metric)[0]


def _rounded(amount: float, steps: tuple[float, ...], at_most: bool) -> float:
    step = max((one for one in steps if one <= _STEP_SHARE * amount), default=steps[0])
    count = int(amount / step + 1e-9) if at_most else round(amount / step)
    return round(max(count, 1) * step, 2)


def _of_thousand(amount: float, small: str, large: str) -> str:
    return f"{amount / 1000.0:g} {large}" if amount >= 1000.0 else f"{amount:g} {small}"


def _in_pounds(ounces: float) -> str:
    whole, rest = divmod(ounces, _OZ_PER_LB)
    parts = [f"{whole:g} lb"] if whole else []
    parts += [f"{round(rest, 2):g} oz"] if rest or not whole else []
    return " ".join(parts)
