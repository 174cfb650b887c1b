"""What was read in print and what is recalled: counts over the project's own data, as the README states them.

`python tests/evidence/provenance.py` prints the sentence; a test holds the README to it.
"""

from __future__ import annotations

import csv
from collections import Counter
from pathlib import Path

from pourcheck.catalog.store import seeds
from pourcheck.rules.families.registry import rules

DATA = Path(__file__).parents[2] / "rules" / "chemistry" / "data"
CONSTANTS = ("line_constants.csv", "line_extra.csv", "pitzer.csv", "stock_phases.csv")


def constants() -> Counter[str]:
    """Rows of the chemistry's constants: from memory, or with a source that was read; definitions left out."""
    found: Counter[str] = Counter()
    for name in CONSTANTS:
        with (DATA / name).open(encoding="utf-8", newline="") as file:
            for row in csv.DictReader(file):
                if row["source"] != "definition":
                    found["memory" if "from memory" in row["source"] else "read"] += 1
    return found


def catalog() -> Counter[str]:
    """Numbers of the materials by how their source was seen: yes, partly, no, computed; invented products left out."""
    sources = seeds.seed_sources()
    found = Counter(sources[n.source].seen for product in seeds.seed_products() for n in product.sourced())
    del found["invented"]
    return found


def limits() -> Counter[str]:
    """Sources that the rules name: from memory, common practice, design choices, and those that were read."""
    found: Counter[str] = Counter()
    for rule in rules():
        for text in rule.sources:
            kinds = {"from memory": "memory", "common practice": "practice", "design choice": "design"}
            found[next((kind for words, kind in kinds.items() if words in text), "read")] += 1
    return found


def sentence() -> str:
    """The counts in words."""
    of, numbers, named = constants(), catalog(), limits()
    seen = numbers["yes"] + numbers["partly"]
    return (
        f"Of {sum(of.values())} constants of the chemistry {of['read']} come from files that were read and "
        f"{of['memory']} from memory. Of {sum(numbers.values())} numbers of the generic materials {seen} were read in "
        f"print, {numbers['computed']} are computed from formulas, and {numbers['no']} are recalled and not yet "
        f"checked against print. The rules name {sum(named.values())} sources: {named['read']} that were read, "
        f"{named['memory']} recalled, {named['practice']} common practice without a source, {named['design']} design "
        "choices."
    )


if __name__ == "__main__":
    print(sentence())
