"""Policy data: ranges for what is not known, levels of rules, limits; from default.toml and a region's own file."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from ...catalog.once import once_for_each
from ...catalog.quantity.table import QUANTITIES, Quantity


@dataclass(frozen=True, slots=True)
class Unknown:
    """Range of a quantity that is not known, in its unit. best: the likeliest value, None for the middle of the range;
    find_out: the cheapest way to learn it, where it is not the quantity's usual one."""

    quantity: Quantity
    low: float
    high: float
    source: str
    best: float | None = None
    find_out: str = ""

    @property
    def name(self) -> str:
        """Name of the quantity."""
        return self.quantity.name

    @property
    def how(self) -> str:
        """The cheapest way to learn it."""
        return self.find_out or self.quantity.find_out


@once_for_each(most=16)
def usual_mg_per_l(usual: Mapping[str, Unknown]) -> dict[str, tuple[float, float]]:
    """Ranges of water items that may be missing, lowest and highest [mg/L; alkalinity as CaCO3]."""
    return {name: (u.low, u.high) for name, u in usual.items() if u.quantity.unit.startswith("mg/L")}


@dataclass(frozen=True, slots=True)
class InjectorError:
    """How far the true ratio of an injector may be from the one that it is set to."""

    within_share: float
    find_out: str
    source: str


@cache
def policy_table(name: str) -> dict[str, Any]:
    """One of the packaged policy files, by its name."""
    return tomllib.loads(resources.files(__name__).joinpath(f"{name}.toml").read_text("utf-8"))


@cache
def default_unknowns() -> dict[str, Unknown]:
    """Ranges by the name of what is not known, where no region has its own."""
    return {name: Unknown(QUANTITIES[name], **row) for name, row in policy_table("default")["unknown"].items()}


@cache
def injector_error(kind: str) -> InjectorError:
    """The error of a kind of injector that was not measured: venturi or pump."""
    return InjectorError(**policy_table("default")["injector"][kind])


@dataclass(frozen=True, slots=True)
class SaltLimits:
    """EC [mS/cm] at which yield begins to fall, by crop; pairs of limits: slight to moderate from, severe from."""

    crops: dict[str, float]
    ec_ms_per_cm: tuple[float, float]
    chloride_meq_per_l: tuple[float, float]
    boron_mg_per_l: tuple[float, float]
    sodium_sar: tuple[float, float]
    zinc_mg_per_l: float
    copper_mg_per_l: float


@cache
def salt_limits() -> SaltLimits:
    """Published limits of salt at the emitter (crop_salt.toml)."""
    table = policy_table("crop_salt")
    classes: dict[str, Any] = {name: tuple(pair) for name, pair in table["classes"].items()}
    return SaltLimits(table["crop"], **classes, **table["for_years"])
