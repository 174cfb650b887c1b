"""The README says what was read and what is recalled, with the counts that the data give."""

from __future__ import annotations

import importlib.util
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_the_readme_has_the_counts_of_the_data() -> None:
    """Word for word, line ends aside."""
    place = ROOT / "tests" / "evidence" / "provenance.py"
    spec = importlib.util.spec_from_file_location("provenance", place)
    assert spec is not None
    assert spec.loader is not None
    provenance = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(provenance)
    said = " ".join((ROOT / "README.md").read_text("utf-8").split())
    sentence = provenance.sentence()
    assert sentence[0].lower() + sentence[1:] in said
