"""A water test by itself, as the answer shows it: classes, hardness, balance, and what is odd about it."""

from __future__ import annotations

from collections.abc import Mapping

from ...catalog import WaterTest
from ...catalog.once import once_for_each
from ...catalog.water.oddities import oddities as odd_by_itself
from ...catalog.water.quality import charge_balance, clogging, flags, hardness_mg_per_l_caco3, hardness_word
from ..policy import Unknown, usual_mg_per_l
from .verdict import WaterState


@once_for_each(most=64)
def water_state(water: WaterTest, usual: Mapping[str, Unknown]) -> WaterState:
    """The water by itself. usual: ranges of what was not tested."""
    classes, hardness = clogging(water), hardness_mg_per_l_caco3(water)
    balance = charge_balance(water, usual_mg_per_l(usual))
    return WaterState(
        clogging={one.item: one.grade for one in classes},
        worst=classes[0].grade if classes else None,
        hardness_mg_per_l_caco3=None if hardness is None else float(f"{hardness[1]:.5g}"),
        hardness=None if hardness is None else hardness_word(hardness[1]),
        above_2_5_meq_per_l=tuple(flags(water)),
        charge_off_percent=None if balance is None or not balance.conclusive else float(f"{balance.off_percent:.3g}"),
    )


def oddities(water: WaterTest, usual: Mapping[str, Unknown]) -> list[str]:
    """What makes a water test doubtful, in words. usual: ranges of what was not tested."""
    return odd_by_itself(water, usual_mg_per_l(usual))
