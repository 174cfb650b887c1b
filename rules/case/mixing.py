"""What is mixed: moles, water and volume of the bucket, from the products and the source water."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import overload

import numpy as np

from ...catalog.quantity.concentration import MG_PER_L_PER_GRAIN, mol_per_mg
from ...catalog.quantity.table import (
    ALKALINITY,
    BUCKET_TEMPERATURE,
    CALCIUM_SHARE,
    GRAINS,
    HARDNESS,
    INJECTION_RATIO,
    LINE_TEMPERATURE,
    PH,
    QUANTITIES,
    WATER_TEMPERATURE,
    OptionalQuantity,
    Quantity,
    SureQuantity,
)
from ...catalog.water.quality import alkalinity_too
from ..ask.columns import Columns
from ..ask.question import Poured, Question, displaced_l_per_kg
from ..ask.salts import WATER_KG_PER_MOL
from ..chemistry.constants import Constants, Floats, load
from ..chemistry.density import Filling, Solutes, kg_and_liters, solutes_of
from ..chemistry.solution import Solution
from ..chemistry.water_properties import density_kg_per_l
from .on_record import derived, on_record
from .remembered import each_once

#: No well's water holds more carbon dioxide than this pressure of it [atm] (design choice: soda water holds 2 to 4).
_MOST_CO2_ATM = 10.0
#: Carbonate that a water without alkalinity may hold anyway is left out; the balance needs a floor.
LEAST_ALKALINITY_EQ_PER_L = 1e-7


@lru_cache(maxsize=4)
def _of_water(masters: tuple[str, ...]) -> tuple[tuple[str, int, float], ...]:
    """Quantities of a water test that are a species: their name, the place of the species among these, and moles in
    what the quantity is counted in."""
    species = [(quantity.name, quantity.species) for quantity in QUANTITIES.values() if quantity.species is not None]
    return tuple((name, masters.index(one), mol_per_mg(name)) for name, one in species)


@dataclass(frozen=True)
class Mixing:
    """B scenarios of one question, and what is in the bucket in each of them."""

    question: Question
    columns: Columns

    @cached_property
    def size(self) -> int:
        """Number of scenarios."""
        return len(self.columns)

    @property
    def poured(self) -> tuple[Poured, ...]:
        """The products of the pour."""
        return self.question.poured

    @cached_property
    def constants(self) -> Constants:
        """The chemistry's constants."""
        return load()

    @overload
    def of(self, quantity: SureQuantity) -> Floats: ...
    @overload
    def of(self, quantity: OptionalQuantity) -> Floats | None: ...
    @overload
    def of(self, quantity: Quantity) -> Floats | None: ...
    def of(self, quantity: Quantity) -> Floats | None:
        """Numbers of a quantity in the scenarios, (B,), in its unit; None where the question has none of it."""
        return self.columns.of(quantity)

    @cached_property
    def injection_ratio(self) -> Floats:
        """Parts of water per part of stock, (B,)."""
        return self.of(INJECTION_RATIO)

    @cached_property
    def line_temperature_c(self) -> Floats:
        """Temperature of the line: never colder than the water that fills it, (B,) [degC]."""
        own = self.of(LINE_TEMPERATURE)
        if self.question.stated(LINE_TEMPERATURE):
            return own
        return np.maximum(own, self.of(WATER_TEMPERATURE))

    @cached_property
    def asked(self) -> dict[str, Solution]:
        """Solutions that were read, by name, since this was last emptied."""
        return {}

    def found(self, name: str) -> None:
        """Called when a solution has been found."""

    @on_record
    def water(self) -> Solution:
        """The source water at its own temperature, (B,)."""
        masters = self.constants.masters
        totals = np.zeros((self.size, len(masters)))
        for name, master, mol in _of_water(masters):
            values = self.columns.numbers.get(name)
            if values is not None:
                totals[:, master] = values * mol
        grains = self.of(GRAINS)
        misread = 1.0 + (np.zeros(self.size) if grains is None else grains) * (MG_PER_L_PER_GRAIN - 1.0)
        hardness, share = self.of(HARDNESS), self.of(CALCIUM_SHARE)
        if hardness is not None and share is not None:
            both = misread * (hardness * mol_per_mg(HARDNESS.name))
            totals[:, masters.index("Ca+2")] = both * share
            totals[:, masters.index("Mg+2")] = both * (1.0 - share)
        alkalinity = self.of(ALKALINITY) * mol_per_mg(ALKALINITY.name)
        if self.question.water is not None and alkalinity_too(self.question.water):
            alkalinity = alkalinity * misread
        found = each_once(
            totals,
            self.of(WATER_TEMPERATURE),
            ph=self.of(PH),
            alkalinity_eq_per_kg=np.maximum(alkalinity, LEAST_ALKALINITY_EQ_PER_L),
        )()
        # Alkalinity at a pH that leaves none makes a water of carbonic acid, which is a typing error and no water.
        return found.without(found.si("CO2(g)") > np.log10(_MOST_CO2_ATM), totals=True)

    @cached_property
    def product_mol(self) -> Floats:
        """Moles of each master from the products in the bucket, (B, N)."""
        return self._products[0]

    @cached_property
    def _filling(self) -> tuple[Floats, Floats]:
        """Water that is poured in [kg] and made-up volume [L], (B,)."""
        unknown = tuple(item for item in self.poured if not item.composition.mixtures)
        moles, brought_kg = self._products
        filling = Filling(
            moles, self.constants.masters, self.of(BUCKET_TEMPERATURE), brought_kg, self._displaced_l(unknown)
        )
        if not self.question.filled_up:
            return filling.with_water(self.question.bucket_l)
        return filling.up_to(self.question.bucket_l, self._displaced_l(self.poured))

    def _displaced_l(self, poured: tuple[Poured, ...]) -> Floats:
        """Volume of the bucket that products take up, roughly, (B,) [L]."""
        liters = (item.kg(self.columns) * displaced_l_per_kg(item.product) for item in poured)
        return sum(liters, np.zeros(self.size))

    @property
    def poured_water_kg(self) -> Floats:
        """Water that is poured into the bucket, (B,) [kg]."""
        return self._filling[0]

    @property
    def poured_water_l(self) -> Floats:
        """The same in liters at the bucket's temperature, (B,)."""
        return np.asarray(self.poured_water_kg / density_kg_per_l(self.of(BUCKET_TEMPERATURE) + 273.15))

    @property
    def bucket_volume_l(self) -> Floats:
        """Volume of the made-up stock, (B,) [L]."""
        return self._filling[1]

    @cached_property
    def bucket_water_kg(self) -> Floats:
        """Water in the bucket: poured in, and brought by the products as water or crystal water, (B,)."""
        return np.asarray(self.poured_water_kg + self._products[1])

    @derived
    def bucket_totals(self) -> Floats:
        """Moles of each master per kg of the bucket's water, (B, N)."""
        share = self.poured_water_kg / self.bucket_water_kg
        return self.product_mol / self.bucket_water_kg[:, None] + self.water.totals_mol_per_kg * share[:, None]

    @derived
    def bucket_density_kg_per_l(self) -> Floats:
        """Density of the made-up stock with everything dissolved, (B,)."""
        kg, liters = self._kg_and_liters
        return kg / liters

    @derived
    def solutes(self) -> Solutes:
        """What is dissolved in the stock, everything that was poured."""
        return solutes_of(self.bucket_totals, self.constants.masters)

    @derived
    def _kg_and_liters(self) -> tuple[Floats, Floats]:
        """The stock per kg of its water, (B,) each."""
        return kg_and_liters(self.solutes, self.of(BUCKET_TEMPERATURE))

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
            mass = item.kg(self.columns)
            content = self._of_mixtures(i, table)
            moles += mass[:, None] * content[:, :-1]
            water_kg += mass * content[:, -1]
        return moles, water_kg

    def _of_mixtures(self, i: int, table: Floats) -> Floats:
        """What a table per mixture of the i-th product, (mixtures, K), comes to in the scenarios, (B, K)."""
        if len(table) == 1:
            return np.broadcast_to(table, (self.size, table.shape[1]))
        best = table[np.zeros(self.size, dtype=int)]
        share = self.columns.leaning[:, i, None]
        return np.asarray((1.0 - share) * best + share * table[self.columns.mixture[:, i]])

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
                found[i, name] = part * item.kg(self.columns)
        return found

    @cached_property
    def source_kg(self) -> dict[str, Floats]:
        """Mass of each material in the bucket by its id, (B,) each [kg]: what is poured as such, and what the
        products are made of."""
        found: dict[str, Floats] = {}
        for (_, name), kg in self._source_kg.items():
            found[name] = found[name] + kg if name in found else kg
        return found
