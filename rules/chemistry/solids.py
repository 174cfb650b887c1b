"""Two ways to find how much of each solid is there, for the Newton iteration in `speciate`.

`Guessed` guesses which solids are present, solves for those as if they were sure, and mends the guess:
few steps, nearly always right. `Interior` needs no guess: amounts x >= 0, undersaturations s >= 0 and
x s -> 0 (a primal-dual interior point); linearly dependent phases do it no harm. It is asked where the
first does not come to an end.

Both give, for a step d of the log activities, the amounts' answer dx = push + stiff (nu d).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from .constants import Floats

#: A guessed solid's amount answers a ln of oversaturation by this many times what its ingredients allow:
#: so steep that it sits on saturation after a step or two.
_STEEP = 1e6
#: ln of oversaturation that counts as none.
_SATURATED = 1e-9


@dataclass
class Phases:
    """P phases in a batch. nu (P, n); water (P,); ln_k (B, P); cap (B, P): most that the ingredients
    allow [mol/kg]; x (B, P): amounts."""

    nu: Floats
    water: Floats
    ln_k: Floats
    cap: Floats
    x: Floats


class Solids(Protocol):
    """What `speciate` asks of either way. over: ln of IAP/K at the present amounts, (b, P)."""

    phases: Phases

    def answer(self, rows: np.ndarray, over: Floats, drift: Floats) -> tuple[Floats, Floats]:
        """stiff and push (b, P); drift: change of `over` that comes without a step."""

    def reach(self, pulled: Floats) -> Floats:
        """(b,) share of the step that keeps amounts physical; pulled: nu d, (b, P)."""

    def settled(self) -> np.ndarray:
        """(b,) whether the solids are at rest, or would be but for a guess that `take` will mend."""

    def take(self, share: Floats, done: np.ndarray) -> np.ndarray:
        """Take the step where not done; gives the rows that are done for good."""


class Interior:
    """Interior point."""

    def __init__(self, phases: Phases, over: Floats) -> None:
        self.phases = phases
        phases.x = 1e-3 * phases.cap
        self.s = np.maximum(-over, 0.3)
        self.mu = np.full(len(over), 1e-3)

    def answer(self, rows: np.ndarray, over: Floats, drift: Floats) -> tuple[Floats, Floats]:
        """As in Solids."""
        x, s, cap = self.phases.x[rows], self.s[rows], self.phases.cap[rows]
        self._rows, self._x, self._s, self._cap = rows, x, s, cap
        self._aim, self._gap, self._moved = self.mu[rows][:, None] * cap, s + over, s + over + drift
        return x / s, (self._aim - x * s + x * self._moved) / s

    def reach(self, pulled: Floats) -> Floats:
        """As in Solids."""
        x, s = self._x, self._s
        self._ds = -pulled - self._moved
        self._dx = (self._aim - x * s - x * self._ds) / s
        room = np.full(len(x), np.inf)
        for value, delta in ((x, self._dx), (s, self._ds)):
            with np.errstate(divide="ignore", invalid="ignore"):
                room = np.minimum(room, np.min(np.where(delta < 0, -value / delta, np.inf), axis=1))
        return 0.98 * room

    def settled(self) -> np.ndarray:
        """As in Solids."""
        closed = np.max(self._x * self._s / self._cap, axis=1) < 1e-10
        return np.asarray((np.max(np.abs(self._gap), axis=1) < 1e-9) & closed)

    def take(self, share: Floats, done: np.ndarray) -> np.ndarray:
        """As in Solids."""
        # What was tested is what is kept: a last step can push a stiff row off its balance.
        share = np.where(done, 0.0, share)
        rows = self._rows
        self.phases.x[rows] = self._x + share[:, None] * self._dx
        self.s[rows] = self._s + share[:, None] * self._ds
        now = np.mean(self.phases.x[rows] * self.s[rows] / self._cap, axis=1)
        shrink = np.where(share > 0.9, 0.1, np.where(share > 0.5, 0.4, 0.7))
        self.mu[rows] = np.clip(now * shrink, 1e-12, 1.0)
        return done


class Guessed:
    """Active set: first what is there already, else the most oversaturated solid; then one more or one
    less at a time."""

    def __init__(self, phases: Phases, over: Floats) -> None:
        self.phases = phases
        self.there = phases.x > 0.0
        self._add_worst(np.flatnonzero(~np.any(self.there, axis=1)), over[~np.any(self.there, axis=1)])

    def _add_worst(self, rows: np.ndarray, over: Floats) -> None:
        per_ion = over / np.maximum(np.sum(np.abs(self.phases.nu), axis=1), 1.0)
        worst = np.argmax(np.where(self.there[rows], -np.inf, per_ion), axis=1)
        self.there[rows, worst] = True

    def answer(self, rows: np.ndarray, over: Floats, drift: Floats) -> tuple[Floats, Floats]:
        """As in Solids."""
        self._rows, self._over, self._x = rows, over, self.phases.x[rows]
        self._stiff = np.where(self.there[rows], _STEEP * self.phases.cap[rows], 0.0)
        self._push = self._stiff * (over + drift)
        return self._stiff, self._push

    def reach(self, pulled: Floats) -> Floats:
        """As in Solids; an amount that would turn negative is stopped at nothing instead."""
        self._dx = self._push + self._stiff * pulled
        return np.full(len(pulled), np.inf)

    def settled(self) -> np.ndarray:
        """As in Solids."""
        off = np.where(self.there[self._rows], np.abs(self._over), 0.0)
        return np.asarray(np.max(off, axis=1, initial=0.0) < _SATURATED)

    def take(self, share: Floats, done: np.ndarray) -> np.ndarray:
        """As in Solids; where all is at rest, a solid that is missing is added."""
        rows = self._rows
        x = self._x + np.where(done, 0.0, share)[:, None] * self._dx
        gone = (x < 0.0) & (self._over < 0.0)
        self.there[rows] &= ~gone
        self.phases.x[rows] = np.where(gone, 0.0, x)
        missing = done & np.any(~self.there[rows] & (self._over > _SATURATED), axis=1)
        if np.any(missing):
            self._add_worst(rows[missing], self._over[missing])
        negative = done & np.any(x < 0.0, axis=1)
        return np.asarray(done & ~missing & ~negative)
