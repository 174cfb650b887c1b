"""A water test by itself, as the answer shows it: classes, hardness, balance, and what is odd about it."""

from __future__ import annotations

from collections.abc import Mapping

from ...catalog import WaterTest
from ...catalog.water.bounds import ec_agreement
from ...catalog.water.quality import (
    charge_balance,
    clogging,
    flags,
    hardness_may_be_grains,
    hardness_mg_per_l_caco3,
    hardness_word,
    misreadings,
    softened_or_grains,
)
from ..policy import Unknown, usual_mg_per_l
from .verdict import WaterState


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
    """What makes a water test doubtful, in words: charges that do not balance and the slip that would mend it,
    EC that does not fit, hardness that may be grains."""
    found, ranges = [], usual_mg_per_l(usual)
    balance = charge_balance(water, ranges)
    if balance is not None and abs(balance.off_percent) > balance.allowed_percent:
        found.append(
            f"the charges do not balance: {abs(balance.off_percent):.0f} % apart, a good test is within "
            f"{balance.allowed_percent:.0f} %"
        )
        found += [slip.words for slip in misreadings(water, ranges)[:2]]
    ec = ec_agreement(water)
    if ec is not None and ec.times_off != 1.0:
        side = f"at most {ec.expected[1]:.3g}" if ec.times_off > 1.0 else f"at least {ec.expected[0]:.3g}"
        found.append(f"the EC does not fit: the ions that were tested make {side} mS/cm")
    if (grains := hardness_may_be_grains(water)) is not None:
        found.append(
            (
                "so little hardness with so much alkalinity is"
                if softened_or_grains(water)
                else "so little hardness may be"
            )
            + f" softened water, or grains per gallon read as mg/L (it would be {grains:.0f} mg/L CaCO3)"
        )
    return found
