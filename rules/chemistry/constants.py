"""Thermodynamic constants: read once from data files, given as arrays.

Species i forms from master species j: log K_i = log c_i + log gamma_i - sum_j nu_ij log a_j.
Phase p dissolves to master species: SI_p = sum_j nu_pj log a_j - log K_p.
"""

from __future__ import annotations

import csv
import json
from dataclasses import dataclass
from functools import cache, cached_property
from importlib import resources
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LN10 = float(np.log(10.0))
GAS_CONSTANT_KJ_PER_MOL_K = 8.31446261815324e-3
REFERENCE_K = 298.15

#: Moles of alkalinity per mole of master species, counted as proton acceptors above the carbonic
#: acid / H2PO4- / boric acid level: what a titration to the carbonic acid end point finds. Standard
#: definition (Stumm and Morgan, Aquatic Chemistry, from memory); the same numbers as the oracle's.
ALKALINITY_OF_MASTER = {"CO3-2": 2.0, "PO4-3": 2.0, "Edta-4": 2.0, "P2O7-4": 2.0, "OCl-": 1.0}


@dataclass(frozen=True)
class Constants:
    """Master species, all aqueous species and phases as arrays.

    masters: N names. species: S names, masters first. stoich: (S, N). water: (S,) moles of H2O on
    the left. log_k: (S,) at 25 degC. delta_h: (S,) [kJ/mol]. charge: (S,). ion_a [angstrom] and
    ion_b [kg/mol]: (S,), nan where the Davies equation applies. phases: P names with phase_stoich
    (P, N), phase_water (P,), phase_log_k (P,), phase_delta_h (P,), phase_formula and phase_source.
    phase_analytic: (phase, A) of those with log10 K = A1 + A2 T + A3/T + A4 log10 T + A5/T^2 + A6 T^2 (T in K)
    in place of both. activity: the model that the constants go with; phase_curves: (phase, degC, ln K) of the phases
    whose solubility constant is a table; phase_molality: (phase, degC, mol/kg) of their saturated solutions.
    """

    masters: tuple[str, ...]
    species: tuple[str, ...]
    stoich: Floats
    water: Floats
    log_k: Floats
    delta_h: Floats
    charge: Floats
    ion_a: Floats
    ion_b: Floats
    phases: tuple[str, ...]
    phase_stoich: Floats
    phase_water: Floats
    phase_log_k: Floats
    phase_delta_h: Floats
    phase_formula: tuple[str, ...]
    phase_source: tuple[str, ...]
    phase_analytic: tuple[tuple[int, Floats], ...] = ()
    activity: Literal["debye-hueckel", "pitzer"] = "debye-hueckel"
    phase_curves: tuple[tuple[int, Floats, Floats], ...] = ()
    phase_molality: tuple[tuple[int, Floats, Floats], ...] = ()

    @property
    def salt_phases(self) -> tuple[int, ...]:
        """Phases whose constant comes from a solubility, through the activity model."""
        return tuple(phase for phase, _, _ in self.phase_curves)

    def master(self, name: str) -> int:
        """Index of a master species. Raises: KeyError: there is none of this name."""
        return self._places[0][name]

    def phase(self, name: str) -> int:
        """Index of a phase. Raises: KeyError: there is none of this name."""
        return self._places[1][name]

    def has_phase(self, name: str) -> bool:
        """Whether there is a phase of this name."""
        return name in self._places[1]

    @cached_property
    def _places(self) -> tuple[dict[str, int], dict[str, int]]:
        return ({name: i for i, name in enumerate(self.masters)}, {name: i for i, name in enumerate(self.phases)})

    @property
    def alkalinity(self) -> Floats:
        """(N,) moles of alkalinity per mole of each master."""
        return np.array([ALKALINITY_OF_MASTER.get(name, 0.0) for name in self.masters])

    def ln_k(self, temperature_k: Floats, species: NDArray[np.int64] | slice = slice(None)) -> Floats:
        """(B, S) natural log of the formation constants of these species at each temperature [K] (van 't Hoff)."""
        return _van_t_hoff(self.log_k[species], self.delta_h[species], temperature_k)

    def phase_ln_k(self, temperature_k: Floats, phases: NDArray[np.int64]) -> Floats:
        """(B, len(phases)) natural log of the solubility constants of these phases at each temperature [K]:
        van 't Hoff, the expression in temperature, or the table."""
        out = _van_t_hoff(self.phase_log_k[phases], self.phase_delta_h[phases], temperature_k)
        place = {phase: column for column, phase in enumerate(phases.tolist())}
        for phase, terms in self.phase_analytic:
            if phase in place:
                out[:, place[phase]] = LN10 * _expression(terms, temperature_k)
        for (phase, celsius, ln_k), slopes in zip(self.phase_curves, self._end_slopes, strict=True):
            if phase in place:
                out[:, place[phase]] = _along(celsius, ln_k, slopes, temperature_k - 273.15)
        return out

    @cached_property
    def _end_slopes(self) -> tuple[tuple[float, float] | None, ...]:
        """First and last slope of each table of `phase_curves`, None of one with a single point."""
        slopes = [np.diff(ln_k) / np.diff(celsius) for _, celsius, ln_k in self.phase_curves]
        return tuple((float(one[0]), float(one[-1])) if len(one) else None for one in slopes)


