"""Does a solid form? Saturation against what the model and the constants in print leave open."""

from __future__ import annotations

import numpy as np

from ..case import FORMED, Case, Where
from ..chemistry.activity import VALID_UP_TO_MOL_PER_KG
from ..chemistry.constants import Floats
from ..chemistry.phases import phases
from ..rule import Level, Levels

#: Half-width in SI within which the bucket model cannot tell, by ionic strength [mol/kg]: dilute; up
#: to the model's limit; beyond it, where coefficients are held and the result is an estimate. The
#: last two are compared with a Pitzer model in the tests.
BAND_SI = ((0.1, 0.08), (VALID_UP_TO_MOL_PER_KG, 0.15), (np.inf, 0.6))
#: From this much of a solid on a pour is stopped [mg/L]. In the bucket it is diluted again, 50 times
#: or more, to below the lowest class of suspended solids in water for drip (50 mg/L, Bucks and
#: Nakayama); in the line it is what the emitters see. Design choice within that.
STOP_MG_PER_L: dict[Where, float] = {"bucket": 100.0, "line": 1.0}
HAZE_MG_PER_L = 10.0
#: Iron classes of water for drip [mg/L]: moderate from, severe from (Bucks, Nakayama and Gilbert 1979).
IRON_MODERATE_MG_PER_L, IRON_SEVERE_MG_PER_L = 0.1, 1.5
MODEL_NOTE = "Bucket model: dilute-solution activities, valid to an ionic strength of 0.5 mol/kg"


def band_si(case: Case) -> Floats:
    """Half-width of what the bucket's activity model leaves open, (B,) in SI."""
    strength = case.bucket.before_solids.ionic_strength
    return np.select([strength <= limit for limit, _ in BAND_SI], [band for _, band in BAND_SI])


def solid_levels(case: Case, where: Where, phase: str, *, haze_mg_per_l: float, band: Floats | float = 0.0) -> Levels:
    """STOP where a solid surely forms, UNKNOWN where model and constants cannot tell, else NONE.

    Amounts count too: less than the stop amount of bucket or line is CAUTION, less than haze_mg_per_l
    is not worth a word. Where it is open whether it forms, the amount is the most that it could be
    if the doubt went against us. band: half-width of the model's own uncertainty in SI.
    """
    entry = phases()[phase]
    si = case.solution(where).before_solids.si(phase)
    doubt = np.maximum(band, -entry.surely_below_si)
    surely = si > np.maximum(band, entry.surely_above_si)
    # An index of s takes at most the share 1 - 10^-s of the scarcest ingredient (1:1 salts; less for others).
    most = case.most_mg_per_l(where, phase) * (1.0 - 10.0 ** -np.maximum(si + doubt, 0.0))
    formed = case.precipitated_mg_per_l(where, phase) if phase in FORMED[where] else most
    amount = np.where(surely, formed, most)
    # A solid that takes days and may not form at all does not hold up a bucket that is used today.
    slow = entry.pace == "days"
    doubtful = Level.CAUTION if slow else Level.UNKNOWN
    level = np.where(surely, int(Level.STOP), int(doubtful))
    level[amount < STOP_MG_PER_L[where]] = Level.CAUTION
    level[amount < haze_mg_per_l] = Level.NONE
    return level
