"""What a product weighs, where the amount as it was stated does not tell: a volume of something dry, and ounces of a
liquid, which may be fluid ounces."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ...catalog import InputError, Product
from ...catalog.label.bulk import weight_of_volume
from ...catalog.quantity.measure import Measure
from ...catalog.quantity.table import OptionalQuantity
from ...catalog.quantity.units import KG_PER_LB, L_PER_GAL
from ...catalog.text import quoted
from ..policy import Unknown
from .assumed import Why

#: kg.
_KG_PER = {"oz": KG_PER_LB / 16.0, "g": 0.001}
_FLUID_OUNCE_L = L_PER_GAL / 128.0
#: What "oz" of a liquid may have meant; the first as it was typed.
OUNCES = ("ounces by weight", "fluid ounces")


@dataclass(frozen=True)
class Weight:
    """A product's weight in the pour that is swept. unknown: its range, in ounces or grams; kg_per_unit: of those;
    why: it is not known; spoken: what it is the weight of."""

    unknown: Unknown
    kg_per_unit: float
    why: Why
    spoken: str

    @property
    def heaviest_kg(self) -> float:
        """The most that it may weigh."""
        return self.unknown.high * self.kg_per_unit


def weigh(
    place: int,
    product: Product,
    amount: Measure,
    stated_kg_per_l: float | None,
    where: str,
    grades: Sequence[Product] = (),
) -> tuple[float, Weight | None]:
    """Best estimate of a product's mass [kg], and what is swept around it, None where the amount tells it.

    place: of the product in the pour, from 1; stated_kg_per_l: a density that the pour states; grades: those that the
    product may be, of densities of their own.
    Raises: InputError: a volume of a liquid of no known density.
    """
    density = stated_kg_per_l
    if density is None and product.form == "liquid" and product.density is not None:
        density = product.density.kg_per_l
    grades_kg_per_l = [grade.density.kg_per_l for grade in grades if grade.density is not None]
    if amount.kind == "volume":
        if grades_kg_per_l and stated_kg_per_l is None:
            ends = (amount.low * min(grades_kg_per_l), amount.low * max(grades_kg_per_l))
            return 0.5 * sum(ends), _swept(place, product, amount, ends, None, "volume-of-some-grade", "its grades")
        if density is not None:
            return amount.low * density, None
        if product.form == "liquid":
            raise InputError(
                f"{quoted(amount.text)} is a volume and no density is known for this product",
                where=where,
                mend='weigh it, or add the density from the label; of a dry product say form = "dry"',
            )
        known = weight_of_volume(product)
        ends = (amount.low * known.low, amount.low * known.high)
        weight = _swept(place, product, amount, ends, None, "volume-of-dry", known.source)
        return 0.5 * sum(ends), weight
    if product.form == "liquid" and amount.either_ounce:
        known = weight_of_volume(product)
        low, high = (known.low, known.high) if density is None else (density, density)
        liters = amount.low / _KG_PER["oz"] * _FLUID_OUNCE_L
        ends = (min(amount.low, liters * low), max(amount.low, liters * high))
        return amount.low, _swept(place, product, amount, ends, amount.low, "ounces-of-liquid", known.source)
    return amount.low, None


def _swept(
    place: int,
    product: Product,
    amount: Measure,
    ends_kg: tuple[float, float],
    best_kg: float | None,
    why: Why,
    source: str,
) -> Weight:
    unit = "g" if amount.system == "metric" else "oz"
    per = _KG_PER[unit]
    spoken = f"{amount.text} {product.name}"
    find_out = {
        "volume-of-dry": f"weigh a level {_vessel(amount.own_unit)} of {product.name}, and write the amount by weight",
        "volume-of-some-grade": f"read the strength of {product.name} on its container",
    }.get(why, f'write "fl oz" or "oz by weight" for {product.name}, whichever it was')
    quantity = _quantity(place, unit, f"weight of {spoken}", find_out)
    low, high = (end / per for end in ends_kg)
    return Weight(Unknown(quantity, low, high, source, None if best_kg is None else best_kg / per), per, why, spoken)


def weight_to_set(place: int, kg: float) -> Weight:
    """A weight that scenarios set, from none to kg, where parts of a pour are asked at once. place: as in `weigh`."""
    quantity = _quantity(place, "kg", "weight", "")
    return Weight(Unknown(quantity, 0.0, kg, "stated", kg), 1.0, "stated-as-range", "")


def _quantity(place: int, unit: str, spoken: str, find_out: str) -> OptionalQuantity:
    name = f"weight_of_product_{place}"
    return OptionalQuantity(name, unit, spoken, name, "even", 0.0, float("inf"), find_out, 1)


def _vessel(unit: str) -> str:
    """The cup or spoon that was measured with; a cup where it was none."""
    word = unit.lower().rstrip(".").removesuffix("s")
    return {"tbsp": "tablespoon", "tablespoon": "tablespoon", "tsp": "teaspoon", "teaspoon": "teaspoon"}.get(
        word, "cup"
    )
