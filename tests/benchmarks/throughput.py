"""How fast the chemistry is, as ratios to PHREEQC (USGS) in the same run, one core each.

    python tests/benchmarks/throughput.py

PHREEQC runs the same cases through phreeqpython, input as text in blocks of 100, with the database that is
written from the shipped constants (tests/published/conftest.py). Not a test: figures depend on the machine.
"""

from __future__ import annotations

import os
import platform
import sys
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import phreeqpython

sys.path.insert(0, str(Path(__file__).parent.parent / "published"))
from conftest import Phreeqc, line_database

from pourcheck import Catalog, check
from pourcheck.rules.chemistry.constants import Floats, load
from pourcheck.rules.chemistry.solution import Solution
from pourcheck.rules.chemistry.speciate import equilibrate
from pourcheck.rules.chemistry.stock import load_stock

SOLIDS = ("Gypsum", "Calcite", "Brushite", "Struvite")
#: A water and what is injected, as ranges of moles per kg: bicarbonate water with a feed.
WATER = {
    "Ca+2": (5e-4, 4e-3), "Mg+2": (2e-4, 2e-3), "Na+": (2e-4, 3e-3), "K+": (5e-5, 2e-4), "SO4-2": (1e-4, 2e-3),
    "CO3-2": (5e-4, 6e-3), "H4SiO4": (5e-5, 3e-4),
}  # fmt: skip
FEED = {"NO3-": (1e-4, 6e-3), "NH4+": (1e-4, 3e-3), "PO4-3": (1e-4, 2e-3)}
COUNT, PHREEQC_COUNT = 20_000, 1_000


def cases(count: int) -> tuple[Floats, Floats]:
    """(totals, temperatures) of random lines: charge is closed with chloride, pH near 7."""
    rng, constants = np.random.default_rng(5), load()
    totals = np.zeros((count, len(constants.masters)))
    for name, (low, high) in (WATER | FEED).items():
        totals[:, constants.master(name)] = rng.uniform(low, high, count)
    totals[:, constants.master("H+")] = (
        1.1 * totals[:, constants.master("CO3-2")] + 1.6 * totals[:, constants.master("PO4-3")]
    )
    charge = totals @ constants.charge[: len(constants.masters)]
    totals[:, constants.master("Cl-")] = np.maximum(charge, 0.0) + 1e-5
    totals[:, constants.master("Na+")] += np.maximum(-charge, 0.0) + 1e-5
    return totals, rng.uniform(5.0, 40.0, count)


def phreeqc_input(program: Phreeqc, totals: Floats, temperature_c: Floats, solids: bool) -> list[str]:
    """Input of the same cases, 100 to a block of text: REACTION adds the protons to a water at pH 7."""
    constants = load()
    blocks = []
    head = "SELECTED_OUTPUT\n-reset false\n-pH true\n-saturation_indices " + " ".join(SOLIDS) + "\n"
    if solids:
        head += "-equilibrium_phases " + " ".join(SOLIDS) + "\n"
    for start in range(0, len(totals), 100):
        text = [head]
        for row in range(start, min(start + 100, len(totals))):
            lines = [
                f"{program.element[name]} {totals[row, i]:.12g}"
                for i, name in enumerate(constants.masters)
                if name in program.element and name != "H+" and totals[row, i] > 0
            ]
            text.append(
                f"SOLUTION {row + 1}\nunits mol/kgw\ntemp {temperature_c[row]}\npH 7 charge\n" + "\n".join(lines)
            )
            if solids:
                text.append("EQUILIBRIUM_PHASES\n" + "\n".join(f"{name} 0 0" for name in SOLIDS))
            text.append("END")
        blocks.append("\n".join(text) + "\n")
    return blocks


#: Salts of a stock that pitzer.dat has the ions of, with their moles per kg.
STOCK = {"K+": (0.05, 1.0), "Mg+2": (0.02, 0.5), "Ca+2": (0.001, 0.01), "SO4-2": (0.02, 0.4), "CO3-2": (0.001, 0.004)}
_ELEMENT = {"K+": "K", "Mg+2": "Mg", "Ca+2": "Ca", "SO4-2": "S(6)", "CO3-2": "C(4)", "Na+": "Na", "Cl-": "Cl"}


def stocks(count: int) -> tuple[Floats, Floats]:
    """(totals, temperatures) of random stocks of those ions; chloride or sodium closes the charge, pH near 7."""
    rng, constants = np.random.default_rng(6), load_stock()
    totals = np.zeros((count, len(constants.masters)))
    for name, (low, high) in STOCK.items():
        totals[:, constants.master(name)] = rng.uniform(low, high, count)
    totals[:, constants.master("H+")] = 1.1 * totals[:, constants.master("CO3-2")]
    charge = totals @ constants.charge[: len(constants.masters)]
    totals[:, constants.master("Cl-")] = np.maximum(charge, 0.0) + 1e-3
    totals[:, constants.master("Na+")] = np.maximum(-charge, 0.0) + 1e-3
    return totals, rng.uniform(5.0, 35.0, count)


