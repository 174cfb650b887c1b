"""Hydraulics of a drip, against closed forms, numbers worked by hand, and simulations.

Sources of the closed forms stand beside them. Published numbers and another library are in
`tests/published/test_drip_hydraulics.py`.
"""

from __future__ import annotations

from math import inf, log, nan, pi
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from pourcheck.rules import hydraulics as hy
from pourcheck.rules.hydraulics import DripSystem, Lateral, Times

#: A pipe with a cross-section of 1 cm2, so that 1 m holds 0.1 L: numbers are easy by hand.
ONE_CM2_M = 2.0 * (1e-4 / pi) ** 0.5
#: Three emitters of 0.1 L/min at 1 m.
SMALL = Lateral(3.0, ONE_CM2_M, 1.0, 0.1)
#: Drip tape of a market garden: 100 m, 16 mm, an emitter of 1 L/h every 0.2 m.
TAPE = Lateral(100.0, 0.016, 0.2, 1.0 / 60.0)

diameters_m = st.floats(0.008, 0.1)
spacings_m = st.floats(0.1, 2.0)
flows_l_per_min = st.floats(0.005, 0.2)
counts = st.integers(1, 400)
ends_l_per_min = st.floats(0.0, 20.0)


@st.composite
def laterals(draw: st.DrawFn) -> Lateral:
    """Laterals with and without a dead end, the first emitter at any distance."""
    spacing_m, first_m = draw(spacings_m), draw(spacings_m)
    length_m = first_m + (draw(counts) - 1 + draw(st.floats(0.0, 0.9))) * spacing_m
    return Lateral(length_m, draw(diameters_m), spacing_m, draw(flows_l_per_min), first_m)


def whole(count: int, diameter_m: float, spacing_m: float, flow_l_per_min: float) -> Lateral:
    """A lateral of so many spacings."""
    return Lateral(count * spacing_m, diameter_m, spacing_m, flow_l_per_min)


# --- simulations: they know emitters and volumes, and no sum ---------------------------------------------


def drift_min(lateral: Lateral, end_l_per_min: float, goal_m: float, steps: int = 40_000) -> float:
    """A particle that goes with the water, in small steps of length, to a place in the lateral [min].

    Its velocity follows from the emitters that are still in front of it, which are counted anew in every step.
    """
    emitters_m = [lateral.first_m]
    while emitters_m[-1] + lateral.emitter_spacing_m <= lateral.length_m + 1e-9:
        emitters_m.append(emitters_m[-1] + lateral.emitter_spacing_m)
    step_m = goal_m / steps
    places_m = (np.arange(steps) + 0.5) * step_m
    in_front = (np.array(emitters_m)[:, None] > places_m).sum(axis=0)
    flows_m3_per_min = (in_front * lateral.emitter_flow_l_per_min + end_l_per_min) / 1000.0
    return float(np.sum(step_m / (flows_m3_per_min / (pi / 4.0 * lateral.inside_diameter_m**2))))


def filling_min(lateral: Lateral, step_min: float) -> float:
    """An empty lateral fills at its design flow: what the emitters under water do not put out goes on [min]."""
    held_l, minutes = 0.0, 0.0
    supply_l_per_min = lateral.outlets * lateral.emitter_flow_l_per_min
    litre_per_m = pi / 4.0 * lateral.inside_diameter_m**2 * 1000.0
    while held_l < lateral.last_emitter_m * litre_per_m:
        under_water = int(held_l / litre_per_m / lateral.emitter_spacing_m)
        held_l += (supply_l_per_min - under_water * lateral.emitter_flow_l_per_min) * step_min
        minutes += step_min
    return minutes


@pytest.mark.parametrize("end_l_per_min", [0.0, 0.05, 3.0])
@pytest.mark.parametrize(
    "lateral",
    [SMALL, Lateral(7.3, 0.014, 0.5, 0.03, 0.25), Lateral(30.5, 0.016, 0.3, 0.02, 1.1), Lateral(2.0, 0.02, 2.0, 0.1)],
)
def test_travel_is_that_of_a_particle_in_the_water(lateral: Lateral, end_l_per_min: float) -> None:
    """A simulated particle takes as long as the sum says: to the last emitter, and on the way."""
    for fraction in (1.0, 0.95, 0.5):
        goal_m = fraction * lateral.last_emitter_m
        simulated_min = drift_min(lateral, end_l_per_min, goal_m)
        assert hy.arrival_min(lateral, goal_m, end_l_per_min) == pytest.approx(simulated_min, rel=2e-3)


