"""Equilibrium of many solutions at once: species, pH and, where allowed, solids.

Unknowns are the log activities of the master species. Mass balances are solved in logarithmic form
by Newton's method; the activity model's own unknowns are eliminated (`response`), and so are the
amounts of the solids (`solids`). For given activity coefficients the problem is the convex minimization
of the Gibbs energy.

Every array has the solutions along its first axis; nothing loops over solutions.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from copy import copy
from dataclasses import dataclass, replace

import numpy as np

from . import compiled
from .activity import DebyeHueckel
from .constants import LN10, Constants, Floats, load
from .newton import (
    _LEAST_WATER_LEFT,
    _LN_TINY,
    _TINY_MOL_PER_KG,
    Batch,
    Held,
    State,
    in_parts,
    newton,
    solve_in_parts,
)
from .pitzer import WATER_KG_PER_MOL, Pitzer
from .response import Dilute, Response, Strong
from .solids import Guessed, Interior, Phases
from .solution import Solution, first_of_each

#: Steps that guessing which solids are there is given.
_GUESSED_ROUNDS = 60
#: Up to this many rows of a batch that were not solved are tried once more, each alone.
_MOST_ALONE = 8
#: Water activities outside of this are no solution that the strong model knows.
_WATER_ACTIVITIES = (0.03, 1.0005)
#: pH outside of this is no solution that either model knows: concentrated acids and lyes as they are sold come to some
#: -1 and 15 (from memory: Nordstrom et al. 2000 measured down to -3.6 in mine water, far beyond any fertilizer).
_PH = (-2.0, 16.0)
#: Salts beyond this many times their solubility are let settle before the first look: the activity model
#: is not to be asked about what cannot be dissolved.
_FAR_OVER = 1.03
#: Saturation index that nothing reaches.
NEVER_SI = 99.0
#: No solid comes to more than this, whatever a gas could still bring [mol/kg].
_MOST_OF_A_SOLID = 100.0


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
        start: solutions like these, row by row, from the same constants, that the compiled solver starts from; they
            change how soon it is done, and its answer by less than its tolerance.
        constants: the line's (the default) or a stock's; they decide on the activity model.
    Returns: Solution; rows that did not converge, or were no solution to begin with (a total that is
        negative or not a number), say so in `converged`, and what was to be found of them is not a number.
    """
    given = Given(ph, alkalinity_eq_per_kg, co2_atm)
    return begin(totals_mol_per_kg, temperature_c, phases, given, start=start, constants=constants)()


def begin(
    totals_mol_per_kg: Floats,
    temperature_c: Floats,
    phases: Sequence[str],
    given: Given,
    *,
    start: Solution | None = None,
    start_at: np.ndarray | None = None,
    constants: Constants | None = None,
    ahead: bool = False,
) -> Callable[[], Solution]:
    """`equilibrate` in two steps: begins, and gives what waits for the solutions and hands them over, once.

    start_at: (B,) which solution of `start` each row starts from, where they do not stand alike; ahead: whoever waits
    does something else meanwhile, so that another core begins alone where there is one.
    """
    own = constants or load()
    finish = _begin(totals_mol_per_kg, temperature_c, phases, given, start, own, start_at, ahead)
    held = given.ph is not None or given.co2_atm is not None

    def found() -> Solution:
        solution = finish()
        before = solution.supersaturated
        if solution.converged.all() and (before is None or before.converged.all()):
            return solution
        return replace(
            solution.without(~solution.converged, totals=held),
            supersaturated=None if before is None else before.without(~before.converged, totals=held),
        )

    return found


@dataclass(frozen=True)
class Given:
    """What `equilibrate` is given instead of a balance, as there."""

    ph: Floats | None = None
    alkalinity_eq_per_kg: Floats | None = None
    co2_atm: Floats | None = None

    def rows(self, keep: np.ndarray) -> Given:
        """The same for some rows."""
        return Given(*(None if value is None else value[keep] for value in self.values))

    @property
    def values(self) -> tuple[Floats | None, Floats | None, Floats | None]:
        """The values, as they stand."""
        return self.ph, self.alkalinity_eq_per_kg, self.co2_atm


