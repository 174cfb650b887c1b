"""Equilibrium of many solutions at once: species, pH and, where allowed, solids.

Unknowns are the log activities of the master species. Mass balances are solved in logarithmic form
by Newton's method with the ionic strength as one more unknown. Solids enter as amounts x >= 0 with
undersaturations s >= 0 and x s -> 0 (a primal-dual interior point), so that no phase has to be
guessed to be present and linearly dependent phases do no harm: for given activity coefficients the
problem is the convex minimisation of the Gibbs energy.

Every array has the solutions along its first axis; nothing loops over solutions.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from .activity import DebyeHueckel
from .constants import LN10, Constants, Floats, load

_TINY_MOL_PER_KG = 1e-22
_MAX_STEP = 3.0
_TOLERANCE = 1e-11
_LN_TINY = -160.0


@dataclass(frozen=True)
class Solution:
    """Result of `equilibrate` for B solutions.

    temperature_c (B,); totals_mol_per_kg (B, N), dissolved and solid; molality (B, S) [mol/kg
    water]; ln_activity (B, N); ionic_strength (B,) [mol/kg]; saturation_index (B, P) of every phase
    (-inf where an ingredient is absent); precipitated_mol_per_kg (B, P); converged (B,);
    supersaturated: the state before solids formed, where solids were allowed and did.
    """

    constants: Constants
    model: str
    valid_up_to_mol_per_kg: float
    temperature_c: Floats
    totals_mol_per_kg: Floats
    molality: Floats
    ln_activity: Floats
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
        n = len(self.masters)
        self.pairs = (self.nu[:, :, None] * self.nu[:, None, :]).reshape(len(self.species), n * n)
        nu_h = self.nu[:, self.h]
        self.nu_h_up, self.nu_h_down = np.maximum(nu_h, 0.0), np.maximum(-nu_h, 0.0)
        self.h_up_pairs = self.nu_h_up[:, None] * self.nu
        self.h_down_pairs = self.nu_h_down[:, None] * self.nu
        self.temperature_k = temperature_c + 273.15
        self.ln_k = constants.ln_k(self.temperature_k)[:, self.species]
        self.activity = DebyeHueckel.of(constants, self.species, self.temperature_k)
        self.totals = totals[:, self.masters]


def equilibrate(
    totals_mol_per_kg: Floats,
    temperature_c: Floats,
    phases: Sequence[str] = (),
    *,
    ph: Floats | None = None,
    alkalinity_eq_per_kg: Floats | None = None,
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
        start: an earlier result for the same batch to start from.
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
    batch = _Batch(constants, totals, temperature_c)
    state = _newton(batch, ph, alkalinity_eq_per_kg, start)
    state.converged &= sound
    solution = _collect(batch, totals, temperature_c, state, ph is not None)
    if phases:
        solution = _with_solids(solution, phases)
    return solution


@dataclass
class _State:
    lam: Floats
    ionic_strength: Floats
    converged: np.ndarray
    amounts: Floats | None = None


def _newton(batch: _Batch, ph: Floats | None, alkalinity: Floats | None, start: Solution | None) -> _State:
    totals = np.maximum(batch.totals, _TINY_MOL_PER_KG)
    if start is not None:
        lam = start.ln_activity[:, batch.masters].copy()
        strength = start.ionic_strength.copy()
    else:
        lam = np.log(totals) - 0.3
        lam[:, batch.h] = -6.8 * LN10
        strength = np.minimum(0.5 * totals @ batch.z2[: len(batch.masters)], 1.0) + 1e-4
    lam[:, batch.h] = lam[:, batch.h] if ph is None else -ph * LN10
    if start is None:
        _approach(batch, lam, strength, totals)
    state = _State(np.maximum(lam, _LN_TINY), strength, np.zeros(len(lam), dtype=bool))
    _iterate(batch, state, ph is not None, alkalinity, None, 160)
    return state


def _approach(batch: _Batch, lam: Floats, strength: Floats, totals: Floats) -> None:
    """Scale each master towards its total, in place, at the starting pH and ionic strength.

    The free ion can be a tiny part of the total (phosphate at pH 7: 1e-5), and Newton's method
    should not start from there.
    """
    ln_gamma, _ = batch.activity.ln_gamma(strength)
    others = np.arange(lam.shape[1]) != batch.h
    weight = 1.0 / np.maximum(np.max(batch.nu, axis=0), 1.0)
    for _ in range(8):
        ln_c = batch.ln_k + lam @ batch.nu.T - ln_gamma
        sums = np.exp(np.clip(ln_c, -230.0, 200.0)) @ batch.nu
        over = np.log(np.maximum(sums[:, others], 1e-300)) - np.log(totals[:, others])
        lam[:, others] -= over * weight[others]


@dataclass
class _Phases:
    nu: Floats  # (P, n)
    water: Floats  # (P,)
    ln_k: Floats  # (B, P)
    cap: Floats  # (B, P) most that the ingredients allow [mol/kg]
    x: Floats
    s: Floats
    mu: Floats  # (B,) aim of x s / cap


def _iterate(
    batch: _Batch,
    state: _State,
    ph_fixed: bool,
    alkalinity: Floats | None,
    solids: _Phases | None,
    limit: int,
) -> None:
    """Newton steps in place until every row has converged or the limit is reached."""
    n, h = len(batch.masters), batch.h
    alk_master = batch.constants.alkalinity[batch.masters]
    alk_species = batch.nu @ alk_master - batch.nu[:, h]
    carbonate = batch.constants.master("CO3-2")
    co3 = int(np.flatnonzero(batch.masters == carbonate)[0]) if alkalinity is not None else -1
    rows = np.arange(len(state.lam))
    for round_ in range(limit):
        if not len(rows):
            break
        lam, strength = state.lam[rows], state.ionic_strength[rows]
        ln_gamma, slope = batch.activity.rows(rows).ln_gamma(strength)
        ln_aw = _ln_water_activity(batch, lam, ln_gamma, batch.ln_k[rows])
        ln_c = batch.ln_k[rows] + lam @ batch.nu.T + ln_aw[:, None] * batch.water - ln_gamma
        c = np.exp(np.clip(ln_c, -230.0, 7.0))
        total = batch.totals[rows]
        x = solids.x[rows] if solids else None
        held = x @ solids.nu if solids and x is not None else np.zeros_like(lam)
        # Mass balances, logarithmic.
        sums = c @ batch.nu + held
        safe = np.maximum(sums, 1e-300)
        residual = np.log(safe) - np.log(np.maximum(total, _TINY_MOL_PER_KG))
        jacobian = (c @ batch.pairs).reshape(-1, n, n) / safe[:, :, None]
        drift = ((c * slope) @ batch.nu) / safe
        # Proton balance, gained against lost.
        nu_h = solids.nu[:, h] if solids else np.zeros(0)
        up = x @ np.maximum(nu_h, 0.0) if x is not None else np.zeros(len(rows))
        down = x @ np.maximum(-nu_h, 0.0) if x is not None else np.zeros(len(rows))
        gained = np.maximum(c @ batch.nu_h_up + up + np.maximum(-total[:, h], 0.0), 1e-300)
        lost = np.maximum(c @ batch.nu_h_down + down + np.maximum(total[:, h], 0.0), 1e-300)
        residual[:, h] = np.log(gained) - np.log(lost)
        jacobian[:, h, :] = (c @ batch.h_up_pairs) / gained[:, None] - (c @ batch.h_down_pairs) / lost[:, None]
        drift[:, h] = (c * slope) @ batch.nu_h_up / gained - (c * slope) @ batch.nu_h_down / lost
        # A solid's amount answers its saturation; substituting it keeps the system n by n.
        if solids and x is not None:
            s, aim = solids.s[rows], solids.mu[rows][:, None] * solids.cap[rows]
            gap = s + lam @ solids.nu.T + ln_aw[:, None] * solids.water - solids.ln_k[rows]
            stiff = x / s
            push = (aim - x * s + x * gap) / s
            weighted = np.einsum("bp,pj,pk->bjk", stiff, solids.nu, solids.nu)
            with np.errstate(over="ignore"):  # rows where a master is absent; capped by the step limit
                divided = np.minimum(weighted / safe[:, :, None], 1e100)
                shift = np.clip((push @ solids.nu) / safe, -1e100, 1e100)
            h_rows = np.maximum(nu_h, 0.0) / gained[:, None] - np.maximum(-nu_h, 0.0) / lost[:, None]
            divided[:, h, :] = np.einsum("bp,bp,pk->bk", h_rows, stiff, solids.nu)
            shift[:, h] = np.sum(h_rows * push, axis=1)
            jacobian += divided
            rhs = -(residual + shift)
        else:
            rhs = -residual
        if alkalinity is not None:
            _carbonate_from_alkalinity(jacobian, residual, drift, co3, c, slope, batch, alk_species, alkalinity[rows])
            rhs = -residual
        if ph_fixed:
            jacobian[:, h, :] = 0.0
            jacobian[:, h, h] = 1.0
            residual[:, h] = rhs[:, h] = drift[:, h] = 0.0
        # Ionic strength as one more unknown, eliminated; held while the balances are still far off.
        near = np.max(np.abs(residual), axis=1) < 1.0
        q = 1.0 + 0.5 * (c * slope) @ batch.z2
        q = np.where(q > 0.2, q, 1.0)
        reach = 0.5 * ((c * batch.z2) @ batch.nu) / q[:, None]
        reach[~near] = 0.0
        off = np.where(near, (0.5 * c @ batch.z2 - strength) / q, 0.0)
        jacobian -= drift[:, :, None] * reach[:, None, :]
        rhs = rhs + drift * off[:, None]
        # A master that is absent from a row of the batch must not make its system singular.
        jacobian[:, np.arange(n), np.arange(n)] += 1e-13
        step = _solve(jacobian, rhs)
        biggest = np.max(np.abs(step), axis=1)
        # Late rounds take shorter steps: what has not converged by then is going round in a circle.
        longest = 1.0 if round_ < 40 or round_ % 3 else 0.3
        alpha = np.minimum(longest, _MAX_STEP / np.maximum(biggest, 1e-300))
        change = off + np.sum(reach * step, axis=1)
        alpha = np.minimum(alpha, (2.0 * strength + 0.02) / np.maximum(np.abs(change), 1e-300))
        done = (np.max(np.abs(residual), axis=1) < _TOLERANCE) & (np.abs(off) < 1e-10 * (strength + 1e-6))
        if solids and x is not None:
            ds = -(step @ solids.nu.T) - gap
            dx = (aim - x * s - x * ds) / s
            for value, delta in ((x, dx), (s, ds)):
                with np.errstate(divide="ignore", invalid="ignore"):
                    room = np.where(delta < 0, -value / delta, np.inf)
                alpha = np.minimum(alpha, 0.98 * np.min(room, axis=1))
            done &= (np.max(np.abs(gap), axis=1) < 1e-9) & (np.max(x * s / solids.cap[rows], axis=1) < 1e-10)
            # What was tested is what is kept: a last step can push a stiff row off its balance.
            alpha = np.where(done, 0.0, alpha)
            solids.x[rows] = x + alpha[:, None] * dx
            solids.s[rows] = s + alpha[:, None] * ds
            now = np.mean(solids.x[rows] * solids.s[rows] / solids.cap[rows], axis=1)
            shrink = np.where(alpha > 0.9, 0.1, np.where(alpha > 0.5, 0.4, 0.7))
            solids.mu[rows] = np.clip(now * shrink, 1e-12, 1.0)
        state.lam[rows] = np.maximum(lam + alpha[:, None] * step, _LN_TINY)
        state.ionic_strength[rows] = np.clip(strength + alpha * change, 1e-10, 60.0)
        state.converged[rows[done]] = True
        rows = rows[~done]


def _carbonate_from_alkalinity(
    jacobian: Floats,
    residual: Floats,
    drift: Floats,
    co3: int,
    c: Floats,
    slope: Floats,
    batch: _Batch,
    alk_species: Floats,
    alkalinity: Floats,
) -> None:
    """Replace the carbonate balance by: alkalinity of the carbonate species makes up what is missing."""
    holds = batch.nu[:, co3] > 0
    carbonic = np.where(holds, alk_species, 0.0)
    other = np.where(holds, 0.0, alk_species)
    have = np.maximum(c @ carbonic, 1e-300)
    rest = alkalinity - c @ other
    short = rest < 1e-9
    need = np.where(short, 1e-9, rest)
    residual[:, co3] = np.log(have) - np.log(need)
    other_pull = np.where(short, 0.0, 1.0)
    jacobian[:, co3, :] = ((c * carbonic) @ batch.nu) / have[:, None] + other_pull[:, None] * (
        ((c * other) @ batch.nu) / need[:, None]
    )
    drift[:, co3] = (c * slope) @ carbonic / have + other_pull * ((c * slope) @ other) / need


def _solve(jacobian: Floats, rhs: Floats) -> Floats:
    try:
        return np.asarray(np.linalg.solve(jacobian, rhs[:, :, None])[:, :, 0])
    except np.linalg.LinAlgError:
        fallback = jacobian + 1e-8 * np.eye(jacobian.shape[1])
        return np.asarray(np.einsum("bij,bj->bi", np.linalg.pinv(fallback), rhs))


def _ln_water_activity(batch: _Batch, lam: Floats, ln_gamma: Floats, ln_k: Floats) -> Floats:
    """ln of the activity of water, a_w = 1 - 0.017 sum of molalities (Garrels and Christ, 1965)."""
    c = np.exp(np.clip(ln_k + lam @ batch.nu.T - ln_gamma, -230.0, 4.0))
    return np.asarray(np.log(np.clip(1.0 - 0.017 * np.sum(c, axis=1), 0.3, 1.0)))


def _collect(batch: _Batch, totals: Floats, temperature_c: Floats, state: _State, ph_fixed: bool) -> Solution:
    constants = batch.constants
    ln_gamma, _ = batch.activity.ln_gamma(state.ionic_strength)
    ln_aw = _ln_water_activity(batch, state.lam, ln_gamma, batch.ln_k)
    ln_c = batch.ln_k + state.lam @ batch.nu.T + ln_aw[:, None] * batch.water - ln_gamma
    size = len(totals)
    molality = np.zeros((size, len(constants.species)))
    molality[:, batch.species] = np.exp(np.clip(ln_c, -230.0, 7.0))
    ln_activity = np.full((size, len(constants.masters)), -np.inf)
    ln_activity[:, batch.masters] = state.lam
    missing = (totals <= 0.0) & (np.arange(totals.shape[1]) != batch.h_full)
    if ph_fixed:
        found = molality[:, batch.species] @ batch.nu
        totals = totals.copy()
        totals[:, batch.masters] = np.where(missing[:, batch.masters], 0.0, found)
    # SI only from masters that take part, so that an absent one gives -inf and not nan.
    finite = np.where(np.isfinite(ln_activity), ln_activity, 0.0)
    ln_iap = finite @ constants.phase_stoich.T + ln_aw[:, None] * constants.phase_water
    lacks = (missing.astype(float) @ (constants.phase_stoich.T != 0.0)) > 0
    ln_k = constants.phase_ln_k(temperature_c + 273.15)
    return Solution(
        constants=constants,
        model=batch.activity.name,
        valid_up_to_mol_per_kg=batch.activity.valid_up_to_mol_per_kg,
        temperature_c=temperature_c,
        totals_mol_per_kg=totals,
        molality=molality,
        ln_activity=ln_activity,
        ionic_strength=state.ionic_strength,
        saturation_index=np.where(lacks, -np.inf, (ln_iap - ln_k) / LN10),
        precipitated_mol_per_kg=np.zeros((size, len(constants.phases))),
        converged=state.converged,
    )


def _with_solids(before: Solution, phases: Sequence[str]) -> Solution:
    """The equilibrium with solids for the rows that are supersaturated; the others are left alone."""
    constants = before.constants
    wanted = [constants.phase(name) for name in phases]
    over = np.any(before.saturation_index[:, wanted] > 1e-9, axis=1)
    needs = np.flatnonzero(over & before.converged)
    if not len(needs):
        return before
    part = _Batch(constants, before.totals_mol_per_kg[needs], before.temperature_c[needs])
    # Only phases whose every ingredient is in this part of the batch.
    absent = np.delete(np.arange(len(constants.masters)), part.masters)
    possible = np.array([p for p in wanted if not np.any(constants.phase_stoich[p, absent])], dtype=int)
    ln_k = constants.phase_ln_k(part.temperature_k)[:, possible]
    nu = constants.phase_stoich[np.ix_(possible, part.masters)]
    lam = before.ln_activity[needs][:, part.masters]
    lam = np.where(np.isfinite(lam), lam, _LN_TINY)
    floor = np.maximum(part.totals, _TINY_MOL_PER_KG)
    floor[:, part.h] = np.inf
    with np.errstate(divide="ignore"):
        cap = np.min(floor[:, None, :] / np.where(nu > 0, nu, 0.0), axis=2, initial=np.inf)
    solids = _Phases(
        nu=nu,
        water=constants.phase_water[possible],
        ln_k=ln_k,
        cap=cap,
        x=1e-3 * cap,
        s=np.maximum(ln_k - lam @ nu.T, 0.3),
        mu=np.full(len(needs), 1e-3),
    )
    inner = _State(lam, before.ionic_strength[needs].copy(), np.zeros(len(needs), dtype=bool))
    _iterate(part, inner, False, None, solids, 200)
    after = _collect(part, before.totals_mol_per_kg[needs], before.temperature_c[needs], inner, False)
    precipitated = np.zeros((len(needs), len(constants.phases)))
    # A phase that does not form keeps a trace, under 1e-10 of its scarcest ingredient: the balances hold with it.
    precipitated[:, possible] = solids.x

    def merged(old: Floats, new: Floats) -> Floats:
        out = old.copy()
        out[needs] = new
        return out

    return replace(
        before,
        molality=merged(before.molality, after.molality),
        ln_activity=merged(before.ln_activity, after.ln_activity),
        ionic_strength=merged(before.ionic_strength, after.ionic_strength),
        saturation_index=merged(before.saturation_index, after.saturation_index),
        precipitated_mol_per_kg=merged(before.precipitated_mol_per_kg, precipitated),
        converged=merged(before.converged, inner.converged),
        supersaturated=before,
    )
