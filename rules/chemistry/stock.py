"""The constants of a stock solution, and a solubility constant from each salt's handbook curve.

The constant at a temperature is the ion activity product that the bucket's own model finds in the
saturated solution of the handbook. So the model returns the handbook's solubility of every single
salt, whatever its activity coefficients; what is left to be tested is mixtures.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from functools import cache, cached_property, lru_cache
from itertools import pairwise

import numpy as np

from .constants import Constants, Floats, load, rows_of
from .pitzer import is_known, is_strong, partners
from .solution import Solution
from .speciate import equilibrate


class _HashedOnce:
    """Of long tables: their hash is worked out once."""

    def __hash__(self) -> int:
        return self._hash

    @cached_property
    def _hash(self) -> int:
        return hash(tuple(getattr(self, field.name) for field in fields(self)))  # type: ignore[arg-type]


@dataclass(frozen=True)
class SaltPhase(_HashedOnce):
    """A salt as a phase of a stock. ions: moles of each master per formula unit; water: crystal water;
    celsius, ln_k: its solubility constant in the Pitzer model, ascending in temperature; molality: of
    the saturated solutions that it comes from [mol/kg]."""

    name: str
    formula: str
    ions: tuple[tuple[str, float], ...]
    water: float
    celsius: tuple[float, ...]
    ln_k: tuple[float, ...]
    molality: tuple[float, ...]
    source: str
    __hash__ = _HashedOnce.__hash__


#: Phases of the line's list that the stock knows as salts, with their handbook solubility.
_SALTS_OF_THE_LINE = {"Epsomite", "Arcanite", "Melanterite", "Syngenite"}


def _digits(needs: Floats) -> bytes:
    """What a species is made of, to be compared."""
    return np.asarray(np.round(needs, 6) + 0.0).tobytes()


@cache
def _kept_species() -> tuple[int, ...]:
    """Species of the line that the stock keeps.

    Ion pairs of strong ions that have Pitzer parameters are left out, since the parameters stand for
    them; acids, bases, chelates and pairs of weak ions stay.
    """
    line = load()
    made: dict[bytes, list[int]] = {}
    for row, needs in enumerate(line.stoich):
        made.setdefault(_digits(needs), []).append(row)
    cations = [(line.species[i], line.stoich[i]) for i in np.flatnonzero(line.charge > 0)]
    anions = [(line.species[i], line.stoich[i]) for i in np.flatnonzero(line.charge < 0)]
    # pitzer.dat, whose parameters these are, describes calcium carbonate without a pair.
    paired = {line.species.index("CaCO3")}
    for cation, of_cation in cations:
        with_it = partners(cation)
        for anion, of_anion in anions:
            if anion not in with_it:
                continue
            # Hydroxide is a base first: only where it has parameters of its own.
            known = is_known(cation, anion) if anion == "OH-" else is_strong(cation, anion)
            if known and cation != "H+":
                for count in (1, 2, 3, 4):
                    paired.update(made.get(_digits(of_cation + count * of_anion), ()))
    return tuple(row for row in range(len(line.species)) if row not in paired or row < len(line.masters))


@lru_cache(maxsize=64)
def load_stock(salts: tuple[SaltPhase, ...] = ()) -> Constants:
    """The constants of a stock solution, for the Pitzer model; salts come with their own solubility."""
    line = load()
    masters, keep = list(line.masters), np.array(_kept_species())
    rows = rows_of("stock_phases.csv")
    more = [(row["name"], row["formula"], json.loads(row["stoich"]), row["source"]) for row in rows]
    log_k = [float(row["log_k"]) for row in rows] + [0.0] * len(salts)
    delta_h = [float(row["delta_h_kJ"]) for row in rows] + [0.0] * len(salts)
    more += [(salt.name, salt.formula, {**dict(salt.ions), "H2O": salt.water}, salt.source) for salt in salts]
    replaced = _SALTS_OF_THE_LINE | {salt.name for salt in salts}
    old = np.array([i for i, name in enumerate(line.phases) if name not in replaced])
    stoich = np.array([[terms.get(name, 0.0) for name in masters] for _, _, terms, _ in more])
    first = len(old) + len(rows)
    place = {phase: row for row, phase in enumerate(old.tolist())}
    return replace(
        line,
        species=tuple(line.species[row] for row in keep),
        stoich=line.stoich[keep],
        water=line.water[keep],
        log_k=line.log_k[keep],
        delta_h=line.delta_h[keep],
        charge=line.charge[keep],
        ion_a=line.ion_a[keep],
        ion_b=line.ion_b[keep],
        phases=(*(line.phases[i] for i in old), *(name for name, *_ in more)),
        phase_stoich=np.vstack([line.phase_stoich[old], stoich]),
        phase_water=np.concatenate([line.phase_water[old], [terms.get("H2O", 0.0) for _, _, terms, _ in more]]),
        phase_log_k=np.concatenate([line.phase_log_k[old], log_k]),
        phase_delta_h=np.concatenate([line.phase_delta_h[old], delta_h]),
        phase_formula=(*(line.phase_formula[i] for i in old), *(formula for _, formula, _, _ in more)),
        phase_source=(*(line.phase_source[i] for i in old), *(source for *_, source in more)),
        phase_analytic=tuple((place[phase], terms) for phase, terms in line.phase_analytic if phase in place),
        activity="pitzer",
        phase_curves=tuple((first + i, np.array(salt.celsius), np.array(salt.ln_k)) for i, salt in enumerate(salts)),
        phase_molality=tuple(
            (first + i, np.array(salt.celsius), np.array(salt.molality)) for i, salt in enumerate(salts)
        ),
    )


#: Names in the line's list of phases for salts that are also looked at there.
_NAME_IN_LINE = {"CaSO4.2H2O": "Gypsum"}


@dataclass(frozen=True)
class SaltCurve(_HashedOnce):
    """A salt with its solubility. formula: of the solid that settles, crystal water included; ions:
    moles of each master per formula unit, protons included; water: crystal water; points: (degC, mol
    per kg of all the water in the saturated solution), ascending."""

    formula: str
    ions: tuple[tuple[str, float], ...]
    water: float
    points: tuple[tuple[float, float], ...]
    source: str
    __hash__ = _HashedOnce.__hash__

    @property
    def name(self) -> str:
        """Name of the phase."""
        return _NAME_IN_LINE.get(self.formula, self.formula)


#: Salts with their solubility constants, by their curves; None where a saturated solution cannot be solved.
_CALIBRATED: dict[SaltCurve, SaltPhase | None] = {}


def _calibrate(curves: Sequence[SaltCurve]) -> None:
    """Find the constants of salts that were not looked at before, all in one batch."""
    new = [curve for curve in dict.fromkeys(curves) if curve not in _CALIBRATED]
    if not new:
        return
    plain = load_stock()
    celsius = np.array([at for curve in new for at, _ in curve.points])
    totals = np.zeros((len(celsius), len(plain.masters)))
    ends = np.cumsum([0, *(len(curve.points) for curve in new)])
    places = [slice(first, last) for first, last in pairwise(ends.tolist())]
    for curve, rows in zip(new, places, strict=True):
        for ion, count in curve.ions:
            totals[rows, plain.master(ion)] = count * np.array([molality for _, molality in curve.points])
    solution = equilibrate(totals, celsius, constants=plain)
    for curve, rows in zip(new, places, strict=True):
        _CALIBRATED[curve] = _phase(curve, solution, rows)


def _phase(curve: SaltCurve, saturated: Solution, rows: slice) -> SaltPhase | None:
    if not np.all(saturated.converged[rows]):
        return None
    ln_k = curve.water * np.log(saturated.water_activity[rows])
    for ion, count in curve.ions:
        ln_k = ln_k + count * saturated.ln_activity[rows, saturated.constants.master(ion)]
    return SaltPhase(
        name=curve.name,
        formula=curve.formula,
        ions=curve.ions,
        water=curve.water,
        celsius=tuple(at for at, _ in curve.points),
        ln_k=tuple(ln_k.tolist()),
        molality=tuple(molality for _, molality in curve.points),
        source=curve.source,
    )


def solved(curves: Sequence[SaltCurve]) -> list[bool]:
    """Where the salts' saturated solutions can be solved, so that they are phases."""
    _calibrate(curves)
    return [_CALIBRATED[curve] is not None for curve in curves]


def stock_constants(curves: tuple[SaltCurve, ...]) -> Constants:
    """The stock's constants with these salts as phases. Curves that cannot be solved are left out."""
    _calibrate(curves)
    return load_stock(tuple(salt for curve in curves if (salt := _CALIBRATED[curve]) is not None))
