"""Spreadsheets: what is read from them, what is refused and how it is mended, and that nothing is lost both ways."""

from __future__ import annotations

import contextlib
import io
import random
import sys
import zipfile
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pourcheck.catalog import InputError, Product, Record, Source, Well
from pourcheck.catalog.door import refuse_hidden
from pourcheck.catalog.errors import Unreadable
from pourcheck.catalog.exchange import cells, columns, files
from pourcheck.catalog.exchange.records import Known, Reading, RowRead, Units, What, table_of
from pourcheck.catalog.nutrients import NUTRIENTS
from pourcheck.catalog.product import NUMBER_LIMITS, NUMBERS
from pourcheck.catalog.store.seeds import seed_products, seed_sources, seed_waters
from pourcheck.catalog.text import hidden_in


def known(*keys: str) -> Known:
    """A catalog with sources of these keys."""
    return Known(sources=dict.fromkeys(keys))


KNOWN = known("invented", "label")


def read(path: Path, there: Known = KNOWN) -> list[RowRead]:
    """All rows of the first sheet of a file; what is wrong with the header comes as a row of its own."""
    with files.opened(path) as sheets:
        reading = Reading(sheets[0], there)
        rows = list(reading.rows)
        return [*([RowRead(1, (), faults=reading.faults)] if reading.faults else []), *rows]


def records(rows: Sequence[RowRead]) -> list[Record]:
    """The records of rows that have no faults."""
    assert [str(fault) for row in rows for fault in row.faults] == []
    return [row.record for row in rows if row.record is not None]


def csv_file(tmp_path: Path, text: str, encoding: str = "utf-8") -> Path:
    """A CSV file with this text."""
    path = tmp_path / "list.csv"
    path.write_bytes(text.encode(encoding))
    return path


def xlsx_file(tmp_path: Path, rows: Sequence[Sequence[Any]], change: Callable[[Any], None] | None = None) -> Path:
    """An XLSX file with these rows."""
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    for row in rows:
        sheet.append(row)
    if change is not None:
        change(sheet)
    path = tmp_path / "list.xlsx"
    book.save(path)
    return path


def faults(rows: Sequence[RowRead]) -> list[str]:
    """What is wrong, as it is told."""
    return [str(fault) for row in rows for fault in row.faults]


# --- encodings and separators ---------------------------------------------------------------------

LIST = "Name,Form,Grade,Notes\nMélange 3-0-3,dry,3-0-3,65 µm\n"


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16", "utf-16-le", "utf-16-be"])
@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_encodings_and_separators(tmp_path: Path, encoding: str, separator: str) -> None:
    """The same list in every encoding and with every separator is the same product."""
    path = csv_file(tmp_path, LIST.replace(",", separator), encoding)
    (product,) = records(read(path))
    assert isinstance(product, Product)
    assert (product.id, product.name, product.notes) == ("m-lange-3-0-3", "Mélange 3-0-3", "65 µm")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("sep=;\nName;Form;Density (kg/L)\nfeed;liquid;1,25\n", 1.25),
        ("Name;Form;Density (kg/L)\nfeed;liquid;1,234\n", 1.234),
        ('Name,Form,Density (kg/L)\nfeed,liquid,"1,25"\n', 1.25),
        ("Name,Form,Density (lb/gal)\nfeed,liquid,10.2\n", 1.22222956),
        ("Name,Form,Density\nfeed,liquid,10.2 lb/gal\n", 1.22222956),
        ("Name,Form,Density (g/mL)\nfeed,liquid,1.3\n", 1.3),
        ("\n\nName,Form,Density (kg/L)\n\nfeed,liquid,1.3\n", 1.3),
        ("Name,Form,Density (kg/L)\n# remark\nfeed,liquid,1.3\n", 1.3),
        ("Name,Form,#mine,Density (kg/L)\nfeed,liquid,anything,1.3\n", 1.3),
    ],
)
def test_densities(tmp_path: Path, text: str, expected: float) -> None:
    """Decimal commas, units in headers and in cells, empty rows, remarks."""
    (product,) = records(read(csv_file(tmp_path, text), Known(source="label")))
    assert isinstance(product, Product)
    assert product.density is not None
    assert product.density.kg_per_l == expected


