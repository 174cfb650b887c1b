"""Wells with a full, charge-balanced analysis, and what a grower knows of them.

Medians and spreads are those of common well types (common practice, no source). They owe nothing to the ranges that
the product sweeps for untested water: one well in five has an item outside of them, of the gypsum wells three in four.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

Rng = np.random.Generator
#: Water items [mg/L], alkalinity [mg/L CaCO3], pH.
Items = dict[str, float]

#: g per mole of charge of what carries charge (IUPAC atomic weights, from memory), signed by the charge.
#: Alkalinity is the charge of bicarbonate and carbonate, 50.04 mg CaCO3 per meq.
G_PER_EQUIVALENT = {
    "calcium": 40.078 / 2,
    "magnesium": 24.305 / 2,
    "sodium": 22.990,
    "potassium": 39.098,
    "iron": 55.845 / 2,
    "manganese": 54.938 / 2,
    "alkalinity": -50.04,
    "sulfate": -96.06 / 2,
    "chloride": -35.45,
    "nitrate": -62.004,
    "fluoride": -18.998,
}
PH_RANGE = (6.0, 8.5)
WELL_SHARES = {"soft": 0.28, "limestone": 0.38, "gypsum": 0.09, "soda": 0.13, "iron": 0.12}
#: Share of the wells of which each is known.
KNOWN_SHARES = {"lab": 0.60, "strip": 0.13, "kit": 0.09, "ph": 0.05, "nothing": 0.13}
#: Color blocks of dip strips (common practice, no source): hardness and alkalinity mg/L CaCO3, pH.
STRIP_HARDNESS = (0.0, 25.0, 50.0, 120.0, 250.0, 425.0)
STRIP_ALKALINITY = (0.0, 40.0, 80.0, 120.0, 180.0, 240.0, 360.0)
STRIP_PH = (6.2, 6.8, 7.2, 7.8, 8.4)
#: One grain per US gallon of CaCO3 [mg/L] (definition: 64.79891 mg in 3.785411784 L).
MG_PER_L_PER_GPG = 17.118
ALWAYS_IN_LAB = ("calcium", "magnesium", "sodium", "potassium", "sulfate", "chloride", "nitrate", "iron")
ALSO_IN_LAB = ("manganese", "silica", "boron")
SOMETIMES_IN_LAB = ("fluoride", "phosphate", "sulfide")


@dataclass(frozen=True)
class Well:
    """A well. kind: key of WELL_SHARES; items: every item, exact."""

    kind: str
    items: Items


def choose(rng: Rng, shares: Mapping[str, float]) -> str:
    """One key, as often as its share says."""
    weights = np.array(list(shares.values()))
    return str(rng.choice(list(shares), p=weights / weights.sum()))


def _around(rng: Rng, median: float, spread: float, low: float = 0.0, high: float = np.inf) -> float:
    """Lognormal, held inside low..high."""
    return float(np.clip(median * np.exp(spread * rng.standard_normal()), low, high))


def charge_meq_per_l(items: Mapping[str, float]) -> float:
    """Charge left over in an analysis [meq/L]; zero in a sound one."""
    return sum(items[name] / grams for name, grams in G_PER_EQUIVALENT.items() if name in items)


def hardness_mg_per_l_caco3(items: Mapping[str, float]) -> float:
    """Hardness of calcium and magnesium [mg/L CaCO3]."""
    return 50.04 * sum(items[name] / G_PER_EQUIVALENT[name] for name in ("calcium", "magnesium"))


def _alkalinity(items: Items, share_of_hardness: float) -> float:
    return hardness_mg_per_l_caco3(items) * share_of_hardness


def _soft(rng: Rng) -> Items:
    items = {"calcium": _around(rng, 8, 0.6, 1, 28)}
    items["magnesium"] = items["calcium"] * rng.uniform(0.1, 0.5)
    return items | {
        "alkalinity": max(5.0, _alkalinity(items, rng.uniform(0.5, 1.1))),
        "sulfate": _around(rng, 5, 0.8),
        "chloride": _around(rng, 6, 0.7),
        "nitrate": _around(rng, 2, 1.0, 0, 60),
        "silica": _around(rng, 12, 0.5),
    }


def _limestone(rng: Rng) -> Items:
    items = {"calcium": _around(rng, 85, 0.35, 35, 220), "magnesium": _around(rng, 18, 0.6, 2, 70)}
    return items | {
        "alkalinity": _alkalinity(items, rng.uniform(0.7, 1.05)),
        "sulfate": _around(rng, 30, 0.7),
        "chloride": _around(rng, 20, 0.8),
        "nitrate": _around(rng, 12, 1.0, 0, 90),
        "silica": _around(rng, 12, 0.4),
    }


def _gypsum(rng: Rng) -> Items:
    items = {"calcium": _around(rng, 180, 0.4, 90, 400), "magnesium": _around(rng, 35, 0.5, 5, 90)}
    items["alkalinity"] = _around(rng, 180, 0.3, 80, 330)
    left_meq = (hardness_mg_per_l_caco3(items) - items["alkalinity"]) / 50.04
    return items | {
        "sulfate": max(60.0, 48.03 * left_meq * rng.uniform(0.7, 1.0)),
        "chloride": _around(rng, 30, 0.8),
        "nitrate": _around(rng, 6, 1.0, 0, 60),
        "silica": _around(rng, 15, 0.4),
    }


def _soda(rng: Rng) -> Items:
    return {
        "calcium": _around(rng, 9, 0.7, 1, 30),
        "magnesium": _around(rng, 3, 0.7, 0.3, 12),
        "alkalinity": _around(rng, 270, 0.35, 110, 520),
        "sulfate": _around(rng, 30, 0.8),
        "chloride": _around(rng, 30, 0.9),
        "nitrate": _around(rng, 1.5, 1.0, 0, 40),
        "silica": _around(rng, 18, 0.4),
    }


def _iron(rng: Rng) -> Items:
    items = {"calcium": _around(rng, 50, 0.5, 8, 140), "magnesium": _around(rng, 12, 0.5, 1, 40)}
    return items | {
        "alkalinity": _alkalinity(items, rng.uniform(0.8, 1.15)),
        "sulfate": _around(rng, 15, 0.8),
        "chloride": _around(rng, 12, 0.8),
        "nitrate": _around(rng, 0.3, 0.8),
        "silica": _around(rng, 18, 0.4),
        "iron": _around(rng, 1.8, 0.8, 0.3, 15),
        "manganese": _around(rng, 0.25, 0.8),
        "sulfide": _around(rng, 0.05, 1.0),
    }


_KINDS: dict[str, Callable[[Rng], Items]] = {
    "soft": _soft,
    "limestone": _limestone,
    "gypsum": _gypsum,
    "soda": _soda,
    "iron": _iron,
}


def draw_well(rng: Rng) -> Well:
    """A well with all its ions; sodium or chloride closes the charge balance."""
    kind = choose(rng, WELL_SHARES)
    items = {
        "potassium": _around(rng, 2, 0.6),
        "fluoride": _around(rng, 0.2, 0.6),
        "boron": _around(rng, 0.05, 0.8),
        "phosphate": _around(rng, 0.05, 1.0),
        "iron": _around(rng, 0.03, 1.2),
        "manganese": _around(rng, 0.01, 1.2),
        "sulfide": 0.0,
    } | _KINDS[kind](rng)
    items["sodium"] = 22.990 * items["chloride"] / 35.45 * rng.uniform(0.5, 1.0)
    left_meq = charge_meq_per_l(items)
    closing = "chloride" if left_meq > 0 else "sodium"
    items[closing] += abs(left_meq) * abs(G_PER_EQUIVALENT[closing])
    return Well(kind, items | {"ph": _ph(rng, kind, items)})


def _ph(rng: Rng, kind: str, items: Items) -> float:
    """Ground water that has calcium stands near lime saturation (from memory: simplified Langelier index at
    15 degC); soft and iron-bearing water is more acid."""
    if kind in {"soft", "iron"}:
        return float(rng.uniform(6.0, 7.5))
    at_saturation = 11.9 - np.log10(items["calcium"] * 2.5) - np.log10(items["alkalinity"]) + 0.1
    return float(np.clip(at_saturation + 0.3 * rng.standard_normal(), *PH_RANGE))


def exact_water(well: Well) -> dict[str, object]:
    """The whole analysis, as the water table of a pour."""
    water: dict[str, object] = {"ph": round(well.items["ph"], 6)}
    for name, value in well.items.items():
        if name != "ph":
            water[name] = f"{value:.7g} mg/L" + (" CaCO3" if name == "alkalinity" else "")
    return water


def _nearest(value: float, steps: tuple[float, ...]) -> float:
    return min(steps, key=lambda step: abs(step - value))


def _printed(value: float, digits: int) -> str:
    """A number to so many digits, as a lab prints it."""
    return f"{float(f'{value:.{digits}g}'):g}"


@cache
def _phreeqc() -> Any:
    from phreeqpython import PhreeqPython

    return PhreeqPython(database="phreeqc.dat")


#: Of the waters that no lab looked at, those into which a conductivity meter was held, and its error (common practice,
#: no source).
METER_SHARE, METER_ERROR = 0.4, 0.03
#: As PHREEQC names the items.
_IN_PHREEQC = {
    "calcium": "Ca", "magnesium": "Mg", "sodium": "Na", "potassium": "K", "iron": "Fe(2)", "manganese": "Mn(2)",
    "sulfate": "S(6)", "chloride": "Cl", "nitrate": "N(5)", "fluoride": "F",
}  # fmt: skip


def ec_ms_per_cm(items: Items) -> float:
    """Conductivity at 25 degC, from diffusion coefficients (PHREEQC, phreeqc.dat) [mS/cm]."""
    mmol = {
        name: items[item] / abs(G_PER_EQUIVALENT[item]) / (2.0 if item in _DIVALENT else 1.0)
        for item, name in _IN_PHREEQC.items()
        if items.get(item, 0.0) > 0.0
    }
    given = {"units": "mmol/kgw", "temp": 25, "pH": items["ph"], "Alkalinity": items["alkalinity"] / 50.04}
    solution = _phreeqc().add_solution(given | mmol)
    found = float(solution.sc) / 1000.0
    solution.forget()
    return found


_DIVALENT = {"calcium", "magnesium", "iron", "manganese", "sulfate"}


def known_water(rng: Rng, well: Well) -> tuple[str, dict[str, object]]:
    """(key of KNOWN_SHARES, water table) of what the grower knows; the table may be empty."""
    known, water = _tested(rng, well)
    if known != "lab" and rng.random() < METER_SHARE:
        shown = ec_ms_per_cm(well.items) * (1.0 + METER_ERROR * rng.uniform(-1.0, 1.0))
        water["ec"] = f"{_printed(shown, 3)} mS/cm"
    return known, water


def _tested(rng: Rng, well: Well) -> tuple[str, dict[str, object]]:
    items, known = well.items, choose(rng, KNOWN_SHARES)
    hardness, alkalinity = hardness_mg_per_l_caco3(items), items["alkalinity"]
    if known == "lab":
        digits = 2 if rng.random() < 0.3 else 3
        names = [*ALWAYS_IN_LAB, *ALSO_IN_LAB, *(n for n in SOMETIMES_IN_LAB if rng.random() < 0.4)]
        water: dict[str, object] = {"ph": round(items["ph"], 1)}
        water |= {name: f"{_printed(items[name], digits)} mg/L" for name in names}
        if rng.random() < 0.3:  # 61.017 g/mol HCO3 per 50.04 g/eq CaCO3
            return known, water | {"bicarbonate": f"{_printed(alkalinity * 61.017 / 50.04, digits)} mg/L HCO3"}
        return known, water | {"alkalinity": f"{_printed(alkalinity, digits)} mg/L CaCO3"}
    if known == "strip":
        return known, {
            "ph": _nearest(items["ph"], STRIP_PH),
            "hardness": f"{_nearest(hardness, STRIP_HARDNESS):g} mg/L CaCO3",
            "alkalinity": f"{_nearest(alkalinity, STRIP_ALKALINITY):g} mg/L CaCO3",
        }
    if known == "kit":  # drops to a color change: one drop is a grain, or 10 mg/L
        return known, {
            "ph": round(items["ph"] * 5) / 5,
            "hardness": f"{round(hardness / MG_PER_L_PER_GPG)} gpg",
            "alkalinity": f"{10 * round(alkalinity / 10)} mg/L CaCO3",
        }
    return known, {"ph": round(items["ph"] * 2) / 2} if known == "ph" else {}
