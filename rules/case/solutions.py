"""The solutions of a question: bucket, line and plain water, each computed when it is first asked for."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from ...catalog.quantity.table import BUCKET_TEMPERATURE, CARBON_DIOXIDE_LOST
from ..ask.salts import Salt, stock_salts
from ..chemistry.constants import GAS_CONSTANT_KJ_PER_MOL_K, LN10, Constants, Floats
from ..chemistry.cores import cores
from ..chemistry.doubt import si_sigma
from ..chemistry.phases import BUCKET_PHASES, LINE_PHASES, STOCK_PHASES
from ..chemistry.pitzer import VALID_UP_TO_MOL_PER_KG
from ..chemistry.solution import Solution
from ..chemistry.stock import solved, stock_constants
from .heat import COLDEST_C, Heating
from .on_record import Begun, derived, on_record, on_record_ahead
from .remembered import each_once, remembered

#: Carbon dioxide in the air [atm], 420 ppm (common knowledge, no source).
AIR_CO2_ATM = 4.2e-4
#: Black tube in the sun [degC], and how far the water of a drying emitter is followed (design choices).
SUN_C, DRIED = 45.0, 4.0
#: What a bucket mixed hot cools down to before it is used up [degC] (design choice: a mild day).
STANDS_AT_C = 20.0
#: Cooling by less than this is not looked into [degC].
LEAST_COOLING_C = 1.0
#: How near the temperature that dissolving leads to is found [degC], and in how many rounds at most.
_COOLED_WITHIN_C, _COOLED_ROUNDS = 0.1, 3
#: By how much cooling may move the saturation index of a salt besides its constant (design choice: activities and
#: shares of ions move by less over 20 degC).
_COOLING_MOVES_SI = 0.5
#: Saturation index further below which the error of the activity model is not asked for.
_FAR_BELOW_SI = 2.5
#: Phases whose doubt has been asked for: who asks for one is likely to ask for the others too.
_DOUBTED: set[str] = set()
#: Solids that answer to the pH, and so to carbon dioxide that comes or goes.
_FEEL_CO2 = (
    *("Calcite", "Brushite", "Struvite", "Newberyite", "Brucite", "Nesquehonite", "Strengite"),
    *("Zn(OH)2_am", "Smithsonite", "Hydrozincite", "Hopeite", "CuOH2", "Malachite", "Cu3PO42_3H2O"),
    *("Pyrochroite", "Rhodochrosite", "Mn3PO42_3H2O", "Siderite", "Vivianite"),
)


@lru_cache(maxsize=64)
def _salts_of(listed: tuple[Salt, ...], there: tuple[bool, ...], masters: tuple[str, ...]) -> tuple[Salt, ...]:
    """Those of the salts whose ions are all there, and whose saturated solutions can be solved."""
    ions = {"H+", *(name for name, any_ in zip(masters, there, strict=True) if any_)}
    possible = [salt for salt in listed if ions.issuperset(ion for ion, _ in salt.curve.ions)]
    phases = solved([salt.curve for salt in possible])
    return tuple(salt for salt, is_phase in zip(possible, phases, strict=True) if is_phase)


@lru_cache(maxsize=64)
def _stock_of(salts: tuple[Salt, ...]) -> Constants:
    return stock_constants(tuple(salt.curve for salt in salts))


@lru_cache(maxsize=64)
def _formed_in(salts: tuple[Salt, ...]) -> tuple[str, ...]:
    """Solids that are let form in a bucket with these salts."""
    names = dict.fromkeys((*BUCKET_PHASES, *STOCK_PHASES, *(salt.curve.name for salt in salts)))
    return tuple(name for name in names if _stock_of(salts).has_phase(name))


@lru_cache(maxsize=64)
def _places_of(salts: tuple[Salt, ...]) -> tuple[int, ...]:
    """Where these salts stand among the phases of their bucket's model."""
    return tuple(_stock_of(salts).phase(salt.curve.name) for salt in salts)


@lru_cache(maxsize=64)
def _places_of_made(salts: tuple[Salt, ...]) -> tuple[int, ...]:
    """The same of the salts that only a mixture makes."""
    return tuple(_stock_of(salts).phase(salt.curve.name) for salt in stock_salts())