@pytest.mark.parametrize(
    ("header", "path"),
    [
        ("N (%)", "guaranteed.n"),
        ("n", "guaranteed.n"),
        ("Total Nitrogen (N)", "guaranteed.n"),
        ("Total nitrogen (N) (%)", "guaranteed.n"),
        ("Nitrogen %", "guaranteed.n"),
        ("Nitrate N (%)", "guaranteed.n_nitrate"),
        ("Nitrate nitrogen, %", "guaranteed.n_nitrate"),
        ("Available Phosphate (P2O5) (%)", "guaranteed.p2o5"),
        ("Phosphorus (P2O5) %", "guaranteed.p2o5"),
        ("K2O [%]", "guaranteed.k2o"),
        ("Soluble potash (K2O)", "guaranteed.k2o"),
        ("IRON (FE)", "guaranteed.fe"),
        ("Cl at most (%)", "at_most.cl"),
        ("Chloride at most %", "at_most.cl"),
        ("Density lb/gal", "density.kg_per_l"),
        ("density, kg/L", "density.kg_per_l"),
        ("N-P-K", "grade"),
        ("Product name", "name"),
        ("Aliases", "aliases"),
        ("Phosphorus (P) %", None),
        ("K (%)", None),
        ("CaO (%)", None),
        ("Density (bags)", None),
        ("N (mg/L)", None),
    ],
)
def test_headers(header: str, path: str | None) -> None:
    """Headers as people write them; an element where the oxide is counted, and units that do not fit, are refused."""
    if path is None:
        with pytest.raises(Unreadable):
            columns.reading_of(header, columns.product_columns())
    else:
        found = columns.reading_of(header, columns.product_columns())[0].path
        assert ".".join(part for part in found if part != "value") == path


# --- what is refused, with its place and cure -----------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            'Name,Form,Density (kg/L)\nfeed,liquid,"1,234"\n',
            ['row 2, Density (kg/L): "1,234" has a comma that may part thousands or decimals; write 1.234 or 1234'],
        ),
        (
            "Name,Form,Density\nfeed,liquid,10.2\n",
            ['row 2, Density: 10.2 has no unit; name it in the header: "Density (lb/gal)" or "Density (kg/L)"'],
        ),
        (
            "Name,Form,Density (lb)\nfeed,liquid,10.2\n",
            ['row 1, Density (lb): "Density (lb)" is in a unit that is not read here; write Density (kg/L)'],
        ),
        (
            "Name,Form,P (%)\nfeed,liquid,4\n",
            [
                'row 1, P (%): "P (%)" does not say whether it is the element or the oxide; '
                "head it P2O5 (%), with the numbers on that basis"
            ],
        ),
        (
            "Name,Form,Nmae,Name\nfeed,liquid,x,y\n",
            [
                'row 1, Nmae: "Nmae" is no column that is known here; '
                'rename it, perhaps "Name", or put # in front of it to leave it out',
                'row 1, Name: says the same as "Name"; keep one of the two columns',
            ],
        ),
        (
            "Name,Form,Fe (%),Density (kg/L)\nfeed,wet,101,x\n,dry,1,\n",
            [
                "row 2, Fe (%): 101 is not within 0 to 100 percent; check the number",
                'row 2, Density (kg/L): "x" is not a quantity; write for example "10.2 lb/gal" or "1.22 kg/L"',
                "row 2, Form: is not a word that is known here; write 'dry' or 'liquid'",
                "row 3, Name: is missing; add it",
            ],
        ),
        (
            "Name,Form,Grade\nfeed,dry,Oct-10\n",
            [
                'row 2, Grade: grade "Oct-10" is not N-P2O5-K2O; '
                "format the column as text and write the grade again, for example 10-0-10"
            ],
        ),
        ("Name,Form\nfeed\x1b[2J,dry\n", ["row 2: name holds a control character (U+001B); write it without"]),
        ("Name,Form\nfeed,dry,more\n", ["row 2: has 3 cells below 2 headers; head every column"]),
        (
            'Name,Form\nfeed,dry\n"feed,dry\n',
            ["row 3: cannot be read as CSV (unexpected end of data); a quotation mark lacks its second"],
        ),
        (
            "Well,Tested on,pH\nUpper Well,03/04/2026,7.2\nUpper Well,2026-02-30,1\n",
            [
                'row 2, Tested on: "03/04/2026" may be two days; write 2026-04-03 or 2026-03-04',
                'row 3, Tested on: "2026-02-30" is not a day; write it as 2026-03-31',
                'row 3, pH: "1" is not a pH of irrigation water (3 to 11); check the number',
            ],
        ),
        (
            "Well,Tested on,Calcium\nUpper Well,2026-03-04,95\n",
            ['row 2, Calcium: "95" has no unit; write calcium in mg/L Ca, mg/L CaCO3, meq/L, gpg or dH'],
        ),
        (
            "Well,Tested on,pH\nUpper Well,2026-03-04,7.2\nUpper Well,2026-03-04,7.3\n",
            ["row 3, Tested on: is the second test of 2026-03-04 of this well, after row 2; keep one of the two"],
        ),
    ],
)
def test_what_is_refused(tmp_path: Path, text: str, expected: list[str]) -> None:
    """Every fault is told, with its row, its column and its cure."""
    assert faults(read(csv_file(tmp_path, text), Known(source="label"))) == expected


