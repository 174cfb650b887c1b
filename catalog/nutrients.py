"""Nutrients as labels guarantee them, and how dissolved species count towards each.

N, P2O5 and K2O are percent by mass on the oxide basis for P and K; the rest are percent of the
element (AAPFCO-style guaranteed analysis, as state fertilizer laws ask: A.R.S. 3-275; SDCL 38-19-5).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from .species import molar_mass_g_per_mol


@dataclass(frozen=True, slots=True)
class Nutrient:
    """One guarantee. basis: formula that the percentage counts; counts: basis units per species."""

    key: str
    label: str
    basis: str
    counts: Mapping[str, float]
    words: tuple[str, ...] = ()


_N_FORMS = {"NO3-": 1.0, "NH4+": 1.0, "urea": 2.0}

_TABLE = (
    Nutrient("n", "Total nitrogen (N)", "N", _N_FORMS, ("nitrogen", "total nitrogen")),
    Nutrient("n_nitrate", "Nitrate nitrogen", "N", {"NO3-": 1.0}, ("nitrate nitrogen", "nitrate")),
    Nutrient("n_ammonium", "Ammoniacal nitrogen", "N", {"NH4+": 1.0}, ("ammoniacal nitrogen", "ammonium")),
    Nutrient("n_urea", "Urea nitrogen", "N", {"urea": 2.0}, ("urea nitrogen",)),
    Nutrient(
        "p2o5",
        "Available phosphate (P2O5)",
        "P2O5",
        {"PO4-3": 0.5, "P2O7-4": 1.0},
        ("phosphate", "phosphorus", "p"),
    ),
    Nutrient("k2o", "Soluble potash (K2O)", "K2O", {"K+": 0.5}, ("potash", "potassium", "k")),
    Nutrient("ca", "Calcium (Ca)", "Ca", {"Ca+2": 1.0}, ("calcium",)),
    Nutrient("mg", "Magnesium (Mg)", "Mg", {"Mg+2": 1.0}, ("magnesium",)),
    Nutrient("s", "Sulfur (S)", "S", {"SO4-2": 1.0, "S2O3-2": 2.0}, ("sulfur", "sulphur", "sulfate")),
    Nutrient("cl", "Chlorine (Cl)", "Cl", {"Cl-": 1.0}, ("chlorine", "chloride")),
    Nutrient("na", "Sodium (Na)", "Na", {"Na+": 1.0}, ("sodium",)),
    Nutrient("b", "Boron (B)", "B", {"H3BO3": 1.0}, ("boron",)),
    Nutrient("cu", "Copper (Cu)", "Cu", {"Cu+2": 1.0}, ("copper",)),
    Nutrient(
        "fe",
        "Iron (Fe)",
        "Fe",
        {"Fe+2": 1.0, "Fe+3": 1.0, "FeDtpa-2": 1.0, "FeEddha-": 1.0},
        ("iron",),
    ),
    Nutrient("mn", "Manganese (Mn)", "Mn", {"Mn+2": 1.0}, ("manganese",)),
    Nutrient("mo", "Molybdenum (Mo)", "Mo", {"MoO4-2": 1.0}, ("molybdenum",)),
    Nutrient("zn", "Zinc (Zn)", "Zn", {"Zn+2": 1.0}, ("zinc",)),
)

NUTRIENTS: dict[str, Nutrient] = {nutrient.key: nutrient for nutrient in _TABLE}


def percent_from_species(nutrient: str, mol_per_kg: Mapping[str, float]) -> float:
    """Percent by mass of a nutrient, on its label basis, in a product holding these species.

    Args: nutrient: key of NUTRIENTS; mol_per_kg: moles of each species per kg product [mol/kg].
    """
    entry = NUTRIENTS[nutrient]
    units = sum(count * mol_per_kg.get(name, 0.0) for name, count in entry.counts.items())
    return units * molar_mass_g_per_mol(entry.basis) / 10.0


def nutrient_named(text: str) -> str | None:
    """Key of the nutrient that a word names ("potash", "Fe", "nitrate nitrogen"), or None."""
    word = " ".join(text.lower().replace("_", " ").split())
    for key, entry in NUTRIENTS.items():
        if word in (key.replace("_", " "), entry.label.lower(), *entry.words):
            return key
    return None
