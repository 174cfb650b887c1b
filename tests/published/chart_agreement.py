"""Compatibility charts in print, held against what pourcheck says of the same two materials in one bucket.

    python tests/published/chart_agreement.py --out FILE

writes the comparison as Markdown. The charts are in `data/compatibility_chart.csv`, each row with its source
and whether it was read there (`yes`), follows from a rule that the source states (`rule`) or is recalled (`no`).
Charts name no amount, water or temperature; what was poured for them is stated here, in the text that is written.
"""

from __future__ import annotations

import argparse
import csv
from collections.abc import Callable, Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, field
from itertools import product as cross
from pathlib import Path

from pourcheck import Catalog, Verdict, check
from pourcheck.catalog.species import formula_share

CHART_FILE = Path(__file__).parent / "data" / "compatibility_chart.csv"

#: Soft water, every item stated: numbers of the invented Brook Well, at the temperature of the bucket.
SOFT_WATER: Mapping[str, object] = {
    "ph": 6.8,
    "calcium": "4 mg/L",
    "magnesium": "1.2 mg/L",
    "alkalinity": "17 mg/L CaCO3",
    "sodium": "5.7 mg/L",
    "potassium": "0.8 mg/L",
    "chloride": "4 mg/L",
    "sulfate": "4 mg/L SO4",
    "nitrate": "1.5 mg/L NO3",
    "phosphate": "0.03 mg/L PO4",
    "iron": "0.02 mg/L",
    "manganese": "0.01 mg/L",
    "boron": "0.01 mg/L",
    "silica": "12 mg/L SiO2",
    "fluoride": "0.1 mg/L",
    "sulfide": "0 mg/L",
}
#: Hard water, likewise: the invented Ridge Well. A chart names no water, so that its word should hold in both.
HARD_WATER: Mapping[str, object] = {
    "ph": 7.6,
    "calcium": "95 mg/L",
    "magnesium": "22 mg/L",
    "alkalinity": "210 mg/L CaCO3",
    "sodium": "11 mg/L",
    "potassium": "2 mg/L",
    "chloride": "61 mg/L",
    "sulfate": "40 mg/L SO4",
    "nitrate": "18 mg/L NO3",
    "phosphate": "0.05 mg/L PO4",
    "iron": "0.03 mg/L",
    "manganese": "0.01 mg/L",
    "boron": "0.05 mg/L",
    "silica": "14 mg/L SiO2",
    "fluoride": "0.2 mg/L",
    "sulfide": "0 mg/L",
}
WATERS = (SOFT_WATER, HARD_WATER)
BUCKET_L = 100.0
#: A chart says whether two materials may go through together: rules of the bucket, and of the line where mixing makes
#: the solid only there. Rules of equipment, soil and the water by itself are left out.
CHART_FAMILIES = frozenset({"label", "bucket", "people", "line"})
#: Never more of a dry material than this share of its own solubility at 20 degC.
MOST_OF_SOLUBILITY = 0.6


@dataclass(frozen=True)
class Material:
    """A material of the charts: the catalog's materials that it stands for, and its strength over that of a
    main nutrient (trace materials and bleach are poured by the tenth, acids by the half; common practice, no source).
    """

    ids: tuple[str, ...]
    share: float = 1.0


