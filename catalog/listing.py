"""Regions and their lists of products, as records; what a region's policy may say is checked by whoever applies it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Literal

from pydantic import Field, field_validator

from .errors import InputError
from .product import Identifier, Name, Product, Record
from .quantity.measure import Measure, read_amount
from .text import quoted

ListingState = Literal["draft", "reviewed", "needs-relabel", "retired"]

#: Called with the policy of a region that is to be saved; raises ValueError or InputError where it makes no sense.
PolicyCheck = Callable[[Mapping[str, Any]], object]
_policy_checks: list[PolicyCheck] = []


def policies_are_checked_by(check: PolicyCheck) -> None:
    """Have every policy looked at by a function from now on."""
    if check not in _policy_checks:
        _policy_checks.append(check)


class RegionRecord(Record):
    """A region: its name and its policy (ranges, levels of rules, phosphorus), as plain tables."""

    id: Identifier
    name: Name
    policy: dict[str, Any] = Field(default_factory=dict)
    notes: str = ""

    @field_validator("policy", mode="after")
    @classmethod
    def _policy_makes_sense(cls, policy: dict[str, Any]) -> dict[str, Any]:
        for check in _policy_checks:
            check(policy)
        return policy


class Listing(Record):
    """A product on the list of a region. price: of a bag or a jug, "24.50 / 50 lb", in whatever currency.

    >>> Listing(region="aldervane", product="urea", state="reviewed", reviewed_by="B. Adviser").id
    'aldervane/urea'
    """

    region: Identifier
    product: Identifier
    state: ListingState = "draft"
    reviewed_by: str = ""
    local_name: str = Field(default="", max_length=120)
    sold_here: bool = False
    price: str = ""
    note: str = ""

    @field_validator("price")
    @classmethod
    def _price_reads(cls, price: str) -> str:
        if price:
            _price(price)
        return price

    def price_per_kg(self, product: Product) -> float | None:
        """What a kilogram of the product costs, in whatever currency; None without a price, or by volume without a
        density.

        product: that the entry is about.
        """
        if not self.price:
            return None
        money, amount = _price(self.price)
        if amount.kind == "mass":
            return money / amount.low
        return None if product.density is None else money / (amount.low * product.density.kg_per_l)

    @property
    def id(self) -> str:
        """The region and the product."""
        return f"{self.region}/{self.product}"


def _price(text: str) -> tuple[float, Measure]:
    """The number and the amount of a price. Raises: ValueError: it is none."""
    money, _, per = text.partition("/")
    try:
        price = float(money)
        if not (per.strip() and 0.0 <= price < 1e9):
            raise ValueError
        return price, read_amount(per.strip())
    except (ValueError, InputError):
        raise ValueError(f"price {quoted(text)} is not a number for an amount; write 24.50 / 50 lb") from None
