"""Pours as people write them: cups and spoons of dry goods, ounces of a liquid, names that several grades bear."""

from __future__ import annotations

from typing import Any

import pytest

from pourcheck import Catalog, Pour, check
from pourcheck.catalog import InputError
from pourcheck.rules.ask.question import Question, ask
from pourcheck.rules.present.words import assumed_words, decision_words

#: A kitchen cup, a tablespoon, a fluid ounce [L] and an avoirdupois ounce [kg], by definition (NIST Handbook 44,
#: appendix C: US liquid measure from the gallon of 231 cubic inches).
CUP_L, TABLESPOON_L, FLUID_OUNCE_L, OUNCE_KG = 0.2365882, 0.01478676, 0.02957353, 0.02834952


def pour(*items: tuple[str, str], **more: Any) -> dict[str, Any]:
    """A pour into 5 gal of soft water."""
    return {
        "product": [{"name": name, "amount": amount} for name, amount in items],
        "bucket": {"volume": "5 gal", "temperature": "20 degC"},
        "water": {"name": "brook-well"},
        "injection": {"ratio": "1:100", "ratio_read": "measured", "line_temperature": "20 degC"},
        **more,
    }


def asked(catalog: Catalog, *items: tuple[str, str]) -> Question:
    """The question that a pour poses."""
    return ask(Pour.parse(pour(*items)), catalog)


def swept_kg(question: Question, place: int = 0) -> tuple[float, float]:
    """What a product may weigh [kg]."""
    weight = question.poured[place].weight
    assert weight is not None
    return weight.unknown.low * weight.kg_per_unit, weight.unknown.high * weight.kg_per_unit


# --- volumes of dry goods -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("amount", "liters"),
    [
        ("1 cup", CUP_L),
        ("2 cups", 2 * CUP_L),
        ("½ cup", CUP_L / 2),
        ("1 1/2 cups", 1.5 * CUP_L),
        ("2 tbsp", 2 * TABLESPOON_L),
        ("1 tablespoon", TABLESPOON_L),
        ("3 tsp", TABLESPOON_L),
        ("1/4 tsp", TABLESPOON_L / 12),
        ("20 mL", 0.02),
        ("1 qt", 4 * CUP_L),
        ("2 fl oz", CUP_L / 4),
        ("1 cup 2 tbsp", CUP_L + 2 * TABLESPOON_L),
    ],
)
@pytest.mark.parametrize("name", ["urea", "borax", "iron EDTA", "Alder Field 15-15-15"])
def test_a_volume_of_something_dry_is_a_range_of_weights(
    catalog: Catalog, name: str, amount: str, liters: float
) -> None:
    """It spans what such goods weigh; loose dry fertilizers lie within 25 and 100 lb per cubic foot (common practice,
    no source), and a range is never narrower than a cup that is tapped down (10 %)."""
    low, high = swept_kg(asked(catalog, (name, amount)))
    assert 0.39 * liters < low < high < 1.61 * liters
    assert high > 1.1 * low


@pytest.mark.parametrize(
    ("name", "pounds_per_cubic_foot"),
    # Bulk densities as dealers of bins and spreaders list them; from memory.
    [
        ("urea", 47.0),
        ("ammonium sulfate", 64.0),
        ("potassium chloride", 70.0),
        ("potassium nitrate", 75.0),
        ("calcium nitrate", 66.0),
        ("magnesium sulfate", 60.0),
        ("potassium sulfate", 90.0),
        ("borax", 55.0),
        ("boric acid", 52.0),
        ("technical MAP", 60.0),
    ],
)
def test_the_range_holds_what_dealers_list(catalog: Catalog, name: str, pounds_per_cubic_foot: float) -> None:
    """A cubic foot is 28.31685 L."""
    low, high = swept_kg(asked(catalog, (name, "1 L")))
    assert low < pounds_per_cubic_foot * 0.45359237 / 28.31685 < high


def test_a_level_cup_is_told_and_asked_about(catalog: Catalog) -> None:
    """Potassium sulfate dissolves to 92.8 g/L at 10 degC (CRC Handbook, from memory: 9.28 g per 100 g water): 3 cups in
    2 gal may pass it or not, and the answer says which weight decides and how it is found out."""
    question = pour(("potassium sulfate", "3 cups"))
    question["bucket"] = {"volume": "2 gal", "temperature": "10 degC"}
    verdict = check(question, catalog)
    assert verdict.verdict == "unknown"
    told = [one for one in verdict.assumed if one.why == "volume-of-dry"]
    assert [assumed_words(one) for one in told] == [
        "3 cups potassium sulfate: a level measure of a dry product weighs 10 to 40.1 oz"
    ]
    decider = verdict.decided_by[0]
    assert decider.input == "weight of 3 cups potassium sulfate"
    assert decider.find_out.startswith("weigh a level cup")
    assert "trouble above" in decision_words(decider)


