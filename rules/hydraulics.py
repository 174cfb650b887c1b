"""Hydraulics of a drip: how long the stock travels, how long to inject and to flush, how even the drip is.

Lengths in m, volumes in L, flows in L/min, times in min, velocities in m/s, heads in m of water.

What is assumed:

1. Plug flow: the front stays sharp and moves with the mean velocity. In truth it spreads. The last
   segments of a lateral flow slowly, mostly laminar, where water at the wall lags behind the middle, so
   that the last of the stock leaves later than computed. A travel time measured at the last emitter,
   with dye or an EC meter, comes before a computed one (`timing_advice` takes both).
2. Equal outflow of all emitters, unless `arrivals_min` is given others. `flow_variation` tells how far
   friction makes them unequal; the far ones then drip less and the true travel is longer.
3. Pipes are full and at pressure, and nothing flows behind the last emitter: what stands in a closed
   end (`Lateral.dead_end_m`) moves only when the end is opened.
4. Friction of plain pipe: the barbs of emitters are left out.

Numbers "from memory" were recalled and not read again for this module.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from math import floor, inf, isfinite, pi, sqrt
from typing import Literal, TypeAlias

import numpy as np
import numpy.typing as npt

Floats: TypeAlias = npt.NDArray[np.float64]

#: Standard gravity (CGPM 1901, exact).
GRAVITY_M_PER_S2 = 9.80665
_L_PER_M3 = 1000.0
_S_PER_MIN = 60.0

#: Velocity at the open end that carries sediment out: 1 ft/s. Source: University of California,
#: Maintenance of Microirrigation Systems, flushing; from memory ASAE EP405 has 0.3 m/s too. Trials
#: compared 0.23, 0.30, 0.46 and 0.61 m/s (Puig-Bargues, Lamm, Trooien and Clark, Transactions ASABE).
FLUSH_VELOCITY_M_PER_S = 0.3048
#: What large systems and poor water are flushed with, low and high. From memory: extension guides.
FLUSH_VELOCITY_LARGE_M_PER_S = (0.5, 0.6)

#: Friction of small plastic pipe after Hazen and Williams. From memory: handbooks give 130 to 150.
HAZEN_WILLIAMS_C = 140.0
#: Power of the flow in that formula.
HAZEN_WILLIAMS_POWER = 1.852
#: How emitter flow follows pressure, q ~ h^x: 0.5 for a turbulent path or an orifice, near 0 for a
#: compensating emitter. From memory: trickle irrigation handbooks.
EMITTER_EXPONENT = 0.5
#: Emitter flow along a lateral varies less than this where it still counts as acceptable (10 % as good).
#: From memory: Wu and Gitlin's criterion, in use in extension guides.
FLOW_VARIATION_LIMIT = 0.2

#: How many travel times each step takes at least. Filling: see `times_needed`. Injecting for twice the
#: travel time evens out the feed, and a tenth more than the travel time flushes the tail of a front that has
#: spread: design choices. For comparison, UF/IFAS HS1306 comes to 1.5 for injecting (30-45 min where travel
#: is 20-30) and to 1.0-1.5 for flushing (at least 30 min).
CHARGE_PER_TRAVEL = 1.0
INJECT_PER_TRAVEL = 2.0
FLUSH_PER_TRAVEL = 1.1

#: More emitters than this on one lateral are a typing error.
_MOST_OUTLETS = 100_000
#: Share that is taken for rounding, as where a length falls short of a whole number of spacings.
_ROUNDING = 1e-9


def _positive(**values: float) -> None:
    """Refuse what is not finite and above 0."""
    for name, value in values.items():
        if not (isfinite(value) and value > 0.0):
            raise ValueError(f"{name} is {value:g}; it must be above 0")


def _at_least(smallest: float, /, **values: float) -> None:
    """Refuse what is not finite, and what is below the smallest."""
    for name, value in values.items():
        if not (isfinite(value) and value >= smallest):
            raise ValueError(f"{name} is {value:g}; it must be at least {smallest:g}")


def _share(**values: float) -> None:
    """Refuse what is outside of 0..1."""
    for name, value in values.items():
        if not 0.0 <= value <= 1.0:
            raise ValueError(f"{name} is {value:g}; it must be within 0..1")


def _stated(parts: Lateral | Times) -> dict[str, float]:
    """The fields that hold a number."""
    return {name: value for name, value in asdict(parts).items() if value is not None}


def _floor(quotient: float) -> int:
    """Whole part, where 0.3 / 0.1 counts as 3."""
    return floor(quotient * (1.0 + _ROUNDING) + _ROUNDING)


# --- pipes ----------------------------------------------------------------------------------------


def area_m2(inside_diameter_m: float) -> float:
    """Cross-section of a round pipe [m2]. Raises: ValueError: a diameter that is not above 0."""
    _positive(inside_diameter_m=inside_diameter_m)
    return pi * inside_diameter_m**2 / 4.0


def pipe_volume_l(length_m: float, inside_diameter_m: float) -> float:
    """What a pipe holds [L]. Raises: ValueError: a length below 0, a diameter not above 0."""
    _at_least(0, length_m=length_m)
    return area_m2(inside_diameter_m) * length_m * _L_PER_M3


def velocity_m_per_s(flow_l_per_min: float, inside_diameter_m: float) -> float:
    """Mean velocity in a pipe [m/s]. Raises: ValueError: a flow below 0, a diameter not above 0."""
    _at_least(0, flow_l_per_min=flow_l_per_min)
    return flow_l_per_min / _L_PER_M3 / _S_PER_MIN / area_m2(inside_diameter_m)


def flow_for_velocity_l_per_min(velocity_m_per_s: float, inside_diameter_m: float) -> float:
    """Flow that has a velocity in a pipe [L/min]; at the open end, what it takes to flush.

    Raises: ValueError: a velocity below 0, a diameter not above 0.
    """
    _at_least(0, velocity_m_per_s=velocity_m_per_s)
    return velocity_m_per_s * area_m2(inside_diameter_m) * _L_PER_M3 * _S_PER_MIN


def pipe_travel_min(volume_l: float, flow_l_per_min: float) -> float:
    """Travel time [min] through a pipe without outlets: its volume (`pipe_volume_l`) over its flow.

    Raises: ValueError: a volume below 0, a flow not above 0.
    """
    _at_least(0, volume_l=volume_l)
    _positive(flow_l_per_min=flow_l_per_min)
    return volume_l / flow_l_per_min


# --- laterals: how long the stock travels ------------------------------------------------------------


@dataclass(frozen=True)
class Lateral:
    """A lateral with equal emitters.

    Emitters stand at the first distance and then at every spacing, as far as the length reaches. What is
    left behind the last one is a dead end.

    Args: length_m: inlet to closed end [m]; inside_diameter_m, emitter_spacing_m: [m];
    emitter_flow_l_per_min: of one emitter [L/min]; first_emitter_m: inlet to first emitter [m], one
    spacing where None.
    Raises: ValueError: a value that is not above 0; no emitter within the length; too many.
    """

    length_m: float
    inside_diameter_m: float
    emitter_spacing_m: float
    emitter_flow_l_per_min: float
    first_emitter_m: float | None = None

    def __post_init__(self) -> None:
        """Refuse what cannot be a lateral."""
        _positive(**_stated(self))
        outlets = 1.0 + (self.length_m - self.first_m) / self.emitter_spacing_m
        if _floor(outlets) < 1:
            raise ValueError(f"no emitter on {self.length_m:g} m: the first stands at {self.first_m:g} m")
        if outlets > _MOST_OUTLETS:
            raise ValueError(f"{outlets:.3g} emitters on one lateral; check its length and their spacing")

    @property
    def first_m(self) -> float:
        """Inlet to first emitter [m]."""
        return self.emitter_spacing_m if self.first_emitter_m is None else self.first_emitter_m

    @property
    def outlets(self) -> int:
        """How many emitters there are."""
        return _floor(1.0 + (self.length_m - self.first_m) / self.emitter_spacing_m)

    @property
    def inflow_l_per_min(self) -> float:
        """What flows in while the end is closed [L/min]."""
        return self.outlets * self.emitter_flow_l_per_min

    @property
    def volume_l(self) -> float:
        """What the lateral holds, dead end included [L]."""
        return pipe_volume_l(self.length_m, self.inside_diameter_m)

    @property
    def inlet_velocity_m_per_s(self) -> float:
        """Mean velocity at the inlet while the end is closed [m/s]."""
        return velocity_m_per_s(self.inflow_l_per_min, self.inside_diameter_m)

    @property
    def last_emitter_m(self) -> float:
        """Inlet to last emitter [m]."""
        return min(self.length_m, self.first_m + (self.outlets - 1) * self.emitter_spacing_m)

    @property
    def dead_end_m(self) -> float:
        """Length behind the last emitter [m]."""
        return self.length_m - self.last_emitter_m

    @property
    def segments_m(self) -> Floats:
        """Lengths between inlet, first emitter, second emitter and so on [m]. Shape: (outlets,)."""
        segments = np.full(self.outlets, self.emitter_spacing_m)
        segments[0] = self.first_m
        return segments

    @property
    def outflows_l_per_min(self) -> Floats:
        """Flow of every emitter [L/min]. Shape: (outlets,)."""
        return np.full(self.outlets, self.emitter_flow_l_per_min)


def segment_flows_l_per_min(outflows_l_per_min: Floats, end_flow_l_per_min: float = 0.0) -> Floats:
    """Flow in every segment of a pipe [L/min]: what all outlets from its end on need. Shape: (outlets,).

    Args: outflows_l_per_min: of each outlet, from the inlet on [L/min]; end_flow_l_per_min: what leaves
    at the open end [L/min].
    Raises: ValueError: an end flow below 0.
    """
    _at_least(0, end_flow_l_per_min=end_flow_l_per_min)
    return np.asarray(np.cumsum(outflows_l_per_min[::-1])[::-1] + end_flow_l_per_min)


def arrivals_min(
    segments_m: Floats, inside_diameter_m: float, outflows_l_per_min: Floats, end_flow_l_per_min: float = 0.0
) -> Floats:
    """When a front reaches every outlet of a pipe [min], counted from its inlet. Shape: (outlets,).

    The sum of the volume of each segment over the flow in it; outflows need not be equal.

    Args: segments_m: lengths between inlet and outlets [m], shape (outlets,); inside_diameter_m: [m];
    outflows_l_per_min: of each outlet [L/min], shape (outlets,); end_flow_l_per_min: what leaves at the
    open end [L/min].
    Raises: ValueError: shapes differ; a length or an outflow below 0; a last segment without flow.
    """
    if segments_m.shape != outflows_l_per_min.shape or segments_m.ndim != 1 or segments_m.size == 0:
        raise ValueError(f"segments {segments_m.shape} and outflows {outflows_l_per_min.shape} must be rows alike")
    _at_least(0, segments_m=float(segments_m.min()), outflows_l_per_min=float(outflows_l_per_min.min()))
    flows_l_per_min = segment_flows_l_per_min(outflows_l_per_min, end_flow_l_per_min)
    _positive(last_flow_l_per_min=float(flows_l_per_min[-1]))
    volumes_l = segments_m * area_m2(inside_diameter_m) * _L_PER_M3
    return np.asarray(np.cumsum(volumes_l / flows_l_per_min))


def _profile(lateral: Lateral, end_flow_l_per_min: float) -> tuple[Floats, Floats]:
    """Distance from the inlet [m] and arrival [min] at inlet, emitters and, if it is open, the end."""
    minutes = arrivals_min(
        lateral.segments_m, lateral.inside_diameter_m, lateral.outflows_l_per_min, end_flow_l_per_min
    )
    places_m = [np.zeros(1), np.cumsum(lateral.segments_m)]
    times_min = [np.zeros(1), minutes]
    # A trickle or a length that is no more than rounding would only spoil the interpolation.
    trickles = end_flow_l_per_min <= _ROUNDING * lateral.emitter_flow_l_per_min
    if not trickles and lateral.dead_end_m > _ROUNDING * lateral.length_m:
        volume_l = pipe_volume_l(lateral.dead_end_m, lateral.inside_diameter_m)
        places_m.append(np.array([lateral.length_m]))
        times_min.append(minutes[-1:] + pipe_travel_min(volume_l, end_flow_l_per_min))
    return np.concatenate(places_m), np.concatenate(times_min)


def emitter_arrivals_min(lateral: Lateral) -> Floats:
    """When a front reaches every emitter of a lateral [min], counted from its inlet. Shape: (outlets,)."""
    return arrivals_min(lateral.segments_m, lateral.inside_diameter_m, lateral.outflows_l_per_min)


def arrival_min(lateral: Lateral, distance_m: float, end_flow_l_per_min: float = 0.0) -> float:
    """When a front comes to a distance from the inlet [min]; infinite in a dead end.

    Raises: ValueError: a distance outside of the lateral, an end flow below 0.
    """
    _at_least(0, distance_m=distance_m)
    if distance_m > lateral.length_m * (1.0 + _ROUNDING):
        raise ValueError(f"distance_m is {distance_m:g}; the lateral ends at {lateral.length_m:g}")
    places_m, times_min = _profile(lateral, end_flow_l_per_min)
    if distance_m > places_m[-1] * (1.0 + _ROUNDING):
        return inf
    return float(np.interp(distance_m, places_m, times_min))


def reached_m(lateral: Lateral, minutes: float, end_flow_l_per_min: float = 0.0) -> float:
    """How far a front has come after a time [m]; not beyond the last emitter while the end is closed.

    After a flush that was too short, the stock still stands from there to the last emitter.
    Raises: ValueError: a time or an end flow below 0.
    """
    _at_least(0, minutes=minutes)
    places_m, times_min = _profile(lateral, end_flow_l_per_min)
    return float(np.interp(minutes, times_min, places_m))


def lateral_travel_min(lateral: Lateral, fraction: float = 1.0) -> float:
    """Travel time [min] from the inlet to a fraction of the way to the last emitter.

    The last few segments carry next to no flow and take a large share of the whole time.
    Raises: ValueError: a fraction outside of 0..1.
    """
    _share(fraction=fraction)
    return arrival_min(lateral, fraction * lateral.last_emitter_m)


def outlets_travel_min(volume_l: float, flow_l_per_min: float, outlets: int) -> float:
    """Travel time [min] to the last of equal outlets at equal spacings, the first at one spacing.

    Volume over inflow, times 1 + 1/2 + ... + 1/n: the sum of `arrivals_min` in closed form. It serves for a
    submain with laterals along it too; where they stand in pairs, or the first one stands at the inlet, it
    is on the long side.
    Raises: ValueError: a volume below 0, a flow not above 0, no outlet.
    """
    _at_least(1, outlets=outlets)
    return pipe_travel_min(volume_l, flow_l_per_min) * float(np.sum(1.0 / np.arange(1, outlets + 1)))


# --- the whole drip ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Travel:
    """Travel time from the injector to the last emitter of the last lateral, by part [min]."""

    main_min: float
    submain_min: float
    lateral_min: float

    @property
    def total_min(self) -> float:
        """All of it [min]."""
        return self.main_min + self.submain_min + self.lateral_min


@dataclass(frozen=True)
class DripSystem:
    """Equal laterals that run at once, and what leads to them.

    Args: lateral: one of them; laterals: how many; main_volume_l: pipe from the injector that carries the
    whole flow [L]; submain_volume_l: pipe along which the laterals take off at equal spacings [L].
    Where it is not known how much of the pipe is submain, all of it as main is the short bound of the
    travel time and all of it as submain the long one.
    Raises: ValueError: no lateral, a volume below 0.
    """

    lateral: Lateral
    laterals: int = 1
    main_volume_l: float = 0.0
    submain_volume_l: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what cannot be a drip."""
        _at_least(1, laterals=self.laterals)
        _at_least(0, main_volume_l=self.main_volume_l, submain_volume_l=self.submain_volume_l)

    @property
    def flow_l_per_min(self) -> float:
        """What all emitters put out, stock included [L/min]."""
        return self.laterals * self.lateral.inflow_l_per_min

    @property
    def volume_l(self) -> float:
        """What all pipes hold [L]."""
        return self.main_volume_l + self.submain_volume_l + self.laterals * self.lateral.volume_l

    def travel(self, fraction: float = 1.0) -> Travel:
        """Travel time to a fraction of the way to the last emitter of the last lateral.

        Raises: ValueError: a fraction outside of 0..1.
        """
        return Travel(
            main_min=pipe_travel_min(self.main_volume_l, self.flow_l_per_min),
            submain_min=outlets_travel_min(self.submain_volume_l, self.flow_l_per_min, self.laterals),
            lateral_min=lateral_travel_min(self.lateral, fraction),
        )


