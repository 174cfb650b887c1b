"""Numbers of a pour that a person may change, and the changed pours: how much, how strong, how warm, how much rain."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from ...catalog.quantity.measure import Measure
from ...catalog.quantity.table import (
    ALKALINITY,
    AMOUNT_FACTOR,
    BICARBONATE,
    BUCKET_TEMPERATURE,
    HARDNESS,
    INJECTION_RATIO,
    LINE_TEMPERATURE,
    QUANTITIES,
    Quantity,
)
from ...catalog.quantity.units import L_PER_GAL
from ..answer.verdict import RemedyKind
from ..ask.columns import Columns
from ..ask.pour import Pour, PouredProduct
from ..ask.question import Poured, Question
from ..chemistry.constants import Floats
from ..explore.reach import Path
from ..judge.advice import KEPT_WITHIN_C, STRONGEST_RATIO, WEAKEST_RATIO
from ..policy import injector_error
from .measured import measured, metric

#: Values tried along a number, and how often a rounded one that is not good after all is moved on.
_VALUES, _TRIES = 10, 3
#: Less than this of what was to be poured is no remedy, nor is more rain water than this, nor a bucket of more times
#: the size, nor an injector set so many times stronger (design choices).
_LEAST_FACTOR, _MOST_RAIN, _MOST_TIMES_BIGGER, _MOST_TIMES_STRONGER = 0.1, 0.95, 8.0, 3.0
#: Less of a product is offered where it can be measured to this share.
_LESS_WITHIN = 0.1
#: Sizes that buckets and barrels are filled to, of each power of ten (design choice).
_FILLS = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)
#: What the water of a tap or a sun-warmed barrel, and a drip line at a time of day that can be chosen, are kept within
#: [degC] (common practice, no source).
_BUCKET_C, _LINE_C = (5.0, 35.0), (10.0, 35.0)
#: The pH of water mixed with rain lies within so much of its own, since alkalinity and carbon dioxide are thinned alike
#: (design choice).
_PH_WITHIN = 0.3


@dataclass(frozen=True)
class Try:
    """A changed pour to be asked: what kind of change it is, to which value of which unit; tables: of the pour that are
    other ones."""

    kind: RemedyKind
    pour: Pour
    tables: tuple[str, ...]
    unit: str = ""
    now: float | None = None
    to: float | None = None


@dataclass(frozen=True)
class Movable:
    """A number that may be changed. path: from `here`; tries: turns a value that was found into changed pours, rounded
    to what a person can set, the nearest first of each kind."""

    here: float
    path: Path
    tries: Callable[[float], Iterator[Try]]


class Levers:
    """The numbers of one pour."""

    def __init__(self, question: Question) -> None:
        self.question = question
        self.nominal = question.nominal()

    def __call__(self) -> Iterator[Movable]:
        """All that may be changed in it."""
        ratio = self._here(INJECTION_RATIO)
        yield Movable(1.0, Path(np.geomspace(0.9, _LEAST_FACTOR, _VALUES), True, _to(AMOUNT_FACTOR)), self._less)
        stated = self._states_ratio
        moved = self._ratio_moved if stated else _to(INJECTION_RATIO)
        start = ratio if stated else STRONGEST_RATIO
        if start < WEAKEST_RATIO:
            values = np.geomspace(start * 1.1, WEAKEST_RATIO, _VALUES)
            yield Movable(start, Path(values, True, moved), self._weaker)
        if stated and ratio > STRONGEST_RATIO:
            values = np.geomspace(ratio / 1.1, max(STRONGEST_RATIO, ratio / _MOST_TIMES_STRONGER), _VALUES)
            yield Movable(ratio, Path(values, True, moved), self._stronger)
        for quantity, (low, high), tries in (
            (BUCKET_TEMPERATURE, _BUCKET_C, self._bucket_temperature),
            (LINE_TEMPERATURE, _LINE_C, self._line_temperature),
        ):
            here = self._here(quantity)
            if not self.question.stated(quantity):
                # What is swept may be kept where it is best: the nearest of either side.
                values = np.linspace(low, high, 2 * _VALUES)
                values = np.append(here, values[np.argsort(np.abs(values - here))])
                yield Movable(here, Path(values, False, _to(quantity)), tries)
                continue
            for end in (low, high):
                if abs(end - here) > 2.0:
                    values = np.linspace(here, end, _VALUES + 1)[1:]
                    yield Movable(here, Path(values, False, _to(quantity)), tries)
        if self.question.water is not None:
            yield Movable(0.0, Path(np.linspace(0.1, _MOST_RAIN, _VALUES), False, _with_rain), self._rain)

    def _ratio_moved(self, columns: Columns, values: Floats) -> Columns:
        """A ratio that is off its setting by a share stays so at another setting."""
        return columns.moved(INJECTION_RATIO, columns.of(INJECTION_RATIO) * values / self._here(INJECTION_RATIO))

    def _less(self, factor: float) -> Iterator[Try]:
        pour = self.question.pour
        for i in range(_TRIES):
            smaller = factor * 0.92**i
            amounts = [self._measured(item, smaller) for item in self.question.poured]
            if any(
                abs(kg - smaller * item.mass_kg) > _LESS_WITHIN * smaller * item.mass_kg
                for (_, kg), item in zip(amounts, self.question.poured, strict=True)
            ):
                continue
            lines = tuple(
                PouredProduct.model_validate({**line.model_dump(exclude_none=True), "amount": text})
                for line, (text, _) in zip(pour.product, amounts, strict=True)
            )
            yield Try(
                "less",
                pour.model_copy(update={"product": lines}),
                ("product",),
                AMOUNT_FACTOR.unit,
                1.0,
                three_figures(smaller),
            )
        volume = pour.bucket.measure
        for i in range(_TRIES):
            times = 1.0 / (factor * 0.92**i)
            if times > _MOST_TIMES_BIGGER:
                break
            number, unit = _as_stated(volume)
            bigger = _filled(number * times)
            field = "volume" if pour.bucket.volume is not None else "water"
            bucket = type(pour.bucket).model_validate(
                {**pour.bucket.model_dump(exclude_none=True), field: f"{bigger:g} {unit}"}
            )
            yield Try("bigger-bucket", pour.model_copy(update={"bucket": bucket}), ("bucket",), unit, number, bigger)

    def _injected(self, **fields: object) -> Pour:
        pour = self.question.pour
        data = {**pour.injection.model_dump(exclude_none=True), **fields}
        if "ratio" in fields:
            data.pop("suction", None)
            data.pop("flow", None)
        return pour.model_copy(update={"injection": type(pour.injection).model_validate(data)})

    def _ratio(self, kind: RemedyKind, value: float, on: float) -> Iterator[Try]:
        now = self._here(INJECTION_RATIO) if self._states_ratio else None
        tried = set()
        for i in range(_TRIES):
            parts = _rounded_up(value * on**i) if on > 1.0 else _rounded_down(value * on**i)
            if parts not in tried and STRONGEST_RATIO <= parts <= WEAKEST_RATIO:
                tried.add(parts)
                yield Try(kind, self._injected(ratio=f"1:{parts:g}"), ("injection",), INJECTION_RATIO.unit, now, parts)

    @property
    def _states_ratio(self) -> bool:
        return self.question.pour.injection.parts_of_water_range() is not None

    def _weaker(self, value: float) -> Iterator[Try]:
        # A setting that was not stated will be off by what a Venturi is.
        sure = 1.0 if self._states_ratio else 1.0 - injector_error("venturi").within_share
        return self._ratio("weaker-ratio", value / sure, 1.15)

    def _stronger(self, value: float) -> Iterator[Try]:
        return self._ratio("stronger-ratio", value, 1.0 / 1.15)

    def _temperature(
        self, quantity: Quantity, value: float, within: tuple[float, float]
    ) -> Iterator[tuple[float | None, float, str]]:
        here = self._here(quantity)
        now = three_figures(here) if self.question.stated(quantity) else None
        step = 1.0 if value >= here else -1.0
        for i in range(_TRIES):
            to = float(np.ceil(value) if step > 0 else np.floor(value)) + step * (KEPT_WITHIN_C + 2.0 * i)
            low, high = to - KEPT_WITHIN_C, to + KEPT_WITHIN_C
            if within[0] <= low and high <= within[1]:
                yield now, to, f"{low:g} to {high:g} degC"

    def _bucket_temperature(self, value: float) -> Iterator[Try]:
        pour = self.question.pour
        kind: RemedyKind = "warmer-bucket" if value >= self._here(BUCKET_TEMPERATURE) else "cooler-bucket"
        for now, to, text in self._temperature(BUCKET_TEMPERATURE, value, _BUCKET_C):
            bucket = type(pour.bucket).model_validate(
                {**pour.bucket.model_dump(exclude_none=True), "temperature": text}
            )
            yield Try(kind, pour.model_copy(update={"bucket": bucket}), ("bucket",), "degC", now, to)

    def _line_temperature(self, value: float) -> Iterator[Try]:
        kind: RemedyKind = "warmer-line" if value > self._here(LINE_TEMPERATURE) else "cooler-line"
        for now, to, text in self._temperature(LINE_TEMPERATURE, value, _LINE_C):
            yield Try(kind, self._injected(line_temperature=text), ("injection",), "degC", now, to)

    def _here(self, quantity: Quantity) -> float:
        return self.nominal[quantity.name]

    def _rain(self, share: float) -> Iterator[Try]:
        pour, water = self.question.pour, self.question.water
        assert water is not None
        assert pour.water is not None
        for i in range(_TRIES):
            rain = min(round(float(np.ceil(20.0 * share)) / 20.0 + 0.1 * i, 2), _MOST_RAIN)
            data: dict[str, Any] = water.diluted(1.0 - rain)
            if water.ph_range is not None:
                low, high = water.ph_range
                data["ph"] = f"{low - _PH_WITHIN:g} to {high + _PH_WITHIN:g}"
            if water.temperature is not None:
                data["temperature"] = water.temperature.text
            if water.tested_on is not None:
                data["tested_on"] = water.tested_on
            mixed = type(pour.water).model_validate(data)
            yield Try("rain-water", pour.model_copy(update={"water": mixed}), ("water",), "of the water", 0.0, rain)

    def _measured(self, item: Poured, factor: float) -> tuple[str, float]:
        return measured(item.likely, factor * item.mass_kg, in_metric=metric(self.question))


def _to(quantity: Quantity) -> Callable[[Columns, Floats], Columns]:
    return lambda columns, values: columns.moved(quantity, values)


#: Of a water, what rain water thins.
_THINNED = tuple(
    quantity
    for quantity in QUANTITIES.values()
    if quantity.species is not None or quantity in (ALKALINITY, BICARBONATE, HARDNESS)
)


def _with_rain(columns: Columns, shares: Floats) -> Columns:
    """The scenarios with rain water as these shares of the water."""
    for quantity in _THINNED:
        if (values := columns.of(quantity)) is not None:
            columns = columns.moved(quantity, values * (1.0 - shares))
    return columns


def three_figures(value: float) -> float:
    """A number as it is told."""
    return float(f"{value:.3g}")


def _step(value: float) -> float:
    return float(10.0 ** (np.floor(np.log10(value)) - 1.0))


def _rounded_up(value: float) -> float:
    """To two figures."""
    step = _step(value)
    return round(float(np.ceil(value / step - 1e-9)) * step, 6)


def _rounded_down(value: float) -> float:
    step = _step(value)
    return round(float(np.floor(value / step + 1e-9)) * step, 6)


def _filled(value: float) -> float:
    """The next size that a bucket is filled to."""
    decade = float(10.0 ** np.floor(np.log10(value)))
    return next(round(one * decade, 6) for one in _FILLS if one * decade >= value * (1.0 - 1e-9))


#: A volume of one number and a unit: no fraction, no range.
_PLAIN = re.compile(r"\s*(\d+(?:\.\d+)?)\s*([A-Za-z]+(?: [A-Za-z]+)?)\s*")


def _as_stated(volume: Measure) -> tuple[float, str]:
    """A volume's number and unit as it was written; written otherwise, in gallons or liters, by the least of it."""
    plain = _PLAIN.fullmatch(volume.text)
    if plain is not None:
        return float(plain[1]), plain[2]
    return (volume.low / L_PER_GAL, "gal") if volume.system == "us" else (volume.low, "L")
