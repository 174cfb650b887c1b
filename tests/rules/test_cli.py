"""The command line: exit codes, one-line refusals, 80 columns, JSON of the published schema."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from rich.console import Console

from pourcheck import Catalog, Pour, Verdict, check, check_many, swap
from pourcheck.rules.families.registry import rules
from pourcheck.rules.present.answer import print_verdict
from pourcheck.rules.present.terminal import print_product

Run = Callable[..., Any]

BUCKET = ("--bucket", "5 gal")
#: A bucket, a ratio and temperatures: nothing to sweep but the water.
PLACE = (*BUCKET, "--inject", "1:100", "--bucket-temp", "20 degC", "--line-temp", "25 degC")
SOFT, HARD = ("--water", "brook-well"), ("--water", "ridge-well")
UREA = ("check", "urea=4 oz", *PLACE)
GYPSUM = ("check", "calcium nitrate=2 lb", "magnesium sulfate=2 lb", *PLACE, *SOFT)
JUG = ("check", "alder jug=8 fl oz", *PLACE, *SOFT)
LIME = ("check", "calcium nitrate=2 lb", *PLACE, *HARD)

#: The soft well with everything but its iron.
NO_IRON = (
    "ph=6.8, calcium=4 mg/L, magnesium=1.2 mg/L, alkalinity=17 mg/L CaCO3, sodium=5.7 mg/L, chloride=4 mg/L, "
    "sulfate=4 mg/L, manganese=0 mg/L, silica=12 mg/L, temperature=9 degC"
)
#: A pour whose verdict is settled by the product, so that no margin is looked for.
QUICK = ("check", "gypsum=1 oz", *PLACE, *HARD)
POUR = """\
[[product]]
name = "gypsum"
amount = "1 oz"
[bucket]
volume = "5 gal"
temperature = "20 degC"
[water]
name = "ridge-well"
[injection]
ratio = "1:100"
line_temperature = "25 degC"
"""


def words(command: Sequence[str]) -> str:
    """A command as the name of its row."""
    return " ".join(command)[:60]


def refused(ran: Any) -> str:
    """The one line of a refusal: exit 2, nothing on standard output, no trace of the program."""
    assert ran.code == 2
    assert ran.out == ""
    assert ran.err.startswith("pourcheck: ")
    assert ran.err.endswith("\n")
    assert ran.err.count("\n") == 1
    assert "Traceback" not in ran.err
    assert "internal fault" not in ran.err
    return str(ran.err)


# --- exit codes -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("expected", "first_word", "command"),
    [
        (0, "CLEAR", (*UREA, *SOFT)),
        (0, "CAUTION", LIME),
        (1, "UNKNOWN", JUG),
        (1, "STOP", QUICK),
        (1, "CAUTION", (*LIME, "--fail-on", "caution")),
        (0, "UNKNOWN", (*JUG, "--fail-on", "stop")),
        (1, "STOP", (*QUICK, "--fail-on", "stop")),
        (0, "Instead", ("swap", "technical MAP=1 lb", *PLACE, *HARD)),
        (0, "No", ("swap", "urea=1 lb", *PLACE, *HARD)),
        (0, "urea", ("find", "urea")),
        (0, "calcium", ("find", "calcum", "nitrate")),
        (1, "Nothing", ("find", "zzzzqqqq")),
        (1, "[]", ("find", "zzzzqqqq", "--json")),
        (0, "potassium", ("show", "KNO3")),
        (0, "Ridge", ("show", "Ridge", "Well", "(invented)")),
        (0, "{", ("show", "ridge-well", "--json")),
        (0, "iron-in-water", ("explain", "iron-in-water")),
    ],
    ids=str,
)
def test_exit_codes(call: Run, expected: int, first_word: str, command: Sequence[str]) -> None:
    """0 clear or caution, 1 stop or unknown (or nothing found); --fail-on moves the edge."""
    ran = call(*command)
    assert expected == ran.code
    assert ran.err == ""
    assert first_word == ran.out.split()[0]


@pytest.mark.quick
@pytest.mark.parametrize(
    "command",
    [(), ("check",), ("swap",), ("find",), ("show",), ("rules",), ("explain",), ("schema",), ("water", "check")],
    ids=words,
)
def test_help(call: Run, command: Sequence[str]) -> None:
    """--help of every command exits 0, says how to call it, and fits 80 columns."""
    ran = call(*command, "--help")
    assert ran.code == 0
    assert ran.err == ""
    assert ran.out.startswith("Usage: ")
    assert f"{' '.join(command)} [OPTIONS]".strip() in ran.out
    assert max(map(len, ran.out.splitlines())) <= 80


@pytest.mark.quick
def test_help_lists_every_command(call: Run) -> None:
    """The help names the commands, each with a line of text."""
    lines = call("--help").out.split("Commands:")[1].strip().splitlines()
    listed = {line.split()[0]: line.split(maxsplit=1)[1] for line in lines if line.startswith("  ")}
    listed |= {lines[0].split()[0]: lines[0].split(maxsplit=1)[1]}
    assert {"check", "swap", "find", "show", "well", "rules", "explain", "schema"} <= set(listed)
    assert all(listed.values())


def test_no_command_is_help(call: Run) -> None:
    """Without a command the help is printed, with its line breaks."""
    ran = call()
    assert len((ran.out + ran.err).splitlines()) > 5


# --- what is refused ------------------------------------------------------------------------------


@pytest.mark.quick
@pytest.mark.parametrize(
    ("says", "command"),
    [
        # products and amounts
        ('unknown product "unobtainium"', ("check", "unobtainium=2 lb", *BUCKET)),
        ('unknown product "uréa"; nearest: "urea"', ("check", "uréa=2 lb", *BUCKET)),
        ("neither a mass nor a volume", ("check", "urea=2", *BUCKET)),
        ("neither a mass nor a volume", ("check", "urea=2 parsec", *BUCKET)),
        ("not above zero", ("check", "urea=-2 lb", *BUCKET)),
        ("not above zero", ("check", "urea=0 lb", *BUCKET)),
        ("not a quantity", ("check", "urea=some", *BUCKET)),
        ("not a quantity", ("check", "urea=nan lb", *BUCKET)),
        ("too large", ("check", "urea=1e999 lb", *BUCKET)),
        ("does not leave enough water", ("check", "urea=1e9 lb", *BUCKET)),
        ("does not leave enough water", ("check", "urea=50 lb", *BUCKET)),
        ("divides by zero", ("check", "urea=1/0 lb", *BUCKET)),
        ("comma", ("check", "urea=1,5 lb", *BUCKET)),
        ('neither a pour file nor "name=amount"', ("check", "urea", *BUCKET)),
        ('is not "name=amount"', ("check", "=2 lb", *BUCKET)),
        ('is not "name=amount"', ("check", "urea=", *BUCKET)),
        ('is not "name=amount"', ("check", "urea=1 lb", "boric acid", *BUCKET)),
        ("product 2, amount", ("check", "urea=1 lb", "boric acid=1", *BUCKET)),
        ("amount holds a control character", ("check", "urea=2 lb\nx", *BUCKET)),
        ("Missing argument", ("check",)),
        # bucket, injection, temperatures
        ("bucket is missing", ("check", "urea=2 lb")),
        ("not above zero", ("check", "urea=2 lb", "--bucket", "0 gal")),
        ("has no unit", ("check", "urea=2 lb", "--bucket", "5")),
        ("bucket.volume", ("check", "urea=2 lb", "--bucket", "5 lb")),
        ("is no bucket", ("check", "urea=2 lb", "--bucket", "1e6 gal")),
        ("does not leave enough water", ("check", "urea=2 lb", "--bucket", "1e-9 gal")),
        ("not an injection ratio", (*QUICK, "--inject", "100:1")),
        ("not an injection ratio", (*QUICK, "--inject", "1:0")),
        ("not an injection ratio", (*QUICK, "--inject", "a bit")),
        ("bucket.temperature", (*QUICK, "--bucket-temp", "500 degF")),
        ("bucket.temperature", (*QUICK, "--bucket-temp", "50")),
        ("injection.line_temperature", (*QUICK, "--line-temp", "hot")),
        # water
        ('unknown well "nowhere"', (*QUICK, "--water", "nowhere")),
        ('unknown well "calcium"', (*QUICK, "--water", "calcium")),
        ("is not a pH", (*QUICK, "--water", "ph=acid")),
        ("ph", (*QUICK, "--water", "ph=20")),
        ("ph", (*QUICK, "--water", "ph=nan")),
        ('"calcium="', (*QUICK, "--water", "calcium=")),
        ("has no unit", (*QUICK, "--water", "calcium=95")),
        ("basis", (*QUICK, "--water", "alkalinity=210 mg/L")),
        ("love", (*QUICK, "--water", "love=95 mg/L")),
        ("is not possible", (*QUICK, "--water", "calcium=95 kg/L")),
        ('is not "item=value"', (*QUICK, "--water", "calcium=95 mg/L,,")),
        ('is not "item=value"', (*QUICK, "--water", "=,=")),
        ("hardness", (*QUICK, "--water", "hardness=10 mg/L, calcium=95 mg/L")),
        ("both given", (*QUICK, "--water", "alkalinity=2 meq/L, bicarbonate=2 meq/L")),
        # words that are not known
        ("fail-on", (*QUICK, "--fail-on", "never")),
        ("soil-phosphorus", (*QUICK, "--soil-phosphorus", "lots")),
        ("No such option", (*QUICK, "--nope")),
        ("requires an argument", ("check", "--bucket")),
        ("No such command 'pour'", ("pour",)),
        ('unknown rule "lime"; nearest: ', ("explain", "lime")),
        ('unknown rule ""', ("explain", "")),
        ("Missing argument", ("explain",)),
        ("extra argument", ("explain", "iron-in-water", "more")),
        ('unknown product "nope"; nearest: ', ("show", "nope")),
        ('unknown product ""', ("show", "")),
        ("Missing argument", ("show",)),
        ("names nothing to find", ("find",)),
        ('"dust" is nothing that products are known to be free of', ("find", "urea", "--without", "dust")),
        ('"low sodium" names no limit', ("find", "low", "sodium")),
        ("--limit", ("find", "urea", "--limit", "0")),
        ("--limit", ("find", "urea", "--limit", "all")),
        ("schema", ("schema", "everything")),
        ("unknown product", ("swap", "unobtainium=2 lb", *BUCKET)),
        # region, water by itself
        ('region "atlantis" is not known', (*QUICK, "--region", "atlantis")),
        ('region "atlantis" is not known', ("water", "check", "ridge-well", "--region", "atlantis")),
        ('unknown well "nowhere"', ("water", "check", "nowhere")),
        ("has no unit", ("water", "check", "calcium=95")),
        ("more than any irrigation water holds", ("water", "check", "calcium=9500 mg/L")),
        ("is not a pH of irrigation water", ("water", "check", "ph=14")),
        ("names no well", ("water", "check", "")),
        ("Missing argument", ("water", "check")),
        ("No such command 'nope'", ("water", "nope")),
        # databases
        ("unable to open", ("find", "urea", "--db", os.sep)),
        ("not a database URL", ("find", "urea", "--db", "://")),
        ("mysql is not known", ("find", "urea", "--db", "mysql://somewhere/catalog")),
        ("is not there; check the name, or make it with --new", ("find", "urea", "--db", "nowhere.sqlite3")),
        ("neither a pour file", ("check", "a" * 5000, *BUCKET)),
        ("well", (*QUICK, "--water", "")),
        ("twice", (*QUICK, "--water", "calcium=95 mg/L, calcium=2 mg/L")),
        ("item", (*QUICK, "--water", "invented=true")),
    ],
    ids=lambda value: words(value) if isinstance(value, tuple) else None,
)
def test_bad_arguments(call: Run, says: str, command: Sequence[str]) -> None:
    """Bad input is one line on standard error that says what, and exit 2."""
    assert says in refused(call(*command))


HEAD = '[[product]]\nname = "gypsum"\namount = "1 lb"\n'
FIVE = '[bucket]\nvolume = "5 gal"\n'
INLINE = '[[product]]\nname = "x"\namount = "1 lb"\n'
FILES: list[Any] = [
    # (says, text of the file)
    ("product is missing", ""),
    ("product is missing", FIVE),
    ("bucket", HEAD),
    ("cannot be read", '[[product]]\nname = "urea'),
    ("cannot be read", '{"product": ['),
    ("cannot be read", "[1, 2]"),
    ("cannot be read", "urea=2 lb"),
    ("cannot be read", HEAD + FIVE + FIVE),
    ("cannot be read", 'a = "\x00"'),
    ("color is not a field", 'color = "red"\n' + HEAD + FIVE),
    ("water.color is not a field", HEAD + FIVE + '[water]\ncolor = "red"\n'),
    ("write product", HEAD.replace("product", "products") + FIVE),
    ("amount", HEAD.replace('"1 lb"', "1") + FIVE),
    ("given twice", HEAD.replace("\namount", "\namount_lb = 1\namount") + FIVE),
    ("not a quantity", HEAD.replace('amount = "1 lb"', "amount_lb = nan") + FIVE),
    ("not a quantity", HEAD.replace('amount = "1 lb"', "amount_lb = inf") + FIVE),
    ("not above zero", HEAD.replace('amount = "1 lb"', "amount_lb = -1") + FIVE),
    ("bucket", 'bucket = "5 gal"\n' + HEAD),
    ("water", 'water = "ridge-well"\n' + HEAD + FIVE),
    ("injection", 'injection = "1:100"\n' + HEAD + FIVE),
    ("product", 'product = "urea"\n' + FIVE),
    ("product", HEAD.replace("[[product]]", "[product]") + FIVE),
    ("product", '{"product": null, "bucket": {"volume": "5 gal"}}'),
    ("product", '{"product": [], "bucket": {"volume": "5 gal"}}'),
    ("unknown well", HEAD + FIVE + '[water]\nname = "nowhere"\n'),
    ("ph", HEAD + FIVE + "[water]\nph = 99\n"),
    ("both given", HEAD + FIVE + '[water]\nalkalinity = "2 meq/L"\nbicarbonate = "2 meq/L"\n'),
    ("suspended_solids", HEAD + FIVE + '[water]\nsuspended_solids = "lots"\n'),
    ("bacteria", HEAD + FIVE + '[water]\nbacteria = "many"\n'),
    ("ratio", HEAD + FIVE + '[injection]\nratio = "1:9"\nsuction = "6 gph"\nflow = "4 gpm"\n'),
    ("suction and flow go together", HEAD + FIVE + '[injection]\nsuction = "6 gph"\n'),
    ("not an injection ratio", HEAD + FIVE + '[injection]\nsuction = "4 gpm"\nflow = "6 gph"\n'),
    ("injection.fill", HEAD + FIVE + '[injection]\ncharge = "15 m"\n'),
    ("laterals", HEAD + FIVE + "[drip]\nlaterals = 0\n"),
    ("phosphorus", HEAD + FIVE + '[soil]\nphosphorus = "lots"\n'),
    ("backflow_preventer", HEAD + FIVE + '[site]\nbackflow_preventer = "perhaps"\n'),
    ("grade", INLINE + 'grade = "-1-0-0"\n' + FIVE),
    ("grade", INLINE + 'grade = "60-30-20"\n' + FIVE),
    ("0..100", INLINE + "guaranteed = { n = 200 }\n" + FIVE),
    ("finite", INLINE + "guaranteed = { n = nan }\n" + FIVE),
    ('"love" is not known', INLINE + "guaranteed = { love = 2 }\n" + FIVE),
    ("density", INLINE + 'grade = "1-0-0"\ndensity = "12 kg/L"\n' + FIVE),
    ("form", INLINE + 'grade = "1-0-0"\nform = "gas"\n' + FIVE),
    ("nested too deeply", '{"a":' * 100_000 + "1" + "}" * 100_000),
    ("nested too deeply", "a = " + "[" * 100_000 + "]" * 100_000),
    ("too large", '{"product": [{"name": "urea", "amount_lb": ' + "9" * 5000 + "}]}"),
    ("amount", '{"product": [{"name": "urea", "amount": "1 lb", "amount": "3 lb"}]}'),
    (
        "hardness",
        HEAD + FIVE + '[water]\nhardness = "9 ppm"\ncalcium = "95 ppm"\nmagnesium = "20 ppm"\n',
    ),
    ("emitter_flow", HEAD + FIVE + '[drip]\nemitter_flow = "banana"\n'),
    ("lateral_length", HEAD + FIVE + '[drip]\nlateral_length = "-3 ft"\n'),
    ("region", 'region = "atlantis"\n' + HEAD + FIVE),
    ("tested_on", HEAD + FIVE + '[water]\ntested_on = "2026-13-45"\n'),
]


@pytest.mark.parametrize(("says", "text"), FILES, ids=lambda value: repr(value[:45]))
def test_bad_files(call: Run, tmp_path: Path, says: str, text: str) -> None:
    """A bad pour file is one line on standard error that names the field, and exit 2."""
    file = tmp_path / "pour.toml"
    file.write_bytes(text.encode("utf-8"))
    assert says in refused(call("check", str(file)))


@pytest.mark.parametrize(
    ("says", "content"),
    [
        ("is not UTF-8 text", bytes(range(256))),
        ("is not UTF-8 text", POUR.encode("utf-16")),
        ("is not UTF-8 text", POUR.replace("gypsum", "gyps\xe9").encode("latin-1")),
        ("product is missing", b""),
        ("product is missing", b"\n \n"),
    ],
    ids=["binary", "utf-16", "latin-1", "empty", "blank"],
)
def test_files_that_are_no_text(call: Run, tmp_path: Path, says: str, content: bytes) -> None:
    """Binary, wrongly encoded and empty files are refused, with the file's name."""
    file = tmp_path / "pour.toml"
    file.write_bytes(content)
    line = refused(call("check", str(file)))
    assert says in line
    assert "pour.toml" in line


