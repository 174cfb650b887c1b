"""Heat of dissolving and diluting, and what it does to the bucket's temperature."""

from __future__ import annotations

from functools import cached_property

import numpy as np

from ...catalog import Product
from ...catalog.quantity.table import BUCKET_TEMPERATURE, UNLISTED_HEAT
from ...catalog.species import molar_mass_g_per_mol
from ..chemistry.acid_heat import heat_of_dilution_kj_per_mol, is_listed
from ..chemistry.constants import Floats
from ..chemistry.density import heat_kj_per_k
from .mixing import Mixing
from .on_record import derived

#: A stock holds at least so much heat for each kg of its water [kJ/K], as long as the products weigh no more than this
#: share of that: the least of drawn pours is 3.75 (tests).
LEAST_HEAT_KJ_PER_K, DILUTE_SHARE = 3.5, 0.5
#: No stock is colder than this: the models end there, and it would be ice.
COLDEST_C = -20.0


class Heating(Mixing):
    """The heat of a mixture."""

    @cached_property
    def _heats_kj(self) -> list[tuple[Product, Floats]]:
        """Each material with a heat of solution on record or swept, and its heat, (B,) [kJ]; positive cools.

        Heats at infinite dilution, per mole of the material's first chemical; of acids by their strength. What a
        liquid is made of has been dissolved by its maker.
        """
        found = []
        for (i, source_id), kg in self._source_kg.items():
            material = self.question.material(source_id)
            if self.poured[i].product.form == "liquid" and material.form == "dry":
                continue
            on_record = material.numbers.get("heat_of_solution")
            heat = self.of(UNLISTED_HEAT) if on_record is None else on_record.value
            if not material.content:
                continue
            content = material.content[0]
            if is_listed(content.formula):
                poured_kg = self.poured[i].kg(self.columns)
                acid_kg = kg * content.mass_fraction.value
                acid_kmol = acid_kg / molar_mass_g_per_mol(content.formula)
                water = np.maximum(poured_kg - acid_kg, 0.0) / molar_mass_g_per_mol("H2O")
                heat = -heat_of_dilution_kj_per_mol(content.formula, water / np.maximum(acid_kmol, 1e-12))
            elif heat is None or (on_record is None and material.form != "dry"):
                continue
            grams = kg * content.mass_fraction.value * 1000.0
            found.append((material, np.asarray(heat * grams / molar_mass_g_per_mol(content.formula))))
        return found

    @derived
    def heat_capacity_kj_per_k(self) -> Floats:
        """Heat capacity of the whole stock, (B,)."""
        return heat_kj_per_k(self.solutes, self.of(BUCKET_TEMPERATURE)) * self.bucket_water_kg

    @derived
    def cooling_c(self) -> Floats:
        """How much dissolving all of the dry products would cool the bucket [degC], (B,); never below zero.

        From heats at infinite dilution: strong solutions cool less, so this is the cautious side.
        """
        if not self._taken_kj.any():
            return self._taken_kj
        return self._taken_kj / self.heat_capacity_kj_per_k

    @cached_property
    def _taken_kj(self) -> Floats:
        """Heat that dissolving the dry products takes up, (B,)."""
        heats = (kj for material, kj in self._heats_kj if material.form == "dry" and len(material.content) == 1)
        return np.maximum(sum(heats, np.zeros(self.size)), 0.0)

    @cached_property
    def most_cooling_c(self) -> Floats:
        """More than `cooling_c`, of which less needs to be known, (B,); infinite of a strong stock."""
        return self._at_least_heat(self._taken_kj) if self._taken_kj.any() else self._taken_kj

    def _at_least_heat(self, kj: Floats) -> Floats:
        """By how much so much heat moves the temperature at most [degC], (B,); infinite of a strong stock."""
        poured_kg = sum((item.kg(self.columns) for item in self.poured), np.zeros(self.size))
        dilute = poured_kg <= DILUTE_SHARE * self.bucket_water_kg
        return np.where(dilute, kj / (LEAST_HEAT_KJ_PER_K * self.bucket_water_kg), np.inf)

    @derived
    def warming_c(self) -> Floats:
        """How much diluting acids and alkalis and dissolving heats the bucket [degC], (B,).

        Only heats that are set free count.
        """
        if not self._freed_kj.any():
            return self._freed_kj
        return self._freed_kj / self.heat_capacity_kj_per_k

    @cached_property
    def _freed_kj(self) -> Floats:
        """Heat that is set free, (B,)."""
        return sum((np.maximum(-kj, 0.0) for _, kj in self._heats_kj), np.zeros(self.size))

    @cached_property
    def most_warming_c(self) -> Floats:
        """More than `warming_c`, as `most_cooling_c`."""
        return self._at_least_heat(self._freed_kj) if self._freed_kj.any() else self._freed_kj

    @cached_property
    def neutralized_mol(self) -> Floats:
        """Protons that acid products give to alkaline ones [mol], (B,): what the scarcer of them has."""
        h = {"acid": np.zeros(self.size), "alkali": np.zeros(self.size)}
        for item in self.poured:
            for kind in h:
                if kind in item.hazards and item.composition.mixtures:
                    protons = item.composition.mixtures[0].species_mol_per_kg
                    moles = protons.get("H+", 0.0) - 2.0 * protons.get("CO3-2", 0.0)
                    h[kind] += moles * item.kg(self.columns)
        return np.asarray(np.minimum(np.maximum(h["acid"], 0.0), np.maximum(-h["alkali"], 0.0)))

    @derived
    def coldest_c(self) -> Floats:
        """Temperature that dissolving all of the products would lead to [degC], (B,)."""
        return np.maximum(self.of(BUCKET_TEMPERATURE) - self.cooling_c, COLDEST_C)
