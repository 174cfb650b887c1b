"""The answer as text: one screen at the bucket, everything with --more, the same words and numbers as the JSON."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pytest
from rich.console import Console

from pourcheck import Catalog, Pour, Verdict, check
from pourcheck.rules.judge.advice import TWO_BUCKETS
from pourcheck.rules.present.answer import print_verdict
from pourcheck.rules.present.words import (
    assumed_words,
    decides_words,
    decision_words,
    edge_words,
    number_words,
    plainly,
)

WARM = {"volume": "5 gal", "temperature": "20 degC"}
LINE = {"ratio": "1:100", "line_temperature": "25 degC"}
STRIP = {"ph": 7.4, "hardness": "90 mg/L CaCO3", "alkalinity": "80 mg/L CaCO3"}
MANY = (
    "urea",
    "calcium nitrate",
    "magnesium sulfate",
    "technical MAP",
    "potassium chloride",
    "boric acid",
    "ammonium sulfate",
)
#: Some of every verdict: name -> products (or a label), then tables of the pour that are not as WARM and LINE.
POURS: dict[str, tuple[Sequence[str | dict[str, Any]], dict[str, Any]]] = {
    "clear": (["urea=4 oz"], {"water": "brook-well"}),
    "caution": (["calcium nitrate=2 lb"], {"water": "ridge-well"}),
    "stop by the line": (["technical MAP=1 lb"], {"water": "ridge-well"}),
    "stop by the bucket": (["calcium nitrate=2 lb", "magnesium sulfate=2 lb"], {"water": "brook-well"}),
    "stop by the product": (["gypsum=1 oz"], {"water": "ridge-well"}),
    "cold": (
        ["potassium nitrate=7 lb"],
        {"water": "brook-well", "bucket": {"volume": "5 gal", "temperature": "10 degC"}},
    ),
    "no water": (["technical MAP=1 lb"], {"injection": {"ratio": "1:100"}, "bucket": {"volume": "5 gal"}}),
    "strip": (["technical MAP=8 oz"], {"water": STRIP}),
    "strip with iron": (["technical MAP=4 oz"], {"water": {**STRIP, "hardness": "30 mg/L CaCO3", "iron": "0 mg/L"}}),
    "label without sources": (
        [{"name": "jug", "amount": "1 lb", "grade": "12-4-8"}],
        {"water": "ridge-well"},
    ),
    "soluble label without sources": (
        [{"name": "jug", "amount": "1 lb", "grade": "10-0-10", "dissolving": "complete"}],
        {"water": "brook-well"},
    ),
    "label that does not add up": (
        [
            {
                "name": "feed",
                "amount": "1 lb",
                "grade": "0-52-34",
                "guaranteed": {"p2o5": 22.7},
                "derived_from": ["monopotassium phosphate"],
            }
        ],
        {"water": "brook-well"},
    ),
    "seven products": (
        [f"{name}=3 oz" for name in MANY],
        {
            "water": "ridge-well",
            "bucket": {"water": "5 gal"},
            "injection": {"suction": "2.4 gph", "flow": "4 gpm"},
            "soil": {"phosphorus": "high"},
            "site": {"backflow_preventer": False, "chlorination": True, "filter_mesh": 40},
        },
    ),
    "metric": (
        ["potassium nitrate=3 kg"],
        {"water": "brook-well", "bucket": {"volume": "20 L", "temperature": "20 degC"}},
    ),
}


@dataclass(frozen=True)
class Answer:
    """A pour with its verdict, and both texts."""

    pour: Pour
    verdict: Verdict
    short: str
    more: str


def text_of(verdict: Verdict, pour: Pour, *, more: bool) -> str:
    """What the command prints at 80 columns."""
    buffer = io.StringIO()
    print_verdict(verdict, pour, Console(file=buffer, width=80, highlight=False, markup=False), more=more)
    return buffer.getvalue()


def pour_of(name: str) -> Pour:
    """A row of POURS as a pour."""
    products, tables = POURS[name]
    data: dict[str, Any] = {"bucket": WARM, "injection": LINE, "poured_on": "2026-06-01", **tables}
    if isinstance(water := data.get("water"), str):
        data["water"] = {"name": water}
    lines = [dict(zip(("name", "amount"), p.split("="), strict=True)) if isinstance(p, str) else p for p in products]
    return Pour.parse({**data, "product": lines})


_ANSWERS: dict[str, Answer] = {}


@pytest.fixture
def answer(catalog: Catalog, request: pytest.FixtureRequest) -> Answer:
    """The answer to a row of POURS, computed once."""
    name = request.param
    if name not in _ANSWERS:
        pour = pour_of(name)
        verdict = check(pour, catalog)
        _ANSWERS[name] = Answer(pour, verdict, text_of(verdict, pour, more=False), text_of(verdict, pour, more=True))
    return _ANSWERS[name]


def rows(*names: str, faults: dict[str, str] | None = None) -> Any:
    """Parametrization over answers. faults: rows that are known to fail, with what is wrong."""

    def row(name: str) -> Any:
        why = (faults or {}).get(name)
        marks = pytest.mark.xfail(strict=True, raises=AssertionError, reason=why) if why else ()
        return pytest.param(name, marks=marks, id=name)

    return pytest.mark.parametrize("answer", [row(name) for name in names or POURS], indirect=True)


def squeezed(text: str) -> str:
    """Text on one line, with single spaces."""
    return " ".join(text.split())


@rows()
def test_one_screen(answer: Answer) -> None:
    """At most 14 lines of 80 columns."""
    lines = answer.short.splitlines()
    assert max(map(len, lines)) <= 80
    assert len(lines) <= 14


@rows()
def test_short_answer(answer: Answer) -> None:
    """The verdict with its headline first, what was asked next, then why, and never without the label's word."""
    verdict, lines = answer.verdict, answer.short.splitlines()
    assert lines[0] == f"{verdict.verdict.upper()}  {verdict.summary}"
    flat = squeezed(answer.short)
    assert "Label, safety data sheet and local code first." in flat
    assert "--more" in lines[-1]
    for product in answer.pour.product:
        assert f"{product.amount} {product.name}" in flat
    told = [f for f in verdict.findings if f.level != "note"]
    if told:
        assert verdict.summary in {told[0].headline, "However the unknowns fall, something stops this pour."}
        start = squeezed(plainly(told[0].happens))
        assert start.lower() in flat.lower()
    else:
        assert verdict.verdict == "clear"
        assert verdict.summary == "No problem found in what was checked."


