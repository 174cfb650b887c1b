"""Commands that keep the catalog: what they save, what they refuse, what they ask, and that a check does not wait."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from pourcheck import Catalog
from pourcheck.catalog import Product, Well

Ran = tuple[int, str, str]
Call = Callable[..., Ran]

FEED = (
    "product", "add", "--name", "New Feed 13-0-44", "--form", "dry", "--grade", "13-0-44",
    "--derived-from", "potassium nitrate",
)  # fmt: skip


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """A catalog of its own for a test."""
    made = str(tmp_path / "own.sqlite3")
    monkeypatch.setenv("POURCHECK_DB", made)
    monkeypatch.setenv("POURCHECK_BY", "A. Adviser")
    monkeypatch.delenv("EDITOR", raising=False)
    monkeypatch.delenv("VISUAL", raising=False)
    Catalog.open(made, new=True).close()
    return made


# --- products -------------------------------------------------------------------------------------


@pytest.mark.usefixtures("place")
def test_the_life_of_a_product(call: Call) -> None:
    """Added, changed, looked at, undone, retired and brought back; its history tells who and why."""
    steps = [
        (FEED, "Saved product new-feed-13-0-44, revision 1.\n"),
        (("product", "edit", "new-feed-13-0-44", "--set", "notes=no"), "Saved product new-feed-13-0-44, revision 2.\n"),
        (("product", "edit", "new-feed-13-0-44", "--set", "notes=no"), "Nothing new: product new-feed-13-0-44 stands"),
        (("product", "diff", "new-feed-13-0-44"), "notes\n  + no\n"),
        (
            ("product", "undo", "new feed 13-0-44"),
            "product new-feed-13-0-44 is again as in revision 1 (now revision 3)",
        ),
        (
            ("product", "retire", "new-feed-13-0-44", "--why", "gone"),
            "Retired product new-feed-13-0-44 (revision 4).\n",
        ),
        (("product", "undo", "new-feed-13-0-44"), "product new-feed-13-0-44 is again as in"),
    ]
    for words, expected in steps:
        code, out, err = call(*words)
        assert (code, err) == (0, ""), words
        assert out.startswith(expected), words
    history = json.loads(call("product", "history", "new-feed-13-0-44", "--json")[1])
    assert [(one["by"], one["retired"]) for one in history][3] == ("A. Adviser", True)
    assert history[3]["why"] == "gone"
    assert history[1]["changed"] == ["notes"]


def test_a_product_of_options(call: Call, place: str) -> None:
    """Every option finds its field; a new source comes along."""
    done = call(
        "product", "add", "--name", "New Jug 9-0-12", "--id", "jug", "--form", "liquid", "--grade", "9-0-12",
        "--density", "10.2 lb/gal", "--derived-from", "urea, potassium nitrate", "--guarantee", "Fe=0.1 %",
        "--at-most", "Cl=0.5 %", "--ph", "6.5", "--chelating-agent", "EDTA", "--also", "nj, nj 9",
        "--notes", "blue jug", "--source", "label read 2026-05-02", "--anyway", "--by", "B. Adviser", "--why", "new",
    )  # fmt: skip
    assert done[0] == 0, done
    with Catalog.open(place) as catalog:
        product = catalog.product("nj 9")
        assert isinstance(product, Product)
        assert (product.id, product.density and product.density.kg_per_l) == ("jug", 1.22222956)
        assert {n.source for n in product.sourced()} == {"label-read-2026-05-02"}
        assert (product.at_most["cl"].value, product.numbers["solution_ph"].value) == (0.5, 6.5)
        assert product.derived_from == ("urea", "potassium nitrate")
        assert catalog.current("product", "jug").by == "B. Adviser"


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("product", "add"), "no product is given; name a TOML file, or use --name, --form, ... (see --help)"),
        (("product", "add", "--name", "x"), "options: form is missing; add it"),
        (("product", "add", "feed.csv"), "feed.csv: is no TOML file; write name.toml, or use the options (see --help)"),
        (("product", "add", "none.toml"), "none.toml: cannot be read (No such file or directory); check the file"),
        (("product", "edit", "urea"), 'no change is given; write --set "density=10.2 lb/gal", '),
        (("product", "edit", "urea", "--edit"), "no editor is set; set EDITOR, or use --set, a file or the options"),
        (("product", "edit", "urea", "--set", "id=x"), "urea: the id of a product stays; add it anew"),
        (("product", "edit", "urea", "--set", "notes"), '--set: "notes" is not "name=value"; write --set '),
        (("product", "edit", "urea", "--unset", "density"), '"density" is not set; look at its fields: show --json'),
        (("product", "edit", "urea", "--set", "guaranteed.K=1"), '"K" does not say whether'),
        ((*FEED, "--guarantee", "Fe=0.1 %"), "options: guaranteed fe names no source; add source = "),
        ((*FEED, "--guarantee", "Xx=0.1 %"), 'options, guaranteed: "Xx" is no nutrient; write one of: n, n_nitrate'),
        ((*FEED, "--density", "10"), 'options, density: "10" has no unit; write for example "10.2 lb/gal"'),
        ((*FEED, "--also", "urea"), "new-feed-13-0-44: the name \"urea\" belongs to urea; choose another name"),
        (("product", "diff", "urea", "1", "7"), "product urea: has no revision 7; write a number from 1 to 1"),
        (("product", "undo", "urea"), "product urea: has nothing before it to bring back; retire it instead"),
        (("product", "add", "--name", "Удобрение", "--form", "dry"), 'options: "Удобрение" makes no id; add'),
        (("product", "add", "--form", "dry"), "options: name is missing; add it"),
        (("product", "list", "--region", "nowhere"), 'unknown region "nowhere"; nearest: "aldervane"'),
        (("catalog", "export", "x.csv", "--region", "nowhere"), 'unknown region "nowhere"; nearest: "aldervane"'),
        (("region", "edit", "nowhere", "--set", "notes=x"), 'unknown region "nowhere"; nearest: "aldervane"'),
        (("region", "add", ""), "options: name is missing; add it"),
        (("region", "add", "Aldervane"), "region aldervane: comes with the program; change it: pourcheck region edit"),
        (
            ("region", "edit", "aldervane", "--set", "policy.level.acid-to-water.at_most=note"),
            "aldervane, policy: level.acid-to-water.reason is missing; add it",
        ),
        (
            (
                *("region", "edit", "aldervane", "--set", "policy.level.chlorine-gas.at_most=note"),
                *("--set", "policy.level.chlorine-gas.reason=none"),
            ),
            "aldervane, level: chlorine-gas keeps people, wells or the answer safe and may not be lowered; leave out",
        ),
        (("well", "add", ""), "options: name is missing; add it"),
        (("well", "test", "brook-well", "--test", "ridge-well"), '--test: names no item; write "ph=7.6, calcium='),
        (("product", "list", "--state", "draft"), "--state is that of a region's list; add --region"),
        (("well", "add"), 'no well is given; write its name and --test "ph=7.6, ..." --tested-on 2026-03-31'),
        (("well", "test", "brook-well"), 'no test is given; write --test "ph=7.6, calcium=95 mg/L"'),
        (("well", "test", "brook-well", "--test", "ph=1"), "--test, ph: \"1\" is not a pH of irrigation"),
        (
            ("well", "test", "brook-well", "--test", "ph=7", "--tested-on", "2026-03-12"),
            "brook-well: has a test of 2026-03-12 already; correct its date, or say that it replaces the other",
        ),
        (("well", "show", "brook-well", "--test-of", "2020-01-01"), "brook-well: has no test of 2020-01-01; "),
        (("well", "show", "brook-well", "--test-of", "soon"), "--test-of: is not a day; write it as 2026-03-31"),
        (("jar", "add"), 'nothing is in the jar; write what went in: "urea=2 g" "MAP=1 g" --seen clear'),
        (("jar", "add", "urea=2 g"), "what was seen is missing; add --seen: clear, cloudy"),
        (("jar", "add", "urea"), 'the jar: "urea" is not "name=value"; write "urea=2 g"'),
        (("region", "add"), "no region is given; write its name, name a TOML file, or use --edit"),
        (("region", "show", "nowhere"), 'unknown region "nowhere"'),
        (
            ("region", "edit", "aldervane", "--set", "policy.unknown.calcium.high=2"),
            "aldervane, policy: unknown.calcium low 3 is not below high 2; turn them round",
        ),
        (("catalog", "import", "none.csv"), "none.csv: cannot be read (No such file or directory)"),
        (("catalog", "import", "list.ods"), "list.ods: is neither CSV nor XLSX; save it as .csv or .xlsx"),
        (("catalog", "export", "nowhere/list.csv"), "nowhere/list.csv: cannot be written (No such file or directory)"),
    ],
)  # fmt: skip
def test_what_is_refused(call: Call, place: str, words: tuple[str, ...], expected: str) -> None:
    """One line with its cure, exit code 2, and nothing is saved."""
    code, _, err = call(*words)
    assert code == 2
    assert err.startswith(f"pourcheck: {expected}"), err
    assert err.count("\n") == 1
    with Catalog.open(place) as catalog:
        assert catalog.overridden() == []
        assert catalog.owners("product", ["new-feed-13-0-44", "x"]) == {}


@pytest.mark.usefixtures("place")
def test_doubts_hold_a_product_back(call: Call) -> None:
    """What is wrong is told before saving, and saved only where it is asked for."""
    words = (*FEED[:-1], "potasium nitrate", "--source", "label read 2026-05-02")
    code, out, err = call(*words)
    assert code == 2
    assert 'its source "potasium nitrate" is not in the catalog' in " ".join(out.split())
    assert err == "pourcheck: product new-feed-13-0-44: was not saved: 1 doubt; mend what is told above, or --anyway\n"
    code, out, _ = call(*words, "--anyway")
    assert code == 0
    assert out.endswith("Saved product new-feed-13-0-44, revision 1.\n")


@pytest.mark.usefixtures("place")
def test_two_editors(call: Call) -> None:
    """Who started from a revision that no longer stands is told both changes."""
    call(*FEED)
    call("product", "edit", "new-feed-13-0-44", "--set", "notes=mine")
    code, _, err = call("product", "edit", "new-feed-13-0-44", "--set", "aliases=nf", "--revision", "1")
    assert code == 2
    assert err.startswith("pourcheck: product new-feed-13-0-44: was changed in the meantime by A. Adviser on ")
    assert "(revision 2: notes), you changed aliases; look at revision 2" in err


@pytest.mark.usefixtures("place")
def test_a_product_from_a_file_and_back(call: Call, tmp_path: Path) -> None:
    """A TOML file as people write it."""
    path = tmp_path / "feed.toml"
    path.write_text(
        'name = "Filed Feed"\nform = "dry"\ngrade = "13-0-44"\nderived_from = "potassium nitrate"\n'
        'source = "label read 2026-05-02"\n[guaranteed]\nFe = "0.1 %"\n',
        "utf-8",
    )
    assert call("product", "add", str(path), "--anyway")[0] == 0
    shown = json.loads(call("product", "show", "filed feed", "--json")[1])
    assert shown["guaranteed"] == {"fe": {"value": 0.1, "source": "label-read-2026-05-02", "note": ""}}


# --- wells, jars, regions -------------------------------------------------------------------------


def test_the_life_of_a_well(call: Call, place: str) -> None:
    """A test is added to a well; the newest is shown, or another by its day."""
    assert call("well", "add", "Upper Well", "--test", "ph=7.6, calcium=95 mg/L", "--tested-on", "2026-03-04")[0] == 0
    assert (
        call("well", "test", "upper well", "--test", "ph=7.9", "--tested-on", "2026-10-04", "--source", "strip")[0] == 0
    )
    shown = call("well", "show", "upper-well")[1]
    assert "pH                  7.9" in shown
    assert "calcium           95 mg/L         -" in shown
    assert "pH                  7.6" in call("well", "show", "upper-well", "--test-of", "2026-03-04")[1]
    assert "Upper Well                      2 tests, newest 2026-10-04    upper-well" in call("well", "list")[1]
    call("well", "test", "upper-well", "--test", "ph=7.8", "--tested-on", "2026-10-04", "--replace")
    with Catalog.open(place) as catalog:
        well = catalog.record("well", "upper-well")
        assert isinstance(well, Well)
        assert [str(test.ph) for test in well.test] == ["7.6", "7.8"]


@pytest.mark.usefixtures("place")
def test_jar_tests(call: Call) -> None:
    """Two of a day get ids of their own."""
    for _ in range(2):
        words = ("--seen", "cloudy, settled", "--water", "brook-well", "--made-on", "2026-05-02")
        assert call("jar", "add", "urea=2 g", "technical MAP=1 g", *words)[0] == 0
    jars = json.loads(call("jar", "list", "--json")[1])
    assert [jar["id"] for jar in jars] == ["jar-2026-05-02-1", "jar-2026-05-02-2"]
    assert jars[0]["seen"] == ["cloudy", "settled"]
    assert "2 g urea + 1 g technical MAP" in call("jar", "list")[1]


@pytest.mark.usefixtures("place")
def test_a_region_and_its_list(call: Call) -> None:
    """The packaged region becomes one's own when it is changed; its list is kept by product."""
    assert call("region", "put", "aldervane", "urea", "--sold-here")[0] == 0
    assert call("region", "put", "Aldervane", "UREA", "--state", "reviewed", "--reviewed-by", "B. Adviser")[0] == 0
    assert call("region", "edit", "aldervane", "--set", "policy.unknown.calcium.high=150")[0] == 0
    shown = json.loads(call("region", "show", "aldervane", "--json")[1])
    assert shown["policy"]["unknown"]["calcium"]["high"] == 150.0
    assert [(one["product"], one["state"], one["sold_here"]) for one in shown["list"]] == [("urea", "reviewed", True)]
    assert call("product", "list", "--region", "aldervane")[1].startswith("urea ")
    assert call("region", "take", "aldervane", "urea")[0] == 0
    assert call("product", "list", "--region", "aldervane")[1] == "No product fits.\n"


