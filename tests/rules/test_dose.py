"""The example of a program that doses (tests/examples/dose.py): it lets out no dose that is stopped or not known."""

from __future__ import annotations

import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from pourcheck import Catalog, Fault, check, check_each

ROOT = Path(__file__).parent.parent.parent
EXAMPLE = ROOT / "tests" / "examples" / "dose.py"
sys.path.insert(0, str(EXAMPLE.parent))
import dose  # noqa: E402

sys.path.remove(str(EXAMPLE.parent))

#: A dose as it would be printed.
DOSE = re.compile(r"\d+ ?(g|kg|lb|oz)\b")


def run(catalog: Catalog) -> list[str]:
    """The lines of the script."""
    done = subprocess.run(
        [sys.executable, str(EXAMPLE), catalog.database], capture_output=True, text=True, check=True, timeout=120
    )
    assert done.stderr == ""
    return done.stdout.splitlines()


def test_each_bed_has_a_line_and_doses_are_those_that_may_be_poured(catalog: Catalog) -> None:
    lines = run(catalog)
    assert [one.partition(":")[0] for one in lines] == [bed.name for bed in dose.BEDS]
    told = {}
    for bed, said in zip(dose.BEDS, lines, strict=True):
        grams = dose.grams_of(bed, catalog)
        (found,) = check_each([dose.pour(bed, grams)], catalog, depth="verdict")
        if isinstance(found, Fault):
            told[bed.name] = "fault"
            assert said == f"{bed.name}: no dose. {found.what}; {found.cure}."
            continue
        told[bed.name] = found.verdict
        start = f"{bed.name}: {grams:.0f} g {bed.product}."
        if found.verdict == "clear":
            assert said == start
        elif found.verdict == "caution":
            cautions = [one.message for one in found.findings if one.level == "caution"]
            assert cautions
            assert said == " ".join([start, "Mind:", *cautions])
        else:
            assert said == f"{bed.name}: no dose ({found.verdict}). {found.summary}"
            assert not DOSE.search(said)
    assert set(told.values()) == {"clear", "caution", "stop", "unknown", "fault"}


def test_the_readme_shows_what_it_prints(catalog: Catalog) -> None:
    readme = (ROOT / "README.md").read_text("utf-8")
    shown = readme.partition("$ python tests/examples/dose.py\n")[2].partition("```")[0]
    assert shown.splitlines() == run(catalog)
    code = readme.partition("<!-- dose.py -->\n```python\n")[2].partition("```")[0]
    assert code.strip()
    assert code in EXAMPLE.read_text("utf-8")


@pytest.mark.parametrize("amount", ["1 g", "100 g", "1 kg", "20 kg"])
@pytest.mark.parametrize("product", ["technical MAP", "urea", "gypsum", "phosphoric acid 75%", "urae"])
@pytest.mark.parametrize("well", ["ridge-well", None])
def test_whatever_is_dosed(catalog: Catalog, product: str, amount: str, well: str | None) -> None:
    """Over products, amounts and waters: a line has a dose where the verdict is clear or caution, and nowhere else."""
    bed = dose.Bed("Any", 1, "n", 1, product, well)
    asked = {**dose.pour(bed, 1), "product": [{"name": product, "amount": amount}]}
    (answer,) = check_each([asked], catalog, depth="verdict")
    allowed = not isinstance(answer, Fault) and answer.verdict in {"clear", "caution"}
    assert dose.line(bed, 1234, answer).startswith("Any: 1234 g") == allowed


def test_a_word_that_there_is_not_yet_lets_no_dose_out(catalog: Catalog) -> None:
    found = check(dose.pour(dose.BEDS[0], 100), catalog, depth="verdict")
    other = found.model_copy(update={"verdict": "perhaps"})
    assert dose.line(replace(dose.BEDS[0], name="Any"), 1234, other).startswith("Any: no dose (perhaps).")
