"""The compiled twin of the solver (kernel.c), where it was built: the same solutions, several rows side by side.

What it is not sure of comes back as not converged, and `speciate` then asks the reference. Without a compiler at
installation, or with POURCHECK_REFERENCE set, the reference answers everything.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np

from .activity import DebyeHueckel
from .constants import LN10, Constants, Floats
from .cores import cores
from .pitzer import Pitzer, kernel_tables
from .solution import Solution

try:
    from . import _kernel  # type: ignore[attr-defined]
except ImportError:  # built without a compiler
    _kernel = None

#: Set to leave the compiled solver alone.
REFERENCE_VARIABLE = "POURCHECK_REFERENCE"
_PH, _ALKALINITY, _GAS = 1, 2, 4
#: As there: what became of rows, and of one.
_SOME_LOST, _SOME_FORMED = 1, 2
_FOUND, _LOST = 1, 0
_NONE = np.zeros(0, dtype=np.intp)
#: Fewer rows than this are not worth a thread: of a strong solution, of a dilute one, and for errors of indices.
_STRONG_ROWS, _DILUTE_ROWS, _SIGMA_ROWS = 4, 8, 24


def available() -> bool:
    """True when the compiled solver is there and may be used."""
    return _kernel is not None and not os.environ.get(REFERENCE_VARIABLE)


class _Tables:
    """The tables of a set of constants, as the kernel keeps them; and the constants, so that they stay."""

    def __init__(self, constants: Constants) -> None:
        self.constants = constants
        self.salts = np.zeros(len(constants.phases), dtype=np.int32)
        self.salts[list(constants.salt_phases)] = 1
        model = DebyeHueckel.of(constants, np.arange(len(constants.species)), np.array([298.15]))
        curves = [np.array(celsius) for _, celsius, _ in constants.phase_curves]
        starts = np.cumsum([0, *(len(celsius) for celsius in curves)])
        tables: dict[str, Any] = {
            "nu": constants.stoich,
            "water": constants.water,
            "ln_k": constants.log_k * LN10,
            "delta_h": constants.delta_h,
            "charge": constants.charge,
            "kind": model.kind_of.astype(np.int32),
            "kind_z2": model.charge_squared,
            "kind_a": model.ion_a,
            "kind_b": model.ion_b,
            "kind_davies": model.davies.astype(np.int32),
            "alkalinity": constants.alkalinity,
            "phase_nu": constants.phase_stoich,
            "phase_water": constants.phase_water,
            "phase_ln_k": constants.phase_log_k * LN10,
            "phase_delta_h": constants.phase_delta_h,
            "analytic_of": np.array([phase for phase, _ in constants.phase_analytic], dtype=np.int32),
            "analytic": np.array([terms for _, terms in constants.phase_analytic], dtype=float),
            "curve_of": np.array([phase for phase, _, _ in constants.phase_curves], dtype=np.int32),
            "curve_start": starts.astype(np.int32),
            "curve_c": _joined(curves),
            "curve_ln_k": _joined([ln_k for _, _, ln_k in constants.phase_curves]),
            "curve_ln_molality": _joined([np.log(molality) for _, _, molality in constants.phase_molality]),
        }
        strong = constants.activity == "pitzer"
        tables |= kernel_tables(constants.species, constants.charge) if strong else kernel_tables((), np.zeros(0))
        ready = {name: np.ascontiguousarray(table) for name, table in tables.items()}
        places = (constants.master("H+"), constants.master("CO3-2"), constants.phase("CO2(g)"), int(strong))
        self.kernel = _kernel.prepare(ready, places)
        self._places: dict[tuple[str, ...], np.ndarray] = {}

    def places(self, phases: Sequence[str]) -> np.ndarray:
        """Where these phases stand, for the kernel."""
        names = tuple(phases)
        if names not in self._places:
            self._places[names] = np.array([self.constants.phase(name) for name in names], dtype=np.int32)
        return self._places[names]


def _joined(tables: Sequence[Floats]) -> Floats:
    return np.concatenate([np.zeros(0), *tables])


@dataclass(frozen=True, eq=False)
class _Same:
    """Constants by their identity: their tables are too long to be compared."""

    constants: Constants

    def __hash__(self) -> int:
        return id(self.constants)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and other.constants is self.constants


@lru_cache(maxsize=64)  # as the constants of stocks
def _tables(same: _Same) -> _Tables:
    return _Tables(same.constants)


def _helpers(rows: int, least: int) -> int:
    """Further threads for so many rows, of which each thread gets at least so many."""
    return max(0, min(cores(), rows // least) - 1)


def si_sigma(solution: Solution, wanted: np.ndarray) -> Floats:
    """(B, P) as `doubt.si_sigma`, of phases at these places, in solutions that were all found."""
    tables, size = _tables(_Same(solution.constants)), len(solution.converged)
    out = np.zeros((size, len(wanted)))
    arrays = {
        "molality": np.ascontiguousarray(solution.molality),
        "ln_activity": np.ascontiguousarray(solution.ln_activity),
        "kelvin": solution.temperature_c + 273.15,
        "wanted": wanted.astype(np.int32),
        "salts": tables.salts[wanted],
        "sigma": out,
    }
    _kernel.finish(_kernel.si_sigma(tables.kernel, arrays, size, len(wanted), _helpers(size, _SIGMA_ROWS)))
    return out


def begin(
    constants: Constants,
    totals: Floats,
    temperature_c: Floats,
    phases: Sequence[str],
    *,
    ph: Floats | None = None,
    alkalinity: Floats | None = None,
    co2_atm: Floats | None = None,
    down_to_si: Floats | None = None,
    leave_out: np.ndarray | None = None,
    start: Solution | None = None,
    start_at: np.ndarray | None = None,
    ahead: bool = False,
) -> Callable[[], tuple[Solution, np.ndarray]]:
    """Begins to look for solutions, and gives what waits for them and hands them over, once, with the places of those
    that may be and were not found; arguments as for `equilibrate`, not to be written to meanwhile.

    down_to_si: (B, phases) the saturation index down to which each may form, 0 where none is given. leave_out: (B,)
    rows that are not looked at. start_at, ahead: as for `speciate.begin`.
    """
    tables, strong = _tables(_Same(constants)), constants.activity == "pitzer"
    size, masters, species, solids = len(totals), len(constants.masters), len(constants.species), len(constants.phases)
    flags = _PH * (ph is not None) | _ALKALINITY * (alkalinity is not None) | _GAS * (co2_atm is not None)

    def empty() -> dict[str, np.ndarray]:
        return {
            "totals": np.empty((size, masters)),
            "molality": np.empty((size, species)),
            "ln_activity": np.empty((size, masters)),
            "water": np.empty(size),
            "strength": np.empty(size),
            "index": np.empty((size, solids)),
            "converged": np.zeros(size, dtype=np.int32),
        }

    given = {"given": totals, "celsius": temperature_c, "ph": ph, "alkalinity": alkalinity, "co2": co2_atm}
    given["down_to"] = down_to_si
    if start is not None:
        given |= {"start_totals": start.totals_mol_per_kg, "start_lam": start.ln_activity}
        given |= {"start_molality": start.molality, "start_strength": start.ionic_strength}
    arrays = {name: np.ascontiguousarray(value, dtype=float) for name, value in given.items() if value is not None}
    for name, places in (("start_at", start_at), ("leave_out", leave_out)):
        if places is not None:
            arrays[name] = places.astype(np.int32)
    before = empty()
    after = {**empty(), "solid": np.zeros((size, solids))} if phases else {}
    arrays |= before | {f"{name}_after": table for name, table in after.items()}
    arrays["wanted"] = tables.places(phases)
    helpers = _helpers(size, _STRONG_ROWS if strong else _DILUTE_ROWS)
    if ahead:
        helpers = max(helpers, min(cores() - 1, 1))
    begun = _kernel.equilibria(tables.kernel, arrays, size, len(phases), flags, helpers)

    def solution(found: dict[str, np.ndarray]) -> Solution:
        model = Pitzer if strong else DebyeHueckel
        return Solution(
            constants=constants,
            model=model.name,
            valid_up_to_mol_per_kg=model.valid_up_to_mol_per_kg,
            temperature_c=temperature_c,
            totals_mol_per_kg=found["totals"],
            molality=found["molality"],
            ln_activity=found["ln_activity"],
            water_activity=found["water"],
            ionic_strength=found["strength"],
            saturation_index=found["index"],
            precipitated_mol_per_kg=found["solid"] if "solid" in found else np.zeros((size, solids)),
            converged=found["converged"] == _FOUND,
        )

    def finish() -> tuple[Solution, np.ndarray]:
        became = _kernel.finish(begun)
        last = solution(before)
        if became & _SOME_FORMED:
            last = replace(solution(after), supersaturated=last)
        return last, np.flatnonzero((after or before)["converged"] == _LOST) if became & _SOME_LOST else _NONE

    return finish


def volumes(tables: Mapping[str, np.ndarray]) -> object:
    """The tables of volumes (density.py), as the kernel keeps them."""
    kinds = {name: np.int32 if table.dtype.kind == "i" else np.float64 for name, table in tables.items()}
    return _kernel.prepare_volumes(
        {name: np.ascontiguousarray(tables[name], dtype=kind) for name, kind in kinds.items()}
    )


def filled(
    tables: object, filling: Mapping[str, Any], wanted_l: Floats, displaced_l: Floats | None
) -> tuple[Floats, Floats]:
    """Water to pour [kg] and volume made up [L], (B,) each, as density.Filling has it, whose attributes are given.

    displaced_l: None where `wanted_l` is water that is poured in.
    """
    size = len(wanted_l)
    given = {
        "moles": filling["moles"],
        "celsius": filling["temperature_c"],
        "brought": filling["brought_kg"],
        "other": filling["other_l"],
        "wanted": wanted_l,
        "displaced": wanted_l if displaced_l is None else displaced_l,
    }
    arrays = {name: np.ascontiguousarray(value, dtype=float) for name, value in given.items()}
    poured, liters = np.empty(size), np.empty(size)
    _kernel.fill(tables, arrays | {"poured": poured, "liters": liters}, size, int(displaced_l is not None))
    return poured, liters
