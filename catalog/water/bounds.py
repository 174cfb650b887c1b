"""What a water test says of the items that it leaves out: as much plus as minus, hardness, EC and dissolved solids
bound them; and whether EC and the ions that were tested agree.

Every water that fits the test is a point of a polytope in the charges of its ions; linear programs find the least and
the most of each item.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..programs import Program
from ..quantity.concentration import mol_per_mg
from ..quantity.table import (
    ALKALINITY,
    AMMONIUM,
    CALCIUM,
    CHLORIDE,
    FLUORIDE,
    HARDNESS,
    IRON,
    MAGNESIUM,
    MANGANESE,
    NITRATE,
    POTASSIUM,
    QUANTITIES,
    SILICA,
    SODIUM,
    SULFATE,
)
from ..species import molar_mass_g_per_mol
from .analysis import WaterTest

Floats = NDArray[np.float64]
Range = tuple[float, float]

#: Conductivity that a charge of each ion adds in very thin solution at 25 degC [S cm2/eq], alkalinity as bicarbonate
#: (from memory: CRC Handbook of Chemistry and Physics, equivalent conductivity of ions at infinite dilution).
_CONDUCTS = {
    CALCIUM.name: 59.47, MAGNESIUM.name: 53.0, SODIUM.name: 50.08, POTASSIUM.name: 73.48, AMMONIUM.name: 73.5,
    IRON.name: 54.0, MANGANESE.name: 53.5,
    CHLORIDE.name: 76.31, SULFATE.name: 80.0, NITRATE.name: 71.42, FLUORIDE.name: 55.4, ALKALINITY.name: 44.5,
}  # fmt: skip
#: Of these there may be any amount where they were not tested; of the others there is little.
_ANY_AMOUNT = {
    *(CALCIUM.name, MAGNESIUM.name, SODIUM.name, POTASSIUM.name),
    *(CHLORIDE.name, SULFATE.name, NITRATE.name, ALKALINITY.name),
}
_ITEMS = tuple(_CONDUCTS)
_CONDUCT = np.array([_CONDUCTS[item] for item in _ITEMS])
_SIGN = np.sign([QUANTITIES[item].charge for item in _ITEMS]).astype(float)
#: Charges of a mole; alkalinity is counted in charges.
_CHARGES = np.abs([float(QUANTITIES[item].charge) for item in _ITEMS])

#: Plus and minus of a test that can be used at all agree within this share of their sum, and this much [eq/L]
#: (common practice, no source; a good test is within 2 to 5 percent).
_BALANCES, _BALANCES_EQ_PER_L = 0.10, 0.0002
#: How far an EC meter may be off, temperature included (common practice, no source).
_METER = 0.05
#: What ions that no test lists add to the EC at most.
_BESIDE = 0.03
#: EC up to which the loss of conductivity between ions was compared [mS/cm]; above it EC bounds nothing.
_EC_UP_TO = 5.0
#: The residue on drying: off by this share, and so much of silica and the like where silica was not tested [mg/L]
#: (common practice, no source); crystal water that it keeps [share] (from memory: gypsum dried at 180 degC).
_RESIDUE, _OTHER_MG_PER_L, _CRYSTAL_WATER = 0.10, 60.0, 0.12
#: What meters for dissolved solids show for an EC of 1 mS/cm [mg/L], least and most (common practice, no source).
_SHOWN_MG_PER_L = (470.0, 750.0)


def bounds(water: WaterTest, most: Mapping[str, float] | None = None) -> dict[str, Range]:
    """Least and most [mol/L; alkalinity mol of charge per liter] of each item that was not tested and that the rest of
    the test bounds, of calcium, magnesium, sodium, potassium, chloride, sulfate, nitrate and alkalinity; empty where
    nothing is bounded, or where the test contradicts itself.

    most: what some of the items hold at most where they were not tested, whatever the water [same units].
    Nothing is bounded by plus and minus alone where both a cation and an anion are missing; hardness, EC or dissolved
    solids then bound both. Dissolved solids may be a residue or the display of a meter: both are looked at.

    >>> well = {"calcium": "40 mg/L", "magnesium": "0 mg/L", "sodium": "0 mg/L", "potassium": "0 mg/L"}
    >>> rest = {"alkalinity": "1.5 meq/L", "chloride": "0 mg/L", "nitrate": "0 mg/L"}
    >>> low, high = bounds(WaterTest.model_validate(well | rest))["sulfate"]
    >>> low < 0.25e-3 < high < 0.6e-3
    True
    """
    if not _may_be_bounded(water, most or {}):
        return {}
    tested = water.ranges_mol_per_l()
    hard = HARDNESS.name in tested
    found: dict[str, Range] = {}
    rooms = [room for room in _rooms(water, most or {}) if room.holds_something]
    for i, item in enumerate(_ITEMS):
        if item in tested or item not in _ANY_AMOUNT or not rooms:
            continue
        # Where both are stated, hardness says it all; the check of a test against itself is elsewhere.
        if hard and item in {CALCIUM.name, MAGNESIUM.name} and {CALCIUM.name, MAGNESIUM.name} & tested.keys():
            continue
        ends = [room.ends(np.eye(len(_ITEMS))[i]) for room in rooms]
        low, high = min(end[0] for end in ends), max(end[1] for end in ends)
        if np.isfinite(high):
            found[item] = float(low / _CHARGES[i]), float(high / _CHARGES[i])
    return found


def _may_be_bounded(water: WaterTest, most: Mapping[str, float]) -> bool:
    """False where nothing bounds anything that is asked for: neither EC nor dissolved solids, and both a cation and an
    anion that may be there in any amount are missing. Spares the linear programs; hardness alone bounds its parts."""
    if any(water.other_range(item) is not None for item in ("ec", "dissolved_solids")):
        return True
    tested = set(water.ranges_mol_per_l())
    if HARDNESS.name in tested and not {CALCIUM.name, MAGNESIUM.name} & tested:
        return True
    missing = _ANY_AMOUNT - tested - ({CALCIUM.name, MAGNESIUM.name} if HARDNESS.name in tested else set())
    endless = {np.sign(QUANTITIES[item].charge) for item in missing - most.keys()}
    return bool(missing) and len(endless) < 2


@dataclass(frozen=True)
class EcAgreement:
    """EC as stated and as the ions would make it, each lowest and highest [mS/cm]; expected high is infinite where
    something that was not tested may be in the water."""

    stated: Range
    expected: Range

    @property
    def times_off(self) -> float:
        """How many times too high (above 1) or too low (below 1) the EC is; 1 where the two agree, to what a meter is
        off."""
        low, high = self.stated[0] * (1.0 - _METER), self.stated[1] * (1.0 + _METER)
        if high < self.expected[0]:
            return float(high / self.expected[0])
        return float(max(1.0, low / self.expected[1]))


def ec_agreement(water: WaterTest) -> EcAgreement | None:
    """Whether EC is what the ions of the test make; None where no EC was tested, it is above what was compared, or
    neither calcium nor hardness nor alkalinity was tested."""
    stated = water.other_range("ec")
    tested = water.ranges_mol_per_l()
    if stated is None or stated[1] > _EC_UP_TO or stated[0] <= 0.0:
        return None
    if not {CALCIUM.name, HARDNESS.name, ALKALINITY.name} & tested.keys():
        return None
    room = _Room(water)
    if not room.holds_something:
        room = _Room(water, balanced=False)
    if not room.holds_something:
        return None
    least, most = room.ends(_CONDUCT)
    # The loss counts where calcium and magnesium meet sulfate.
    divalent, sulfate = room.shares()
    loss = 0.12 + 0.2 * divalent + 0.1 * sulfate + 0.45 * divalent * sulfate
    expected = float(least / (1.0 + loss * stated[1] ** 0.5)), float(most * (1.0 + _BESIDE))
    return EcAgreement(stated, expected)


def _rooms(water: WaterTest, most: Mapping[str, float]) -> list[_Room]:
    """What the test leaves open, once for each thing that its dissolved solids may be."""
    solids = water.other_range("dissolved_solids")
    if solids is None:
        return [_Room(water, most).with_ec()]
    shown = solids[0] / _SHOWN_MG_PER_L[1], solids[1] / _SHOWN_MG_PER_L[0]
    return [_Room(water, most).with_ec().with_residue(solids), _Room(water, most).with_ec().with_ec(shown)]


class _Room:
    """The charges x [eq/L] of the ions that fit a test: low <= x <= high, and rows x <= most."""

    def __init__(self, water: WaterTest, most: Mapping[str, float] | None = None, *, balanced: bool = True) -> None:
        self.water = water
        tested = water.ranges_mol_per_l()
        self.limits: list[tuple[float, float | None]] = []
        for item, charges in zip(_ITEMS, _CHARGES, strict=True):
            if item in tested:
                self.limits.append((tested[item][0] * charges, tested[item][1] * charges))
            elif item in (most or {}):
                self.limits.append((0.0, (most or {})[item] * charges))
            else:
                self.limits.append((0.0, None if item in _ANY_AMOUNT else 0.0))
        self.rows: list[Floats] = []
        self.most: list[float] = []
        if balanced:
            for sign in (1.0, -1.0):
                self._put(sign * _SIGN - _BALANCES, _BALANCES_EQ_PER_L)
        both = {CALCIUM.name, MAGNESIUM.name}
        if HARDNESS.name in tested and not both <= tested.keys():
            hard = np.array([float(item in both) for item in _ITEMS])
            low, high = (2.0 * end for end in tested[HARDNESS.name])
            self._put(hard, high)
            self._put(-hard, -low)

    def _put(self, row: Floats, most: float) -> None:
        self.rows.append(row)
        self.most.append(most)

    def with_ec(self, ec: Range | None = None) -> _Room:
        """The same, held to an EC [mS/cm], of the test where none is given.

        A charge adds its conductivity in thin solution at most, and at least 1/(1 + 0.8 sqrt(EC)) of it: magnesium
        sulfate, the lowest of the salts of waters, keeps 0.82 at 0.22 mS/cm and 0.39 at 4.1 (PHREEQC, phreeqc.dat).
        """
        ec = self.water.other_range("ec") if ec is None else ec
        if ec is None or ec[1] > _EC_UP_TO:
            return self
        low, high = ec[0] * (1.0 - _METER), ec[1] * (1.0 + _METER)
        self._put(_CONDUCT, high * (1.0 + 0.8 * high**0.5))
        self._put(-_CONDUCT, -low / (1.0 + _BESIDE))
        return self

    def with_residue(self, solids: Range) -> _Room:
        """The same, held to a residue on drying [mg/L]."""
        grams = np.array(
            [
                molar_mass_g_per_mol("CO3") / 2.0  # half of the bicarbonate goes off as carbon dioxide and water
                if item == ALKALINITY.name
                else 0.001 / mol_per_mg(item) / charges
                for item, charges in zip(_ITEMS, _CHARGES, strict=True)
            ]
        )
        silica = self.water.ranges_mol_per_l().get(SILICA.name)
        other = _OTHER_MG_PER_L if silica is None else silica[1] / mol_per_mg(SILICA.name)
        self._put(grams, 0.001 * solids[1] * (1.0 + _RESIDUE))
        self._put(-grams, -0.001 * max(0.0, solids[0] * (1.0 - _RESIDUE - _CRYSTAL_WATER) - other))
        return self

    def _least(self, gain: Floats) -> Floats | None:
        """The charges that make the least of a gain; None where there is no least, or nothing fits."""
        # In milli-equivalents, so that the solver's tolerance is far below what counts.
        low = np.array([1000.0 * least for least, _ in self.limits])
        high = np.array([np.inf if most is None else 1000.0 * most for _, most in self.limits])
        rows = np.array(self.rows).reshape(-1, len(_ITEMS))
        found = Program(rows, 1000.0 * np.array(self.most) + 1e-9, low=low, high=high).least(gain)
        return None if found is None else found / 1000.0

    @property
    def holds_something(self) -> bool:
        """True unless the test contradicts itself."""
        return self._least(np.zeros(len(_ITEMS))) is not None

    def ends(self, gain: Floats) -> Range:
        """Least and most of a gain; the most is infinite where nothing bounds it."""
        least, most = self._least(gain), self._least(-gain)
        assert least is not None, "charges are not negative"
        return float(gain @ least), float("inf") if most is None else float(gain @ most)

    def shares(self) -> Range:
        """Share of calcium and magnesium in the cations, and of sulfate in the anions, at the least conductivity."""
        charges = self._least(_CONDUCT)
        assert charges is not None, "charges are not negative"
        parts = dict(zip(_ITEMS, charges, strict=True))
        cations, anions = (float(np.sum(charges[sign * _SIGN > 0])) for sign in (1.0, -1.0))
        divalent = parts[CALCIUM.name] + parts[MAGNESIUM.name]
        return divalent / max(cations, 1e-12), parts[SULFATE.name] / max(anions, 1e-12)
