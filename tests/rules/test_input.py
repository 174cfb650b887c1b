"""Pours as people write them: cups and spoons of dry goods, ounces of a liquid, names that several grades bear."""

from __future__ import annotations

from typing import Any

import pytest

from pourcheck import Catalog, Pour, UnknownName, check
from pourcheck.catalog import InputError
from pourcheck.rules.answer.echo import meant
from pourcheck.rules.ask.question import Question, ask
from pourcheck.rules.present.words import assumed_words, decision_words, pour_words

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
    verdict = check(question, catalog, depth="numbers")
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
    cups = check(pour(("calcium nitrate", "2 cups"), ("magnesium sulfate", "2 cups")), catalog, depth="numbers")
    heavy = check(pour(("calcium nitrate", "21 oz"), ("magnesium sulfate", "19 oz")), catalog, depth="numbers")
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
    verdict = check(pour(("KTS", "8 oz")), catalog, depth="numbers")
    told = [one for one in verdict.assumed if one.why == "ounces-of-liquid"]
    assert [assumed_words(one) for one in told] == [
        "8 oz potassium thiosulfate: by weight or fluid ounces, 8 to 12.2 oz by weight"
    ]
    assert verdict.pour.products[0].mass.high > 1.4 * verdict.pour.products[0].mass.low


# --- as people write it -----------------------------------------------------------------------------

#: Kilograms of a pound, by definition (NIST Handbook 44, appendix C); a gallon has 128 fluid ounces, 16 cups and 256
#: tablespoons.
POUND_KG = 0.45359237
RATIOS: dict[str, float] = {
    "1:64": 64.0,
    "1 : 64": 64.0,
    "1 to 64": 64.0,
    "1/64": 64.0,
    "1 in 64": 64.0,
    "1.5 %": 100.0 / 1.5,
    "1.5%": 100.0 / 1.5,
    "2 percent": 50.0,
    "1 gal per 100 gal": 100.0,
    "1 gal/100 gal": 100.0,
    "2 oz/gal": 64.0,
    "2 oz per gal": 64.0,
    "2 fl oz per gallon": 64.0,
    "1 tbsp/gal": 256.0,
    "1 cup per 5 gal": 80.0,
    "10 mL/L": 100.0,
    "1 L per 100 L": 100.0,
}


@pytest.mark.parametrize("written", RATIOS)
def test_ratios(catalog: Catalog, written: str) -> None:
    """All ways to write stock to water, and what a Venturi makes of them; echoed as written."""
    data = pour(("urea", "1 lb"), injection={"ratio": written, "injector": "measured"})
    verdict = check(data, catalog, depth="numbers")
    assert verdict.pour.quantities["injection_ratio"].value == pytest.approx(RATIOS[written], rel=1e-4)
    assert f" in 5 gal, {written} into brook-well" in pour_words(Pour.parse(data), verdict)


@pytest.mark.parametrize("written", ["64:1", "64", "1-64", "1 to", "0 %", "2 lb/gal", "1:0"])
def test_what_is_no_ratio(written: str) -> None:
    """Nothing is guessed."""
    with pytest.raises(InputError, match="not an injection ratio"):
        Pour.parse(pour(("urea", "1 lb"), injection={"ratio": written}))


WEIGHTS: dict[str, float] = {
    "2 lb 3 oz": 35.0 / 16.0 * POUND_KG,
    "2 lb, 3 oz": 35.0 / 16.0 * POUND_KG,
    "2 lbs and 3 ozs": 35.0 / 16.0 * POUND_KG,
    "1/2 lb": POUND_KG / 2,
    "½ lb": POUND_KG / 2,
    "half a pound": POUND_KG / 2,
    "a pound": POUND_KG,
    "1 1/2 lb": 1.5 * POUND_KG,
    "1½ lbs": 1.5 * POUND_KG,
    "2-1/2 lb": 2.5 * POUND_KG,
    "2 lb.": 2 * POUND_KG,
    "5#": 5 * POUND_KG,
    "8 oz": POUND_KG / 2,
    "8ounces": POUND_KG / 2,
    "500g": 0.5,
    "1.5 kg": 1.5,
}


@pytest.mark.parametrize("written", WEIGHTS)
def test_weights(catalog: Catalog, written: str) -> None:
    """Of something dry, known to the gram, and echoed as written."""
    verdict = check(pour(("urea", written)), catalog, depth="numbers")
    mass = verdict.pour.products[0].mass
    assert (mass.low, mass.high) == pytest.approx((WEIGHTS[written], WEIGHTS[written]), rel=1e-4)
    assert pour_words(Pour.parse(pour(("urea", written))), verdict).startswith(f"{written} urea 46-0-0 in 5 gal")