# --- spreadsheets ---------------------------------------------------------------------------------


@pytest.mark.usefixtures("place")
def test_a_list_in_and_out(call: Call, tmp_path: Path) -> None:
    """A dry run, faults with exit code 2, rejects, and the way back."""
    path, rejects = tmp_path / "products.csv", tmp_path / "rejects.csv"
    path.write_text("Name,Form,Grade\nSpring Feed,dry,1-0-0\nAutumn Feed,wet,\n", "utf-8")
    fault = "row 3, Form: is not a word that is known here; write 'dry' or 'liquid'\n"
    code, out, _ = call("catalog", "import", str(path))
    assert (code, out) == (
        2,
        f"{fault}2 rows read: 1 new, 1 with faults. "
        "Nothing was written: mend the faults, or leave the rows out with --skip-bad FILE.\n",
    )
    code, out, _ = call("catalog", "import", str(path), "--skip-bad", str(rejects), "--json")
    told = json.loads(out)
    assert (code, told["saved"], told["new"], told["rejects"]) == (0, True, 1, str(rejects))
    assert told["faults"] == [
        {"row": 3, "column": "Form", "what": "is not a word that is known here", "mend": "write 'dry' or 'liquid'"}
    ]
    path.write_text("Name,Form,P (%)\nSpring Feed,dry,1\n", "utf-8")
    code, out, _ = call("catalog", "import", str(path))
    assert (code, out.splitlines()[-1]) == (2, "Nothing was read: mend the header.")
    out = call("catalog", "export", str(path))[1]
    assert out == f"{path}: 113 products\n"
    out = call("catalog", "import", str(path), "--dry-run")[1]
    assert out == "113 rows read: 113 as they were. Nothing was written: a dry run.\n"
    assert call("catalog", "template", str(path))[0] == 0
    assert call("catalog", "import", str(path))[1] == "0 rows read: 2 remarks.\n"


