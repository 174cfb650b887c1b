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
    assert len(answers) >= 20
    agreed = [pair for pair, (word, ours) in answers.items() if charts.agrees(word, ours, lenient=True)]
    assert len(agreed) >= WANTED_SHARE * len(answers), sorted(answers.keys() - set(agreed))
    assert not [pair for pair, (word, ours) in answers.items() if word == "incompatible" and ours == "clear"]


def test_the_written_comparison_is_current(charts: ModuleType, answers: dict[tuple[str, str], tuple[str, str]]) -> None:
    """Every pair's answer in the committed document is the one of today."""
    text = DOCUMENT.read_text("utf-8")
    written = dict(re.findall(r"^\| ([^|]+ \+ [^|]+) \| [^|]+ \| yes \| ([a-z ]+) \|$", text, re.MULTILINE))
    assert {f"{a} + {b}": charts.WORD[ours] for (a, b), (_, ours) in answers.items()} == written