_METALS = ("iron", "zinc", "copper", "manganese")
MATERIALS: Mapping[str, Material] = {
    "APP 10-34-0": Material(("ammonium-polyphosphate-10-34-0",)),
    "Fe/Zn/Cu/Mn chelates": Material(tuple(f"{metal}-edta" for metal in _METALS), 0.1),
    "Fe/Zn/Cu/Mn sulfates": Material(tuple(f"{metal}-sulfate" for metal in _METALS), 0.1),
    "UAN solution": Material(("uan-32",)),
    "ammonium nitrate": Material(("ammonium-nitrate",)),
    "ammonium sulfate": Material(("ammonium-sulfate",)),
    "ammonium thiosulfate": Material(("ammonium-thiosulfate",)),
    "boric acid": Material(("boric-acid",), 0.1),
    "calcium chloride": Material(("calcium-chloride",)),
    "calcium nitrate": Material(("calcium-nitrate",)),
    "diammonium phosphate": Material(("diammonium-phosphate",)),
    "magnesium nitrate": Material(("magnesium-nitrate",)),
    "magnesium sulfate": Material(("magnesium-sulfate",)),
    "monoammonium phosphate": Material(("monoammonium-phosphate",)),
    "monopotassium phosphate": Material(("monopotassium-phosphate",)),
    "nitric acid": Material(("nitric-acid",), 0.5),
    "phosphoric acid": Material(("phosphoric-acid-75",), 0.5),
    "potassium chloride": Material(("potassium-chloride",)),
    "potassium nitrate": Material(("potassium-nitrate",)),
    "potassium sulfate": Material(("potassium-sulfate",)),
    "potassium thiosulfate": Material(("potassium-thiosulfate",)),
    "sodium hypochlorite": Material(("sodium-hypochlorite",), 0.1),
    "sulfuric acid": Material(("sulfuric-acid",), 0.5),
    "urea": Material(("urea",)),
}


@dataclass(frozen=True)
class Run:
    """How strong and how warm: kg of each material of share 1 per 100 L of made-up stock, and degC.

    liquid_percent: the same for liquids of share 1 where it differs.
    """

    percent: float
    temperature_c: float = 20.0
    liquid_percent: float | None = None


TYPICAL = Run(10.0)
WEAK, STRONG = Run(2.0), Run(20.0, liquid_percent=40.0)
#: Strengths of a concentrated stock, for which charts are made.
STOCKS = (Run(5.0), TYPICAL, Run(15.0), STRONG)
GRID = (Run(0.5), Run(1.0), WEAK, Run(5.0), TYPICAL, Run(15.0))
COLD, HOT = Run(10.0, 5.0), Run(10.0, 35.0)

#: pourcheck's answers from good to bad, and the words of the charts for them.
ORDER = ("clear", "caution", "unknown", "stop")
WORD = {"clear": "compatible", "caution": "reduced", "unknown": "not decided", "stop": "incompatible"}
CHART_WORDS = ("compatible", "reduced", "incompatible")


@dataclass(frozen=True)
class Row:
    """A chart's word on two materials."""

    chart: str
    material_a: str
    material_b: str
    verdict: str
    reason: str
    flag: str
    seen: str

    @property
    def pair(self) -> tuple[str, str]:
        """The two materials in alphabetical order."""
        first, second = sorted((self.material_a, self.material_b))
        return first, second

    @property
    def flag_kind(self) -> str:
        """The flag in one word."""
        kinds = {
            "contradicts": "contradicts most",
            "rule": "generic",
            "generic": "generic",
        }
        return kinds[self.flag.replace("-", " ").replace(":", " ").split()[0]] if self.flag else "none"


def read_chart(path: Path = CHART_FILE) -> list[Row]:
    """The rows of the chart file, in its order."""
    with path.open(encoding="utf-8", newline="") as file:
        return [Row(**{name: line[name] for name in Row.__annotations__}) for line in csv.DictReader(file)]


@dataclass(frozen=True)
class Fault:
    """A finding that neither material gives alone at the same strength."""

    rule: str
    level: str
    family: str
    message: str
    numbers: Mapping[str, float]


@dataclass(frozen=True)
class Mixed:
    """Two catalog materials in one bucket. answer: the worst of the faults of mixing, in bucket or line; nearest:
    solids of the bucket by saturation index, highest first."""

    ids: tuple[str, str]
    kg: tuple[float, float]
    answer: str
    faults: tuple[Fault, ...]
    ph: float
    ionic_strength_mol_per_kg: float
    nearest: tuple[tuple[str, float], ...]


