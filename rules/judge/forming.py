"""Does a solid form? Saturation against what the model and the constants in print leave open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..case.case import Case, Mask, Place
from ..chemistry.constants import Floats
from ..chemistry.phases import phases
from ..chemistry.solution import Solution
from ..chemistry.speciate import NEVER_SI
from .rule import Level, Levels

#: Half-width in SI of what cannot be told in the bucket: at least this, and this many standard errors of
#: the activity model. Both are compared with published mixtures in the tests.
LEAST_BAND_SI, SIGMAS = 0.06, 2.0
#: From this much of a solid in the line on a pour is stopped [mg/L]: it is what the emitters see, far below the lowest
#: class of suspended solids in water for drip (50 mg/L, Bucks and Nakayama). Design choice within that.
STOP_IN_LINE_MG_PER_L = 1.0
HAZE_MG_PER_L = 10.0
#: Saturation index from which on a solid that takes days starts within the hour (design choice).
SLOW_STARTS_SI = 1.0
#: Iron classes of water for drip [mg/L]: moderate from, severe from (Bucks, Nakayama and Gilbert 1979).
IRON_MODERATE_MG_PER_L, IRON_SEVERE_MG_PER_L = 0.1, 1.5
MODEL_NOTE = (
    "Bucket model: Pitzer activities; where a pair of ions has no parameters the estimate's error is carried along"
)


def stop_mg_per_l(case: Case, where: Place) -> Floats:
    """From how much of a solid on a pour is stopped, (B,) [mg/L]: in the bucket what is diluted to that of the line."""
    if where == "line":
        return np.full(case.size, STOP_IN_LINE_MG_PER_L)
    return STOP_IN_LINE_MG_PER_L * (1.0 + case.injection_ratio)


def band_si(case: Case, phase: str) -> Floats:
    """Half-width of what the bucket's activity model leaves open for a phase, (B,) in SI."""
    return np.maximum(LEAST_BAND_SI, SIGMAS * case.si_sigma(phase))


#: No doubt of the constants or of the bucket's model reaches further below saturation than this.
_FAR_BELOW_SI = 2.5


def all_far_below(case: Case, where: Place, phase: str) -> bool:
    """Whether a solid is in every scenario so far below saturation that no doubt lets it form, open to the air too."""
    if phases()[phase].surely_below_si < -_FAR_BELOW_SI:
        return False
    looked_at = (case.bucket, case.bucket_in_air) if where == "bucket" else (case.line,)
    return all(bool(np.max(one.before_solids.si(phase)) < -_FAR_BELOW_SI) for one in looked_at)


def solid_levels(case: Case, where: Place, phase: str, *, haze_mg_per_l: float, band: Floats | float = 0.0) -> Levels:
    """STOP where a solid surely forms, UNKNOWN where model and constants cannot tell, else NONE.

    Amounts count too: less than the stop amount of bucket or line is CAUTION, less than haze_mg_per_l
    is not worth a word. Where it is open whether it forms, the amount is the most that it could be
    if the doubt went against us. band: half-width of the model's own uncertainty in SI. What forms in the
    bucket closed to the air forms at once; what would form only after its carbon dioxide has settled
    with the air is open.
    """
    level = _levels(case, where, phase, haze_mg_per_l, band, case.solution(where))
    if where == "bucket" and case.bucket_in_air is not case.bucket:
        aired = _levels(case, where, phase, haze_mg_per_l, band, case.bucket_in_air)
        level = np.where(case.feels_air, np.maximum(level, np.minimum(aired, int(Level.UNKNOWN))), level)
    return level