def test_open_end_is_reached_as_by_a_particle() -> None:
    """With the end open, water also moves behind the last emitter."""
    lateral = Lateral(10.7, 0.016, 1.0, 0.05)
    assert lateral.dead_end_m == pytest.approx(0.7)
    assert hy.open_end_min(lateral, 2.0) == pytest.approx(drift_min(lateral, 2.0, 10.7), rel=2e-3)


@pytest.mark.parametrize("count", [1, 2, 7, 40])
def test_filling_takes_the_travel_time(count: int) -> None:
    """At design flow an empty lateral is full after the travel time: the reason for charging that long."""
    lateral = whole(count, 0.016, 0.5, 0.03)
    travel_min = hy.lateral_travel_min(lateral)
    assert filling_min(lateral, travel_min / 50_000) == pytest.approx(travel_min, rel=2e-3)
    assert hy.times_needed(travel_min).charge_min == travel_min


# --- travel: by hand and by closed form ------------------------------------------------------------------


def test_three_emitters_by_hand() -> None:
    """0.1 L at 0.3, 0.2 and 0.1 L/min: 1/3, 1/2 and 1 min."""
    assert SMALL.outlets == 3
    assert hy.emitter_arrivals_min(SMALL) == pytest.approx([1 / 3, 5 / 6, 11 / 6])
    assert hy.lateral_travel_min(SMALL) == pytest.approx(11 / 6)
    # Halfway, 1.5 m, is in the middle of the second segment: 1/3 + 1/4.
    assert hy.lateral_travel_min(SMALL, 0.5) == pytest.approx(7 / 12)
    assert hy.arrival_min(SMALL, 0.0) == 0.0
    assert SMALL.volume_l == pytest.approx(0.3)
    assert SMALL.inflow_l_per_min == pytest.approx(0.3)
    # 0.3 L/min = 5e-6 m3/s through 1e-4 m2.
    assert SMALL.inlet_velocity_m_per_s == pytest.approx(0.05)


def test_first_emitter_at_half_a_spacing_by_hand() -> None:
    """0.05 L at 0.3 L/min, then 0.1 L at 0.2 and 0.1: 1/6, 1/2 and 1 min; half a metre is left behind."""
    lateral = Lateral(3.0, ONE_CM2_M, 1.0, 0.1, 0.5)
    assert lateral.outlets == 3
    assert hy.emitter_arrivals_min(lateral) == pytest.approx([1 / 6, 2 / 3, 5 / 3])
    assert lateral.dead_end_m == pytest.approx(0.5)
    assert hy.arrival_min(lateral, 2.6) == inf
    assert hy.arrival_min(lateral, 2.6, 0.1) < inf


def test_uneven_outflow_by_hand() -> None:
    """Emitters of 0.3 and 0.1 L/min at 1 m: 0.1/0.4, then 0.1/0.1."""
    arrivals = hy.arrivals_min(np.ones(2), ONE_CM2_M, np.array([0.3, 0.1]))
    assert arrivals == pytest.approx([0.25, 1.25])


def test_open_end_by_hand() -> None:
    """With 0.1 L/min at the end every segment carries that much more: 1/4, 1/3 and 1/2 min."""
    assert hy.open_end_min(SMALL, 0.1) == pytest.approx(13 / 12)