# --- flushing with the end open -----------------------------------------------------------------------


def flush_velocity_m_per_s(lateral: Lateral, inflow_l_per_min: float) -> float:
    """Velocity at the open end [m/s] when a flow enters the lateral and its emitters drip on.

    0 where the emitters take all of it. Pressure drops when an end is opened and emitters then drip
    less, so that the true velocity is a little higher.
    Raises: ValueError: a flow below 0.
    """
    _at_least(0, inflow_l_per_min=inflow_l_per_min)
    return velocity_m_per_s(max(0.0, inflow_l_per_min - lateral.inflow_l_per_min), lateral.inside_diameter_m)


def flush_inflow_l_per_min(lateral: Lateral, velocity_m_per_s: float = FLUSH_VELOCITY_M_PER_S) -> float:
    """Flow that one lateral needs to be flushed with a velocity at its open end [L/min]; the inverse.

    Raises: ValueError: a velocity below 0.
    """
    return lateral.inflow_l_per_min + flow_for_velocity_l_per_min(velocity_m_per_s, lateral.inside_diameter_m)


def laterals_flushed_at_once(
    system: DripSystem,
    available_l_per_min: float,
    velocity_m_per_s: float = FLUSH_VELOCITY_M_PER_S,
    *,
    others_run: bool = True,
) -> int:
    """How many laterals can be opened at once, with a velocity at each end.

    Args: available_l_per_min: what the pump or well gives [L/min]; velocity_m_per_s: wanted at every open
    end [m/s]; others_run: the closed laterals drip on (else they are shut off).
    Raises: ValueError: a flow below 0, a velocity not above 0.
    """
    _at_least(0, available_l_per_min=available_l_per_min)
    _positive(velocity_m_per_s=velocity_m_per_s)
    end_l_per_min = flow_for_velocity_l_per_min(velocity_m_per_s, system.lateral.inside_diameter_m)
    if others_run:
        spare_l_per_min = available_l_per_min - system.flow_l_per_min
        count = _floor(spare_l_per_min / end_l_per_min)
    else:
        count = _floor(available_l_per_min / (system.lateral.inflow_l_per_min + end_l_per_min))
    return max(0, min(system.laterals, count))


