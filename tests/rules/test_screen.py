"""The first screen of a check: what a grower acts on, in 14 lines of 80 columns, whatever is poured."""

from __future__ import annotations

import io
import re
import shlex
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from pourcheck import Catalog, Pour, Verdict, check
from pourcheck.rules.families.registry import rules
from pourcheck.rules.judge.advice import IF_MIXED, PROTECT
from pourcheck.rules.judge.rule import BRIEF_WIDTH, HEADLINE_WIDTH, Level, Rule
from pourcheck.rules.present.answer import print_verdict

#: What is looked at: name -> products, tables of the pour. A region's day, so that a test of the well has an age.
POURS: dict[str, tuple[Sequence[str], dict[str, Any]]] = {
    "phosphate on the hard well": (["technical MAP=1 lb"], {"water": {"name": "ridge-well"}}),
    "a jar with phosphorus in a barrel": (
        ["Alder Bloom 9-45-15=500 g"],
        {"bucket": {"volume": "60 L"}, "water": {"name": "ridge-well"}},
    ),
    "calcium nitrate with a sulfate": (
        ["calcium nitrate=2 lb", "magnesium sulfate=2 lb"],
        {"water": {"name": "brook-well"}},
    ),
    "bleach with acid": (["household bleach=1 qt", "phosphoric acid 75=1 qt"], {"water": {"name": "brook-well"}}),
    "bleach alone": (["household bleach=1 fl oz"], {"water": {"name": "brook-well"}}),
    "acid": (["sulfuric acid=4 fl oz"], {"water": {"name": "ridge-well"}}),
    "aqua ammonia": (["aqua ammonia=1 qt"], {"water": {"name": "ridge-well"}}),
    "acid on carbonate": (["potassium bicarbonate=1 lb", "citric acid=1 lb"], {"water": {"name": "brook-well"}}),
    "no water test": (["technical MAP=1 lb"], {}),
    "no water test, harmless": (["urea=4 oz"], {}),
    "clear": (["potassium nitrate=2 lb"], {"water": {"name": "brook-well"}}),
    "caution with an edge": (
        ["potassium nitrate=7 lb"],
        {"bucket": {"volume": "5 gal", "temperature": "10 degC"}, "water": {"name": "brook-well"}},
    ),
    "what does not dissolve": (["gypsum=1 oz"], {"water": {"name": "brook-well"}}),
    "many products": (
        [f"{name}=3 oz" for name in ("urea", "calcium nitrate", "magnesium sulfate", "technical MAP", "boric acid")],
        {"water": {"name": "ridge-well"}, "site": {"backflow_preventer": False, "filter_mesh": 40}},
    ),
}
#: Of these, what endangers people: told in full, for which a few lines more may be taken.
DANGEROUS = {"bleach with acid", "bleach alone", "acid", "aqua ammonia", "acid on carbonate"}
#: What a first screen has no room for: numbers of the chemistry, minerals, marks of the records, other words.
NOT_FIRST = re.compile(
    r"saturation index|calcite|brushite|struvite|ion product|mol/kg|ionic strength|from memory|seen: no|\bdial\b|"
    r"\b[HWT]\d+\b"
)


@dataclass(frozen=True)
class Shown:
    """A pour with its verdict."""

    pour: Pour
    verdict: Verdict

    def lines(self, width: int) -> list[str]:
        """The first screen."""
        buffer = io.StringIO()
        print_verdict(self.verdict, self.pour, Console(file=buffer, width=width, highlight=False, markup=False))
        return buffer.getvalue().splitlines()

    def flat(self) -> str:
        """The first screen on one line."""
        return " ".join(" ".join(self.lines(80)).split())


_SHOWN: dict[str, Shown] = {}


@pytest.fixture(params=list(POURS))
def shown(catalog: Catalog, request: pytest.FixtureRequest) -> Shown:
    """A row of POURS, computed once."""
    return _of(request.param, catalog)


def _of(name: str, catalog: Catalog) -> Shown:
    if name not in _SHOWN:
        products, tables = POURS[name]
        lines = [dict(zip(("name", "amount"), text.split("="), strict=True)) for text in products]
        pour = Pour.parse(
            {
                "product": lines,
                "bucket": {"volume": "5 gal"},
                "injection": {"ratio": "1:100"},
                "poured_on": "2026-06-01",
                **tables,
            }
        )
        _SHOWN[name] = Shown(pour, check(pour, catalog))
    return _SHOWN[name]


