"""Newton's method for a batch of solutions: mass balances in logarithmic form, rows shrinking as they converge."""

from __future__ import annotations

from collections.abc import Callable
from copy import copy
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from .activity import DebyeHueckel
from .constants import LN10, Constants, Floats
from .cores import cores, in_parallel
from .pitzer import WATER_KG_PER_MOL, Pitzer
from .response import Dilute, Equations, Response, Strong
from .solids import Solids

_TINY_MOL_PER_KG = 1e-22
_MAX_STEP = 3.0
_TOLERANCE = 1e-11
_NEARLY = 3e-8
_APPROACHES = 5
_LN_TINY = -160.0
#: Steps that a solution is given at most.
MOST_STEPS = 400
#: Solutions that are iterated together: few enough to stay in the processor's cache.
_PART, _STRONG_PART = 1536, 64
#: A thread is worth its start from this many parts on.
_PARTS_PER_THREAD = 4
#: Less of the water than this is not left by crystals that take it up: such rows are not solved.
_LEAST_WATER_LEFT = 0.05


@dataclass(frozen=True)
class Held:
    """What is held instead of a balance: pH (B,), alkalinity (B,) [eq/kg], ln of the CO2 pressure (B,)."""

    ph: Floats | None = None
    alkalinity: Floats | None = None
    ln_co2: Floats | None = None

    def rows(self, keep: np.ndarray) -> Held:
        """The same for some rows."""
        return Held(*(None if value is None else value[keep] for value in (self.ph, self.alkalinity, self.ln_co2)))


class Batch:
    """Working arrays over the masters and species that are present; rows shrink as they converge."""

    def __init__(self, constants: Constants, totals: Floats, temperature_c: Floats) -> None:
        self.constants = constants
        self.h_full = constants.master("H+")
        present = np.any(totals > 0.0, axis=0)
        present[self.h_full] = True
        self.masters = np.flatnonzero(present)
        absent = ~present
        self.species = np.flatnonzero(~np.any(constants.stoich[:, absent] != 0.0, axis=1))
        self.nu = constants.stoich[np.ix_(self.species, self.masters)]
        self.water = constants.water[self.species]
        self.z2 = constants.charge[self.species] ** 2
        self.h = int(np.flatnonzero(self.masters == self.h_full)[0])
        self.alkalinity = constants.alkalinity[self.masters]
        self.temperature_k = temperature_c + 273.15
        self.ln_k = constants.ln_k(self.temperature_k, self.species)
        self.totals = totals[:, self.masters]

    def rows(self, keep: np.ndarray) -> Batch:
        """The same arrays for some rows."""
        part = copy(self)
        part.temperature_k, part.ln_k, part.totals = self.temperature_k[keep], self.ln_k[keep], self.totals[keep]
        part.__dict__.pop("gas", None)
        return part

    def position(self, master: str) -> int:
        """Place of a master among those that are present."""
        return int(np.flatnonzero(self.masters == self.constants.master(master))[0])

    @cached_property
    def gas(self) -> tuple[Floats, float, Floats]:
        """Stoichiometry, water and ln K (B,) of carbon dioxide gas."""
        phase = self.constants.phase("CO2(g)")
        ln_k = self.constants.phase_ln_k(self.temperature_k, np.array([phase]))[:, 0]
        return self.constants.phase_stoich[phase, self.masters], float(self.constants.phase_water[phase]), ln_k

    def protons(self, nu: Floats, held: Held) -> Floats:
        """Protons in each row of a stoichiometry; open to the air, carbonate brings two of its own."""
        return nu[:, self.h] if held.ln_co2 is None else nu[:, self.h] - 2.0 * nu[:, self.position("CO3-2")]

    def equations(self, held: Held) -> Equations:
        """Mass action, with the sums that the balances need: masters, protons gained and lost, and the
        alkalinity of carbonate species and of the others."""
        nu_h = self.protons(self.nu, held)
        alkalinity = self.nu @ self.alkalinity - self.nu[:, self.h]
        co3 = self.constants.master("CO3-2")
        holds = self.nu[:, self.masters == co3].any(axis=1) if co3 in self.masters else np.zeros(len(nu_h), dtype=bool)
        extra = [np.maximum(nu_h, 0.0), np.maximum(-nu_h, 0.0)]
        if held.alkalinity is not None:
            extra += [alkalinity * holds, alkalinity * ~holds]
        return Equations(self.nu, self.water, self.z2, self.ln_k, np.column_stack([self.nu, *extra]))


