"""Bucket, line and labels as an answer shows them."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np

from ...catalog.species import SPECIES
from ..ask.assumed import Assumed
from ..ask.question import Poured
from ..case.case import Case, Place
from ..chemistry.conductivity import ec_ms_per_cm, stock_ec_ms_per_cm
from ..chemistry.constants import Floats
from ..chemistry.doubt import estimated_pairs
from ..chemistry.phases import phases
from .numbers import number, numbers, tidy
from .verdict import LabelContent, Number, SolidState, SolutionState

#: Pairs of ions below this do not decide anything [mol/kg].
_MATTERS_MOL_PER_KG = 0.1
#: Solids further below saturation than this in every scenario are not listed; salts than that.
_LISTED_SI, _LISTED_SALT_SI = -3.0, -1.0


def contents(poured: Sequence[Poured]) -> tuple[LabelContent, ...]:
    """What the products that are known by their label are made of, as far as the label tells."""
    return tuple(
        LabelContent(
            product=item.product.name,
            sources_listed=item.composition.listed,
            species={
                SPECIES[name].spoken: Number(value=tidy(best), low=tidy(low), high=tidy(high), unit="mol/kg")
                for name, (low, best, high) in item.composition.bounds_mol_per_kg.items()
                if name != "H2O"  # follows from the rest, and is no extreme
            },
            not_known=item.composition.gaps,
            contradictions=item.composition.faults,
        )
        for item in poured
        if not item.product.content
    )


def estimated(case: Case) -> tuple[Assumed, ...]:
    """What the bucket's activity model had to estimate."""
    pairs = estimated_pairs(case.bucket.before_solids, _MATTERS_MOL_PER_KG)
    if not pairs:
        return ()
    names = [f"{cation} with {anion}" + (f" (as {lent})" if lent else "") for cation, anion, lent in pairs]
    return (Assumed(input="activity_parameters", why="activity-estimated", about=tuple(names)),)


def state(case: Case, where: Place) -> SolutionState | None:
    """The bucket or the line; None where it could not be solved at the best estimate."""
    if case.unsolved("water", "bucket", "bucket_in_air", where)[0]:
        return None
    mixed = case.solution(where).before_solids
    if where == "bucket":
        conductivity = stock_ec_ms_per_cm(mixed, case.bucket_volume_l / case.bucket_water_kg)
    else:
        conductivity = ec_ms_per_cm(mixed)
    there = np.any(mixed.totals_mol_per_kg > 1e-9, axis=0)
    ions = [name for name, some in zip(case.constants.masters, there, strict=True) if some and name != "H+"]
    of_bucket = {}
    if where == "bucket":
        of_bucket = {
            "ph_in_air": number(case.bucket_in_air.before_solids.ph, "pH"),
            "density": number(case.bucket_density_kg_per_l, "kg/L"),
            "volume": number(case.bucket_volume_l, "L"),
            "water_poured": number(case.poured_water_l, "L"),
        }
    return SolutionState(
        temperature=number(mixed.temperature_c, "degC"),
        ph=number(mixed.ph, "pH"),
        ionic_strength=number(mixed.ionic_strength, "mol/kg"),
        ec=None if np.any(np.isnan(conductivity) & mixed.converged) else number(conductivity, "mS/cm"),
        ions=dict(zip(map(_key, ions), numbers(case.totals_mg_per_l(where, ions), "mg/L"), strict=True)),
        solids=_solid_states(case, where),
        model=mixed.model,
        within_validity=not (mixed.ionic_strength > mixed.valid_up_to_mol_per_kg).any(),
        **of_bucket,
    )


@cache
def _key(species: str) -> str:
    """A species' name in the tables of an answer."""
    return SPECIES[species].spoken.split(" (")[0].replace(" ", "_")


def _solid_states(case: Case, where: Place) -> tuple[SolidState, ...]:
    """Solids that are worth a line, the nearest to their onset first."""
    mixed = case.solution(where).before_solids
    most = np.fmax.reduce(mixed.saturation_index, axis=0)
    listed = np.where(np.isfinite(mixed.saturation_index[0]), most, -np.inf).tolist()
    found: list[tuple[str, str, Floats | None, float]] = []  # as it is called here and there, what forms, onset
    for name, phase in phases().items():
        if mixed.constants.has_phase(name) and listed[mixed.constants.phase(name)] >= phase.onset_si + _LISTED_SI:
            amount = case.precipitated_mg_per_l(where, name) if name in case.formed(where) else None
            found.append((name, phase.spoken, amount, phase.onset_si))
    for salt in case.salts if where == "bucket" else ():
        name = salt.curve.name
        if name not in phases() and listed[mixed.constants.phase(name)] >= _LISTED_SALT_SI:
            found.append((name, salt.name, 1000.0 * case.settled_g_per_l(case.bucket, salt), 0.0))
    index = mixed.saturation_index[:, [mixed.constants.phase(name) for name, *_ in found]]
    solids = [
        SolidState(
            solid=spoken,
            saturation_index=si,
            precipitated=None if amount is None else number(amount, "mg/L"),
            onset=onset,
        )
        for (_, spoken, amount, onset), si in zip(found, numbers(index, ""), strict=True)
    ]
    return tuple(sorted(solids, key=lambda one: one.onset - one.saturation_index.value))