def test_fourteen_lines_of_80_columns(shown: Shown, request: pytest.FixtureRequest) -> None:
    """At most 14 lines; up to 4 more where people are endangered, whose cautions are never cut."""
    lines = shown.lines(80)
    assert max(map(len, lines)) <= 80
    dangerous = request.node.callspec.params["shown"] in DANGEROUS
    assert len(lines) <= (18 if dangerous else 14), "\n".join(lines)


def test_narrow_and_short(shown: Shown, request: pytest.FixtureRequest) -> None:
    """60 columns: at most 16 lines, and 20 where people are endangered."""
    dangerous = request.node.callspec.params["shown"] in DANGEROUS
    lines = shown.lines(60)
    assert len(lines) <= (20 if dangerous else 16), "\n".join(lines)


@pytest.mark.parametrize("width", [80, 60, 47, 40])
def test_no_number_is_parted_from_its_unit(shown: Shown, width: int) -> None:
    """Neither an amount nor a share nor a pH: no line ends in a number whose unit begins the next."""
    lines = shown.lines(width)
    for line, following in pairwise(lines):
        parted = re.search(r"\d$", line) and re.match(
            r"\s*(%|lb|oz|fl oz|gal|qt|g|kg|mL|L|mg/L|g/L|mol/L|meq/L|degC|degF|times|mesh|cups?|tbsp|tsp)\b|\s*%",
            following,
        )
        assert not parted, (line, following)
        assert not line.endswith(" pH")
        assert not line.endswith(" fl")


def test_no_exponents(shown: Shown) -> None:
    """Nobody weighs 1.2e+03 g."""
    assert not re.search(r"\de[+-]\d", shown.flat())


@pytest.mark.parametrize("width", [60, 40])
def test_narrow(shown: Shown, width: int) -> None:
    """A narrow screen says the same, in lines that fit."""
    lines = shown.lines(width)
    assert max(map(len, lines)) <= width
    assert " ".join(" ".join(lines).split()) == shown.flat()


def test_order(shown: Shown) -> None:
    """The verdict with its headline, why, what to do, the edge, what to wear, what is not known, the label's word."""
    lines = shown.lines(80)
    assert lines[0] == f"{shown.verdict.verdict.upper()}  {shown.verdict.summary}"
    names = [line[:11].strip() for line in lines[1:] if line[:1].isupper() and line[10:11] == " "]
    order = [
        "Why",
        "Policy",
        "More stops",
        "Also open",
        "Also",
        "Do now",
        "Instead",
        "Make up",
        "Edge",
        "Danger",
        "Wear",
        "Mind",
    ]
    order += ["Decides", "Not known"]
    told = [name for name in names if name in order]
    assert told == sorted(told, key=order.index)
    assert "Do now" in names
    assert lines[-1] == "Label, safety data sheet and local code first. More: --more"


def test_plain_words(shown: Shown) -> None:
    """No numbers of the chemistry, no names of minerals or rules."""
    flat = shown.flat()
    assert not NOT_FIRST.search(flat), NOT_FIRST.search(flat)
    assert [rule.name for rule in rules() if "-" in rule.name and rule.name in flat] == []


def test_a_stop_says_what_else_stops(shown: Shown) -> None:
    """Every other stop in a few words, or how many more; how many cautions there are."""
    flat, findings = shown.flat(), shown.verdict.findings
    if shown.verdict.verdict != "stop":
        return
    others = [finding for finding in findings if finding.level == "stop"][1:]
    for finding in others[:4]:
        assert finding.brief.lower() in flat.split("More stops ")[1].split("Do now")[0].lower()
    cautions = sum(finding.level == "caution" for finding in findings)
    assert not cautions or f"{cautions} caution" in flat
    assert "Do not pour this." in flat