def worst(answers: Iterable[str]) -> str:
    """The worst of some answers; clear if there are none."""
    return max(answers, key=ORDER.index, default="clear")


class Bench:
    """Pours pairs of materials and remembers what came of it."""

    def __init__(self, catalog: Catalog) -> None:
        self._catalog = catalog
        self._seen: dict[tuple[tuple[tuple[str, float], ...], float, int], Verdict] = {}

    def limit_percent(self, material_id: str) -> float | None:
        """kg per 100 kg of a stock that holds MOST_OF_SOLUBILITY of a dry material; None for liquids."""
        material = self._catalog.product(material_id)
        if material.form == "liquid" or not material.solubility:
            return None
        near = min(material.solubility, key=lambda point: abs(point.temperature_c - 20.0))
        share = formula_share(material.content[0].formula, near.formula)
        assert share is not None, material_id
        dissolved = MOST_OF_SOLUBILITY * near.g_per_100_g_water
        # Crystal water counts as water: what is weighed in is heavier and takes less water with it.
        return 100.0 * dissolved / share / (100.0 + dissolved)

    def kg(self, name: str, material_id: str, run: Run) -> float:
        """Of one catalog material for a material of the chart [kg per 100 L]."""
        percent, share = run.percent, MATERIALS[name].share
        if run.liquid_percent is not None and share == 1.0 and self._catalog.product(material_id).form == "liquid":
            percent = run.liquid_percent
        limit = self.limit_percent(material_id)
        return percent * share if limit is None else min(percent * share, limit)

    def pour(self, products: Sequence[tuple[str, float]], temperature_c: float, water: int = 0) -> Verdict:
        """The verdict on some products [kg] filled up to BUCKET_L with one of WATERS, everything stated."""
        key = (tuple(products), temperature_c, water)
        if key not in self._seen:
            pour = {
                "product": [{"name": name, "amount": f"{kg:.6g} kg"} for name, kg in products],
                "bucket": {"volume": f"{BUCKET_L:g} L", "temperature": f"{temperature_c:g} degC"},
                "water": {**WATERS[water], "temperature": f"{temperature_c:g} degC"},
                "injection": {"ratio": "1:100", "injector": "measured", "line_temperature": "20 degC"},
                "site": {"backflow_preventer": True},
            }
            self._seen[key] = check(pour, self._catalog, depth="numbers")
        return self._seen[key]

    def faults(
        self, products: Sequence[tuple[str, float]], temperature_c: float, families: Set[str] = CHART_FAMILIES
    ) -> tuple[Fault, ...]:
        """Findings of mixing in either water, worst first: what a product gives alone as badly is not about the
        pair."""
        found: dict[str, Fault] = {}
        for water in range(len(WATERS)):
            alone: dict[str, str] = {}
            for one in products:
                for finding in self.pour([one], temperature_c, water).findings:
                    alone[finding.rule] = worst((alone.get(finding.rule, "clear"), _level(finding.level)))
            for f in self.pour(products, temperature_c, water).findings:
                mixed = ORDER.index(_level(f.level))
                if f.where not in families or mixed <= ORDER.index(alone.get(f.rule, "clear")):
                    continue
                before = found.get(f.rule)
                if before is None or mixed > ORDER.index(_level(before.level)):
                    found[f.rule] = Fault(
                        f.rule, f.level, f.where, f.message, {name: n.value for name, n in f.numbers.items()}
                    )
        return tuple(sorted(found.values(), key=lambda fault: -ORDER.index(_level(fault.level))))

    def mix(self, names: tuple[str, str], ids: tuple[str, str], run: Run) -> Mixed:
        """Two catalog materials for two of the chart."""
        kg = (self.kg(names[0], ids[0], run), self.kg(names[1], ids[1], run))
        products = list(zip(ids, kg, strict=True))
        faults = self.faults(products, run.temperature_c)
        state = self.pour(products, run.temperature_c).bucket
        assert state is not None
        nearest = tuple(
            (solid.solid, solid.saturation_index.value) for solid in state.solids if solid.solid != "silica gel"
        )
        answer = worst(_level(fault.level) for fault in faults)
        return Mixed(ids, kg, answer, faults, state.ph.value, state.ionic_strength.value, nearest[:3])

    def mixes(self, pair: tuple[str, str], run: Run) -> list[Mixed]:
        """Every catalog pair that a pair of the chart stands for, worst first."""
        both = cross(MATERIALS[pair[0]].ids, MATERIALS[pair[1]].ids)
        return sorted((self.mix(pair, ids, run) for ids in both), key=lambda mixed: -ORDER.index(mixed.answer))

    def answer(self, pair: tuple[str, str], run: Run) -> str:
        """The worst answer on a pair of the chart."""
        return self.mixes(pair, run)[0].answer

    def turning_ph(self, mixed: Mixed, wanted: str) -> tuple[float, str, str] | None:
        """(pH, base or acid, rules) at which the solids of a mix first give another word; None if they do not.

        Potassium hydroxide or nitric acid is added in steps of 0.02 to 5 kg per 100 L, between pH 2 and 9. None
        too where a rule of label or people spoke, which pH does not change.
        """
        if any(fault.family != "bucket" for fault in mixed.faults):
            return None
        added = "nitric-acid" if wanted == "compatible" else "potassium-hydroxide-solution"
        for step in range(8):
            more_kg = 0.02 * 2.2**step
            products = [*zip(mixed.ids, mixed.kg, strict=True), (added, more_kg)]
            faults = [fault for fault in self.faults(products, 20.0) if fault.family == "bucket"]
            state = self.pour(products, 20.0).bucket
            if state is None or not 2.0 <= state.ph.value <= 9.0:
                continue
            if agrees(wanted, worst(_level(fault.level) for fault in faults)):
                return state.ph.value, added, ", ".join(fault.rule for fault in faults) or "no rule"
        return None


