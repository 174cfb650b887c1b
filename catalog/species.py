"""What dissolves: the ions and neutral molecules that a product is resolved into.

Each is named as in the chemistry data; its formula gives the molar mass. "H+" may be negative (a
base takes protons up) and "H2O" is crystal water or water of reaction.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from .text import quoted


@dataclass(frozen=True, slots=True)
class Species:
    """An ion or neutral molecule. formula: elements only; charge: in elementary charges."""

    name: str
    formula: str
    charge: int
    spoken: str


_TABLE = (
    Species("H+", "H", 1, "acid (H+)"),
    Species("H2O", "H2O", 0, "water"),
    Species("Ca+2", "Ca", 2, "calcium"),
    Species("Mg+2", "Mg", 2, "magnesium"),
    Species("K+", "K", 1, "potassium"),
    Species("Na+", "Na", 1, "sodium"),
    Species("NH4+", "NH4", 1, "ammonium"),
    Species("NO3-", "NO3", -1, "nitrate"),
    Species("Cl-", "Cl", -1, "chloride"),
    Species("SO4-2", "SO4", -2, "sulfate"),
    Species("PO4-3", "PO4", -3, "phosphate"),
    Species("CO3-2", "CO3", -2, "carbonate"),
    Species("Fe+2", "Fe", 2, "iron(II)"),
    Species("Fe+3", "Fe", 3, "iron(III)"),
    Species("Mn+2", "Mn", 2, "manganese"),
    Species("Zn+2", "Zn", 2, "zinc"),
    Species("Cu+2", "Cu", 2, "copper"),
    Species("H3BO3", "H3BO3", 0, "boric acid"),
    Species("F-", "F", -1, "fluoride"),
    Species("H4SiO4", "H4SiO4", 0, "silicic acid"),
    Species("Edta-4", "C10H12N2O8", -4, "EDTA"),
    Species("FeDtpa-2", "FeC14H18N3O10", -2, "iron DTPA"),
    Species("FeEddha-", "FeC18H16N2O6", -1, "iron EDDHA"),
    Species("MoO4-2", "MoO4", -2, "molybdate"),
    Species("S2O3-2", "S2O3", -2, "thiosulfate"),
    Species("P2O7-4", "P2O7", -4, "polyphosphate (as pyrophosphate)"),
    Species("CH3COO-", "C2H3O2", -1, "acetate"),
    Species("OCl-", "OCl", -1, "hypochlorite"),
    Species("urea", "CO(NH2)2", 0, "urea"),
)

SPECIES: dict[str, Species] = {species.name: species for species in _TABLE}


@cache
def elements_of(formula: str) -> dict[str, float]:
    """Atoms of each element in one formula unit, hydrates and groups included.

    Raises: ValueError: the formula cannot be read.

    >>> elements_of("CaSO4.2H2O") == {"Ca": 1, "S": 1, "O": 6, "H": 4}
    True
    """
    from molmass import Formula, FormulaError

    try:
        return {symbol: float(item.count) for symbol, item in Formula(formula).composition().items()}
    except (FormulaError, OverflowError) as error:
        raise ValueError(f"formula {quoted(formula)} cannot be read") from error


@cache
def molar_mass_g_per_mol(formula: str) -> float:
    """Molar mass [g/mol] of a formula, from standard atomic weights (molmass, after IUPAC/CIAAW)."""
    from molmass import Formula, FormulaError

    try:
        return float(Formula(formula).mass)
    except (FormulaError, OverflowError) as error:
        raise ValueError(f"formula {quoted(formula)} cannot be read") from error


def species_molar_mass_g_per_mol(name: str) -> float:
    """Molar mass [g/mol] of one species by its name; the electron's mass is neglected."""
    return molar_mass_g_per_mol(SPECIES[name].formula)


def imbalance(formula: str, dissolves_to: dict[str, float]) -> dict[str, float]:
    """Elements (and "charge") by which a dissolving reaction does not balance; empty when it does."""
    left = dict(elements_of(formula))
    charge = 0.0
    for name, moles in dissolves_to.items():
        charge += SPECIES[name].charge * moles
        for symbol, count in elements_of(SPECIES[name].formula).items():
            left[symbol] = left.get(symbol, 0.0) - moles * count
    left["charge"] = -charge
    return {what: amount for what, amount in left.items() if abs(amount) > 1e-9}


def formula_share(salt: str, basis: str) -> float | None:
    """g of `basis` (perhaps anhydrous, perhaps of a part of a double salt) per g of `salt`."""
    own, of = elements_of(salt), elements_of(basis)
    marks = [symbol for symbol in of if symbol not in {"H", "O"}]
    metals = [symbol for symbol in marks if symbol not in {"N", "S", "P", "C"}]
    lead = (metals or marks)[0]
    if lead not in own:
        return None
    return own[lead] / of[lead] * molar_mass_g_per_mol(basis) / molar_mass_g_per_mol(salt)
