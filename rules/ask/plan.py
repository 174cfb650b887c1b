"""What a pour says of its drip and its times, as numbers: travel time, flows, suction."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import Literal

from ...catalog import InputError
from ...catalog.text import quoted
from .hydraulics import DripSystem, Lateral, Times, pipe_volume_l
from .pour import Drip, Pour

Span = tuple[float, float]
#: A drip whose last emitter is further away than a week is mistyped [min].
_MOST_TRAVEL_MIN = 7 * 24 * 60.0


@dataclass(frozen=True)
class Plan:
    """stated: times of fill, injection and flush [min], None where not stated. travel_min: from the injector to the
    last emitter; basis: where it comes from; left_out: in words what a computed one does not count, "" for nothing.
    system: the drip where enough of it is known; drip_flow_l_per_min: what its emitters put out, None where it is not
    known how many laterals there are. flow_l_per_min, suction_l_per_min: of the water before the injector and of the
    injector, least and most, None where not stated."""

    stated: Times
    travel_min: float | None
    basis: Literal["measured", "computed", "unknown"]
    left_out: str
    system: DripSystem | None
    drip_flow_l_per_min: float | None
    flow_l_per_min: Span | None
    suction_l_per_min: Span | None


def plan(pour: Pour) -> Plan:
    """The plan of a pour. Raises: InputError: the drip makes no sense."""
    injection, drip = pour.injection, pour.drip
    fill, inject, flush = (
        None if time is None else time.low for time in (injection.fill, injection.inject, injection.flush)
    )
    flow, suction = (None if rate is None else rate.span for rate in (injection.flow, injection.suction))
    system = None if drip is None else _system(drip, flow)
    travel: float | None = None
    basis: Literal["measured", "computed", "unknown"] = "unknown"
    left_out, own = "", None
    if drip is not None and system is not None:
        travel, basis, left_out = system.travel_min, "computed", _left_out(drip, flow)
        own = None if drip.laterals is None else system.flow_l_per_min
    if drip is not None and drip.travel is not None:
        travel, basis, left_out = drip.travel.low, "measured", ""
        if travel <= 0.0:
            raise InputError(
                f"{quoted(drip.travel.text)} is no travel time",
                where="drip.travel",
                mend="measure it with dye or an EC meter, or leave it out",
            )
    return Plan(Times(fill, inject, flush), travel, basis, left_out, system, own, flow, suction)


def _left_out(drip: Drip, flow_l_per_min: Span | None) -> str:
    """What the computed travel time does not know, in words."""
    if _main_l(drip) == 0.0:
        half = drip.main_length is not None or drip.main_diameter is not None
        return "without the main" + (", which needs length and diameter" if half else "")
    return "as if one lateral ran" if drip.laterals is None and flow_l_per_min is None else ""


def _main_l(drip: Drip) -> float:
    """Volume of the main [L]: as stated or from its sizes, the larger where both are given; 0 where not known."""
    stated = 0.0 if drip.main_volume is None else drip.main_volume.low
    if drip.main_length is None or drip.main_diameter is None:
        return stated
    return max(stated, pipe_volume_l(drip.main_length.low, drip.main_diameter.low))


def _system(drip: Drip, flow_l_per_min: Span | None) -> DripSystem | None:
    """The drip in numbers; None while something that its travel time needs is missing.

    Laterals that are not counted are as many as the stated flow feeds, at its least. Where that is not stated either
    it is one, through which the main takes longest.
    """
    sizes = (drip.lateral_length, drip.inside_diameter, drip.emitter_spacing, drip.emitter_flow)
    known = [size.low for size in sizes if size is not None]
    if len(known) < len(sizes):
        return None
    length_m, diameter_m, spacing_m, flow = known
    try:
        lateral = Lateral(
            length_m=length_m, inside_diameter_m=diameter_m, emitter_spacing_m=spacing_m, emitter_flow_l_per_min=flow
        )
        laterals = drip.laterals
        if laterals is None:
            fed = 1.0 if flow_l_per_min is None else flow_l_per_min[0] / lateral.inflow_l_per_min
            laterals = max(1, round(fed))
        system = DripSystem(lateral, laterals, _main_l(drip))
        if not (isfinite(system.flow_l_per_min) and system.travel_min <= _MOST_TRAVEL_MIN):
            raise ValueError(f"the last emitter is {system.travel_min:.3g} min away")
    except (ValueError, OverflowError) as error:
        raise InputError(f"makes no sense ({error})", where="drip", mend="check lengths, spacing and flow") from None
    return system