def _level(level: str) -> str:
    return "clear" if level == "note" else level


def agrees(chart_word: str, answer: str, *, lenient: bool = False) -> bool:
    """Whether a chart and pourcheck say the same. "Not decided" agrees with reduced only.

    lenient: reduced agrees with either neighbor.
    """
    if answer == "unknown":
        return chart_word == "reduced"
    ours = WORD[answer]
    return ours == chart_word or (lenient and "reduced" in (ours, chart_word))


@dataclass
class Tally:
    """How often two agree."""

    rows: int = 0
    strict: int = 0
    lenient: int = 0
    undecided: int = 0
    false_clear: int = 0

    def add(self, chart_word: str, answer: str) -> None:
        """Count one row."""
        self.rows += 1
        self.strict += agrees(chart_word, answer)
        self.lenient += agrees(chart_word, answer, lenient=True)
        self.undecided += answer == "unknown"
        self.false_clear += chart_word == "incompatible" and answer == "clear"

    def cells(self) -> list[str]:
        """Rows, agreement by both measures, undecided, clear against incompatible."""
        return [
            str(self.rows),
            f"{self.strict} ({100 * self.strict / self.rows:.0f} %)",
            f"{self.lenient} ({100 * self.lenient / self.rows:.0f} %)",
            str(self.undecided),
            str(self.false_clear),
        ]