def test_files_that_are_none(call: Run, tmp_path: Path) -> None:
    """A missing file and a folder are refused."""
    assert "neither a pour file" in refused(call("check", str(tmp_path / "missing.toml")))
    assert "directory" in refused(call("check", str(tmp_path))).lower()
    file = tmp_path / "pour.toml"
    file.write_text(POUR, "utf-8")
    assert 'not "name=amount"' in refused(call("check", str(file), str(file)))


@pytest.mark.parametrize(
    ("expected", "text"),
    [
        ("bucket", 'bucket = "5 gal"\n' + HEAD),
        ("water", 'water = "ridge-well"\n' + HEAD + FIVE),
        ("product", '{"product": null, "bucket": {"volume": "5 gal"}}'),
        ("ph", HEAD + FIVE + "[water]\nph = 99\n"),
        ("amount", HEAD.replace('"1 lb"', "1") + FIVE),
        ("bucket", HEAD),
        ("product", FIVE),
    ],
    ids=["bucket", "water", "null", "pH", "amount", "no bucket", "no product"],
)
def test_a_refusal_says_how_to_mend(call: Run, tmp_path: Path, expected: str, text: str) -> None:
    """A refusal ends with what to write instead, in the words of the pour and not of a library."""
    file = tmp_path / "pour.toml"
    file.write_text(text, "utf-8")
    line = refused(call("check", str(file))).removeprefix(f"pourcheck: {file}: ")
    assert expected in line
    assert "; " in line
    assert "Input should be" not in line
    assert "is missing\n" not in line


