"""The list of a region against its wells, and swaps that are sold there."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Iterator
from html.parser import HTMLParser
from pathlib import Path

import pytest

from pourcheck import Catalog, InputError, WaterTest, check, swap
from pourcheck.catalog import Listing, Product, RegionRecord, Well
from pourcheck.rules.instead.table import Rates, verdict_table
from pourcheck.rules.present.table import html

Call = Callable[..., tuple[int, str, str]]
PRODUCTS = ("technical MAP", "potassium nitrate", "gypsum")
WELLS = ("ridge-well", "brook-well")
#: Days of tests of the first, the last of them added by the tests below.
TESTED = "2023-04-11, 2026-04-07, 2026-10-01"


def pour(product: str, well: str, **water: str) -> dict[str, object]:
    """A pour as the table makes it."""
    return {
        "product": [{"name": product, "amount": "1 lb"}],
        "bucket": {"volume": "5 gal"},
        "injection": {"ratio": "1:100"},
        "water": {"name": well, **water},
    }


def test_every_cell_is_the_verdict_of_a_check(catalog: Catalog) -> None:
    """The table says what a check of the same pour says."""
    table = verdict_table(catalog, PRODUCTS, WELLS)
    assert [name for name, _ in table.wells] == list(WELLS)
    for (product, well), cell in table.cells.items():
        assert cell.verdict == check(pour(product, well), catalog, depth="numbers").verdict, (product, well)


def test_what_another_number_turns(catalog: Catalog) -> None:
    """With more calcium everywhere MAP is stopped in soft water too; whether the test adds up is no matter then."""
    table = verdict_table(catalog, PRODUCTS, WELLS)
    other = verdict_table(catalog, PRODUCTS, WELLS, instead={"calcium": "150 mg/L", "ph": 7.9})
    turned = {(one.product, one.well): one.after.apart for one in table.turned(other)}
    assert turned[("monoammonium-phosphate", "brook-well")] in {"stop", "unknown"}
    assert not [key for key in turned if key[0] == "gypsum"]
    assert table.turned(table) == []
    plain = check(pour("monoammonium-phosphate", "brook-well", calcium="150 mg/L", ph="7.9"), catalog, depth="numbers")
    assert other.cells["monoammonium-phosphate", "brook-well"].verdict == plain.verdict


def test_what_cannot_be_poured_has_no_verdict(catalog: Catalog) -> None:
    """Too much for the bucket is said in the cell, and the rest of the table stands."""
    table = verdict_table(catalog, ["urea", "gypsum"], ["brook-well"], Rates(dry="900 lb"))
    assert {cell.fault == "" for cell in table.cells.values()} == {False}


def test_the_page_is_sound_and_safe(catalog: Catalog) -> None:
    """Every tag is closed, and a name that is HTML is shown as it is written."""
    table = verdict_table(catalog, PRODUCTS, WELLS)
    open_tags: list[str] = []
    texts: list[str] = []

    class Reader(HTMLParser):
        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            del attrs
            if tag != "meta":
                open_tags.append(tag)

        def handle_endtag(self, tag: str) -> None:
            assert open_tags.pop() == tag

        def handle_data(self, data: str) -> None:
            texts.append(data)

    Reader().feed(html(table, "<script>alert(1)</script> & more"))
    assert open_tags == []
    assert texts.count("<script>alert(1)</script> & more") == 2
    assert [text for text in texts if text in {"STOP", "clear", "caution", "unknown"}] == [
        cell.verdict.replace("stop", "STOP") for cell in table.cells.values()
    ]


# --- the command line -----------------------------------------------------------------------------


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """A catalog with a list of a region."""
    made = str(tmp_path / "own.sqlite3")
    monkeypatch.setenv("POURCHECK_DB", made)
    with Catalog.open(made, new=True) as catalog:
        catalog.save_all(
            Listing(region="aldervane", product=catalog.product(name).id, sold_here=name != "gypsum")
            for name in PRODUCTS
        )
        yield made


@pytest.mark.usefixtures("place")
def test_the_table_of_a_region(call: Call, tmp_path: Path) -> None:
    """On the screen, as data, as a spreadsheet and as a page."""
    code, out, err = call("region", "table", "aldervane", "--what-if", "calcium=150 mg/L", "--more")
    assert (code, err) == (0, "")
    assert max(map(len, out.splitlines())) <= 80
    assert "gypsum                        STOP        STOP        STOP" in out
    assert "With calcium=150 mg/L in every well, " in out
    told = json.loads(call("region", "table", "aldervane", "--what-if", "calcium=150 mg/L", "--json")[1])
    assert len(told["verdicts"]) == 9
    assert all(one["before"] != one["after"] for one in told["turned"])
    path = tmp_path / "table.csv"
    assert call("region", "table", "aldervane", "--well", "brook-well", "--to", str(path))[0] == 0
    rows = list(csv.reader(path.read_text("utf-8-sig").splitlines()))
    assert rows[0] == ["Product", "ID", "Amount", "Brook Well (invented)", "Why"]
    assert {row[1]: row[3] for row in rows[1:]}["gypsum"] == "stop"
    page = tmp_path / "table.html"
    assert call("region", "table", "aldervane", "--to", str(page))[1] == f"{page}: 3 products, 3 wells\n"
    assert page.read_text("utf-8").startswith("<!doctype html>")


@pytest.mark.usefixtures("place")
@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("aldervane", "--what-if", "calcium"), '--what-if: names no item; write "calcium=150 mg/L"'),
        (("aldervane", "--what-if", "zinc=1 mg/L"), '--what-if: "zinc" is not an item of a water test; known: '),
        (("aldervane", "--to", "x.pdf"), "x.pdf: is none of .csv, .xlsx, .html; write one of these"),
        (("nowhere",), 'unknown region "nowhere"'),
        (("aldervane", "--well", "no-well"), 'unknown well "no-well"'),
        (("aldervane", "--dry", "some"), 'rates, product 1, amount: "some" is not a quantity'),
    ],
)
def test_what_the_table_refuses(call: Call, words: tuple[str, ...], expected: str) -> None:
    """One line with its cure."""
    code, _, err = call("region", "table", *words)
    assert (code, err.count("\n")) == (2, 1)
    assert err.startswith(f"pourcheck: {expected}"), err


@pytest.mark.usefixtures("place")
def test_a_region_without_a_list(call: Call) -> None:
    """It is said how to make one."""
    call("region", "add", "Nearvane")
    assert call("region", "table", "nearvane")[2] == (
        "pourcheck: nearvane: has no product on its list; put one on it: pourcheck region put nearvane urea\n"
    )


@pytest.mark.usefixtures("place")
def test_two_advisers_lists_are_merged(call: Call, tmp_path: Path) -> None:
    """What each changed is in the result; a conflict is told, decided in its file, and merged again."""
    base, mine, theirs, out, conflicts = (
        str(tmp_path / f"{name}.csv") for name in ("lists", "lists-mine", "lists-theirs", "merged", "conflicts")
    )
    head = "Region,Product ID,State,Local name,Note\n"
    Path(base).write_text(f"{head}aldervane,urea,draft,,\naldervane,gypsum,draft,,\n", "utf-8")
    Path(mine).write_text(f"{head}aldervane,urea,reviewed,,mine\naldervane,gypsum,draft,,\n", "utf-8")
    Path(theirs).write_text(f"{head}aldervane,urea,draft,white bag,theirs\n", "utf-8")
    code, text, _ = call("region", "merge", base, mine, theirs, "--to", out, "--conflicts", conflicts)
    assert code == 1
    assert text == (
        f"{out}: 1 record, 2 changes taken from {theirs}\n"
        '  lists aldervane/urea, note: "mine" here, "theirs" there; mine stands\n'
        f"1 conflict: write mine, theirs or base under Take in {conflicts}, and merge again\n"
    )
    decided = Path(conflicts).read_text("utf-8-sig").replace("theirs,mine,", "theirs,theirs,")
    Path(conflicts).write_text(decided, "utf-8")
    assert call("region", "merge", base, mine, theirs, "--to", out, "--conflicts", conflicts)[0] == 0
    titles, cells = csv.reader(Path(out).read_text("utf-8-sig").splitlines())
    row = dict(zip(titles, cells, strict=True))
    assert (row["State"], row["Local name"], row["Note"]) == ("reviewed", "white bag", "theirs")
    assert call("catalog", "import", out)[0] == 0


# --- regions of the catalog -----------------------------------------------------------------------


def test_a_check_goes_by_the_region_of_the_catalog(place: str) -> None:
    """Its policy and its name count, before those of the region that comes with the program."""
    policy = {"level": {"lime-in-line": {"at_most": "note", "reason": "acid is injected all season"}}}
    with Catalog.open(place) as catalog:
        catalog.save(RegionRecord(id="nearvane", name="Nearvane (invented)", policy=policy))
        asked = {**pour("potassium nitrate", "ridge-well"), "region": "nearvane"}
        assert check(asked, catalog, depth="numbers").region == "Nearvane (invented)"
        with pytest.raises(InputError, match="is not known"):
            check({**asked, "region": "farvane"}, catalog)
        catalog.save(RegionRecord(id="aldervane", name="Mine", policy={}))
        assert check({**asked, "region": "aldervane"}, catalog, depth="verdict").region == "Mine"
        catalog.retire("region", "aldervane")
        assert check({**asked, "region": "aldervane"}, catalog, depth="verdict").region == "Aldervane (invented)"
        with pytest.raises(InputError, match=r"policy"):
            catalog.save(RegionRecord(id="far", name="Far", policy={"levels": {}}))


def test_a_water_by_itself_goes_by_it_too(call: Call, place: str) -> None:
    """The ranges of what was not tested are those of the region of the catalog."""
    with Catalog.open(place) as catalog:
        catalog.save(RegionRecord(id="nearvane", name="Nearvane (invented)"))
    words = ("well", "check", "brook-well", "--region")
    assert call(*words, "nearvane")[0] == 0
    assert call(*words, "farvane")[2].startswith('pourcheck: region: region "farvane" is not known; ')


def test_swaps_prefer_what_is_sold_here(place: str) -> None:
    """Of swaps that are equally good, those whose products are all sold in the region come first."""
    asked = {**pour("technical MAP", "ridge-well"), "region": "aldervane"}
    with Catalog.open(place) as catalog:
        before = [tuple(p.id for p in one.products) for one in swap(asked, catalog).offered]
        assert len(before) > 1
        last = before[-1]
        catalog.save_all(Listing(region="aldervane", product=id_, sold_here=True) for id_ in last)
        offered = swap(asked, catalog).offered
        sold = [one.sold_here for one in offered]
        assert any(sold)
        order = {"clear": 0, "caution": 1, "unknown": 2}
        ranks = [(order[one.verdict], not one.sold_here) for one in offered]
        assert ranks == sorted(ranks)
        assert isinstance(catalog.product(last[0]), Product)


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ((), "2026-10-01"),
        (("--test-of", "2026-04-07"), "2026-04-07"),
        (("--test-of", "2026-04-08"), f"ridge-well: has no test of 2026-04-08; its tests: {TESTED}"),
        (("--test-of", "soon"), "arguments: water test_of is not a day; write 2026-03-31"),
    ],
)
def test_which_test_of_a_well(call: Call, place: str, words: tuple[str, ...], expected: str) -> None:
    """The newest, or that of the day that is told; the verdict names it."""
    with Catalog.open(place) as catalog:
        well = catalog.record("well", "ridge-well")
        assert isinstance(well, Well)
        catalog.save(well.with_test(WaterTest.model_validate({"tested_on": "2026-10-01", "ph": 7.2})))
    asked = ("check", "urea=1 lb", "--bucket", "5 gal", "--water", "ridge-well", "--inject", "1:100", "--json")
    code, out, err = call(*asked, *words)
    if code == 2:
        assert err == f"pourcheck: {expected}\n"
    else:
        used = {one["kind"]: one for one in json.loads(out)["used"]}
        assert used["well"]["tested_on"] == expected