@pytest.mark.parametrize("ounces", ["10 oz", "41 oz"])
def test_weighed_at_either_end_it_is_settled(catalog: Catalog, ounces: str) -> None:
    """What the 3 cups may weigh at least and at most, weighed: within the range the verdict is one of these two."""
    question = pour(("potassium sulfate", ounces))
    question["bucket"] = {"volume": "2 gal", "temperature": "10 degC"}
    verdict = check(question, catalog, details=False)
    assert verdict.verdict == ("clear" if ounces == "10 oz" else "stop")


def test_a_stated_density_of_a_dry_product_is_taken(catalog: Catalog) -> None:
    """1 cup at 0.9 kg/L weighs 213 g, and nothing is swept."""
    data = pour(("urea", "1 cup"))
    data["product"][0]["density"] = "0.9 kg/L"
    item = ask(Pour.parse(data), catalog).poured[0]
    assert item.weight is None
    assert item.mass_kg == pytest.approx(0.9 * CUP_L, rel=1e-6)


def test_a_volume_of_a_dry_label_in_the_pour(catalog: Catalog) -> None:
    """A label that says that it is dry may be measured by the spoon; one that does not say is a liquid, and asks for
    its density."""
    label = {"name": "corner-shop feed", "amount": "2 tbsp", "grade": "20-20-20"}
    low, high = swept_kg(ask(Pour.parse({**pour(), "product": [{**label, "form": "dry"}]}), catalog))
    assert high == pytest.approx(4 * low)
    with pytest.raises(InputError, match='form = "dry"'):
        ask(Pour.parse({**pour(), "product": [label]}), catalog)


def test_cups_are_never_milder_than_the_lightest_and_heaviest_cup(catalog: Catalog) -> None:
    """Cups of two salts that meet as gypsum: wherever some weights within the ranges stop, cups are not clear."""
    cups = check(pour(("calcium nitrate", "2 cups"), ("magnesium sulfate", "2 cups")), catalog, details=False)
    heavy = check(pour(("calcium nitrate", "21 oz"), ("magnesium sulfate", "19 oz")), catalog, details=False)
    assert heavy.verdict == "stop"
    assert cups.verdict in {"stop", "unknown"}


# --- ounces of a liquid ---------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["KTS", "CaTS", "UAN-32", "phosphoric acid 85%", "aqua ammonia", "Alder Jug 12-4-8"])
@pytest.mark.parametrize("written", ["8 oz", "8 ounces", "8 oz.", "8 OZ"])
def test_ounces_of_a_liquid_are_read_both_ways(catalog: Catalog, name: str, written: str) -> None:
    """8 ounces by weight are 226.8 g; 8 fluid ounces weigh 236.6 mL times the density, which is another number."""
    question = asked(catalog, (name, written))
    density = question.poured[0].product.density
    assert density is not None
    ends = sorted([8 * OUNCE_KG, 8 * FLUID_OUNCE_L * density.kg_per_l])
    assert swept_kg(question) == pytest.approx(tuple(ends), rel=1e-5)
    assert [one.why for one in question.assumed if one.about].count("ounces-of-liquid") == 1


@pytest.mark.parametrize("written", ["8 fl oz", "8 oz by weight", "8 oz wt", "1/2 lb", "1 lb 8 oz", "1 gal 8 oz"])
def test_ounces_that_say_which_are_one_number(catalog: Catalog, written: str) -> None:
    """Fluid ounces, ounces by weight, and ounces behind pounds or gallons leave nothing open."""
    assert asked(catalog, ("KTS", written)).poured[0].weight is None


def test_ounces_behind_gallons_are_fluid(catalog: Catalog) -> None:
    """1 gal 8 oz is 136 fl oz."""
    amount = asked(catalog, ("KTS", "1 gal 8 oz")).poured[0].amount
    assert amount.kind == "volume"
    assert amount.low == pytest.approx(136 * FLUID_OUNCE_L, rel=1e-6)


def test_ounces_of_something_dry_are_weight(catalog: Catalog) -> None:
    """Nobody measures them otherwise."""
    item = asked(catalog, ("urea", "8 oz")).poured[0]
    assert item.weight is None
    assert item.mass_kg == pytest.approx(8 * OUNCE_KG, rel=1e-6)


def test_the_answer_tells_and_asks_which_ounces(catalog: Catalog) -> None:
    """They are among what was assumed, in words that a grower reads."""
    verdict = check(pour(("KTS", "8 oz")), catalog, details=False)
    told = [one for one in verdict.assumed if one.why == "ounces-of-liquid"]
    assert [assumed_words(one) for one in told] == [
        "8 oz potassium thiosulfate: by weight or fluid ounces, 8 to 12.2 oz by weight"
    ]
    assert verdict.pour.products[0].mass.high > 1.4 * verdict.pour.products[0].mass.low