def test_products_are_counted_from_one(call: Run, tmp_path: Path) -> None:
    """The first product is product 1 in every refusal."""
    file = tmp_path / "pour.toml"
    file.write_text(INLINE + "guaranteed = { love = 2 }\n" + FIVE, "utf-8")
    assert "product 1" in refused(call("check", str(file)))


# --- pours in other ways --------------------------------------------------------------------------


def test_file_arguments_and_stdin_agree(call: Run, tmp_path: Path) -> None:
    """The same pour as TOML, as JSON, on standard input and as arguments is the same answer."""
    file = tmp_path / "pour.toml"
    file.write_text(POUR, "utf-8")
    as_json = json.dumps(Pour.read(POUR).model_dump(exclude_none=True))
    (tmp_path / "pour.json").write_text(as_json, "utf-8")
    expected = call(*QUICK, "--json")
    assert expected.code == 1
    assert expected == call("check", str(file), "--json")
    assert expected == call("check", str(tmp_path / "pour.json"), "--json")
    assert expected == call("check", "-", "--json", stdin=POUR)
    assert expected == call("check", "-", "--json", stdin="\n" + as_json)


def test_plain_numbers_agree(call: Run) -> None:
    """Numbers under a name with the unit are the same pour."""
    numbers = (
        POUR.replace('amount = "1 oz"', "amount_oz = 1")
        .replace('volume = "5 gal"', "volume_gal = 5")
        .replace('line_temperature = "25 degC"', "line_temperature_c = 25")
        .replace('\ntemperature = "20 degC"', "\ntemperature_c = 20")
    )
    assert call("check", "-", "--json", stdin=POUR) == call("check", "-", "--json", stdin=numbers)


