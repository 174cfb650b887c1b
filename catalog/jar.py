"""Jar tests: what was mixed in a small jar, and what was seen."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from .product import Identifier, Name, Record

Seen = Literal["clear", "cloudy", "settled", "floated", "gas", "heat", "gel", "color"]


def _a_day(text: str) -> str:
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise ValueError("is not a day; write 2026-03-31") from None


#: A day as text, 2026-03-31.
Day = Annotated[str, AfterValidator(_a_day)]


class InJar(Record):
    """One product in a jar, its amount as it was measured ("2 g", "5 mL")."""

    name: Name
    amount: Name


class JarTest(Record):
    """What was mixed in a jar and what was seen; a record of what happened, which never lowers a stop.

    >>> JarTest.model_validate({"id": "may-trial", "made_on": "2026-05-02", "by": "A. Grower",
    ...     "product": [{"name": "urea", "amount": "2 g"}], "water": "brook-well", "seen": ["clear"]}).seen
    ('clear',)
    """

    id: Identifier
    made_on: Day
    by: str = ""
    product: tuple[InJar, ...] = Field(min_length=1)
    water: str = Field(default="", description="the well, by its name")
    bucket: str = Field(default="", description='water in the jar, "200 mL"')
    temperature: str = ""
    waited: str = Field(default="", description='how long it stood before it was looked at, "2 hours"')
    seen: tuple[Seen, ...] = Field(min_length=1)
    note: str = ""
