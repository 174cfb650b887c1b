"""How the amounts of the species answer a step of the unknowns, for each activity model.

Both classes do the same for the Newton iteration in `speciate`: they hold what the activity model
needs besides the log activities of the masters (the ionic strength; or every amount), give the
amounts, linearize sums of amounts, and take the step.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from .activity import DebyeHueckel
from .constants import Floats
from .pitzer import WATER_KG_PER_MOL, Pitzer

_LEAST_LN, _MOST_LN = -230.0, 7.0
#: Longest step of ln of an amount that acts: activity coefficients of strong solutions bend.
_LONGEST = 1.2


@dataclass(frozen=True)
class Equations:
    """Mass action of S species from n masters: ln c = ln K + nu lambda + water ln aw - ln gamma.

    nu (S, n); water (S,); charge_squared (S,); ln_k (B, S); weights (S, W): columns whose weighted
    sums of amounts the balances need.
    """

    nu: Floats
    water: Floats
    charge_squared: Floats
    ln_k: Floats
    weights: Floats


class Response(Protocol):
    """What `speciate` asks of a model. Rows are indices into the batch."""

    equations: Equations
    counts_water: bool

    def at(self, rows: np.ndarray, lam: Floats) -> tuple[Floats, Floats]:
        """Amounts (b, S) [mol/kg] and ln of the water activity (b,)."""

    def sums(self, near: np.ndarray) -> tuple[Floats, Floats]:
        """Change of the weighted sums: (b, W, n) by a step of lambda, and (b, W) without one."""

    def water(self) -> tuple[Floats, Floats] | None:
        """Change of ln aw: (b, n) by a step, and (b,) without one; None where it is left out."""

    def reach(self, step: Floats) -> Floats:
        """(b,) largest share of the step that the model can follow."""

    def settled(self, tolerance: float) -> np.ndarray:
        """(b,) whether the model agrees with the amounts to within a share of them."""

    def advance(self, share: Floats) -> None:
        """Take this share of the step that `reach` was asked about."""

    def replace(self, rows: np.ndarray, other: Response) -> None:
        """Take over another's unknowns, of the same model, for these rows."""


class Dilute:
    """Debye-Hueckel: the ionic strength is one more unknown, eliminated."""

    counts_water = False

    def __init__(self, equations: Equations, model: DebyeHueckel, strength: Floats) -> None:
        self.equations, self.model, self.strength = equations, model, strength
        nu, weights = equations.nu, equations.weights
        self._rows, self._part, self._ln_k = np.zeros(0, dtype=int), model, equations.ln_k
        self._pairs = (weights[:, :, None] * nu[:, None, :]).reshape(len(nu), -1)
        self._shape = (-1, weights.shape[1], nu.shape[1])
        self._wet = [(count, np.flatnonzero(equations.water == count)) for count in np.unique(equations.water) if count]

    def at(self, rows: np.ndarray, lam: Floats) -> tuple[Floats, Floats]:
        """As in Response; a_w = 1 - 0.017 sum of molalities (Garrels and Christ, 1965)."""
        e = self.equations
        if rows is not self._rows:
            self._rows, self._part, self._ln_k = rows, self.model.rows(rows), e.ln_k[rows]
        ln_gamma, self._slope = self._part.ln_gamma(self.strength[rows])
        ln_c = lam @ e.nu.T
        ln_c += self._ln_k
        ln_c -= ln_gamma
        np.clip(ln_c, _LEAST_LN, _MOST_LN, out=ln_c)
        c = np.exp(ln_c, out=ln_c)
        ln_aw = np.log(np.clip(1.0 - 0.017 * np.sum(c, axis=1), 0.3, 1.0))
        for count, wet in self._wet:
            c[:, wet] *= np.exp(count * ln_aw)[:, None]
        self._c = c
        self._charged = c * e.charge_squared
        self._gap = 0.5 * np.sum(self._charged, axis=1) - self.strength[rows]
        return c, ln_aw

    def sums(self, near: np.ndarray) -> tuple[Floats, Floats]:
        """As in Response; the ionic strength is held while the balances are still far off."""
        e, c = self.equations, self._c
        answers = c * self._slope
        drift = answers @ e.weights
        q = 1.0 + 0.5 * answers @ e.charge_squared
        q = np.where(q > 0.2, q, 1.0)
        self._reach = 0.5 * (self._charged @ e.nu) / q[:, None]
        self._reach[~near] = 0.0
        self._off = np.where(near, self._gap / q, 0.0)
        by_step = (c @ self._pairs).reshape(self._shape)
        by_step -= drift[:, :, None] * self._reach[:, None, :]
        return by_step, -drift * self._off[:, None]

    def water(self) -> None:
        """The water of a dilute solution hardly changes."""
        return

    def reach(self, step: Floats) -> Floats:
        """As in Response."""
        self._change = self._off + np.sum(self._reach * step, axis=1)
        return np.asarray((2.0 * self.strength[self._rows] + 0.02) / np.maximum(np.abs(self._change), 1e-300))

    def settled(self, tolerance: float) -> np.ndarray:
        """As in Response."""
        return np.asarray(np.abs(self._gap) < tolerance * (self.strength[self._rows] + 1e-6))

    def advance(self, share: Floats) -> None:
        """As in Response."""
        rows = self._rows
        self.strength[rows] = np.clip(self.strength[rows] + share * self._change, 1e-10, 60.0)

    def replace(self, rows: np.ndarray, other: Response) -> None:
        """As in Response."""
        assert isinstance(other, Dilute)
        self.strength[rows] = other.strength