@dataclass
class Comparison:
    """All rows with pourcheck's answer at each of some runs."""

    bench: Bench
    rows: list[Row]
    answers: dict[Run, list[str]] = field(default_factory=dict)

    def at(self, run: Run) -> list[str]:
        """pourcheck's answer to each row."""
        if run not in self.answers:
            self.answers[run] = [self.bench.answer(row.pair, run) for row in self.rows]
        return self.answers[run]

    def tallies(self, run: Run, group: Callable[[Row], str]) -> dict[str, Tally]:
        """Agreement by group of rows, sorted by name."""
        found: dict[str, Tally] = {}
        for row, answer in zip(self.rows, self.at(run), strict=True):
            found.setdefault(group(row), Tally()).add(row.verdict, answer)
        return dict(sorted(found.items()))

    def shared(self, keep: Callable[[Row], bool] = lambda _: True) -> dict[tuple[str, str], list[Row]]:
        """Pairs that two charts or more have, with their rows."""
        found: dict[tuple[str, str], list[Row]] = {}
        for row in self.rows:
            if keep(row):
                found.setdefault(row.pair, []).append(row)
        return {pair: rows for pair, rows in sorted(found.items()) if len({row.chart for row in rows}) > 1}


def of_one_mind(rows: Iterable[Row]) -> bool:
    """True where all charts say the same of a pair."""
    return len({row.verdict for row in rows}) == 1


def individually_stated(row: Row) -> bool:
    """False for words that contradict most other charts."""
    return row.flag_kind != "contradicts most"


# --- text -----------------------------------------------------------------------------------------------


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    lines = [f"| {' | '.join(head)} |", f"|{'---|' * len(head)}"]
    return [*lines, *(f"| {' | '.join(row)} |" for row in rows), ""]


_TALLY_HEAD = ("rows", "same word", "reduced counts as either", "not decided", "clear where chart says incompatible")


def _spoken_pair(pair: tuple[str, str]) -> str:
    return f"{pair[0]} + {pair[1]}"


#: Numbers of a finding that explain it, and how they are printed.
_NUMBERS = {
    "saturation_index": "saturation index {:+.2f}",
    "mixed_crystal_index": "index of the mixed crystal {:+.2f}",
    "model_band_si": "known to {:.2f}",
    "precipitated": "{:.3g} g/L precipitates",
    "settled": "{:.3g} g/L settles",
    "bucket_ph": "bucket pH {:.1f}",
    "metal_sulfate": "{:.3g} mol/kg of the metal sulfate",
    "warming": "warms by {:.0f} degC",
    "cooling": "cools by {:.0f} degC",
}


def _numbers(fault: Fault) -> str:
    shown = [text.format(fault.numbers[name]) for name, text in _NUMBERS.items() if name in fault.numbers]
    return f" ({', '.join(shown)})" if shown else ""


def _verdict_text(mixed: Mixed) -> str:
    if not mixed.faults:
        near = ", ".join(f"{solid} {si:+.2f}" for solid, si in mixed.nearest) or "none within 1 to 3 units"
        return f"no rule of mixing; nearest solids by saturation index: {near}; pH {mixed.ph:.1f}"
    return "; ".join(f"{fault.level} {fault.rule}{_numbers(fault)}" for fault in mixed.faults)


def explain(bench: Bench, row: Row) -> list[str]:
    """Where strength, temperature or pH bring pourcheck to a chart's word: lines of text, from results only."""
    tried = {f"{run.percent:g} %": run for run in GRID}
    tried |= {"20 % (liquids 40 %)": STRONG, "10 % at 5 degC": COLD, "10 % at 35 degC": HOT}
    at = {name: bench.answer(row.pair, run) for name, run in tried.items()}
    lines = ["; ".join(f"{name} {WORD[answer]}" for name, answer in at.items())]
    same = [name for name, answer in at.items() if agrees(row.verdict, answer)]
    if same:
        return [*lines, f"the chart's word holds at {', '.join(same)}"]
    turned = bench.turning_ph(bench.mixes(row.pair, TYPICAL)[0], row.verdict)
    if turned is None:
        lines.append("no strength, temperature or pH that was tried gives the chart's word")
    else:
        lines.append(f"the chart's word holds at bucket pH {turned[0]:.1f} (with {turned[1]}): {turned[2]}")
    return lines