def test_numbers_need_a_source(tmp_path: Path) -> None:
    """A number whose source is not told is refused; a source that is new comes along as a record."""
    text = "Name,Form,Fe (%),Source\nfeed,dry,1,\nfood,dry,1,label read 2026-05-02\nfodder,dry,,\n"
    rows = read(csv_file(tmp_path, text))
    assert faults(rows) == [
        "row 2, Source: is missing, for guaranteed fe; write where it was read, such as: label read 2026-05-02"
    ]
    assert rows[1].beside == (Source(id="label-read-2026-05-02", citation="label read 2026-05-02", seen="label"),)
    assert isinstance(rows[1].record, Product)
    assert rows[1].record.guaranteed["fe"].source == "label-read-2026-05-02"
    assert rows[2].record is not None


@pytest.mark.parametrize(
    ("name", "content", "expected"),
    [
        ("list.ods", b"", "is neither CSV nor XLSX; save it as .csv or .xlsx"),
        ("list.xlsx", b"PK no zip", "is not an XLSX file that can be read; save it anew as .xlsx or .csv"),
        ("list.csv", b"", "is empty; head its columns as in: pourcheck catalog template products.csv"),
        ("list.csv", b"\x00\x01\x02", "is empty"),
        ("list.csv", b"q,r\n1,2\n", "has no header that is known (q, r); head its columns"),
        ("none.csv", None, "cannot be read (No such file or directory); check the file name"),
    ],
)
def test_files_that_are_none(tmp_path: Path, name: str, content: bytes | None, expected: str) -> None:
    """One line that says what to do, whatever the file is."""
    path = tmp_path / name
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(InputError) as raised:
        read(path)
    if expected != "is empty":
        assert expected in str(raised.value)


@pytest.mark.parametrize("reading", [True, False])
def test_xlsx_without_its_library(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, reading: bool) -> None:
    """The extra is named, and nothing is left behind."""
    path = xlsx_file(tmp_path, [["Name", "Form"]]) if reading else tmp_path / "new.xlsx"
    monkeypatch.setitem(sys.modules, "openpyxl", None)
    with pytest.raises(InputError, match=r'pip install "pourcheck\[xlsx\]", or use a \.csv file'):
        read(path) if reading else files.write(path, [table_of("products", [])])
    assert len(list(tmp_path.iterdir())) == int(reading)


# --- XLSX -----------------------------------------------------------------------------------------


@pytest.mark.filterwarnings("error")
def test_lists_to_choose_from_are_no_matter(tmp_path: Path) -> None:
    """What a file has besides its cells is passed over without a word."""
    path = xlsx_file(tmp_path, [["Name", "Form"], ["feed", "dry"]])
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    extra = b'<extLst><ext uri="{CCE6A557-97BC-4b89-ADB6-D9C93CAAB3DF}"/></extLst></worksheet>'
    sheet = "xl/worksheets/sheet1.xml"
    parts[sheet] = parts[sheet].replace(b"</worksheet>", extra)
    with zipfile.ZipFile(path, "w") as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    assert [row.record is not None for row in read(path)] == [True]


