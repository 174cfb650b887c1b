"""Whole lists into the catalog and out of it: all or nothing, faults by row, rejects, what was there already."""

from __future__ import annotations

import csv
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import openpyxl
import pytest

from pourcheck import Catalog
from pourcheck.catalog import InputError, Listing, Product, Well
from pourcheck.catalog.exchange.lists import write_template
from pourcheck.catalog.look_over import look_over


@pytest.fixture
def own(filled: str) -> Iterator[Catalog]:
    """A catalog of its own for a test, on either kind of database."""
    with Catalog.open(filled) as opened:
        yield opened


HEAD = "ID,Name,Form,Grade,Fe (%),Derived from,Source\n"
GOOD = "feed-one,Feed One,dry,13-0-44,0.1,potassium nitrate,label read 2026-05-02\n"


def given(tmp_path: Path, text: str, name: str = "products.csv") -> Path:
    """A file with this text."""
    path = tmp_path / name
    path.write_text(text, "utf-8")
    return path


def test_a_list_is_read(own: Catalog, tmp_path: Path) -> None:
    """A row becomes a record, with a revision that says who, why and after what; its source comes along."""
    done = own.read_list(given(tmp_path, HEAD + GOOD), by="A. Adviser", why="spring list")
    assert (done.saved, done.rows, done.new, done.changed, done.same, done.faults) == (True, 1, 1, 0, 0, [])
    product = own.product("feed one")
    assert product.guaranteed["fe"].source == "label-read-2026-05-02"
    assert own.sources()["label-read-2026-05-02"].citation == "label read 2026-05-02"
    (first,) = own.history("product", "feed-one")
    assert (first.by, first.why, first.source) == ("A. Adviser", "spring list", "products.csv")


def test_reading_twice_changes_nothing(own: Catalog, tmp_path: Path) -> None:
    """The same list again finds everything as it is."""
    path = given(tmp_path, HEAD + GOOD)
    own.read_list(path)
    done = own.read_list(path)
    assert (done.saved, done.new, done.changed, done.same) == (True, 0, 0, 1)
    assert len(own.history("product", "feed-one")) == 1


def test_a_dry_run_writes_nothing(own: Catalog, tmp_path: Path) -> None:
    """It says what would be done."""
    done = own.read_list(given(tmp_path, HEAD + GOOD), dry_run=True)
    assert (done.saved, done.new) == (False, 1)
    assert own.owners("product", ["feed-one"]) == {}


BAD = (
    HEAD
    + GOOD
    + "feed-two,Urea,dry,,,,\n"
    + "feed-three,Feed One,dry,,,,\n"
    + "feed-one,Feed Four,wet,,101,,\n"
    + "feed-five,Feed Five,dry,,,,\n"
    + "feed-five,Feed Six,dry,,,,\n"
)
FAULTS = [
    'row 3, Name: the name "Urea" belongs to urea; choose another, or write urea under ID to change that one',
    'row 4, Name: "Feed One" is in row 2 already; choose another name',
    "row 5, Fe (%): 101 is not within 0 to 100 percent; check the number",
    "row 5, Form: is not a word that is known here; write 'dry' or 'liquid'",
    'row 7, ID: "feed-five" is in row 6 already; keep one of the two rows',
]


def test_all_or_nothing(own: Catalog, tmp_path: Path) -> None:
    """One row with a fault, and none is written; all faults are told."""
    done = own.read_list(given(tmp_path, BAD))
    assert [str(fault) for fault in done.faults] == FAULTS
    assert (done.saved, done.rows, done.faulty) == (False, 6, 4)
    assert own.owners("product", ["feed-one", "feed-five"]) == {}
    assert "label-read-2026-05-02" not in own.sources()


