"""Names that several grades or strengths of one material bear: each is tried, and a person at a terminal is asked."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from pourcheck import Catalog, Pour, check
from pourcheck.catalog.data import table
from pourcheck.catalog.label.grades import composition_of_grades, grade_words
from pourcheck.rules.ask.question import ask

NAMES = [row["names"][0] for row in table("grades")["name"]]
#: A well with everything on its test, so that the grade is what is open.
WELL: dict[str, Any] = {
    "ph": 7.2, "alkalinity": "60 mg/L CaCO3", "calcium": "18 mg/L", "magnesium": "4 mg/L", "sodium": "6 mg/L",
    "potassium": "1 mg/L", "sulfate": "6 mg/L", "chloride": "6 mg/L", "nitrate": "1 mg/L", "iron": "0 mg/L",
    "manganese": "0 mg/L", "silica": "5 mg/L", "boron": "0 mg/L", "phosphate": "0 mg/L", "ammonium": "0 mg/L",
    "fluoride": "0.1 mg/L", "sulfide": "0 mg/L", "temperature": "15 degC",
}  # fmt: skip


def pour(name: str, amount: str = "200 g") -> dict[str, Any]:
    """A pour of one product in 20 L, everything else stated."""
    return {
        "product": [{"name": name, "amount": amount}],
        "bucket": {"volume": "20 L", "temperature": "15 degC"},
        "injection": {"ratio": "1:100", "injector": "measured", "line_temperature": "20 degC"},
        "site": {"backflow_preventer": True},
        "water": WELL,
    }


@pytest.mark.parametrize("amount", ["20 g", "200 g", "1.5 kg"])
@pytest.mark.parametrize("name", NAMES)
def test_a_name_for_several_answers_for_each_of_them(catalog: Catalog, name: str, amount: str) -> None:
    """Asked grade by grade: where all agree the name has their verdict, else it is unknown, or the caution of some."""
    answers = {check(pour(g.id, amount), catalog, depth="numbers").verdict for g in catalog.grades(name)}
    got = check(pour(name, amount), catalog, depth="numbers").verdict
    if answers <= {"clear", "caution"}:
        assert got == ("caution" if "caution" in answers else "clear")
    else:
        assert got == ("stop" if answers == {"stop"} else "unknown")


@pytest.mark.parametrize("name", NAMES)
def test_every_grade_is_among_the_scenarios(catalog: Catalog, name: str) -> None:
    """Each is the furthest in some direction, the first is the best estimate, and none is a mixture of two."""
    grades = catalog.grades(name)
    made = composition_of_grades(grades)
    assert [set(mixture.sources) for mixture in made.mixtures] == [{grades[0].id}, *({g.id} for g in grades)]
    assert set(made.extreme) == set(range(1, len(grades) + 1))


@pytest.mark.parametrize(
    ("name", "amount", "kg_per_l"),
    [
        # 1.57 and 1.69 kg/L: phosphoric acid of 75 and 85 % (from memory: maker's tables)
        ("phosphoric acid", "1 L", (1.57, 1.69)),
        # 10.67 lb/gal of UAN-28 (Missouri SPES-199NP) to 11.06 of UAN-32
        ("UAN", "1 L", (1.279, 1.325)),
    ],
)
def test_a_volume_weighs_what_its_grades_weigh(
    catalog: Catalog, name: str, amount: str, kg_per_l: tuple[float, float]
) -> None:
    """From the lightest to the heaviest of them."""
    weight = ask(Pour.parse(pour(name, amount)), catalog).poured[0].weight
    assert weight is not None
    assert weight.unknown.low * weight.kg_per_unit == pytest.approx(kg_per_l[0], rel=0.01)
    assert weight.unknown.high * weight.kg_per_unit == pytest.approx(kg_per_l[1], rel=0.01)


def test_what_is_open_is_told(catalog: Catalog) -> None:
    """The pour echoes the name as it was written, the answer says what decides and how to find out."""
    verdict = check(pour("MAP", "20 g"), catalog)
    assert verdict.verdict == "unknown"
    assert verdict.pour.products[0].meant == "MAP (grade not stated)"
    (first, *_) = verdict.decided_by
    assert first.input == "grade of MAP"
    assert (first.worse_if, first.better_if) == ("it is granular 11-52-0", "it is technical 12-61-0")
    assert first.find_out == "read on the bag or drum which MAP it is"
    assert [one.grade for one in verdict.used if one.kind == "product"] == ["12-61-0", "11-52-0"]


def test_what_is_safe_in_every_grade_is_clear(catalog: Catalog) -> None:
    """A strength that nothing hangs on is a note."""
    verdict = check(pour("UAN", "500 g"), catalog)
    assert verdict.verdict in {"clear", "caution"}
    assert any(finding.rule == "unknown-grade" and finding.level == "note" for finding in verdict.findings)


def test_grades_are_told_apart(catalog: Catalog) -> None:
    """No two grades of a name are called the same."""
    for name in NAMES:
        words = [grade_words(grade) for grade in catalog.grades(name)]
        assert len(set(words)) == len(words), name


@pytest.mark.parametrize(
    ("answers", "poured"),
    [
        (["1"], "1 oz monoammonium phosphate, technical 12-61-0 in 5 gal"),
        (["3", "2"], "1 oz monoammonium phosphate, granular 11-52-0 in 5 gal"),
        ([""], "1 oz MAP (grade not stated) in 5 gal"),
    ],
)
def test_a_person_at_a_terminal_is_asked(at_a_terminal: Callable[..., str], answers: list[str], poured: str) -> None:
    """By number; a number that there is not is asked again, and Enter leaves it open."""
    seen = at_a_terminal(("check", "MAP=1 oz", "--bucket", "5 gal", "--water", "ridge-well"), answers)
    assert "Which MAP is it? Read the bag or drum." in seen
    assert "field grade, not for drip" in seen
    assert poured in seen.replace("\n", " ").replace("  ", " ")