def test_dates_and_percents_of_xlsx(tmp_path: Path) -> None:
    """A real date is a day; what is shown as percent is percent."""
    well = xlsx_file(tmp_path, [["Well", "Tested on", "pH"], ["Upper Well", datetime(2026, 3, 4), 7.6]])
    assert [w.test[0].tested_on for w in records(read(well)) if isinstance(w, Well)] == ["2026-03-04"]

    def as_percent(sheet: Any) -> None:
        sheet["C2"].number_format = "0.0%"

    feed = xlsx_file(tmp_path, [["Name", "Form", "Fe (%)", "Source"], ["feed", "dry", 0.001, "label"]], as_percent)
    assert [p.percent("fe") for p in records(read(feed)) if isinstance(p, Product)] == [0.1]


@pytest.mark.parametrize(
    ("cell", "expected"),
    [
        ("=1+1", "row 2, Grade: holds a formula; paste its value instead"),
        ("#N/A", "row 2, Grade: holds the error #N/A; paste its value instead"),
        (
            datetime(2010, 10, 10),
            "row 2, Grade: is the day 2010-10-10: the spreadsheet program took a grade for a date; "
            "format the column as text and write the grade again",
        ),
    ],
)
def test_cells_of_xlsx_that_hold_no_value(tmp_path: Path, cell: object, expected: str) -> None:
    """Formulas, errors and grades that became dates are named."""
    path = xlsx_file(tmp_path, [["Name", "Form", "Grade"], ["feed", "dry", cell], ["food", "dry", "1-0-0"]])
    rows = read(path)
    assert faults(rows) == [expected]
    assert rows[1].record is not None


# --- formulas -------------------------------------------------------------------------------------

DANGEROUS = ("=1+1", "+A1", "-x", "@sum", "'=1", " =1", "＝1", "''@x")


@pytest.mark.parametrize("text", DANGEROUS)
@pytest.mark.parametrize("suffix", [".csv", ".tsv", ".xlsx"])
def test_formulas_are_guarded_and_read_back(tmp_path: Path, text: str, suffix: str) -> None:
    """No cell that is written begins as a formula does; the text comes back whole."""
    product = Product(id="feed", name=f"{text} feed", form="dry", notes=text, aliases=(text,))
    path = tmp_path / f"list{suffix}"
    files.write(path, [table_of("products", [product])])
    if suffix == ".xlsx":
        values = [cell for row in openpyxl.load_workbook(path).active.iter_rows() for cell in row]  # type: ignore[union-attr]
        assert all(cell.data_type != "f" for cell in values)
        written = [str(cell.value) for cell in values if cell.value is not None]
    else:
        written = path.read_text("utf-8-sig").replace('"', "").replace("\t", ",").split(",")
    assert not [cell for cell in written if cell.strip()[:1] in set("=+@＝") or cell.startswith("-x")]
    assert records(read(path)) == [product]


# --- both ways ------------------------------------------------------------------------------------

SEEDS: dict[What, list[Record]] = {
    "products": list(seed_products()),
    "wells": [Well.of(water) for water in seed_waters()],
    "sources": list(seed_sources().values()),
}


@pytest.mark.parametrize("units", ["metric", "us"])
@pytest.mark.parametrize("suffix", [".csv", ".tsv", ".xlsx"])
@pytest.mark.parametrize("what", list(SEEDS))
def test_the_seeds_come_back(tmp_path: Path, what: What, suffix: str, units: Units) -> None:
    """All records that come with the program, written and read."""
    path = tmp_path / f"list{suffix}"
    files.write(path, [table_of(what, SEEDS[what], units)])
    assert records(read(path, known(*(s.id for s in SEEDS["sources"] if isinstance(s, Source))))) == SEEDS[what]


def _allowed(text: str) -> bool:
    try:
        refuse_hidden({"notes": text})
    except InputError:
        return False
    return bool(text.strip())


