"""The one table of quantities: what reads it has what it declares, and nothing else."""

from __future__ import annotations

import pytest

from pourcheck import InputError, WaterTest
from pourcheck.catalog.quantity.concentration import READINGS
from pourcheck.catalog.quantity.measure import Measure
from pourcheck.catalog.quantity.table import LEVERS, QUANTITIES, OptionalQuantity, SureQuantity
from pourcheck.catalog.species import SPECIES
from pourcheck.catalog.water.quality import class_limits
from pourcheck.rules.ask.pour import Pour
from pourcheck.rules.policy import default_unknowns

NOT_ITEMS = {
    "id",
    "name",
    "invented",
    "notes",
    "source",
    "tested_on",
    "temperature",
    "dissolved_solids",
    "softened",
    "ec",
}


def test_every_item_of_a_water_test_is_declared() -> None:
    """Fields of a water test that are numbers have a quantity of the same name, and every way of reading too."""
    assert set(WaterTest.model_fields) - NOT_ITEMS <= set(QUANTITIES)
    assert set(READINGS) <= set(QUANTITIES)


def test_names_and_keys_are_unique() -> None:
    """One name, one key, one quantity."""
    assert all(name == quantity.name for name, quantity in QUANTITIES.items())
    assert len({quantity.key for quantity in QUANTITIES.values()}) == len(QUANTITIES)
    assert len({quantity.spoken for quantity in QUANTITIES.values()}) == len(QUANTITIES)


@pytest.mark.parametrize("quantity", QUANTITIES.values(), ids=lambda one: one.name)
def test_a_quantity_is_whole(quantity: SureQuantity | OptionalQuantity) -> None:
    """Bounds the right way round, a way to find it out, a species that exists; a charge is that of the species."""
    assert isinstance(quantity, SureQuantity | OptionalQuantity)
    assert quantity.least < quantity.most
    assert 1 <= quantity.cost <= 5
    assert quantity.find_out
    if quantity.species is not None:
        assert quantity.charge in {0, SPECIES[quantity.species].charge}
    if quantity.lever is not None:
        assert quantity.least <= quantity.lever.low < quantity.lever.high <= quantity.most
        assert quantity in LEVERS


def test_what_is_swept_when_missing_has_a_range_within_its_bounds() -> None:
    """Each quantity that is swept where it is not stated, always or beside some products, and no other; but for the
    amount, which is stated."""
    swept = {name for name, one in QUANTITIES.items() if one.missing == "swept" or one.matters_with} - {"amount_factor"}
    ranges = default_unknowns()
    assert set(ranges) == swept
    for name, usual in ranges.items():
        assert QUANTITIES[name].least <= usual.low < usual.high <= QUANTITIES[name].most


def test_a_quantity_that_may_be_left_out_is_optional() -> None:
    """What is taken as none or swept has numbers in every question; calcium and magnesium may stand in a hardness."""
    for name, quantity in QUANTITIES.items():
        if quantity.missing == "left out":
            assert isinstance(quantity, OptionalQuantity), name
        if quantity.missing == "none":
            assert isinstance(quantity, SureQuantity), name


def test_clogging_classes_are_of_declared_items() -> None:
    """Published classes name items of the table."""
    assert set(class_limits()) <= {*QUANTITIES, "dissolved_solids"}


# --- read once ------------------------------------------------------------------------------------


def test_a_measure_keeps_the_user_s_own_unit() -> None:
    """Text, number and unit system, from the first reading on; written back as it was."""
    pour = Pour.parse(
        {
            "product": [{"name": "urea", "amount": "8 fl oz"}],
            "bucket": {"volume": "5 gal", "temperature": "45 to 55 degF"},
            "injection": {"ratio": "1:80 to 1:120"},
            "water": {"calcium": "12 gpg", "ph": 7.6},
        }
    )
    amount, volume, temperature = pour.product[0].amount, pour.bucket.volume, pour.bucket.temperature
    assert isinstance(amount, Measure)
    assert (amount.kind, amount.system, amount.own_unit) == ("volume", "us", "fl oz")
    assert amount.low == pytest.approx(8 * 0.0295735, rel=1e-4)  # US fluid ounce in liters, by definition
    assert volume is not None
    assert volume.low == pytest.approx(5 * 3.785411784)
    assert temperature is not None
    assert temperature.span == pytest.approx(((45 - 32) / 1.8, (55 - 32) / 1.8))
    assert pour.model_dump(exclude_none=True)["bucket"] == {"volume": "5 gal", "temperature": "45 to 55 degF"}
    assert pour.water is not None
    assert pour.water.model_dump(exclude_none=True)["ph"] == 7.6
    assert Pour.parse(pour.model_dump(exclude_none=True)) == pour