@rows()
def test_more_holds_everything(answer: Answer) -> None:
    """Every finding with its message, steps, numbers and sources, and every assumption, margin, swap and number."""
    verdict, flat = answer.verdict, squeezed(answer.more)
    assert max(map(len, answer.more.splitlines())) <= 80
    assert answer.more.startswith(verdict.verdict.upper() + "  ")
    assert squeezed(verdict.summary) in flat
    assert "Label, safety data sheet and local code come before this answer." in flat
    for finding in verdict.findings:
        assert squeezed(finding.message) in flat, finding.rule
        for step in finding.do:
            assert squeezed(step) in flat, finding.rule
        if finding.level == "note":
            continue
        assert f"{finding.where} {finding.level.upper()} {finding.rule}" in flat
        for key, number in finding.numbers.items():
            assert number_words(key, number) in flat, finding.rule
            assert f"{key} = {number.value:g}" in flat, finding.rule
        for source in finding.sources:
            assert f"source: {squeezed(source)}" in flat, finding.rule
    for one in verdict.assumed:
        assert squeezed(assumed_words(one)) in flat
    for words in edge_words(verdict, answer.pour):
        assert squeezed(words) in flat
    for offer in verdict.swaps:
        assert offer.verdict.upper() + " " + " + ".join(f"{p.amount} {p.name}" for p in offer.products) in flat
    for state in filter(None, (verdict.bucket, verdict.line)):
        for ion in state.ions:
            assert ion.replace("_", " ") in flat
        assert state.model in flat
    if verdict.water is not None:
        for item, grade in verdict.water.clogging.items():
            assert f"{'pH' if item == 'ph' else item.replace('_', ' ')} {grade} clogging class" in flat
        if verdict.water.hardness is not None:
            assert f"{verdict.water.hardness_mg_per_l_caco3:.0f} mg/L CaCO3, {verdict.water.hardness}" in flat


