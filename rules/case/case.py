"""A question answered by chemistry, over many scenarios at once: bucket, line and plain water."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from threading import Lock
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from ...catalog import Product
from ...catalog.quantity.units import MG_PER_L_PER_GRAIN
from ...catalog.species import molar_mass_g_per_mol, species_molar_mass_g_per_mol
from ...catalog.water.quality import alkalinity_too
from ..ask.question import AIRED, SPECIES_OF_ITEM, Columns, Poured, Question, displaced_l, mol_per_l
from ..ask.ranges import GRAINS
from ..chemistry.constants import Constants, Floats, load
from ..chemistry.density import heat_capacity_kj_per_kg_k, kg_and_liters, volume_l_per_kg_water
from ..chemistry.doubt import si_sigma
from ..chemistry.phases import BUCKET_PHASES, LINE_PHASES, STOCK_PHASES
from ..chemistry.speciate import Solution, equilibrate
from ..chemistry.stock import solved, stock_constants
from ..chemistry.water_properties import density_kg_per_l
from .salts import WATER_KG_PER_MOL, Salt, solid_of, stock_salts

Where = Literal["bucket", "line"]
Mask = NDArray[np.bool_]
#: What the solver of a label leaves of nothing [mol].
_TRACE_MOL = 1e-9
#: Carbon dioxide in the air [atm], 420 ppm (common knowledge, no source).
AIR_CO2_ATM = 4.2e-4
#: Black tube in the sun [degC], and how far the water of a drying emitter is followed (design choices).
SUN_C, DRIED = 45.0, 4.0
#: Cooling by less than this is not looked into [degC].
LEAST_COOLING_C = 1.0
#: Saturation index further below which the error of the activity model is not asked for.
_FAR_BELOW_SI = 2.5
#: No stock is colder than this: the models end there, and it would be ice.
_COLDEST_C = -20.0
#: A bucket keeps at least this share of its volume as water, whatever is put in.
_LEAST_WATER_SHARE = 0.05
#: Solids that answer to the pH, and so to carbon dioxide that comes or goes.
_FEEL_CO2 = ("Calcite", "Brushite", "Struvite", "Newberyite", "Brucite", "Nesquehonite", "Strengite")
#: Carbonate that a water without alkalinity may hold anyway is left out; the balance needs a floor.
LEAST_ALKALINITY_EQ_PER_L = 1e-7


def mg_per_mol(phase: str, constants: Constants | None = None) -> float:
    """Mass of a mole of a phase [mg/mol], from its formula."""
    constants = constants or load()
    formula = constants.phase_formula[constants.phase(phase)].replace(":", ".")
    return molar_mass_g_per_mol(formula) * 1000.0


class _Solved:
    """Small solutions that were asked for lately, and what the answer was: the same well, or the same pour asked
    again. Safe for threads."""

    def __init__(self, most: int) -> None:
        self._most, self._lock = most, Lock()
        self._known: OrderedDict[tuple[Any, ...], Solution] = OrderedDict()

    def get(self, asked: tuple[Any, ...]) -> Solution | None:
        with self._lock:
            if asked in self._known:
                self._known.move_to_end(asked)
            return self._known.get(asked)

    def put(self, asked: tuple[Any, ...], solution: Solution) -> None:
        with self._lock:
            self._known[asked] = solution
            while len(self._known) > self._most:
                self._known.popitem(last=False)


#: Solutions of up to so many rows are remembered, so many of them (some 15 MB at most).
_REMEMBERED_ROWS, _REMEMBERED = 40, 96
_SOLVED = _Solved(_REMEMBERED)


def _each_once(
    totals: Floats,
    temperature_c: Floats,
    phases: Sequence[str] = (),
    *,
    ph: Floats | None = None,
    alkalinity_eq_per_kg: Floats | None = None,
    co2_atm: float | None = None,
    constants: Constants | None = None,
) -> Solution:
    """`equilibrate` with scenarios that are the same solution computed once: a margin moves one number,
    and most solutions do not feel it."""
    key = [totals, temperature_c[:, None]]
    key += [column[:, None] for column in (ph, alkalinity_eq_per_kg) if column is not None]
    rows, first, back = np.unique(np.hstack(key), axis=0, return_index=True, return_inverse=True)
    asked = (rows.tobytes(), tuple(phases), ph is None, alkalinity_eq_per_kg is None, co2_atm, id(constants))
    known = _SOLVED.get(asked)
    if known is not None:
        return known.rows(back.reshape(-1))
    solution = equilibrate(
        totals[first],
        temperature_c[first],
        phases,
        ph=None if ph is None else ph[first],
        alkalinity_eq_per_kg=None if alkalinity_eq_per_kg is None else alkalinity_eq_per_kg[first],
        co2_atm=None if co2_atm is None else np.full(len(first), co2_atm),
        constants=constants,
    )
    if len(first) <= _REMEMBERED_ROWS:
        _SOLVED.put(asked, solution)
    return solution.rows(back.reshape(-1))


@dataclass(frozen=True)
class Case:
    """B scenarios of one question. Rules read it; the solutions are computed when first asked for."""

    question: Question
    columns: Columns

    @property
    def size(self) -> int:
        """Number of scenarios."""
        return len(self.columns["amount_factor"])

    @property
    def poured(self) -> tuple[Poured, ...]:
        """The products of the pour."""
        return self.question.poured

    @cached_property
    def constants(self) -> Constants:
        """The chemistry's constants."""
        return load()

    def column(self, name: str) -> Floats:
        """A column of the scenarios, in its column unit."""
        return self.columns[name]

    @cached_property
    def injection_ratio(self) -> Floats:
        """Parts of water per part of stock, (B,)."""
        return self.columns["injection_ratio"]

    @cached_property
    def line_temperature_c(self) -> Floats:
        """Temperature of the line: never colder than the water that fills it, (B,) [degC]."""
        own = self.columns["line_temperature_c"]
        if self.question.stated("line_temperature_c"):
            return own
        return np.maximum(own, self.columns["water_temperature_c"])

    @cached_property
    def water(self) -> Solution:
        """The source water at its own temperature, (B,)."""
        masters = self.constants.masters
        totals = np.zeros((self.size, len(masters)))
        for item, species in SPECIES_OF_ITEM.items():
            if item in self.columns:
                totals[:, masters.index(species)] = mol_per_l(item, self.columns[item])
        misread = 1.0 + self.columns.get(GRAINS, np.zeros(self.size)) * (MG_PER_L_PER_GRAIN - 1.0)
        if "hardness" in self.columns:
            hardness = misread * mol_per_l("hardness", self.columns["hardness"])
            share = self.columns["calcium_share_of_hardness"]
            totals[:, masters.index("Ca+2")] = hardness * share
            totals[:, masters.index("Mg+2")] = hardness * (1.0 - share)
        alkalinity = mol_per_l("alkalinity", self.columns["alkalinity"])
        if self.question.water is not None and alkalinity_too(self.question.water):
            alkalinity = alkalinity * misread
        return _each_once(
            totals,
            self.columns["water_temperature_c"],
            ph=self.columns["ph"],
            alkalinity_eq_per_kg=np.maximum(alkalinity, LEAST_ALKALINITY_EQ_PER_L),
        )

    @cached_property
    def water_in_line(self) -> Solution:
        """The water alone at the line's temperature, nothing injected, (B,)."""
        return _each_once(self.water.totals_mol_per_kg, self.line_temperature_c, LINE_PHASES)

    @cached_property
    def product_mol(self) -> Floats:
        """Moles of each master from the products in the bucket, (B, N)."""
        return self._products[0]

    @cached_property
    def _filling(self) -> tuple[Floats, Floats]:
        """Water that is poured in [kg] and made-up volume [L], (B,)."""
        masters, temperature = self.constants.masters, self.columns["bucket_temperature_c"]
        of_water = density_kg_per_l(temperature + 273.15)
        unknown = tuple(item for item in self.poured if not item.composition.mixtures)
        other_l = self.columns["amount_factor"] * displaced_l(unknown)

        def volume_l(poured_kg: Floats) -> Floats:
            water_kg = poured_kg + self._products[1]
            per_kg = volume_l_per_kg_water(self.product_mol / water_kg[:, None], temperature, masters)
            return np.asarray(water_kg * per_kg + other_l)

        if not self.question.filled_up:
            poured_kg = self.question.bucket_l * of_water
            return poured_kg, volume_l(poured_kg)
        wanted = np.full(self.size, self.question.bucket_l)
        least = _LEAST_WATER_SHARE * wanted * of_water
        poured_kg = np.maximum(wanted * of_water - self.columns["amount_factor"] * displaced_l(self.poured), least)
        for _ in range(2):  # volume answers water almost liter for liter
            poured_kg = np.maximum(poured_kg + (wanted - volume_l(poured_kg)) * of_water, least)
        return poured_kg, np.maximum(volume_l(poured_kg), wanted)

    @property
    def poured_water_kg(self) -> Floats:
        """Water that is poured into the bucket, (B,) [kg]."""
        return self._filling[0]

    @property
    def poured_water_l(self) -> Floats:
        """The same in liters at the bucket's temperature, (B,)."""
        return np.asarray(self.poured_water_kg / density_kg_per_l(self.columns["bucket_temperature_c"] + 273.15))

    @property
    def bucket_volume_l(self) -> Floats:
        """Volume of the made-up stock, (B,) [L]."""
        return self._filling[1]

    @cached_property
    def bucket_water_kg(self) -> Floats:
        """Water in the bucket: poured in, and brought by the products as water or crystal water, (B,)."""
        return np.asarray(self.poured_water_kg + self._products[1])

    @cached_property
    def bucket_density_kg_per_l(self) -> Floats:
        """Density of the made-up stock with everything dissolved, (B,)."""
        kg, liters = self._kg_and_liters
        return kg / liters

    @cached_property
    def _kg_and_liters(self) -> tuple[Floats, Floats]:
        """The stock per kg of its water, (B,) each."""
        return kg_and_liters(self.bucket_totals, self.columns["bucket_temperature_c"], self.constants.masters)

    @cached_property
    def _products(self) -> tuple[Floats, Floats]:
        """Moles of each master (B, N), and water [kg] that the products bring (B,)."""
        masters = self.constants.masters
        moles, water_kg = np.zeros((self.size, len(masters))), np.zeros(self.size)
        for i, item in enumerate(self.poured):
            if not item.composition.mixtures:
                continue
            tables = []
            for mixture in item.composition.mixtures:
                row = np.zeros(len(masters) + 1)
                for name, amount in mixture.species_mol_per_kg.items():
                    if name == "H2O":
                        row[-1] += amount * WATER_KG_PER_MOL
                    else:
                        row[masters.index(name)] += amount
                if item.product.form == "liquid":
                    row[-1] += self._liquid_water_share(item, mixture.sources)
                tables.append(row)
            table = np.array(tables)
            mass = item.mass_kg * self.columns["amount_factor"]
            content = self._of_mixtures(i, table)
            moles += mass[:, None] * content[:, :-1]
            water_kg += mass * content[:, -1]
        return moles, water_kg

    def _of_mixtures(self, i: int, table: Floats) -> Floats:
        """What a table per mixture of the i-th product, (mixtures, K), comes to in the scenarios, (B, K)."""
        best = table[np.zeros(self.size, dtype=int)]
        if f"label_{i}" not in self.columns:
            return best
        pick, share = self.columns[f"label_{i}"].astype(int), self.columns[f"label_{i}_share"][:, None]
        return np.asarray((1.0 - share) * best + share * table[pick])

    @staticmethod
    def _liquid_water_share(item: Poured, sources: dict[str, float]) -> float:
        """kg of plain water per kg of a liquid: what its dissolved chemicals leave."""
        if item.product.content:
            return max(0.0, 1.0 - sum(c.mass_fraction.value for c in item.product.content))
        return max(0.0, 1.0 - sum(sources.values()))

    @cached_property
    def _source_kg(self) -> dict[tuple[int, str], Floats]:
        """Mass of each material in each product of the bucket, by the product's place and the material's id,
        (B,) each [kg]."""
        found: dict[tuple[int, str], Floats] = {}
        for i, item in enumerate(self.poured):
            mixtures = item.composition.mixtures
            for name in dict.fromkeys(name for mixture in mixtures for name in mixture.sources):
                table = np.array([mixture.sources.get(name, 0.0) for mixture in mixtures])
                part = self._of_mixtures(i, table[:, None])[:, 0]
                found[i, name] = item.mass_kg * part * self.columns["amount_factor"]
        return found

    @cached_property
    def source_kg(self) -> dict[str, Floats]:
        """Mass of each material in the bucket by its id, (B,) each [kg]: what is poured as such, and what the
        products are made of."""
        found: dict[str, Floats] = {}
        for (_, name), kg in self._source_kg.items():
            found[name] = found[name] + kg if name in found else kg
        return found

    def _heats_kj(self) -> Iterator[tuple[Product, Floats]]:
        """Each material with a heat of solution on record, and its heat, (B,) [kJ]; positive cools.

        Heats at infinite dilution, per mole of the material's first chemical. What a liquid is made of has been
        dissolved by its maker.
        """
        for (i, source_id), kg in self._source_kg.items():
            material = self.question.material(source_id)
            if self.poured[i].product.form == "liquid" and material.form == "dry":
                continue
            heat = material.numbers.get("heat_of_solution")
            if heat is None or not material.content:
                continue
            content = material.content[0]
            grams = kg * content.mass_fraction.value * 1000.0
            yield material, heat.value * grams / molar_mass_g_per_mol(content.formula)

    @cached_property
    def heat_capacity_kj_per_k(self) -> Floats:
        """Heat capacity of the whole stock, (B,)."""
        masters, temperature = self.constants.masters, self.columns["bucket_temperature_c"]
        kg = self._kg_and_liters[0] * self.bucket_water_kg
        return kg * heat_capacity_kj_per_kg_k(self.bucket_totals, temperature, masters)

    @cached_property
    def cooling_c(self) -> Floats:
        """How much dissolving all of the dry products would cool the bucket [degC], (B,); never below zero.

        From heats at infinite dilution: strong solutions cool less, so this is the cautious side.
        """
        heats = [kj for material, kj in self._heats_kj() if material.form == "dry" and len(material.content) == 1]
        taken = np.sum([*heats, np.zeros(self.size)], axis=0)
        return np.asarray(np.maximum(taken, 0.0) / self.heat_capacity_kj_per_k)

    @cached_property
    def warming_c(self) -> Floats:
        """How much diluting acids and alkalis and dissolving heats the bucket [degC], (B,).

        Only heats that are set free count.
        """
        freed = np.sum([*(np.maximum(-kj, 0.0) for _, kj in self._heats_kj()), np.zeros(self.size)], axis=0)
        return np.asarray(freed / self.heat_capacity_kj_per_k)

    @cached_property
    def neutralized_mol(self) -> Floats:
        """Protons that acid products give to alkaline ones [mol], (B,): what the scarcer of them has."""
        h = {"acid": np.zeros(self.size), "alkali": np.zeros(self.size)}
        for item in self.poured:
            for kind in h:
                if kind in item.hazards and item.composition.mixtures:
                    protons = item.composition.mixtures[0].species_mol_per_kg
                    moles = protons.get("H+", 0.0) - 2.0 * protons.get("CO3-2", 0.0)
                    h[kind] += item.mass_kg * moles * self.columns["amount_factor"]
        return np.asarray(np.minimum(np.maximum(h["acid"], 0.0), np.maximum(-h["alkali"], 0.0)))

    @cached_property
    def _coldest_c(self) -> Floats:
        return np.maximum(self.columns["bucket_temperature_c"] - self.cooling_c, _COLDEST_C)

    def _bucket_at(self, temperature_c: Floats) -> Solution:
        return _each_once(self.bucket_totals, temperature_c, self.bucket_phases, constants=self.stock)

    @cached_property
    def _bucket_coldest(self) -> Solution:
        """The bucket at the temperature that dissolving all of it would lead to, (B,)."""
        return self._bucket_at(self._coldest_c)

    @cached_property
    def cooled_c(self) -> Floats:
        """Temperature of the bucket right after dissolving [degC], (B,): what stays undissolved in the cold
        takes up no heat."""
        start, coldest = self.columns["bucket_temperature_c"], self._coldest_c
        salts = [salt for salt in self.salts if salt.heat_kj_per_mol > 0.0]

        def warmer_by(solution: Solution) -> Floats:
            """What the undissolved part spares of the cooling [degC], (B,)."""
            spared = [solution.precipitated(salt.curve.name) * salt.heat_kj_per_mol for salt in salts]
            kj = np.sum([*spared, np.zeros(self.size)], axis=0) * self.bucket_water_kg
            return np.asarray(np.minimum(kj / self.heat_capacity_kj_per_k, start - coldest))

        if float(np.max(self.cooling_c)) < LEAST_COOLING_C:
            return coldest
        low, high = coldest, start
        over_low, over_high = warmer_by(self._bucket_coldest), coldest + warmer_by(self.bucket) - start
        # Dissolving leads from the start to coldest + warmer_by(there): the place that leads to itself is
        # found between the two ends by straight lines (the remaining error is below a degree).
        for _ in range(2):
            if float(np.max(over_low)) < 0.1:
                return low
            here = low + (high - low) * over_low / np.maximum(over_low - over_high, 1e-9)
            over = coldest + warmer_by(self._bucket_at(here)) - here
            low, over_low = np.where(over > 0, here, low), np.where(over > 0, over, over_low)
            high, over_high = np.where(over > 0, high, here), np.where(over > 0, over_high, over)
        cooled: Floats = low + (high - low) * over_low / np.maximum(over_low - over_high, 1e-9)
        return cooled

    @cached_property
    def bucket_totals(self) -> Floats:
        """Moles of each master per kg of the bucket's water, (B, N)."""
        share = self.poured_water_kg / self.bucket_water_kg
        return self.product_mol / self.bucket_water_kg[:, None] + self.water.totals_mol_per_kg * share[:, None]

    @cached_property
    def salts(self) -> tuple[Salt, ...]:
        """Salts whose ions are all in this bucket."""
        masters = self.constants.masters
        there = {name for name, any_ in zip(masters, np.any(self.bucket_totals > 0.0, axis=0), strict=True) if any_}
        there.add("H+")
        possible = (salt for salt in self.question.salts if there.issuperset(ion for ion, _ in salt.curve.ions))
        return tuple(salt for salt in possible if solved(salt.curve))

    @cached_property
    def poured_salts(self) -> frozenset[str]:
        """Phases that are poured as such: the salts that the products are made of."""
        sources = {name for item in self.poured for mixture in item.composition.mixtures for name in mixture.sources}
        return frozenset(filter(None, (solid_of(self.question.material(name)) for name in sources)))

    def settled_g_per_l(self, solution: Solution, salt: Salt) -> Floats:
        """What settles of a salt per liter of stock [g/L], (B,)."""
        grams = solution.precipitated(salt.curve.name) * salt.g_per_mol
        return np.asarray(grams * self.water_kg_per_l("bucket"))

    @cached_property
    def made_salts(self) -> tuple[Salt, ...]:
        """Salts that only a mixture makes, from constants instead of a curve."""
        bucket = self.bucket.before_solids
        return tuple(salt for salt in stock_salts() if np.any(np.isfinite(bucket.si(salt.curve.name))))

    @cached_property
    def stock(self) -> Constants:
        """The constants of the bucket's model, with these salts."""
        return stock_constants(tuple(salt.curve for salt in self.salts))

    @cached_property
    def bucket_phases(self) -> tuple[str, ...]:
        """Solids that are let form in the bucket."""
        names = dict.fromkeys((*BUCKET_PHASES, *STOCK_PHASES, *(salt.curve.name for salt in self.salts)))
        return tuple(name for name in names if name in self.stock.phases)

    @cached_property
    def bucket(self) -> Solution:
        """The bucket at its temperature, closed to the air, with what forms there, (B,)."""
        return self._bucket_at(self.columns["bucket_temperature_c"])

    @cached_property
    def bucket_in_air(self) -> Solution:
        """The same bucket after its carbon dioxide has settled with the air, nothing come out yet, (B,); the
        closed one where no solid is near enough to feel it."""
        near = [self.bucket.before_solids.si(name) for name in _FEEL_CO2 if name in self.stock.phases]
        if not near or float(np.max(near)) < -2.5:
            return self.bucket
        return _each_once(
            self.bucket_totals, self.columns["bucket_temperature_c"], co2_atm=AIR_CO2_ATM, constants=self.stock
        )

    @cached_property
    def bucket_cold(self) -> Solution:
        """The bucket right after dissolving, at the temperature that this leads to, (B,)."""
        if float(np.max(self.cooling_c)) < LEAST_COOLING_C:
            return self.bucket
        if np.array_equal(self.cooled_c, self._coldest_c):
            return self._bucket_coldest
        return self._bucket_at(self.cooled_c)

    @cached_property
    def _line_totals(self) -> Floats:
        """Moles of each master per kg of the line's water, everything that was poured dissolved, (B, N)."""
        stock_kg = self.bucket_water_kg / self.bucket_volume_l
        ratio = self.injection_ratio
        stock = self.bucket_totals
        if AIRED in self.columns:
            # What the bucket has lost to the air the line does not get.
            temperature = self.columns["bucket_temperature_c"]
            aired = _each_once(stock, temperature, co2_atm=AIR_CO2_ATM, constants=self.stock)
            carbonate, h = self.constants.master("CO3-2"), self.constants.master("H+")
            lost = self.columns[AIRED] * np.maximum(stock[:, carbonate] - aired.totals_mol_per_kg[:, carbonate], 0.0)
            stock = stock.copy()
            stock[:, carbonate] -= lost
            stock[:, h] -= 2.0 * lost
        totals = stock * stock_kg[:, None] + self.water.totals_mol_per_kg * ratio[:, None]
        return totals / (stock_kg + ratio)[:, None]

    @cached_property
    def line(self) -> Solution:
        """The line: stock in its water, everything that was poured dissolved, (B,)."""
        return _each_once(self._line_totals, self.line_temperature_c, LINE_PHASES)

    @cached_property
    def sunny_line(self) -> Solution:
        """The line where the sun warms black tube to SUN_C, (B,)."""
        return _each_once(self._line_totals, np.maximum(self.line_temperature_c, SUN_C), LINE_PHASES)

    @cached_property
    def drying_line(self) -> Solution:
        """What is left in a drying emitter: the line with all but one part in DRIED of its water gone, (B,)."""
        return _each_once(DRIED * self._line_totals, self.line_temperature_c, LINE_PHASES)

    @cached_property
    def drying_water(self) -> Solution:
        """The same of the water alone, nothing injected, (B,)."""
        return _each_once(DRIED * self.water.totals_mol_per_kg, self.line_temperature_c, LINE_PHASES)

    def solve_together(self) -> None:
        """Solve what every rule will ask for in two batches instead of four; the answers are the same, to the
        solver's tolerance."""
        first, second = np.arange(self.size), self.size + np.arange(self.size)
        lines = np.vstack([self._line_totals, self.water.totals_mol_per_kg])
        both = _each_once(lines, np.tile(self.line_temperature_c, 2), LINE_PHASES)
        known = {"line": both.rows(first), "water_in_line": both.rows(second)}
        if float(np.max(self.cooling_c)) >= LEAST_COOLING_C:
            temperatures = np.concatenate([self.columns["bucket_temperature_c"], self._coldest_c])
            buckets = np.tile(self.bucket_totals, (2, 1))
            both = _each_once(buckets, temperatures, self.bucket_phases, constants=self.stock)
            known |= {"bucket": both.rows(first), "_bucket_coldest": both.rows(second)}
        self.__dict__.update(known)  # where cached_property looks

    @cached_property
    def _si_sigma(self) -> dict[str, Floats]:
        before = self.bucket.before_solids
        # No doubt of the model reaches further than this below saturation.
        names = tuple(name for name in self.stock.phases if float(np.max(before.si(name))) > -_FAR_BELOW_SI)
        return dict(zip(names, si_sigma(before, names).T, strict=True))

    def si_sigma(self, phase: str) -> Floats:
        """Standard error of a phase's saturation index in the bucket from its activity model, (B,); 0 where it is
        far below saturation."""
        return self._si_sigma.get(phase, np.zeros(self.size))

    def solution(self, where: Where) -> Solution:
        """The "bucket" or the "line"."""
        return self.bucket if where == "bucket" else self.line

    def formed(self, where: Where) -> tuple[str, ...]:
        """Phases that are let form there; the others are only compared with their saturation."""
        return self.bucket_phases if where == "bucket" else LINE_PHASES

    def water_kg_per_l(self, where: Where) -> Floats | float:
        """Water in a liter [kg]: of the stock, (B,); of the line, which counts as water."""
        return self.bucket_water_kg / self.bucket_volume_l if where == "bucket" else 1.0

    def total_mg_per_l(self, where: Where, species: str) -> Floats:
        """A species' total in bucket or line [mg/L], (B,)."""
        index = self.constants.master(species)
        moles = self.solution(where).totals_mol_per_kg[:, index] * self.water_kg_per_l(where)
        return np.asarray(moles * 1000.0 * species_molar_mass_g_per_mol(species))

    def precipitated_mg_per_l(self, where: Where, phase: str) -> Floats:
        """What comes out of a phase [mg/L], (B,)."""
        solution = self.solution(where)
        grams = solution.precipitated(phase) * mg_per_mol(phase, solution.constants)
        return np.asarray(grams * self.water_kg_per_l(where))

    def most_mg_per_l(self, where: Where, phase: str) -> Floats:
        """What a phase would come to if all of its scarcest ingredient went into it [mg/L], (B,)."""
        solution = self.solution(where)
        constants = solution.constants
        needs = constants.phase_stoich[constants.phase(phase)].copy()
        needs[constants.master("H+")] = 0.0
        used = np.flatnonzero(needs > 0)
        totals = solution.totals_mol_per_kg[:, used]
        most = np.min(totals / needs[used], axis=1) * mg_per_mol(phase, constants)
        return np.asarray(most * self.water_kg_per_l(where))

    def unchelated(self, metal: str) -> bool:
        """True when the products bring more of a metal than EDTA to hold the metals that it holds."""
        masters = self.constants.masters
        metals = [masters.index(name) for name in ("Fe+2", "Fe+3", "Zn+2", "Cu+2", "Mn+2")]
        free = np.sum(self.product_mol[:, metals], axis=1) - self.product_mol[:, masters.index("Edta-4")]
        return self.has(metal) and bool(np.any(free > 1e-6))

    def in_bucket_mol_per_kg(self, *species: str) -> Floats:
        """Sum of the totals of some species in the bucket, water included [mol/kg], (B,)."""
        return np.asarray(np.sum(self.bucket_totals[:, [self.constants.master(name) for name in species]], axis=1))

    @property
    def alkaline(self) -> bool:
        """True when the products take protons up."""
        return bool(np.any(self.product_mol[:, self.constants.master("H+")] < 0))

    def brings(self, *species: str) -> Mask:
        """Where the products bring one of these species, (B,)."""
        masters = [self.constants.master(name) for name in species]
        return np.asarray(np.any(self.product_mol[:, masters] > _TRACE_MOL, axis=1))

    def has(self, *species: str) -> bool:
        """True when any product brings one of these species in any scenario."""
        return bool(np.any(self.brings(*species)))