@dataclass
class State:
    """Log activities of the masters (B, n), the activity model's own unknowns, and what has converged."""

    lam: Floats
    response: Response
    converged: np.ndarray


def newton(batch: Batch, held: Held) -> State:
    """Log activities at which the balances hold."""
    totals = np.maximum(batch.totals, _TINY_MOL_PER_KG)
    lam = np.log(totals) - 0.3
    lam[:, batch.h] = -6.8 * LN10
    strength = np.minimum(0.5 * totals @ batch.z2[: len(batch.masters)], 1.0) + 1e-4
    if held.ph is not None:
        lam[:, batch.h] = -held.ph * LN10
    if held.ln_co2 is not None:
        gas_nu, _, gas_ln_k = batch.gas
        co3 = batch.position("CO3-2")
        totals[:, co3] = 1e-3
        lam[:, co3] = gas_ln_k + held.ln_co2 - gas_nu[batch.h] * lam[:, batch.h]
    model = DebyeHueckel.of(batch.constants, batch.species, batch.temperature_k)

    def approach(rows: np.ndarray) -> None:
        lam[rows] = _approach(batch, rows, lam[rows], model.rows(rows).ln_gamma(strength[rows])[0], totals[rows])

    in_parts(approach, len(lam))
    equations = batch.equations(held)
    state = State(np.maximum(lam, _LN_TINY), Dilute(equations, model, strength), np.zeros(len(lam), dtype=bool))
    solve_in_parts(batch, state, held, None, min(160, MOST_STEPS))
    if batch.constants.activity == "pitzer":
        # The dilute model leads to amounts of the right size; from there on every amount is an unknown.
        c = np.concatenate([state.response.at(rows, state.lam[rows])[0] for rows in parts(len(lam))])
        strong = Pitzer.of(batch.constants, batch.species, batch.temperature_k)
        response = Strong(equations, strong, np.log(np.maximum(c, 1e-99)))
        state = State(state.lam, response, np.zeros(len(lam), dtype=bool))
        solve_in_parts(batch, state, held, None, MOST_STEPS)
    return state