@pytest.mark.parametrize(
    ("table", "field", "text"),
    [
        ("product", "amount", "5 cows"),
        ("bucket", "volume", "5 degF"),
        ("injection", "flow", "4 gal"),
        ("drip", "emitter_flow", "1 L"),
        ("water", "calcium", "95 furlongs"),
        ("water", "calcium", "5000 mg/L"),
    ],
)
def test_what_cannot_be_read_fails_at_parse(table: str, field: str, text: str) -> None:
    """Before any catalog is opened, with the field named and a cure."""
    data = {"product": [{"name": "urea", "amount": "1 lb"}], "bucket": {"volume": "5 gal"}}
    if table == "product":
        data["product"][0][field] = text  # type: ignore[index]
    else:
        data[table] = {**dict(data.get(table, {})), field: text}  # type: ignore[assignment, call-overload]
    with pytest.raises(InputError) as refused:
        Pour.parse(data)
    assert field in refused.value.where
    assert refused.value.mend


# --- as people write them -------------------------------------------------------------------------

POUND = 0.45359237  # kg, by definition
CUP = 0.2365882365  # L, US customary cup, by definition


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2 lb 3 oz", (2 + 3 / 16) * POUND),
        ("2 lb, 3 oz", (2 + 3 / 16) * POUND),
        ("1 lb and 4 oz", 1.25 * POUND),
        ("1/2 lb", 0.5 * POUND),
        ("½ lb", 0.5 * POUND),
        ("1½ lb", 1.5 * POUND),
        ("½ cup", 0.5 * CUP),
        ("1 gal 2 cups", 16 * CUP + 2 * CUP),
        ("1 kg 250 g", 1.25),
    ],
)
def test_amounts_as_people_write_them(text: str, expected: float) -> None:
    """In two units, and with fractions."""
    pour = Pour.parse({"product": [{"name": "x", "amount": text}], "bucket": {"volume": "5 gal"}})
    amount = pour.product[0].amount
    assert amount.low == pytest.approx(expected, rel=1e-9)
    assert amount.text == text
    half = Pour.parse({"product": [{"name": "x", "amount": amount.times(0.5)}], "bucket": {"volume": "5 gal"}})
    assert half.product[0].amount.low == pytest.approx(0.5 * expected, rel=5e-3)


@pytest.mark.parametrize("text", ["2 lb 3 gal", "3 oz 2 lb", "2 lb 3", "2 lb 3 lb", "1 lb 2 oz 3 cows"])
def test_amounts_that_make_no_sense(text: str) -> None:
    """Two kinds, the small unit first, no unit, the same unit twice."""
    with pytest.raises(InputError):
        Pour.parse({"product": [{"name": "x", "amount": text}], "bucket": {"volume": "5 gal"}})


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("1:64", 64.0),
        ("1 to 64", 64.0),
        ("1/64", 64.0),
        ("1 in 64", 64.0),
        ("1.5 %", 200.0 / 3.0),
        ("2%", 50.0),
        ("1 gal per 100 gal", 100.0),
        ("1 gal/100 gal", 100.0),
        ("2 oz/gal", 64.0),  # 128 fluid ounces in a US gallon, by definition
        ("1 oz per gallon", 128.0),
        ("10 mL/L", 100.0),
    ],
)
def test_ratios_as_people_write_them(text: str, expected: float) -> None:
    """Stock to water, however it is written."""
    pour = Pour.parse(
        {"product": [{"name": "x", "amount": "1 lb"}], "bucket": {"volume": "5 gal"}, "injection": {"ratio": text}}
    )
    assert pour.injection.ratio is not None
    assert pour.injection.ratio.span == pytest.approx((expected, expected), rel=1e-6)