@given(counts, diameters_m, spacings_m, flows_l_per_min)
def test_travel_is_residence_times_harmonic_number(count: int, d_m: float, s_m: float, q: float) -> None:
    """V/Q (1 + 1/2 + ... + 1/n), which Euler's expansion gives without a sum.

    H_n = ln n + 0.5772... + 1/(2n) - 1/(12 n^2) + 1/(120 n^4) - ... (Abramowitz and Stegun 6.3.18, from memory);
    the error is below the first term left out, 1/(252 n^6).
    """
    lateral = whole(count, d_m, s_m, q)
    euler = log(count) + 0.5772156649015329 + 1 / (2 * count) - 1 / (12 * count**2) + 1 / (120 * count**4)
    residence_min = lateral.volume_l / lateral.inflow_l_per_min
    assert lateral.outlets == count
    assert hy.lateral_travel_min(lateral) / residence_min == pytest.approx(euler, abs=1 / (252 * count**6) + 1e-9)
    closed = hy.outlets_travel_min(lateral.volume_l, lateral.inflow_l_per_min, count)
    assert hy.lateral_travel_min(lateral) == pytest.approx(closed)
    # The usual rule for a quick estimate: between ln n and 1 + ln n residence times.
    assert log(count) * residence_min <= closed <= (1 + log(count)) * residence_min * (1 + 1e-12)


@pytest.mark.parametrize("fraction", [0.1, 0.5, 0.9, 0.95])
def test_many_emitters_are_a_porous_pipe(fraction: float) -> None:
    """Even outflow over the length: dx/dt = (Q/A)(1 - x/L), so t = V/Q ln(1/(1-x/L))."""
    lateral = whole(20_000, 0.016, 0.005, 1e-3)
    porous_min = lateral.volume_l / lateral.inflow_l_per_min * log(1 / (1 - fraction))
    assert hy.lateral_travel_min(lateral, fraction) == pytest.approx(porous_min, rel=2e-3)


def test_last_segments_take_most_of_the_time() -> None:
    """The last 5 % of 500 emitters take 56 % of the time: H_25 / H_500 = 3.816 / 6.793, worked by hand."""
    assert TAPE.outlets == 500
    late = 1 - hy.lateral_travel_min(TAPE, 0.95) / hy.lateral_travel_min(TAPE)
    assert late == pytest.approx(3.816 / 6.793, abs=1e-3)


def test_one_emitter_is_a_plain_pipe() -> None:
    """With a single outlet, volume over flow."""
    lateral = Lateral(5.0, 0.016, 5.0, 0.2)
    plain_min = hy.pipe_travel_min(hy.pipe_volume_l(5.0, 0.016), 0.2)
    assert hy.lateral_travel_min(lateral) == pytest.approx(plain_min)


# --- travel: what must always hold -------------------------------------------------------------------------


@given(counts, diameters_m, spacings_m, flows_l_per_min, st.integers(1, 50))
def test_longer_takes_longer(count: int, d_m: float, s_m: float, q: float, more: int) -> None:
    """More spacings of the same kind: every added emitter comes later, though the inlet flows faster."""
    assert hy.lateral_travel_min(whole(count, d_m, s_m, q)) < hy.lateral_travel_min(whole(count + more, d_m, s_m, q))


@given(laterals(), st.floats(1.01, 5.0))
def test_wider_spacing_wider_pipe_and_smaller_emitters_take_longer(lateral: Lateral, factor: float) -> None:
    """In proportion to spacing at the same count, to the square of the diameter, and to 1 over emitter flow."""
    travel_min = hy.lateral_travel_min(lateral)
    length_m, d_m, s_m, q = (
        lateral.length_m,
        lateral.inside_diameter_m,
        lateral.emitter_spacing_m,
        lateral.emitter_flow_l_per_min,
    )
    first_m = lateral.first_m
    stretched = Lateral(length_m * factor, d_m, s_m * factor, q, first_m * factor)
    assert hy.lateral_travel_min(stretched) == pytest.approx(factor * travel_min)
    wider = Lateral(length_m, d_m * factor, s_m, q, first_m)
    assert hy.lateral_travel_min(wider) == pytest.approx(factor**2 * travel_min)
    faster = Lateral(length_m, d_m, s_m, q * factor, first_m)
    assert hy.lateral_travel_min(faster) == pytest.approx(travel_min / factor)


