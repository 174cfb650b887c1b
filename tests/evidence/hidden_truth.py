"""Never a false clear, measured: random labels and pours of which the truth is known and hidden.

    python tests/evidence/hidden_truth.py --pours 10000 --seed 1 --processes 2
    python tests/evidence/hidden_truth.py --pours 10000 --seed 1 --processes 2 --needed-only
    python tests/evidence/hidden_truth.py --replay SEED

Every pour is made twice. The true one names the materials that its products are made of, in kg, with the whole
analysis of the well, the true temperatures and the true injection ratio. The asked one is what a grower can write:
labels as makers print them (makers.py), what is known of the well (wells.py), what the injector is set to, and a
thermometer in half of the cases. Both go through `pourcheck.check`, and the two verdicts are counted against each
other. A *false clear* is asked clear where the true pour is a stop.

What this shows and what not: the true pour is judged by the same chemistry and rules, so it measures how the
product deals with what it is not told, not whether the chemistry is right (tests/published does that). Suspended
solids and bacteria of the well are left out. The water of liquid products is the maker's, without ions.

Drawn so, each from the seed of its pour alone: 1-3 products; plain materials, dry blends, liquids; overrun 0-4 %,
guarantees rounded down, derived-from line on three labels of four; 5-50 gal; set to 1:50 to 1:400, which is true to
25 %, of one pour in eight only to 45 %; wells soft, limestone, gypsum, soda, iron; a lab's analysis of 60 % of them,
strips, drop kits or nothing of the rest, and of two in five of these the reading of an EC meter. Distributions are
common practice, no source.

Truths beyond what the product sweeps (a weaker or stronger injector, a hotter line, an untested well outside of the
usual ranges) are drawn too, and counted apart: nobody can be held to what is past every stated range, but it is told.

Exit code: 1 for a false clear within the ranges, a fault, or more than a third unknown among the pours with a lab's
water analysis and a derived-from line (or a plain material's name) on every product.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import sys
import time
import traceback
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from makers import L_PER_GAL, Hidden, draw_amount, draw_hidden, draw_label, materials_of
from wells import Rng, choose, draw_well, exact_water, known_water

from pourcheck import Catalog, Product, Verdict, check
from pourcheck.catalog import Sourced
from pourcheck.catalog.product import Content, Density
from pourcheck.rules.policy import default_unknowns

LEVELS = ("clear", "caution", "unknown", "stop")
NOT_ASKED = "not asked"
MOST_UNKNOWN_SHARE = 1.0 / 3.0
#: A Venturi is off by up to this, and of some pours by more (common practice, no source).
OFF_BY, OFF_BY_MORE, SHARE_OF_MORE = 0.25, 0.45, 0.125
#: A line in the sun, and of the same share of pours a hotter one [degC].
HOT_LINE_C, HOTTER_LINE_C = 45.0, 55.0
#: Volume of dry products in a bucket [L/kg], and the share of the bucket that products may fill here.
DRY_L_PER_KG, MOST_PRODUCT_SHARE = 0.65, 0.6
#: The water of liquid products, a material of the true pours' catalog alone.
PLAIN_WATER = "plain water"

Data = dict[str, Any]


@dataclass(frozen=True)
class Catalogs:
    """asked: the catalog as it is shipped; truth: the same with the water of liquids in it."""

    asked: Catalog
    truth: Catalog


@dataclass(frozen=True)
class Pair:
    """A pour as asked and as it truly is. well: its kind; water: what is known of it; complete: a lab's analysis,
    and the sources of every product are known; beyond: true quantities that lie past the range that is swept."""

    seed: int
    asked: Data
    truth: Data
    well: str
    water: str
    complete: bool
    thermometer: bool
    beyond: tuple[str, ...] = ()


@dataclass(frozen=True)
class Result:
    """Both verdicts. asked_unknown, asked_stop, true_unknown, true_stop: rules that speak at that level; blame:
    which piece of the truth turns a false clear; fault: the traceback where there is no verdict."""

    seed: int
    asked: str = ""
    truth: str = ""
    asked_unknown: tuple[str, ...] = ()
    asked_stop: tuple[str, ...] = ()
    true_unknown: tuple[str, ...] = ()
    true_stop: tuple[str, ...] = ()
    blame: tuple[str, ...] = ()
    well: str = ""
    water: str = ""
    complete: bool = False
    beyond: tuple[str, ...] = ()
    fault: str = ""

    @property
    def false_clear(self) -> bool:
        """Asked clear where the true pour is a stop."""
        return self.asked == "clear" and self.truth == "stop"


def catalogs() -> Catalogs:
    """Two fresh catalogs in memory; they go when the process does."""
    both = Catalogs(Catalog.open("sqlite://"), Catalog.open("sqlite://"))
    source = "definition"
    one = Sourced(value=1.0, source=source)
    both.truth.save(
        Product(
            id="plain-water",
            name=PLAIN_WATER,
            kind="material",
            form="liquid",
            content=(Content(formula="H2O", mass_fraction=one, dissolves_to={"H2O": 1.0}),),
            density=Density(kg_per_l=1.0, source=source),
        )
    )
    return both


def seeds(seed: int, count: int) -> list[int]:
    """The seed of each pour of a run; the first ones are the same whatever the count."""
    return [int(np.random.SeedSequence(seed, spawn_key=(i,)).generate_state(1)[0]) for i in range(count)]


def draw(seed: int, materials: Mapping[str, Product]) -> Pair:
    """The pair of pours of a seed; one that would overfill its bucket is drawn again."""
    rng = np.random.default_rng(seed)
    while True:
        pair, liters, bucket_l = _draw_once(rng, seed, materials)
        if liters <= MOST_PRODUCT_SHARE * bucket_l:
            return pair


def _draw_once(rng: Rng, seed: int, materials: Mapping[str, Product]) -> tuple[Pair, float, float]:
    """(pair, liters of product, liters of bucket)."""
    asked_products: list[Data] = []
    true_kg: dict[str, float] = defaultdict(float)
    liters, sources_known = 0.0, True
    for number in range(1, int(choose(rng, {"1": 0.35, "2": 0.40, "3": 0.25})) + 1):
        hidden, label = _labelled(rng, number, materials)
        amount, kg = draw_amount(rng, hidden)
        asked_products.append({"name": hidden.name, "amount": amount, **label})
        sources_known &= hidden.plain or "derived_from" in label
        liters += kg / hidden.density_kg_per_l if hidden.density_kg_per_l else kg * DRY_L_PER_KG
        for one, share in hidden.shares.items():
            true_kg[materials[one].name] += kg * share
        if (rest := 1.0 - sum(hidden.shares.values())) > 1e-9:
            true_kg[PLAIN_WATER] += kg * rest
    bucket_gal = float(choose(rng, {"5": 0.45, "10": 0.15, "15": 0.1, "20": 0.1, "30": 0.12, "50": 0.08}))
    set_to = int(choose(rng, {"50": 0.1, "64": 0.1, "100": 0.35, "128": 0.12, "200": 0.2, "300": 0.05, "400": 0.08}))
    well = draw_well(rng)
    water, known = known_water(rng, well)
    water_c = float(np.clip(rng.normal(13, 3), 5, 24))
    bucket_c = float(np.clip(rng.normal(18, 6), 4, 36))
    more = bool(rng.random() < SHARE_OF_MORE)
    hottest, off = (HOTTER_LINE_C, OFF_BY_MORE) if more else (HOT_LINE_C, OFF_BY)
    line_c = min(hottest, water_c + (rng.uniform(0, 5) if rng.random() < 0.45 else rng.uniform(5, 28 + 10 * more)))
    ratio = set_to * rng.uniform(1 - off, 1 + off)
    truth = {
        "product": [{"name": name, "amount": f"{kg:.9g} kg"} for name, kg in true_kg.items()],
        "bucket": {"volume": f"{bucket_gal:g} gal", "temperature": f"{bucket_c:.6f} degC"},
        "water": exact_water(well) | {"temperature": f"{water_c:.6f} degC"},
        # Two measured rates are a ratio that no error is laid on.
        "injection": {"suction": "1 L/min", "flow": f"{ratio:.6f} L/min", "line_temperature": f"{line_c:.6f} degC"},
        "site": {"backflow_preventer": True},
    }
    asked: Data = {
        "product": asked_products,
        "bucket": {"volume": f"{bucket_gal:g} gal"},
        "injection": {"ratio": f"1:{set_to}"},
        "site": {"backflow_preventer": True},
    }
    if thermometer := bool(rng.random() < 0.5):
        asked["bucket"]["temperature"] = _reading(rng, bucket_c)
        if rng.random() < 0.8:
            known = known | {"temperature": _reading(rng, water_c)}
        if rng.random() < 0.6:
            asked["injection"]["line_temperature"] = _reading(rng, line_c)
    if known:
        asked["water"] = known
    complete = water == "lab" and sources_known
    celsius = {
        "bucket_temperature_c": bucket_c,
        "water_temperature_c": water_c,
        "line_temperature_c": line_c,
    }
    beyond = _beyond(well.items | celsius, asked) + ("injection_ratio",) * (abs(ratio / set_to - 1.0) > OFF_BY)
    return Pair(seed, asked, truth, well.kind, water, complete, thermometer, beyond), liters, bucket_gal * L_PER_GAL


def _beyond(true: Mapping[str, float], asked: Data) -> tuple[str, ...]:
    """What was not asked with and lies past the range that is swept for it; an item that is taken as none is past it
    once there is more than a trace."""
    known = set(asked.get("water", {})) | {"sulfide"}
    if "hardness" in known:
        known |= {"calcium", "magnesium"}
    known |= {"alkalinity"} if "bicarbonate" in known else set()
    for table, field, name in (
        ("bucket", "temperature", "bucket_temperature_c"),
        ("water", "temperature", "water_temperature_c"),
        ("injection", "line_temperature", "line_temperature_c"),
    ):
        known |= {name} if field in asked.get(table, {}) else set()
    usual = default_unknowns()
    return tuple(
        name
        for name, value in true.items()
        if name not in known and name in usual and not usual[name].low <= value <= usual[name].high
    )


def _labelled(rng: Rng, number: int, materials: Mapping[str, Product]) -> tuple[Hidden, Data]:
    """A product and its label; a plain material needs none, and what guarantees nothing is not sold."""
    while True:
        hidden = draw_hidden(rng, number, materials)
        label = {} if hidden.plain else draw_label(rng, hidden, materials)
        if hidden.plain or label:
            return hidden, label


def _reading(rng: Rng, celsius: float) -> str:
    """A thermometer is read to the whole degree."""
    return f"{round(celsius)} degC" if rng.random() < 0.4 else f"{round(celsius * 1.8 + 32)} degF"


def judge(pair: Pair, both: Catalogs) -> tuple[Verdict, Verdict]:
    """(asked, true) verdicts. Raises: whatever the product raises; none of these pours is an implausible one."""
    return check(pair.asked, both.asked, depth="numbers"), check(pair.truth, both.truth, depth="numbers")


def rules_at(verdict: Verdict, level: str) -> tuple[str, ...]:
    """Names of the rules that speak at a level."""
    return tuple(finding.rule for finding in verdict.findings if finding.level == level)


def _swapped(true: Data, asked: Data, kept: str) -> Data:
    """The true table with one field left as it was asked, be it missing."""
    return {key: value for key, value in true.items() if key != kept} | ({kept: asked[kept]} if kept in asked else {})


def blame(pair: Pair, both: Catalogs) -> tuple[str, ...]:
    """Which pieces of the truth, each told alone, take the answer away from clear; empty when it needs several."""
    asked, truth = pair.asked, pair.truth
    true_well, known = truth["water"], asked.get("water", {})
    true_injection, injection = truth["injection"], asked["injection"]
    told = {
        "products": asked | {"product": truth["product"]},
        "water": asked | {"water": _swapped(true_well, known, "temperature")},
        "ratio": asked | {"injection": _swapped(true_injection, injection, "line_temperature")},
        "temperatures": asked
        | {
            "bucket": truth["bucket"],
            "injection": injection | {"line_temperature": true_injection["line_temperature"]},
            "water": known | {"temperature": true_well["temperature"]},
        },
    }
    return tuple(what for what, pour in told.items() if check(pour, both.truth, depth="numbers").verdict != "clear")


def result_of(pair: Pair, both: Catalogs, *, all_asked: bool = True) -> Result:
    """Both verdicts of a pair, and for a false clear what is to blame.

    all_asked: False leaves out to ask where the answer enters neither figure: the truth is no stop, so that it cannot
    be a false clear, and the pour is not complete.
    """
    if not all_asked and not pair.complete:
        truth = check(pair.truth, both.truth, depth="numbers")
        if truth.verdict != "stop":
            return Result(pair.seed, NOT_ASKED, truth.verdict, well=pair.well, water=pair.water)
    asked, truth = judge(pair, both)
    result = Result(
        pair.seed,
        asked.verdict,
        truth.verdict,
        rules_at(asked, "unknown"),
        rules_at(asked, "stop"),
        rules_at(truth, "unknown"),
        rules_at(truth, "stop"),
        well=pair.well,
        water=pair.water,
        complete=pair.complete,
        beyond=pair.beyond,
    )
    return replace(result, blame=blame(pair, both)) if result.false_clear else result


def run_one(seed: int, both: Catalogs, materials: Mapping[str, Product], *, all_asked: bool = True) -> Result:
    """Draw and judge the pour of a seed; an exception becomes a fault."""
    try:
        return result_of(draw(seed, materials), both, all_asked=all_asked)
    except Exception:
        return Result(seed, fault=traceback.format_exc())


# --- counts ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Counts:
    """What a run found."""

    results: tuple[Result, ...]

    @property
    def judged(self) -> list[Result]:
        """Pours with two verdicts."""
        return [result for result in self.results if not result.fault]

    @property
    def faults(self) -> list[Result]:
        """Pours that raised."""
        return [result for result in self.results if result.fault]

    @property
    def false_clears(self) -> list[Result]:
        """Asked clear where the truth is a stop."""
        return [result for result in self.judged if result.false_clear]

    @property
    def failures(self) -> list[Result]:
        """False clears of truths within what is swept."""
        return [result for result in self.false_clears if not result.beyond]

    @property
    def complete(self) -> list[Result]:
        """Pours with a lab's water analysis and all sources known."""
        return [result for result in self.judged if result.complete]

    @property
    def unknown_share(self) -> float:
        """Share of unknown answers among the complete ones; 0 where there are none."""
        return _share(self.complete)

    def where(self, asked: str, truth: str) -> list[Result]:
        """Pours of a cell of the cross table."""
        return [result for result in self.judged if (result.asked, result.truth) == (asked, truth)]

    @property
    def fails(self) -> bool:
        """True when the run is no evidence of what it is to show."""
        return bool(self.failures or self.faults) or self.unknown_share > MOST_UNKNOWN_SHARE