def _disagreement(bench: Bench, rows: Sequence[Row]) -> list[str]:
    pair = rows[0].pair
    mixes = bench.mixes(pair, TYPICAL)
    lines = [f"### {_spoken_pair(pair)}", "", f"- ours: **{WORD[mixes[0].answer]}**"]
    for mixed in mixes[:4]:
        kg = " + ".join(f"{kg:.3g} % {name}" for name, kg in zip(mixed.ids, mixed.kg, strict=True))
        lines.append(f"  - {kg}: {WORD[mixed.answer]}: {_verdict_text(mixed)}")
    if len(mixes) > 4:
        lines.append(f"  - and {len(mixes) - 4} more, none worse than {WORD[mixes[4].answer]}")
    for row in rows:
        off = not agrees(row.verdict, mixes[0].answer)
        says = f"{row.verdict}{', ' + row.reason if row.reason else ''}"
        lines.append(f"- {row.chart}: {says} [seen {row.seen}; flag {row.flag_kind}]{'' if off else ' (same word)'}")
    told: dict[str, list[str]] = {}
    for row in rows:
        if not agrees(row.verdict, mixes[0].answer):
            told.setdefault(row.verdict, explain(bench, row))
    for i, (word, explained) in enumerate(told.items()):
        lines += [f"- {line}" for line in explained[:1] if i == 0]
        lines += [f'- "{word}": {line}' for line in explained[1:]]
    return [*lines, ""]


def _on_shared(compared: Comparison, run: Run, keep: Callable[[Row], bool]) -> Tally:
    answers = {row.pair: answer for row, answer in zip(compared.rows, compared.at(run), strict=True)}
    tally = Tally()
    for pair, rows in compared.shared(keep).items():
        if of_one_mind(rows):
            tally.add(rows[0].verdict, answers[pair])
    return tally


def _holds_in_a_stock(compared: Comparison, keep: Callable[[Row], bool]) -> str:
    """How many of the shared words hold at one of the strengths of a concentrated stock, or in cold or heat."""
    shared = [rows[0] for rows in compared.shared(keep).values() if of_one_mind(rows)]
    runs = (*STOCKS, COLD, HOT)
    held = sum(any(agrees(row.verdict, compared.bench.answer(row.pair, run)) for run in runs) for row in shared)
    return f"{held} ({100 * held / len(shared):.0f} %)" if shared else "-"


_RUNS = {"2 %": WEAK, "10 %": TYPICAL, "20 %, liquids 40 %": STRONG, "10 %, 5 degC": COLD, "10 %, 35 degC": HOT}


def _shared_section(compared: Comparison) -> list[str]:
    answers = {row.pair: answer for row, answer in zip(compared.rows, compared.at(TYPICAL), strict=True)}
    lines = ["## Pairs that two charts or more have", ""]
    kept: dict[str, Callable[[Row], bool]] = {
        "all words": lambda _: True,
        "stated pair by pair or by rule": individually_stated,
    }
    for name, keep in kept.items():
        shared = compared.shared(keep)
        agreed = sum(of_one_mind(rows) for rows in shared.values())
        lines += [
            f"{name[0].upper()}{name[1:]}: {len(shared)} pairs, {agreed} of one mind. Ours on the latter; the chart's "
            f"word holds at one of the strengths of 5 to 20 %, or at 10 % in cold or heat: "
            f"{_holds_in_a_stock(compared, keep)}.",
            "",
        ]
        tallies = ((run_name, _on_shared(compared, run, keep)) for run_name, run in _RUNS.items())
        lines += _table(
            ("strength", "pairs", *_TALLY_HEAD[1:]),
            ([run_name, *tally.cells()] for run_name, tally in tallies if tally.rows),
        )
    lines += _table(
        ("pair", "charts", "of one mind", "ours"),
        (
            [
                _spoken_pair(pair),
                ", ".join(f"{row.chart[0]} {row.verdict} ({row.seen}, {row.flag_kind})" for row in rows),
                "yes" if of_one_mind(rows) else "no",
                WORD[answers[pair]],
            ]
            for pair, rows in compared.shared().items()
        ),
    )
    return lines


