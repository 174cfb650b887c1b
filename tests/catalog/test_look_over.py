"""What is told of an entry before it is saved."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from pourcheck import Catalog
from pourcheck.catalog import JarTest, Listing, Product, Record, Well
from pourcheck.catalog.look_over import look_over

TODAY = date(2026, 11, 28)
DENSITY = {"kg_per_l": 1.2, "source": "invented"}
SOUND = {
    "id": "new-feed",
    "name": "New Feed 13-0-44",
    "form": "dry",
    "grade": "13-0-44",
    "derived_from": ["potassium nitrate"],
    "notes": "sold in the valley",
    "aliases": ["nf"],
}


def product(**changes: Any) -> Product:
    """A sound product, changed."""
    return Product.model_validate({**SOUND, **changes})


def number(value: float) -> dict[str, Any]:
    """A percentage with its source."""
    return {"value": value, "source": "invented"}


CASES: list[tuple[str, Record, list[str]]] = [
    ("nothing", product(), []),
    (
        "a liquid without density",
        product(form="liquid", grade="2-0-8"),
        ["density: is missing; without it no volume of the product can be checked: add it from the label"],
    ),
    (
        "a dry product with density",
        product(density=DENSITY),
        ["density: is of no use for a dry product; leave it out, or correct the form"],
    ),
    (
        "guarantee against grade",
        product(guaranteed={"k2o": number(36.5)}),
        [
            "guaranteed: its grade says 44 % Soluble potash (K2O) and its guarantee 36.5 % "
            "(36.5 % is 44 % K2O written as K); read the label again",
            "derived_from: 15 % of its mass is not explained by its sources; see that all sources",
            "guaranteed: its sources make ",
        ],
    ),
    (
        "more than the sources can hold",
        product(grade="20-0-44"),
        ["guaranteed: its sources make "],
    ),
    (
        "a guarantee that no source holds",
        product(guaranteed={"fe": number(1.0)}),
        ["guaranteed: no source on its label holds Iron (Fe), of which it guarantees 1 %"],
    ),
    (
        "an unknown material",
        product(derived_from=["potasium nitrate"]),
        [
            'derived_from: its source "potasium nitrate" is not in the catalog (potassium nitrate?); '
            "write it as the catalog has it, or add it as a material"
        ],
    ),
    (
        "an unknown source of a number",
        product(guaranteed={"n": {"value": 13, "source": "nowhere"}}),
        ['source: the source "nowhere" is not in the catalog; add it first'],
    ),
    (
        "a name that warns",
        product(name="New Acid 13-0-44"),
        ["hazards: its name warns of acid, and its hazards do not; add acid"],
    ),
    (
        "a typing error in a name",
        product(name="Alder Tweny 20-20-20", grade="", derived_from=[], guaranteed={}),
        [
            "name: is nearly that of Alder Twenty 20-20-20 (invented) (alder-twenty-20-20-20); edit that one",
            "derived_from: is missing: it could be made of many things",
        ],
    ),
    (
        "another number in a name",
        product(name="Alder Twenty 20-20-21", grade="20-20-21", derived_from=[]),
        ["derived_from: is missing: it could be made of many things"],
    ),
    (
        "the analysis of another",
        product(
            id="feed-of-mine",
            name="Something Else",
            grade="20-20-20",
            derived_from=["Urea", "monoammonium phosphate", "potassium nitrate"],
            guaranteed={"n_nitrate": number(5.9), "n_ammonium": number(3.9), "n_urea": number(10.1)},
        ),
        ["grade: analysis and sources are those of Alder Twenty 20-20-20 (invented) (alder-twenty-20-20-20); edit"],
    ),
    (
        "a formula against its grade",
        Product.model_validate(
            {
                "id": "salt",
                "name": "some salt",
                "kind": "material",
                "form": "dry",
                "grade": "13-0-37",
                "content": [
                    {
                        "formula": "KNO3",
                        "mass_fraction": number(1.0),
                        "dissolves_to": {"K+": 1, "NO3-": 1},
                    }
                ],
            }
        ),
        ["grade: its formula holds 46.6 % Soluble potash (K2O), its label says 37 %; correct the one that is wrong"],
    ),
    (
        "a material of unknown formula",
        Product(id="salt", name="some salt", kind="material", form="dry"),
        ["content: is missing: which ions it brings is not known; add its formula"],
    ),
    ("a well without tests", Well(id="w", name="W"), ["test: is missing: nothing is known of the water"]),
    (
        "tests of the future and without a date",
        Well.model_validate({"id": "w", "name": "W", "test": [{"ph": 7}, {"tested_on": "2027-01-01", "ph": 7}]}),
        [
            "tested_on: is missing; add the day of the sample: an old test says less",
            "tested_on: 2027-01-01 is in the future; correct the date",
        ],
    ),
    (
        "charges that do not balance",
        Well.model_validate(
            {
                "id": "w",
                "name": "W",
                "tested_on": "2026-03-04",
                "calcium": "300 mg/L",
                "magnesium": "20 mg/L",
                "alkalinity": "50 mg/L CaCO3",
                "sodium": "10 mg/L",
                "potassium": "1 mg/L",
                "chloride": "10 mg/L",
                "sulfate": "10 mg/L",
                "nitrate": "1 mg/L NO3",
            }
        ),
        ["test of 2026-03-04: the charges do not balance: "],
    ),
    ("a listing", Listing(region="aldervane", product="urea"), []),
    (
        "a listing of nothing",
        Listing(region="aldervane", product="uera", state="reviewed"),
        ['product: unknown product "uera"; nearest: "urea"', "reviewed_by: is missing for a reviewed product"],
    ),
    (
        "a jar of nothing",
        JarTest.model_validate(
            {"id": "j", "made_on": "2026-05-02", "product": [{"name": "uera", "amount": "2 g"}], "seen": ["clear"]}
        ),
        ['product: unknown product "uera"; nearest: "urea"'],
    ),
]


@pytest.mark.parametrize(("record", "expected"), [case[1:] for case in CASES], ids=[case[0] for case in CASES])
def test_what_is_told(catalog: Catalog, record: Record, expected: list[str]) -> None:
    """Each fault is told in one line, and nothing else is."""
    told = [str(remark) for remark in look_over(record, catalog, {"sodium": (0.0, 100.0)}, TODAY)]
    assert [one[: len(start)] for one, start in zip(told, expected, strict=False)] == expected
    extra = [one for one in told[len(expected) :] if not one.startswith("test of 2026-03-04: it balances if")]
    assert extra == []


def test_only_what_cannot_be_saved_is_a_fault(catalog: Catalog) -> None:
    """Severity: an unknown source of a number is refused by the catalog; the rest may be saved in spite of it."""
    severities = {
        name: {remark.severity for remark in look_over(record, catalog, {}, TODAY)} for name, record, _ in CASES
    }
    assert {name for name, found in severities.items() if "fault" in found} == {"an unknown source of a number"}
    assert severities["another number in a name"] == {"note"}


def test_the_invented_products_are_sound(catalog: Catalog) -> None:
    """The demo region raises no doubt but those that it is there to show: sources that do not dissolve."""
    doubts = {
        one.id
        for one in catalog.products()
        if one.invented and any(remark.severity != "note" for remark in look_over(one, catalog))
    }
    assert doubts == {"alder-field-15-15-15", "alder-fish-2-2-1"}