@pytest.mark.parametrize("suffix", [".csv", ".xlsx"])
def test_bad_rows_may_be_left_out(own: Catalog, tmp_path: Path, suffix: str) -> None:
    """They go to a file of their own with the reason, which can be mended and read in its turn."""
    rejects = tmp_path / f"rejects{suffix}"
    done = own.read_list(given(tmp_path, BAD), skip_bad=rejects)
    assert (done.saved, done.new, done.rejects) == (True, 2, str(rejects))
    assert set(own.owners("product", ["feed-one", "feed-five", "feed-two"])) == {"feed-one", "feed-five"}
    if suffix == ".csv":
        rows = list(csv.reader(rejects.open(encoding="utf-8-sig", newline="")))
    else:
        sheet = openpyxl.load_workbook(rejects).active
        assert sheet is not None
        rows = [[str(cell or "") for cell in row] for row in sheet.iter_rows(values_only=True)]
    assert [row[0] for row in rows] == ["ID", "feed-two", "feed-three", "feed-one", "feed-five"]
    assert rows[0][-1] == "# Reason"
    assert rows[1][-1] == FAULTS[0].removeprefix("row 3, ")
    again = own.read_list(rejects)
    assert {fault.column for fault in again.faults} == {"Name", "Fe (%)", "Form"}


def test_the_reason_stands_below_its_header(own: Catalog, tmp_path: Path) -> None:
    """Whatever stands in a row beyond its headers."""
    rejects = tmp_path / "rejects.csv"
    own.read_list(given(tmp_path, "Name;Form;Grade\nFeed Y;gas;5-0-5; ;more\nFeed Z;gas;5-0-5\n"), skip_bad=rejects)
    rows = list(csv.reader(rejects.open(encoding="utf-8-sig", newline="")))
    place = rows[0].index("# Reason")
    assert all("is not a word that is known here" in row[place] for row in rows[1:])
    assert rows[1][place + 1 :] == ["more"]


def test_columns_that_a_file_lacks_stay_as_they_are(own: Catalog, tmp_path: Path) -> None:
    """A file with three columns changes three fields of a product, and an empty cell empties its own."""
    own.read_list(given(tmp_path, HEAD + GOOD))
    done = own.read_list(given(tmp_path, "ID,Name,Form,Derived from,Notes\nfeed-one,Feed One,dry,,sold out\n"))
    assert (done.changed, done.faults) == (1, [])
    product = own.product("feed-one")
    assert (product.grade, product.derived_from, product.notes) == ("13-0-44", (), "sold out")
    assert product.guaranteed["fe"].value == 0.1


def test_tests_are_added_to_a_well(own: Catalog, tmp_path: Path) -> None:
    """Rows of a well that is there add their tests; one of the same day takes the place of the old one."""
    head = "Well ID,Tested on,pH,Calcium (mg/L)\n"
    done = own.read_list(given(tmp_path, head + "ridge-well,2026-10-01,7.5,90\nridge-well,2026-04-07,7.7,96\n"))
    assert (done.changed, done.faults) == (1, [])
    well = own.record("well", "ridge-well")
    assert isinstance(well, Well)
    assert well.name == "Ridge Well (invented)"
    tested = [(test.tested_on, test.ph and test.ph.low) for test in well.test]
    assert tested == [("2023-04-11", 7.5), ("2026-04-07", 7.7), ("2026-10-01", 7.5)]


def test_a_well_is_written_whole_or_left_out(own: Catalog, tmp_path: Path) -> None:
    """A fault in one test of a well holds back its other rows."""
    rows = "Well,Tested on,pH\nUpper Well,2026-10-01,7.5\nUpper Well,2026-10-02,1\nLower Well,2026-10-02,7\n"
    done = own.read_list(given(tmp_path, rows), skip_bad=tmp_path / "rejects.csv")
    assert (done.saved, done.new, done.faulty) == (True, 1, 1)
    text = (tmp_path / "rejects.csv").read_text("utf-8-sig").splitlines()
    assert text[1] == 'Upper Well,2026-10-01,7.5,"waits for row 3, of the same well"'
    assert own.owners("well", ["upper well", "lower well"]) == {"lower well": "lower-well"}