def open_end_min(lateral: Lateral, end_flow_l_per_min: float) -> float:
    """How long water takes from the inlet to the open end [min].

    Raises: ValueError: an end flow not above 0.
    """
    _positive(end_flow_l_per_min=end_flow_l_per_min)
    return arrival_min(lateral, lateral.length_m, end_flow_l_per_min)


# --- the bucket ----------------------------------------------------------------------------------------


def suction_l_per_min(water_flow_l_per_min: float, parts_of_water: float) -> float:
    """What the injector draws [L/min] at a ratio of stock to water of 1:parts.

    The flow is that of the water before the injector; of the flow of all emitters, which holds the stock as
    well, the water is parts / (parts + 1).
    Raises: ValueError: a flow or ratio that is not above 0.
    """
    _positive(water_flow_l_per_min=water_flow_l_per_min, parts_of_water=parts_of_water)
    return water_flow_l_per_min / parts_of_water


def injection_time_min(bucket_l: float, suction_l_per_min: float) -> float:
    """How long it takes to draw a bucket [min]. Raises: ValueError: a value that is not above 0."""
    _positive(bucket_l=bucket_l, suction_l_per_min=suction_l_per_min)
    return bucket_l / suction_l_per_min


def suction_needed_l_per_min(bucket_l: float, inject_min: float) -> float:
    """Suction that draws a bucket in a time [L/min]. Raises: ValueError: a value that is not above 0."""
    _positive(bucket_l=bucket_l, inject_min=inject_min)
    return bucket_l / inject_min