def _begin(
    totals_mol_per_kg: Floats,
    temperature_c: Floats,
    phases: Sequence[str],
    given: Given,
    start: Solution | None,
    constants: Constants,
    start_at: np.ndarray | None = None,
    ahead: bool = False,
) -> Callable[[], Solution]:
    """`begin`, with whatever the solver came to in rows that did not converge."""
    if given.ph is not None and phases:
        raise ValueError("a fixed pH and solids do not go together: find the water first, then let solids form")
    if given.alkalinity_eq_per_kg is not None and given.ph is None:
        raise ValueError("alkalinity is read together with a pH")
    if given.co2_atm is not None and given.ph is not None:
        raise ValueError("a fixed pH and a gas do not go together")
    totals, celsius = np.asarray(totals_mol_per_kg, dtype=float), np.asarray(temperature_c, dtype=float)
    if not compiled.available():
        return lambda: _alone_where_lost(constants, totals, celsius, phases, given)
    finish = compiled.begin(
        constants,
        totals,
        celsius,
        phases,
        ph=given.ph,
        alkalinity=given.alkalinity_eq_per_kg,
        co2_atm=given.co2_atm,
        start=start,
        start_at=start_at,
        ahead=ahead,
    )

    def found() -> Solution:
        solution, lost = finish()
        if not len(lost):
            return solution
        # The reference takes long: rows that are the same are asked once.
        columns = (totals, celsius, *given.values)
        key = np.column_stack([column[lost] for column in columns if column is not None])
        first, back = first_of_each(key)
        some = lost[first]
        again = _alone_where_lost(constants, totals[some], celsius[some], phases, given.rows(some))
        return solution.placed(lost, again.rows(back))

    return found


def _alone_where_lost(
    constants: Constants, totals: Floats, temperature_c: Floats, phases: Sequence[str], given: Given
) -> Solution:
    """The solutions by the reference; a few that it does not find are tried once more, each alone."""
    solution, sound = _sound_reference(constants, totals, temperature_c, phases, given)
    lost = np.flatnonzero(~solution.converged & sound)
    if len(totals) == 1 or len(lost) > _MOST_ALONE:
        return solution
    # Rows of a batch share the species that are looked at; alone, without the others', some come right.
    for row in lost:
        one = np.array([row])
        again, _ = _sound_reference(constants, totals[one], temperature_c[one], phases, given.rows(one))
        solution = solution.placed(one, again)
    return solution


def _sound_reference(
    constants: Constants, asked: Floats, temperature_c: Floats, phases: Sequence[str], given: Given
) -> tuple[Solution, np.ndarray]:
    """The solutions by the reference, and where there was one to be found, (B,): where totals are numbers, and none but
    the protons' is negative."""
    totals, carbonate = asked.copy(), constants.master("CO3-2")
    if given.alkalinity_eq_per_kg is not None:
        totals[:, carbonate] = np.maximum(given.alkalinity_eq_per_kg, 1e-9)
    others = totals >= 0.0
    others[:, constants.master("H+")] = True
    sound = np.all(others & np.isfinite(totals), axis=1) & np.isfinite(temperature_c)
    totals[~sound] = 0.0
    celsius = np.where(sound, temperature_c, 25.0)
    held = Held(given.ph, given.alkalinity_eq_per_kg, None)
    if given.co2_atm is not None:
        totals = _left_to_the_gas(constants, totals)
        held = Held(None, None, np.log(np.asarray(given.co2_atm, dtype=float)))
    solution = _reference(constants, totals, celsius, phases, held, sound)
    # Totals that were no solution to begin with stay what they were.
    kept = np.where(sound[:, None], solution.totals_mol_per_kg, asked)
    return replace(solution, totals_mol_per_kg=kept, temperature_c=temperature_c), sound


def _reference(
    constants: Constants,
    totals: Floats,
    temperature_c: Floats,
    phases: Sequence[str],
    held: Held,
    sound: np.ndarray | bool = True,
) -> Solution:
    """The solutions by the arrays of a batch."""
    batch = Batch(constants, totals, temperature_c)
    state = newton(batch, held)
    state.converged &= sound
    solution = _collect(batch, totals, temperature_c, state, held)
    solution = replace(solution, converged=solution.converged & _sane(solution))
    return _with_solids(solution, phases, held) if phases else solution


def let_form(
    before: Solution, phases: Sequence[str], *, down_to_si: Floats | float = 0.0, co2_atm: Floats | None = None
) -> Solution:
    """What becomes of solutions without solids when the named phases may form down to a saturation index, one for all,
    or (B, P) by solution and phase: where their constant is in doubt by as much, or a phase is not to form (NEVER_SI).

    co2_atm: the gas that `before` was open to, if any [atm], (B,). Rows that did not converge say so, as in
    `equilibrate`; those of `before` that had not are left as they were.
    """
    held = Held(None, None, None if co2_atm is None else np.log(co2_atm))
    if not compiled.available():
        return _with_solids(before, phases, held, down_to_si)
    down_to = np.broadcast_to(down_to_si, (len(before.totals_mol_per_kg), len(phases)))
    after, lost = compiled.begin(
        before.constants,
        before.totals_mol_per_kg,
        before.temperature_c,
        phases,
        co2_atm=co2_atm,
        down_to_si=down_to,
        leave_out=~before.converged,
        start=before,
    )()
    if len(lost):
        again = _with_solids(before.rows(lost), phases, held.rows(lost), down_to[lost])
        after = after.placed(lost, again)
    return replace(before.with_rows(before.converged, after.rows(before.converged)), supersaturated=before)


