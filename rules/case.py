"""A question answered by chemistry, over many scenarios at once: bucket, line and plain water."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from ..catalog import Product
from ..catalog.species import molar_mass_g_per_mol, species_molar_mass_g_per_mol
from .chemistry.constants import Constants, Floats, load
from .chemistry.phases import BUCKET_PHASES, LINE_PHASES
from .chemistry.speciate import Solution, equilibrate
from .question import (
    SPECIES_OF_ITEM,
    Columns,
    Poured,
    Question,
    displaced_l,
    mol_per_l,
)

Where = Literal["bucket", "line"]
#: Phases that are let form there; the others are only compared with their saturation.
FORMED: dict[Where, tuple[str, ...]] = {"bucket": BUCKET_PHASES, "line": LINE_PHASES}
WATER_KG_PER_MOL = molar_mass_g_per_mol("H2O") / 1000.0
#: Carbonate that a water without alkalinity may hold anyway is left out; the balance needs a floor.
LEAST_ALKALINITY_EQ_PER_L = 1e-7


def mg_per_mol(phase: str) -> float:
    """Mass of a mole of a phase [mg/mol], from its formula."""
    constants = load()
    formula = constants.phase_formula[constants.phase(phase)].replace(":", ".")
    return molar_mass_g_per_mol(formula) * 1000.0


def _each_once(
    totals: Floats,
    temperature_c: Floats,
    phases: Sequence[str] = (),
    *,
    ph: Floats | None = None,
    alkalinity_eq_per_kg: Floats | None = None,
) -> Solution:
    """`equilibrate` with scenarios that are the same solution computed once: a margin moves one number,
    and most solutions do not feel it."""
    key = [totals, temperature_c[:, None]]
    key += [column[:, None] for column in (ph, alkalinity_eq_per_kg) if column is not None]
    _, first, back = np.unique(np.hstack(key), axis=0, return_index=True, return_inverse=True)
    solution = equilibrate(
        totals[first],
        temperature_c[first],
        phases,
        ph=None if ph is None else ph[first],
        alkalinity_eq_per_kg=None if alkalinity_eq_per_kg is None else alkalinity_eq_per_kg[first],
    )
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
        if "line_temperature_c" in self.question.fixed:
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
        if "hardness" in self.columns:
            hardness = mol_per_l("hardness", self.columns["hardness"])
            share = self.columns["calcium_share_of_hardness"]
            totals[:, masters.index("Ca+2")] = hardness * share
            totals[:, masters.index("Mg+2")] = hardness * (1.0 - share)
        alkalinity = mol_per_l("alkalinity", self.columns["alkalinity"])
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
    def bucket_water_kg(self) -> Floats:
        """Water in the bucket: filled up, and brought by the products as water or crystal water, (B,)."""
        factor = self.columns["amount_factor"]
        filled = self.question.bucket_l - factor * displaced_l(self.poured)
        return np.maximum(filled, 0.05 * self.question.bucket_l) + self._products[1]

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
            chosen = self.columns.get(f"label_{i}")
            pick = np.zeros(self.size, dtype=int) if chosen is None else chosen.astype(int)
            mass = item.mass_kg * self.columns["amount_factor"]
            moles += mass[:, None] * table[pick, :-1]
            water_kg += mass * table[pick, -1]
        return moles, water_kg

    @staticmethod
    def _liquid_water_share(item: Poured, sources: dict[str, float]) -> float:
        """kg of plain water per kg of a liquid: what its dissolved chemicals leave."""
        if item.product.content:
            return max(0.0, 1.0 - sum(c.mass_fraction.value for c in item.product.content))
        return max(0.0, 1.0 - sum(sources.values()))

    def _heats_kj(self) -> Iterator[tuple[Product, float]]:
        """Each material with a heat of solution on record, and its heat as poured [kJ]; positive cools.

        Heats at infinite dilution, per mole of the material's first chemical.
        """
        for item in self.poured:
            for mixture in item.composition.mixtures[:1]:
                for source_id, part in mixture.sources.items():
                    material = self.question.material(source_id)
                    heat = material.numbers.get("heat_of_solution")
                    if heat is None or not material.content:
                        continue
                    content = material.content[0]
                    grams = item.mass_kg * part * content.mass_fraction.value * 1000.0
                    yield material, heat.value * grams / molar_mass_g_per_mol(content.formula)

    def _temperature_change_c(self, heat_kj: float, dry_kg: float, kj_per_kg: float) -> Floats:
        """A heat over the heat capacity of the bucket's water (4.18 kJ/kg) and of what is in it, (B,)."""
        factor = self.columns["amount_factor"]
        return np.asarray(heat_kj * factor / (4.18 * self.bucket_water_kg + kj_per_kg * dry_kg * factor))

    @cached_property
    def cooling_c(self) -> Floats:
        """How much dissolving dry products cools the bucket at most [degC], (B,); never below zero.

        Their heat capacity is taken as 1.2 kJ/kg (common practice, no source).
        """
        taken = sum(kj for material, kj in self._heats_kj() if material.form == "dry" and len(material.content) == 1)
        dry_kg = sum(item.mass_kg for item in self.poured if item.product.form == "dry")
        return self._temperature_change_c(max(taken, 0.0), dry_kg, 1.2)

    @cached_property
    def warming_c(self) -> Floats:
        """How much diluting acids and alkalis and dissolving heats the bucket [degC], (B,).

        Only heats that are set free count; heat capacity of the products 2.0 kJ/kg (common practice, no
        source).
        """
        freed = -sum(kj for _, kj in self._heats_kj() if kj < 0)
        return self._temperature_change_c(freed, sum(item.mass_kg for item in self.poured), 2.0)

    @cached_property
    def cooled_c(self) -> Floats:
        """Temperature of the bucket right after dissolving [degC], (B,)."""
        return self.columns["bucket_temperature_c"] - self.cooling_c

    @cached_property
    def bucket_totals(self) -> Floats:
        """Moles of each master per kg of the bucket's water, (B, N)."""
        return self.product_mol / self.bucket_water_kg[:, None] + self.water.totals_mol_per_kg

    @cached_property
    def bucket(self) -> Solution:
        """The bucket at its temperature, with what forms there, (B,)."""
        return _each_once(self.bucket_totals, self.columns["bucket_temperature_c"], BUCKET_PHASES)

    @cached_property
    def line(self) -> Solution:
        """The line: stock in its water, everything that was poured dissolved, (B,)."""
        stock_kg = self.bucket_water_kg / self.question.bucket_l
        ratio = self.injection_ratio
        totals = (self.bucket_totals * stock_kg[:, None] + self.water.totals_mol_per_kg * ratio[:, None]) / (
            stock_kg + ratio
        )[:, None]
        return _each_once(totals, self.line_temperature_c, LINE_PHASES)

    def solution(self, where: Where) -> Solution:
        """The "bucket" or the "line"."""
        return self.bucket if where == "bucket" else self.line

    def total_mg_per_l(self, where: Where, species: str) -> Floats:
        """A species' total in bucket or line [mg/L], (B,); 1 kg of water counts as 1 L."""
        index = self.constants.master(species)
        return self.solution(where).totals_mol_per_kg[:, index] * 1000.0 * species_molar_mass_g_per_mol(species)

    def precipitated_mg_per_l(self, where: Where, phase: str) -> Floats:
        """What comes out of a phase [mg/L], (B,)."""
        return self.solution(where).precipitated(phase) * mg_per_mol(phase)

    def most_mg_per_l(self, where: Where, phase: str) -> Floats:
        """What a phase would come to if all of its scarcest ingredient went into it [mg/L], (B,)."""
        needs = self.constants.phase_stoich[self.constants.phase(phase)].copy()
        needs[self.constants.master("H+")] = 0.0
        used = np.flatnonzero(needs > 0)
        totals = self.solution(where).totals_mol_per_kg[:, used]
        return np.asarray(np.min(totals / needs[used], axis=1) * mg_per_mol(phase))

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

    def has(self, *species: str) -> bool:
        """True when any product brings one of these species."""
        masters = [self.constants.master(name) for name in species]
        return bool(np.any(self.product_mol[:, masters] > 0))