def test_a_whole_catalog_goes_through_a_file(own: Catalog, tmp_path: Path) -> None:
    """Everything written to XLSX and read into another catalog is the same there."""
    own.read_list(given(tmp_path, HEAD + GOOD))
    own.save(Listing(region="aldervane", product="feed-one", state="reviewed", reviewed_by="B. Adviser"))
    path = tmp_path / "all.xlsx"
    counts = own.write_list(path)
    assert counts["products"] == len(own.products())
    with Catalog.open(str(tmp_path / "other.sqlite3"), new=True) as other:
        done = other.read_list(path)
        assert (done.saved, done.new, done.changed, done.faults) == (True, 3, 0, [])
        for kind in ("product", "well", "source", "listing"):
            assert other.records(kind) == own.records(kind)  # type: ignore[arg-type]


def test_the_list_of_a_region(own: Catalog, tmp_path: Path) -> None:
    """Only the products on it are written."""
    own.save(Listing(region="aldervane", product="urea"))
    path = tmp_path / "products.csv"
    assert own.write_list(path, region="aldervane") == {"products": 1}
    assert path.read_text("utf-8-sig").splitlines()[1].startswith("urea,")


@pytest.mark.parametrize("name", ["products.csv", "wells.csv", "sources.csv", "lists.csv", "all.xlsx"])
def test_a_template_is_a_list_without_rows(own: Catalog, tmp_path: Path, name: str) -> None:
    """Its headers are read, its examples are remarks; with the mark taken off, the example is sound."""
    path = tmp_path / name
    write_template(path)
    done = own.read_list(path)
    assert (done.faults, done.rows, done.remarks) == ([], 0, 2 if name.endswith("csv") else 8)
    if name in {"products.csv", "wells.csv"}:
        path.write_text(path.read_text("utf-8-sig").replace("# example: ", ""), "utf-8")
        assert [str(fault) for fault in own.read_list(path).faults] == []


def test_numbers_of_unknown_sources_are_told(own: Catalog, tmp_path: Path) -> None:
    """A source that only the further fields name must be in the catalog."""
    product = Product.model_validate(
        {
            "id": "salt",
            "name": "some salt",
            "form": "dry",
            "guaranteed": {
                "fe": {"value": 1, "source": "lost"},
                "zn": {"value": 1, "source": "invented"},
                "mn": {"value": 1, "source": "invented"},
            },
        }
    )
    from pourcheck.catalog.exchange import files
    from pourcheck.catalog.exchange.records import table_of

    files.write(tmp_path / "list.csv", [table_of("products", [product])])
    done = own.read_list(tmp_path / "list.csv")
    assert [str(fault) for fault in done.faults] == [
        'row 2, Source: the source "lost" is not in the catalog; import the sources first, from a sheet of their own'
    ]


def test_without_write_ahead_logging_too(file: str, tmp_path: Path) -> None:
    """Where a file system has none, reading the list does not stand in the way of writing it."""
    with sqlite3.connect(file) as connection:
        assert connection.execute("PRAGMA journal_mode=DELETE").fetchone() == ("delete",)
    connection.close()
    with Catalog.open(file) as catalog:
        assert catalog.read_list(given(tmp_path, HEAD + GOOD)).saved


def test_progress_is_told(own: Catalog, tmp_path: Path) -> None:
    """The number of rows so far, at least at the end."""
    told: list[int] = []
    own.read_list(given(tmp_path, HEAD + GOOD), progress=told.append)
    assert told == [1]


def test_a_file_of_another_kind(own: Catalog, tmp_path: Path) -> None:
    """A line that says where and what."""
    with pytest.raises(InputError, match=r"products\.csv: has no header that is known"):
        own.read_list(given(tmp_path, "q,r\n1,2\n"))


def test_what_is_doubtful_is_told_where_it_is_asked_for(own: Catalog, tmp_path: Path) -> None:
    """The look at each entry, by row; a source that comes with the file is no doubt."""
    text = HEAD + "feed,Feed,dry,13-0-44,0.1,potasium nitrate,label read 2026-05-02\n"
    done = own.read_list(given(tmp_path, text), dry_run=True, look=lambda record: look_over(record, own))
    assert [(row, remark.field) for row, remark in done.doubts] == [(2, "derived_from")]
    assert own.read_list(given(tmp_path, text), dry_run=True).doubts == []
