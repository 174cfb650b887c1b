"""Policy data: ranges for what is not known, from default.toml and a region's own file."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any


@dataclass(frozen=True, slots=True)
class Unknown:
    """Range of something that is not known, in `unit`. best: the likeliest value, None for the middle of the range;
    find_out: the cheapest way to learn it, at a cost from 1 (a look) to 4 (a lab)."""

    name: str
    low: float
    high: float
    unit: str
    find_out: str
    source: str
    cost: int = 4
    best: float | None = None


@dataclass(frozen=True, slots=True)
class Dial:
    """How far a ratio that is read off a dial may be from the true one."""

    within_share: float
    find_out: str
    source: str


@cache
def _policy(name: str) -> dict[str, Any]:
    return tomllib.loads(resources.files(__name__).joinpath(f"{name}.toml").read_text("utf-8"))


@cache
def regions() -> dict[str, str]:
    """Regions with a file of their own: id -> name."""
    names = (file.name for file in resources.files(__name__).iterdir())
    found = sorted(name.removesuffix(".toml") for name in names if name.endswith(".toml") and name != "default.toml")
    return {name: _policy(name)["name"] for name in found}


@cache
def unknowns(region: str | None = None) -> dict[str, Unknown]:
    """Ranges by the name of what is not known; a region's values replace the default ones."""
    rows = {name: dict(row) for name, row in _policy("default")["unknown"].items()}
    for name, row in (_policy(region)["unknown"] if region else {}).items():
        rows[name] |= row
    return {name: Unknown(name=name, **row) for name, row in rows.items()}


@cache
def dial() -> Dial:
    """The error of a dial."""
    return Dial(**_policy("default")["dial"])
