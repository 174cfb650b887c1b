"""Wells with dated water tests."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

import pytest
from pydantic import ValidationError

from pourcheck import Catalog, InputError, UnknownName, WaterTest
from pourcheck.catalog import Well, document_of
from pourcheck.catalog.store.kinds import record_of

TODAY = date(2026, 6, 1)


def a_test(day: str | None, calcium: int) -> WaterTest:
    """A water test of a day."""
    return WaterTest(tested_on=day, calcium=f"{calcium} mg/L", ph=7.5)


WELL = Well(
    id="upper-well",
    name="Upper Well",
    notes="Behind the barn.",
    test=(a_test("2026-03-04", 95), a_test(None, 70), a_test("2024-03-01", 80), a_test("2026-09-01", 99)),
)


@pytest.fixture
def catalog() -> Iterator[Catalog]:
    """A catalog with the well above."""
    with Catalog.open("sqlite://") as opened:
        opened.save(WELL)
        yield opened


def calcium(water: WaterTest) -> str:
    """The calcium of a test, as it was written."""
    assert water.calcium is not None
    return water.calcium.text


# --- which test -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("today", "used"),
    [
        (date(2026, 6, 1), "95 mg/L"),  # the newest that is not in the future
        (date(2026, 3, 4), "95 mg/L"),  # of the same day
        (date(2026, 3, 3), "80 mg/L"),
        (date(2026, 12, 31), "99 mg/L"),
        (date(2024, 2, 29), "70 mg/L"),  # the undated one is the oldest
    ],
)
def test_the_newest_that_is_not_in_the_future(today: date, used: str, catalog: Catalog) -> None:
    """That one is used where no day is named; order of writing does not matter."""
    assert calcium(catalog.well("Upper Well", today=today)) == used


def test_the_answer_names_well_and_day(catalog: Catalog) -> None:
    """What is used tells which well it is of, and when it was tested."""
    water = catalog.well("upper-well", today=TODAY)
    assert (water.id, water.name, water.tested_on, water.notes) == (
        "upper-well", "Upper Well", "2026-03-04", "Behind the barn.",
    )  # fmt: skip


def test_another_day_is_asked_for(catalog: Catalog) -> None:
    """A day names its test, also one in the future; a day without a test tells those that there are."""
    assert calcium(catalog.well("upper-well", test_of=date(2024, 3, 1))) == "80 mg/L"
    assert calcium(catalog.well("upper-well", test_of=date(2026, 9, 1), today=TODAY)) == "99 mg/L"
    with pytest.raises(InputError, match="has no test of 2025-01-01; its tests: undated, 2024-03-01, 2026-03-04"):
        catalog.well("upper-well", test_of=date(2025, 1, 1))


@pytest.mark.parametrize(
    ("says", "tests"),
    [
        ("later: has no test of 2026-06-01 or before; tests: 2026-09-01; name one of these days", ("2026-09-01",)),
        ("later: has no water test; add one", ()),
    ],
)
def test_no_test_to_use(says: str, tests: tuple[str, ...], catalog: Catalog) -> None:
    """A well whose tests are all in the future, or that has none, says so; it stands in no list of waters."""
    catalog.save(Well(id="later", name="Later", test=tuple(a_test(day, 5) for day in tests)))
    with pytest.raises(InputError) as told:
        catalog.well("later", today=TODAY)
    assert str(told.value) == says
    assert "later" in {well.id for well in catalog.wells()}
    if not tests:
        assert "later" not in {water.id for water in catalog.waters()}


def test_an_unknown_well(catalog: Catalog) -> None:
    """It offers those that are like it."""
    with pytest.raises(UnknownName, match='unknown well "uper-well"; nearest: "upper-well"'):
        catalog.well("uper-well")


# --- trends ---------------------------------------------------------------------------------------


def test_trends(catalog: Catalog) -> None:
    """Each item by the day of its test, the oldest first, as it was written."""
    trends = catalog.trends("upper-well")
    assert list(trends["calcium"].items()) == [
        ("", "70 mg/L"), ("2024-03-01", "80 mg/L"), ("2026-03-04", "95 mg/L"), ("2026-09-01", "99 mg/L"),
    ]  # fmt: skip
    assert set(trends) == {"ph", "calcium"}


# --- adding a test --------------------------------------------------------------------------------


def test_a_new_test(catalog: Catalog) -> None:
    """It is a revision of the well; the older tests stay."""
    well = catalog.record("well", "upper-well")
    assert isinstance(well, Well)
    revision = catalog.save(well.with_test(a_test("2026-05-01", 97)), by="A")
    assert revision.number == 2
    assert calcium(catalog.well("upper-well", today=TODAY)) == "97 mg/L"
    assert [change.field for change in catalog.diff("well", "upper-well")] == [
        "test.2026-05-01.calcium", "test.2026-05-01.ph",
    ]  # fmt: skip


@pytest.mark.parametrize(("day", "told"), [("2024-03-01", "of 2024-03-01"), (None, "without a date")])
def test_two_tests_of_one_day(day: str | None, told: str) -> None:
    """The second is refused unless it is said to replace the first."""
    again = a_test(day, 81)
    with pytest.raises(InputError, match=f"upper-well: has a test {told} already"):
        WELL.with_test(again)
    replaced = WELL.with_test(again, replace=True)
    assert len(replaced.test) == len(WELL.test)
    assert again in replaced.test
    with pytest.raises(ValidationError, match=f"two tests {told} are given"):
        Well(id="w", name="w", test=(a_test(day, 1), a_test(day, 2)))


# --- shapes ---------------------------------------------------------------------------------------


def test_a_single_test_written_out() -> None:
    """A file with one test on its own, a list of tests, and a water test with an id are the same well."""
    listed = Well.model_validate(
        {"id": "w", "name": "W", "notes": "n", "test": [{"tested_on": "2026-01-02", "source": "lab", "ph": 7.1}]}
    )
    single = {"id": "w", "name": "W", "notes": "n", "tested_on": "2026-01-02", "source": "lab", "ph": 7.1}
    assert Well.model_validate(single) == listed
    assert Well.of(WaterTest.model_validate(single)) == listed
    assert listed.last_test() == WaterTest.model_validate(single)
    assert Well.model_validate({"id": "w"}).name == "w"
    with pytest.raises(InputError, match="a well needs an id"):
        Well.of(WaterTest(name="nameless", ph=7))


def test_a_document_holds_the_units_as_written() -> None:
    """What is kept is what was said, not what it was read as."""
    well = Well.model_validate({"id": "w", "calcium": "12 gpg", "alkalinity": "3 to 4 meq/L", "ph": "7.2 to 7.8"})
    assert '"calcium":"12 gpg"' in document_of(well)
    assert record_of("well", document_of(well), "w") == well


@pytest.mark.parametrize(
    ("says", "data"),
    [
        ("tests of a well|a test of a well has no id", {"id": "w", "test": [{"id": "other", "ph": 7}]}),
        ("color", {"id": "w", "color": "red"}),
        ("tested_on is not a day", {"id": "w", "tested_on": "yesterday"}),
        ("id", {"name": "W"}),
        ("pattern", {"id": "Upper Well"}),
    ],
)
def test_what_is_no_well(says: str, data: dict[str, object]) -> None:
    """Faults are named."""
    with pytest.raises(ValidationError, match=says):
        Well.model_validate(data)
