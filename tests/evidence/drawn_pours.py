"""Drawn pours as batches of scenarios: products, amounts, water, temperatures and fittings, at random.

Hostile ones too. Amounts and waters of the others follow what growers do (common practice, no source); nothing here
is a reference value.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pourcheck import Catalog, Pour
from pourcheck.catalog import InputError
from pourcheck.catalog.quantity.table import (
    ALKALINITY,
    AMOUNT_FACTOR,
    BUCKET_TEMPERATURE,
    CALCIUM,
    INJECTION_RATIO,
    IRON,
    LINE_TEMPERATURE,
    PH,
    Quantity,
)
from pourcheck.rules.ask.columns import Columns
from pourcheck.rules.ask.question import Question, ask

Rng = np.random.Generator
#: Ranges that scenarios are drawn from, evenly in the number or (True) in its logarithm.
RANGES: dict[Quantity, tuple[float, float, bool]] = {
    AMOUNT_FACTOR: (0.02, 4.0, True),
    INJECTION_RATIO: (20.0, 600.0, True),
    CALCIUM: (2.0, 250.0, False),
    ALKALINITY: (10.0, 400.0, False),
    PH: (6.0, 8.8, False),
    LINE_TEMPERATURE: (10.0, 45.0, False),
    BUCKET_TEMPERATURE: (5.0, 35.0, False),
}
#: Further items of the water [mg/L], of which most wells have little.
OTHERS = {
    "magnesium": 60.0, "sodium": 100.0, "chloride": 200.0, "sulfate": 300.0, "potassium": 10.0, "iron": 3.0,
    "manganese": 1.0, "nitrate": 60.0, "boron": 1.0, "silica": 40.0, "sulfide": 2.0, "ammonium": 2.0, "phosphate": 3.0,
}  # fmt: skip
FITTINGS = ("plastic", "brass", "copper", "galvanized", "steel", "stainless", "aluminum")
L_PER_GAL = 3.785411784


@dataclass(frozen=True)
class Drawn:
    """A question, and scenarios of it."""

    question: Question
    columns: Columns


def draw_pour(rng: Rng, names: list[str], *, stated: bool, hostile: bool = False) -> dict[str, object]:
    """One pour. stated: everything of the water and both temperatures. hostile: amounts, waters and ratios that nobody
    in his right mind has."""
    count = int(rng.integers(1, 7 if hostile else 4))
    liters = float(np.exp(rng.uniform(np.log(0.01), np.log(2000.0)))) if hostile else 18.927
    chosen = rng.choice(names, size=count, replace=False)
    if hostile:  # up to what leaves just room for the water
        grams = rng.dirichlet(np.ones(count)) * liters * np.exp(rng.uniform(np.log(1e-3), np.log(1050.0)))
    else:
        grams = liters * np.exp(rng.uniform(np.log(0.2), np.log(120.0), size=count))
    pour: dict[str, object] = {
        "product": [{"name": str(n), "amount": f"{g:.6g} g"} for n, g in zip(chosen, grams, strict=True)],
        "bucket": {"volume": f"{liters:.6g} L"},
        "injection": {"ratio": "1:100", "injector": "measured"},
    }
    if hostile:
        ratio = np.exp(rng.uniform(0.0, np.log(10_000.0)))
        pour["injection"] = {"ratio": f"1:{max(1.0, ratio):.4g}"}
    if stated or rng.random() < 0.5:
        many = 4.0 if hostile else 1.0
        water: dict[str, object] = {
            name: f"{many * most * rng.random() ** 2:.4g} mg/L"
            for name, most in OTHERS.items()
            if rng.random() < 0.7 or stated
        }
        ph = rng.uniform(3.0, 11.0) if hostile else rng.uniform(6.0, 8.8)
        water |= {
            "ph": round(float(ph), 2),
            "calcium": f"{many * rng.uniform(2.0, 250.0):.4g} mg/L",
            "alkalinity": f"{_alkalinity(rng, float(ph), hostile):.4g} mg/L CaCO3",
        }
        pour["water"] = water
    if stated or rng.random() < 0.5:
        low, high = (0.0, 100.0) if hostile else (5.0, 35.0)
        pour["bucket"] = {"volume": f"{liters:.6g} L", "temperature": f"{rng.uniform(low, high):.3g} degC"}
        pour["injection"]["line_temperature"] = f"{rng.uniform(5.0, high + 10.0 if not hostile else 100.0):.3g} degC"  # type: ignore[index]
        if "water" in pour:
            pour["water"]["temperature"] = "10 degC"  # type: ignore[index]
    site: dict[str, object] = {}
    if rng.random() < 0.4:
        site["fittings"] = [str(one) for one in rng.choice(FITTINGS, size=2, replace=False)]
    if rng.random() < 0.2:
        site["chlorination"] = True
    if rng.random() < 0.3:
        site["filter_mesh"] = int(rng.choice([80, 120, 200]))
    if site:
        pour["site"] = site
    return pour


def _alkalinity(rng: Rng, ph: float, hostile: bool) -> float:
    """Alkalinity [mg/L CaCO3]; below pH 5 hardly any, but in a hostile water in ten."""
    if not hostile:
        return float(rng.uniform(5.0, 400.0))
    return float(rng.uniform(0.0, 2000.0 if ph > 5.0 or rng.random() < 0.1 else 2.0))


def draw_question(rng: Rng, catalog: Catalog, *, stated: bool) -> Question:
    """A question of a drawn pour that fits its bucket."""
    names = [product.name for product in catalog.products()]
    while True:
        try:
            return ask(Pour.parse(draw_pour(rng, names, stated=stated)), catalog)
        except InputError:
            continue  # no room for the water


def draw_scenarios(rng: Rng, question: Question, rows: int) -> Drawn:
    """Scenarios of a question: every lever that it has drawn over its range, every label somewhere in its room."""
    columns = question.columns(rows)
    for quantity, (low, high, by_ratio) in RANGES.items():
        if quantity in columns:
            if quantity is AMOUNT_FACTOR:
                high = min(high, question.most_amount_factor)
                low = min(low, 0.1 * high)
            ends = (np.log(low), np.log(high)) if by_ratio else (low, high)
            values = rng.uniform(*ends, rows)
            columns = columns.moved(quantity, np.exp(values) if by_ratio else values)
    if IRON in columns:
        columns = columns.moved(IRON, 3.0 * rng.random(rows) ** 3)
    for place in question.open_labels:
        mixtures = rng.integers(len(question.poured[place].composition.mixtures), size=rows)
        columns = columns.leaned(place, mixtures, rng.random(rows))
    return Drawn(question, columns)


def rows_of(drawn: Drawn, rows: np.ndarray) -> Drawn:
    """Some of the scenarios."""
    return replace(drawn, columns=drawn.columns.repeated(rows, 1))