class Strong:
    """Pitzer: every amount acts on every activity coefficient, so every amount is an unknown, eliminated
    species by species before the balances are solved."""

    counts_water = True

    def __init__(self, equations: Equations, model: Pitzer, ln_c: Floats) -> None:
        self.equations, self.model, self.ln_c = equations, model, ln_c
        self._rows, self._part, self._ln_k = np.zeros(0, dtype=int), model, equations.ln_k

    def at(self, rows: np.ndarray, lam: Floats) -> tuple[Floats, Floats]:
        """As in Response."""
        e = self.equations
        if rows is not self._rows:
            self._rows, self._part, self._ln_k = rows, self.model.rows(rows), e.ln_k[rows]
        c = np.exp(np.clip(self.ln_c[rows], _LEAST_LN, _MOST_LN))
        local = self._part.local(c)
        off = self.ln_c[rows] + local.ln_gamma - self._ln_k - lam @ e.nu.T - local.ln_aw[:, None] * e.water
        acting = local.acting
        by_amount = local.hessian
        m = c[:, acting]
        aw_by_amount = -WATER_KG_PER_MOL * (1.0 + np.einsum("bi,bia->ba", c, by_amount))
        pull = (by_amount - e.water[:, None] * aw_by_amount[:, None, :]) * m[:, None, :]
        # (1 + pull) du = nu dlambda - off, solved for the species that act; the others follow.
        inner = pull[:, acting, :] + np.eye(len(acting))
        right = np.concatenate(
            [np.broadcast_to(e.nu[acting], (len(rows), *e.nu[acting].shape)), -off[:, acting, None]], axis=2
        )
        solved = np.linalg.solve(inner, right)
        answer = np.concatenate([np.broadcast_to(e.nu, (len(rows), *e.nu.shape)), -off[:, :, None]], axis=2)
        answer = answer - pull @ solved
        self._by_step, self._without = answer[:, :, :-1], answer[:, :, -1]
        weighted = aw_by_amount * m
        both = np.einsum("ba,bak->bk", weighted, answer[:, acting, :])
        self._water = both[:, :-1], both[:, -1]
        self._c, self._off = c, np.max(np.abs(off[:, acting]), axis=1, initial=0.0)
        self._acting = acting
        return c, local.ln_aw

    def sums(self, near: np.ndarray) -> tuple[Floats, Floats]:  # noqa: ARG002 - nothing is held here
        """As in Response."""
        weighted = self._c[:, :, None] * self.equations.weights
        by_step = np.einsum("bsw,bsn->bwn", weighted, self._by_step, optimize=True)
        return by_step, np.einsum("bsw,bs->bw", weighted, self._without)

    def water(self) -> tuple[Floats, Floats]:
        """As in Response."""
        return self._water

    def reach(self, step: Floats) -> Floats:
        """As in Response."""
        self._change = np.einsum("bsn,bn->bs", self._by_step, step) + self._without
        biggest = np.max(np.abs(self._change[:, self._acting]), axis=1, initial=0.0)
        return np.asarray(_LONGEST / np.maximum(biggest, 1e-300))

    def settled(self, tolerance: float) -> np.ndarray:
        """As in Response."""
        return np.asarray(self._off < 0.1 * tolerance)

    def advance(self, share: Floats) -> None:
        """As in Response."""
        rows = self._rows
        self.ln_c[rows] = np.clip(self.ln_c[rows] + share[:, None] * self._change, _LEAST_LN, 4.0)

    def replace(self, rows: np.ndarray, other: Response) -> None:
        """As in Response."""
        assert isinstance(other, Strong)
        self.ln_c[rows] = other.ln_c
