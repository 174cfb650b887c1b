"""How much of an acid brings solutions to a pH: the balance of protons, solved for the amount."""

from __future__ import annotations

import numpy as np

from .constants import Floats, load
from .speciate import equilibrate

#: No solution takes more than this of an acid per kg of its water, in the unit of the amount; the line's model ends
#: far below it, for all acids that are sold [kg/kg].
MOST_PER_KG = 0.2
#: The amount is found where the protons that are still missing are this share of those that were missing without
#: acid, or as few as this [mol/kg]: the pH is then right to 0.001.
_MISSING_SHARE, _MISSING_MOL_PER_KG = 1e-5, 1e-10
#: Steps that are tried; three or four are usual.
_MOST_STEPS = 60
#: Where an acid hardly helps yet, this many times more of it is tried.
_FURTHER = 4.0


def titrate(
    totals_mol_per_kg: Floats,
    temperature_c: Floats,
    acid_mol: Floats,
    target_ph: Floats,
    *,
    acid_water_kg: Floats,
) -> Floats:
    """Amount of acid that brings each of B lines to a pH, closed to the air, before anything settles, (B,).

    For a given pH the chemistry tells how many protons a solution holds. An acid brings protons, and with its anion
    changes how many are held; where it brings as many as are held at the target, the pH is the target. What is missing
    answers the amount almost in a straight line, so that a few looks at the whole batch are enough.

    Args:
        totals_mol_per_kg: (B, N) moles of each master per kg water, the H+ column the proton balance.
        temperature_c: (B,) [degC].
        acid_mol: (B, N) moles of each master that a unit of the acid brings; negative for what it displaces.
        target_ph: (B,).
        acid_water_kg: (B,) water that a unit of it brings [kg]; negative for what it displaces.
    Returns: (B,) units of acid per kg of the water before [1/kg]; 0 where the pH is no higher than the target without
        it, inf where no amount gets there, not a number where a solution could not be found.
    """
    protons = load().master("H+")

    def missing(amount: Floats, rows: np.ndarray) -> Floats:
        """Protons that are held at the target and not brought by so much acid, (b,) [mol/kg]."""
        mixed = totals_mol_per_kg[rows] + amount[:, None] * acid_mol[rows]
        mixed /= (1.0 + amount * acid_water_kg[rows])[:, None]
        held = equilibrate(mixed, temperature_c[rows], ph=target_ph[rows])
        return np.asarray(held.totals_mol_per_kg[:, protons] - mixed[:, protons])

    size = len(totals_mol_per_kg)
    lacking = missing(np.zeros(size), np.arange(size))
    found = np.where(lacking > 0.0, np.inf, np.where(np.isnan(lacking), np.nan, 0.0))
    brought = acid_mol[:, protons]
    rows = np.flatnonzero((lacking > 0.0) & (brought > 0.0))
    enough = np.maximum(_MISSING_SHARE * lacking, _MISSING_MOL_PER_KG)
    # `low` is too little acid and `high` too much; `before` is the last that was tried.
    low, high = np.zeros(size), np.full(size, np.inf)
    before, of_before = np.zeros(size), lacking.copy()
    amount = np.minimum(lacking / np.where(brought > 0.0, brought, 1.0), MOST_PER_KG)
    for _ in range(_MOST_STEPS):
        if not len(rows):
            break
        here = amount[rows]
        left = missing(here, rows)
        done = ~(np.abs(left) > enough[rows])
        found[rows[done]] = np.where(np.isnan(left[done]), np.nan, here[done])
        keep = ~done & ~((left > 0.0) & (here >= MOST_PER_KG))
        rows, here, left = rows[keep], here[keep], left[keep]
        low[rows] = np.where(left > 0.0, here, low[rows])
        high[rows] = np.where(left > 0.0, high[rows], here)
        # The straight line through the last two leads on; where it leads astray, the middle, or further out.
        with np.errstate(divide="ignore", invalid="ignore"):
            step = here + (here - before[rows]) * left / (of_before[rows] - left)
        bracketed = np.isfinite(high[rows])
        top = np.where(bracketed, high[rows], np.minimum(_FURTHER * here, MOST_PER_KG))
        inside = (step > low[rows]) & (step < top)
        aside = np.where(bracketed, 0.5 * (low[rows] + high[rows]), top)
        before[rows], of_before[rows] = here, left
        amount[rows] = np.where(inside, step, aside)
    found[rows] = np.nan
    return found