@rows("label without sources", "soluble label without sources", "label that does not add up")
def test_more_holds_what_labels_leave_open(answer: Answer) -> None:
    """Of every product that is known by its label, each species with its best estimate, least and most; materials are
    known by formula and have none."""
    flat = squeezed(answer.more)
    assert [label.product for label in answer.verdict.labels] == [product.name for product in answer.pour.product]
    for label in answer.verdict.labels:
        assert label.species
        assert f"In {label.product}, mol per kg" in flat
        for name, ends in label.species.items():
            assert f"{name} {ends.value:.4g} {ends.low:.4g} to {ends.high:.4g}" in flat
        spoken = " ".join(finding.message for finding in answer.verdict.findings)
        assert all(text in spoken for text in (*label.not_known, *label.contradictions))


@rows("clear", "caution", "stop by the line")
def test_materials_leave_nothing_open(answer: Answer) -> None:
    """Known by formula."""
    assert answer.verdict.labels == ()


@rows()
def test_more_holds_the_notes_too(answer: Answer) -> None:
    """A note has a rule, numbers and sources in the JSON; --more is said to show every number, step and source."""
    flat = squeezed(answer.more)
    for finding in answer.verdict.findings:
        assert f"{finding.where} {finding.level.upper()} {finding.rule}" in flat
        for source in finding.sources:
            assert f"source: {squeezed(source)}" in flat, finding.rule
        for key, number in finding.numbers.items():
            assert number_words(key, number) in flat, finding.rule
            assert f"{key} = {number.value:g}" in flat, finding.rule


# --- edges ----------------------------------------------------------------------------------------

NUMBER = r"(\d+(?:\.\d+)?(?:e[-+]?\d+)?)"
#: Edge -> how its number stands in the words.
SPOKEN = {
    "injection_ratio": rf"1:{NUMBER}",
    "water_calcium": rf"{NUMBER} mg/L calcium in the water",
    "water_hardness": rf"{NUMBER} mg/L CaCO3 hardness",
    "water_alkalinity": rf"{NUMBER} mg/L CaCO3 alkalinity",
    "water_ph": rf"water pH {NUMBER}",
    "line_temperature": rf"{NUMBER} degC \([^)]*\) in the line",
    "bucket_temperature": rf"{NUMBER} degC \([^)]*\) in the bucket",
}
#: How far a spoken number may be rounded.
ROUNDED = {"water_ph": 0.05, "line_temperature": 0.5, "bucket_temperature": 0.5, "injection_ratio": 0.5}


@rows()
def test_edges_in_words_are_those_of_the_json(answer: Answer) -> None:
    """Each edge stands in one line, with the values of its sides and the verdicts beyond them."""
    edges, lines = answer.verdict.edges, edge_words(answer.verdict, answer.pour)
    assert len(lines) == len(edges)
    for edge, line in zip(edges, lines, strict=True):
        sides = [side for side in (edge.better, edge.worse) if side is not None]
        assert sides
        for side in sides:
            assert side.verdict in line.lower()
        if edge.input in SPOKEN:
            spoken = [float(text) for text in re.findall(SPOKEN[edge.input], line)]
            values = [side.value for side in sides]
            assert spoken == pytest.approx(values, rel=6e-3, abs=ROUNDED.get(edge.input, 1e-9))
    assert (answer.verdict.verdict != "unknown") or not lines