texts = st.text(
    st.characters(exclude_categories=["Cc", "Cf", "Cs", "Co", "Zl", "Zp"], include_characters=";\\'=+-@\"\n, "),
    min_size=1,
    max_size=20,
).filter(_allowed)
names = texts.filter(lambda text: "\n" not in text)
keys = st.from_regex(r"[a-z0-9]{1,8}(-[a-z0-9]{1,4}){0,2}", fullmatch=True)
shares = st.floats(0, 100, allow_nan=False)


def sourced_from(values: st.SearchStrategy[float]) -> st.SearchStrategy[dict[str, Any]]:
    """A number with a source, and perhaps a note."""
    keys_of_sources = st.sampled_from(["invented", "label", "third key"])
    return st.fixed_dictionaries({"value": values, "source": keys_of_sources}, optional={"note": texts})


sourced = sourced_from(shares)
contents = st.sampled_from(
    [
        {"formula": "KNO3", "dissolves_to": {"K+": 1, "NO3-": 1}, "mass_fraction": {"value": 0.3, "source": "label"}},
        {"formula": "CO(NH2)2", "dissolves_to": {"urea": 1}, "mass_fraction": {"value": 0.25, "source": "label"}},
    ]
)


@st.composite
def products(draw: st.DrawFn) -> Product:
    """A product with whatever a product may have."""
    own = draw(
        st.fixed_dictionaries(
            {"id": keys, "name": names, "form": st.sampled_from(["dry", "liquid"])},
            optional={
                "kind": st.sampled_from(["material", "product"]),
                "grade": st.sampled_from(["10-0-10", "13.7-0-46", "0-0-0.5"]),
                "invented": st.booleans(),
                "dissolving": st.sampled_from(["complete", "slow-release"]),
                "hazards": st.lists(st.sampled_from(["acid", "oxidizer"]), unique=True),
                "guaranteed": st.dictionaries(st.sampled_from(list(NUTRIENTS)), sourced),
                "at_most": st.dictionaries(st.sampled_from(["cl", "b"]), sourced),
                "derived_from": st.lists(names, max_size=3),
                "chelating_agent": st.sampled_from(["EDTA", "none"]),
                "content": st.lists(contents, max_size=2),
                "density": st.fixed_dictionaries(
                    {"kg_per_l": st.floats(0.51, 2.99), "source": st.sampled_from(["label", "other"])},
                    optional={"temperature_c": st.floats(-30, 60)},
                ),
                "solubility": st.lists(
                    st.fixed_dictionaries(
                        {
                            "formula": names,
                            "temperature_c": st.floats(-20, 110),
                            "g_per_100_g_water": st.floats(0.1, 500),
                            "source": keys,
                        }
                    ),
                    max_size=2,
                ),
                "numbers": st.fixed_dictionaries(
                    {}, optional={key: sourced_from(st.floats(*NUMBER_LIMITS[key])) for key in NUMBERS}
                ),
                "notes": texts,
                "aliases": st.lists(names, max_size=2),
            },
        )
    )
    for nutrient in list(own.get("at_most", {})):
        own.get("guaranteed", {}).pop(nutrient, None)
    try:
        return Product.model_validate(own)
    except ValueError:
        own.pop("aliases", None)
        return Product.model_validate(own)


quantities = st.sampled_from(
    ["95 mg/L", "95.0 mg/L", "80 to 120 mg/L", "<0.05 mg/L", "1,200 mg/L", "3 meq/L", "95 mg/L +/- 5 %", ".5 mg/L"]
)


@st.composite
def wells(draw: st.DrawFn) -> Well:
    """A well with any number of tests."""
    test = st.fixed_dictionaries(
        {},
        optional={
            "tested_on": st.dates().map(lambda day: day.isoformat()) | st.sampled_from(["20260304", "2026-W10-3"]),
            "ph": st.floats(3.5, 10.5).map(lambda ph: round(ph, 2)) | st.sampled_from(["7.2 to 7.8"]),
            "calcium": quantities,
            "hardness": st.sampled_from(["12 gpg", "210 mg/L CaCO3", "10 dH"]),
            "temperature": st.sampled_from(["50 degF", "10 degC", "45 to 55 degF"]),
            "ec": st.sampled_from(["0.9 mS/cm", "900 uS/cm"]),
            "bacteria": st.just("20000 per mL"),
            "softened": st.booleans(),
            "notes": texts,
            "source": names,
        },
    )
    own = {"id": draw(keys), "name": draw(names), "notes": draw(st.just("") | texts), "invented": draw(st.booleans())}
    return Well.model_validate(
        {**own, "test": draw(st.lists(test, max_size=3, unique_by=lambda t: t.get("tested_on")))}
    )


