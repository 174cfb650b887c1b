"""Hydraulics of a drip, against closed forms, numbers worked by hand, and simulations.

Sources of the closed forms stand beside them. Published numbers are in `tests/published/test_drip_hydraulics.py`.
"""

from __future__ import annotations

from math import inf, log, nan, pi
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pourcheck import Catalog, InputError, check
from pourcheck.rules.ask import hydraulics as hy
from pourcheck.rules.ask.hydraulics import DripSystem, Lateral, Times
from pourcheck.rules.ask.plan import Plan, plan
from pourcheck.rules.ask.pour import Pour

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


def whole(count: int, diameter_m: float, spacing_m: float, flow_l_per_min: float) -> Lateral:
    """A lateral of so many spacings."""
    return Lateral(count * spacing_m, diameter_m, spacing_m, flow_l_per_min)


# --- simulations: they know emitters and volumes, and no sum ---------------------------------------------


def last_emitter_m(lateral: Lateral) -> float:
    """Inlet to last emitter [m], counted one by one."""
    place_m = lateral.emitter_spacing_m
    while place_m + lateral.emitter_spacing_m <= lateral.length_m + 1e-9:
        place_m += lateral.emitter_spacing_m
    return place_m


def drift_min(lateral: Lateral, steps: int = 40_000) -> float:
    """A particle that goes with the water, in small steps of length, to the last emitter [min].

    Its velocity follows from the emitters that are still in front of it, which are counted anew in every step.
    """
    goal_m = last_emitter_m(lateral)
    emitters_m = np.arange(lateral.emitter_spacing_m, goal_m + 1e-9, lateral.emitter_spacing_m)
    step_m = goal_m / steps
    places_m = (np.arange(steps) + 0.5) * step_m
    in_front = (emitters_m[:, None] > places_m).sum(axis=0)
    flows_m3_per_min = in_front * lateral.emitter_flow_l_per_min / 1000.0
    return float(np.sum(step_m / (flows_m3_per_min / (pi / 4.0 * lateral.inside_diameter_m**2))))


def filling_min(lateral: Lateral, step_min: float) -> float:
    """An empty lateral fills at its design flow: what the emitters under water do not put out goes on [min]."""
    held_l, minutes = 0.0, 0.0
    supply_l_per_min = lateral.outlets * lateral.emitter_flow_l_per_min
    liter_per_m = pi / 4.0 * lateral.inside_diameter_m**2 * 1000.0
    while held_l < last_emitter_m(lateral) * liter_per_m:
        under_water = int(held_l / liter_per_m / lateral.emitter_spacing_m)
        held_l += (supply_l_per_min - under_water * lateral.emitter_flow_l_per_min) * step_min
        minutes += step_min
    return minutes


@pytest.mark.parametrize(
    "lateral",
    [
        SMALL,
        Lateral(7.3, 0.014, 0.5, 0.03),  # 0.3 m behind the last emitter
        Lateral(30.5, 0.016, 0.3, 0.02),
        Lateral(2.0, 0.02, 2.0, 0.1),
    ],
)
def test_travel_is_that_of_a_particle_in_the_water(lateral: Lateral) -> None:
    """A simulated particle takes as long to the last emitter as the sum says."""
    assert lateral.travel_min == pytest.approx(drift_min(lateral), rel=2e-3)


@pytest.mark.parametrize("count", [1, 2, 7, 40])
def test_filling_takes_the_travel_time(count: int) -> None:
    """At design flow an empty lateral is full after the travel time: the reason for charging that long."""
    lateral = whole(count, 0.016, 0.5, 0.03)
    assert filling_min(lateral, lateral.travel_min / 50_000) == pytest.approx(lateral.travel_min, rel=2e-3)


# --- travel: by hand and by closed form ------------------------------------------------------------------


def test_three_emitters_by_hand() -> None:
    """0.1 L at 0.3, 0.2 and 0.1 L/min: 1/3, 1/2 and 1 min."""
    assert SMALL.outlets == 3
    assert SMALL.travel_min == pytest.approx(11 / 6)
    assert SMALL.inflow_l_per_min == pytest.approx(0.3)
    # What is left behind the last emitter stands still.
    assert Lateral(3.9, ONE_CM2_M, 1.0, 0.1).travel_min == SMALL.travel_min


