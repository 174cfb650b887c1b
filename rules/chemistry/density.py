"""Density, volume and heat capacity of a strong solution, from the ions dissolved in it.

Volumes and heat capacities of water and of the solutes are added, each solute with an apparent value
that depends on temperature and on the share of water: the mixing rule and the coefficients (in
data/laliberte.csv) of Laliberte, J. Chem. Eng. Data 54 (2009) 1725. His solutes are salts, here the
bucket holds ions. Apparent volumes are nearly additive over ions, so that it hardly matters which salts
the ions are thought to come from:

1. Protons go to the bases, the strongest first; what no base takes stays H+, what is missing is OH-.
2. Each cation is paired with each anion in proportion to its equivalents, which conserves every ion:
   eq(c, a) = eq_c eq_a / sum eq. A single salt is so found exactly.
3. A pair (c, a) without coefficients is (c, x) + (y, a) - (y, x) with ions x and y that have them all.

Outside the fitted temperatures a solute keeps the apparent value at the end of them. The mass fraction
of all solutes, on which the fits depend as well, is in a mixture soon beyond what a sparing salt was
fitted to: volumes are followed further (see `_reach`), heat capacities are not, so that those of strong
nitric and hydrochloric acid (fitted to 6.5 %) come out far too low.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib import resources
from itertools import product
from math import lcm

import numpy as np
from numpy.typing import NDArray

from . import compiled
from .constants import Floats
from .water_properties import density_kg_per_l

CATIONS = ("H+", "Ca+2", "Mg+2", "K+", "Na+", "NH4+", "Fe+2", "Fe+3", "Mn+2", "Zn+2", "Cu+2")
ANIONS = (
    *("OH-", "NO3-", "Cl-", "SO4-2", "HSO4-", "H2PO4-", "HPO4-2", "PO4-3", "HCO3-", "CO3-2", "H2BO3-", "F-"),
    *("Edta-4", "S2O3-2", "MoO4-2", "CH3COO-", "OCl-", "FeDtpa-2", "FeEddha-"),
)
MOLECULES = ("NH3", "CO2", "H3PO4", "CH3COOH", "H3BO3", "H4SiO4", "urea")

#: Base, its acid and the water set free, the strongest base first. The order is that of the acid
#: constants at 25 degC (pK 12.3, 10.3, 9.25, 9.24, 7.2, 6.35, 4.76, 2.15, 1.99), from memory: Stumm and
#: Morgan, Aquatic Chemistry.
LADDER = (
    ("PO4-3", "HPO4-2", 0.0),
    ("CO3-2", "HCO3-", 0.0),
    ("NH3", "NH4+", 0.0),
    ("H2BO3-", "H3BO3", 0.0),
    ("HPO4-2", "H2PO4-", 0.0),
    ("HCO3-", "CO2", 1.0),
    ("CH3COO-", "CH3COOH", 0.0),
    ("H2PO4-", "H3PO4", 0.0),
    ("SO4-2", "HSO4-", 0.0),
)

#: Solutes that Laliberte does not have: molar mass [g/mol] (IUPAC standard atomic weights), apparent
#: molar volume at 25 degC [cm3/mol] and heat capacity [J/(mol K)], both taken as constant. A heat
#: capacity of 0 where none is at hand: the solution then has that of its water. An ion stands with
#: sodium, whose volume is -1.2 cm3/mol (Millero, Chem. Rev. 71 (1971) 147, from memory).
OTHER_SOLUTES = {
    # Volume: 44.2 in weak solutions, about 45.3 at 15 mol/kg, the middle taken; Stokes, Aust. J. Chem. 20
    # (1967) 2087, from memory. Heat: about 90, Gucker and Ayres, J. Am. Chem. Soc. 59 (1937) 2152, from memory.
    "urea": (60.056, 44.8, 90.0),
    # H3BO3 39.2 and B(OH)4- 21.8: Ward and Millero, J. Solution Chem. 3 (1974) 417, from memory; the
    # latter less the 18.1 of one H2O.
    "H3BO3": (61.83, 39.2, 0.0),
    "Na+ H2BO3-": (83.81, 2.5, 0.0),
    # SiO2 16.1 (Shock, Helgeson and Sverjensky, Geochim. Cosmochim. Acta 53 (1989) 2157, from memory)
    # and twice the 18.1 of H2O.
    "H4SiO4": (96.11, 52.3, 0.0),
    # Estimate, no source: the trade solution of 39 % tetrasodium EDTA is 1.31 kg/L at 25 degC (from memory).
    "Na+ Edta-4": (380.17, 148.0, 0.0),
    # Estimates, no source: Traube's atomic increments (from memory), good to 10 %. Solutions of iron
    # chelates hold 0.1 mol/kg at most, so 20 cm3/mol is 0.2 % in density.
    "Na+ FeDtpa-2": (490.13, 220.0, 0.0),
    "Na+ FeEddha-": (435.17, 235.0, 0.0),
    # Estimate, no source: near sodium chloride's, 16.6 at infinite dilution (Millero as above).
    "Na+ OCl-": (74.44, 17.0, 0.0),
}

#: Ions whose salts lend coefficients to pairs without: of those that can, the two whose salts are fitted
#: to the strongest solutions.
REFERENCE_ANIONS = ("NO3-", "Cl-", "SO4-2")
REFERENCE_CATIONS = ("K+", "Na+")
#: No heat capacity of an iron(III) salt is at hand; iron(II) stands for it, by equivalents.
HEAT_STAND_IN = {"Fe+3": "Fe+2"}

WATER_KG_PER_MOL = 0.018015  # IUPAC standard atomic weights
#: Heat capacity of water [kJ/(kg K)] at 1 atm by temperature [degC]: computed with the IAPWS-95
#: formulation, Wagner and Pruss, J. Phys. Chem. Ref. Data 31 (2002) 387.
WATER_HEAT_T_C = (0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 50.0, 60.0, 70.0, 80.0)
WATER_HEAT = (4.2194, 4.2050, 4.1952, 4.1885, 4.1841, 4.1813, 4.1798, 4.1793, 4.1794, 4.1813, 4.1850, 4.1901, 4.1968)
#: No solution of the solutes above is denser or holds less heat; reached only by amounts far beyond
#: any solubility, where the fits mean nothing. Zinc chloride of 70 % is 2.0 kg/L and sulfuric acid
#: of 96 % holds 1.4 kJ/(kg K) (both CRC Handbook, from memory).
DENSEST_KG_PER_L = 2.5
LEAST_HEAT_KJ_PER_KG_K = 1.0
#: Some fits of heat capacity run away as solutes vanish, where they no longer count.
LEAST_SHARE = 1e-4


@dataclass(frozen=True)
class _Table:
    """R solutes. mass (R,) [kg/mol]; density (5, R) and heat (6, R): Laliberte's coefficients, with
    limits (3, R): least and greatest temperature [degC], greatest mass fraction of solutes. volume_of
    and heat_of (P, R): moles of solutes per equivalent of a pair or mole of a molecule (P of both)."""

    mass: Floats
    density: Floats
    density_limits: Floats
    heat: Floats
    heat_limits: Floats
    volume_of: Floats
    heat_of: Floats


@cache
def _charge(name: str) -> int:
    found = re.search(r"([+-])(\d*)$", name)
    return int(found[1] + (found[2] or "1")) if found else 0


def _recipes(solutes: Sequence[str], fitted: Mapping[str, float], stand_in: Mapping[str, str]) -> Floats:
    """(P, R) moles of solutes for each pair and molecule. fitted: greatest mass fraction by solute."""
    matrix = np.zeros((len(CATIONS) * len(ANIONS) + len(MOLECULES), len(solutes)))

    def add(row: int, cation: str, anion: str, sign: float) -> None:
        equivalents = lcm(_charge(cation), _charge(anion))
        matrix[row, solutes.index(f"{cation} {anion}")] += sign / equivalents

    for row, (paired, a) in enumerate(product(CATIONS, ANIONS)):
        c = stand_in.get(paired, paired)
        if f"{c} {a}" in fitted:
            add(row, c, a, 1.0)
            continue
        references = product(REFERENCE_ANIONS, REFERENCE_CATIONS)
        x, y = max(
            references, key=lambda by: min(fitted.get(f"{m} {n}", 0.0) for m, n in ((c, by[0]), (by[1], a), by[::-1]))
        )
        add(row, c, x, 1.0)
        add(row, y, a, 1.0)
        add(row, y, x, -1.0)
    for row, name in enumerate(MOLECULES, start=len(CATIONS) * len(ANIONS)):
        matrix[row, solutes.index(name)] = 1.0
    return matrix


def _reach(density: Floats, fitted: Floats) -> Floats:
    """(R,) mass fraction to which volumes are followed: to 0.5 even where the fit ends before.

    Apparent volumes go on growing with strength, so that to hold them at the end of a short range makes
    strong mixtures too dense. Fits with a pole nearby are not followed: they would run away (iron(II)
    sulfate, copper sulfate, manganese nitrate).
    """
    pole = -density[1] / density[0]
    return np.where((pole > 0.0) & (pole < 2.0), fitted, np.maximum(fitted, 0.5))


@cache
def _table() -> _Table:
    text = (resources.files(__package__ or "") / "data" / "laliberte.csv").read_text("utf-8")
    rows = list(csv.DictReader(text.splitlines()))

    def columns(*names: str) -> Floats:
        return np.array([[float(row[name] or "nan") for row in rows] for name in names])

    limits = ("min_t_c", "max_t_c", "max_w")
    mass, volume, heat = np.array(list(OTHER_SOLUTES.values())).T
    per_kg = mass / volume  # apparent density [kg/m3] is 1000 times this
    none, one = np.zeros_like(mass), np.ones_like(mass)
    # A constant in Laliberte's two forms, with the temperature held at 0: (w + 1) / ((w + 1) density)
    # and a5 w^0.
    own_density = np.array([1000.0 * per_kg, 1000.0 * per_kg, one, none, none])
    own_heat = np.array([none, none, none, none, heat / mass, none])
    own_limits = np.array([none, none, one])

    density = np.hstack([columns(*(f"c{i}" for i in range(5))), own_density])
    density_limits = np.hstack([columns(*(f"density_{name}" for name in limits)), own_limits])
    density_limits[2] = _reach(density, density_limits[2])

    solutes = [row["solute"] for row in rows] + list(OTHER_SOLUTES)
    own = dict.fromkeys(OTHER_SOLUTES, 1.0)
    fitted = {row["solute"]: float(row["density_max_w"]) for row in rows} | own
    fitted_heat = {row["solute"]: float(row["heat_max_w"]) for row in rows if row["a1"]} | own
    return _Table(
        mass=np.concatenate([columns("molar_mass_g_per_mol")[0], mass]) / 1000.0,
        density=density,
        density_limits=density_limits,
        heat=np.hstack([np.nan_to_num(columns(*(f"a{i}" for i in range(1, 7)))), own_heat]),
        heat_limits=np.hstack([np.nan_to_num(columns(*(f"heat_{name}" for name in limits))), own_limits]),
        volume_of=_recipes(solutes, fitted, {}),
        heat_of=_recipes(solutes, fitted_heat, HEAT_STAND_IN),
    )


@lru_cache(maxsize=256)
def _part(cations: tuple[int, ...], anions: tuple[int, ...], molecules: tuple[int, ...]) -> _Table:
    """The table for the pairs of some ions, and for some molecules, all by their places, with the solutes that they are
    made of."""
    table = _table()
    pairs = [c * len(ANIONS) + a for c, a in product(cations, anions)]
    rows = [*pairs, *(len(CATIONS) * len(ANIONS) + molecule for molecule in molecules)]
    volume, heat = table.volume_of[rows], table.heat_of[rows]
    kept = np.flatnonzero(np.any(volume != 0.0, axis=0) | np.any(heat != 0.0, axis=0))
    return _Table(
        table.mass[kept],
        table.density[:, kept],
        table.density_limits[:, kept],
        table.heat[:, kept],
        table.heat_limits[:, kept],
        volume[:, kept],
        heat[:, kept],
    )


@dataclass(frozen=True)
class Solutes:
    """What is dissolved, as pairs of ions and molecules: in proportion to what there is of it, as far as they are.

    table: of those that are there, P of both; amounts (B, P): equivalents of pairs and moles of molecules, water (B,):
    moles that it sets free, each per kg of water given.
    """

    table: _Table
    amounts: Floats
    water: Floats

    def water_kg(self, factor: Floats | float = 1.0) -> Floats:
        """Water per kg of water given, (B,), with all amounts so many times."""
        return np.asarray(np.maximum(1.0 + WATER_KG_PER_MOL * self.water * factor, 0.0))


#: All that may be dissolved, in the order in which amounts are kept here, their places in it and their charges.
_NAMES = (*CATIONS, *ANIONS, *MOLECULES, "P2O7-4")
_AT = {name: place for place, name in enumerate(_NAMES)}
_CHARGES = np.array([float(_charge(name)) for name in _NAMES])
_WEAK_ACIDS = (("NH4+", "NH3"), ("H3BO3", "H2BO3-"))
_LADDER = tuple((_AT[base], _AT[acid], released) for base, acid, released in LADDER)


@cache
def _places(masters: tuple[str, ...]) -> NDArray[np.intp]:
    """Where these names stand in that order, (N,). Raises: ValueError: one is not known here."""
    for name in masters:
        if name not in _AT:
            raise ValueError(f'no volume is known of "{name}"')
    return np.array([_AT[name] for name in masters], dtype=np.intp)


def solutes_of(totals: Floats, masters: Sequence[str]) -> Solutes:
    """The solutes of solutions; arguments and source as for the density below."""
    places, h = _places(tuple(masters)), _AT["H+"]
    signed = np.zeros((len(_NAMES), len(totals)))
    signed[places] = totals.T
    amount = np.maximum(signed, 0.0)
    amount[h] = signed[h]

    # Charge that does not balance is an error of a water analysis: closed with sodium or chloride,
    # as is usual, so that every ion finds a partner.
    excess = _CHARGES @ amount
    amount[_AT["Cl-"]] += np.maximum(excess, 0.0)
    amount[_AT["Na+"]] += np.maximum(-excess, 0.0)

    # Pyrophosphate has no data: two phosphates less a water, the condensation that it is made by.
    pyrophosphate = amount[_AT["P2O7-4"]]
    amount[_AT["HPO4-2"]] += 2.0 * pyrophosphate
    water = -pyrophosphate
    # Weak acids hand their protons in, and bases take them.
    protons = amount[h].copy()
    for weak, its_base in _WEAK_ACIDS:
        protons += amount[_AT[weak]]
        amount[_AT[its_base]] += amount[_AT[weak]]
        amount[_AT[weak]] = 0.0
    hydroxide = np.maximum(-protons, 0.0)
    amount[_AT["OH-"]] += hydroxide
    water -= hydroxide
    protons = np.maximum(protons, 0.0)
    there = np.any(amount, axis=1).tolist()
    for base, acid, released in _LADDER:
        if there[base]:
            moved = np.minimum(protons, amount[base])
            amount[base] -= moved
            amount[acid] += moved
            protons -= moved
            there[acid] = True
            if released:
                water += released * moved
    amount[h] = protons

    found = np.flatnonzero(amount[:-1].any(axis=1))
    cations = found[found < len(CATIONS)]
    anions = found[(found >= len(CATIONS)) & (found < len(CATIONS) + len(ANIONS))]
    molecules = found[found >= len(CATIONS) + len(ANIONS)]
    positive, negative = (amount[ions] * np.abs(_CHARGES[ions])[:, None] for ions in (cations, anions))
    total = negative.sum(axis=0)
    shares = np.divide(negative, total, out=np.zeros_like(negative), where=total > 0.0)
    pairs = (positive[:, None, :] * shares[None, :, :]).reshape(len(cations) * len(anions), len(totals))
    table = _part(
        tuple(cations.tolist()),
        tuple((anions - len(CATIONS)).tolist()),
        tuple((molecules - len(CATIONS) - len(ANIONS)).tolist()),
    )
    return Solutes(table, np.concatenate([pairs, amount[molecules]]).T, water)


def kg_and_liters_diluted(solutes: Solutes, temperature_c: Floats) -> Callable[[Floats | float], tuple[Floats, Floats]]:
    """A function of a factor, (B,): what `kg_and_liters` gives for so many times these solutes."""
    table = solutes.table
    dissolved = (solutes.amounts @ table.volume_of) * table.mass
    total, most = dissolved.sum(axis=1), table.density_limits[2]
    t = np.minimum(np.maximum(temperature_c[:, None], table.density_limits[0]), table.density_limits[1])
    c0, c1, c2, c3, c4 = table.density
    by_temperature, stretch = c2 + c3 * t, 1e-3 * np.exp(1e-6 * (t + c4) ** 2)
    of_water = density_kg_per_l(np.clip(temperature_c, 0.0, 100.0) + 273.15)

    def at(factor: Floats | float) -> tuple[Floats, Floats]:
        water = solutes.water_kg(factor)
        mass = total * factor + water
        w = np.minimum((1.0 - water / mass)[:, None], most)
        liters_per_kg = (w + by_temperature) / ((c0 * w + c1) * stretch)
        volume = water / of_water + (dissolved * liters_per_kg).sum(axis=1) * factor
        return mass, np.maximum(volume, mass / DENSEST_KG_PER_L)

    return at


def kg_and_liters(solutes: Solutes, temperature_c: Floats) -> tuple[Floats, Floats]:
    """kg and L of solution per kg of water, (B,) each; temperature and source as for the density below."""
    return kg_and_liters_diluted(solutes, temperature_c)(1.0)


def heat_kj_per_k(solutes: Solutes, temperature_c: Floats) -> Floats:
    """Heat capacity of the solution at constant pressure per kg of water given [kJ/K], (B,); temperature and source as
    for the density below. The heat of reactions on warming is not in it."""
    table, water = solutes.table, solutes.water_kg()
    mass = (solutes.amounts @ table.volume_of) @ table.mass + water
    least, greatest, most = table.heat_limits
    t = np.minimum(np.maximum(temperature_c[:, None], least), greatest)
    w = np.maximum(np.minimum((1.0 - water / mass)[:, None], most), LEAST_SHARE)
    a1, a2, a3, a4, a5, a6 = table.heat
    own = a1 * np.exp(a2 * t + a3 * np.exp(0.01 * t) + a4 * w) + a5 * np.exp(a6 * np.log(w))
    of_water = water * np.interp(temperature_c, WATER_HEAT_T_C, WATER_HEAT)
    heat = of_water + ((solutes.amounts @ table.heat_of) * table.mass * own).sum(axis=1)
    return np.asarray(np.maximum(heat, LEAST_HEAT_KJ_PER_KG_K * mass))


def solution_density_kg_per_l(totals_mol_per_kg: Floats, temperature_c: Floats, masters: Sequence[str]) -> Floats:
    """Density of the solution [kg/L], (B,).

    totals_mol_per_kg: (B, N) moles of each master species per kg of water; H+ is the proton balance and
    may be negative, anything else below 0 counts as 0. temperature_c: (B,) [degC]. masters: N names.
    Raises: ValueError: a master species is not known here. Source: Laliberte (2009), see the module.
    """
    mass, volume = kg_and_liters(solutes_of(totals_mol_per_kg, masters), temperature_c)
    return np.asarray(mass / volume)


def volume_l_per_kg_water(totals_mol_per_kg: Floats, temperature_c: Floats, masters: Sequence[str]) -> Floats:
    """Liters of solution per kg of the water given, (B,); arguments and source as for the density."""
    return kg_and_liters(solutes_of(totals_mol_per_kg, masters), temperature_c)[1]


def heat_capacity_kj_per_kg_k(totals_mol_per_kg: Floats, temperature_c: Floats, masters: Sequence[str]) -> Floats:
    """Heat capacity of the solution at constant pressure [kJ/(kg K)], (B,); arguments and source as for the density."""
    solutes = solutes_of(totals_mol_per_kg, masters)
    per_kg = heat_kj_per_k(solutes, temperature_c) / kg_and_liters(solutes, temperature_c)[0]
    return np.maximum(per_kg, LEAST_HEAT_KJ_PER_KG_K)


def solute_kg_per_kg_water(totals_mol_per_kg: Floats, molar_mass_g_per_mol: Floats) -> Floats:
    """Dissolved matter per kg of water [kg/kg], (B,), from totals (B, N) and molar masses (N,) [g/mol].

    H+ counts with its sign: a base has taken protons from the water.
    """
    return np.asarray(totals_mol_per_kg @ molar_mass_g_per_mol / 1000.0)


#: A bucket keeps at least this share of its volume as water, whatever is put in.
LEAST_WATER_SHARE = 0.05


@dataclass(frozen=True)
class Filling:
    """What goes into buckets: moles of each master that the products bring (B, N) and their names (N); the temperature
    [degC], the water that the products bring [kg], and what else takes up room [L], (B,) each."""

    moles: Floats
    masters: tuple[str, ...]
    temperature_c: Floats
    brought_kg: Floats
    other_l: Floats

    def with_water(self, water_l: float) -> tuple[Floats, Floats]:
        """So much water poured in: its mass [kg] and the volume that is made up [L], (B,) each."""
        liters = np.full(len(self.moles), water_l)
        if compiled.available():
            return compiled.filled(_kernel_tables(self.masters), vars(self), liters, None)
        poured_kg = liters * density_kg_per_l(self.temperature_c + 273.15)
        return poured_kg, self._liters()(poured_kg)

    def up_to(self, liters: float, displaced_l: Floats) -> tuple[Floats, Floats]:
        """Filled up to so many liters, of which products take up some, roughly, (B,): the water that is poured in [kg]
        and the volume that is made up [L], (B,) each."""
        wanted = np.full(len(self.moles), liters)
        if compiled.available():
            return compiled.filled(_kernel_tables(self.masters), vars(self), wanted, displaced_l)
        of_water, made_up = density_kg_per_l(self.temperature_c + 273.15), self._liters()
        least = LEAST_WATER_SHARE * wanted * of_water
        poured_kg = np.maximum(wanted * of_water - displaced_l, least)
        for _ in range(2):  # volume answers water almost liter for liter
            poured_kg = np.maximum(poured_kg + (wanted - made_up(poured_kg)) * of_water, least)
        return poured_kg, np.maximum(made_up(poured_kg), wanted)

    def _liters(self) -> Callable[[Floats], Floats]:
        """A function of the water that is poured in [kg], (B,): the volume that is made up [L], (B,)."""
        dissolved = kg_and_liters_diluted(solutes_of(self.moles, self.masters), self.temperature_c)

        def made_up(poured_kg: Floats) -> Floats:
            water_kg = poured_kg + self.brought_kg
            return np.asarray(water_kg * dissolved(1.0 / water_kg)[1] + self.other_l)

        return made_up


@cache
def _kernel_tables(masters: tuple[str, ...]) -> object:
    """The tables of volumes as the compiled twin keeps them (volumes.h)."""
    table = _table()
    ions = (len(CATIONS), len(ANIONS), *(_AT[name] for name in ("H+", "Na+", "Cl-", "P2O7-4", "HPO4-2", "OH-")))
    return compiled.volumes(
        {
            "place": _places(masters),
            "charge": _CHARGES,
            "ladder": np.array([(base, acid) for base, acid, _ in _LADDER]),
            "released": np.array([released for *_, released in _LADDER]),
            "weak": np.array([(_AT[weak], _AT[base]) for weak, base in _WEAK_ACIDS]),
            "mass": table.mass,
            "density": table.density,
            "limits": table.density_limits,
            "places": np.array(ions),
            "recipes": table.volume_of,
        }
    )