def _share(results: Sequence[Result]) -> float:
    return sum(result.asked == "unknown" for result in results) / max(1, len(results))


def report(counts: Counts, wall_s: float, processes: int) -> Iterator[str]:
    """The lines to print."""
    judged = counts.judged
    pace = len(counts.results) / wall_s / processes
    yield f"{len(counts.results)} pours, {len(counts.faults)} faults"
    yield f"{wall_s:.0f} s on {processes} processes: {pace:.2f} pours/s per process"
    yield ""
    yield "asked \\ truth" + "".join(f"{level:>9}" for level in LEVELS) + "      all"
    for asked in (*LEVELS, NOT_ASKED):
        row = [len(counts.where(asked, truth)) for truth in LEVELS]
        yield f"{asked:13}" + "".join(f"{number:9d}" for number in (*row, sum(row)))
    yield f"{'all':13}" + "".join(
        f"{number:9d}" for number in (*(sum(r.truth == level for r in judged) for level in LEVELS), len(judged))
    )
    yield ""
    beyond = [result for result in judged if result.beyond]
    yield f"FALSE CLEARS: {len(counts.failures)} of {len(judged) - len(beyond)} truths within the ranges swept,"
    yield f"  {len(counts.false_clears) - len(counts.failures)} of {len(beyond)} truths beyond them"
    for result in counts.false_clears:
        told = ", ".join(result.blame) or "only several together"
        rules = ", ".join(result.true_stop)
        past = f"; beyond: {', '.join(result.beyond)}" if result.beyond else ""
        yield f"  --replay {result.seed}  truth: {rules}; {result.well} well, known: {result.water}{past}"
        yield f"    no longer clear when told the true: {told}"
    for asked, truth, name in (
        ("clear", "unknown", "true_unknown"),
        ("caution", "stop", "true_stop"),
        ("stop", "clear", "asked_stop"),
        ("stop", "caution", "asked_stop"),
    ):
        yield from _by_rule(f"asked {asked}, truth {truth}", counts.where(asked, truth), name)
    for result in counts.faults:
        yield f"FAULT  --replay {result.seed}\n{result.fault}"
    yield ""
    yield f"complete (lab's water analysis, sources of every product known): {len(counts.complete)}"
    yield f"  unknown: {100 * counts.unknown_share:.1f} % (at most {100 * MOST_UNKNOWN_SHARE:.1f} %)"
    for level in LEVELS:
        of = [result for result in counts.complete if result.truth == level]
        yield f"  unknown where the truth is {level:8}: {100 * _share(of):5.1f} % of {len(of)}"
    yield from _top("  rules of the unknown among the complete ones", counts.complete)
    yield from _top("rules of all unknown answers", judged)


