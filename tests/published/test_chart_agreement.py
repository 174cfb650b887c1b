"""Compatibility charts in print against pourcheck, on the pairs of which two charts or more say the same; and that the
written comparison (rules/chart_agreement.md, by chart_agreement.py) is the current one."""

from __future__ import annotations

import importlib.util
import re
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from pourcheck import Catalog

HERE = Path(__file__).parent
DOCUMENT = HERE.parent.parent / "rules" / "chart_agreement.md"
#: Share of the pairs on which charts are of one mind that pourcheck agrees with, "reduced" next to either word.
WANTED_SHARE = 0.95


@pytest.fixture(scope="module")
def charts() -> ModuleType:
    """chart_agreement.py, a script and no part of a package."""
    spec = importlib.util.spec_from_file_location("chart_agreement", HERE / "chart_agreement.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def answers(charts: ModuleType, catalog: Catalog) -> dict[tuple[str, str], tuple[str, str]]:
    """The charts' one word and pourcheck's answer, for the pairs on which two charts or more agree."""
    compared: Any = charts.compare(catalog)
    agreed = {pair: rows for pair, rows in compared.shared().items() if charts.of_one_mind(rows)}
    return {pair: (rows[0].verdict, compared.bench.answer(pair, charts.TYPICAL)) for pair, rows in agreed.items()}


def test_agrees_where_charts_agree(charts: ModuleType, answers: dict[tuple[str, str], tuple[str, str]]) -> None:
    """At least 95 %, "reduced" next to either word; and never clear where all charts say incompatible."""
    assert len(answers) >= 15
    agreed = [pair for pair, (word, ours) in answers.items() if charts.agrees(word, ours, lenient=True)]
    assert len(agreed) >= WANTED_SHARE * len(answers), sorted(answers.keys() - set(agreed))
    assert not [pair for pair, (word, ours) in answers.items() if word == "incompatible" and ours == "clear"]


def test_agrees_with_what_was_read_in_print(charts: ModuleType, catalog: Catalog) -> None:
    """At least 90 % of the words read in their source, "reduced" next to either word; never clear where one says
    incompatible, but for words that contradict most other charts."""
    compared: Any = charts.compare(catalog)
    rows = [row for row in compared.rows if row.seen == "yes"]
    ours = {row.pair: compared.bench.answer(row.pair, charts.TYPICAL) for row in rows}
    assert len(rows) >= 40
    agreed = [row for row in rows if charts.agrees(row.verdict, ours[row.pair], lenient=True)]
    assert len(agreed) >= 0.9 * len(rows)
    kept = [row for row in rows if charts.individually_stated(row)]
    assert not [row for row in kept if row.verdict == "incompatible" and ours[row.pair] == "clear"]


def test_the_written_comparison_is_current(charts: ModuleType, answers: dict[tuple[str, str], tuple[str, str]]) -> None:
    """Every pair's answer in the committed document is the one of today."""
    text = DOCUMENT.read_text("utf-8")
    written = dict(re.findall(r"^\| ([^|]+ \+ [^|]+) \| [^|]+ \| yes \| ([a-z ]+) \|$", text, re.MULTILINE))
    assert {f"{a} + {b}": charts.WORD[ours] for (a, b), (_, ours) in answers.items()} == written