@given(counts, diameters_m, spacings_m, flows_l_per_min)
def test_travel_is_residence_times_harmonic_number(count: int, d_m: float, s_m: float, q: float) -> None:
    """V/Q (1 + 1/2 + ... + 1/n), which Euler's expansion gives without a sum.

    H_n = ln n + 0.5772... + 1/(2n) - 1/(12 n^2) + 1/(120 n^4) - ... (Abramowitz and Stegun 6.3.18, from memory);
    the error is below the first term left out, 1/(252 n^6).
    """
    lateral = whole(count, d_m, s_m, q)
    euler = log(count) + 0.5772156649015329 + 1 / (2 * count) - 1 / (12 * count**2) + 1 / (120 * count**4)
    residence_min = hy.pipe_volume_l(lateral.length_m, d_m) / lateral.inflow_l_per_min
    assert lateral.outlets == count
    assert lateral.travel_min / residence_min == pytest.approx(euler, abs=1 / (252 * count**6) + 1e-9)
    # The usual rule for a quick estimate: between ln n and 1 + ln n residence times.
    assert log(count) * residence_min <= lateral.travel_min <= (1 + log(count)) * residence_min * (1 + 1e-12)


@pytest.mark.parametrize("fraction", [0.1, 0.5, 0.9, 0.95])
def test_many_emitters_are_a_porous_pipe(fraction: float) -> None:
    """Even outflow over the length: dx/dt = (Q/A)(1 - x/L), so t = V/Q ln(1/(1-x/L)).

    What is left behind a place is a lateral of its own, so that the time to there is a difference.
    """
    full, rest = (whole(count, 0.016, 0.005, 1e-3) for count in (20_000, round(20_000 * (1 - fraction))))
    porous_min = hy.pipe_volume_l(100.0, 0.016) / full.inflow_l_per_min * log(1 / (1 - fraction))
    assert full.travel_min - rest.travel_min == pytest.approx(porous_min, rel=2e-3)


def test_last_segments_take_most_of_the_time() -> None:
    """The last 5 % of 500 emitters take 56 % of the time: H_25 / H_500 = 3.816 / 6.793, worked by hand."""
    assert TAPE.outlets == 500
    late = whole(25, 0.016, 0.2, 1.0 / 60.0).travel_min / TAPE.travel_min
    assert late == pytest.approx(3.816 / 6.793, abs=1e-3)


def test_one_emitter_is_a_plain_pipe() -> None:
    """With a single outlet, volume over flow: 5 m of 1 cm2 hold 0.5 L, at 0.2 L/min."""
    assert Lateral(5.0, ONE_CM2_M, 5.0, 0.2).travel_min == pytest.approx(2.5)


# --- travel: what must always hold -------------------------------------------------------------------------


@given(counts, diameters_m, spacings_m, flows_l_per_min, st.integers(1, 50))
def test_longer_takes_longer(count: int, d_m: float, s_m: float, q: float, more: int) -> None:
    """More spacings of the same kind: every added emitter comes later, though the inlet flows faster."""
    assert whole(count, d_m, s_m, q).travel_min < whole(count + more, d_m, s_m, q).travel_min


@given(counts, diameters_m, spacings_m, flows_l_per_min, st.floats(1.01, 5.0))
def test_wider_spacing_wider_pipe_and_smaller_emitters_take_longer(
    count: int, d_m: float, s_m: float, q: float, factor: float
) -> None:
    """In proportion to spacing at the same count, to the square of the diameter, and to 1 over emitter flow."""
    travel_min = whole(count, d_m, s_m, q).travel_min
    assert whole(count, d_m, s_m * factor, q).travel_min == pytest.approx(factor * travel_min)
    assert whole(count, d_m * factor, s_m, q).travel_min == pytest.approx(factor**2 * travel_min)
    assert whole(count, d_m, s_m, q * factor).travel_min == pytest.approx(travel_min / factor)


@pytest.mark.parametrize(("length_m", "spacing_m", "outlets"), [(0.3, 0.1, 3), (30.48, 0.3048, 100), (1.0, 0.3, 3)])
def test_emitters_are_counted_right_at_the_edge(length_m: float, spacing_m: float, outlets: int) -> None:
    """A length of whole spacings keeps its last emitter, though 0.3 / 0.1 is below 3 in floating point."""
    assert Lateral(length_m, 0.016, spacing_m, 0.02).outlets == outlets


# --- the whole drip ----------------------------------------------------------------------------------------


def test_parts_of_the_system_by_hand() -> None:
    """Two laterals of 0.3 L/min: a main of 6 L takes 10 min, and then comes the lateral."""
    system = DripSystem(SMALL, 2, main_volume_l=6.0)
    assert system.flow_l_per_min == pytest.approx(0.6)
    assert system.travel_min == pytest.approx(10.0 + 11 / 6)


def test_flow_for_a_velocity_by_hand() -> None:
    """0.5 m/s through 1 cm2 is 3 L/min."""
    assert hy.flow_for_velocity_l_per_min(0.5, ONE_CM2_M) == pytest.approx(3.0)


