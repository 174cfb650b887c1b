"""A well: its name and its dated water tests."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any, Self

from pydantic import Field, model_validator

from ..errors import InputError
from ..once import once_for_each
from ..product import Identifier, Name, Record
from .analysis import WaterTest

#: Fields of a test that its well states for all of its tests.
_OF_THE_WELL = ("id", "name", "invented")


class Well(Record):
    """A well and its water tests, the oldest first; a test without a date counts as older than every dated one.

    A water test written out on its own (with `id` and `name`) reads as a well with that one test.

    >>> well = Well.model_validate({"id": "upper-well", "name": "Upper Well", "test": [
    ...     {"tested_on": "2026-03-04", "ph": 7.4}, {"tested_on": "2024-03-01", "ph": 7.2}]})
    >>> well.test_of(date(2026, 1, 1)).tested_on
    '2024-03-01'
    """

    id: Identifier
    name: Name
    invented: bool = False
    notes: str = ""
    test: tuple[WaterTest, ...] = Field(default=(), description="dated water tests; at most one of a day")

    @model_validator(mode="before")
    @classmethod
    def _with_its_tests(cls, data: Any) -> Any:
        return written_out(data) if isinstance(data, Mapping) else data

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        for test in self.test:
            if any(getattr(test, field) for field in _OF_THE_WELL):
                raise ValueError("a test of a well has no id, name or mark of its own; write them at the well")
        days = [test.tested_on for test in self.test]
        for day in days:
            if days.count(day) > 1:
                when = f"of {day}" if day else "without a date"
                raise ValueError(f"two tests {when} are given; keep one of them, or date the other")
        if list(ordered := tuple(sorted(self.test, key=_age))) != list(self.test):
            object.__setattr__(self, "test", ordered)
        return self

    @classmethod
    def of(cls, test: WaterTest) -> Well:
        """The well that a water test with an id speaks of, with this one test. Raises: InputError: it has no id."""
        if not test.id:
            raise InputError("a well needs an id", where="water", mend="give it one, such as upper-well")
        return cls(
            id=test.id,
            name=test.name or test.id,
            invented=test.invented,
            notes=test.notes,
            test=(test.model_copy(update={"id": "", "name": "", "invented": False, "notes": ""}),),
        )

    def with_test(self, test: WaterTest, *, replace: bool = False) -> Well:
        """The well with one more test. replace: a test of the same day gives way to it.

        Raises: InputError: there is a test of that day, and `replace` is not asked for.
        """
        kept = tuple(old for old in self.test if old.tested_on != test.tested_on)
        if len(kept) < len(self.test) and not replace:
            when = f"of {test.tested_on}" if test.tested_on else "without a date"
            raise InputError(
                f"has a test {when} already", where=self.id, mend="correct its date, or say that it replaces the other"
            )
        own = test.model_copy(update={"id": "", "name": "", "invented": False})
        return self.model_copy(update={"test": tuple(sorted((*kept, own), key=_age))})

    def test_of(self, day: date) -> WaterTest:
        """The newest test that is not younger than a day, named after the well.

        Raises: InputError: there is none; tells the tests that there are.
        """
        found = [test for test in self.test if test.tested_on is None or date.fromisoformat(test.tested_on) <= day]
        if not found:
            told = ", ".join(test.tested_on or "undated" for test in self.test)
            raise InputError(
                f"has no test of {day} or before" if told else "has no water test",
                where=self.id,
                mend=f"tests: {told}; name one of these days" if told else "add one",
            )
        return _named_after(self, found[-1])

    def tested_by(self, day: date) -> bool:
        """Whether there is a test that is not younger than a day."""
        return any(test.tested_on is None or date.fromisoformat(test.tested_on) <= day for test in self.test)

    def test_on(self, day: date) -> WaterTest:
        """The test of exactly this day, named after the well.

        Raises: InputError: there is none; tells the tests that there are.
        """
        for test in self.test:
            if test.tested_on == day.isoformat():
                return _named_after(self, test)
        told = ", ".join(test.tested_on or "undated" for test in self.test)
        raise InputError(
            f"has no test of {day}", where=self.id, mend=f"its tests: {told}" if told else "it has none; add one"
        )

    def last_test(self) -> WaterTest:
        """The newest test of all. Raises: InputError: there is none."""
        return self.test_of(date.max)

    def trends(self) -> dict[str, dict[str, str]]:
        """Each measured item by the day of its test ("" where undated), as it was written, the oldest first.

        >>> Well.model_validate({"id": "w", "tested_on": "2024-03-01", "calcium": "80 mg/L"}).trends()
        {'calcium': {'2024-03-01': '80 mg/L'}}
        """
        found: dict[str, dict[str, str]] = {}
        for test in self.test:
            beside = {*_OF_THE_WELL, "notes", "source", "tested_on"}
            for item, value in test.model_dump(exclude=beside, exclude_none=True, mode="json").items():
                found.setdefault(item, {})[test.tested_on or ""] = str(value)
        return found


@once_for_each(most=512)
def _named_after(well: Well, test: WaterTest) -> WaterTest:
    own = {"id": well.id, "name": well.name, "invented": well.invented, "notes": test.notes or well.notes}
    return test.model_copy(update=own)


def written_out(data: Mapping[str, Any]) -> dict[str, Any]:
    """The table of a well: a single test on its own is a well with one test, a well without a name is called by its
    id."""
    well = dict(data)
    if "test" not in well and (items := {name: well.pop(name) for name in data if name not in Well.model_fields}):
        well["test"] = [items]
    if not well.get("name") and isinstance(well.get("id"), str):
        well["name"] = well["id"]
    return well


def _age(test: WaterTest) -> str:
    return test.tested_on or ""
