"""Equilibrium of many solutions at once: species, pH and, where allowed, solids.

Unknowns are the log activities of the master species. Mass balances are solved in logarithmic form
by Newton's method; the activity model's own unknowns are eliminated (`response`), and so are the
amounts of the solids (`solids`). For given activity coefficients the problem is the convex minimization
of the Gibbs energy.

Every array has the solutions along its first axis; nothing loops over solutions.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from copy import copy
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any

import numpy as np

from .activity import DebyeHueckel
from .constants import LN10, Constants, Floats, load
from .pitzer import WATER_KG_PER_MOL, Pitzer
from .response import Dilute, Equations, Response, Strong
from .solids import Guessed, Interior, Phases, Solids

_TINY_MOL_PER_KG = 1e-22
_MAX_STEP = 3.0
_TOLERANCE = 1e-11
_NEARLY = 3e-8
_APPROACHES = 5
_LN_TINY = -160.0
#: Solutions that are iterated together: few enough to stay in the processor's cache.
_PART, _STRONG_PART = 1536, 64
#: Steps that guessing which solids are there is given.
_GUESSED_ROUNDS = 60
#: Up to this many rows of a batch that were not solved are tried once more, each alone.
_MOST_ALONE = 8
#: A thread is worth its start from this many parts on.
_PARTS_PER_THREAD = 4
#: Less of the water than this is not left by crystals that take it up: such rows are not solved.
_LEAST_WATER_LEFT = 0.05
#: Water activities outside of this are no solution that the strong model knows.
_WATER_ACTIVITIES = (0.03, 1.0005)
#: Salts beyond this many times their solubility are let settle before the first look: the activity model
#: is not to be asked about what cannot be dissolved.
_FAR_OVER = 1.03
#: No solid comes to more than this, whatever a gas could still bring [mol/kg].
_MOST_OF_A_SOLID = 100.0


@dataclass(frozen=True)
class Solution:
    """Result of `equilibrate` for B solutions.

    temperature_c (B,); totals_mol_per_kg (B, N), dissolved and solid; molality (B, S) [mol/kg
    water]; ln_activity (B, N); water_activity (B,); ionic_strength (B,) [mol/kg]; saturation_index (B, P)
    of every phase (-inf where an ingredient is absent); precipitated_mol_per_kg (B, P), per kg of the water
    that was there before; converged (B,); supersaturated: the state before solids formed, where solids were
    allowed and did.
    """

    constants: Constants
    model: str
    valid_up_to_mol_per_kg: float
    temperature_c: Floats
    totals_mol_per_kg: Floats
    molality: Floats
    ln_activity: Floats
    water_activity: Floats
    ionic_strength: Floats
    saturation_index: Floats
    precipitated_mol_per_kg: Floats
    converged: np.ndarray
    supersaturated: Solution | None = None

    @property
    def before_solids(self) -> Solution:
        """The same solutions before anything came out."""
        return self.supersaturated or self

    def rows(self, index: np.ndarray) -> Solution:
        """The solutions at these rows, in this order; a row may come more than once."""
        taken = {
            field.name: value[index]
            for field in fields(self)
            if isinstance(value := getattr(self, field.name), np.ndarray)
        }
        before = self.supersaturated
        return replace(self, **taken, supersaturated=None if before is None else before.rows(index))

    @property
    def ph(self) -> Floats:
        """pH, -log10 of the hydrogen-ion activity, (B,)."""
        return -self.ln_activity[:, self.constants.master("H+")] / LN10

    def si(self, phase: str) -> Floats:
        """Saturation index log10(IAP/K) of a phase, (B,)."""
        return self.saturation_index[:, self.constants.phase(phase)]

    def precipitated(self, phase: str) -> Floats:
        """Amount of a phase that came out [mol/kg water], (B,)."""
        return self.precipitated_mol_per_kg[:, self.constants.phase(phase)]

    @property
    def dissolved_mol_per_kg(self) -> Floats:
        """(B, N) totals that are left in solution."""
        return self.totals_mol_per_kg - self.precipitated_mol_per_kg @ self.constants.phase_stoich

    @property
    def alkalinity_eq_per_kg(self) -> Floats:
        """Alkalinity [mol of charge per kg], (B,)."""
        c = self.constants
        return self.dissolved_mol_per_kg @ c.alkalinity - self.dissolved_mol_per_kg[:, c.master("H+")]


class _Batch:
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

    def rows(self, keep: np.ndarray) -> _Batch:
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


def equilibrate(
    totals_mol_per_kg: Floats,
    temperature_c: Floats,
    phases: Sequence[str] = (),
    *,
    ph: Floats | None = None,
    alkalinity_eq_per_kg: Floats | None = None,
    co2_atm: Floats | None = None,
    start: Solution | None = None,
    constants: Constants | None = None,
) -> Solution:
    """Speciate B solutions and let the named phases form where they are supersaturated.

    Args:
        totals_mol_per_kg: (B, N) moles of each master per kg water; the H+ column is the proton
            balance (negative for bases), relative to the master species.
        temperature_c: (B,) [degC].
        phases: phases that may form, down to a saturation index of 0.
        ph: (B,), not together with phases: hold the pH at this value instead of the proton balance;
            the H+ column is then a result, found in `totals_mol_per_kg`.
        alkalinity_eq_per_kg: (B,) with `ph`: the carbonate total is found from this alkalinity [mol
            of charge per kg], and the CO3-2 column is a result. Where other bases already hold more
            than this alkalinity, carbonate is nil.
        co2_atm: (B,) not together with the two before: open to a gas with this pressure of carbon
            dioxide [atm]; the CO3-2 and H+ columns are then results: CO2 comes and goes as CO3-2 + 2 H+.
        start: an earlier result for the same batch to start from; for dilute solutions.
        constants: the line's (the default) or a stock's; they decide on the activity model.
    Returns: Solution; rows that did not converge, or were no solution to begin with (a total that is
        negative or not a number), say so in `converged` and must not be trusted.
    """
    constants = constants or load()
    totals = np.array(totals_mol_per_kg, dtype=float)
    temperature_c = np.asarray(temperature_c, dtype=float)
    carbonate, h = constants.master("CO3-2"), constants.master("H+")
    if ph is not None and phases:
        raise ValueError("a fixed pH and solids do not go together: find the water first, then let solids form")
    if alkalinity_eq_per_kg is not None:
        if ph is None:
            raise ValueError("alkalinity is read together with a pH")
        totals[:, carbonate] = np.maximum(alkalinity_eq_per_kg, 1e-9)
    sound = np.all(np.isfinite(totals), axis=1) & np.all(np.delete(totals, h, axis=1) >= 0.0, axis=1)
    totals[~sound] = 0.0
    held = Held(ph, alkalinity_eq_per_kg, None)
    if co2_atm is not None:
        if ph is not None:
            raise ValueError("a fixed pH and a gas do not go together")
        totals = _left_to_the_gas(constants, totals)
        held = Held(None, None, np.log(np.asarray(co2_atm, dtype=float)))
    batch = _Batch(constants, totals, temperature_c)
    state = _newton(batch, held, start)
    state.converged &= sound
    solution = _collect(batch, totals, temperature_c, state, held)
    solution = replace(solution, converged=solution.converged & _sane(constants, solution.water_activity))
    if phases:
        solution = _with_solids(solution, phases, held)
    lost = np.flatnonzero(~solution.converged & sound)
    if len(totals) > 1 and len(lost) <= _MOST_ALONE:
        # Rows of a batch share the species that are looked at; alone, without the others', some come right.
        for row in lost:
            one = np.array([row])
            given = (None if value is None else value[one] for value in (ph, alkalinity_eq_per_kg, co2_atm))
            alone = dict(zip(("ph", "alkalinity_eq_per_kg", "co2_atm"), given, strict=True))
            again = equilibrate(totals_mol_per_kg[one], temperature_c[one], phases, constants=constants, **alone)
            solution = _with_rows(solution, one, again)
            if solution.supersaturated is not None and again.supersaturated is not None:
                before = _with_rows(solution.supersaturated, one, again.supersaturated)
                solution = replace(solution, supersaturated=before)
    return solution


def _left_to_the_gas(constants: Constants, totals: Floats) -> Floats:
    """Totals without carbonic acid: other protons stay, what the gas brings is counted at the end."""
    totals, carbonate = totals.copy(), constants.master("CO3-2")
    totals[:, constants.master("H+")] -= 2.0 * totals[:, carbonate]
    totals[:, carbonate] = _TINY_MOL_PER_KG
    return totals


@dataclass(frozen=True)
class Held:
    """What is held instead of a balance: pH (B,), alkalinity (B,) [eq/kg], ln of the CO2 pressure (B,)."""

    ph: Floats | None = None
    alkalinity: Floats | None = None
    ln_co2: Floats | None = None

    def rows(self, keep: np.ndarray) -> Held:
        """The same for some rows."""
        return Held(*(None if value is None else value[keep] for value in (self.ph, self.alkalinity, self.ln_co2)))


@dataclass
class _State:
    """Log activities of the masters (B, n), the activity model's own unknowns, and what has converged."""

    lam: Floats
    response: Response
    converged: np.ndarray