def test_what_makes_no_sense_is_told_when_it_is_left_out(call: Call, place: str, tmp_path: Path) -> None:
    """A document that somebody spoilt is named by the export that cannot hold it, and by the look at the catalog."""
    call(*FEED)
    with sqlite3.connect(place) as connection:
        connection.execute("UPDATE revision SET document = '{}' WHERE id = 'new-feed-13-0-44'")
    connection.close()
    code, out, _ = call("catalog", "export", str(tmp_path / "products.csv"))
    assert code == 1
    assert out.splitlines()[1].startswith("left out: product new-feed-13-0-44, revision 1: ")
    code, out, _ = call("catalog", "check")
    assert code == 1
    assert out.startswith("product new-feed-13-0-44, revision 1: ")


@pytest.mark.parametrize("grown", [50_000, 1_500_000])
def test_an_import_that_is_killed_leaves_nothing(place: str, tmp_path: Path, grown: int) -> None:
    """Killed without warning while it writes, or after: all rows are there, or none. grown: bytes of the database's log
    at which it is killed."""
    path, rows = tmp_path / "products.csv", 4000
    path.write_text("Name,Form,Grade\n" + "".join(f"Feed {i},dry,{i % 30}-0-0\n" for i in range(rows)), "utf-8")
    command = [sys.executable, "-c", "from pourcheck.rules.cli import main; main()", "catalog", "import", str(path)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    log = Path(f"{place}-wal")
    while process.poll() is None and not (log.exists() and log.stat().st_size > grown):
        time.sleep(0.002)
    process.kill()
    process.wait()
    with Catalog.open(place) as catalog:
        assert len(catalog.owners("product", (f"feed-{i}" for i in range(rows)))) in {0, rows}
        assert catalog.read_list(path).saved
        assert len(catalog.owners("product", (f"feed-{i}" for i in range(rows)))) == rows


@pytest.mark.usefixtures("place")
def test_the_look_at_the_whole_catalog(call: Call) -> None:
    """Nothing is said of what came with the program; one's own doubts are told, with exit code 1."""
    assert call("catalog", "check")[:2] == (0, "Nothing is wrong with your own records.\n")
    call(*FEED[:-1], "potasium nitrate", "--anyway")
    code, out, _ = call("catalog", "check")
    assert code == 1
    assert out.startswith("product new-feed-13-0-44\n  doubt  derived_from: ")


def test_backup_and_restore(call: Call, place: str, tmp_path: Path) -> None:
    """What was backed up comes back."""
    copy = tmp_path / "copy.sqlite3"
    assert call("catalog", "backup", str(copy))[0] == 0
    call(*FEED)
    assert call("catalog", "restore", str(copy))[0] == 0
    with Catalog.open(place) as catalog:
        assert catalog.owners("product", ["new-feed-13-0-44"]) == {}
    assert call("catalog", "upgrade")[0] == 0


# --- editor and questions -------------------------------------------------------------------------


def editor(tmp_path: Path, code: str) -> str:
    """An editor that does to a file what some code says."""
    path = tmp_path / "editor.py"
    path.write_text(f"import sys, pathlib\nfile = pathlib.Path(sys.argv[1])\ntext = file.read_text('utf-8')\n{code}\n")
    return f"{sys.executable} {path}"


def test_an_editor(call: Call, place: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is written in the editor is saved; what is not changed, or cannot be read, is not."""
    call(*FEED)
    monkeypatch.setenv("EDITOR", editor(tmp_path, "file.write_text(text + 'notes = \"blue bag\"\\n', 'utf-8')"))
    assert call("product", "edit", "new-feed-13-0-44", "--edit")[1].endswith(
        "Saved product new-feed-13-0-44, revision 2.\n"
    )
    with Catalog.open(place) as catalog:
        assert catalog.product("new-feed-13-0-44").notes == "blue bag"
    monkeypatch.setenv("EDITOR", editor(tmp_path, ""))
    code, _, err = call("product", "edit", "new-feed-13-0-44", "--edit")
    assert (code, err) == (2, "pourcheck: nothing was changed in the editor; nothing was saved\n")
    monkeypatch.setenv("EDITOR", editor(tmp_path, "file.write_text('form = ', 'utf-8')"))
    code, _, err = call("product", "edit", "new-feed-13-0-44", "--edit")
    assert (code, err.count("\n")) == (2, 1)
    kept = Path(err.split("what you wrote is in ")[1].strip())
    assert kept.read_text("utf-8") == "form = "
    kept.unlink()


def test_questions_at_a_terminal(place: str, at_a_terminal: Callable[..., str]) -> None:
    """Who gives nothing is asked; an answer that makes no sense is asked again, and doubts may be overruled."""
    answers = [
        "",
        "Asked Feed 2-0-8",
        "wet",
        "liquid",
        "2-0",
        "2-0-8",
        "potassium nitrate",
        "10",
        "9.5 lb/gal",
        "Fe=0.1 %",
        "",
        "label read 2026-05-02",
        "y",
    ]
    shown = at_a_terminal(("product", "add"), answers)
    assert "It is needed." in shown
    assert "form is not a word that is known here; write 'dry' or 'liquid'" in shown
    assert 'grade "2-0" is not N-P2O5-K2O' in shown
    assert '"10" has no unit' in shown
    assert "Save it in spite of that? [y/N]" in shown
    assert shown.endswith("Saved product asked-feed-2-0-8, revision 1.\n")
    with Catalog.open(place) as catalog:
        product = catalog.product("asked feed 2-0-8")
        assert {n.source for n in product.sourced()} == {"label-read-2026-05-02"}


def test_questions_about_a_well(place: str, at_a_terminal: Callable[..., str]) -> None:
    """The same for a well: an item that makes no sense is asked again."""
    answers = ["Asked Well", "2026-03-04", "7.4", "", "95", "95 mg/L", "", "", "", "", "", "strip"]
    shown = at_a_terminal(("well", "add"), answers)
    assert '"95" has no unit' in shown
    assert shown.endswith("Saved well asked-well, revision 1.\n")
    with Catalog.open(place) as catalog:
        assert str(catalog.well("asked well").calcium) == "95 mg/L"


# --- start ----------------------------------------------------------------------------------------


def test_a_check_does_not_wait_for_the_catalog_commands() -> None:
    """Their modules, and what writes to a database, are imported when one of them runs."""
    code = (
        "import sys\nsys.argv = ['pourcheck', 'check', 'urea=1 lb', '--bucket', '5 gal', '--water', 'brook-well']\n"
        "from pourcheck.rules.cli.app import main\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\nprint(*sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.splitlines()[-1].split())
    own = {name.removeprefix("pourcheck.") for name in loaded if name.startswith("pourcheck.")}
    late = {"records", "wells", "regions", "jars", "exchanging", "saving", "past"}
    assert not {f"rules.cli.{name}" for name in late} & own
    assert not {name for name in own if name.startswith("catalog.exchange") or name == "catalog.look_over"}
    assert "openpyxl" not in loaded


@pytest.mark.usefixtures("place")
def test_an_import_tells_what_is_doubtful(tmp_path: Path, call: Call) -> None:
    """A doubt stops no list; it is told, with its row."""
    file = tmp_path / "products.csv"
    file.write_text("Name,Form,Grade,Derived from\nDoubtful Feed,dry,20-0-20,uera\n", "utf-8")
    code, out, _ = call("catalog", "import", str(file))
    assert code == 0
    assert out.startswith('row 2, doubtful: derived_from: its source "uera" is not in the catalog (urea?)')
    assert out.endswith("1 row read: 1 new.\n")
