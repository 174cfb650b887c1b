"""Solids that pourcheck looks at: names in words, pace and onset."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Literal

#: Phases that may come to equilibrium while the bucket stands (hours).
BUCKET_PHASES = ("Gypsum", "Calcite", "Brushite", "Struvite", "Newberyite", "Fe(OH)3_a", "Strengite")
#: Salts and double salts of strong stocks beside those that the catalog has a solubility of.
STOCK_PHASES = (
    *("Syngenite", "Schoenite", "Carnallite", "Glaserite", "Halite", "Mirabilite", "Thenardite"),
    *("Nahcolite", "Portlandite", "KB5O8_4H2O", "K2B4O7_4H2O"),
)
#: Those of them that rules of their own look after.
READ_ELSEWHERE = ("Syngenite", "Schoenite")
#: Phases that may come to equilibrium between injector and emitter, or settle soon after.
LINE_PHASES = ("Gypsum", "Calcite", "Brushite", "Struvite", "Fe(OH)3_a", "Strengite")


@dataclass(frozen=True, slots=True)
class Phase:
    """A solid. onset_si: saturation index at which it starts; above surely_above_si it forms, below
    surely_below_si it does not, whichever constant in print is right; in between it is open."""

    name: str
    spoken: str
    pace: Literal["minutes", "hours", "days"]
    onset_si: float
    surely_above_si: float
    surely_below_si: float
    source: str


@cache
def phases() -> dict[str, Phase]:
    """Phases by name (data/phases.toml)."""
    text = resources.files(__package__ or "").joinpath("data/phases.toml").read_text("utf-8")
    return {name: Phase(name=name, **row) for name, row in tomllib.loads(text).items()}
