"""Two versions of a list made one: nothing is lost, nothing is invented, and merging again changes nothing."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pourcheck.catalog import InputError, Listing, Product, Well
from pourcheck.catalog.exchange.merge import (
    WHOLE,
    Lists,
    merge,
    merge_fields,
    read_decisions,
    read_lists,
    write_conflicts,
    write_lists,
)

documents = st.dictionaries(st.sampled_from("abcde"), st.integers(0, 3))


@given(documents, documents, documents)
def test_fields(base: dict[str, int], mine: dict[str, int], theirs: dict[str, int]) -> None:
    """Every value is one of theirs or mine, every change of either is there or in a conflict."""
    merged, conflicts, _ = merge_fields(base, mine, theirs)
    for name in "abcde":
        was, my, their, now = (version.get(name) for version in (base, mine, theirs, merged))
        assert now in (my, their)
        assert (name in conflicts) == (my != was and their not in (was, my))
        if name not in conflicts:
            assert now == (my if my != was else their)
        else:
            assert now == my
    assert merge_fields(base, mine, mine) == (mine, [], 0)
    assert merge_fields(base, mine, base) == (mine, [], 0)
    assert merge_fields(base, base, theirs)[:2] == (theirs, [])
    assert set(merge_fields(base, theirs, mine)[1]) == set(conflicts)


def listing(**changes: Any) -> Listing:
    """An entry of a list, changed."""
    return Listing.model_validate({"region": "aldervane", "product": "urea", **changes})


def lists(*entries: Listing) -> Lists:
    """A list of these entries."""
    return {"lists": {entry.id: entry for entry in entries}}


entries = st.builds(
    Listing,
    region=st.just("aldervane"),
    product=st.sampled_from(["urea", "map", "mkp"]),
    state=st.sampled_from(["draft", "reviewed", "needs-relabel"]),
    reviewed_by=st.sampled_from(["", "A. Adviser", "B. Adviser"]),
    local_name=st.sampled_from(["", "white bag"]),
    sold_here=st.booleans(),
)
several = st.lists(entries, max_size=3, unique_by=lambda entry: entry.product).map(lambda some: lists(*some))


@given(several, several, several)
def test_lists_merge_again_to_the_same(base: Lists, mine: Lists, theirs: Lists) -> None:
    """Merging the result with theirs again gives the result; so does a merge without changes of theirs; no record is
    lost that either kept and changed."""
    done = merge(base, mine, theirs)
    again = merge(base, done.records, theirs)
    assert again.records == done.records
    assert merge(theirs, done.records, theirs).records == done.records
    for id_ in {*mine["lists"], *theirs["lists"]}:
        was, my, their = (version["lists"].get(id_) for version in (base, mine, theirs))
        gone = id_ not in done.records["lists"]
        assert not gone or was in (my, their), (was, my, their)
    both_ways = merge(base, theirs, mine)
    assert {one.key for one in both_ways.conflicts} == {one.key for one in done.conflicts}


def test_what_each_changed_is_taken() -> None:
    """One reviews, the other marks as sold: both are in the result."""
    done = merge(
        lists(listing()),
        lists(listing(state="reviewed", reviewed_by="A. Adviser")),
        lists(listing(sold_here=True, note="two shops")),
    )
    assert done.conflicts == []
    assert done.records["lists"]["aldervane/urea"] == listing(
        state="reviewed", reviewed_by="A. Adviser", sold_here=True, note="two shops"
    )


def test_conflicts_are_by_field_and_are_decided(tmp_path: Path) -> None:
    """Mine stays until somebody writes theirs into the file of conflicts."""
    versions = (
        lists(listing(note="old")),
        lists(listing(note="mine", sold_here=True)),
        lists(listing(note="theirs", local_name="white bag")),
    )
    done = merge(*versions)
    (conflict,) = done.conflicts
    assert (conflict.field, conflict.base, conflict.mine, conflict.theirs) == ("note", "old", "mine", "theirs")
    assert done.records["lists"]["aldervane/urea"] == listing(note="mine", sold_here=True, local_name="white bag")
    path = tmp_path / "conflicts.csv"
    write_conflicts(path, done.conflicts)
    path.write_text(path.read_text("utf-8-sig").replace(",mine,\r\n", ",theirs,\r\n").replace(",mine,\n", ",theirs,\n"))
    decided = read_decisions(path)
    assert decided == {("lists", "aldervane/urea", "note"): "theirs"}
    again = merge(*versions, decided)
    assert again.records["lists"]["aldervane/urea"] == listing(note="theirs", sold_here=True, local_name="white bag")


@pytest.mark.parametrize(("take", "left"), [("mine", False), ("theirs", True)])
def test_taken_out_here_and_changed_there(take: Any, left: bool) -> None:
    """What was changed stays until somebody decides."""
    versions = lists(listing()), lists(), lists(listing(sold_here=True))
    done = merge(*versions)
    assert [one.field for one in done.conflicts] == [WHOLE]
    assert "aldervane/urea" in done.records["lists"]
    decided = merge(*versions, {("lists", "aldervane/urea", WHOLE): take})
    assert ("aldervane/urea" in decided.records["lists"]) is left


def test_tests_of_a_well_are_merged_by_their_day() -> None:
    """Each adds a test; both are there."""

    def well(*tests: dict[str, Any]) -> Lists:
        return {"wells": {"w": Well.model_validate({"id": "w", "name": "W", "test": list(tests)})}}

    first, mine, theirs = ({"tested_on": f"2026-0{month}-01", "ph": 7 + month / 10} for month in (1, 2, 3))
    done = merge(well(first), well(first, mine), well(first, theirs))
    assert done.conflicts == []
    assert done.records["wells"] == well(first, mine, theirs)["wells"]


def test_two_changes_that_do_not_go_together() -> None:
    """Each version makes sense; together they do not: mine stays whole, and it is told."""

    def product(**more: Any) -> Lists:
        return {"products": {"feed": Product.model_validate({"id": "feed", "name": "feed", "form": "dry", **more})}}

    number = {"value": 1.0, "source": "label"}
    mine, theirs = product(guaranteed={"cl": {**number, "value": 2.0}}), product(at_most={"cl": number})
    done = merge(product(), mine, theirs)
    assert done.records == mine
    assert [(one.field, one.why) for one in done.conflicts] == [
        (WHOLE, "cl is guaranteed at more than its declared maximum")
    ]


def test_files(tmp_path: Path) -> None:
    """Lists are read from spreadsheets and written to one; a fault in one of them stops it."""
    path = tmp_path / "list.csv"
    write_lists(path, lists(listing(note="=1", sold_here=True)))
    assert read_lists(path) == lists(listing(note="=1", sold_here=True))
    path.write_text("Region,Product ID,State\naldervane,urea,new\naldervane,map,new\n", "utf-8")
    with pytest.raises(InputError, match=r"row 2, State: is not a word that is known here \(and 1 more faults\)"):
        read_lists(path)
