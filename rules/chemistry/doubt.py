"""How far a stock's saturation indices can be off, from the standard errors of the activity model.

An error d of the second coefficient of species i and j moves ln gamma of i by 2 m_j d and of j by
2 m_i d. What that does to a saturation index is followed to first order through the equilibria: a
phosphate solid asks for PO4-3, of which there is hardly any, and feels the error of the H2PO4- that it
is made from. Errors of different pairs are taken as independent.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from . import compiled
from .constants import LN10, Floats
from .pitzer import WATER_KG_PER_MOL, Pitzer, lender
from .solution import Solution

#: Species with less than this do not move the index of anything [mol/kg].
_COUNTS = 1e-4
#: Shares of a salt's ions below this are not its own [mol/mol].
_OWN = 0.1


def si_sigma(solution: Solution, phases: Sequence[str]) -> Floats:
    """(B, P) standard error of the saturation index of these phases in Pitzer solutions.

    A salt whose constant was found from its solubility with the same parameters does not feel the error
    of its own pair of ions: near saturation the two cancel.
    """
    if not np.all(solution.converged):
        # Of what was not solved nothing is known, not even its error.
        found = np.full((len(solution.converged), len(phases)), np.nan)
        solved = np.flatnonzero(solution.converged)
        if len(solved):
            found[solved] = si_sigma(solution.rows(solved), phases)
        return found
    constants = solution.constants
    wanted = np.array([constants.phase(name) for name in phases], dtype=int)
    if compiled.available():
        return compiled.si_sigma(solution, wanted)
    m_all = solution.molality
    present = np.flatnonzero(np.any(m_all > 0.0, axis=0))
    masters = np.flatnonzero(np.any(np.isfinite(solution.ln_activity), axis=0))
    nu = constants.stoich[np.ix_(present, masters)]
    c = m_all[:, present]
    # d lambda = (nu' C nu)^-1 nu' C d ln gamma at fixed totals.
    balance = np.einsum("bs,sj,sk->bjk", c, nu, nu, optimize=True)
    scale = 1.0 / np.sqrt(np.maximum(np.einsum("bjj->bj", balance), 1e-90))
    scaled = balance * scale[:, :, None] * scale[:, None, :]
    scaled[:, np.arange(len(masters)), np.arange(len(masters))] += 1e-12
    right = constants.phase_stoich[np.ix_(wanted, masters)].T * scale[:, :, None]
    solved = np.linalg.solve(scaled, right) * scale[:, :, None]
    counts = np.flatnonzero(np.max(c, axis=0, initial=0.0) > _COUNTS)
    m = np.where(c[:, counts] > _COUNTS, c[:, counts], 0.0)
    weight = np.einsum("bnp,sn,bs->bps", solved, nu[counts], m, optimize=True)
    # Crystal water: the same errors move the water activity.
    water = constants.phase_water[wanted]
    weight = weight - 0.5 * WATER_KG_PER_MOL * water[:, None] * m[:, None, :]
    model = Pitzer.of(constants, present[counts], solution.temperature_c + 273.15)
    variance = model.sigma(m) ** 2
    variance[:, np.arange(len(counts)), np.arange(len(counts))] *= 0.5
    amplitude = 2.0 * (weight[:, :, :, None] * m[:, None, None, :] + m[:, None, :, None] * weight[:, :, None, :])
    own = np.isin(wanted, constants.salt_phases)[:, None] & (weight > _OWN)
    amplitude[own[:, :, :, None] & own[:, :, None, :]] = 0.0
    total = 0.5 * np.einsum("bpij,bij->bp", amplitude**2, variance, optimize=True)
    return np.asarray(np.sqrt(total) / LN10)


def estimated_pairs(solution: Solution, least_mol_per_kg: float) -> list[tuple[str, str, str | None]]:
    """(cation, anion, lender) of the pairs without measured parameters that both reach this molality in some
    row; lender: the cation whose parameters stand in, None where the mean of the charges does."""
    constants = solution.constants
    there = np.flatnonzero(np.any(solution.molality > least_mol_per_kg, axis=0))
    cations = [constants.species[i] for i in there if constants.charge[i] > 0]
    anions = [constants.species[i] for i in there if constants.charge[i] < 0]
    pairs = [(cation, anion, lender(cation, anion)) for cation in cations for anion in anions]
    return [pair for pair in pairs if pair[2] != pair[0]]