@given(laterals(), ends_l_per_min, ends_l_per_min)
def test_opening_the_end_never_delays(lateral: Lateral, one: float, other: float) -> None:
    """More flow at the end, earlier at the last emitter."""
    less, more = sorted((one, other))
    place_m = lateral.last_emitter_m
    assert hy.arrival_min(lateral, place_m, more) <= hy.arrival_min(lateral, place_m, less) * (1 + 1e-12)


@example(Lateral(4.85, 0.0625, 0.1, 0.125, 1.0), 5e-324, 1.0)  # an end flow that is no flow
@given(laterals(), ends_l_per_min, st.floats(0.0, 1.0))
def test_place_and_time_are_inverse(lateral: Lateral, end: float, fraction: float) -> None:
    """How far after so long undoes how long to so far."""
    place_m = fraction * lateral.last_emitter_m
    minutes = hy.arrival_min(lateral, place_m, end)
    assert hy.reached_m(lateral, minutes, end) == pytest.approx(place_m, rel=1e-6, abs=1e-9)


@given(laterals())
def test_geometry_adds_up(lateral: Lateral) -> None:
    """Segments and dead end are the length; a dead end is shorter than a spacing; arrivals come in order."""
    assert lateral.segments_m.sum() + lateral.dead_end_m == pytest.approx(lateral.length_m)
    assert -1e-9 <= lateral.dead_end_m < lateral.emitter_spacing_m
    assert np.all(np.diff(hy.emitter_arrivals_min(lateral)) > 0)
    assert lateral.outflows_l_per_min.sum() == pytest.approx(lateral.inflow_l_per_min)


@pytest.mark.parametrize(("length_m", "spacing_m", "outlets"), [(0.3, 0.1, 3), (30.48, 0.3048, 100), (1.0, 0.3, 3)])
def test_emitters_are_counted_right_at_the_edge(length_m: float, spacing_m: float, outlets: int) -> None:
    """A length of whole spacings keeps its last emitter, though 0.3 / 0.1 is below 3 in floating point."""
    assert Lateral(length_m, 0.016, spacing_m, 0.02).outlets == outlets


def test_after_a_short_flush_stock_stands_at_the_end() -> None:
    """After 5/6 min clean water is at the second of three emitters; after hours it is at the third, no further."""
    assert hy.reached_m(SMALL, 5 / 6) == pytest.approx(2.0)
    assert hy.reached_m(SMALL, 500.0) == pytest.approx(3.0)
    assert hy.reached_m(Lateral(3.4, ONE_CM2_M, 1.0, 0.1), 500.0) == pytest.approx(3.0)


# --- the whole drip ----------------------------------------------------------------------------------------


def test_parts_of_the_system_by_hand() -> None:
    """Two laterals of 0.3 L/min: a main of 6 L takes 10 min, a submain of 1.2 L takes 1.2/0.6 (1 + 1/2) = 3."""
    system = DripSystem(SMALL, 2, main_volume_l=6.0, submain_volume_l=1.2)
    travel = system.travel()
    assert system.flow_l_per_min == pytest.approx(0.6)
    assert system.volume_l == pytest.approx(6.0 + 1.2 + 0.6)
    assert (travel.main_min, travel.submain_min) == pytest.approx((10.0, 3.0))
    assert travel.total_min == pytest.approx(13.0 + 11 / 6)
    assert system.travel(0.5).total_min == pytest.approx(13.0 + 7 / 12)


@given(laterals(), st.integers(1, 60), st.floats(0.0, 500.0))
def test_submain_takes_longer_than_main(lateral: Lateral, count: int, volume_l: float) -> None:
    """The same pipe with the laterals taking off along it is slower, except for a single one."""
    main = DripSystem(lateral, count, main_volume_l=volume_l).travel().total_min
    submain = DripSystem(lateral, count, submain_volume_l=volume_l).travel().total_min
    assert submain >= main * (1 - 1e-12)
    if count == 1:
        assert submain == pytest.approx(main)


# --- velocities and flushing -------------------------------------------------------------------------------


