"""Salts that could settle out of a bucket, with their handbook solubility: from the catalog's materials."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..catalog import Catalog
from ..catalog.species import formula_share, molar_mass_g_per_mol
from .chemistry.constants import Floats


@dataclass(frozen=True)
class Salt:
    """A salt of two kinds of ions. ions: moles of each per mole of the curve's formula, protons left
    out; points: (degC, g of that formula per 100 g water), ascending."""

    name: str
    formula: str
    ions: dict[str, float]
    protons_per_phosphate: float
    points: tuple[tuple[float, float], ...]

    def saturated_mol_per_kg(self, g_per_100_g_water: Floats) -> Floats:
        """Molality [mol/kg water] at a solubility [g per 100 g water]; crystal water joins the water."""
        moles = g_per_100_g_water / molar_mass_g_per_mol(self.formula)
        crystal_water = _crystal_water(self.formula)
        water_kg = 0.1 + moles * crystal_water * molar_mass_g_per_mol("H2O") / 1000.0
        return np.asarray(moles / water_kg)


def _crystal_water(formula: str) -> float:
    """Moles of water written as such at the end of a formula: MgSO4.7H2O has 7."""
    last = formula.rsplit(".", 1)[-1]
    return float(last.removesuffix("H2O") or 1) if "." in formula and last.endswith("H2O") else 0.0


def salts(catalog: Catalog) -> tuple[Salt, ...]:
    """Every pure, fully soluble salt of the catalog that has a solubility curve, one per formula."""
    found: dict[str, Salt] = {}
    for material in catalog.products():
        if not material.solubility or len(material.content) != 1 or material.form != "dry":
            continue
        content = material.content[0]
        ions = {n: c for n, c in content.dissolves_to.items() if n not in {"H2O", "H+"}}
        basis = material.solubility[0].formula
        share = formula_share(content.formula, basis)
        if len(ions) != 2 or share is None or basis in found:
            continue
        units = share * molar_mass_g_per_mol(content.formula) / molar_mass_g_per_mol(basis)
        protons = content.dissolves_to.get("H+", 0.0) / content.dissolves_to.get("PO4-3", 1.0)
        if "PO4-3" not in ions and protons:
            continue  # carbonates and the like: pH decides, not this
        found[basis] = Salt(
            material.name,
            basis,
            {name: count / units for name, count in ions.items()},
            protons,
            tuple((p.temperature_c, p.g_per_100_g_water) for p in material.solubility if p.formula == basis),
        )
    return tuple(found.values())
