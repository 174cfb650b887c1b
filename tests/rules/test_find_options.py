"""What `find` is asked for besides words: a material on the label, the list of a region."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pourcheck import Catalog
from pourcheck.catalog import Listing

Call = Callable[..., Any]


@pytest.fixture
def place(tmp_path: Path) -> str:
    """A catalog with a region's list of two."""
    place = str(tmp_path / "catalog.sqlite3")
    with Catalog.open(place, new=True) as catalog:
        catalog.save_all(
            [
                Listing(region="aldervane", product="urea", state="reviewed", sold_here=True),
                Listing(region="aldervane", product="potassium-nitrate"),
            ]
        )
    return place


@pytest.mark.parametrize(
    ("asked", "found", "not_found"),
    [
        (("--made-of", "carbamide"), ["Alder Twenty"], ["urea "]),
        (("--on-list", "Aldervane"), ["urea", "potassium nitrate"], ["calcium nitrate"]),
        (("--on-list", "aldervane", "--state", "draft"), ["potassium nitrate"], ["urea"]),
        (("--sold-here",), ["urea"], ["potassium nitrate"]),
        (("nitrogen", "--on-list", "aldervane"), ["urea", "potassium nitrate"], ["ammonium"]),
        (("--on-list", "aldervane", "--without", "potassium"), ["urea"], ["potassium nitrate"]),
    ],
)
def test_narrowed(asked: tuple[str, ...], found: list[str], not_found: list[str], place: str, call: Call) -> None:
    """Only what fits is shown."""
    ran = call("find", *asked, "--db", place)
    assert ran.code == 0
    assert all(name in ran.out for name in found)
    assert not any(name in ran.out for name in not_found)


@pytest.mark.parametrize(
    ("code", "says", "asked"),
    [
        (1, 'Nothing in the catalog is like "urea on the list of nowhere".', ("urea", "--on-list", "nowhere")),
        (2, '"fine" is no state of a list; write one of: draft, reviewed, needs-relabel, retired', ("--state", "fine")),
        (2, "names nothing to find", ()),
    ],
)
def test_nothing_found_or_asked(code: int, says: str, asked: tuple[str, ...], place: str, call: Call) -> None:
    """It says what was looked for, or what may be asked."""
    ran = call("find", *asked, "--db", place)
    assert ran.code == code
    assert says in ran.out + ran.err