@given(st.floats(0.0, 3.0), diameters_m)
def test_velocity_and_flow_are_inverse(speed: float, d_m: float) -> None:
    """The flow for a velocity has that velocity."""
    assert hy.velocity_m_per_s(hy.flow_for_velocity_l_per_min(speed, d_m), d_m) == pytest.approx(speed)


def test_flushing_by_hand() -> None:
    """0.5 m/s through 1 cm2 is 3 L/min; with 0.3 L/min for the emitters the lateral takes 3.3 L/min."""
    assert hy.flow_for_velocity_l_per_min(0.5, ONE_CM2_M) == pytest.approx(3.0)
    assert hy.flush_inflow_l_per_min(SMALL, 0.5) == pytest.approx(3.3)
    assert hy.flush_velocity_m_per_s(SMALL, 3.3) == pytest.approx(0.5)
    assert hy.flush_velocity_m_per_s(SMALL, 0.2) == 0.0


@pytest.mark.parametrize(
    ("available_l_per_min", "others_run", "expected"),
    [
        # Ten laterals drip 3 L/min; every open end takes 3 more.
        (12.0, True, 3),
        (11.9, True, 2),
        (5.9, True, 0),
        (2.0, True, 0),
        # The others shut: 3.3 L/min each.
        (13.2, False, 4),
        (13.1, False, 3),
        (3.2, False, 0),
        (1000.0, True, 10),
        (1000.0, False, 10),
    ],
)
def test_laterals_flushed_at_once(available_l_per_min: float, others_run: bool, expected: int) -> None:
    """Counted by hand, for 0.5 m/s through 1 cm2."""
    system = DripSystem(SMALL, 10)
    assert hy.laterals_flushed_at_once(system, available_l_per_min, 0.5, others_run=others_run) == expected


# --- the bucket --------------------------------------------------------------------------------------------


def test_bucket_by_hand() -> None:
    """20 L at 1:100 into 40 L/min: 0.4 L/min, 50 min; half of it is left after 25 min, none after 60."""
    suction = hy.suction_l_per_min(40.0, 100.0)
    assert suction == pytest.approx(0.4)
    assert hy.injection_time_min(20.0, suction) == pytest.approx(50.0)
    assert hy.suction_needed_l_per_min(20.0, 50.0) == pytest.approx(0.4)
    assert hy.parts_needed(20.0, 50.0, 40.0) == pytest.approx(100.0)
    assert hy.left_in_bucket_l(20.0, suction, 25.0) == pytest.approx(10.0)
    assert hy.left_in_bucket_l(20.0, suction, 60.0) == 0.0


@given(st.floats(1.0, 500.0), st.floats(1.0, 500.0), st.floats(2.0, 1000.0))
def test_bucket_lasts_as_long_as_its_water(bucket_l: float, flow: float, parts: float) -> None:
    """A bucket at 1:parts goes with parts buckets of water, however fast."""
    minutes = hy.injection_time_min(bucket_l, hy.suction_l_per_min(flow, parts))
    assert flow * minutes == pytest.approx(parts * bucket_l)
    assert hy.parts_needed(bucket_l, minutes, flow) == pytest.approx(parts)


@pytest.mark.parametrize(
    ("flush_min", "expected_min"),
    [
        # Arrivals after 1, 5 and 12 min; 10 min of injection.
        (12.0, [10.0, 10.0, 10.0]),
        (8.0, [10.0, 10.0, 6.0]),
        (0.0, [9.0, 5.0, 0.0]),
    ],
)
def test_feed_is_even_only_after_a_full_flush(flush_min: float, expected_min: list[float]) -> None:
    """An emitter that the feed reaches late drips it until the water stops, and no longer: worked by hand."""
    feed_min = hy.minutes_of_feed(np.array([1.0, 5.0, 12.0]), 10.0, flush_min)
    assert feed_min == pytest.approx(expected_min)