def parts_needed(bucket_l: float, inject_min: float, water_flow_l_per_min: float) -> float:
    """Parts of water to one of stock at which a bucket lasts for a time.

    Raises: ValueError: a value that is not above 0.
    """
    _positive(water_flow_l_per_min=water_flow_l_per_min)
    return water_flow_l_per_min / suction_needed_l_per_min(bucket_l, inject_min)


def left_in_bucket_l(bucket_l: float, suction_l_per_min: float, inject_min: float) -> float:
    """What is left in the bucket after a time [L]; 0 once it is empty, from when on air is drawn.

    Raises: ValueError: a bucket or suction that is not above 0, a time below 0.
    """
    _positive(bucket_l=bucket_l, suction_l_per_min=suction_l_per_min)
    _at_least(0, inject_min=inject_min)
    return max(0.0, bucket_l - suction_l_per_min * inject_min)


def minutes_of_feed(arrivals_min: Floats, inject_min: float, flush_min: float) -> Floats:
    """For how long each emitter drips feed [min], when the water stops at the end of the flush.

    Every emitter gets the whole of it only where the flush is at least as long as the travel time: then the
    feed is even, however short the injection was (in plug flow). Shape: that of the arrivals.

    Args: arrivals_min: travel time from the injector to each emitter [min].
    Raises: ValueError: a time below 0.
    """
    _at_least(0, inject_min=inject_min, flush_min=flush_min)
    return np.clip(inject_min + flush_min - arrivals_min, 0.0, inject_min)


