"""The main job, end to end, as a grower and an adviser would ask it."""

from __future__ import annotations

from typing import Any

import pytest

from pourcheck import Catalog, InputError, check, swap
from pourcheck.rules.answer.verdict import Swaps

HARD = {"calcium": "95 mg/L", "alkalinity": "210 mg/L CaCO3", "ph": 7.6}
SOFT = {"calcium": "4 mg/L", "ph": 6.8}


def pour(*products: str, water: dict[str, Any] | str | None = None, **tables: Any) -> dict[str, Any]:
    """5 gal, 1:100; products as "name=amount"."""
    data: dict[str, Any] = {
        "product": [dict(zip(("name", "amount"), text.rsplit("=", 1), strict=True)) for text in products],
        "bucket": {"volume": "5 gal"},
        "injection": {"ratio": "1:100"},
    }
    if water is not None:
        data["water"] = {"name": water} if isinstance(water, str) else water
    return data | tables


def rules_at(verdict: Any, level: str) -> set[str]:
    """Names of the rules that speak at a level."""
    return {finding.rule for finding in verdict.findings if finding.level == level}


def test_phosphorus_free_feed_on_the_hard_well_is_not_stopped(catalog: Catalog) -> None:
    """10-0-10 without phosphorus may go through the drip on the hard limestone well."""
    verdict = check(pour("10-0-10 liquid without phosphorus=1 gal", water="ridge-well"), catalog, depth="numbers")
    assert verdict.verdict in {"clear", "caution"}


def test_monoammonium_phosphate_into_hard_water_is_stopped_with_numbers_and_a_swap(catalog: Catalog) -> None:
    """MAP 1 lb in 5 gal, 1:100, calcium 95 mg/L, alkalinity 210 mg/L, pH 7.6: calcium phosphate forms."""
    verdict = check(pour("technical MAP=1 lb", water=HARD), catalog)
    assert verdict.verdict == "stop"
    finding = next(f for f in verdict.findings if f.rule == "phosphate-meets-hard-water")
    assert finding.level == "stop"
    assert finding.numbers["brushite_saturation_index"].value > 0
    assert finding.numbers["precipitated"].value > 10
    assert verdict.swaps, "a swap is offered"
    assert all(s.verdict in {"clear", "caution"} for s in verdict.swaps)


def test_monoammonium_phosphate_into_soft_water_is_not_stopped(catalog: Catalog) -> None:
    """The same pour on calcium 4 mg/L, pH 6.8; iron was not tested, and that is what is left open."""
    verdict = check(pour("technical MAP=1 lb", water=SOFT), catalog, depth="numbers")
    assert verdict.verdict == "unknown"
    assert rules_at(verdict, "unknown") == {"iron-in-water"}
    assert check(pour("technical MAP=1 lb", water="brook-well"), catalog, depth="numbers").verdict == "clear"


@pytest.mark.quick
def test_calcium_nitrate_with_magnesium_sulfate_is_stopped_and_each_alone_is_clear(catalog: Catalog) -> None:
    """Two right bottles in one bucket make gypsum: more than ten grams per liter of it."""
    both = check(pour("calcium nitrate=2 lb", "magnesium sulfate=2 lb", water="brook-well"), catalog, depth="numbers")
    assert both.verdict == "stop"
    finding = next(f for f in both.findings if f.rule == "calcium-meets-sulfate")
    assert finding.numbers["precipitated"].value > 10
    assert "g/L of gypsum" in finding.message
    for one in ("calcium nitrate=2 lb", "magnesium sulfate=2 lb"):
        assert check(pour(one, water="brook-well"), catalog, depth="numbers").verdict == "clear"


@pytest.mark.quick
def test_rock_phosphate_is_stopped(catalog: Catalog) -> None:
    """What does not dissolve does not go through drip."""
    verdict = check(pour("rock phosphate=1 lb", water="brook-well"), catalog)
    assert verdict.verdict == "stop"
    assert "insoluble-source" in rules_at(verdict, "stop")


def test_without_a_water_test_the_answer_names_the_value_at_which_it_turns(catalog: Catalog) -> None:
    """No water given: unknown, with the calcium at which it turns between the soft and the hard well's."""
    verdict = check(pour("technical MAP=1 lb"), catalog)
    assert verdict.verdict == "unknown"
    finding = next(f for f in verdict.findings if f.rule == "phosphate-meets-hard-water")
    calcium = next(turn for turn in finding.turns if turn.input == "water calcium")
    assert calcium.turns_at is not None
    assert 4 < calcium.turns_at < 95
    assert any("calcium" in step for step in finding.do)
    assert any(one.why == "not-stated" for one in verdict.assumed)


def test_a_verdict_that_holds_over_the_whole_range_is_given_without_a_water_test(catalog: Catalog) -> None:
    """Calcium nitrate with magnesium sulfate is a stop in any water."""
    verdict = check(pour("calcium nitrate=2 lb", "magnesium sulfate=2 lb"), catalog, depth="numbers")
    assert verdict.verdict == "stop"