@given(laterals(), st.floats(0.1, 100.0), st.floats(0.0, 2.0))
def test_all_that_is_injected_comes_out_or_stays(lateral: Lateral, inject_min: float, share: float) -> None:
    """What the emitters drip is what went in, less what still stands in the lateral: a balance of volumes."""
    flush_min = share * hy.lateral_travel_min(lateral)
    feed_min = hy.minutes_of_feed(hy.emitter_arrivals_min(lateral), inject_min, flush_min)
    dripped_l = float(feed_min.sum()) * lateral.emitter_flow_l_per_min
    front_m = hy.reached_m(lateral, inject_min + flush_min)
    clean_m = hy.reached_m(lateral, flush_min)
    standing_l = hy.pipe_volume_l(max(0.0, front_m - clean_m), lateral.inside_diameter_m)
    injected_l = inject_min * lateral.inflow_l_per_min
    assert dripped_l + standing_l == pytest.approx(injected_l, rel=1e-6)


# --- needed against stated ---------------------------------------------------------------------------------


def minutes(times: Times) -> tuple[float | None, ...]:
    """Charge, inject, flush."""
    return times.charge_min, times.inject_min, times.flush_min


def test_advice_by_hand() -> None:
    """Travel 12 min: 12, 24 and 13.2 min are needed; 15, 15 and 10 are stated."""
    advice = hy.timing_advice(Times(15.0, 15.0, 10.0), computed_travel_min=12.0)
    assert (advice.travel_min, advice.basis) == (12.0, "computed")
    assert minutes(advice.needed) == pytest.approx((12.0, 24.0, 13.2))
    assert minutes(advice.short) == pytest.approx((0.0, 9.0, 3.2))
    assert advice.trade is hy.RULE_OF_THUMB
    assert advice.short_of_trade == Times(0.0, 0.0, 0.0)


def test_measured_travel_comes_first() -> None:
    """Dye at the last emitter after 25 min beats a computed 12 min, and calls for an orchard's times."""
    advice = hy.timing_advice(Times(inject_min=20.0), computed_travel_min=12.0, measured_travel_min=25.0)
    assert (advice.travel_min, advice.basis) == (25.0, "measured")
    assert advice.needed.inject_min == 50.0
    assert advice.trade is hy.PUBLISHED_TIMES
    assert advice.short == Times(None, 30.0, None)
    assert advice.short_of_trade == Times(None, 10.0, None)


def test_unknown_travel_needs_nothing_of_its_own() -> None:
    """Without a travel time only the trade's times are left, and they are the longer ones."""
    advice = hy.timing_advice(Times(15.0, 15.0, 20.0))
    assert (advice.travel_min, advice.basis) == (None, "unknown")
    assert advice.needed == advice.short == Times()
    assert advice.short_of_trade == Times(None, 15.0, 10.0)


@given(st.floats(0.0, 200.0), st.floats(0.0, 200.0))
def test_needed_times_grow_with_travel_and_give_an_even_feed(one: float, other: float) -> None:
    """Longer travel never needs less; the flush that is needed lets all of the feed out."""
    less, more = sorted((one, other))
    small, large = hy.times_needed(less), hy.times_needed(more)
    assert small.short_of(large).charge_min == pytest.approx(more - less)
    assert large.short_of(small) == Times(0.0, 0.0, 0.0)
    assert large.inject_min is not None
    assert large.flush_min is not None
    feed_min = hy.minutes_of_feed(np.array([0.0, less, more]), large.inject_min, large.flush_min)
    assert feed_min == pytest.approx([large.inject_min] * 3)


# --- friction ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("power", [1.0, 1.75, 1.852, 2.0])
@pytest.mark.parametrize("count", [2, 5, 10, 20, 100])
def test_christiansen_is_the_mean_of_falling_flows(count: int, power: float) -> None:
    """Segment k of n carries k/n of the flow, so the factor is the mean of (k/n)^m.

    What the three terms leave out is far below 1 %.
    """
    mean = sum((k / count) ** power for k in range(1, count + 1)) / count
    assert hy.christiansen_factor(count, power) == pytest.approx(mean, rel=6e-3 if power == 1.0 else 3e-3)


