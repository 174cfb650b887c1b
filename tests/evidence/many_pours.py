"""Many random pours, one in three of them hostile: none may come out without an answer, with a number that is none, or
with more memory than the one before.

    python tests/evidence/many_pours.py --pours 100000 --seed 1 --workers 2

Every pour (drawn_pours.py) goes through `check_each`, verdict and findings alone. Counted are the verdicts, the faults
of the input (a bucket that does not hold its products), what could not be computed, which has to be unknown or the stop
that it is anyway, and numbers in the answer that are not finite. Printed meanwhile: pours a second, and the memory of
this process and its workers. Exit code: 1 for a fault of the program itself, a clear or caution in which something
could not be computed, or a number that is not finite.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from drawn_pours import draw_pour

from pourcheck import Catalog, Fault, Verdict, check_each


def pours(count: int, seed: int, names: list[str]) -> Iterator[dict[str, object]]:
    """The pours, each from the seed and its own number alone."""
    for number in range(count):
        rng = np.random.default_rng([seed, number])
        yield draw_pour(rng, names, stated=bool(rng.integers(2)), hostile=number % 3 == 2)


def not_computed(verdict: Verdict) -> bool:
    """Whether something of the pour could not be computed."""
    return any("could not be" in finding.message for finding in verdict.findings)


def held_mb() -> float:
    """Memory of this process and its children [MB]; 0 where the system does not tell."""
    mine, total = str(os.getpid()), 0
    for status in Path("/proc").glob("[0-9]*/status"):
        try:
            fields = dict(line.split(":", 1) for line in status.read_text().splitlines() if ":" in line)
        except OSError:
            continue
        if status.parent.name == mine or fields.get("PPid", "").strip() == mine or _below(fields, mine):
            total += int(fields.get("VmRSS", "0 kB").split()[0])
    return total / 1024.0


def _below(fields: dict[str, str], mine: str) -> bool:
    """Whether a process is a child of a child: workers are forked by a server."""
    try:
        parent = Path(f"/proc/{fields.get('PPid', '0').strip()}/status").read_text()
    except OSError:
        return False
    return f"PPid:\t{mine}\n" in parent


def main() -> int:
    """Print the counts."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pours", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    asked = parser.parse_args()
    counts: Counter[str] = Counter()
    bad: list[str] = []
    start = time.perf_counter()
    with (
        tempfile.TemporaryDirectory() as folder,
        Catalog.open(str(Path(folder) / "catalog.sqlite3"), new=True) as catalog,
    ):
        names = [product.name for product in catalog.products()]
        answers = check_each(pours(asked.pours, asked.seed, names), catalog, workers=asked.workers)
        for number, answer in enumerate(answers):
            if isinstance(answer, Fault):
                counts[f"fault: {answer.code}"] += 1
                if answer.code != "input":
                    bad.append(f"pour {number}: {answer.what}")
            else:
                counts[answer.verdict] += 1
                if lost := not_computed(answer):
                    counts["of them with something not computed"] += 1
                if lost and answer.verdict in {"clear", "caution"}:
                    bad.append(f"pour {number}: {answer.verdict} though something could not be computed")
                text = answer.to_json()
                if "NaN" in text or "Infinity" in text:
                    bad.append(f"pour {number}: a number that is not finite")
            if (number + 1) % max(1, asked.pours // 20) == 0:
                rate = (number + 1) / (time.perf_counter() - start)
                so_far = ", ".join(f"{name} {count}" for name, count in sorted(counts.items()))
                print(f"{number + 1:>8} pours, {rate:.1f} a second, {held_mb():.0f} MB: {so_far}", flush=True)
    for line in bad[:20]:
        print(f"! {line}")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