# --- charge, inject, flush: needed against stated -----------------------------------------------------


@dataclass(frozen=True)
class Times:
    """Minutes of filling to pressure, injecting and flushing; None where not known.

    Raises: ValueError: a time below 0.
    """

    charge_min: float | None = None
    inject_min: float | None = None
    flush_min: float | None = None

    def __post_init__(self) -> None:
        """Refuse negative times."""
        _at_least(0, **_stated(self))

    def short_of(self, needed: Times) -> Times:
        """By how many minutes these fall short of others; 0 where enough, None where either is not known."""

        def short(have_min: float | None, need_min: float | None) -> float | None:
            return None if have_min is None or need_min is None else max(0.0, need_min - have_min)

        return Times(
            charge_min=short(self.charge_min, needed.charge_min),
            inject_min=short(self.inject_min, needed.inject_min),
            flush_min=short(self.flush_min, needed.flush_min),
        )


@dataclass(frozen=True)
class TradeTimes:
    """What the trade goes by, whatever the drip: at least these times, shortest and longest in use."""

    low: Times
    high: Times
    source: str


#: Small blocks and gardens.
RULE_OF_THUMB = TradeTimes(Times(10.0, 10.0, 10.0), Times(15.0, 15.0, 15.0), "common practice, no source")
#: Orchards, where the stock travels for 20-30 min; the flush is with clear water.
PUBLISHED_TIMES = TradeTimes(
    Times(None, 30.0, 30.0),
    Times(None, 45.0, 30.0),
    "UF/IFAS HS1306, citrus fertigation: inject at least 30-45 min where travel is 20-30 min, flush at least 30 min",
)
#: Travel from the injector to the last emitter that most of those have (UF/IFAS HS1306), low and high.
PUBLISHED_TRAVEL_MIN = (20.0, 30.0)