def both_ways(what: What, given: list[Record], units: Units) -> Iterator[list[Record]]:
    """Records after they went through each kind of file."""
    there = known("invented", "label", "other", "third key")
    for suffix in (".csv", ".xlsx"):
        path = files.Path(BESIDE) / f"both{suffix}"
        files.write(path, [table_of(what, given, units)])
        yield records(read(path, there))


BESIDE = ""


@pytest.fixture(autouse=True, scope="module")
def _beside(tmp_path_factory: pytest.TempPathFactory) -> None:
    global BESIDE
    BESIDE = str(tmp_path_factory.mktemp("both"))


@settings(max_examples=120, deadline=None)
@given(st.lists(products(), min_size=1, max_size=3, unique_by=lambda p: p.id))
def test_products_come_back(given: list[Record]) -> None:
    """Written and read, a product is the same to the last place of its numbers and the last blank of its notes."""
    for back in both_ways("products", given, "metric"):
        assert back == given


@settings(max_examples=60, deadline=None)
@given(st.lists(wells(), min_size=1, max_size=3, unique_by=lambda w: w.id))
def test_wells_come_back(given: list[Record]) -> None:
    """Wells with all of their tests too."""
    for back in both_ways("wells", given, "metric"):
        assert back == given


@given(st.integers(501, 2999))
def test_densities_come_back_in_pounds_per_gallon(thousandths: int) -> None:
    """A density of a label is written in the other unit, and read back as it was."""
    column = next(c for c in columns.product_columns("us") if c.header == "Density (lb/gal)")
    assert column.read(column.write(thousandths / 1000), False) == thousandths / 1000


def test_a_changed_cell_wins_over_the_further_fields(tmp_path: Path) -> None:
    """Who changes a cell is not overruled by the last column: a changed number keeps its source and note, one that was
    taken out of its cell is gone with both, and text with a blank behind it gives way to new text."""
    number = {"value": 1.0, "source": "label", "note": "as it is"}
    product = Product.model_validate(
        {
            "id": "feed",
            "name": "feed ",
            "form": "dry",
            "guaranteed": {"fe": number, "mn": number, "zn": {**number, "source": "other"}},
        }
    )
    table = table_of("products", [product])
    (row,) = table.rows
    for title, cell in (("Name", "food"), ("Fe (%)", 2.0), ("Mn (%)", None)):
        row[list(table.titles).index(title)] = cell  # type: ignore[index]
    path = tmp_path / "list.csv"
    files.write(path, [files.Table("Products", table.titles, [row])])
    (back,) = records(read(path, known("label", "other")))
    assert isinstance(back, Product)
    assert back.name == "food"
    assert {key: n.model_dump() for key, n in back.guaranteed.items()} == {
        "fe": {**number, "value": 2.0},
        "zn": {**number, "source": "other"},
    }


# --- cells ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "comma", "expected"),
    [
        ("15.5", False, "15.5"),
        ("15,5", False, "15.5"),
        ("0,125", False, "0.125"),
        ("1234,567", False, "1234.567"),
        ("1,234.5", False, "1234.5"),
        ("1.234,5", False, "1234.5"),
        ("1,234", True, "1.234"),
        ("80 to 95,5 mg/L", False, "80 to 95.5 mg/L"),
        ("1,234", False, None),
    ],
)
def test_decimal_commas(text: str, comma: bool, expected: str | None) -> None:
    """A comma is a decimal point where it can be nothing else."""
    if expected is None:
        with pytest.raises(Unreadable):
            cells.points(text, comma=comma)
    else:
        assert cells.points(text, comma=comma) == expected


@given(st.text(max_size=8))
def test_guards_come_off(text: str) -> None:
    """What is guarded reads back."""
    assert cells.unguarded(cells.guarded(text)) == text


@given(st.lists(names.map(str.strip), max_size=4))
def test_lists_come_back(entries: list[str]) -> None:
    """Entries with semicolons and backslashes in them too."""
    assert cells.read_list(cells.list_text(entries)) == entries


