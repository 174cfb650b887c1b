"""Policy data: ranges for what is not known, read from default.toml."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources

#: Regions that may be named; the invented demo region has the default ranges.
REGIONS = ("tarn-valley",)


@dataclass(frozen=True, slots=True)
class Unknown:
    """Range of something that is not stated, in `unit`; find_out: the cheapest way to learn it."""

    name: str
    low: float
    high: float
    unit: str
    find_out: str
    source: str


@cache
def default_unknowns() -> dict[str, Unknown]:
    """Ranges by the name of what is not known."""
    text = resources.files(__name__).joinpath("default.toml").read_text("utf-8")
    return {name: Unknown(name=name, **row) for name, row in tomllib.loads(text)["unknown"].items()}
