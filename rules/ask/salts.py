"""Salts that can settle out of a bucket, with their handbook solubility: from the catalog's materials."""

from __future__ import annotations

import operator
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, cached_property
from importlib import resources
from weakref import WeakKeyDictionary

from ...catalog import Catalog, Product
from ...catalog.once import once_for_each
from ...catalog.species import SPECIES, elements_of, formula_share, molar_mass_g_per_mol
from .. import chemistry
from ..chemistry.phases import READ_ELSEWHERE, STOCK_PHASES, phases
from ..chemistry.stock import SaltCurve, load_stock

#: Masters whose salts are too ill-defined, as solids, to be let settle out: they go by their share of
#: the handbook's solubility.
_NO_SOLID = {"Edta-4", "FeDtpa-2", "FeEddha-", "P2O7-4", "H4SiO4", "OCl-"}
WATER_KG_PER_MOL = molar_mass_g_per_mol("H2O") / 1000.0


@dataclass(frozen=True, eq=False)
class Salt:
    """A salt as a phase of the bucket, and the name of the material it is known by."""

    name: str
    curve: SaltCurve
    #: g of the curve's solid per mole
    g_per_mol: float
    #: heat taken up when a mole dissolves in much water [kJ/mol]; 0 where not on record
    heat_kj_per_mol: float
    #: True where the constant is less sure than a handbook's curve of a common salt
    rough: bool = False

    @cached_property
    def double(self) -> bool:
        """True for a salt of more than one kind of cation."""
        return sum(ion.endswith(("+", "+2")) and ion != "H+" for ion, _ in self.curve.ions) > 1


@cache
def _hydrates() -> Mapping[str, float]:
    package = chemistry.__name__
    return tomllib.loads(resources.files(package).joinpath("data/hydrates.toml").read_text("utf-8"))


def crystal_water(formula: str) -> float:
    """Moles of water written as such at the end of a formula: MgSO4.7H2O has 7."""
    last = formula.rsplit(".", 1)[-1]
    return float(last.removesuffix("H2O") or 1) if "." in formula and last.endswith("H2O") else 0.0


@once_for_each(most=512)
def solid_of(material: Product) -> str | None:
    """Name of the phase that a material is as a solid; None where it is none that can be computed."""
    if not material.solubility or len(material.content) != 1 or material.form != "dry":
        return None
    salt = _salt(material)
    return salt.curve.name if salt else None


@cache
def _listed_salts() -> tuple[Salt, ...]:
    package = chemistry.__name__
    text = resources.files(package).joinpath("data/double_salts.toml").read_text("utf-8")
    return tuple(
        Salt(
            row["spoken"],
            SaltCurve(
                formula,
                tuple(row["ions"].items()),
                row["water"],
                tuple((celsius, 10.0 * grams / row["anhydrous_g_per_mol"]) for celsius, grams in row["points"]),
                row["source"],
            ),
            row["anhydrous_g_per_mol"] + 1000.0 * row["water"] * WATER_KG_PER_MOL,
            0.0,
            rough=True,
        )
        for formula, row in tomllib.loads(text).items()
    )


@cache
def stock_salts() -> tuple[Salt, ...]:
    """The salts of the chemistry's own list that nobody pours as such; they have no curve, but a constant."""
    stock = load_stock()
    out = []
    for name in STOCK_PHASES:
        if name in READ_ELSEWHERE:
            continue
        row = stock.phase(name)
        ions = tuple((m, float(n)) for m, n in zip(stock.masters, stock.phase_stoich[row], strict=True) if n)
        formula = stock.phase_formula[row].replace(":", ".")
        curve = SaltCurve(name, ions, float(stock.phase_water[row]), (), stock.phase_source[row])
        out.append(Salt(phases()[name].spoken, curve, molar_mass_g_per_mol(formula), 0.0, rough=True))
    return tuple(out)


#: What was found in a catalog, and its products then: they stay the same objects until it changes.
_SALTS_OF: WeakKeyDictionary[Catalog, tuple[list[Product], tuple[Salt, ...]]] = WeakKeyDictionary()


def salts(catalog: Catalog) -> tuple[Salt, ...]:
    """Every pure, fully soluble salt of the catalog that has a solubility curve, one per formula, and the
    double salts that they can make."""
    products = catalog.salts()
    before = _SALTS_OF.get(catalog)
    if before is not None and len(before[0]) == len(products) and all(map(operator.is_, before[0], products)):
        return before[1]
    found: dict[str, Salt] = {salt.curve.formula: salt for salt in _listed_salts()}
    for material in sorted(products, key=lambda product: len(product.name)):
        salt = _salt(material)
        if salt is not None:
            found.setdefault(salt.curve.formula, salt)
    _SALTS_OF[catalog] = products, tuple(found.values())
    return _SALTS_OF[catalog][1]


def _same_but_water(dissolves_to: Mapping[str, float], units: float, basis: str) -> bool:
    """True when the ions per unit make up the basis, give or take water."""
    left = {symbol: -count for symbol, count in elements_of(basis).items()}
    for name, count in dissolves_to.items():
        for symbol, atoms in elements_of(SPECIES[name].formula).items():
            left[symbol] = left.get(symbol, 0.0) + atoms * count / units
    water = left.pop("O", 0.0)
    left["H"] = left.get("H", 0.0) - 2.0 * water
    return all(abs(count) < 1e-6 for count in left.values())


def _salt(material: Product) -> Salt | None:
    content = material.content[0]
    basis = material.solubility[0].formula
    share = formula_share(content.formula, basis)
    if share is None or _NO_SOLID & content.dissolves_to.keys():
        return None
    units = share * molar_mass_g_per_mol(content.formula) / molar_mass_g_per_mol(basis)
    if not _same_but_water(content.dissolves_to, units, basis):
        return None  # a double salt, listed with the solubility of a part of it
    own = crystal_water(basis)
    water = _hydrates().get(basis, own)
    ions = tuple(
        (name, round(count / units, 9)) for name, count in content.dissolves_to.items() if name != "H2O" and count
    )
    # Water that the solid's formula holds in other shape, as borax does, counts for its water activity.
    bound = content.dissolves_to.get("H2O", 0.0) / units - crystal_water(content.formula) / units
    points = []
    for point in material.solubility:
        moles = point.g_per_100_g_water / molar_mass_g_per_mol(basis)
        points.append((point.temperature_c, moles / (0.1 + moles * (own + bound) * WATER_KG_PER_MOL)))
    if len(points) == 1:
        # Solubility at one temperature only: in the cold it is taken to halve in 20 degC, as that of many
        # phosphates and nitrates does (design choice, the cautious side).
        points.append((points[0][0] - 20.0, 0.5 * points[0][1]))
    formula = basis if water == own else f"{basis}.{water:g}H2O"
    sources = ", ".join(dict.fromkeys(point.source for point in material.solubility))
    return Salt(
        material.name,
        SaltCurve(formula, ions, water + bound, tuple(sorted(points)), sources),
        molar_mass_g_per_mol(basis) + (water - own) * 1000.0 * WATER_KG_PER_MOL,
        material.numbers["heat_of_solution"].value / units if "heat_of_solution" in material.numbers else 0.0,
    )
