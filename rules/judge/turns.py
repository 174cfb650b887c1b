"""Which way a rule turns as one number of a pour goes up and all else stays."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from ...catalog.quantity.table import Quantity

#: Why a rule may turn either way, where several share the reason.
OWN_PH = "an acid feed holds what it brings, an alkaline one drives it out, and more of it does more of either"
BUFFERS = "alkalinity takes up the acid of a feed, and lets alkali raise the pH less"
OTHER_SOLIDS = "another solid that forms as well takes calcium, carbonate or phosphate away"
HEAT = "warmth changes the constants of the solid one way and the pH the other"
SLIGHTLY = "it moves pH and activities a little"


@dataclass(frozen=True)
class Turns:
    """Which way a rule's level may turn as a lever goes up.

    worse, better: only so; either: this way or that, and why. A lever that is not named does not turn it, but for the
    last digits of an activity. Drawn pours hold every rule to it (tests/evidence/directions.py).
    """

    worse: tuple[Quantity, ...] = ()
    better: tuple[Quantity, ...] = ()
    either: Mapping[tuple[Quantity, ...], str] = field(default_factory=dict)

    def may(self, lever: Quantity) -> tuple[bool, bool]:
        """Whether the level may get worse, and better, with more of a lever."""
        either = any(lever in levers for levers in self.either)
        return lever in self.worse or either, lever in self.better or either
