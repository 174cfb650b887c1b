"""Regions and their lists of products, as records; what a region's policy may say is checked by whoever applies it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Literal

from pydantic import Field, field_validator

from .product import Identifier, Name, Record

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
    """A product on the list of a region.

    >>> Listing(region="aldervane", product="urea", state="reviewed", reviewed_by="B. Adviser").id
    'aldervane/urea'
    """

    region: Identifier
    product: Identifier
    state: ListingState = "draft"
    reviewed_by: str = ""
    local_name: str = Field(default="", max_length=120)
    sold_here: bool = False
    note: str = ""

    @property
    def id(self) -> str:
        """The region and the product."""
        return f"{self.region}/{self.product}"
