"""Hydraulics of a drip: how long the stock travels, what flushes the ends, how long a bucket lasts.

Lengths in m, volumes in L, flows in L/min, times in min, velocities in m/s.

What is assumed:

1. Plug flow: the front stays sharp and moves with the mean velocity. In truth it spreads. The last
   segments of a lateral flow slowly, mostly laminar, where water at the wall lags behind the middle, so
   that the last of the stock leaves later than computed. A travel time measured at the last emitter,
   with dye or an EC meter, comes before a computed one.
2. Equal outflow of all emitters. Where friction makes the far ones drip less, the true travel is longer.
3. Pipes are full and at pressure, and nothing flows behind the last emitter.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from math import floor, isfinite, pi
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

Floats: TypeAlias = npt.NDArray[np.float64]

_L_PER_M3 = 1000.0
_S_PER_MIN = 60.0

#: Velocity at the open end that carries sediment out: 1 ft/s. Source: University of California,
#: Maintenance of Microirrigation Systems, flushing; from memory ASAE EP405 has 0.3 m/s too. Trials
#: compared 0.23, 0.30, 0.46 and 0.61 m/s (Puig-Bargues, Lamm, Trooien and Clark, Transactions ASABE).
FLUSH_VELOCITY_M_PER_S = 0.3048

#: Charging, injecting and flushing each take at least this long where the travel time is not known [min]; the
#: trade says 10 to 15. Common practice, no source; small blocks and gardens.
RULE_OF_THUMB_MIN = 10.0
#: A flush takes this many travel times: the front has spread by a tenth (design choice). For comparison, UF/IFAS
#: HS1306 (citrus fertigation) flushes for at least 30 min where travel is 20 to 30, which is 1.0 to 1.5.
FLUSH_PER_TRAVEL = 1.1

#: More emitters than this on one lateral are a typing error.
_MOST_OUTLETS = 100_000
#: Share that is taken for rounding, as where a length falls short of a whole number of spacings.
_ROUNDING = 1e-9


def _positive(**values: Floats | float) -> None:
    """Refuse what is not finite and above 0."""
    for name, value in values.items():
        if not np.all(np.isfinite(value) & (np.asarray(value) > 0.0)):
            raise ValueError(f"{name} is {np.min(value):g}; it must be above 0")


def _at_least(smallest: float, /, **values: float | None) -> None:
    """Refuse what is not finite, and what is below the smallest; None is let through."""
    for name, value in values.items():
        if value is not None and not (isfinite(value) and value >= smallest):
            raise ValueError(f"{name} is {value:g}; it must be at least {smallest:g}")


def _floor(quotient: float) -> int:
    """Whole part, where 0.3 / 0.1 counts as 3."""
    return floor(quotient * (1.0 + _ROUNDING) + _ROUNDING)


# --- pipes ----------------------------------------------------------------------------------------


def _area_m2(inside_diameter_m: float) -> float:
    """Cross-section of a round pipe [m2]. Raises: ValueError: a diameter that is not above 0."""
    _positive(inside_diameter_m=inside_diameter_m)
    return pi * inside_diameter_m * inside_diameter_m / 4.0


def pipe_volume_l(length_m: float, inside_diameter_m: float) -> float:
    """What a pipe holds [L]. Raises: ValueError: a length below 0, a diameter not above 0."""
    _at_least(0, length_m=length_m)
    return _area_m2(inside_diameter_m) * length_m * _L_PER_M3


def flow_for_velocity_l_per_min(velocity_m_per_s: float, inside_diameter_m: float) -> float:
    """Flow that has a velocity in a pipe [L/min]; at the open end, what it takes to flush.

    Raises: ValueError: a velocity not above 0, a diameter not above 0.
    """
    _positive(velocity_m_per_s=velocity_m_per_s)
    return velocity_m_per_s * _area_m2(inside_diameter_m) * _L_PER_M3 * _S_PER_MIN


# --- the drip: how long the stock travels ------------------------------------------------------------


@dataclass(frozen=True)
class Lateral:
    """A lateral with equal emitters, one at every spacing from the inlet on, as far as the length reaches.

    Args: length_m: inlet to closed end [m]; inside_diameter_m, emitter_spacing_m: [m];
    emitter_flow_l_per_min: of one emitter [L/min].
    Raises: ValueError: a value that is not above 0; no emitter within the length; too many.
    """

    length_m: float
    inside_diameter_m: float
    emitter_spacing_m: float
    emitter_flow_l_per_min: float

    def __post_init__(self) -> None:
        """Refuse what cannot be a lateral."""
        _positive(**asdict(self))
        outlets = self.length_m / self.emitter_spacing_m
        if outlets > _MOST_OUTLETS:
            raise ValueError(f"{outlets:.3g} emitters on one lateral; check its length and their spacing")
        if _floor(outlets) < 1:
            raise ValueError(f"no emitter on {self.length_m:g} m: the first stands at {self.emitter_spacing_m:g} m")

    @property
    def outlets(self) -> int:
        """How many emitters there are."""
        return _floor(self.length_m / self.emitter_spacing_m)

    @property
    def inflow_l_per_min(self) -> float:
        """What flows in while the end is closed [L/min]."""
        return self.outlets * self.emitter_flow_l_per_min

    @property
    def travel_min(self) -> float:
        """Travel time from the inlet to the last emitter [min].

        The volume of each segment over the flow in it, which is that of all emitters from its end on: k of
        them in the k-th segment from the end. The last few carry next to no flow and take a large share.
        """
        segment_l = pipe_volume_l(self.emitter_spacing_m, self.inside_diameter_m)
        return segment_l / self.emitter_flow_l_per_min * float(np.sum(1.0 / np.arange(1, self.outlets + 1)))


@dataclass(frozen=True)
class DripSystem:
    """Equal laterals that run at once, and what leads to them.

    Args: lateral: one of them; laterals: how many; main_volume_l: pipe from the injector to the last lateral [L],
    as if it carried the whole flow all the way: where laterals take off along it, the true travel is longer.
    Raises: ValueError: no lateral, a volume below 0.
    """

    lateral: Lateral
    laterals: int = 1
    main_volume_l: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what cannot be a drip."""
        _at_least(1, laterals=self.laterals)
        _at_least(0, main_volume_l=self.main_volume_l)

    @property
    def flow_l_per_min(self) -> float:
        """What all emitters put out, stock included [L/min]."""
        return self.laterals * self.lateral.inflow_l_per_min

    @property
    def travel_min(self) -> float:
        """Travel time from the injector to the last emitter of the last lateral [min].

        An empty drip fills in the same time: what the emitters that are reached already put out is missing at the
        front. They put out less while there is no pressure yet, so that charging for the travel time is enough.
        """
        return self.main_volume_l / self.flow_l_per_min + self.lateral.travel_min