def parts(size: int, most: int = _PART) -> list[np.ndarray]:
    """Rows in parts that stay in the processor's cache."""
    return np.array_split(np.arange(size), max(1, -(-size // most)))


def in_parts(work: Callable[[np.ndarray], None], size: int, most: int = _PART) -> None:
    """Do some work for every part of the rows; many parts share the processor's cores."""
    pieces = parts(size, most)
    if min(cores(), len(pieces) // _PARTS_PER_THREAD) < 2:
        for rows in pieces:
            work(rows)
    else:
        in_parallel(work, pieces)


def solve_in_parts(batch: Batch, state: State, held: Held, solids: Solids | None, limit: int) -> None:
    """Iterate the state in place, part by part, until every row has converged or `limit` steps are done."""

    def solve(rows: np.ndarray) -> None:
        # Copies share the arrays of the batch and keep their own notes between the calls of a step.
        mine = replace(state, response=copy(state.response))
        _iterate(batch, mine, held, copy(solids), limit, rows)

    in_parts(solve, len(state.lam), _STRONG_PART if isinstance(state.response, Strong) else _PART)


def _approach(batch: Batch, rows: np.ndarray, lam: Floats, ln_gamma: Floats, totals: Floats) -> Floats:
    """Log activities with each master scaled towards its total, at the starting pH and ionic strength.

    The free ion can be a tiny part of the total (phosphate at pH 7: 1e-5), and Newton's method
    should not start from there.
    """
    others = np.arange(lam.shape[1]) != batch.h
    weight = np.where(others, 1.0 / np.maximum(np.max(batch.nu, axis=0), 1.0), 0.0)
    fixed, ln_totals = batch.ln_k[rows] - ln_gamma, np.log(totals)
    for _ in range(_APPROACHES):
        sums = np.exp(np.clip(fixed + lam @ batch.nu.T, -230.0, 200.0)) @ batch.nu
        lam = lam - (np.log(np.maximum(sums, 1e-300)) - ln_totals) * weight
    return lam


def _iterate(
    batch: Batch,
    state: State,
    held: Held,
    solids: Solids | None,
    limit: int,
    rows: np.ndarray,
) -> None:
    """Newton steps in place until every row has converged or the limit is reached."""
    n, h, response = len(batch.masters), batch.h, state.response
    co3 = -1 if held.alkalinity is None and held.ln_co2 is None else batch.position("CO3-2")
    phases = solids.phases if solids else None
    solid_h = batch.protons(phases.nu, held) if phases else np.zeros(0)
    up_nu, down_nu = np.maximum(solid_h, 0.0), np.maximum(-solid_h, 0.0)
    total = batch.totals[rows]
    ln_total = np.log(np.maximum(total, _TINY_MOL_PER_KG))
    for round_ in range(limit):
        if not len(rows):
            break
        lam = state.lam[rows]
        c, ln_aw = response.at(rows, lam)
        sums_all = c @ response.equations.weights
        x = phases.x[rows] if phases else np.zeros((len(rows), 0))
        # Crystal water leaves the solution: amounts are per kg of the water that is left.
        left = np.ones(len(rows))
        if phases and response.counts_water:
            left = np.maximum(1.0 - WATER_KG_PER_MOL * (x @ phases.water), _LEAST_WATER_LEFT)
            sums_all = sums_all * left[:, None]
        in_solids = x @ phases.nu if phases else 0.0
        # Mass balances, logarithmic; the proton balance as gained against lost.
        safe = np.maximum(sums_all[:, :n] + in_solids, 1e-300)
        residual = np.log(safe) - ln_total
        gained = np.maximum(sums_all[:, n] + x @ up_nu + np.maximum(-total[:, h], 0.0), 1e-300)
        lost = np.maximum(sums_all[:, n + 1] + x @ down_nu + np.maximum(total[:, h], 0.0), 1e-300)
        residual[:, h] = np.log(gained) - np.log(lost)
        if held.alkalinity is not None:
            alkalinity = held.alkalinity[rows]
            carbonic, other = sums_all[:, n + 2], sums_all[:, n + 3]
            short = alkalinity - other < 1e-9
            have = np.maximum(carbonic, 1e-300)
            need = np.where(short, 1e-9, alkalinity - other)
            residual[:, co3] = np.log(have) - np.log(need)
        if held.ln_co2 is not None:
            gas_nu, gas_water, gas_ln_k = batch.gas
            residual[:, co3] = lam @ gas_nu + gas_water * ln_aw - gas_ln_k[rows] - held.ln_co2[rows]
        if held.ph is not None:
            residual[:, h] = 0.0
        near = np.max(np.abs(residual), axis=1) < 1.0
        by_step, without = response.sums(near)
        if phases and response.counts_water:
            by_step, without = by_step * left[:, None, None], without * left[:, None]
        water = response.water()
        jacobian = by_step[:, :n] / safe[:, :, None]
        shift = without[:, :n] / safe
        up_share, down_share = 1.0 / gained, 1.0 / lost
        jacobian[:, h] = by_step[:, n] * up_share[:, None] - by_step[:, n + 1] * down_share[:, None]
        shift[:, h] = without[:, n] * up_share - without[:, n + 1] * down_share
        if solids and phases:
            # A solid's amount answers its saturation; substituting it keeps the system n by n.
            over = lam @ phases.nu.T + ln_aw[:, None] * phases.water - phases.ln_k[rows]
            nu_step = np.broadcast_to(phases.nu, (len(rows), *phases.nu.shape))
            weight, gain_w, lose_w = nu_step, np.broadcast_to(up_nu, x.shape), np.broadcast_to(down_nu, x.shape)
            drift = np.zeros_like(over)
            if water is not None:
                nu_step = nu_step + phases.water[:, None] * water[0][:, None, :]
                drift = phases.water * water[1][:, None]
            stiff, push = solids.answer(rows, over, drift)
            if response.counts_water:
                dry = (WATER_KG_PER_MOL / left)[:, None] * phases.water
                weight = weight - dry[:, :, None] * sums_all[:, None, :n]
                gain_w, lose_w = gain_w - dry * sums_all[:, [n]], lose_w - dry * sums_all[:, [n + 1]]
            with np.errstate(over="ignore"):  # rows where a master is absent; capped by the step limit
                scaled = np.clip(weight / safe[:, None, :], -1e100, 1e100)
            scaled[:, :, h] = gain_w * up_share[:, None] - lose_w * down_share[:, None]
            with np.errstate(over="ignore", invalid="ignore"):
                jacobian += np.minimum(np.matmul((stiff[:, :, None] * scaled).transpose(0, 2, 1), nu_step), 1e100)
                shift += np.clip(np.einsum("bp,bpj->bj", push, scaled), -1e100, 1e100)
        if held.alkalinity is not None:
            pull = np.where(short, 0.0, 1.0 / need)
            jacobian[:, co3] = by_step[:, n + 2] / have[:, None] + pull[:, None] * by_step[:, n + 3]
            shift[:, co3] = without[:, n + 2] / have + pull * without[:, n + 3]
        if held.ln_co2 is not None:
            jacobian[:, co3] = gas_nu if water is None else gas_nu + gas_water * water[0]
            shift[:, co3] = 0.0 if water is None else gas_water * water[1]
        if held.ph is not None:
            jacobian[:, h] = 0.0
            jacobian[:, h, h] = 1.0
            shift[:, h] = 0.0
        # A master that is absent from a row of the batch must not make its system singular.
        jacobian[:, np.arange(n), np.arange(n)] += 1e-13
        step = _solve(jacobian, -(residual + shift))
        biggest = np.max(np.abs(step), axis=1)
        # Late rounds take shorter steps: what has not converged by then is going round in a circle.
        longest = 1.0 if round_ < 40 or round_ % 3 else 0.3
        alpha = np.minimum(longest, _MAX_STEP / np.maximum(biggest, 1e-300))
        alpha = np.minimum(alpha, response.reach(step))
        # A last small whole step squares what is left: it need not be looked at once more.
        exact = solids is not None or response.counts_water
        most, tolerance = (_TOLERANCE, 1e-10) if exact else (_NEARLY, _NEARLY)
        done = (np.max(np.abs(residual), axis=1) < most) & response.settled(tolerance)
        if not exact:
            done &= (biggest < 10.0 * _NEARLY) & (alpha == 1.0)
        if solids:
            alpha = np.minimum(alpha, solids.reach(np.einsum("bpn,bn->bp", nu_step, step)))
            done &= solids.settled()
            at_rest = solids.take(alpha, done)
            # What was tested is what is kept: a last step can push a stiff row off its balance.
            alpha, done = np.where(done, 0.0, alpha), at_rest
        state.lam[rows] = np.maximum(lam + alpha[:, None] * step, _LN_TINY)
        response.advance(alpha)
        if np.any(done):
            state.converged[rows[done]] = True
            rows = rows[~done]
            total, ln_total = total[~done], ln_total[~done]


def _solve(jacobian: Floats, rhs: Floats) -> Floats:
    try:
        return np.asarray(np.linalg.solve(jacobian, rhs[:, :, None])[:, :, 0])
    except np.linalg.LinAlgError:
        fallback = jacobian + 1e-8 * np.eye(jacobian.shape[1])
        return np.asarray(np.einsum("bij,bj->bi", np.linalg.pinv(fallback), rhs))