@lru_cache(maxsize=64)
def _feeling_co2(salts: tuple[Salt, ...]) -> NDArray[np.intp]:
    """Places of the solids that answer to carbon dioxide in the model of a bucket with these salts."""
    stock = _stock_of(salts)
    return np.array([stock.phase(name) for name in _FEEL_CO2 if stock.has_phase(name)], dtype=np.intp)


@lru_cache(maxsize=64)
def _most_si_per_degree(salts: tuple[Salt, ...]) -> Floats:
    """By how much a degree moves the index of each phase of this bucket's model through its constant at most, (P,):
    the steepest part of its table, or its heat of reaction in the cold; infinite of any other expression."""
    stock = _stock_of(salts)
    most = np.abs(stock.phase_delta_h) / (GAS_CONSTANT_KJ_PER_MOL_K * (273.15 + COLDEST_C) ** 2)
    for phase, _ in stock.phase_analytic:
        most[phase] = np.inf
    for phase, celsius, ln_k in stock.phase_curves:
        most[phase] = np.max(np.abs(np.diff(ln_k) / np.diff(celsius)), initial=0.0)
    return np.asarray(most / LN10)


def most_strength(totals: Floats, constants: Constants) -> Floats:
    """What the ionic strength of solutions comes to at most [mol/kg], (B,): with every ion free and every acid split,
    and as much again."""
    charge = constants.charge[: len(constants.masters)]
    return np.asarray(np.abs(totals) @ np.maximum(charge**2, 1.0))