@pytest.mark.parametrize(("mark", "ending"), [("", "\r\n"), ("\ufeff", "\n")])
def test_files_of_other_editors(call: Run, tmp_path: Path, mark: str, ending: str) -> None:
    """Line ends and byte-order marks of other editors make no difference."""
    file = tmp_path / "pour.toml"
    file.write_bytes((mark + POUR.replace("\n", ending)).encode("utf-8"))
    assert call("check", str(file)) == call(*QUICK)


@pytest.mark.parametrize(
    ("options", "old", "new"),
    [
        (("--bucket", "10 gal"), 'volume = "5 gal"', 'volume = "10 gal"'),
        (("--inject", "1:200"), 'ratio = "1:100"', 'ratio = "1:200"'),
        (("--bucket-temp", "50 degF"), 'temperature = "20 degC"', 'temperature = "50 degF"'),
        (("--line-temp", "40 degC"), '"25 degC"', '"40 degC"'),
        (("--water", "brook-well"), "ridge-well", "brook-well"),
        (
            ("--water", "ph=7.6, calcium=95 mg/L"),
            'name = "ridge-well"',
            'ph = 7.6\ncalcium = "95 mg/L"',
        ),
        (("--no-backflow",), "[injection]", "[site]\nbackflow_preventer = false\n[injection]"),
        (("--injector", "measured"), "[injection]", '[injection]\ninjector = "measured"'),
    ],
    ids=str,
)
def test_options_override_the_file(
    call: Run,
    options: Sequence[str],
    old: str,
    new: str,
) -> None:
    """An option is the same as that line in the file, and replaces it."""
    assert old in POUR
    expected = call("check", "-", "--json", stdin=POUR.replace(old, new, 1))
    assert expected.err == ""
    assert expected == call("check", "-", *options, "--json", stdin=POUR)
    assert expected != call("check", "-", "--json", stdin=POUR)


@pytest.mark.parametrize(
    ("rule", "product", "option"),
    [
        ("phosphorus-not-needed", "rock phosphate", ("--soil-phosphorus", "high")),
        ("chlorine-gas", "nitric acid", ("--chlorination",)),
        ("backflow-preventer-missing", "gypsum", ("--no-backflow",)),
    ],
)
def test_what_is_told_of_the_site(
    call: Run,
    rule: str,
    product: str,
    option: Sequence[str],
) -> None:
    """What an option says of soil and injector is heard by its rule."""
    ran = call("check", f"{product}=1 oz", *PLACE, *HARD, *option, "--json")
    levels = {finding["rule"]: finding["level"] for finding in json.loads(ran.out)["findings"]}
    assert levels[rule] != "note"


def test_the_ratio_replaces_suction_and_flow(call: Run) -> None:
    """--inject replaces suction and flow, which mean the same thing as a measured ratio: 4 gpm is 240 gph."""
    rates = POUR.replace('ratio = "1:100"', 'suction = "2.4 gph"\nflow = "4 gpm"')
    measured = json.loads(call("check", "-", "--injector", "measured", "--json", stdin=POUR).out)
    drawn = json.loads(call("check", "-", "--json", stdin=rates).out)
    for part in ("verdict", "bucket", "line", "assumed", "used"):
        assert measured[part] == drawn[part]
    # 5 gal at 2.4 gph: 125 min; a ratio alone does not tell
    (lasts,) = [f for f in drawn["findings"] if f not in measured["findings"]]
    assert lasts["rule"] == "injection-does-not-fit"
    assert lasts["numbers"]["empties_in"]["value"] == pytest.approx(125.0, rel=1e-3)
    replaced = call("check", "-", "--inject", "1:200", "--json", stdin=rates)
    assert replaced == call("check", "-", "--inject", "1:200", "--json", stdin=POUR)