@pytest.mark.parametrize(
    ("available_l_per_min", "expected"),
    # Ten laterals; each takes 3 L/min at its end and 0.3 at its emitters.
    [(13.2, 4), (13.1, 3), (3.3, 1), (3.2, 0), (0.0, 0), (1000.0, 10)],
)
def test_laterals_flushed_at_once(available_l_per_min: float, expected: int) -> None:
    """Counted by hand, for 0.5 m/s through 1 cm2."""
    assert hy.laterals_flushed_at_once(DripSystem(SMALL, 10), available_l_per_min, 0.5) == expected


# --- the bucket --------------------------------------------------------------------------------------------


def test_bucket_by_hand() -> None:
    """20 L at 1:100 into 40 L/min: 0.4 L/min, 50 min; half of it is left after 25 min, none after 60."""
    assert float(hy.injection_time_min(20.0, 0.4)) == pytest.approx(50.0)
    assert float(hy.left_in_bucket_l(20.0, 0.4, 25.0)) == pytest.approx(10.0)
    assert float(hy.left_in_bucket_l(20.0, 0.4, 60.0)) == 0.0


def test_buckets_of_many_scenarios_by_hand() -> None:
    """Rows, and one number for all rows: 20 L at 0.4, 0.5 and 1 L/min."""
    suction = np.array([0.4, 0.5, 1.0])
    assert hy.injection_time_min(20.0, suction) == pytest.approx([50.0, 40.0, 20.0])
    assert hy.injection_time_min(np.array([10.0, 20.0, 30.0]), suction) == pytest.approx([25.0, 40.0, 30.0])
    assert hy.left_in_bucket_l(20.0, suction, 30.0) == pytest.approx([8.0, 5.0, 0.0])


@given(st.floats(1.0, 500.0), st.floats(0.01, 50.0), st.floats(0.0, 2.0))
def test_what_is_drawn_and_what_is_left_is_the_bucket(bucket_l: float, suction: float, share: float) -> None:
    """A balance of volumes, and nothing is drawn from an empty bucket."""
    minutes = share * float(hy.injection_time_min(bucket_l, suction))
    drawn_l = min(suction * minutes, bucket_l)
    assert float(hy.left_in_bucket_l(bucket_l, suction, minutes)) + drawn_l == pytest.approx(bucket_l)


# --- what a pour says of its drip --------------------------------------------------------------------------

#: TAPE as a pour states it: 500 emitters, 8.333 L/min, 16.39 min (2.4127 min of residence times 6.7928).
SIZES = {
    "emitter_flow": "1 L/hour",
    "emitter_spacing": "20 cm",
    "lateral_length": "100 m",
    "inside_diameter": "16 mm",
}
TAPE_MIN = 16.39


def pour_with(drip: dict[str, Any], **injection: str) -> dict[str, Any]:
    """A pour with a drip."""
    return {
        "product": [{"name": "urea", "amount": "1 lb"}],
        "bucket": {"volume": "5 gal"},
        "drip": drip,
        "injection": injection or {"ratio": "1:100"},
    }


def planned(drip: dict[str, Any], **injection: str) -> Plan:
    """The plan of such a pour."""
    return plan(Pour.parse(pour_with(drip, **injection)))


def test_drip_with_everything_by_hand() -> None:
    """Six laterals put out 50 L/min, so that a main of 100 L takes 2 min."""
    found = planned(SIZES | {"laterals": 6, "main_volume": "100 L"})
    assert found.travel_min == pytest.approx(TAPE_MIN + 2.0, abs=0.01)
    assert (found.basis, found.left_out) == ("computed", "")
    assert found.drip_flow_l_per_min == pytest.approx(50.0)


@pytest.mark.parametrize("missing", sorted(SIZES))
def test_a_size_that_is_missing_leaves_the_travel_unknown(missing: str) -> None:
    """Nothing is made up for it."""
    found = planned({key: text for key, text in SIZES.items() if key != missing} | {"laterals": 6})
    assert (found.travel_min, found.basis, found.system) == (None, "unknown", None)


def test_laterals_that_are_not_counted() -> None:
    """Their flow is not known; the main takes longest as if one ran, or what the stated flow feeds: 6 at 50 L/min."""
    found = planned(SIZES | {"main_volume": "100 L"})
    assert found.drip_flow_l_per_min is None
    assert found.travel_min == pytest.approx(TAPE_MIN + 12.0, abs=0.01)
    assert found.left_out == "as if one lateral ran"
    fed = planned(SIZES | {"main_volume": "100 L"}, suction="0.5 L/min", flow="50 L/min")
    assert fed.drip_flow_l_per_min is None
    assert fed.travel_min == pytest.approx(TAPE_MIN + 2.0, abs=0.01)
    assert fed.left_out == ""