class Solutions(Heating):
    """What chemistry makes of a mixture."""

    @cached_property
    def begun(self) -> dict[str, Begun]:
        """Solutions that were begun and not asked for yet, by name."""
        return {}

    @cached_property
    def expected(self) -> set[str]:
        """Names of solutions that are likely to be asked for."""
        return set()

    def begin(self, names: Collection[str]) -> None:
        """Begins on another core, where there is one, what is likely to be asked for, by name, as soon as it can be."""
        if cores() == 1:
            return
        self.expected.update(names)
        if "bucket" in names:
            Solutions.bucket.begin(self)
        if "line" in names and self.of(CARBON_DIOXIDE_LOST) is None:
            Solutions.line.begin(self)
        if "water_in_line" in names:
            Solutions.water_in_line.begin(self)

    def found(self, name: str) -> None:
        """Begins what a solution that was found has been waited for."""
        if name == "bucket" and "bucket_in_air" in self.expected:
            Solutions.bucket_in_air.begin(self)

    @derived
    def salts(self) -> tuple[Salt, ...]:
        """Salts whose ions are all in this bucket."""
        there = np.any(self.bucket_totals > 0.0, axis=0).tolist()
        return _salts_of(self.question.salts, tuple(there), self.constants.masters)

    @cached_property
    def poured_salts(self) -> frozenset[str]:
        """Phases that are poured as such: the salts that the products are made of."""
        sources = {name for item in self.poured for mixture in item.composition.mixtures for name in mixture.sources}
        return frozenset(filter(None, (self.question.solids[name] for name in sources)))

    @derived
    def made_salts(self) -> tuple[Salt, ...]:
        """Salts that only a mixture makes, from constants instead of a curve."""
        found = np.any(np.isfinite(self.bucket.before_solids.saturation_index), axis=0)
        there = found[list(_places_of_made(self.salts))].tolist()
        return tuple(salt for salt, is_there in zip(stock_salts(), there, strict=True) if is_there)

    @derived
    def out_of_reach(self) -> NDArray[np.bool_]:
        """Phases of the bucket that are in every scenario so far below saturation that no doubt reaches there, (P,)."""
        return np.asarray(np.max(self.bucket.before_solids.saturation_index, axis=0, initial=-np.inf) < -_FAR_BELOW_SI)

    @derived
    def _in_reach(self) -> frozenset[str]:
        """Names of the phases of the bucket that are not."""
        far = zip(self.stock.phases, self.out_of_reach.tolist(), strict=True)
        return frozenset(name for name, is_far in far if not is_far)

    def in_reach(self, salts: Iterable[Salt]) -> list[Salt]:
        """Those of some salts that may be near their saturation in some scenario."""
        return [salt for salt in salts if salt.curve.name in self._in_reach]

    @derived
    def stock(self) -> Constants:
        """The constants of the bucket's model, with these salts."""
        return _stock_of(self.salts)

    @derived
    def bucket_phases(self) -> tuple[str, ...]:
        """Solids that are let form in the bucket."""
        return _formed_in(self.salts)

    @property
    def beyond_model(self) -> NDArray[np.bool_]:
        """Where the bucket is stronger than its model is good for, (B,)."""
        may = most_strength(self.bucket_totals, self.stock) >= VALID_UP_TO_MOL_PER_KG
        if may.all() or "bucket" in vars(self) or "bucket" in self.begun:
            return np.asarray(self.bucket.before_solids.ionic_strength > VALID_UP_TO_MOL_PER_KG)
        beyond = np.zeros(self.size, dtype=bool)
        if np.any(may):
            totals, temperature = self.bucket_totals[may], self.of(BUCKET_TEMPERATURE)[may]
            bucket = remembered(totals, temperature, self.bucket_phases, constants=self.stock)()
            beyond[may] = bucket.before_solids.ionic_strength > VALID_UP_TO_MOL_PER_KG
        return beyond

    @derived
    def _cools(self) -> NDArray[np.bool_]:
        """Where dissolving cools the bucket by as much as is looked into, (B,)."""
        return np.asarray(self.cooling_c >= LEAST_COOLING_C)

    def _bucket_at(self, temperature_c: Floats, rows: NDArray[np.bool_]) -> Solution:
        """The bucket of some scenarios at another temperature."""
        return remembered(
            self.bucket_totals[rows],
            temperature_c,
            self.bucket_phases,
            constants=self.stock,
            start=self.bucket.before_solids,
            start_at=np.flatnonzero(rows),
        )()

    @on_record_ahead
    def bucket(self, ahead: bool) -> Begun:
        """The bucket at its temperature, closed to the air, with what forms there, (B,)."""
        temperature = self.of(BUCKET_TEMPERATURE)
        return remembered(self.bucket_totals, temperature, self.bucket_phases, constants=self.stock, ahead=ahead)

    def _salts_within(self, cooling_c: float) -> NDArray[np.intp]:
        """Places of the salts that cooling by so much may bring near in some scenario."""
        salts = np.array([*_places_of(self.salts), *(self.stock.phase(salt.curve.name) for salt in self.made_salts)])
        index = np.fmax.reduce(self.bucket.before_solids.saturation_index[:, salts], axis=0, initial=-np.inf)
        moved = _most_si_per_degree(self.salts)[salts] * max(cooling_c, 0.1)
        return np.asarray(salts[index + moved > -_COOLING_MOVES_SI])

    @derived
    def may_feel_cold(self) -> bool:
        """Whether dissolving may cool the bucket by as much as is looked into, and that bring out a salt or freeze it:
        told by the most that it may cool, for which the heat capacity needs not be known."""
        most = self.most_cooling_c
        if float(most.max()) < LEAST_COOLING_C:
            return False
        if (self.of(BUCKET_TEMPERATURE) < most).any() or not self.bucket.before_solids.converged.all():
            return True
        return len(self._salts_within(float(most.max()))) > 0

    @derived
    def _salts_near(self) -> NDArray[np.bool_]:
        """Where cooling may bring a salt out or freeze the bucket, (B,)."""
        before, coldest, start = self.bucket.before_solids, self.coldest_c, self.of(BUCKET_TEMPERATURE)
        salts = self._salts_within(float(np.max(start - coldest)))
        ln_k = self.stock.phase_ln_k(np.concatenate([start, coldest]) + 273.15, salts)
        less = ln_k[: self.size] - ln_k[self.size :]
        near = before.saturation_index[:, salts] + less / LN10 > -_COOLING_MOVES_SI
        return np.asarray(near.any(axis=1) | (coldest < 0.0) | ~before.converged)

    @on_record
    def _bucket_coldest(self) -> Solution:
        """The bucket at the temperature that dissolving all of it would lead to, (B,); as it is where it hardly cools
        or no salt is near enough to feel it."""
        feels = self._cools & self._salts_near
        if not feels.any():
            return self.bucket
        return self.bucket.placed(feels, self._bucket_at(self.coldest_c[feels], feels))

    @property
    def cooled_c(self) -> Floats:
        """Temperature of the bucket right after dissolving [degC], (B,): what stays undissolved in the cold
        takes up no heat. Where it hardly cools, the bucket's own."""
        return self._cooled[0]

    @derived
    def _cooled(self) -> tuple[Floats, Solution]:
        """That temperature, and the bucket there, (B,)."""
        start, coldest = self.of(BUCKET_TEMPERATURE), self.coldest_c
        salts = [salt for salt in self.salts if salt.heat_kj_per_mol > 0.0]

        def warmer_by(solution: Solution, rows: NDArray[np.bool_]) -> Floats:
            """What the undissolved part spares of the cooling in these rows [degC]."""
            spared = [solution.precipitated(salt.curve.name) * salt.heat_kj_per_mol for salt in salts]
            kj = np.sum([*spared, np.zeros(np.count_nonzero(rows))], axis=0) * self.bucket_water_kg[rows]
            return np.asarray(np.minimum(kj / self.heat_capacity_kj_per_k[rows], (start - coldest)[rows]))

        if not self._cools.any():
            return start, self.bucket
        every, cold = np.ones(self.size, dtype=bool), self._bucket_coldest
        cooled, over_low = np.where(self._cools, coldest, start), warmer_by(cold, every)
        # Where it dissolves as good as all, the coldest is where it gets to. Else dissolving leads from the start to
        # coldest + warmer_by(there): the place that leads to itself is found between the two ends by straight lines.
        far = self._cools & ~(over_low < 0.1)
        if not far.any():
            return cooled, cold
        low, high, over_low = coldest[far], start[far], over_low[far]
        over_high = (coldest + warmer_by(self.bucket, every) - start)[far]
        for _ in range(_COOLED_ROUNDS):
            here = low + (high - low) * over_low / np.maximum(over_low - over_high, 1e-9)
            solution = self._bucket_at(here, far)
            over = coldest[far] + warmer_by(solution, far) - here
            if (np.abs(over) < _COOLED_WITHIN_C).all():
                break
            low, over_low = np.where(over > 0, here, low), np.where(over > 0, over, over_low)
            high, over_high = np.where(over > 0, high, here), np.where(over > 0, over_high, over)
        cooled[far] = here
        return cooled, cold.placed(far, solution)

    @on_record
    def bucket_cooled_down(self) -> Solution:
        """A bucket mixed hot, once it stands at STANDS_AT_C; the bucket itself where it is no warmer, (B,)."""
        every = np.ones(self.size, dtype=bool)
        return self._bucket_at(np.minimum(self.of(BUCKET_TEMPERATURE), STANDS_AT_C), every)

    @derived
    def feels_air(self) -> NDArray[np.bool_]:
        """Where a solid that answers to carbon dioxide is near enough to the bucket's saturation to feel it, (B,)."""
        index = self.bucket.before_solids.saturation_index.take(_feeling_co2(self.salts), axis=1)
        return np.asarray((index > -_FAR_BELOW_SI).any(axis=1))

    @on_record_ahead
    def bucket_in_air(self, ahead: bool) -> Begun:
        """The same bucket after its carbon dioxide has settled with the air, nothing come out yet, (B,); the
        closed one where no solid is near enough to feel it."""
        feels, bucket = self.feels_air, self.bucket
        if not feels.any():
            return lambda: bucket
        closed = bucket.before_solids
        begun = remembered(
            self.bucket_totals[feels],
            self.of(BUCKET_TEMPERATURE)[feels],
            co2_atm=AIR_CO2_ATM,
            constants=self.stock,
            start=closed,
            start_at=np.flatnonzero(feels),
            ahead=ahead,
        )
        return begun if feels.all() else lambda: closed.with_rows(feels, begun())

    @on_record
    def bucket_cold(self) -> Solution:
        """The bucket right after dissolving, at the temperature that this leads to, (B,); the bucket itself where
        it feels nothing of that."""
        return self._cooled[1] if self.may_feel_cold else self.bucket

    @on_record_ahead
    def water_in_line(self, ahead: bool) -> Begun:
        """The water alone at the line's temperature, nothing injected, nothing come out, (B,)."""
        water = self.water
        return each_once(water.totals_mol_per_kg, self.line_temperature_c, start=water, ahead=ahead)

    def _carbonate_in_air(self, rows: NDArray[np.bool_]) -> Floats:
        """Carbonate that these scenarios of the bucket, (B,), hold once they have settled with the air [mol/kg], (B,);
        0 of the others."""
        carbonate, found = self.constants.master("CO3-2"), np.zeros(self.size)
        solved: Solution | None = vars(self).get("bucket_in_air")
        if solved is not None:
            aired = rows & self.feels_air
            found[aired] = solved.before_solids.totals_mol_per_kg[aired, carbonate]
            rows = rows & ~aired
        if rows.any():
            stock, temperature = self.bucket_totals[rows], self.of(BUCKET_TEMPERATURE)[rows]
            settled = remembered(stock, temperature, co2_atm=AIR_CO2_ATM, constants=self.stock)()
            found[rows] = settled.totals_mol_per_kg[:, carbonate]
        return found

    @derived
    def line_totals(self) -> Floats:
        """Moles of each master per kg of the line's water, everything that was poured dissolved, (B, N)."""
        stock_kg = self.bucket_water_kg / self.bucket_volume_l
        ratio = self.injection_ratio
        stock = self.bucket_totals
        lost_share = self.of(CARBON_DIOXIDE_LOST)
        if lost_share is not None:
            # What the bucket has lost to the air the line does not get.
            carbonate, h = self.constants.master("CO3-2"), self.constants.master("H+")
            lost = lost_share * np.maximum(stock[:, carbonate] - self._carbonate_in_air(lost_share > 0.0), 0.0)
            stock = stock.copy()
            stock[:, carbonate] -= lost
            stock[:, h] -= 2.0 * lost
        totals = stock * stock_kg[:, None] + self.water.totals_mol_per_kg * ratio[:, None]
        return totals / (stock_kg + ratio)[:, None]

    @on_record_ahead
    def line(self, ahead: bool) -> Begun:
        """The line: stock in its water, everything that was poured dissolved, (B,)."""
        return remembered(self.line_totals, self.line_temperature_c, LINE_PHASES, ahead=ahead)

    @on_record
    def sunny_line(self) -> Solution:
        """The line where the sun warms black tube to SUN_C, (B,)."""
        warm, start = np.maximum(self.line_temperature_c, SUN_C), self.line.before_solids
        return remembered(self.line_totals, warm, LINE_PHASES, start=start)()

    @on_record
    def drying_line(self) -> Solution:
        """What is left in a drying emitter: the line with all but one part in DRIED of its water gone, (B,)."""
        totals, start = DRIED * self.line_totals, self.line.before_solids
        return remembered(totals, self.line_temperature_c, LINE_PHASES, start=start)()

    def drying_water(self, rows: NDArray[np.bool_]) -> Solution:
        """The same of the water alone, nothing injected, nothing come out, in these scenarios, (B,) of them."""
        water = self.water.rows(rows)
        return each_once(DRIED * water.totals_mol_per_kg, self.line_temperature_c[rows], start=water)()

    @cached_property
    def _si_sigmas(self) -> dict[str, Floats]:
        """What has been worked out of `si_sigma`, by phase."""
        return {}

    def si_sigma(self, phase: str) -> Floats:
        """Standard error of a phase's saturation index in the bucket from its activity model, (B,); 0 where it is
        far below saturation."""
        before, known = self.bucket.before_solids, self._si_sigmas
        if phase not in known:
            _DOUBTED.add(phase)
            asked = sorted(name for name in _DOUBTED.difference(known) if self.stock.has_phase(name))
            # No doubt of the model reaches further than this below saturation.
            places = np.array([self.stock.phase(name) for name in asked], dtype=np.intp)
            near = np.asarray(before.saturation_index[:, places] > -_FAR_BELOW_SI)
            some = np.flatnonzero(near.any(axis=0))
            sigma = np.zeros(near.shape)
            if len(some):
                sigma[:, some] = np.where(near[:, some], si_sigma(before, [asked[i] for i in some]), 0.0)
            known.update((name, sigma[:, i]) for i, name in enumerate(asked))
        return known[phase] if phase in known else np.zeros(self.size)
