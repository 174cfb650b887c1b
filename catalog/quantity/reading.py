"""How a water item may be written: on which bases, and in which units of hardness."""

from __future__ import annotations

from dataclasses import dataclass

from ..species import molar_mass_g_per_mol

CACO3_G_PER_MOL = molar_mass_g_per_mol("CaCO3")


@dataclass(frozen=True, slots=True)
class Reading:
    """How a water item may be written. bases: basis name -> (g/mol, mol of the item per mol basis)."""

    charge: int
    bases: dict[str, tuple[float, float]]
    default: str | None
    hardness_units: bool = False


def mass_basis(formula: str, count: float = 1.0) -> tuple[float, float]:
    """A basis by mass: of a formula, of which one mole holds `count` moles of the item."""
    return molar_mass_g_per_mol(formula), count


CACO3_BASIS = (CACO3_G_PER_MOL, 1.0)