def _left_to_the_gas(constants: Constants, totals: Floats) -> Floats:
    """Totals without carbonic acid: other protons stay, what the gas brings is counted at the end."""
    totals, carbonate = totals.copy(), constants.master("CO3-2")
    totals[:, constants.master("H+")] -= 2.0 * totals[:, carbonate]
    totals[:, carbonate] = _TINY_MOL_PER_KG
    return totals


def _collect(
    batch: Batch, totals: Floats, temperature_c: Floats, state: State, held: Held, in_solids: Floats | float = 0.0
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

    in_parts(collect, size)
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


def _response(batch: Batch, before: Solution, rows: np.ndarray, held: Held) -> Response:
    """The activity model's state as it was before solids, for these rows of `before`."""
    constants, equations = batch.constants, batch.equations(held)
    if constants.activity == "pitzer":
        strong = Pitzer.of(constants, batch.species, batch.temperature_k)
        # What a row has none of starts as the trace that its balance is held at: far below that Newton's way is long.
        there = np.maximum(before.molality[rows][:, batch.species], _TINY_MOL_PER_KG)
        return Strong(equations, strong, np.log(there))
    dilute = DebyeHueckel.of(constants, batch.species, batch.temperature_k)
    return Dilute(equations, dilute, before.ionic_strength[rows].copy())


def _with_solids(before: Solution, phases: Sequence[str], held: Held, down_to_si: Floats | float = 0.0) -> Solution:
    """The equilibrium with solids for the rows that are supersaturated; the others are left alone."""
    constants = before.constants
    down_to = np.broadcast_to(down_to_si, (len(before.temperature_c), len(phases)))
    wanted = [constants.phase(name) for name in phases]
    ahead = _settled_ahead(before, wanted)
    far = np.any(ahead > 0.0, axis=1)
    over = np.any(before.saturation_index[:, wanted] > down_to + 1e-9, axis=1)
    needs = np.flatnonzero((over & before.converged) | far)
    if not len(needs):
        return before
    from_here = before
    if np.any(far):
        held_far = held.rows(np.flatnonzero(far))
        less = before.totals_mol_per_kg[far] - ahead[far] @ constants.phase_stoich
        gas = None if held_far.ln_co2 is None else np.exp(held_far.ln_co2)
        from_here = before.with_rows(
            far, _begin(less, before.temperature_c[far], (), Given(co2_atm=gas), None, constants)()
        )
    totals = before.totals_mol_per_kg[needs]
    if held.ln_co2 is not None:
        totals = _left_to_the_gas(constants, totals)
    part = Batch(constants, totals, before.temperature_c[needs])
    # Only phases whose every ingredient is in this part of the batch.
    absent = np.delete(np.arange(len(constants.masters)), part.masters)
    places = np.flatnonzero([not np.any(constants.phase_stoich[p, absent]) for p in wanted])
    possible = np.array(wanted, dtype=int)[places]
    ln_k = constants.phase_ln_k(part.temperature_k, possible) + LN10 * down_to[np.ix_(needs, places)]
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
    inner = State(lam.copy(), _response(part, from_here, needs, held), np.zeros(len(needs), dtype=bool))
    solve_in_parts(part, inner, held.rows(needs), Guessed(table, excess), _GUESSED_ROUNDS)
    lost = np.flatnonzero(~inner.converged)
    if len(lost):
        again = part.rows(lost)
        few = Phases(nu, table.water, ln_k[lost], cap[lost], np.zeros_like(cap[lost]))
        back = State(lam[lost], _response(again, from_here, needs[lost], held), np.zeros(len(lost), dtype=bool))
        solve_in_parts(again, back, held.rows(needs[lost]), Interior(few, excess[lost]), 200)
        table.x[lost], inner.lam[lost], inner.converged[lost] = few.x, back.lam, back.converged
        inner.response.replace(lost, back.response)
    after = _collect(part, totals, before.temperature_c[needs], inner, held.rows(needs), table.x @ nu)
    inner.converged &= 1.0 - WATER_KG_PER_MOL * (table.x @ table.water) > _LEAST_WATER_LEFT
    precipitated = np.zeros((len(needs), len(constants.phases)))
    # A phase that does not form keeps a trace, under 1e-10 of its scarcest ingredient: the balances hold with it.
    precipitated[:, possible] = table.x
    settled = inner.converged & _sane(after)
    after = replace(after, precipitated_mol_per_kg=precipitated, converged=settled)
    return replace(before.with_rows(needs, after), supersaturated=before)


def _sane(solution: Solution) -> np.ndarray:
    """False where a model was led to where it means nothing."""
    low, high = _WATER_ACTIVITIES
    fine = (solution.water_activity > low) & (solution.water_activity < high)
    least, most = _PH
    ph = solution.ph
    return np.asarray((fine | (solution.constants.activity != "pitzer")) & (ph > least) & (ph < most))


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