def laterals_flushed_at_once(
    system: DripSystem, available_l_per_min: float, velocity_m_per_s: float = FLUSH_VELOCITY_M_PER_S
) -> int:
    """How many laterals can have their end open at once, the others shut off, with a velocity at each end.

    The emitters of an open lateral are taken to drip on at full flow. They drip less while its pressure is low, so
    that the true count is not smaller.

    Args: available_l_per_min: what the pump or well gives [L/min]; velocity_m_per_s: wanted at every open end [m/s].
    Raises: ValueError: a flow below 0, a velocity not above 0.
    """
    _at_least(0, available_l_per_min=available_l_per_min)
    end_l_per_min = flow_for_velocity_l_per_min(velocity_m_per_s, system.lateral.inside_diameter_m)
    return min(system.laterals, _floor(available_l_per_min / (system.lateral.inflow_l_per_min + end_l_per_min)))


# --- the bucket, over scenarios or for one ---------------------------------------------------------------


def injection_time_min(bucket_l: Floats | float, suction_l_per_min: Floats | float) -> Floats:
    """How long it takes to draw a bucket [min]. Shape: that of the arguments together.

    Raises: ValueError: a value that is not above 0.
    """
    _positive(bucket_l=bucket_l, suction_l_per_min=suction_l_per_min)
    return np.asarray(np.divide(bucket_l, suction_l_per_min))


def left_in_bucket_l(bucket_l: Floats | float, suction_l_per_min: Floats | float, inject_min: Floats | float) -> Floats:
    """What is left in the bucket after a time [L]; 0 once it is empty, from when on air is drawn.

    Shape: that of the arguments together.
    Raises: ValueError: a bucket or suction that is not above 0, a time below 0.
    """
    _positive(bucket_l=bucket_l, suction_l_per_min=suction_l_per_min)
    _at_least(0, inject_min=float(np.min(inject_min)))
    return np.maximum(0.0, bucket_l - np.multiply(suction_l_per_min, inject_min))


# --- fill, inject, flush -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Times:
    """Minutes of filling to pressure, injecting and flushing; None where not known.

    Raises: ValueError: a time below 0.
    """

    fill_min: float | None = None
    inject_min: float | None = None
    flush_min: float | None = None

    def __post_init__(self) -> None:
        """Refuse negative times."""
        _at_least(0, fill_min=self.fill_min, inject_min=self.inject_min, flush_min=self.flush_min)