def test_a_region_has_ranges_of_its_own(call: Run) -> None:
    """--region is the region of the file: what is not tested is swept over that region's range."""
    text = POUR.replace('name = "ridge-well"', "ph = 7.6")
    default = call("check", "-", "--json", stdin=text)
    regional = call("check", "-", "--json", stdin='region = "aldervane"\n' + text)
    assert regional == call("check", "-", "--region", "Aldervane", "--json", stdin=text)
    # rules/policy/default.toml and aldervane.toml
    for ran, low, high in ((default, 2.0, 250.0), (regional, 3.0, 140.0)):
        (calcium,) = [one for one in json.loads(ran.out)["assumed"] if one["input"] == "calcium"]
        assert (calcium["why"], calcium["low"], calcium["high"], calcium["unit"]) == ("not-stated", low, high, "mg/L")


@pytest.mark.parametrize(
    ("injector", "share"), [(None, 0.25), ("venturi", 0.25), ("pump", 0.10), ("measured", 0.0)], ids=str
)
def test_a_ratio_that_was_not_measured_is_swept(call: Run, injector: str | None, share: float) -> None:
    """A pump is good to 10 % (from memory: makers of proportional injectors), a Venturi to 25 % (common practice, no
    source), which holds where nothing is said; a measured ratio is as stated."""
    options = () if injector is None else ("--injector", injector)
    data = json.loads(call(*QUICK, *options, "--json").out)
    off = [one for one in data["assumed"] if one["why"] == "read-off-setting"]
    assert [(one["input"], one["low"], one["high"]) for one in off] == [
        ("injection_ratio", pytest.approx(100.0 * (1.0 - share)), pytest.approx(100.0 * (1.0 + share)))
    ] * (share > 0.0)
    strength = data["line"]["ionic_strength"]
    assert (strength["low"] < strength["high"]) == (share > 0.0)


@pytest.mark.parametrize(
    ("options", "parts", "low", "high"),
    [
        # 480 / 5 = 96; 480 gal +-2 % over 5 gal +-3 % (the errors: common practice, no source).
        (("--drawn", "5 gal", "--water", "480 gal"), 96.0, 96 * 0.98 / 1.03, 96 * 1.02 / 0.97),
        # A meter that counts the stock too: (485 - 5) / 5.
        (("--drawn", "5 gal", "--water", "485 gal", "--meter-after"), 96.0, 97 * 0.98 / 1.03 - 1, 97 * 1.02 / 0.97 - 1),
        # 20 L/min for 5 min are 100 L.
        (
            ("--drawn", "1 L", "--flow", "20 L/min", "--minutes", "5"),
            100.0,
            19 * 4.9 / 1.03,
            21 * 5.1 / 0.97,
        ),
        # A flow that is a range is taken as it is.
        (("--drawn", "1 L", "--flow", "18 to 22 L/min", "--minutes", "5 min"), 100.0, 18 * 4.9 / 1.03, 22 * 5.1 / 0.97),
    ],
    ids=str,
)
def test_the_ratio_of_a_trial(call: Run, options: Sequence[str], parts: float, low: float, high: float) -> None:
    """By hand: water over stock, and the errors of reading on both."""
    data = json.loads(call("ratio", *options, "--json").out)["injection_ratio"]
    assert (data["value"], data["low"], data["high"]) == pytest.approx((parts, low, high), rel=1e-4)
    shown = call("ratio", *options).out
    assert "--injector measured" in shown
    stated = shown.split('--inject "')[1].split('"')[0]
    ends = [float(end.removeprefix("1:")) for end in stated.split(" to ")]
    assert ends[0] <= low <= high <= ends[1]


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--drawn", "5 gal"), "not known how much water"),
        (("--drawn", "5 gal", "--flow", "8 gal/min"), "not known how much water"),
        (("--drawn", "5 lb", "--water", "480 gal"), "drawn"),
        (("--drawn", "5 gal", "--water", "2 gal"), "not an injection ratio"),
        (("--drawn", "5 gal", "--water", "9 gal", "--flow", "2 gal/min", "--minutes", "4"), "both given"),
    ],
    ids=str,
)
def test_a_trial_that_makes_no_ratio(call: Run, options: Sequence[str], said: str) -> None:
    """One line, exit code 2."""
    ran = call("ratio", *options)
    assert (ran.code, ran.out) == (2, "")
    assert said in ran.err
    assert ran.err.count("\n") == 1


def test_a_product_twice_counts_twice(call: Run) -> None:
    """The same product in two lines is the sum of both."""
    once = json.loads(call("check", "gypsum=2 oz", *PLACE, *SOFT, "--json").out)
    twice = json.loads(call("check", "gypsum=1 oz", "gypsum=1 oz", *PLACE, *SOFT, "--json").out)
    assert once["line"] == twice["line"]
    assert once["bucket"] == twice["bucket"]


def test_a_well_with_one_item_replaced(call: Run) -> None:
    """A well's name with an item replaces that item and keeps the rest."""
    base = json.loads(call(*QUICK, "--json").out)["line"]["ions"]
    soft = ("--water", "name=ridge-well, magnesium=1 mg/L")
    less = json.loads(call(*QUICK[:-2], *soft, "--json").out)["line"]["ions"]
    assert less["magnesium"]["value"] < base["magnesium"]["value"] / 10
    assert less["sodium"]["value"] == pytest.approx(base["sodium"]["value"], rel=1e-6)


def test_the_database_of_the_environment(
    call: Run,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    database: str,
) -> None:
    """POURCHECK_DB is the catalog; --db comes before it."""
    monkeypatch.setenv("POURCHECK_DB", str(tmp_path))
    assert call("find", "urea", "--db", database).code == 0
    assert f"pourcheck: {tmp_path}: " in refused(call("find", "urea"))


# --- the water by itself --------------------------------------------------------------------------

#: Hardness of 12 grains that was typed as mg/L: a hard water by its alkalinity.
SLIP = "ph=7.4, hardness=12 mg/L CaCO3, alkalinity=205 mg/L CaCO3"


