"""What a declared pH says of the protons in a product, as limits that are linear in what it is made of."""

from __future__ import annotations

from collections.abc import Mapping

#: Protons that a species as named in `species` takes up (or, below zero, gives off) step by step: the pH below
#: which it does. From memory: textbook acid constants at 25 degC and no ionic strength.
_TAKES_UP_BELOW_PH: dict[str, tuple[float, ...]] = {
    "PO4-3": (12.35, 7.20, 2.15),
    "P2O7-4": (9.40, 6.70, 2.28, 1.0),
    "CO3-2": (10.33, 6.35),
    "SO4-2": (1.99,),
    "CH3COO-": (4.76,),
    "MoO4-2": (4.2, 3.5),
    "OCl-": (7.5,),
    "S2O3-2": (1.7,),
}
_GIVES_OFF_ABOVE_PH: dict[str, tuple[float, ...]] = {
    "NH4+": (9.25,),
    "H3BO3": (9.24,),
    "H4SiO4": (9.83, 13.2),
    "Fe+3": (2.2, 3.5, 6.0),
    "Fe+2": (9.5,),
    "Cu+2": (7.5,),
    "Zn+2": (9.0,),
    "Mn+2": (10.6,),
    "Mg+2": (11.4,),
    "Ca+2": (12.8,),
}
#: Species whose protons in strong solution the table does not tell: they condense, or a metal holds their place.
NOT_TOLD = frozenset({"MoO4-2", "P2O7-4", "H4SiO4", "FeDtpa-2", "FeEddha-", "OCl-"})
#: EDTA holds none of its protons while a metal is on it, and two of them without.
_EDTA_PROTONS = 2.0
#: A declared pH is that of the bottle or of a solution in it, at some ionic strength (design choice).
PH_SLACK = 2.0
#: Acid or alkali that technical salts carry along [mol/kg]: it makes the pH of what does not buffer (design choice).
_IMPURITY_MOL_PER_KG = 0.1


def protons_bound(species: str, ph: float) -> float:
    """Protons that a mole of a species holds at a pH, counted as in its name; Bjerrum, ideal solution."""
    held = sum(1.0 / (1.0 + 10.0 ** (ph - step)) for step in _TAKES_UP_BELOW_PH.get(species, ()))
    given = sum(1.0 / (1.0 + 10.0 ** (step - ph)) for step in _GIVES_OFF_ABOVE_PH.get(species, ()))
    return float(held - given)


def most_protons_per_kg(species_mol_per_kg: Mapping[str, float], ph: float) -> float:
    """Protons beyond what could be held at a declared pH, per kg: must not be above `free_protons`."""
    held = sum(n * protons_bound(name, ph - PH_SLACK) for name, n in species_mol_per_kg.items())
    held += _EDTA_PROTONS * species_mol_per_kg.get("Edta-4", 0.0)
    return species_mol_per_kg.get("H+", 0.0) - held


def least_protons_per_kg(species_mol_per_kg: Mapping[str, float], ph: float) -> float:
    """Protons beyond what is held at least at a declared pH, per kg: must not be below minus `free_hydroxide`."""
    held = sum(n * protons_bound(name, ph + PH_SLACK) for name, n in species_mol_per_kg.items())
    return species_mol_per_kg.get("H+", 0.0) - held


def free_protons(ph: float) -> float:
    """Most free hydrogen ion in a kg of product [mol]: a declared pH may be that of its 1 % solution."""
    return float(100.0 * 10.0 ** (-(ph - PH_SLACK)) + _IMPURITY_MOL_PER_KG)


def free_hydroxide(ph: float) -> float:
    """Most free hydroxide in a kg of product [mol], likewise."""
    return float(100.0 * 10.0 ** (ph + PH_SLACK - 14.0) + _IMPURITY_MOL_PER_KG)