def test_main_is_counted_once() -> None:
    """50 m of 50.46 mm hold 100 L: stated both ways it is one main; half of it stated is not counted, and said so."""
    sizes = {"main_length": "50 m", "main_diameter": "50.463 mm"}
    for main in (sizes, {"main_volume": "100 L"}, sizes | {"main_volume": "100 L"}):
        assert planned(SIZES | {"laterals": 6} | main).travel_min == pytest.approx(TAPE_MIN + 2.0, abs=0.01)
    half = planned(SIZES | {"laterals": 6, "main_length": "50 m"})
    assert half.travel_min == pytest.approx(TAPE_MIN, abs=0.01)
    assert half.left_out == "without the main, which needs length and diameter"


def test_measured_travel_comes_first() -> None:
    """Dye at the last emitter beats the computed time."""
    found = planned(SIZES | {"laterals": 6, "travel": "25 min"})
    assert (found.travel_min, found.basis, found.left_out) == (25.0, "measured", "")


@pytest.mark.parametrize(
    "wrong",
    [
        {"travel": "0 min"},
        {"lateral_length": "10 cm"},
        {"emitter_spacing": "1e-300 m"},
        {"inside_diameter": "1e200 m"},
        {"emitter_flow": "1e-300 L/hour"},
        {"inside_diameter": "16 m"},
        {"main_length": "1e200 m", "main_diameter": "1e200 m"},
    ],
)
def test_a_drip_that_makes_no_sense_is_refused(wrong: dict[str, str]) -> None:
    """With the place and how to mend it."""
    with pytest.raises(InputError, match=r"drip.*; (check|measure)"):
        planned(SIZES | {"laterals": 6} | wrong)


@pytest.mark.parametrize(
    ("laterals", "words"),
    [
        # An open end takes 0.3048 m/s through 2.0106 cm2, 3.68 L/min or 0.97 gal/min, and the emitters 8.33 L/min:
        # of 50 L/min (13 gal/min) that is 4, of 8.33 (2.2 gal/min) none.
        (6, "0.97 gal/min out of each end makes 1 ft/s; with the drip's own 13 gal/min that is 4 laterals at a time"),
        (2, "with the drip's own 4.4 gal/min that is 1 lateral at a time"),
        (1, "the drip's own 2.2 gal/min is too little for a single one"),
        (None, "0.97 gal/min out of each end makes 1 ft/s."),
    ],
)
def test_how_many_ends_to_flush_is_told(laterals: int | None, words: str, catalog: Catalog) -> None:
    """Worked by hand, in the advice of the rule."""
    drip = SIZES | ({} if laterals is None else {"laterals": laterals})
    found = {finding.rule: finding for finding in check(pour_with(drip), catalog).findings}
    assert words in " ".join(found["flush-too-short"].do)


def test_a_ratio_that_is_not_stated_is_told(catalog: Catalog) -> None:
    """18.93 L at 50 / 51 and at 50 / 401 L/min, the ends of the ratio's usual range, are 19.3 and 151.8 min."""
    verdict = check(pour_with(SIZES | {"laterals": 6}, flush="20 min"), catalog)
    (found,) = (finding for finding in verdict.findings if finding.rule == "injection-does-not-fit")
    assert "takes 19.3 to 151.8 min to empty the bucket, at 1:50 to 1:400." in found.message


# --- what is refused ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("bad", [0.0, -1.0, nan, inf])
@pytest.mark.parametrize("field", ["length_m", "inside_diameter_m", "emitter_spacing_m", "emitter_flow_l_per_min"])
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
        (Lateral, (1e300, 0.016, 1e-300, 0.1), "emitters on one lateral"),
        (DripSystem, (SMALL, 0), "laterals"),
        (DripSystem, (SMALL, 1, -1.0), "main_volume_l"),
        (DripSystem, (SMALL, 1, nan), "main_volume_l"),
        (hy.pipe_volume_l, (-1.0, 0.016), "length_m"),
        (hy.laterals_flushed_at_once, (DripSystem(SMALL), 10.0, 0.0), "velocity"),
        (hy.laterals_flushed_at_once, (DripSystem(SMALL), -1.0), "available"),
        (hy.injection_time_min, (20.0, 0.0), "suction"),
        (hy.injection_time_min, (np.array([20.0, nan]), 1.0), "bucket"),
        (hy.left_in_bucket_l, (20.0, 1.0, np.array([5.0, -1.0])), "inject_min"),
        (Times, (-1.0,), "fill_min"),
    ],
)
def test_nonsense_is_refused_by_name(call: Any, args: tuple[Any, ...], words: str) -> None:
    """Every refusal says which number it is about."""
    with pytest.raises(ValueError, match=words):
        call(*args)