def _by_rule(title: str, results: Sequence[Result], rules: str) -> Iterator[str]:
    """Seeds by the rules that spoke. rules: a field of Result."""
    yield f"{title}: {len(results)}"
    groups: dict[str, list[int]] = defaultdict(list)
    for result in results:
        groups[", ".join(getattr(result, rules)) or "(no rule)"].append(result.seed)
    for names, found in sorted(groups.items(), key=lambda item: -len(item[1])):
        yield f"  {len(found):5d}  {names}: {' '.join(map(str, found))}"


def _top(title: str, results: Iterable[Result], most: int = 10) -> Iterator[str]:
    yield title
    unknown = [result for result in results if result.asked == "unknown"]
    named = Counter(rule for result in unknown for rule in result.asked_unknown)
    alone = Counter(result.asked_unknown[0] for result in unknown if len(result.asked_unknown) == 1)
    for rule, number in named.most_common(most):
        yield f"  {number:7d}  {rule} (alone in {alone[rule]})"


# --- running --------------------------------------------------------------------------------------

_OPEN: tuple[Catalogs, dict[str, Product]] | None = None
_ALL_ASKED = True


def _open_here(opened: Any, all_asked: bool) -> None:
    """Open the catalogs of this process. opened: counts the processes that have done so, shared by them."""
    global _OPEN, _ALL_ASKED
    _ALL_ASKED = all_asked
    with opened.get_lock():
        number = opened.value
        opened.value += 1
    if hasattr(os, "sched_setaffinity"):
        # One core each: processes that also share their work over threads wait for each other.
        cores = sorted(os.sched_getaffinity(0))
        os.sched_setaffinity(0, {cores[number % len(cores)]})
    both = catalogs()
    _OPEN = both, materials_of(both.asked)