def test_a_file_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    """A fault halfway leaves the old file, and nothing beside it."""
    path = tmp_path / "list.csv"
    path.write_text("old", "utf-8")

    def rows() -> Iterator[list[str]]:
        yield ["a"]
        raise InputError("no more")

    with pytest.raises(InputError):
        files.write(path, [files.Table("Products", ["Name"], rows())])
    assert path.read_text("utf-8") == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_lines_of_a_file_end_as_spreadsheet_programs_write_them() -> None:
    """CRLF, as the CSV standard has it."""
    out = io.StringIO(newline="")
    files.write_csv(out, files.Table("Products", ["Name"], [["feed"]]))
    assert out.getvalue() == "Name\r\nfeed\r\n"


# --- whatever a file holds ------------------------------------------------------------------------

SOME_CELLS = st.sampled_from(
    [
        "", "feed", "dry", "10-0-10", "=1", "'", "1,5", "1.234,5", "-1", "1e400", "nan", "03/04/2026", "31.2.2026",
        "yes", "{}", '{"guaranteed":1}', '{"guaranteed.fe":2}', '{"a.b.c":1}', '{"content":[1]}', '{"":""}', "[[[",
        '{"id":[]}',
        "\u202e", "\x00", "x" * 500, "9" * 400, "mg/L", "<", "80 to", ";;\\;", "# remark", "2026-03-04", "é", "🙂",
    ]
) | st.text(max_size=6)  # fmt: skip
HEADERS = st.sampled_from(
    [
        *(column.header for column in columns.product_columns()),
        *(column.header for column in columns.well_columns()),
        "Further fields (JSON)", "Density", "Density (lb/gal)", "P", "", "#x", "x", "Region", "Product ID", "Citation",
    ]
)  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(st.lists(HEADERS, min_size=1, max_size=8), st.lists(st.lists(SOME_CELLS, max_size=9), max_size=4))
def test_whatever_stands_in_cells(header: list[str], rows: list[list[str]]) -> None:
    """Records or faults, each with its place and cure; never anything else."""
    sheet = files.Sheet("list", iter([(1, list(header)), *((i + 2, list(row)) for i, row in enumerate(rows))]))
    try:
        reading = Reading(sheet, KNOWN)
    except InputError:
        return
    for row in reading.rows:
        for fault in row.faults:
            assert fault.row > 1
            assert fault.what
            assert fault.mend
            assert hidden_in(str(fault)) is None
        assert row.record is None or not row.faults


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=80), st.sampled_from([".csv", ".tsv", ".xlsx"]))
def test_whatever_stands_in_a_file(content: bytes, suffix: str) -> None:
    """Bytes of any kind are read, or refused in one line."""
    path = Path(BESIDE) / f"any{suffix}"
    path.write_bytes(b"Name,Form\n" * (len(content) % 2) + content)
    try:
        rows = read(path)
    except InputError:
        return
    assert all(row.record is None or not row.faults for row in rows)


@pytest.mark.parametrize("seed", range(8))
def test_spoilt_xlsx_files(tmp_path: Path, seed: int) -> None:
    """Bytes changed, taken out or put into any part of an XLSX file: it is read, or refused in one line."""
    sound = xlsx_file(tmp_path, [["Well", "Tested on", "pH"], ["A", datetime(2026, 3, 4), 7.2], ["B", "x", "=1"]])
    with zipfile.ZipFile(sound) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    drawn = random.Random(seed)
    for _ in range(25):
        spoilt = drawn.choice(sorted(parts))
        data = bytearray(parts[spoilt])
        for _ in range(drawn.randint(1, 5)):
            at = drawn.randrange(len(data))
            put = drawn.choice([b"", b"9999999", b"<", b"</c>", b't="s"', b"-1", b"&x;", bytes([drawn.randrange(256)])])
            data[at : at + drawn.randint(0, 8)] = put
        path = tmp_path / "spoilt.xlsx"
        with zipfile.ZipFile(path, "w") as archive:
            for name, content in parts.items():
                archive.writestr(name, bytes(data) if name == spoilt else content)
        with contextlib.suppress(InputError):
            read(path)