def test_swap_brings_the_same_nitrogen_and_potassium_without_phosphorus(catalog: Catalog) -> None:
    """2 lb of 20-20-20 hold 0.4 lb N and 0.4 lb K2O, on the label's own bookkeeping."""
    data = pour("Alder Twenty 20-20-20 (invented)=2 lb", water="ridge-well", soil={"phosphorus": "high"})
    verdict = check(data, catalog)
    assert "phosphorus-not-needed" in rules_at(verdict, "caution")
    assert verdict.swaps
    pound = 0.45359237
    for offer in verdict.swaps:
        products = [(catalog.product(p.name), p.kg) for p in offer.products]
        assert 0.4 * pound == pytest.approx(sum(kg * (p.percent("n") or 0) / 100 for p, kg in products), rel=0.03)
        assert 0.4 * pound == pytest.approx(sum(kg * (p.percent("k2o") or 0) / 100 for p, kg in products), rel=0.03)
        assert all((p.percent("p2o5") or 0) < 0.1 for p, _ in products)
        again = check(
            pour(*(f"{p.name}={p.kg} kg" for p in offer.products), water="ridge-well"), catalog, depth="numbers"
        )
        assert again.verdict == offer.verdict


def test_swap_of_a_pour_without_phosphorus_is_empty(catalog: Catalog) -> None:
    """Nothing to replace."""
    assert swap_of(catalog, "urea=1 lb") == Swaps(without=("phosphorus",), replaces=())


def swap_of(catalog: Catalog, *products: str) -> Swaps:
    """Swaps on the hard well."""
    from pourcheck import Pour

    return swap(Pour.parse(pour(*products, water="ridge-well")), catalog)


def test_edge_is_where_the_verdict_turns(catalog: Catalog) -> None:
    """A hair inside the edge the verdict holds, a hair outside it is what the edge says."""
    data = pour("technical MAP=1 lb", water="brook-well")
    edge = check(data, catalog).edge("amount_factor")
    assert edge is not None
    assert edge.worse is not None
    factor = edge.worse.value
    for side, expected in ((0.98, "clear"), (1.02, edge.worse.verdict)):
        found = check(pour(f"technical MAP={factor * side} lb", water="brook-well"), catalog, depth="numbers")
        assert found.verdict == expected


@pytest.mark.quick
def test_cooling_is_the_worked_example(catalog: Catalog) -> None:
    """100 g ammonium nitrate in 1 L cools by 7.1 degC, +-0.6 (worked example W72, computed from the
    CRC enthalpy of solution 25.69 kJ/mol with a heat capacity of 4.1 kJ/kg of solution)."""
    from pourcheck import Pour
    from pourcheck.rules.ask.question import ask
    from pourcheck.rules.case.case import Case

    data = pour("ammonium nitrate=100 g", water="brook-well")
    data["bucket"] = {"volume": "1.065 L"}
    question = ask(Pour.parse(data), catalog)
    assert pytest.approx(float(Case(question, question.columns(1)).cooling_c[0]), abs=0.6) == 7.1


def test_order_of_products_does_not_matter(catalog: Catalog) -> None:
    """The bucket does not know which bottle came first."""
    one = check(pour("urea=1 lb", "technical MAP=1 lb", "potassium nitrate=1 lb", water="ridge-well"), catalog)
    other = check(pour("potassium nitrate=1 lb", "technical MAP=1 lb", "urea=1 lb", water="ridge-well"), catalog)
    assert one.verdict == other.verdict
    assert one.line is not None
    assert other.line is not None
    assert one.line.ph.value == pytest.approx(other.line.ph.value)
    assert one.edges == other.edges


def test_liquids_by_volume_need_a_density(catalog: Catalog) -> None:
    """A volume of a liquid without density is asked for, never guessed."""
    data = pour(water="brook-well")
    data["product"] = [
        {"name": "jug", "amount": "1 qt", "grade": "10-0-10", "derived_from": ["urea", "potassium chloride"]}
    ]
    with pytest.raises(InputError, match="density"):
        check(data, catalog, depth="numbers")
    data["product"][0]["density"] = "10.2 lb/gal"
    assert check(data, catalog, depth="numbers").verdict == "clear"


def test_nobody_is_told_how_much_acid_a_bucket_takes(catalog: Catalog) -> None:
    """A gallon of sulfuric acid is stopped by its heat, and less is not; the answer names no amount all the same."""
    verdict = check(pour("sulfuric acid=1 gal", water="brook-well"), catalog)
    assert "bucket-too-hot" in rules_at(verdict, "stop")
    assert verdict.edge("amount_factor") is None
    assert verdict.edge("injection_ratio") is None
    less = check(pour("sulfuric acid=1 fl oz", water="brook-well"), catalog, depth="numbers")
    assert "bucket-too-hot" not in rules_at(less, "stop")


def test_metals_show_what_forms_and_rust_no_saturation_index(catalog: Catalog) -> None:
    """Manganese phosphate comes with its index and amount; where iron rusts there is no index to show."""
    data = pour("manganese sulfate=8 oz", "dipotassium phosphate=2 lb", water="brook-well")
    finding = next(f for f in check(data, catalog, depth="numbers").findings if f.rule == "metal-meets-phosphate")
    assert set(finding.numbers) == {"saturation_index", "precipitated", "bucket_ph"}
    assert finding.numbers["precipitated"].unit == "mg/L"
    assert f"{finding.numbers['precipitated'].value:.0f} mg/L of manganese phosphate" in finding.message
    data = pour("iron sulfate=1 lb", water="ridge-well")
    iron = next(f for f in check(data, catalog, depth="numbers").findings if f.rule == "metal-hydroxide")
    assert "saturation_index" not in iron.numbers
