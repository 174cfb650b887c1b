"""Hydraulics of a drip against published numbers."""

from __future__ import annotations

import pytest

from pourcheck.rules.ask import hydraulics as hy

INCH_M, FOOT_M, GALLON_L = 0.0254, 0.3048, 3.785411784


@pytest.mark.parametrize(
    ("diameter_in", "velocity_ft_per_s", "gal_per_min", "tolerance"),
    [
        # University of California, Maintenance of Microirrigation Systems, flushing: rounded to 1 and 2 gal/min.
        (0.625, 1.0, 1.0, 0.15),
        (0.875, 1.0, 2.0, 0.15),
        # Geometry: area in ft2 times 448.83 gal/min per ft3/s.
        (0.625, 1.0, 0.96, 0.01),
    ],
)
def test_flow_that_flushes(diameter_in: float, velocity_ft_per_s: float, gal_per_min: float, tolerance: float) -> None:
    """End flow for 1 ft/s."""
    flow = hy.flow_for_velocity_l_per_min(velocity_ft_per_s * FOOT_M, diameter_in * INCH_M)
    assert flow / GALLON_L == pytest.approx(gal_per_min, abs=tolerance)


def test_flush_velocity_is_the_published_one() -> None:
    """1 ft/s at least (University of California, as above), within what trials compared: 0.23 to 0.61 m/s.

    The trials: Puig-Bargues, Lamm, Trooien and Clark, Transactions ASABE.
    """
    feet_per_s = hy.FLUSH_VELOCITY_M_PER_S / FOOT_M
    assert feet_per_s == pytest.approx(1.0)
    assert 0.23 < hy.FLUSH_VELOCITY_M_PER_S < 0.61


def test_flush_is_no_shorter_than_travel_and_no_longer_than_published() -> None:
    """At least 30 min where travel is 20 to 30 min: UF/IFAS HS1306, which is 1.0 to 1.5 travel times."""
    assert 30.0 / 30.0 < hy.FLUSH_PER_TRAVEL < 30.0 / 20.0
