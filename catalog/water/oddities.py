"""What makes a water test doubtful by itself."""

from __future__ import annotations

from collections.abc import Mapping

from .analysis import WaterTest
from .bounds import ec_agreement
from .quality import charge_balance, hardness_may_be_grains, misreadings, softened_or_grains


def oddities(water: WaterTest, untested: Mapping[str, tuple[float, float]]) -> list[str]:
    """What makes a water test doubtful, in words: charges that do not balance and the slip that would mend it, EC that
    does not fit, hardness that may be grains.

    untested: lowest and highest of items that may be missing [mg/L; alkalinity as CaCO3].
    """
    found = []
    balance = charge_balance(water, untested)
    if balance is not None and abs(balance.off_percent) > balance.allowed_percent:
        found.append(
            f"the charges do not balance: {abs(balance.off_percent):.0f} % apart, a good test is within "
            f"{balance.allowed_percent:.0f} %"
        )
        found += [slip.words for slip in misreadings(water, untested)[:2]]
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
