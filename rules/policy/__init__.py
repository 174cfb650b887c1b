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


#: Files beside those of regions.
_NOT_REGIONS = {"default.toml", "crop_salt.toml"}


@cache
def regions() -> dict[str, str]:
    """Regions with a file of their own: id -> name."""
    names = (file.name for file in resources.files(__name__).iterdir())
    found = sorted(name.removesuffix(".toml") for name in names if name.endswith(".toml") and name not in _NOT_REGIONS)
    return {name: _policy(name)["name"] for name in found}


@cache
def unknowns(region: str | None = None) -> dict[str, Unknown]:
    """Ranges by the name of what is not known; a region's values replace the default ones."""
    rows = {name: dict(row) for name, row in _policy("default")["unknown"].items()}
    for name, row in (_policy(region)["unknown"] if region else {}).items():
        rows[name] |= row
    return {name: Unknown(name=name, **row) for name, row in rows.items()}


@dataclass(frozen=True, slots=True)
class LevelPolicy:
    """A rule that a region has at another level: at_most, at_least: words of levels, None where it leaves it."""

    rule: str
    reason: str
    at_most: str | None = None
    at_least: str | None = None


@cache
def levels(region: str | None = None) -> dict[str, LevelPolicy]:
    """Rules by name that a region turns down or up, each with its reason."""
    rows = _policy(region).get("level", {}) if region else {}
    return {name: LevelPolicy(rule=name, **row) for name, row in rows.items()}


@cache
def no_phosphorus(region: str | None = None) -> bool:
    """True where a region gives no phosphorus unless a soil test asks for it."""
    return bool(region) and _policy(str(region)).get("phosphorus", {}).get("default") == "none"


@cache
def dial() -> Dial:
    """The error of a dial."""
    return Dial(**_policy("default")["dial"])


@dataclass(frozen=True, slots=True)
class SaltLimits:
    """EC [mS/cm] at which yield begins to fall, by crop; pairs of limits: slight to moderate from, severe from."""

    crops: dict[str, float]
    ec_ms_per_cm: tuple[float, float]
    chloride_meq_per_l: tuple[float, float]
    boron_mg_per_l: tuple[float, float]


@cache
def salt_limits() -> SaltLimits:
    """Published limits of salt at the emitter (crop_salt.toml)."""
    table = _policy("crop_salt")
    return SaltLimits(table["crop"], **{name: tuple(pair) for name, pair in table["classes"].items()})