def test_water_check(call: Run, catalog: Catalog) -> None:
    """`water check` of a well is what `show` says of it; its JSON is the test and the water of a verdict on it."""
    shown = call("water", "check", "ridge-well")
    assert shown == call("show", "ridge-well")
    assert shown.code == 0
    data = json.loads(call("water", "check", "ridge-well", "--json").out)
    assert data["test"] == catalog.water("ridge-well").model_dump(mode="json", exclude_none=True)
    assert data["by_itself"] == json.loads(call(*QUICK, "--json").out)["water"]
    assert data["odd"] == []
    # 2.497 x 95 + 4.115 x 22 (water hardness standards page, factors read)
    assert data["by_itself"]["hardness_mg_per_l_caco3"] == pytest.approx(2.497 * 95 + 4.115 * 22, rel=1e-3)
    assert f"{2.497 * 95 + 4.115 * 22:.0f} mg/L CaCO3, very hard" in shown.out


def test_water_check_of_items(call: Run) -> None:
    """Items are read as those of --water; hardness that may be grains is told."""
    ran = call("water", "check", SLIP)
    assert ran.code == 0
    assert "! " in ran.out
    assert "grains per gallon" in " ".join(ran.out.split())
    odd = json.loads(call("water", "check", SLIP, "--json").out)["odd"]
    assert "grains per gallon" in " ".join(odd)


# --- JSON -----------------------------------------------------------------------------------------

STATE_KEYS = {
    "temperature",
    "ph",
    "ionic_strength",
    "ec",
    "ions",
    "solids",
    "model",
    "within_validity",
    "ph_in_air",
    "density",
    "volume",
    "water_poured",
}
NUMBER_KEYS = {"value", "low", "high", "unit"}
WATER_KEYS = {
    "clogging",
    "worst",
    "hardness_mg_per_l_caco3",
    "hardness",
    "above_2_5_meq_per_l",
    "charge_off_percent",
}


@pytest.fixture(scope="module")
def verdicts(catalog: Catalog) -> list[tuple[Pour, Verdict]]:
    """A pour of every fifth seed product on a known well, and of some with nothing known."""
    pours = []
    for i, product in enumerate(catalog.products()[::5]):
        amount = "2 fl oz" if product.form == "liquid" else "2 oz"
        pour: dict[str, Any] = {
            "product": [{"name": product.id, "amount": amount}],
            "bucket": {"volume": "5 gal", "temperature": "20 degC"},
            "water": {"name": "ridge-well"},
            "injection": {"ratio": "1:100", "line_temperature": "25 degC"},
        }
        pours.append(Pour.parse(pour))
        if i % 3 == 0:
            pour = {"product": pour["product"], "bucket": {"volume": "5 gal"}}
            pours.append(Pour.parse(pour))
    return list(zip(pours, check_many(pours, catalog), strict=True))


def no_constant(name: str) -> float:
    """NaN and Infinity are no JSON."""
    raise AssertionError(name)


@pytest.mark.parametrize(
    "tested",
    [
        True,
        False,
    ],
    ids=["known well", "untested water"],
)
def test_every_verdict_is_of_the_schema(
    call: Run,
    verdicts: list[tuple[Pour, Verdict]],
    tested: bool,
) -> None:
    """The JSON of a verdict on any seed product validates, and holds only finite numbers."""
    validator = Draft202012Validator(json.loads(call("schema", "verdict").out))
    for pour, verdict in verdicts:
        if tested != (pour.water is not None):
            continue
        data = json.loads(verdict.to_json(), parse_constant=no_constant)
        assert list(validator.iter_errors(data)) == [], pour.product[0].name


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize(
    ("product", "item"),
    [
        ("urea", "magnesium"),
        ("urea", "sulfate"),
        ("urea", "chloride"),
        ("urea", "iron"),
        ("urea", "silica"),
        ("calcium nitrate", "sulfate"),
        ("urea", "calcium"),
        ("calcium nitrate", "alkalinity"),
        ("calcium nitrate", "calcium"),
    ],
)
def test_water_without_an_ion(call: Run, catalog: Catalog, product: str, item: str) -> None:
    """Rain and softened water hold none of some ion: still a verdict of the schema, and quiet."""
    unit = "meq/L" if item == "alkalinity" else "mg/L"
    hard = catalog.water("ridge-well").model_dump(exclude_none=True)
    text = POUR.replace("gypsum", product).replace("1 oz", "1 lb")
    pour = Pour.read(text).model_dump(exclude_none=True)
    pour["water"] = {**hard, "id": "", "name": "", item: f"0 {unit}"}
    data = json.loads(check(pour, catalog).to_json())
    validator = Draft202012Validator(json.loads(call("schema", "verdict").out))
    assert [error.message for error in validator.iter_errors(data)] == []


def test_the_keys_of_a_verdict(verdicts: list[tuple[Pour, Verdict]]) -> None:
    """A verdict has the keys of the contract and no others, all the way down."""
    solids = findings = 0
    for pour, verdict in verdicts:
        data = json.loads(verdict.to_json())
        expected = {"schema", "program", "pour", "used", "region", "verdict", "lowered_by", "summary", "findings"}
        expected |= {"labels", "water", "bucket", "line", "decided_by", "edges", "swaps", "splits", "remedies"}
        expected |= {"jars", "assumed"}
        assert expected == set(data)
        assert data["schema"] == "pourcheck.verdict/2"
        assert set(data["program"]) == {"name", "version"}
        assert set(data["pour"]) == {"products", "volume", "made_up", "quantities", "stated", "day", "day_stated"}
        assert all(set(number) == NUMBER_KEYS for number in data["pour"]["quantities"].values())
        for record in data["used"]:
            assert set(record) == {"kind", "id", "name", "grade", "revision", "tested_on"}
            assert re.fullmatch(r"[0-9a-f]{12}", record["revision"])
        assert [record["kind"] for record in data["used"]] == ["product"] + ["well"] * (pour.water is not None)
        assert data["verdict"] in {"clear", "caution", "unknown", "stop"}
        for finding in data["findings"]:
            findings += 1
            expected = {"rule", "level", "own_level", "lowered_by", "raised_by", "reason", "where", "scenarios"}
            expected |= {"happens", "message", "numbers", "turns", "cures", "do", "sources"}
            assert expected == set(finding)
            assert finding["scenarios"] in {"all", "some"}
            assert all(set(number) == NUMBER_KEYS for number in finding["numbers"].values())
            assert all(n["low"] <= n["value"] <= n["high"] for n in finding["numbers"].values())
            assert finding["where"] in {"label", "bucket", "line", "water", "equipment", "soil", "people"}
            assert finding["level"] in {"stop", "unknown", "caution", "note"}
            assert finding["message"]
            assert finding["own_level"] is None  # no region has a rule at another level here
        for told in data["labels"]:
            assert set(told) == {"product", "sources_listed", "species", "not_known", "contradictions"}
            assert all(ends["low"] <= ends["value"] <= ends["high"] for ends in told["species"].values())
        for state in (data["bucket"], data["line"]):
            assert state is None or set(state) == STATE_KEYS
            for solid in state["solids"] if state else []:
                solids += 1
                assert set(solid) == {"solid", "saturation_index", "precipitated", "onset"}
        for one in data["assumed"]:
            assert set(one) == {"input", "why", "low", "high", "unit", "about"}
        assert data["edges"] == []  # not asked for
        assert (data["water"] is None) == (pour.water is None)
        assert data["water"] is None or set(data["water"]) == WATER_KEYS
        assert data["decided_by"] == []  # not asked for
    assert findings > 50
    assert solids > 50