def test_dangers_in_full(shown: Shown) -> None:
    """What endangers people is told whole, whatever the room."""
    flat = shown.flat()
    for finding in shown.verdict.findings:
        if finding.where != "people" or finding.rule in {"lifting-and-label", "bleach-with-feed", "oxidizer"}:
            continue
        whole = " ".join(finding.happens.replace(PROTECT, "").split())
        assert whole.lower() in flat.lower(), finding.rule
        assert IF_MIXED not in finding.cures or IF_MIXED in flat, finding.rule
        assert PROTECT not in finding.happens or PROTECT in flat, finding.rule


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("phosphate on the hard well", "STOP Calcium phosphate will form in the drip line and block emitters."),
        ("phosphate on the hard well", "1 lb technical MAP 12-61-0 in 5 gal"),
        ("a jar with phosphorus in a barrel", "500 g Alder Bloom 9-45-15 in 60 L"),
        ("a jar with phosphorus in a barrel", "Instead "),
        ("bleach with acid", "STOP Chlorine, a toxic gas that can kill, will rise from the bucket."),
        ("bleach with acid", "Goggles, gloves"),
        ("bleach alone", "Goggles, gloves"),
        ("aqua ammonia", "Goggles, gloves"),
        ("acid", "sulfuric acid 93%"),
        ("no water test", "Do not pour it yet. Find out: "),
        ("no water test", "Decides "),
        ("clear", "Stays clear up to "),
        ("clear", "Caution from there."),
        ("caution with an edge", "Clear at "),
        ("what does not dissolve", "No amount makes it clear."),
    ],
)
def test_words(catalog: Catalog, name: str, told: str) -> None:
    """What stands on the screen of some pours."""
    assert told in _of(name, catalog).flat()


def test_no_two_buckets_for_one_product(catalog: Catalog) -> None:
    """What meets the well's own calcium meets it in any bucket."""
    assert " buckets, one after the other" not in _of("a jar with phosphorus in a barrel", catalog).flat()
    assert "Make 2 buckets, one after the other" in _of("calcium nitrate with a sulfate", catalog).flat()


@pytest.mark.parametrize("rule", rules(), ids=lambda rule: rule.name)
def test_every_rule_has_a_headline(rule: Rule) -> None:
    """A sentence at every level and a few words for a list, which fit."""
    for level in Level:
        text = rule.headline_at(level)
        assert text
        assert len(text) <= HEADLINE_WIDTH
        assert text.endswith(".")
        assert text[0].isupper()
        assert "{" not in text
        assert not NOT_FIRST.search(text)
    assert "may" not in rule.headline_at(Level.STOP).split() or "{will}" not in rule.headline
    assert 0 < len(rule.brief) <= BRIEF_WIDTH
    assert not rule.brief.endswith(".")


def test_amounts_in_a_unit_that_can_be_measured(catalog: Catalog) -> None:
    """No thousandths of a quart: a smaller unit of the same kind and system."""
    for shown in (_of(name, catalog) for name in POURS):
        for number in re.findall(r"(\d[\d.e-]*) (?:lb|qt|gal|kg|L)\b(?! of)", " ".join(shown.lines(80))):
            assert float(number) >= 0.1


README = Path(__file__).parents[2] / "README.md"
#: The commands of the README that print a verdict, with what it shows of it.
SHOWN = re.findall(
    r"\$ pourcheck (check [^\n]+)\n((?:STOP|UNKNOWN|CAUTION|CLEAR) .*?)```", README.read_text("utf-8"), re.DOTALL
)


@pytest.mark.parametrize(("command", "shown_lines"), SHOWN, ids=[command for command, _ in SHOWN])
def test_what_the_readme_shows(call: Callable[..., Any], command: str, shown_lines: str) -> None:
    """Every line of an example stands in what its command prints, in that order; "..." leaves some out."""
    printed = iter(call(*shlex.split(command)).out.splitlines())
    for line in shown_lines.splitlines():
        assert line == "..." or line in printed, line


def test_the_readme_shows_verdicts() -> None:
    """The examples are found."""
    assert len(SHOWN) >= 4


def test_the_verdict_comes_first_at_a_terminal(at_a_terminal: Callable[..., Any]) -> None:
    """What is known is shown while the edges are looked for; the whole answer then begins with the same words."""
    words = ("check", "technical MAP=1 lb", "--bucket", "5 gal", "--water", "ridge-well", "--inject", "1:100")
    shown = re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", at_a_terminal(words, term="xterm"))
    head = "STOP  Calcium phosphate will form"
    first, edges, whole = shown.find(head), shown.find("Looking for its edge"), shown.rfind(head)
    assert 0 <= first < edges < whole < shown.find("Edge  ")
