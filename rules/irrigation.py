"""What a pour says of its drip and its times, as numbers: travel time, flows, suction."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from ..catalog import InputError, units
from .hydraulics import DripSystem, Lateral, Times, pipe_volume_l
from .pour import Drip, Pour


@dataclass(frozen=True)
class Plan:
    """stated: times of charge, injection and flush [min], None where not stated. travel_min: from the injector to the
    last emitter, measured or computed; system: the drip where enough of it is known; flow_l_per_min: through the
    injector's line, stated or of all emitters; suction_l_per_min: of the injector, where stated."""

    stated: Times
    travel_min: float | None
    basis: Literal["measured", "computed", "unknown"]
    system: DripSystem | None
    flow_l_per_min: float | None
    suction_l_per_min: float | None


def plan(pour: Pour) -> Plan:
    """The plan of a pour. Raises: InputError: the drip makes no sense."""
    injection = pour.injection
    times = {
        f"{name}_min": None if (text := getattr(injection, name)) is None else units.time_min(text, f"injection.{name}")
        for name in ("charge", "inject", "flush")
    }
    system = _system(pour.drip) if pour.drip is not None else None
    measured = pour.drip.travel if pour.drip is not None else None
    travel, basis = (None if system is None else system.travel().total_min), "unknown"
    if travel is not None:
        basis = "computed"
    if measured is not None:
        travel, basis = units.time_min(measured, "drip.travel"), "measured"
    flow = None if system is None else system.flow_l_per_min
    if injection.flow is not None:
        flow = _middle(injection.flow, "injection.flow")
    suction = None if injection.suction is None else _middle(injection.suction, "injection.suction")
    return Plan(Times(**times), travel, basis, system, flow, suction)  # type: ignore[arg-type]


def _middle(text: str, where: str) -> float:
    low, high = units.read_span(text, units.flow_l_per_min, where)
    return 0.5 * (low + high)


def _system(drip: Drip) -> DripSystem | None:
    """The drip in numbers; None while something that its travel time needs is missing."""
    sizes = {
        "length_m": ("lateral_length", drip.lateral_length),
        "inside_diameter_m": ("inside_diameter", drip.inside_diameter),
        "emitter_spacing_m": ("emitter_spacing", drip.emitter_spacing),
    }
    known = {key: units.length_m(text, f"drip.{name}") for key, (name, text) in sizes.items() if text is not None}
    if len(known) < len(sizes) or drip.emitter_flow is None:
        return None
    main_l = 0.0 if drip.main_volume is None else units.volume_l(drip.main_volume, "drip.main_volume")
    if drip.main_length is not None and drip.main_diameter is not None:
        main_l += pipe_volume_l(
            units.length_m(drip.main_length, "drip.main_length"),
            units.length_m(drip.main_diameter, "drip.main_diameter"),
        )
    try:
        lateral = Lateral(**known, emitter_flow_l_per_min=units.flow_l_per_min(drip.emitter_flow, "drip.emitter_flow"))
        return DripSystem(lateral, laterals=drip.laterals or 1, main_volume_l=main_l)
    except ValueError as error:
        raise InputError(f"makes no sense ({error})", where="drip", mend="check lengths, spacing and flow") from None