def _newton(batch: _Batch, held: Held, start: Solution | None) -> _State:
    totals = np.maximum(batch.totals, _TINY_MOL_PER_KG)
    if start is not None:
        lam = start.ln_activity[:, batch.masters].copy()
        strength = start.ionic_strength.copy()
    else:
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
    if start is None:

        def approach(rows: np.ndarray) -> None:
            lam[rows] = _approach(batch, rows, lam[rows], model.rows(rows).ln_gamma(strength[rows])[0], totals[rows])

        _in_parts(approach, len(lam))
    equations = batch.equations(held)
    state = _State(np.maximum(lam, _LN_TINY), Dilute(equations, model, strength), np.zeros(len(lam), dtype=bool))
    _solve_in_parts(batch, state, held, None, 160)
    if batch.constants.activity == "pitzer":
        # The dilute model leads to amounts of the right size; from there on every amount is an unknown.
        c = np.concatenate([state.response.at(rows, state.lam[rows])[0] for rows in _parts(len(lam))])
        strong = Pitzer.of(batch.constants, batch.species, batch.temperature_k)
        response = Strong(equations, strong, np.log(np.maximum(c, 1e-99)))
        state = _State(state.lam, response, np.zeros(len(lam), dtype=bool))
        _solve_in_parts(batch, state, held, None, 400)
    return state


