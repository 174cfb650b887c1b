"""Acid demand in farm terms: the pour with the acid in it reaches the pH, ranges follow what is not known, and what
cannot be answered is refused. Amounts against outside sources: tests/published/test_acid_demand.py."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from pourcheck import Catalog, InputError, Pour
from pourcheck.catalog.quantity.units import L_PER_GAL
from pourcheck.rules.ask.question import Question, ask
from pourcheck.rules.case.case import Case
from pourcheck.rules.explore.scenarios import scenarios
from pourcheck.rules.instead.acid import AcidDemand, acid_demand, acid_demands, water_alone

TARGET = 6.5
#: A water of which only the alkalinity is left to say; a 1:100 injector that was measured.
WATER = {
    "ph": 7.8, "calcium": "80 mg/L", "magnesium": "20 mg/L", "sulfate": "30 mg/L", "sodium": "20 mg/L",
    "chloride": "30 mg/L", "iron": "0 mg/L", "manganese": "0 mg/L", "silica": "10 mg/L", "temperature": "15 degC",
}  # fmt: skip
MEASURED = {"ratio": "1:100", "injector": "measured", "line_temperature": "20 degC"}
BUCKET = {"volume": "5 gal", "temperature": "15 degC"}


def setting(alkalinity: str = "220 mg/L CaCO3", **other: object) -> dict[str, object]:
    """A pour without products, everything but what is given as a number."""
    return {"bucket": BUCKET, "injection": MEASURED, "water": {**WATER, "alkalinity": alkalinity}, **other}


def alone(catalog: Catalog, data: dict[str, object], acid: str = "sulfuric acid", target: float = TARGET) -> AcidDemand:
    """Acid for water alone."""
    found = catalog.product(acid)
    return acid_demand(water_alone(data, catalog, found), found, target)


def question(catalog: Catalog, data: dict[str, object], *products: tuple[str, str]) -> Question:
    """The question of a pour of these products and amounts."""
    return ask(
        Pour.parse({**data, "product": [{"name": name, "amount": amount} for name, amount in products]}), catalog
    )


def line_ph(asked: Question) -> np.ndarray:
    """pH of the line in all scenarios of a question, before anything settles."""
    return Case(asked, scenarios(asked)).line.before_solids.ph


# --- asked again ----------------------------------------------------------------------------------

ACIDS = ("sulfuric acid", "nitric acid", "phosphoric acid", "hydrochloric acid", "vinegar", "urea phosphate",
         "superphosphoric acid", "urea-sulfuric acid 15-0-0")  # fmt: skip
POURS = {
    "water alone": (setting(), ()),
    "a bucket of so much water": (setting(bucket={"water": "20 L", "temperature": "15 degC"}), ()),
    "strong injection": (setting(injection={**MEASURED, "ratio": "1:10"}), ()),
    "soft water": (setting("12 mg/L CaCO3"), ()),
    "a fertilizer that is acid": (setting(), (("monopotassium phosphate", "1 lb"),)),
    "a fertilizer that is alkaline": (setting(), (("potassium silicate", "8 fl oz"),)),
    "a liquid": (setting(), (("UAN 32", "1 gal"),)),
    "a label that leaves room": (setting(), (("alder-micro-6-2-6", "1 qt"),)),
}


@pytest.mark.parametrize("acid", ACIDS)
@pytest.mark.parametrize("pour", POURS)
def test_the_pour_with_the_acid_reaches_the_target(pour: str, acid: str, catalog: Catalog) -> None:
    """Asked as any pour, with the acid as a line of it, the line has the target pH within 0.02."""
    data, products = POURS[pour]
    product = catalog.product(acid)
    asked = question(catalog, data, *products) if products else water_alone(data, catalog, product)
    target = TARGET if pour != "a fertilizer that is acid" else 6.2
    demand = acid_demand(asked, product, target)
    assert demand.needed
    lines = (*(asked.pour.product if products else ()), demand.line())
    again = ask(asked.pour.model_copy(update={"product": lines}), catalog)
    ph = line_ph(again)
    assert ph[0] == pytest.approx(target, abs=0.02)
    assert demand.ph_with.value == pytest.approx(ph[0], abs=0.02)


def test_a_range_of_the_unknown(catalog: Catalog) -> None:
    """Alkalinity as a range: its ends are the ends of the amount, and the pH of one amount has a range."""
    ranged = alone(catalog, setting("150 to 300 mg/L CaCO3"))
    ends = [alone(catalog, setting(f"{one} mg/L CaCO3")) for one in (150, 300)]
    assert ranged.fill_kg.low == pytest.approx(ends[0].fill_kg.value, rel=1e-3)
    assert ranged.fill_kg.high == pytest.approx(ends[1].fill_kg.value, rel=1e-3)
    assert not ends[0].fill_kg.varies
    for amount, ph in ((ranged.fill_kg.low, ranged.ph_with.high), (ranged.fill_kg.high, ranged.ph_with.low)):
        assert amount != ranged.fill_kg.value
        assert abs(ph - TARGET) > 0.1
    again = ask(Pour.parse({**setting("150 to 300 mg/L CaCO3"), "product": [ranged.line().model_dump()]}), catalog)
    assert ranged.ph_with.low == pytest.approx(line_ph(again).min(), abs=0.02)
    assert ranged.ph_with.high == pytest.approx(line_ph(again).max(), abs=0.02)


@pytest.mark.parametrize("unknown", ["ph", "temperature"])
def test_what_was_not_tested_is_swept(unknown: str, catalog: Catalog) -> None:
    """An untested pH and an unknown temperature of the water widen the amount."""
    data = setting()
    data["water"] = {name: value for name, value in data["water"].items() if name != unknown}  # type: ignore[attr-defined]
    data["injection"] = {"ratio": "1:100", "injector": "measured"}
    known, demand = alone(catalog, setting()), alone(catalog, data)
    assert demand.fill_kg.low < known.fill_kg.value < demand.fill_kg.high


def test_a_ratio_in_doubt_counts_for_the_fill_only(catalog: Catalog) -> None:
    """What a venturi may be off changes what goes into a fill, and hardly what 1,000 L take."""
    demand = alone(catalog, setting(injection={**MEASURED, "injector": "venturi"}))
    assert demand.fill_kg.high / demand.fill_kg.low == pytest.approx(1.25 / 0.75, rel=0.02)
    assert demand.per_1000_l_kg.high == pytest.approx(demand.per_1000_l_kg.low, rel=0.001)


def test_an_acid_without_water_test(catalog: Catalog) -> None:
    """Water that is not known at all may need none or much."""
    demand = alone(catalog, {"bucket": BUCKET, "injection": MEASURED})
    assert demand.fill_kg.low == 0.0
    assert demand.fill_kg.high > 3.0 * demand.fill_kg.value > 0.0


# --- which way it turns ---------------------------------------------------------------------------


@pytest.mark.parametrize("acid", ["sulfuric acid", "phosphoric acid", "vinegar"])
def test_more_alkalinity_takes_more(acid: str, catalog: Catalog) -> None:
    """Amounts rise with the alkalinity."""
    amounts = [alone(catalog, setting(f"{one} mg/L CaCO3"), acid).fill_kg.value for one in range(20, 420, 50)]
    assert all(one < other for one, other in pairwise(amounts))


@pytest.mark.parametrize("acid", ["sulfuric acid", "phosphoric acid", "vinegar"])
def test_a_lower_target_takes_more(acid: str, catalog: Catalog) -> None:
    """Amounts rise as the target falls, down to nothing at the pH of the water itself."""
    targets = np.arange(7.7, 4.4, -0.4)
    amounts = [alone(catalog, setting(), acid, float(target)).fill_kg.value for target in targets]
    assert all(one < other for one, other in pairwise(amounts))
    assert alone(catalog, setting(), acid, 8.2).fill_kg.value == 0.0


def test_no_acid_is_needed(catalog: Catalog) -> None:
    """A line that is acid enough needs none, and there is no line of the pour for it."""
    demand = alone(catalog, setting(), target=8.2)
    assert not demand.needed
    assert demand.ph_with == demand.ph_without
    with pytest.raises(InputError, match=r"no sulfuric acid is needed; leave the pour as it is"):
        demand.line()


# --- in an hour, and in the bucket ----------------------------------------------------------------


def test_in_an_hour_by_the_rates(catalog: Catalog) -> None:
    """By the suction: what is in the stock, times how much of it is drawn."""
    rates = {"suction": "6 gal/hour", "flow": "10 gal/min", "line_temperature": "20 degC"}
    demand = alone(catalog, setting(injection=rates))
    assert demand.hour_l is not None
    assert demand.fill_l is not None
    assert demand.hour_l.value == pytest.approx(demand.fill_l.value * 6.0 / 5.0, rel=1e-3)
    assert demand.hour_l.unit == "L/h"


def test_in_an_hour_by_the_drip(catalog: Catalog) -> None:
    """By what the emitters put out, where that is known: 10 laterals of 100 emitters of 1 L/h."""
    drip = {"emitter_flow": "1 L/hour", "emitter_spacing": "0.3 m", "lateral_length": "30 m",
            "inside_diameter": "16 mm", "laterals": 10}  # fmt: skip
    demand = alone(catalog, setting(drip=drip))
    assert demand.hour_kg is not None
    assert demand.hour_kg.value == pytest.approx(demand.per_1000_l_kg.value, rel=0.02)
    assert alone(catalog, setting()).hour_kg is None


def test_a_bucket_that_holds_the_acid(catalog: Catalog) -> None:
    """Sulfuric acid for 500 gal is a fraction of a bucket of 5 gal."""
    demand = alone(catalog, setting())
    assert demand.fill_l is not None
    assert demand.times_weaker == 1.0
    assert demand.percent_of_stock.value == pytest.approx(100.0 * demand.fill_l.value / (5.0 * L_PER_GAL), rel=1e-3)


@pytest.mark.parametrize("products", [(), (("potassium nitrate", "2 lb"),)])
def test_a_bucket_that_does_not(products: tuple[tuple[str, str], ...], catalog: Catalog) -> None:
    """Vinegar for a ratio of 1:400 does not fit. So many times less of everything, at as many times fewer parts of
    water, does, and reaches the target; a tenth less than that does not fit."""
    vinegar = catalog.product("vinegar")
    data = setting(injection={**MEASURED, "ratio": "1:400"})
    asked = question(catalog, data, *products) if products else water_alone(data, catalog, vinegar)
    demand = acid_demand(asked, vinegar)
    assert demand.times_weaker > 1.1

    def weaker(times: float) -> Question:
        lines = [
            {"name": name, "amount": f"{float(amount.split()[0]) / times} {amount.split()[1]}"}
            for name, amount in products
        ]
        lines.append(demand.line(demand.fill_kg.value / times).model_dump())
        injection = {**MEASURED, "ratio": f"1:{400.0 / times}"}
        return ask(Pour.parse({**data, "injection": injection, "product": lines}), catalog)

    assert line_ph(weaker(1.001 * demand.times_weaker))[0] == pytest.approx(TARGET, abs=0.02)
    with pytest.raises(InputError, match=r"does not leave enough water"):
        weaker(0.9 * demand.times_weaker)


# --- several, and none ----------------------------------------------------------------------------


def test_several_acids_at_once(catalog: Catalog) -> None:
    """Asked together, acids get what they get alone; one that is too weak is none."""
    weak = catalog.product("vinegar").model_copy(update={"id": "weak", "name": "weak acid"})
    content = weak.content[0]
    thin = content.mass_fraction.model_copy(update={"value": 1e-5})
    weak = weak.model_copy(update={"content": (content.model_copy(update={"mass_fraction": thin}),)})
    acids = [catalog.product(name) for name in ACIDS]
    asked = water_alone(setting(), catalog, acids[0])
    *together, none = acid_demands(asked, [*acids, weak])
    for acid, one in zip(acids, together, strict=True):
        assert one is not None
        assert one.fill_kg.value == pytest.approx(acid_demand(asked, acid).fill_kg.value, rel=1e-4)
    assert none is None
    with pytest.raises(InputError, match=r'"weak acid" is too weak to bring this line to pH 6.5; take a stronger acid'):
        acid_demand(asked, weak)


@pytest.mark.parametrize(
    ("acid", "message"),
    [
        ("urea", '"urea" is not listed as an acid; take an acid, or add acid to its hazards'),
        (
            "citric acid",
            '"citric acid" cannot be dosed: what it dissolves to is not on record; take sulfuric, nitric or phosphoric '
            "acid, or add its formula and strength; of organic acids the model holds acetic acid alone",
        ),
    ],
)
def test_no_acid_to_compute_with(acid: str, message: str, catalog: Catalog) -> None:
    """What is not known to be acid, or how much, is refused in one line."""
    asked = water_alone(setting(), catalog, catalog.product("sulfuric acid"))
    with pytest.raises(InputError, match=re.escape(message)):
        acid_demand(asked, catalog.product(acid))


def test_a_liquid_of_unknown_density(catalog: Catalog) -> None:
    """Acid that cannot be measured out is refused."""
    acid = catalog.product("sulfuric acid").model_copy(update={"density": None})
    with pytest.raises(InputError, match=r"is a liquid of unknown density; add the density from its label"):
        acid_demand(water_alone(setting(), catalog, catalog.product("sulfuric acid")), acid)


@pytest.mark.parametrize("target", [3.9, 8.6, float("nan")])
def test_targets_that_no_water_is_brought_to(target: float, catalog: Catalog) -> None:
    """Targets outside of 4 to 8.5 are refused."""
    with pytest.raises(InputError, match=r"is none that irrigation water is brought to; take one from 4 to 8.5"):
        alone(catalog, setting(), target=target)


def test_a_product_that_nothing_is_known_of(catalog: Catalog) -> None:
    """Beside a product of unknown content no amount of acid is right."""
    asked = question(catalog, setting(), ("humic acid", "1 qt"))
    with pytest.raises(InputError, match=r'it is not known what "humic acid" brings to the line'):
        acid_demand(asked, catalog.product("sulfuric acid"))


def test_a_water_that_cannot_be(catalog: Catalog) -> None:
    """Alkalinity at a pH that leaves none is a typing error."""
    data = setting()
    data["water"] = {**WATER, "ph": 3.5, "alkalinity": "220 mg/L CaCO3"}
    with pytest.raises(InputError, match=r"its pH and alkalinity do not go together; check both and their units"):
        alone(catalog, data)


def test_a_setting_with_products(catalog: Catalog) -> None:
    """Water alone is asked for without products."""
    acid = catalog.product("sulfuric acid")
    with pytest.raises(InputError, match=r"names products; ask for the acid of this pour instead"):
        water_alone({**setting(), "product": [{"name": "urea", "amount": "1 lb"}]}, catalog, acid)


def test_a_bucket_of_nothing_but_water_has_no_products(catalog: Catalog) -> None:
    """The token amount that names the acid is not in the water."""
    acid = catalog.product("sulfuric acid")
    asked = water_alone(setting(), catalog, acid)
    assert asked.poured == ()
    in_water = replace(asked, poured=question(catalog, setting(), ("sulfuric acid", "200 mL")).poured)
    assert line_ph(in_water)[0] < line_ph(asked)[0] - 0.5