def test_the_verdict_is_the_worst_finding(verdicts: list[tuple[Pour, Verdict]]) -> None:
    """No finding is worse than the verdict; clear means that nothing is more than a note."""
    order = ("note", "caution", "unknown", "stop")
    for pour, verdict in verdicts:
        worst = max((order.index(f.level) for f in verdict.findings), default=0)
        expected = verdict.verdict.replace("clear", "note")
        assert worst <= order.index(expected), pour.product[0].name
        assert f"{verdict.verdict}" in {"clear", "caution", "unknown", "stop"}


def test_the_library_says_what_the_command_says(call: Run, catalog: Catalog) -> None:
    """check() and the command print the same JSON; so does swap()."""
    pour = Pour.read(POUR.replace("gypsum", "urea"))
    expected = check(pour, catalog).to_json() + "\n"
    assert expected == call("check", "urea=1 oz", *PLACE, *HARD, "--json").out
    phosphate = Pour.read(POUR.replace("gypsum", "technical MAP"))
    swaps = swap(phosphate, catalog).model_dump(mode="json")
    assert swaps == json.loads(call("swap", "technical MAP=1 oz", *PLACE, *HARD, "--json").out)


def test_edges_and_swaps_in_json(call: Run) -> None:
    """A stop for phosphate states edges and swaps, an unknown no edge but what decides it."""
    validator = Draft202012Validator(json.loads(call("schema", "verdict").out))
    stop = json.loads(call("check", "technical MAP=1 lb", *PLACE, *HARD, "--json").out)
    unknown = json.loads(call("check", "technical MAP=4 oz", *PLACE, "--water", NO_IRON, "--json").out)
    assert unknown["verdict"] == "unknown"
    for data in (stop, unknown):
        assert list(validator.iter_errors(data)) == []
    assert stop["edges"]
    for edge in stop["edges"]:
        assert set(edge) == {"input", "unit", "now", "better", "worse"}
        assert edge["worse"] is None, "nothing is worse than a stop"
        assert edge["better"]["verdict"] in {"clear", "caution", "unknown"}
    assert stop["decided_by"] == []
    assert stop["swaps"]
    for one in stop["swaps"]:
        expected = {"replaces", "products", "nitrogen_kg", "potash_kg", "verdict", "rules", "sold_here"}
        assert expected | {"off_percent", "brings", "salt", "cost"} == set(one)
        assert one["verdict"] in {"clear", "caution"}
    assert unknown["edges"] == []
    assert [one["input"] for one in unknown["decided_by"]] == ["water iron"]
    keys = {"input", "unit", "turns_at", "low", "high", "worse_when", "worse_if", "better_if", "explains", "find_out"}
    assert set(unknown["decided_by"][0]) == keys


@pytest.mark.quick
def test_products_and_wells_are_of_their_schema(call: Run, catalog: Catalog) -> None:
    """The JSON of every product and well validates."""
    products = Draft202012Validator(json.loads(call("schema", "product").out))
    for product in catalog.products():
        data = json.loads(product.model_dump_json(), parse_constant=no_constant)
        assert list(products.iter_errors(data)) == [], product.id
    shown = json.loads(call("show", "urea", "--json").out)
    assert shown == json.loads(catalog.product("urea").model_dump_json())
    waters = Draft202012Validator(json.loads(call("schema", "water").out))
    for water in catalog.waters():
        data = json.loads(call("show", water.id, "--json").out)
        assert list(waters.iter_errors(data)) == [], water.id


NUMBERS = {"product": [{"name": "urea", "amount_lb": 1}], "bucket": {"volume_gal": 5}}


@pytest.mark.parametrize(
    "data",
    [
        Pour.read(POUR).model_dump(exclude_none=True, mode="json"),
        NUMBERS,
    ],
    ids=["text", "numbers"],
)
def test_what_is_read_is_of_the_schema_of_pours(call: Run, data: dict[str, Any]) -> None:
    """A pour that is read is valid by the printed schema."""
    Pour.parse(data)
    validator = Draft202012Validator(json.loads(call("schema", "pour").out))
    assert [error.message for error in validator.iter_errors(data)] == []


@pytest.mark.quick
def test_lists_in_json(call: Run) -> None:
    """find and rules print lists with these keys."""
    for row in json.loads(call("find", "nitrogen", "--json").out):
        assert {"id", "name", "grade", "form", "why", "score", "not_for_drip", "no_fertilizer", "not_known"} == set(row)
    listed = json.loads(call("rules", "--json").out)
    assert [rule.name for rule in rules()] == [row["name"] for row in listed]
    for row in listed:
        assert {"name", "family", "levels", "asks"} == set(row)


@pytest.mark.quick
def test_what_is_not_for_drip_says_so(call: Run) -> None:
    """In find and in show."""
    found = call("find", "no phosphorus", "calcium", "--without", "sodium", "--limit", "50").out
    assert "not for drip (does not dissolve); phosphorus: not known; sodium: not known" in found
    assert "rock phosphate" not in found
    assert "not for drip (a suspension of particles)" in call("show", "gypsum").out
    assert "not for drip" not in call("show", "urea").out
    assert "no fertilizer (" in call("show", "household bleach").out


# --- 80 columns -----------------------------------------------------------------------------------