def _parts(size: int, most: int = _PART) -> list[np.ndarray]:
    """Rows in parts that stay in the processor's cache."""
    return np.array_split(np.arange(size), max(1, -(-size // most)))


def _cores() -> int:
    """Cores that this process may use: fewer than the machine has in a container, or when it is pinned."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _in_parts(work: Callable[[np.ndarray], None], size: int, most: int = _PART) -> None:
    """Do some work for every part of the rows; many parts share the processor's cores, since numpy frees
    the interpreter while it computes."""
    parts = _parts(size, most)
    workers = min(_cores(), len(parts) // _PARTS_PER_THREAD)
    if workers < 2:
        for rows in parts:
            work(rows)
        return
    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(work, parts))


def _solve_in_parts(batch: _Batch, state: _State, held: Held, solids: Solids | None, limit: int) -> None:
    def solve(rows: np.ndarray) -> None:
        # Copies share the arrays of the batch and keep their own notes between the calls of a step.
        mine = replace(state, response=copy(state.response))
        _iterate(batch, mine, held, copy(solids), limit, rows)

    _in_parts(solve, len(state.lam), _STRONG_PART if isinstance(state.response, Strong) else _PART)


def _approach(batch: _Batch, rows: np.ndarray, lam: Floats, ln_gamma: Floats, totals: Floats) -> Floats:
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
    batch: _Batch,
    state: _State,
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


def _collect(
    batch: _Batch, totals: Floats, temperature_c: Floats, state: _State, held: Held, in_solids: Floats | float = 0.0
) -> Solution:
    constants = batch.constants
    size = len(totals)
    missing = (totals <= 0.0) & (np.arange(totals.shape[1]) != batch.h_full)
    ln_activity = np.full((size, len(constants.masters)), -np.inf)
    ln_activity[:, batch.masters] = state.lam
    amounts, ln_aw, strength = np.zeros((size, len(batch.species))), np.zeros(size), np.zeros(size)
    molality = np.zeros((size, len(constants.species)))
    index = np.full((size, len(constants.phases)), -np.inf)
    # SI only of phases whose every ingredient takes part.
    absent = np.delete(np.arange(len(constants.masters)), batch.masters)
    possible = np.flatnonzero(~np.any(constants.phase_stoich[:, absent] != 0.0, axis=1))
    phase_nu, phase_water = constants.phase_stoich[np.ix_(possible, batch.masters)], constants.phase_water[possible]

    def collect(rows: np.ndarray) -> None:
        lam = state.lam[rows]
        amounts[rows], ln_aw[rows] = copy(state.response).at(rows, lam)
        molality[np.ix_(rows, batch.species)] = amounts[rows]
        strength[rows] = 0.5 * amounts[rows] @ batch.z2
        ln_k = constants.phase_ln_k(batch.temperature_k[rows], possible)
        over = lam @ phase_nu.T + ln_aw[rows, None] * phase_water - ln_k
        lacks = missing[np.ix_(rows, batch.masters)]
        if np.any(lacks):
            over[(lacks.astype(float) @ (phase_nu.T != 0.0)) > 0] = -np.inf
        index[np.ix_(rows, possible)] = over / LN10

    _in_parts(collect, size)
    if held.ph is not None:
        totals = totals.copy()
        totals[:, batch.masters] = np.where(missing[:, batch.masters], 0.0, amounts @ batch.nu)
    if held.ln_co2 is not None:
        totals = totals.copy()
        co3, place = constants.master("CO3-2"), batch.position("CO3-2")
        totals[:, co3] = amounts @ batch.nu[:, place] + (0.0 if isinstance(in_solids, float) else in_solids[:, place])
        totals[:, batch.h_full] += 2.0 * totals[:, co3]
    model = Pitzer if constants.activity == "pitzer" else DebyeHueckel
    return Solution(
        constants=constants,
        model=model.name,
        valid_up_to_mol_per_kg=model.valid_up_to_mol_per_kg,
        temperature_c=temperature_c,
        totals_mol_per_kg=totals,
        molality=molality,
        ln_activity=ln_activity,
        water_activity=np.exp(ln_aw),
        ionic_strength=strength,
        saturation_index=index,
        precipitated_mol_per_kg=np.zeros((size, len(constants.phases))),
        converged=state.converged,
    )


def _response(batch: _Batch, before: Solution, rows: np.ndarray, held: Held) -> Response:
    """The activity model's state as it was before solids, for these rows of `before`."""
    constants, equations = batch.constants, batch.equations(held)
    if constants.activity == "pitzer":
        strong = Pitzer.of(constants, batch.species, batch.temperature_k)
        return Strong(equations, strong, np.log(np.maximum(before.molality[rows][:, batch.species], 1e-99)))
    dilute = DebyeHueckel.of(constants, batch.species, batch.temperature_k)
    return Dilute(equations, dilute, before.ionic_strength[rows].copy())


def _with_solids(before: Solution, phases: Sequence[str], held: Held) -> Solution:
    """The equilibrium with solids for the rows that are supersaturated; the others are left alone."""
    constants = before.constants
    wanted = [constants.phase(name) for name in phases]
    ahead = _settled_ahead(before, wanted)
    far = np.any(ahead > 0.0, axis=1)
    over = np.any(before.saturation_index[:, wanted] > 1e-9, axis=1)
    needs = np.flatnonzero((over & before.converged) | far)
    if not len(needs):
        return before
    from_here = before
    if np.any(far):
        held_far = held.rows(np.flatnonzero(far))
        less = before.totals_mol_per_kg[far] - ahead[far] @ constants.phase_stoich
        gas = None if held_far.ln_co2 is None else np.exp(held_far.ln_co2)
        from_here = _with_rows(
            before, far, equilibrate(less, before.temperature_c[far], co2_atm=gas, constants=constants)
        )
    totals = before.totals_mol_per_kg[needs]
    if held.ln_co2 is not None:
        totals = _left_to_the_gas(constants, totals)
    part = _Batch(constants, totals, before.temperature_c[needs])
    # Only phases whose every ingredient is in this part of the batch.
    absent = np.delete(np.arange(len(constants.masters)), part.masters)
    possible = np.array([p for p in wanted if not np.any(constants.phase_stoich[p, absent])], dtype=int)
    ln_k = constants.phase_ln_k(part.temperature_k, possible)
    nu = constants.phase_stoich[np.ix_(possible, part.masters)]
    lam = from_here.ln_activity[needs][:, part.masters]
    lam = np.where(np.isfinite(lam), lam, _LN_TINY)
    floor = np.maximum(before.totals_mol_per_kg[needs][:, part.masters], _TINY_MOL_PER_KG)
    floor[:, part.h] = np.inf
    with np.errstate(divide="ignore"):
        cap = np.min(floor[:, None, :] / np.where(nu > 0, nu, 0.0), axis=2, initial=np.inf)
    cap = np.minimum(cap, _MOST_OF_A_SOLID)
    excess = lam @ nu.T - ln_k + np.log(from_here.water_activity[needs])[:, None] * constants.phase_water[possible]
    table = Phases(nu, constants.phase_water[possible], ln_k, cap, ahead[needs][:, possible])
    inner = _State(lam.copy(), _response(part, from_here, needs, held), np.zeros(len(needs), dtype=bool))
    _solve_in_parts(part, inner, held.rows(needs), Guessed(table, excess), _GUESSED_ROUNDS)
    lost = np.flatnonzero(~inner.converged)
    if len(lost):
        again = part.rows(lost)
        few = Phases(nu, table.water, ln_k[lost], cap[lost], np.zeros_like(cap[lost]))
        back = _State(lam[lost], _response(again, from_here, needs[lost], held), np.zeros(len(lost), dtype=bool))
        _solve_in_parts(again, back, held.rows(needs[lost]), Interior(few, excess[lost]), 200)
        table.x[lost], inner.lam[lost], inner.converged[lost] = few.x, back.lam, back.converged
        inner.response.replace(lost, back.response)
    after = _collect(part, totals, before.temperature_c[needs], inner, held.rows(needs), table.x @ nu)
    inner.converged &= 1.0 - WATER_KG_PER_MOL * (table.x @ table.water) > _LEAST_WATER_LEFT
    precipitated = np.zeros((len(needs), len(constants.phases)))
    # A phase that does not form keeps a trace, under 1e-10 of its scarcest ingredient: the balances hold with it.
    precipitated[:, possible] = table.x
    settled = inner.converged & _sane(constants, after.water_activity)
    after = replace(after, precipitated_mol_per_kg=precipitated, converged=settled)
    return replace(_with_rows(before, needs, after), supersaturated=before)


def _sane(constants: Constants, water_activity: Floats) -> np.ndarray:
    """False where the strong model was led to where it means nothing."""
    low, high = _WATER_ACTIVITIES
    fine = (water_activity > low) & (water_activity < high)
    return np.asarray(fine | (constants.activity != "pitzer"))


def _with_rows(solution: Solution, where: np.ndarray, other: Solution) -> Solution:
    """The solution with some of its rows from another."""
    taken: dict[str, Any] = {}
    for field in fields(solution):
        value = getattr(solution, field.name)
        if isinstance(value, np.ndarray):
            taken[field.name] = value.copy()
            taken[field.name][where] = getattr(other, field.name)
    return replace(solution, **taken)


def _settled_ahead(before: Solution, wanted: Sequence[int]) -> Floats:
    """(B, P) what must settle of salts that are far over their solubility, the furthest first."""
    constants = before.constants
    ahead = np.zeros_like(before.precipitated_mol_per_kg)
    left = before.totals_mol_per_kg.copy()
    h = constants.master("H+")
    shares = []
    for phase, celsius, molality in constants.phase_molality:
        if phase in wanted:
            needs = constants.phase_stoich[phase]
            ions = np.flatnonzero((needs > 0) & (np.arange(len(needs)) != h))
            saturated = np.exp(np.interp(before.temperature_c, celsius, np.log(molality)))
            shares.append((phase, ions, saturated))
    for _ in range(len(shares)):
        most = [np.min(left[:, ions] / constants.phase_stoich[phase, ions], axis=1) for phase, ions, _ in shares]
        over = [there / saturated for there, (_, _, saturated) in zip(most, shares, strict=True)]
        if not over or float(np.max(over)) <= _FAR_OVER:
            break
        worst = int(np.argmax([np.max(one) for one in over]))
        phase, _, saturated = shares[worst]
        # Crystal water settles with it, and what is left holds less.
        crystal = np.minimum(WATER_KG_PER_MOL * constants.phase_water[phase] * saturated, 0.9)
        x = np.where(over[worst] > _FAR_OVER, (most[worst] - saturated) / (1.0 - np.maximum(crystal, 0.0)), 0.0)
        x = np.clip(x, 0.0, 0.98 * most[worst])
        ahead[:, phase] += x
        left -= x[:, None] * constants.phase_stoich[phase]
    return ahead
