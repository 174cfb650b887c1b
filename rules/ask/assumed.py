"""What was taken for something that is not stated, as data; the words for it are made in `present`."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict

Why = Literal[
    "not-stated",  # swept over its usual range
    "bounded-by-test",  # not tested, swept over what the rest of the water test leaves
    "stated-as-range",  # swept over what was stated
    "read-off-setting",  # a ratio that was not measured, swept by the usual error of its injector
    "unit-in-doubt",  # as typed, or in grains per gallon
    "volume-of-dry",  # a level measure of a dry product, swept over what it may weigh
    "volume-of-some-grade",  # a volume of a liquid whose strength, and so whose density, is open
    "ounces-of-liquid",  # by weight as typed, or fluid ounces
    "not-tested-taken-as-none",  # takes no part in any solid here
    "filled-up-to-volume",  # how the bucket is made up
    "added-to-water",
    "grade-not-stated",  # its name means several grades, each of which was tried
    "cooling-not-counted",  # no heat of solution on record
    "activity-estimated",  # no measured activity parameters of a pair of ions
]


class Assumed(BaseModel):
    """One assumption. input: name of the quantity, or what it is about; low, high: the range that was swept, in `unit`,
    or the value taken (the same twice), None where it is no number; about: the products, items or pairs of ions that it
    holds for."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    input: str
    why: Why
    low: float | None = None
    high: float | None = None
    unit: str = ""
    about: tuple[str, ...] = ()