def trade_times(travel_min: float | None) -> TradeTimes:
    """The published times for drips like those that they were made for, or of unknown travel; else the rule of thumb.

    Raises: ValueError: a travel time below 0.
    """
    if travel_min is None:
        return PUBLISHED_TIMES
    _at_least(0, travel_min=travel_min)
    return PUBLISHED_TIMES if travel_min >= PUBLISHED_TRAVEL_MIN[0] else RULE_OF_THUMB


def times_needed(travel_min: float) -> Times:
    """Times by the travel time to the last emitter: once to fill, twice to inject, 1.1 times to flush.

    An empty drip fills as the stock travels: what the emitters that are reached already put out is missing
    at the front. They put out less while there is no pressure yet, so that the travel time is enough.
    Raises: ValueError: a travel time below 0.
    """
    _at_least(0, travel_min=travel_min)
    return Times(CHARGE_PER_TRAVEL * travel_min, INJECT_PER_TRAVEL * travel_min, FLUSH_PER_TRAVEL * travel_min)


@dataclass(frozen=True)
class TimingAdvice:
    """Times needed against times stated, without a judgement.

    `needed` follows from the travel time (all None where that is not known), `trade` is what the trade goes
    by. `short` and `short_of_trade` say by how many minutes the stated times fall short of `needed` and of the
    trade's shortest: 0 where enough, None where not known.
    """

    travel_min: float | None
    basis: Literal["measured", "computed", "unknown"]
    needed: Times
    trade: TradeTimes
    stated: Times
    short: Times
    short_of_trade: Times