@rows("stop by the bucket", "cold", "metric")
def test_amounts_in_words(answer: Answer) -> None:
    """The amounts are those of the pour times the factor, each product in its own unit."""
    edge = answer.verdict.edge("amount_factor")
    assert edge is not None
    line = edge_words(answer.verdict, answer.pour)[0]
    for side in filter(None, (edge.better, edge.worse)):
        for product in answer.pour.product:
            number, unit = product.amount.text.split()
            spoken = re.findall(rf"{NUMBER} {unit} {re.escape(product.name)}", line)
            wanted = float(number) * side.value
            assert any(float(text) == pytest.approx(wanted, rel=6e-3) for text in spoken), line


@rows()
def test_sides_of_edges_in_words(answer: Answer) -> None:
    """The words' side is that of the numbers."""
    for edge, line in zip(answer.verdict.edges, edge_words(answer.verdict, answer.pour), strict=True):
        if edge.worse is not None:
            assert f"Stays {answer.verdict.verdict} {'up' if edge.worse.value > edge.now else 'down'} to" in line
        if edge.better is not None:
            low = edge.better.value < edge.now
            words = {"injection_ratio": ("stronger", "weaker"), "line_temperature": ("colder", "warmer")}
            words["bucket_temperature"] = words["line_temperature"]
            assert f"or {words.get(edge.input, ('less', 'more'))[0 if low else 1]}" in line


# --- what decides ---------------------------------------------------------------------------------


@rows()
def test_what_decides_in_words(answer: Answer) -> None:
    """The screen's "Decides" and "Find out" are those of decided_by, in its order, with the value at which it turns and
    the nearest at which it may, whatever else is not known."""
    deciders, flat = answer.verdict.decided_by, squeezed(answer.short)
    assert (" Decides " in flat) == bool(deciders)
    assert (answer.verdict.verdict == "unknown") or not deciders
    places = []
    for decider in deciders:
        words = squeezed(decides_words(decider))
        assert words[1:].startswith(f"{decider.input[1:]}: ")
        assert words in flat
        assert squeezed(decider.find_out) in flat.split(" Decides ")[0]
        assert squeezed(decision_words(decider)) in squeezed(answer.more)
        assert f"Find out: {squeezed(decider.find_out)}." in squeezed(answer.more)
        places.append(flat.index(words))
        if decider.turns_at is None:
            assert decider.worse_if
            assert decider.worse_if in words
            continue
        assert decider.low is not None
        assert decider.high is not None
        assert decider.low <= decider.turns_at <= decider.high
        found = re.search(rf"trouble (above|below) {NUMBER}", words)
        assert found
        assert found[1] == decider.worse_when
        assert float(found[2]) == pytest.approx(decider.turns_at, rel=6e-3)
        soonest = decider.low if decider.worse_when == "above" else decider.high
        if perhaps := re.search(rf"perhaps from {NUMBER}", words):
            assert float(perhaps[1]) == pytest.approx(soonest, rel=6e-3)
        else:
            assert soonest == pytest.approx(decider.turns_at, rel=0.03)
    assert places == sorted(places)


