"""The kinds of documents that programs send and get, and the version of each."""

from __future__ import annotations

from typing import Literal

Kind = Literal["pour", "product", "water", "verdict", "fault", "swaps", "splits", "remedies", "acids"]
#: What is read gets the next version when something that was read is read no longer; what is written, when a reader
#: of the one before could go wrong, for which a new key is no reason.
VERSIONS: dict[Kind, int] = {
    "pour": 1,
    "product": 1,
    "water": 1,
    "verdict": 2,
    "fault": 1,
    "swaps": 1,
    "splits": 1,
    "remedies": 1,
    "acids": 1,
}