def timing_advice(
    stated: Times, computed_travel_min: float | None = None, measured_travel_min: float | None = None
) -> TimingAdvice:
    """What charging, injecting and flushing need, beside what is stated.

    A travel time measured at the last emitter (dye, EC meter) comes before the computed one.

    Args: stated: planned times [min]; computed_travel_min: `DripSystem.travel().total_min`;
    measured_travel_min: from injector to last emitter [min].
    Raises: ValueError: a time below 0.
    """
    basis: Literal["measured", "computed", "unknown"] = "unknown"
    travel_min = None
    if measured_travel_min is not None:
        travel_min, basis = measured_travel_min, "measured"
    elif computed_travel_min is not None:
        travel_min, basis = computed_travel_min, "computed"
    needed = Times() if travel_min is None else times_needed(travel_min)
    trade = trade_times(travel_min)
    return TimingAdvice(
        travel_min=travel_min,
        basis=basis,
        needed=needed,
        trade=trade,
        stated=stated,
        short=stated.short_of(needed),
        short_of_trade=stated.short_of(trade.low),
    )


# --- friction, and how even the drip is ---------------------------------------------------------------


def kinematic_viscosity_m2_per_s(temperature_c: float = 20.0) -> float:
    """Kinematic viscosity of water [m2/s], 0-60 degC, within 2.5 %.

    Source: Vogel's equation with the usual constants (from memory; checked in the tests), over 1000 kg/m3.
    Raises: ValueError: a temperature outside of 0-60 degC.
    """
    if not 0.0 <= temperature_c <= 60.0:
        raise ValueError(f"temperature_c is {temperature_c:g}; it must be within 0..60")
    return float(2.414e-5 * 10.0 ** (247.8 / (temperature_c + 273.15 - 140.0)) / 1000.0)


def reynolds(flow_l_per_min: float, inside_diameter_m: float, temperature_c: float = 20.0) -> float:
    """Reynolds number of the flow in a pipe; below about 2000 it is laminar.

    Raises: ValueError: a flow below 0, a diameter not above 0, a temperature outside of 0-60 degC.
    """
    speed_m_per_s = velocity_m_per_s(flow_l_per_min, inside_diameter_m)
    return speed_m_per_s * inside_diameter_m / kinematic_viscosity_m2_per_s(temperature_c)


def smooth_friction_factor(reynolds: Floats) -> Floats:
    """Darcy's friction factor of a smooth pipe: 64/Re to 2000, Blasius 0.316/Re^0.25 to 1e5, 0.13/Re^0.172 above.

    Source: Watters and Keller (ASAE paper 78-2015) for drip tubing, from memory. The step at 2000 is the
    custom in drip; between 2000 and 4000 the true factor wanders. Shape: that of the Reynolds numbers.
    Raises: ValueError: a Reynolds number not above 0.
    """
    _positive(reynolds=float(np.min(reynolds)))
    turbulent = np.where(reynolds < 1e5, 0.316 / reynolds**0.25, 0.13 / reynolds**0.172)
    return np.where(reynolds < 2000.0, 64.0 / reynolds, turbulent)


def hazen_williams_loss_m(
    length_m: float, flow_l_per_min: float, inside_diameter_m: float, c: float = HAZEN_WILLIAMS_C
) -> float:
    """Friction loss of a pipe [m] after Hazen and Williams: 10.67 L (Q/C)^1.852 / d^4.8704, Q in m3/s.

    Source: the usual SI form, from memory. Made for turbulent flow of cool water; see `darcy_loss_m`.
    Raises: ValueError: a length or flow below 0, a diameter or C not above 0.
    """
    _at_least(0, length_m=length_m, flow_l_per_min=flow_l_per_min)
    _positive(inside_diameter_m=inside_diameter_m, c=c)
    flow_m3_per_s = flow_l_per_min / _L_PER_M3 / _S_PER_MIN
    return float(10.67 * length_m * (flow_m3_per_s / c) ** HAZEN_WILLIAMS_POWER / inside_diameter_m**4.8704)


def _darcy_slopes(flows_l_per_min: Floats, inside_diameter_m: float, temperature_c: float) -> Floats:
    """Loss per length of smooth pipes with flows above 0, by Darcy and Weisbach. Shape: that of the flows."""
    speeds_m_per_s = flows_l_per_min / _L_PER_M3 / _S_PER_MIN / area_m2(inside_diameter_m)
    numbers = speeds_m_per_s * inside_diameter_m / kinematic_viscosity_m2_per_s(temperature_c)
    factors = smooth_friction_factor(numbers)
    return np.asarray(factors / inside_diameter_m * speeds_m_per_s**2 / (2.0 * GRAVITY_M_PER_S2))


