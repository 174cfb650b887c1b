"""Never a false clear, on a small sample; tests/evidence/hidden_truth.py is the long run and says what is measured.

The outside truth of a pour is what was put into it. The generator itself is held against chemistry and definitions
that are written out here, each with its source.
"""

from __future__ import annotations

import json
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pourcheck import Product, WaterTest
from pourcheck.catalog.quantity import units

sys.path.insert(0, str(Path(__file__).parent.parent / "evidence"))
from hidden_truth import PLAIN_WATER, Catalogs, Counts, Pair, catalogs, draw, report, result_of, run, run_one, seeds
from makers import DRY, LIQUID, MOST_OVERRUN, PLAIN, draw_amount, draw_hidden, draw_label, materials_of
from wells import draw_well, exact_water

SAMPLE = 36


@pytest.fixture(scope="module")
def both() -> Catalogs:
    """The shipped catalog, and the one of the true pours."""
    return catalogs()


@pytest.fixture(scope="module")
def materials(both: Catalogs) -> dict[str, Product]:
    """What hidden products are made of."""
    return materials_of(both.asked)


# --- the measure ----------------------------------------------------------------------------------


def test_no_false_clear_in_a_small_sample(both: Catalogs, materials: dict[str, Product]) -> None:
    """No pour that is truly a stop is called clear, none raises, and the sample holds every kind of truth."""
    counts = Counts(tuple(run_one(seed, both, materials) for seed in seeds(1, SAMPLE)))
    text = "\n".join(report(counts, 1.0, 1))
    assert not counts.faults, text
    assert not counts.false_clears, text
    truths = Counter(result.truth for result in counts.results)
    assert min(truths["clear"], truths["caution"], truths["stop"]) >= SAMPLE // 10, truths
    assert counts.complete


def test_a_run_over_processes_finds_what_one_process_finds(both: Catalogs, materials: dict[str, Product]) -> None:
    """The results belong to the seeds, in their order, however many processes there are."""
    alone = tuple(run_one(seed, both, materials) for seed in seeds(5, 3))
    assert alone == run(3, 5, 2).results


HARD = {"ph": 7.6, "alkalinity": "210 mg/L CaCO3", "calcium": "95 mg/L", "magnesium": "22 mg/L"}
SOFT = {"ph": 6.8, "alkalinity": "17 mg/L CaCO3", "calcium": "4 mg/L", "magnesium": "1.2 mg/L"}
REST = dict.fromkeys(("sodium", "chloride", "sulfate", "silica"), "5 mg/L") | {"iron": "0.01 mg/L"}


def misled(asked: dict[str, object], true: dict[str, object]) -> Pair:
    """Phosphate into a well that is not the one that was told."""
    pour = {
        "product": [{"name": "technical MAP", "amount": "1 lb"}],
        "bucket": {"volume": "5 gal", "temperature": "15 degC"},
        "injection": {"ratio": "1:100", "line_temperature": "15 degC"},
        "site": {"backflow_preventer": True},
    }
    return Pair(
        0,
        pour | {"water": REST | asked | {"temperature": "15 degC"}},
        pour | {"water": REST | true | {"temperature": "15 degC"}},
        "made up",
        "lab",
        True,
        True,
    )


def test_a_false_clear_would_be_seen(both: Catalogs) -> None:
    """Phosphate goes into soft water and not into hard: calcium above 50 mg/L with bicarbonate above 150 mg/L throws
    solids with phosphate (published flag, as in the rule's sources). Who asks with the wrong well is misled."""
    wrong = result_of(misled(SOFT, HARD), both)
    assert (wrong.asked, wrong.truth) == ("clear", "stop")
    assert wrong.blame == ("water",)
    counts = Counts((wrong,))
    assert counts.fails
    assert "FALSE CLEARS: 1" in "\n".join(report(counts, 1.0, 1))
    assert not Counts((result_of(misled(HARD, HARD), both), result_of(misled(SOFT, SOFT), both))).fails


def test_a_fault_is_counted(both: Catalogs) -> None:
    """A pour that raises fails the run and is listed with its seed."""
    fault = run_one(7, both, {})
    assert "KeyError" in fault.fault
    assert Counts((fault,)).fails
    assert any("--replay 7" in line for line in report(Counts((fault,)), 1.0, 1))


def test_too_many_unknown_fail_the_run(both: Catalogs) -> None:
    """More than a third unknown among the complete ones; incomplete ones do not count."""
    clear = result_of(misled(SOFT, SOFT), both)
    unknown = replace(clear, asked="unknown")
    assert not Counts((clear, clear, unknown)).fails
    assert Counts((clear, unknown)).fails
    assert not Counts((clear, clear, unknown, replace(unknown, complete=False))).fails


# --- the generator --------------------------------------------------------------------------------


def test_a_seed_is_a_pour(materials: dict[str, Product]) -> None:
    """The same seed gives the same pour; a longer run begins with the shorter one; other seeds give others."""
    assert seeds(1, 9)[:5] == seeds(1, 5)
    pours = [json.dumps(draw(seed, materials).asked) for seed in seeds(1, 20)]
    assert pours == [json.dumps(draw(seed, materials).asked) for seed in seeds(1, 20)]
    assert len(set(pours)) == 20