SOFT = {
    "ph": 6.8, "calcium": "4 mg/L", "magnesium": "1.2 mg/L", "alkalinity": "17 mg/L CaCO3", "sodium": "5.7 mg/L",
    "chloride": "4 mg/L", "sulfate": "4 mg/L", "iron": "0 mg/L", "manganese": "0 mg/L", "silica": "12 mg/L",
    "temperature": "12 degC",
}  # fmt: skip
HARD = {
    "ph": 7.6, "calcium": "95 mg/L", "magnesium": "22 mg/L", "alkalinity": "210 mg/L CaCO3", "sodium": "11 mg/L",
    "chloride": "61 mg/L", "sulfate": "40 mg/L", "nitrate": "18 mg/L", "iron": "0 mg/L", "manganese": "0 mg/L",
    "silica": "14 mg/L", "temperature": "14 degC",
}  # fmt: skip
MIDDLING = {
    **HARD, "calcium": "45 mg/L", "magnesium": "10 mg/L", "alkalinity": "110 mg/L CaCO3", "sulfate": "20 mg/L",
    "sodium": "10 mg/L", "chloride": "20 mg/L", "nitrate": "2 mg/L",
}  # fmt: skip
#: Pours with one thing unknown: product, water, what is left out (table, field), its name, its unit. Where calcium or
#: alkalinity is left out, sodium or chloride is such that the charges balance near the value at which it turns.
ONE_UNKNOWN = [
    ("technical MAP=4 oz", SOFT, ("water", "iron"), "water iron", "mg/L"),
    ("technical MAP=1 lb", {**HARD, "sodium": "74 mg/L"}, ("water", "calcium"), "water calcium", "mg/L"),
    ("technical MAP=1 lb", {**HARD, "chloride": "184 mg/L"}, ("water", "alkalinity"), "water alkalinity", "mg/L CaCO3"),
    ("potassium nitrate=9 lb", SOFT, ("bucket", "temperature"), "bucket temperature", "degC"),
    ("potassium sulfate=3.8 lb", MIDDLING, ("bucket", "temperature"), "bucket temperature", "degC"),
    ("technical MAP=10 oz", {**MIDDLING, "ph": 7.8}, ("injection", "line_temperature"), "line temperature", "degC"),
    ("technical MAP=1 lb", MIDDLING, ("injection", "ratio"), "injection ratio", ""),
    ("technical MAP=2 lb", MIDDLING, ("injection", "ratio"), "injection ratio", ""),
]


@pytest.mark.parametrize(
    ("product", "water", "place", "name", "unit"), ONE_UNKNOWN, ids=[f"{row[0]}: {row[3]}" for row in ONE_UNKNOWN]
)
def test_what_decides_decides(
    catalog: Catalog, product: str, water: dict[str, Any], place: tuple[str, str], name: str, unit: str
) -> None:
    """One thing unknown: set just below and above the value at which it turns, the verdict is sound on one side and
    trouble on the other."""
    table, key = place
    data: dict[str, Any] = {
        "product": [dict(zip(("name", "amount"), product.split("="), strict=True))],
        "bucket": dict(WARM),
        "injection": {**LINE, "injector": "measured"},
        "water": dict(water),
    }
    del data[table][key]
    verdict = check(data, catalog)
    assert verdict.verdict == "unknown"
    (decider,) = verdict.decided_by
    assert decider.input == name
    assert decider.turns_at is not None
    step = 0.5 if unit == "degC" else 0.02 * decider.turns_at
    found = {}
    for side, sign in (("below", -1.0), ("above", 1.0)):
        value = decider.turns_at + sign * step
        text = f"1:{value:.4g}" if key == "ratio" else f"{value:.4g} {unit}"
        stated = {**data, table: {**data[table], key: text}}
        found[side] = check(stated, catalog, depth="numbers").verdict
    trouble = decider.worse_when
    assert trouble is not None
    sound = {"below": "above", "above": "below"}[trouble]
    assert found[trouble] in {"stop", "unknown"}, found
    assert found[sound] in {"clear", "caution"}, found


@pytest.mark.parametrize(
    ("products", "water", "never"),
    [
        (("technical MAP=1 lb",), "ridge-well", TWO_BUCKETS),
        (("magnesium nitrate=2 lb",), None, TWO_BUCKETS),
        (("calcium nitrate=2 lb", "potassium carbonate=2 lb"), "brook-well", "settle overnight"),
    ],
)
def test_what_to_do_fits_the_pour(products: tuple[str, ...], water: str | None, never: str, catalog: Catalog) -> None:
    """No second bucket for one product; nobody settles a bucket of mud overnight."""
    pour: dict[str, Any] = {
        "product": [dict(zip(("name", "amount"), text.split("="), strict=True)) for text in products],
        "bucket": {"volume": "5 gal"},
        "injection": {"ratio": "1:100"},
    }
    verdict = check(pour | ({"water": {"name": water}} if water else {}), catalog, depth="numbers")
    steps = [step for finding in verdict.findings for step in finding.do]
    assert steps
    assert not [step for step in steps if never in step]