def darcy_loss_m(
    length_m: float, flow_l_per_min: float, inside_diameter_m: float, temperature_c: float = 20.0
) -> float:
    """Friction loss of a smooth pipe [m] after Darcy and Weisbach.

    Raises: ValueError: a length or flow below 0, a diameter not above 0, a temperature outside of 0-60 degC.
    """
    _at_least(0, length_m=length_m, flow_l_per_min=flow_l_per_min)
    if flow_l_per_min == 0.0:
        return 0.0
    return length_m * float(_darcy_slopes(np.array([flow_l_per_min]), inside_diameter_m, temperature_c)[0])


def christiansen_factor(outlets: int, power: float = HAZEN_WILLIAMS_POWER) -> float:
    """Friction of a pipe with equal outlets, over that of the same pipe with all its flow to the end.

    1/(m+1) + 1/(2n) + sqrt(m-1)/(6 n^2), the first outlet at one spacing.
    Source: Christiansen, California Agr. Exp. Sta. Bulletin 670 (1942), from memory.
    Raises: ValueError: no outlet, a power below 1.
    """
    _at_least(1, outlets=outlets, power=power)
    return 1.0 / (power + 1.0) + 1.0 / (2.0 * outlets) + sqrt(power - 1.0) / (6.0 * outlets**2)


def lateral_loss_m(lateral: Lateral, c: float = HAZEN_WILLIAMS_C) -> float:
    """Friction loss from inlet to last emitter [m], end closed: Hazen and Williams with Christiansen's factor.

    The first emitter is taken to stand at one spacing. Raises: ValueError: a C that is not above 0.
    """
    full_m = hazen_williams_loss_m(lateral.last_emitter_m, lateral.inflow_l_per_min, lateral.inside_diameter_m, c)
    return full_m * christiansen_factor(lateral.outlets)


def lateral_loss_by_segment_m(lateral: Lateral, end_flow_l_per_min: float = 0.0, temperature_c: float = 20.0) -> float:
    """Friction loss from inlet to last emitter [m]: Darcy and Weisbach, segment by segment.

    Args: end_flow_l_per_min: what leaves at the open end [L/min]; temperature_c: of the water.
    Raises: ValueError: an end flow below 0, a temperature outside of 0-60 degC.
    """
    flows_l_per_min = segment_flows_l_per_min(lateral.outflows_l_per_min, end_flow_l_per_min)
    slopes = _darcy_slopes(flows_l_per_min, lateral.inside_diameter_m, temperature_c)
    return float(slopes @ lateral.segments_m)


def flow_variation(
    inlet_head_m: float, loss_m: float, rise_m: float = 0.0, exponent: float = EMITTER_EXPONENT
) -> float:
    """By which share the last emitter drips less than the first: 1 - (h_last / h_first)^x; below 0 if it drips more.

    1 where no pressure is left. Above `FLOW_VARIATION_LIMIT`, equal outflow is a poor assumption.

    Args: inlet_head_m: pressure at the inlet, in m of water (1 psi is 0.703); loss_m: friction [m]; rise_m:
    of the end over the inlet, negative downhill [m]; exponent: of the emitter.
    Raises: ValueError: a head not above 0, a loss or an exponent below 0.
    """
    _positive(inlet_head_m=inlet_head_m)
    _at_least(0, loss_m=loss_m, exponent=exponent)
    _at_least(-inf, rise_m=rise_m)
    left_m = inlet_head_m - loss_m - rise_m
    return 1.0 if left_m <= 0.0 else float(1.0 - (left_m / inlet_head_m) ** exponent)


def loss_allowed_m(
    inlet_head_m: float, variation: float = FLOW_VARIATION_LIMIT, exponent: float = EMITTER_EXPONENT
) -> float:
    """Loss of head along a lateral, rise included, at which emitter flow varies by a share [m].

    Raises: ValueError: a head or exponent not above 0, a share outside of 0..1.
    """
    _positive(inlet_head_m=inlet_head_m, exponent=exponent)
    _share(variation=variation)
    return float(inlet_head_m * (1.0 - (1.0 - variation) ** (1.0 / exponent)))