def _run_here(seed: int) -> Result:
    assert _OPEN is not None
    return run_one(seed, *_OPEN, all_asked=_ALL_ASKED)


def run(
    pours: int, seed: int, processes: int, tick: Callable[[int], None] = lambda _: None, *, all_asked: bool = True
) -> Counts:
    """Draw, judge and count. tick: called with the number of pours done; all_asked: as in `result_of`."""
    found = []
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(processes, context, _open_here, (context.Value("i", 0), all_asked)) as pool:
        for done, result in enumerate(pool.map(_run_here, seeds(seed, pours), chunksize=4), start=1):
            found.append(result)
            tick(done)
    return Counts(tuple(found))


def replay(seed: int) -> Iterator[str]:
    """Both pours of a seed, and what is found in each."""
    both = catalogs()
    pair = draw(seed, materials_of(both.asked))
    yield f"seed {seed}: well {pair.well}, known: {pair.water}, complete: {pair.complete}"
    verdicts = judge(pair, both)
    for name, pour, verdict in zip(("asked", "truth"), (pair.asked, pair.truth), verdicts, strict=True):
        yield f"\n{name}: {json.dumps(pour, indent=1)}"
        yield f"{name}: {verdict.verdict.upper()}  {verdict.summary}"
        for finding in verdict.findings:
            if finding.level != "note":
                yield f"  {finding.level:8}{finding.rule}: {finding.message}"
                yield f"          {json.dumps({name: number.value for name, number in finding.numbers.items()})}"
    if verdicts[0].verdict == "clear":
        yield f"\nno longer clear when told the true: {', '.join(blame(pair, both)) or '(none alone)'}"


def main(arguments: Sequence[str] | None = None) -> int:
    """The command."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n\n")[0])
    parser.add_argument("--pours", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument(
        "--needed-only", action="store_true", help="do not ask where the answer enters neither figure (faster)"
    )
    parser.add_argument("--replay", type=int, metavar="SEED", help="print one pour and what is found in it")
    chosen = parser.parse_args(arguments)
    if chosen.replay is not None:
        print(*replay(chosen.replay), sep="\n")
        return 0

    def tick(done: int) -> None:
        if done % 100 == 0:
            print(f"{done} of {chosen.pours}, {time.perf_counter() - start:.0f} s", file=sys.stderr)

    start = time.perf_counter()
    counts = run(chosen.pours, chosen.seed, chosen.processes, tick, all_asked=not chosen.needed_only)
    print(*report(counts, time.perf_counter() - start, chosen.processes), sep="\n")
    return int(counts.fails)


if __name__ == "__main__":
    sys.exit(main())