#: Percent N, P2O5, K2O (IUPAC atomic weights, from memory; potassium sulfate as the trade's 96 %).
ANALYSIS = {
    "urea": (46.65, 0.0, 0.0),
    "ammonium-nitrate": (35.00, 0.0, 0.0),
    "ammonium-sulfate": (21.20, 0.0, 0.0),
    "potassium-nitrate": (13.85, 0.0, 46.58),
    "potassium-chloride": (0.0, 0.0, 63.18),
    "potassium-sulfate": (0.0, 0.0, 51.89),
    "monoammonium-phosphate": (12.18, 61.70, 0.0),
    "diammonium-phosphate": (21.21, 53.74, 0.0),
    "monopotassium-phosphate": (0.0, 52.15, 34.61),
}


def test_labels_state_what_is_inside_rounded_down(materials: dict[str, Product]) -> None:
    """A grade is the true percent less at most the overrun and at most one percent of rounding, never more."""
    rng, seen = np.random.default_rng(11), 0
    for number in range(600):
        hidden = draw_hidden(rng, number, materials)
        if hidden.plain or not hidden.shares.keys() <= ANALYSIS.keys():
            continue
        label = draw_label(rng, hidden, materials)
        grade = [float(part) for part in str(label["grade"]).split("-")]
        for place, stated in enumerate(grade):
            true = sum(share * ANALYSIS[one][place] for one, share in hidden.shares.items())
            assert stated <= true + 0.02
            assert stated > true * (1.0 - MOST_OVERRUN) - 1.02
        seen += 1
    assert seen > 100


def test_labels_leave_out_what_labels_leave_out(materials: dict[str, Product]) -> None:
    """A derived-from line names every material or is not there, on three labels of four; water is no source."""
    rng, lines, labels = np.random.default_rng(12), 0, 0
    for number in range(500):
        hidden = draw_hidden(rng, number, materials)
        label = {} if hidden.plain else draw_label(rng, hidden, materials)
        if label:
            labels += 1
            if "derived_from" in label:
                lines += 1
                assert sorted(label["derived_from"]) == sorted(materials[one].name for one in hidden.shares)  # type: ignore[call-overload]
    assert lines / labels == pytest.approx(0.75, abs=0.08)


def test_shares_make_a_whole(materials: dict[str, Product]) -> None:
    """Dry products are nothing but their materials; liquids are 20 to 70 percent of them; one to four of them."""
    rng = np.random.default_rng(13)
    for number in range(300):
        hidden = draw_hidden(rng, number, materials)
        total = sum(hidden.shares.values())
        assert 1 <= len(hidden.shares) <= 4
        assert min(hidden.shares.values()) > 0
        if hidden.form == "liquid" and not hidden.plain:
            assert 0.2 <= total <= 0.7
            assert 1.0 < float(hidden.density_kg_per_l or 0.0) < 1.7
        else:
            assert total == pytest.approx(1.0)


def test_recipes_name_materials_of_the_catalog(materials: dict[str, Product]) -> None:
    """Nothing in the recipes is misspelt, dirty or bleach."""
    named = set(PLAIN)
    for recipe in (*DRY.values(), *LIQUID.values()):
        named |= {one for ones in recipe.always for one in ones} | {*recipe.often, *recipe.trace}
    assert named <= materials.keys()


def test_amounts_are_what_is_written(materials: dict[str, Product]) -> None:
    """Ounces, fluid ounces and grams are as the product reads them, and lie between a tenth and four pounds."""
    rng = np.random.default_rng(14)
    for number in range(300):
        hidden = draw_hidden(rng, number, materials)
        text, kg = draw_amount(rng, hidden)
        assert kg == pytest.approx(units.mass_kg(text, hidden.density_kg_per_l), rel=1e-9)
        assert 0.093 * 0.45359237 < kg < 4.3 * 0.45359237  # the amounts are rounded to two digits


def test_the_true_pour_weighs_as_much_as_the_asked_one(materials: dict[str, Product]) -> None:
    """Mass is conserved, the water of liquids included."""
    waters = 0
    for seed in seeds(3, 60):
        pair = draw(seed, materials)
        asked_kg = 0.0
        for item in pair.asked["product"]:
            plain = next((one for one in materials.values() if one.name == item["name"]), None)
            density = plain.density.kg_per_l if plain is not None and plain.density else None
            if "density" in item:
                density = units.density_kg_per_l(item["density"])
            asked_kg += units.mass_kg(item["amount"], density)
        true_kg = sum(units.mass_kg(item["amount"], None) for item in pair.truth["product"])
        assert true_kg == pytest.approx(asked_kg, rel=1e-6)
        waters += any(item["name"] == PLAIN_WATER for item in pair.truth["product"])
    assert waters > 5


#: Charges of the ions; alkalinity is counted in charge already.
CHARGE = {"calcium": 2, "magnesium": 2, "sodium": 1, "potassium": 1, "iron": 2, "manganese": 2, "alkalinity": -1}
CHARGE |= {"sulfate": -2, "chloride": -1, "nitrate": -1, "fluoride": -1}


def test_wells_are_charge_balanced() -> None:
    """Cations and anions of the analysis, as the product reads its text, carry the same charge; pH is 6 to 8.5."""
    rng = np.random.default_rng(15)
    for _ in range(200):
        well = draw_well(rng)
        items = WaterTest.model_validate(exact_water(well)).concentrations_mol_per_l()
        meq = [1000.0 * CHARGE[name] * items[name] for name in CHARGE]
        assert sum(meq) == pytest.approx(0.0, abs=2e-3 * sum(map(abs, meq)))
        assert 6.0 <= well.items["ph"] <= 8.5
        assert min(well.items.values()) >= 0.0