@given(counts, diameters_m, spacings_m, flows_l_per_min)
def test_lateral_loss_is_the_sum_over_its_segments(count: int, d_m: float, s_m: float, q: float) -> None:
    """Hazen and Williams, segment by segment, against the factor."""
    lateral = whole(count, d_m, s_m, q)
    summed_m = sum(hy.hazen_williams_loss_m(s_m, k * q, d_m) for k in range(1, count + 1))
    # A single outlet is 2 % off: 1/2.852 + 1/2 + 0.923/6 = 1.0045.
    assert hy.lateral_loss_m(lateral) == pytest.approx(summed_m, rel=5e-3)


def test_loss_by_segment_by_hand() -> None:
    """Three metres at 6, 4 and 2 L/min in 10 mm, plus an open end: each as a plain pipe."""
    lateral = Lateral(3.0, 0.010, 1.0, 2.0)
    for end in (0.0, 3.0):
        plain_m = sum(hy.darcy_loss_m(1.0, flow + end, 0.010) for flow in (6.0, 4.0, 2.0))
        assert hy.lateral_loss_by_segment_m(lateral, end) == pytest.approx(plain_m)


@given(st.floats(0.05, 0.09), st.floats(0.004, 0.016), st.floats(5.0, 40.0))
def test_laminar_loss_is_poiseuille(speed: float, d_m: float, temperature_c: float) -> None:
    """Below Re 2000 the loss is 128 nu L Q / (pi g d^4): Hagen and Poiseuille."""
    flow = hy.flow_for_velocity_l_per_min(speed, d_m)
    nu = hy.kinematic_viscosity_m2_per_s(temperature_c)
    number = hy.reynolds(flow, d_m, temperature_c)
    assert number == pytest.approx(speed * d_m / nu)
    poiseuille_m = 128 * nu * 10.0 * (flow / 60_000) / (pi * 9.80665 * d_m**4)
    if number < 2000:
        assert hy.darcy_loss_m(10.0, flow, d_m, temperature_c) == pytest.approx(poiseuille_m)
    else:
        assert hy.darcy_loss_m(10.0, flow, d_m, temperature_c) > poiseuille_m


@given(st.floats(0.1, 300.0), st.floats(0.1, 60.0), st.floats(0.1, 60.0), diameters_m)
def test_loss_grows_with_flow_and_length(length_m: float, one: float, other: float, d_m: float) -> None:
    """More flow, more loss, by both formulas; twice the length, twice the loss."""
    less, more = sorted((one, other))
    for loss_m in (hy.hazen_williams_loss_m, hy.darcy_loss_m):
        assert loss_m(length_m, less, d_m) <= loss_m(length_m, more, d_m) * (1 + 1e-12)
        assert loss_m(2 * length_m, more, d_m) == pytest.approx(2 * loss_m(length_m, more, d_m))
        assert loss_m(length_m, 0.0, d_m) == 0.0


@pytest.mark.parametrize(
    ("loss_m", "rise_m", "exponent", "expected"),
    [
        # 10 m at the inlet; (6.4/10)^0.5 = 0.8, (8.1/10)^0.5 = 0.9.
        (3.6, 0.0, 0.5, 0.2),
        (1.9, 0.0, 0.5, 0.1),
        (1.6, 2.0, 0.5, 0.2),
        (1.9, -1.9, 0.5, 0.0),
        (0.0, -2.1, 0.5, -0.1),
        (5.0, 0.0, 1.0, 0.5),
        (5.0, 0.0, 0.0, 0.0),
        (12.0, 0.0, 0.5, 1.0),
        (12.0, 0.0, 0.0, 1.0),
    ],
)
def test_flow_variation_by_hand(loss_m: float, rise_m: float, exponent: float, expected: float) -> None:
    """1 - (h_last / h_first)^x."""
    assert hy.flow_variation(10.0, loss_m, rise_m, exponent) == pytest.approx(expected, abs=1e-12)


@given(st.floats(1.0, 40.0), st.floats(0.01, 0.99), st.floats(0.2, 1.0))
def test_allowed_loss_gives_that_variation(head_m: float, variation: float, exponent: float) -> None:
    """The loss that is allowed for a variation causes it."""
    loss_m = hy.loss_allowed_m(head_m, variation, exponent)
    assert hy.flow_variation(head_m, loss_m, exponent=exponent) == pytest.approx(variation)