@pytest.mark.parametrize("written", ["1 T", "1 t", "1 scoop", "2 handfuls", "1 bag", "1,5 kg", "10 gr", "2 # 3", "1 c"])
def test_what_is_no_amount(written: str) -> None:
    """A capital T is a tablespoon in a kitchen and a tonne on a scale: nothing is guessed."""
    with pytest.raises(InputError):
        Pour.parse(pour(("urea", written)))


NAMES: dict[str, tuple[str, str]] = {
    # as written: the product, and how it is echoed; common practice, no source
    "46-0-0": ("urea", "urea 46-0-0"),
    "urea 46-0-0": ("urea", "urea 46-0-0"),
    "13-0-46": ("potassium-nitrate", "potassium nitrate 13-0-44"),
    "potassium nitrate 13-0-46": ("potassium-nitrate", "potassium nitrate 13-0-44"),
    "0-52-34": ("monopotassium-phosphate", "monopotassium phosphate 0-52-34"),
    "MKP 0-52-34": ("monopotassium-phosphate", "MKP 0-52-34"),
    "15.5-0-0": ("calcium-nitrate", "calcium nitrate 15.5-0-0"),
    "15.5-0-0 calcium nitrate": ("calcium-nitrate", "calcium nitrate 15.5-0-0"),
    "15.5-0-0-19Ca": ("calcium-nitrate", "calcium nitrate 15.5-0-0"),
    "21-0-0-24S": ("ammonium-sulfate", "ammonium sulfate 21-0-0"),
    "12-0-0-26S": ("ammonium-thiosulfate", "ammonium thiosulfate 12-0-0"),
    "MAP": ("monoammonium-phosphate", "MAP technical 12-61-0"),
    "MAP 11-52-0": ("monoammonium-phosphate-granular", "monoammonium phosphate, granular 11-52-0"),
    "CAN-17": ("calcium-ammonium-nitrate-solution", "CAN-17 17-0-0"),
    "KTS": ("potassium-thiosulfate", "KTS 0-0-25"),
    "CaTS": ("calcium-thiosulfate", "CaTS (calcium thiosulfate)"),
    "ATS": ("ammonium-thiosulfate", "ATS 12-0-0"),
    "SOP": ("potassium-sulfate", "SOP 0-0-50"),
    "SOP 0-0-50": ("potassium-sulfate", "SOP 0-0-50"),
    "KCl": ("potassium-chloride", "KCl 0-0-62"),
    "Epsom": ("magnesium-sulfate", "Epsom (magnesium sulfate)"),
    "humic": ("humic-acid", "humic (humic acid)"),
    "household bleach": ("household-bleach", "household bleach"),
    "32-0-0": ("uan-32", "UAN-32 32-0-0"),
    "nitric acid 14-0-0": ("nitric-acid", "nitric acid 60-67% 14-0-0"),
}


@pytest.mark.parametrize("written", NAMES)
def test_names(catalog: Catalog, written: str) -> None:
    """Short names, and grades alone or anywhere in a name; the echo tells what was meant."""
    product = catalog.product(written)
    assert (product.id, meant(written, product)) == NAMES[written]


@pytest.mark.parametrize(
    "written", ["15-0-0", "14-0-0", "0-54-0", "0-0-50", "urea 17-44-0", "urea 15-0-0", "KCl 0-0-60", "46-0-0-20S"]
)
def test_what_a_grade_does_not_tell(catalog: Catalog, written: str) -> None:
    """A grade alone never means an acid; a name and a grade that do not fit mean nothing, nor does one of two."""
    with pytest.raises(UnknownName):
        catalog.product(written)


@pytest.mark.parametrize(
    "unit", ["lb", "oz", "kg", "g", "cup", "tbsp", "tsp", "qt", "fl oz", "gal", "L", "mL", "pound"]
)
@pytest.mark.parametrize("factor", [0.002, 0.011, 0.3, 1.0, 7.0, 1234.0])
def test_an_amount_is_told_as_it_can_be_measured(unit: str, factor: float) -> None:
    """No 0.011 qt, no 1.23e+03 g: between a tenth and a thousand of a unit where there is one, of the same system and
    the same amount."""
    amount = Pour.parse(pour(("urea", f"1 {unit}"))).product[0].amount
    told = amount.times(factor)
    again = Pour.parse(pour(("urea", told))).product[0].amount
    assert again.low == pytest.approx(amount.low * factor, rel=6e-3)
    assert (again.kind, again.system) == (amount.kind, amount.system)
    assert "e" not in told.split()[0]
    smallest, largest = {"oz", "tsp", "g", "mL"}, {"lb", "gal", "kg", "L", "cups"}
    number, own = told.split(maxsplit=1)
    assert float(number) >= 0.1 or own in smallest, told
    assert float(number) < 1000 or own in largest, told