def assert_fits(text: str, width: int = 80) -> None:
    """No line is longer than the terminal, and something was printed."""
    lines = text.splitlines()
    assert lines
    assert max(lines, key=len) == "" or max(map(len, lines)) <= width, max(lines, key=len)


@pytest.mark.parametrize(
    "command",
    [
        (*UREA, *SOFT),
        (*QUICK, "--more"),
        ("check", "technical MAP=1 lb", *BUCKET, "--more"),
        ("check", *["gypsum=1 g"] * 60, *PLACE, *SOFT),
        ("swap", "technical MAP=1 lb", *PLACE, *HARD),
        ("find", "nitrogen", "--limit", "500"),
        ("find", "sulfate", "--limit", "500"),
        ("find", "10-0-10", "--limit", "500"),
        ("find", "z" * 300),
        ("rules",),
        ("show", "ridge-well"),
        ("water", "check", "bog-well"),
        ("water", "check", SLIP),
        ("show", "bog-well"),
        ("show", "sodium hypochlorite"),
    ],
    ids=words,
)
def test_commands_fit_80_columns(call: Run, command: Sequence[str]) -> None:
    """No line of any command is longer than 80 columns."""
    assert_fits(call(*command).out)


@pytest.mark.parametrize("columns", [40, 60, 200])
def test_narrow_and_wide_terminals(
    call: Run,
    monkeypatch: pytest.MonkeyPatch,
    columns: int,
) -> None:
    """A narrow terminal is filled no further than it goes; a wide one to 80 columns."""
    monkeypatch.setenv("COLUMNS", str(columns))
    for command in (("show", "urea"), QUICK, ("rules",), ("find", "nitrogen")):
        assert_fits(call(*command).out, min(columns, 80))


def test_every_product_fits_80_columns(
    catalog: Catalog,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """`show` of every seed product fits."""
    page = Console(highlight=False, markup=False, width=80)
    for product in catalog.products():
        print_product(product, catalog, page)
        assert_fits(capsys.readouterr().out)


def test_every_rule_fits_80_columns(call: Run) -> None:
    """`explain` of every rule fits."""
    for rule in rules():
        ran = call("explain", rule.name)
        assert ran.code == 0
        assert rule.name in ran.out
        assert_fits(ran.out)


def test_every_verdict_fits_80_columns(
    verdicts: list[tuple[Pour, Verdict]],
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A verdict on every seed product fits, short and with --more, and begins with its word."""
    page = Console(highlight=False, markup=False, width=80)
    for pour, verdict in verdicts:
        for more in (False, True):
            print_verdict(verdict, pour, page, more=more)
            text = capsys.readouterr().out
            assert_fits(text)
            assert text.split()[0] == verdict.verdict.upper()


def test_rows_of_solids_are_not_broken(call: Run) -> None:
    """A row of the table of solids stays on its line, however much comes out."""
    ran = call(*GYPSUM, "--more")
    assert [line for line in ran.out.splitlines() if line.strip().startswith("bucket") and line.endswith("g/L")]
    assert not [line for line in ran.out.splitlines() if line.strip() == "mg/L"]


# --- as a process ---------------------------------------------------------------------------------


def test_the_command_as_a_process(cli: Run) -> None:
    """The process answers as the call does: verdict on standard output, code of the verdict."""
    ran = cli(*GYPSUM)
    assert ran.code == 1
    assert ran.err == ""
    assert ran.out.startswith("STOP  Gypsum (plaster) will form in the bucket")


def test_the_console_script(tmp_path: Path) -> None:
    """The script that is installed is the same command."""
    script = shutil.which("pourcheck", path=str(Path(sys.executable).parent))
    if script is None:
        pytest.skip("the package is not installed beside this Python")
    done = subprocess.run(
        [script, "explain", "iron-in-water"],
        capture_output=True,
        text=True,
        check=True,
        cwd=tmp_path,
    )
    assert done.stdout.startswith("iron-in-water")


def test_binary_on_standard_input(cli: Run) -> None:
    """Binary on standard input is refused like a binary file."""
    assert "stdin" in refused(cli("check", "-", stdin=bytes(range(256)) * 20))


def test_arguments_that_are_no_text(cli: Run) -> None:
    """An argument that is not UTF-8 is refused in one line."""
    if os.name == "nt":
        pytest.skip("arguments are always text here")
    argument = os.fsdecode(b"ur\xe9a=2 lb")
    refused(cli("check", argument, *BUCKET))


def test_a_byte_order_mark_on_standard_input(call: Run) -> None:
    """A byte-order mark on standard input makes no difference, as in a file."""
    assert call("check", "-", stdin=POUR) == call("check", "-", stdin="\ufeff" + POUR)


SHELL = pytest.mark.skipif(shutil.which("sh") is None, reason="needs a POSIX shell")


def in_shell(line: str, **env: str) -> tuple[int, str]:
    """Exit code and standard error of a shell line in which $P is the command."""
    program = f"{sys.executable} -c 'from pourcheck.rules.cli import main; main()'"
    done = subprocess.run(
        ["sh", "-c", line.replace("$P", program)],
        capture_output=True,
        text=True,
        timeout=600,
        env={**os.environ, **env},
        check=False,
    )
    return done.returncode, done.stderr


def test_a_reader_that_goes_away() -> None:
    """A pager that is left early is no fault: exit 0, and nothing on standard error."""
    program = [sys.executable, "-c", "from pourcheck.rules.cli import main; main()"]
    with subprocess.Popen(
        [*program, "rules"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        err = process.stderr.read()
    assert (process.returncode, err) == (0, b"")


@SHELL
def test_standard_input_that_is_closed() -> None:
    """Without standard input, `check -` is bad input."""
    code, err = in_shell("$P check - <&-")
    assert code == 2
    assert "internal fault" not in err


@SHELL
@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_disk_that_is_full() -> None:
    """A full disk is told as what it is."""
    code, err = in_shell("$P rules > /dev/full")
    assert code == 2
    assert "No space left" in err
    assert "internal fault" not in err


@SHELL
def test_a_terminal_of_few_letters() -> None:
    """A terminal that cannot show a letter shows another in its place."""
    code, err = in_shell("$P find фунт", PYTHONIOENCODING="ascii")
    assert code == 1
    assert err == ""