def _along(celsius: Floats, ln_k: Floats, slopes: tuple[float, float] | None, temperature_c: Floats) -> Floats:
    """A table at each temperature, straight between its points and on along its ends."""
    value = np.interp(temperature_c, celsius, ln_k)
    if slopes is not None:
        first, last = slopes
        value += (
            np.minimum(temperature_c - celsius[0], 0.0) * first + np.maximum(temperature_c - celsius[-1], 0.0) * last
        )
    return np.asarray(value)


def _expression(terms: Floats, temperature_k: Floats) -> Floats:
    """log10 K at each temperature [K] from six coefficients, as geochemical databases write them."""
    t = temperature_k
    return np.asarray(terms @ np.stack([np.ones_like(t), t, 1 / t, np.log10(t), 1 / t**2, t**2]))


def _terms(text: str) -> Floats:
    """Coefficients of `_expression` as printed; those left out at the end are 0."""
    given = [float(value) for value in text.split()]
    return np.array(given + [0.0] * (6 - len(given)))


def _van_t_hoff(log_k: Floats, delta_h: Floats, temperature_k: Floats) -> Floats:
    span = (1.0 / REFERENCE_K - 1.0 / temperature_k) / GAS_CONSTANT_KJ_PER_MOL_K
    return log_k * LN10 + span[:, None] * delta_h


def rows_of(name: str) -> list[dict[str, str]]:
    """Rows of a table of the data folder."""
    text = resources.files(__package__ or "").joinpath("data").joinpath(name).read_text("utf-8")
    return list(csv.DictReader(text.splitlines()))


def _column(rows: list[dict[str, str]], key: str, empty: float) -> Floats:
    return np.array([float(row[key]) if row[key] != "" else empty for row in rows])


@cache
def load() -> Constants:
    """The line constants with the project's own additions (data/line_constants.csv, line_extra.csv)."""
    rows = rows_of("line_constants.csv") + rows_of("line_extra.csv")
    masters = [row for row in rows if row["kind"] == "master"]
    species = masters + [row for row in rows if row["kind"] == "complex"]
    phases = [row for row in rows if row["kind"] in {"phase", "gas"}]
    names = [row["name"] for row in masters]

    def stoich(table: list[dict[str, str]]) -> tuple[Floats, Floats]:
        matrix, water = np.zeros((len(table), len(names))), np.zeros(len(table))
        for i, row in enumerate(table):
            terms: dict[str, Any] = json.loads(row["stoich"])
            for name, count in terms.items():
                if name == "H2O":
                    water[i] = float(count)
                else:
                    matrix[i, names.index(name)] = float(count)
        return matrix, water

    nu, water = stoich(species)
    phase_nu, phase_water = stoich(phases)
    charge = _column(species, "charge", 0.0)
    ion_a, ion_b = _column(species, "ion_a", np.nan), _column(species, "ion_b", np.nan)
    # A neutral species without parameters gets log10 gamma = 0.1 I, the usual salting-out default
    # (as PHREEQC does when its database gives none); plain molecules such as urea included.
    ion_b = np.where((charge == 0) & np.isnan(ion_b), 0.1, ion_b)
    return Constants(
        masters=tuple(names),
        species=tuple(row["name"] for row in species),
        stoich=nu,
        water=water,
        log_k=_column(species, "log_k", 0.0),
        delta_h=_column(species, "delta_h_kJ", 0.0),
        charge=charge,
        ion_a=ion_a,
        ion_b=ion_b,
        phases=tuple(row["name"] for row in phases),
        phase_stoich=phase_nu,
        phase_water=phase_water,
        phase_log_k=_column(phases, "log_k", 0.0),
        phase_delta_h=_column(phases, "delta_h_kJ", 0.0),
        phase_formula=tuple(row["reaction"].split("=")[0].split(" + ")[0].strip() for row in phases),
        phase_analytic=tuple((i, _terms(row["analytic"])) for i, row in enumerate(phases) if row.get("analytic")),
        phase_source=tuple(row["source"] for row in phases),
    )