def stock_input(totals: Floats, temperature_c: Floats) -> list[str]:
    """The same stocks for PHREEQC, 100 to a block of text."""
    constants = load_stock()
    blocks = []
    for start in range(0, len(totals), 100):
        text = ["SELECTED_OUTPUT\n-reset false\n-pH true\n-saturation_indices Gypsum Calcite\n"]
        for row in range(start, min(start + 100, len(totals))):
            lines = [f"{element} {totals[row, constants.master(name)]:.12g}" for name, element in _ELEMENT.items()]
            head = f"SOLUTION {row + 1}\nunits mol/kgw\ntemp {temperature_c[row]}\npH 7 charge\n"
            text.append(head + "\n".join(lines) + "\nEND")
        blocks.append("\n".join(text) + "\n")
    return blocks


def best_of(times: int, work: Callable[[], object]) -> float:
    """Shortest of several runs [s]."""
    best = np.inf
    for _ in range(times):
        start = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - start)
    return float(best)


def main() -> None:
    """Print the table."""
    totals, temperature_c = cases(COUNT)
    program = Phreeqc(line_database())
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, numpy {np.__version__}")
    masters = int(np.sum(np.any(totals > 0, axis=0)))
    print(f"{COUNT} random lines of {masters} masters; PHREEQC on {PHREEQC_COUNT} of them")
    rows = []
    for name, solids in (("line speciation", False), ("line with four solids", True)):
        phases = SOLIDS if solids else ()
        ours = COUNT / best_of(3, lambda phases=phases: equilibrate(totals, temperature_c, phases))  # type: ignore[misc]
        blocks = phreeqc_input(program, totals[:PHREEQC_COUNT], temperature_c[:PHREEQC_COUNT], solids)
        theirs = PHREEQC_COUNT / best_of(2, lambda blocks=blocks: [program.run(text) for text in blocks])  # type: ignore[misc]
        rows.append((name, ours, theirs))
    stock = load_stock()
    strong, warm_c = stocks(COUNT)
    ours = COUNT / best_of(3, lambda: equilibrate(strong, warm_c, constants=stock))
    salts = Phreeqc((Path(phreeqpython.__file__).parent / "database" / "pitzer.dat").read_text("latin-1"))
    blocks = stock_input(strong[:PHREEQC_COUNT], warm_c[:PHREEQC_COUNT])
    rows.append(("bucket (Pitzer)", ours, PHREEQC_COUNT / best_of(2, lambda: [salts.run(text) for text in blocks])))
    print(f"{'':32}{'ours /s':>10}{'PHREEQC /s':>12}{'ratio':>8}")
    for name, ours, theirs in rows:
        ratio = "" if np.isnan(theirs) else f"{theirs:>12.0f}{ours / theirs:>8.1f}"
        print(f"{name:32}{ours:>10.0f}{ratio}")
    tracemalloc.start()
    many, warm = cases(100_000)
    result: Solution = equilibrate(many, warm)
    used, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    share = np.mean(result.converged)
    print(f"100,000 lines: {used / 1e6:.0f} MB held, {peak / 1e6:.0f} MB at most; converged {share:.4f}")
    pour = {
        "product": [
            {"name": "calcium nitrate", "amount": "1 lb"},
            {"name": "potassium nitrate", "amount": "1 lb"},
            {"name": "urea", "amount": "1 lb"},
        ],
        "bucket": {"volume": "5 gal", "temperature": "60 degF"},
        "water": {"name": "ridge-well"},
        "injection": {"ratio": "1:100", "line_temperature": "25 degC"},
    }
    turn = iter(range(1, 1_000_000))

    def another() -> dict[str, object]:
        """The pour with an amount that was not asked for before."""
        first, *others = pour["product"]  # type: ignore[misc]
        return pour | {"product": [{"name": first["name"], "amount": f"{1 + next(turn) * 1e-4} lb"}, *others]}

    print("one warm check of three products                  the same again    another amount")
    with Catalog.open() as catalog:
        for words, depth in (("verdict and findings", "verdict"), ("with edges and swaps", "edges")):
            check(pour, catalog, depth=depth)  # type: ignore[arg-type]
            same = best_of(5, lambda depth=depth: check(pour, catalog, depth=depth))  # type: ignore[misc]
            new = best_of(5, lambda depth=depth: check(another(), catalog, depth=depth))  # type: ignore[misc]
            print(f"  {words:40}{1000 * same:>17.1f} ms{1000 * new:>15.1f} ms")


if __name__ == "__main__":
    main()
