"""The ratio of an injector from a trial: stock drawn, and the water that went by meanwhile."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import ceil, floor, log10
from typing import Any, Self

from pydantic import Field, ValidationError, model_validator

from ...catalog import InputError
from ...catalog.quantity.measure import FlowRange, Time, Volume
from ...catalog.store.parse import input_error
from .pour import Part

#: How far what is read off may be from the truth, as a share: the marks of a bucket, a water meter, a flow that was
#: stated (common practice, no source); and of starting and stopping a watch [min].
DRAWN_OFF, METER_OFF, FLOW_OFF, WATCH_OFF_MIN = 0.03, 0.02, 0.05, 0.1
#: What goes by in a trial is at least this much more than what is drawn, and at most.
LEAST_PARTS, MOST_PARTS = 1.0, 10_000.0


@dataclass(frozen=True)
class MeasuredRatio:
    """Parts of water per part of stock: the best estimate, and between what the errors of reading leave.

    drawn_l_per_min, minutes: how fast the stock was drawn, None where no time was taken.
    """

    parts: float
    low: float
    high: float
    drawn_l_per_min: float | None = None

    @property
    def text(self) -> str:
        """As a pour takes it."""
        return f"1:{_rounded(self.low, floor)} to 1:{_rounded(self.high, ceil)}"

    @property
    def best_text(self) -> str:
        """The best estimate."""
        return f"1:{_rounded(self.parts, round)}"


def _rounded(parts: float, to_whole: Callable[[float], int]) -> str:
    """To three digits, or whole parts: outwards, so that the range keeps what it had."""
    digits = max(0, 2 - floor(log10(parts)))
    return f"{to_whole(round(parts * 10.0**digits, 6)) / 10.0**digits:.{digits}f}"


class InjectorTrial(Part):
    """What was read. Either the water by a meter, or its flow and the time.

    >>> InjectorTrial.parse({"drawn": "5 gal", "water": "500 gal"}).ratio().best_text
    '1:100'
    """

    drawn: Volume = Field(description='stock (or plain water) that the injector drew out of the bucket, "5 gal"')
    water: Volume | None = Field(default=None, description='water that went by meanwhile, by the meter, "480 gal"')
    minutes: Time | None = Field(default=None, description='how long it took, "42 min"')
    flow: FlowRange | None = Field(default=None, description='or: flow of the water, "12 gal/min"')
    meter_after: bool = Field(default=False, description="true where meter or flow counts the stock too")

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if self.water is not None and self.flow is not None:
            raise ValueError("water and flow are both given; keep the one that was read off a meter")
        if self.water is None and (self.flow is None or self.minutes is None):
            raise ValueError("it is not known how much water went by; give the water, or its flow and the minutes")
        if self.drawn.low <= 0.0 or (self.minutes is not None and self.minutes.low <= WATCH_OFF_MIN):
            raise ValueError("nothing was drawn, or in no time; draw a measured gallon and time it")
        return self

    @classmethod
    def parse(cls, data: Mapping[str, Any], where: str = "trial") -> Self:
        """From plain data. Raises: InputError: place, field, how to mend it."""
        try:
            return cls.model_validate(dict(data))
        except ValidationError as error:
            raise input_error(error, where) from None

    def ratio(self) -> MeasuredRatio:
        """The ratio of stock to water. Raises: InputError: it is no injection ratio."""
        drawn = [self.drawn.low * (1.0 + off) for off in (-DRAWN_OFF, 0.0, DRAWN_OFF)]
        minutes = None if self.minutes is None else self.minutes.low
        if self.water is not None:
            went_by = [self.water.low * (1.0 + off) for off in (-METER_OFF, 0.0, METER_OFF)]
        else:
            assert self.flow is not None, "validated"
            assert minutes is not None, "validated"
            flow = self.flow
            # A flow that was stated as a range is as good as that.
            off = FLOW_OFF if flow.low == flow.high else 0.0
            went_by = [
                flow.low * (1.0 - off) * (minutes - WATCH_OFF_MIN),
                flow.middle * minutes,
                flow.high * (1.0 + off) * (minutes + WATCH_OFF_MIN),
            ]
        # Little drawn with much water is the weakest ratio that the readings allow.
        low, best, high = (
            water / stock - self.meter_after for water, stock in zip(went_by, reversed(drawn), strict=True)
        )
        if not LEAST_PARTS <= low <= high <= MOST_PARTS:
            raise InputError(
                f"the water is {went_by[1] / drawn[1]:.3g} times the stock, not an injection ratio",
                where="trial",
                mend="check the readings and their units",
            )
        return MeasuredRatio(best, low, high, None if minutes is None else self.drawn.low / minutes)