def document(compared: Comparison) -> str:
    """The comparison as Markdown."""
    rows, answers = compared.rows, compared.at(TYPICAL)
    charts = {row.chart for row in rows}
    lines = [
        "# Agreement with compatibility charts in print",
        "",
        "Written by `tests/published/chart_agreement.py`; do not edit by hand.",
        "",
        f"{len(rows)} words of {len(charts)} charts. Seen: `yes` read in the source, `rule` the source states a rule "
        "that was applied to the pair, `no` recalled and not re-read. Cells that a chart leaves empty are not "
        "counted. Flags: generic words apply a rule to a pair; some contradict most other charts.",
        "",
        f"Poured: {TYPICAL.percent:g} kg of each per 100 L of made-up stock (acids half, trace materials and bleach a "
        f"tenth of it), never over {100 * MOST_OF_SOLUBILITY:.0f} % of a material's own solubility at 20 degC, in soft "
        "and in hard water (the worse answer counts) at 20 degC, every input stated; injected 1:100. Only the rules of "
        "label, bucket, line and people count, and of those only findings that neither material gives alone. Stop is "
        "taken as incompatible, caution as reduced, clear as compatible; unknown is not decided, which counts as "
        "agreement only with reduced. A group of materials gets the worst answer of its members; chelates are those of "
        "EDTA.",
        "",
        "## Agreement",
        "",
    ]
    lines += _table(
        ("strength", *_TALLY_HEAD),
        ([name, *compared.tallies(run, lambda _: "all")["all"].cells()] for name, run in _RUNS.items()),
    )
    groups: tuple[tuple[str, Callable[[Row], str]], ...] = (
        ("chart", lambda row: row.chart),
        ("seen", lambda row: row.seen),
        ("flag", lambda row: row.flag_kind),
        ("chart's word", lambda row: row.verdict),
    )
    for name, group in groups:
        tallies = compared.tallies(TYPICAL, group)
        lines += _table((name, *_TALLY_HEAD), ([key, *tally.cells()] for key, tally in tallies.items()))
    count = {(row_word, answer): 0 for row_word in CHART_WORDS for answer in ORDER}
    for row, answer in zip(rows, answers, strict=True):
        count[row.verdict, answer] += 1
    lines += _table(
        ("chart says", *(f"ours: {WORD[answer]}" for answer in ORDER)),
        ([word, *(str(count[word, answer]) for answer in ORDER)] for word in CHART_WORDS),
    )
    lines += _shared_section(compared)
    lines += ["## Where the words differ", ""]
    off: dict[tuple[str, str], list[Row]] = {}
    for row, answer in zip(rows, answers, strict=True):
        if not agrees(row.verdict, answer):
            off.setdefault(row.pair, [])
    for row in rows:
        if row.pair in off:
            off[row.pair].append(row)
    for pair in sorted(off):
        lines += _disagreement(compared.bench, off[pair])
    return "\n".join(lines).rstrip() + "\n"


def compare(catalog: Catalog, path: Path = CHART_FILE) -> Comparison:
    """The charts and a bench to pour them on."""
    return Comparison(Bench(catalog), read_chart(path))


def main() -> None:
    """Write the comparison to --out, or print it."""
    parser = argparse.ArgumentParser(description="compare pourcheck with compatibility charts in print")
    parser.add_argument("--out", type=Path, help="Markdown file to write; printed where left out")
    out: Path | None = parser.parse_args().out
    with Catalog.open("sqlite://") as catalog:
        text = document(compare(catalog))
    if out is None:
        print(text, end="")
    else:
        out.write_text(text, "utf-8")


if __name__ == "__main__":
    main()