def _levels(
    case: Case, where: Place, phase: str, haze_mg_per_l: float, band: Floats | float, solution: Solution
) -> Levels:
    entry = phases()[phase]
    si = solution.before_solids.si(phase)
    doubt = np.maximum(band, -entry.surely_below_si)
    surely = si > np.maximum(band, entry.surely_above_si)
    # An index of s takes at most the share 1 - 10^-s of the scarcest ingredient (1:1 salts; less for others).
    most = case.most_mg_per_l(where, phase) * (1.0 - 10.0 ** -np.maximum(si + doubt, 0.0))
    formed = most
    if phase in case.formed(where) and solution.supersaturated is not None:
        formed = case.precipitated_mg_per_l(where, phase)
    amount = np.where(surely, formed, most)
    # A solid that takes days and may not form at all does not hold up a bucket that is used today.
    slow = entry.pace == "days"
    doubtful = Level.CAUTION if slow else Level.UNKNOWN
    level = np.where(surely, int(Level.STOP), int(doubtful))
    if slow:
        # How soon it starts is open until it is far over.
        level[surely & (si < SLOW_STARTS_SI)] = Level.UNKNOWN
    level[amount < stop_mg_per_l(case, where)] = Level.CAUTION
    level[amount < haze_mg_per_l] = Level.NONE
    return level


@dataclass(frozen=True)
class Alone:
    """A solid by itself, per scenario (B,): its level and saturation index, and what forms of it, or where that is open
    may form at most [mg/L]."""

    phase: str
    level: Levels
    si: Floats
    mg_per_l: Floats


def alone(case: Case, where: Place, names: Sequence[str], *, haze_mg_per_l: Floats | float) -> list[Alone]:
    """Solids that are not let form with the others, judged as in `solid_levels`: STOP where one surely forms and comes
    to as much as counts, UNKNOWN where it may (CAUTION for one that takes days), CAUTION from haze_mg_per_l on.

    A slow solid starts within the hour only from SLOW_STARTS_SI on, and what forms only after the bucket's carbon
    dioxide has settled with the air is open.
    """
    stop, mixed = stop_mg_per_l(case, where), case.solution(where).before_solids
    airs = where == "bucket" and bool(case.feels_air.any())
    surely: dict[str, Mask] = {}
    target, in_air = {}, {}
    for name in names:
        entry = phases()[name]
        band = band_si(case, name) if where == "bucket" else np.zeros(case.size)
        below = entry.onset_si - np.maximum(band, entry.onset_si - entry.surely_below_si)
        surely[name] = mixed.si(name) > entry.onset_si + np.maximum(band, entry.surely_above_si - entry.onset_si)
        # Where all of it would not be worth a word nothing needs to be solved.
        little = case.most_mg_per_l(where, name) < haze_mg_per_l
        target[name] = np.where(little, NEVER_SI, np.where(surely[name], entry.onset_si, below))
        in_air[name] = np.where(little, NEVER_SI, entry.surely_above_si if entry.pace == "days" else below)
    forms = case.alone_mg_per_l(where, target)
    found = []
    for name in names:
        slow, si, amount = phases()[name].pace == "days", mixed.si(name), forms[name]
        level = np.where(amount >= haze_mg_per_l, int(Level.CAUTION), int(Level.NONE))
        level[amount >= stop] = Level.CAUTION if slow else Level.UNKNOWN
        level[surely[name] & (amount >= stop)] = Level.UNKNOWN if slow else Level.STOP
        level[surely[name] & (amount >= stop) & (si >= SLOW_STARTS_SI)] = Level.STOP
        in_air[name] = np.where((level >= Level.UNKNOWN) | ~case.feels_air, NEVER_SI, in_air[name])
        found.append(Alone(name, level, si, amount))
    if not airs:
        return found
    aired = case.alone_mg_per_l(where, in_air, aired=True)
    for i, one in enumerate(found):
        amount = aired[one.phase]
        open_ = np.where(amount >= stop, int(Level.UNKNOWN), np.where(amount >= haze_mg_per_l, int(Level.CAUTION), 0))
        level, most = np.maximum(one.level, open_), np.maximum(one.mg_per_l, amount)
        found[i] = replace(one, level=level, mg_per_l=most)
    return found
