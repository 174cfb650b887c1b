"""Products with a known content, the labels that their makers print, and how growers measure them out.

What goes together in a bag or bottle follows what makers sell (common practice, no source): no maker puts calcium
with sulfate or phosphate, acid with thiosulfate or carbonate, or urea with nitric acid.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import floor

from wells import Rng, choose

from pourcheck import Catalog, Product

#: Definitions: avoirdupois pound, US gallon.
KG_PER_LB, L_PER_GAL = 0.45359237, 3.785411784
#: Volume that a dry material takes up in a liquid fertilizer [L/kg]; common practice, no source.
DISSOLVED_L_PER_KG = 0.5
#: A liquid is made so that each of its salts would dissolve at this temperature with this much in reserve.
SHELF_C, SHELF_SHARE = 10.0, 0.85

KIND_SHARES = {"plain": 0.40, "dry": 0.38, "liquid": 0.22}
#: Materials that growers pour as they are, by how often.
PLAIN = {
    "calcium-nitrate": 10, "potassium-nitrate": 10, "magnesium-sulfate": 8, "urea": 8, "ammonium-sulfate": 6,
    "monoammonium-phosphate": 5, "monopotassium-phosphate": 5, "potassium-sulfate": 5, "potassium-chloride": 4,
    "ammonium-nitrate": 3, "uan-32": 3, "magnesium-nitrate": 2, "calcium-chloride": 2, "diammonium-phosphate": 2,
    "phosphoric-acid-75": 2, "calcium-ammonium-nitrate-solution": 2, "ammonium-polyphosphate-10-34-0": 2,
    "potassium-thiosulfate": 2, "ammonium-thiosulfate": 2, "iron-dtpa": 2, "urea-phosphate": 1.5, "nitric-acid": 1,
    "calcium-thiosulfate": 1, "iron-eddha": 1, "iron-edta": 1, "zinc-edta": 1, "manganese-edta": 1,
    "boric-acid": 1, "disodium-octaborate": 1, "sodium-nitrate": 1, "potassium-bicarbonate": 1, "iron-sulfate": 1,
    "zinc-sulfate": 1, "manganese-sulfate": 1, "magnesium-chloride": 1, "starter-4-10-10": 1,
    "potassium-carbonate": 0.5, "potassium-hydroxide-solution": 0.5, "potassium-silicate": 0.5,
    "sulfuric-acid": 0.5, "ammonium-chloride": 0.5, "potassium-acetate": 0.5, "copper-sulfate": 0.5,
    "urea-sulfuric-acid-15": 0.5,
}  # fmt: skip
#: Poured by the ounce.
STRONG = {
    "iron-dtpa", "iron-eddha", "iron-edta", "zinc-edta", "manganese-edta", "copper-edta", "boric-acid", "borax",
    "disodium-octaborate", "iron-sulfate", "zinc-sulfate", "zinc-sulfate-heptahydrate", "manganese-sulfate",
    "copper-sulfate", "sodium-molybdate", "nitric-acid", "sulfuric-acid", "potassium-hydroxide-solution",
}  # fmt: skip
CHELATES = ("iron-edta", "iron-dtpa", "zinc-edta", "manganese-edta", "copper-edta")
TRACES = (*CHELATES, "boric-acid", "disodium-octaborate", "sodium-molybdate")


@dataclass(frozen=True)
class Recipe:
    """What a maker puts together. always: one of each tuple; often: further materials, each taken or not; trace:
    perhaps one of these at below two percent; often_is: the chance of each of `often`."""

    weight: float
    always: tuple[tuple[str, ...], ...]
    often: tuple[str, ...] = ()
    trace: tuple[str, ...] = ()
    often_is: float = 0.4


_NITROGEN = ("urea", "urea", "ammonium-nitrate", "ammonium-sulfate", "potassium-nitrate")
_PHOSPHATE = ("monoammonium-phosphate", "monoammonium-phosphate", "monopotassium-phosphate", "diammonium-phosphate")
_POTASH = ("potassium-nitrate", "potassium-nitrate", "potassium-chloride", "potassium-sulfate")
_SOLUTIONS = (
    "calcium-nitrate-solution", "magnesium-nitrate-solution", "potassium-thiosulfate", "calcium-thiosulfate", "uan-32",
    "ammonium-sulfate", "ammonium-polyphosphate-11-37-0", "phosphoric-acid-75",
)  # fmt: skip
DRY = {
    "npk": Recipe(6, (_NITROGEN, _PHOSPHATE, _POTASH), ("urea", "ammonium-sulfate"), CHELATES, 0.25),
    "nk": Recipe(3, (_NITROGEN, _POTASH), ("ammonium-nitrate", "potassium-sulfate"), TRACES, 0.25),
    "pk": Recipe(2, (("monopotassium-phosphate",), _POTASH), ("monoammonium-phosphate", "urea-phosphate")),
    "acid": Recipe(1, (("urea-phosphate",), _POTASH), ("ammonium-sulfate",), CHELATES),
    "calcium": Recipe(
        2,
        (("calcium-nitrate", "calcium-nitrate", "calcium-nitrate-tetrahydrate"), ("magnesium-nitrate",)),
        ("potassium-nitrate", "urea"),
        ("iron-edta", "iron-dtpa", "boric-acid"),
        0.3,
    ),
    "calcium-chloride": Recipe(0.5, (("calcium-chloride",), ("calcium-nitrate", "magnesium-chloride", "urea"))),
    "magnesium": Recipe(
        2,
        (("magnesium-sulfate", "magnesium-sulfate-monohydrate"), ("potassium-sulfate", "potassium-nitrate", "urea")),
        ("ammonium-sulfate",),
        ("manganese-sulfate", "zinc-sulfate", "boric-acid"),
    ),
    "chloride": Recipe(1, (("potassium-chloride",), ("ammonium-chloride", "urea", "ammonium-sulfate")), ("urea",)),
    "npk-magnesium": Recipe(1.5, (_PHOSPHATE, _POTASH, ("magnesium-sulfate",)), ("urea",), (), 0.6),
    "traces": Recipe(1, (CHELATES, CHELATES, ("boric-acid", "disodium-octaborate")), ("sodium-molybdate",)),
    "trace-sulfates": Recipe(0.7, (("magnesium-sulfate",), ("manganese-sulfate", "iron-sulfate"), ("zinc-sulfate",))),
    "sodium": Recipe(0.5, (("sodium-nitrate",), _POTASH)),
    "single": Recipe(
        3, ((*_NITROGEN, *_PHOSPHATE, *_POTASH, "calcium-nitrate", "calcium-nitrate", "magnesium-sulfate"),)
    ),
}
LIQUID = {
    "urea-potash": Recipe(3, (("urea",), ("potassium-chloride",)), ("monopotassium-phosphate",), TRACES),
    "acid-npk": Recipe(2, (("phosphoric-acid-75",), ("urea",)), ("potassium-chloride", "ammonium-sulfate"), CHELATES),
    "poly": Recipe(2, (("ammonium-polyphosphate-10-34-0",), ("urea", "uan-32")), ("potassium-chloride",), (), 0.6),
    "uan": Recipe(1.5, (("uan-32", "uan-28"), ("ammonium-thiosulfate", "potassium-thiosulfate", "urea"))),
    "alkaline-pk": Recipe(1, (("dipotassium-phosphate",), ("urea", "potassium-acetate")), ("potassium-nitrate",)),
    "calcium": Recipe(
        2,
        (("calcium-nitrate-solution", "calcium-ammonium-nitrate-solution"), ("magnesium-nitrate-solution",)),
        ("calcium-chloride-solution",),
        ("iron-edta", "boric-acid"),
        0.3,
    ),
    "thiosulfate": Recipe(1, (("potassium-thiosulfate",), ("urea", "ammonium-thiosulfate"))),
    "sulfate": Recipe(1.5, (("ammonium-sulfate",), ("urea", "magnesium-sulfate")), ("potassium-chloride",), TRACES),
    "magnesium": Recipe(1, (("magnesium-chloride", "magnesium-nitrate-solution"), ("urea", "potassium-chloride"))),
    "ammonium-phosphate": Recipe(
        1, (("monoammonium-phosphate",), ("urea", "ammonium-nitrate")), ("potassium-nitrate",)
    ),
    "single": Recipe(2, (_SOLUTIONS,)),
    "traces": Recipe(0.7, (CHELATES, ("urea",), ("boric-acid",)), ("zinc-edta", "sodium-molybdate")),
}

#: Least percent that labels state (from memory: uniform state rules for plant nutrients besides N, P and K).
LEAST_STATED = {"ca": 1.0, "mg": 0.5, "s": 1.0, "cl": 0.1, "b": 0.02, "cu": 0.05, "fe": 0.1, "mn": 0.05, "mo": 0.0005,
                "zn": 0.05}  # fmt: skip
#: How often a label states what it holds.
STATED_SHARE = {"ca": 0.75, "mg": 0.65, "s": 0.4, "cl": 0.25, "b": 0.9, "cu": 0.9, "fe": 0.9, "mn": 0.9, "mo": 0.8,
                "zn": 0.9}  # fmt: skip
NITROGEN_FORMS = ("n_nitrate", "n_ammonium", "n_urea")
NITROGEN_FORMS_SHARE, DERIVED_SHARE, MOST_OVERRUN = 0.8, 0.75, 0.04


@dataclass(frozen=True)
class Hidden:
    """What is really in a product. shares: kg of each material per kg of product, the rest is water; plain: it is
    one material, asked for by its name; density_kg_per_l: of a liquid, as its label states it."""

    name: str
    form: str
    shares: dict[str, float]
    plain: bool
    density_kg_per_l: float | None
    density_text: str | None = None

    def percent(self, nutrient: str, materials: Mapping[str, Product]) -> float:
        """True percent by mass of a nutrient, on its label basis."""
        return sum(share * (materials[one].percent(nutrient) or 0.0) for one, share in self.shares.items())


def materials_of(catalog: Catalog) -> dict[str, Product]:
    """The materials that products are made of here, by id: known content, dissolve without a rest, no bleach."""
    return {
        product.id: product
        for product in catalog.products()
        if product.kind == "material"
        and product.content
        and product.dissolving == "complete"
        and "hypochlorite" not in product.hazards
    }


def draw_hidden(rng: Rng, number: int, materials: Mapping[str, Product]) -> Hidden:
    """A plain material, a dry blend or a liquid."""
    kind = choose(rng, KIND_SHARES)
    if kind == "plain":
        material = materials[choose(rng, PLAIN)]
        density = material.density.kg_per_l if material.density else None
        return Hidden(material.name, material.form, {material.id: 1.0}, True, density)
    name = f"Alder blend {number}"
    if kind == "dry":
        return Hidden(name, "dry", _parts(rng, DRY), False, None)
    for _ in range(200):
        parts = _parts(rng, LIQUID)
        strength = rng.uniform(0.2, 0.7)
        shares = {one: strength * part for one, part in parts.items()}
        if _keeps(shares, materials):
            text, density = _density(rng, shares, materials)
            return Hidden(name, "liquid", shares, False, density, text)
    raise RuntimeError("no recipe of a liquid dissolves: the recipes are wrong")


def _parts(rng: Rng, recipes: Mapping[str, Recipe]) -> dict[str, float]:
    """Mass shares of one to four materials, summing to 1."""
    recipe = recipes[choose(rng, {name: recipe.weight for name, recipe in recipes.items()})]
    names = [str(rng.choice(ones)) for ones in recipe.always]
    names += [one for one in recipe.often if rng.random() < recipe.often_is]
    names = list(dict.fromkeys(names))[:4]
    shares = 0.04 + rng.dirichlet([1.5] * len(names))
    parts = dict(zip(names, (float(s) for s in shares / shares.sum()), strict=True))
    if recipe.trace and len(parts) < 4 and rng.random() < 0.4:
        trace = str(rng.choice(recipe.trace))
        if trace not in parts:
            small = rng.uniform(0.001, 0.02)
            parts = {one: share * (1 - small) for one, share in parts.items()} | {trace: small}
    return parts


def _keeps(shares: Mapping[str, float], materials: Mapping[str, Product]) -> bool:
    """True when each salt by itself would stay dissolved on the shelf."""
    water = 1.0 - sum(shares.values())
    for one, share in shares.items():
        if materials[one].form == "liquid":
            water += share * (1.0 - sum(part.mass_fraction.value for part in materials[one].content))
    for one, share in shares.items():
        material = materials[one]
        curve = sorted(material.solubility, key=lambda point: abs(point.temperature_c - SHELF_C))
        if material.form == "dry" and curve and share > SHELF_SHARE * water * curve[0].g_per_100_g_water / 100.0:
            return False
    return True


def _density(rng: Rng, shares: Mapping[str, float], materials: Mapping[str, Product]) -> tuple[str, float]:
    """(as the label states it, kg/L of exactly that)."""
    liters = 1.0 - sum(shares.values())
    for one, share in shares.items():
        density = materials[one].density
        liters += share * (1.0 / density.kg_per_l if density else DISSOLVED_L_PER_KG)
    if rng.random() < 0.7:
        lb_per_gal = round(L_PER_GAL / KG_PER_LB / liters, 1)
        return f"{lb_per_gal:g} lb/gal", lb_per_gal * KG_PER_LB / L_PER_GAL
    kg_per_l = round(1.0 / liters, 2)
    return f"{kg_per_l:g} kg/L", kg_per_l


def rounded_down(value: float, digits: int) -> float:
    """A guarantee: never more than the value."""
    return floor(value * 10.0**digits + 1e-9) / 10.0**digits


def draw_label(rng: Rng, hidden: Hidden, materials: Mapping[str, Product]) -> dict[str, object]:
    """The label, as the inline fields of a product of a pour; empty where it guarantees nothing."""

    def kept(nutrient: str) -> float:
        """Percent that the maker dares to guarantee."""
        return hidden.percent(nutrient, materials) * (1.0 - overrun[nutrient])

    overrun = {key: rng.uniform(0.0, MOST_OVERRUN) for key in ("n", "p2o5", "k2o", *LEAST_STATED)}
    overrun |= dict.fromkeys(NITROGEN_FORMS, overrun["n"])
    digits = int(rng.integers(1, 3))
    grade = [int(rounded_down(kept(key), 0)) for key in ("n", "p2o5", "k2o")]
    guaranteed = {}
    if rng.random() < NITROGEN_FORMS_SHARE:
        guaranteed = {key: rounded_down(kept(key), digits) for key in NITROGEN_FORMS}
    for key, least in LEAST_STATED.items():
        if rng.random() < STATED_SHARE[key] and kept(key) >= least:
            guaranteed[key] = rounded_down(kept(key), 4 if key == "mo" else 2 if least < 0.1 else digits)
    guaranteed = {key: percent for key, percent in guaranteed.items() if percent > 0}
    if not any(grade) and not guaranteed:
        return {}
    label: dict[str, object] = {"form": hidden.form, "guaranteed": guaranteed}
    if any(grade):
        label["grade"] = "-".join(map(str, grade))
    if hidden.density_text is not None:
        label["density"] = hidden.density_text
    if rng.random() < DERIVED_SHARE:
        names = [materials[one].name for one in hidden.shares]
        rng.shuffle(names)
        label["derived_from"] = names
    return label


def draw_amount(rng: Rng, hidden: Hidden) -> tuple[str, float]:
    """(as the grower states it, kg of exactly that): 0.1 to 4 lb, log-uniform; acids and traces by the ounce."""
    most_lb = 0.6 if STRONG & {one for one, share in hidden.shares.items() if share > 0.3} else 4.0
    kg = KG_PER_LB * 0.1 * (most_lb / 0.1) ** rng.random()
    if hidden.density_kg_per_l is not None and rng.random() < 0.6:
        fl_oz = float(f"{kg / hidden.density_kg_per_l * 128 / L_PER_GAL:.2g}")
        return f"{fl_oz:g} fl oz", fl_oz * L_PER_GAL / 128 * hidden.density_kg_per_l
    if rng.random() < 0.8:
        ounces = float(f"{kg / KG_PER_LB * 16:.2g}")
        return f"{ounces:g} oz", ounces * KG_PER_LB / 16
    grams = float(f"{1000 * kg:.2g}")
    return f"{grams:g} g", grams / 1000.0