@given(laterals(), st.floats(0.0, 0.9))
def test_uneven_outflow_delays_the_front(lateral: Lateral, variation: float) -> None:
    """Where far emitters drip less (same total), the last of them is reached later than computed for equal ones."""
    shares = 1.0 - variation * np.linspace(0.0, 1.0, lateral.outlets)
    uneven = lateral.inflow_l_per_min * shares / shares.sum()
    delayed_min = hy.arrivals_min(lateral.segments_m, lateral.inside_diameter_m, uneven)[-1]
    assert delayed_min >= hy.lateral_travel_min(lateral) * (1 - 1e-9)


# --- what is refused ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("bad", [0.0, -1.0, nan, inf])
@pytest.mark.parametrize(
    "field", ["length_m", "inside_diameter_m", "emitter_spacing_m", "emitter_flow_l_per_min", "first_emitter_m"]
)
def test_a_lateral_needs_numbers_above_zero(field: str, bad: float) -> None:
    """The message names the field."""
    good = {"length_m": 3.0, "inside_diameter_m": 0.016, "emitter_spacing_m": 1.0, "emitter_flow_l_per_min": 0.1}
    with pytest.raises(ValueError, match=field):
        Lateral(**(good | {field: bad}))


@pytest.mark.parametrize(
    ("call", "args", "words"),
    [
        (Lateral, (0.5, 0.016, 1.0, 0.1), "no emitter on 0.5 m"),
        (Lateral, (1e6, 0.016, 0.1, 0.1), "emitters on one lateral"),
        (DripSystem, (SMALL, 0), "laterals"),
        (DripSystem, (SMALL, 1, -1.0), "main_volume_l"),
        (DripSystem, (SMALL, 1, 0.0, nan), "submain_volume_l"),
        (hy.arrival_min, (SMALL, 3.1), "ends at 3"),
        (hy.arrival_min, (SMALL, -0.1), "distance_m"),
        (hy.reached_m, (SMALL, -1.0), "minutes"),
        (hy.lateral_travel_min, (SMALL, 1.1), "fraction"),
        (hy.lateral_travel_min, (SMALL, nan), "fraction"),
        (hy.arrivals_min, (np.ones(2), 0.016, np.ones(3)), "rows alike"),
        (hy.arrivals_min, (np.ones(2), 0.016, np.array([1.0, 0.0])), "last_flow"),
        (hy.arrivals_min, (np.ones(2), 0.016, np.array([-1.0, 1.0])), "outflows"),
        (hy.pipe_travel_min, (1.0, 0.0), "flow_l_per_min"),
        (hy.outlets_travel_min, (1.0, 1.0, 0), "outlets"),
        (hy.open_end_min, (SMALL, 0.0), "end_flow"),
        (hy.laterals_flushed_at_once, (DripSystem(SMALL), 10.0, 0.0), "velocity"),
        (hy.injection_time_min, (20.0, 0.0), "suction"),
        (hy.suction_l_per_min, (40.0, 0.0), "parts_of_water"),
        (hy.minutes_of_feed, (np.ones(1), -1.0, 0.0), "inject_min"),
        (Times, (-1.0,), "charge_min"),
        (hy.timing_advice, (Times(), -1.0), "travel_min"),
        (hy.kinematic_viscosity_m2_per_s, (-5.0,), "temperature_c"),
        (hy.hazen_williams_loss_m, (1.0, 1.0, 0.016, 0.0), "c is 0"),
        (hy.darcy_loss_m, (1.0, -1.0, 0.016), "flow_l_per_min"),
        (hy.christiansen_factor, (0,), "outlets"),
        (hy.flow_variation, (0.0, 1.0), "inlet_head_m"),
        (hy.flow_variation, (10.0, 1.0, nan), "rise_m"),
        (hy.loss_allowed_m, (10.0, 1.5), "variation"),
    ],
)
def test_nonsense_is_refused_by_name(call: Any, args: tuple[Any, ...], words: str) -> None:
    """Every refusal says which number it is about."""
    with pytest.raises(ValueError, match=words):
        call(*args)
