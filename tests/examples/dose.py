"""Weekly doses for the beds of a farm (invented, in Aldervane): what each bed needs, checked before it is printed.

    python tests/examples/dose.py [CATALOG]

A dose that is stopped, or of which it is not known whether it may go through the drip, is never printed; one with a
caution is printed with what to mind.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

from pourcheck import Catalog, Fault, Verdict, check_each


@dataclass(frozen=True)
class Bed:
    """A bed: what a square meter of it needs a week, of which product, in the water of which well."""

    name: str
    area_m2: float
    nutrient: str
    grams_per_m2: float
    product: str
    well: str | None


BEDS = (
    Bed("Lettuce", 120, "n", 1.2, "calcium nitrate", "brook-well"),
    Bed("Tomato", 80, "k2o", 2.5, "potassium nitrate", "brook-well"),
    Bed("Peppers", 80, "p2o5", 1.5, "technical MAP", "ridge-well"),
    Bed("Squash", 200, "n", 1.0, "urea", "ridge-well"),
    Bed("Leeks", 150, "n", 1.0, "technical MAP", None),  # its well was never tested
    Bed("Beans", 60, "k2o", 1.0, "potassium nitrat", "brook-well"),  # misspelled
)
BUCKET_L, RATIO = 60, "1:100"


def pour(bed: Bed, grams: float) -> dict[str, object]:
    """The question: may this go through the drip of this bed?"""
    asked: dict[str, object] = {
        "product": [{"name": bed.product, "amount": f"{grams:.0f} g"}],
        "bucket": {"volume": f"{BUCKET_L} L"},
        "injection": {"ratio": RATIO, "injector": "pump"},
        "site": {"backflow_preventer": True, "chlorination": False},
    }
    return asked if bed.well is None else {**asked, "water": {"name": bed.well}}


def grams_of(bed: Bed, catalog: Catalog) -> float:
    """How much of its product brings what a bed needs."""
    (found,) = catalog.find(bed.product, limit=1)
    share = (found.product.percent(bed.nutrient) or 0.0) / 100.0
    return bed.area_m2 * bed.grams_per_m2 / share


def line(bed: Bed, grams: float, answer: Verdict | Fault) -> str:
    """What is told of a bed. Only clear and caution let a dose out: whatever else there may be does not."""
    if isinstance(answer, Fault):
        return f"{bed.name}: no dose. {answer.what}; {answer.cure}."
    if answer.verdict == "clear":
        return f"{bed.name}: {grams:.0f} g {bed.product}."
    if answer.verdict == "caution":
        minded = " ".join(one.message for one in answer.findings if one.level == "caution")
        return f"{bed.name}: {grams:.0f} g {bed.product}. Mind: {minded}"
    return f"{bed.name}: no dose ({answer.verdict}). {answer.summary}"


def main() -> None:
    """Print a line for each bed."""
    with Catalog.open(sys.argv[1] if sys.argv[1:] else "sqlite://") as catalog:
        doses = [(bed, grams_of(bed, catalog)) for bed in BEDS]
        answers = check_each((pour(bed, grams) for bed, grams in doses), catalog, depth="verdict")
        for (bed, grams), answer in zip(doses, answers, strict=True):
            print(line(bed, grams, answer))


if __name__ == "__main__":
    main()
