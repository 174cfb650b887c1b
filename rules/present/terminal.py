"""Plain text for a terminal of 80 columns: the verdict first, then where, the numbers, what to do."""

from __future__ import annotations

import io
import os
import shutil
import sys
import textwrap
from collections.abc import Callable, Mapping, Sequence

from rich.console import Console
from rich.text import Text

from ...catalog import Catalog, Match, Product, WaterTest
from ...catalog.composition import composition
from ...catalog.nutrients import NUTRIENTS
from ...catalog.product import NUMBERS
from ...catalog.species import SPECIES
from ...catalog.water import CONCENTRATION_ITEMS
from ..pour import Pour
from ..rule import Rule
from ..verdict import Finding, SolutionState, Swap, Verdict

WIDTH = 80
_STYLE = {"stop": "bold red", "unknown": "bold magenta", "caution": "bold yellow", "clear": "bold green"}
#: Solids nearer to saturation than this are worth a line.
_NEAR_SI = -0.3
#: and no more than this many without --more.
_MOST_SOLIDS = 5


def page(render: Callable[[Console], None]) -> str:
    """What a renderer draws, as text for standard output: its width up to 80, colours on a terminal."""
    buffer = io.StringIO()
    width = min(WIDTH, max(shutil.get_terminal_size((WIDTH, 24)).columns, 40))
    colours = sys.stdout.isatty() and "NO_COLOR" not in os.environ
    out = Console(
        file=buffer, width=width, highlight=False, markup=False, emoji=False, force_terminal=colours,
        color_system="standard" if colours else None,
    )  # fmt: skip
    render(out)
    return buffer.getvalue()


class _Page:
    """Lines of text with an indent, wrapped to the console."""

    def __init__(self, out: Console) -> None:
        self.out = out

    def line(self, text: str = "", indent: int = 0, hang: int = 0, style: str = "") -> None:
        wrapped = textwrap.wrap(
            text,
            self.out.width,
            initial_indent=" " * indent,
            subsequent_indent=" " * (indent + hang),
            break_on_hyphens=False,
        )
        for part in wrapped or [""]:
            self.out.print(Text(part, style=style))

    def head(self, text: str) -> None:
        self.out.print()
        self.out.print(Text(text, style="bold"))


def print_verdict(verdict: Verdict, pour: Pour, out: Console, *, more: bool = False) -> None:
    """A verdict as a grower reads it."""
    page = _Page(out)
    word = verdict.verdict.upper()
    first, *rest = textwrap.wrap(verdict.summary, out.width - len(word) - 2, break_on_hyphens=False)
    out.print(Text(word, style=_STYLE[verdict.verdict]) + Text(f"  {first}", style="bold"))
    for part in rest:
        out.print(Text(" " * (len(word) + 2) + part, style="bold"))
    page.line(_pour_words(pour))
    told = [f for f in verdict.findings if f.level != "note"]
    if told:
        page.head("What happens")
        for finding in told:
            _finding(page, finding, more)
    _numbers(page, verdict, more)
    _making_up(page, verdict, pour)
    _margin(page, verdict)
    if verdict.swaps:
        page.head(f"Instead of {' and '.join(verdict.swaps[0].replaces)} (same nitrogen and potassium)")
        _swaps(page, verdict.swaps)
    notes = [f for f in verdict.findings if f.level == "note"]
    page.head("Mind")
    for note in notes:
        page.line(f"- {note.message}", 2, 2)
        if more:
            for step in note.do:
                page.line(step, 6, 2)
    page.line("- Label, safety data sheet and local code come before this answer.", 2, 2)
    if verdict.assumed:
        page.head("Assumed")
        for text in verdict.assumed if more else _short(verdict.assumed):
            page.line(f"- {text}", 2, 2)
    if more:
        _more(page, verdict)


def _short(assumed: Sequence[str]) -> list[str]:
    swept = [text for text in assumed if "swept" in text]
    rest = [text for text in assumed if "swept" not in text]
    if len(swept) <= 3:
        return [*swept, *rest]
    names = ", ".join(text.split(" not stated")[0] for text in swept)
    return [f"not stated, swept over its range: {names} (--more shows the ranges)", *rest]


def _pour_words(pour: Pour) -> str:
    what = " + ".join(f"{item.amount} {item.name}" for item in pour.product)
    how = "in" if pour.bucket.volume else "added to"
    parts = [f"{what} {how} {pour.bucket.measure}" + ("" if pour.bucket.volume else " of water")]
    if pour.injection.ratio:
        parts.append(f"injected {pour.injection.ratio}")
    elif pour.injection.suction:
        parts.append(f"drawn in at {pour.injection.suction} into {pour.injection.flow}")
    if pour.water is not None:
        parts.append(f"water: {pour.water.name or pour.water.id or 'as tested'}")
    else:
        parts.append("water not stated")
    return ", ".join(parts)


def _finding(page: _Page, finding: Finding, more: bool) -> None:
    head = Text(f"  {finding.where:<10}") + Text(finding.level.upper(), style=_STYLE[finding.level])
    page.out.print(head + Text(f"  {finding.rule}"))
    page.line(finding.message, 4)
    for step in finding.do:
        page.line(f"> {step}", 4, 2)
    if more:
        for key, value in finding.because.items():
            page.line(f"{key} = {value:g}", 6)
        for source in finding.sources:
            page.line(f"source: {source}", 6, 2)


def _span(state: SolutionState, key: str, value: float | None, form: str) -> str:
    if value is None:
        return "" if key == "ph_in_air" else "beyond the model"
    if key in state.low:
        low, high = format(state.low[key], form), format(state.high[key], form)
        return low if low == high else f"{low} to {high}"
    return format(value, form)


def _numbers(page: _Page, verdict: Verdict, more: bool) -> None:
    states = [(name, state) for name, state in (("bucket", verdict.bucket), ("line", verdict.line)) if state]
    if not states:
        return
    page.head("The numbers")
    rows = [["".ljust(0), *(name for name, _ in states)]]
    for label, key, form in (
        ("temperature, degC", "temperature_c", ".0f"),
        ("pH", "ph", ".1f"),
        ("ionic strength, mol/kg", "ionic_strength_mol_per_kg", ".2g"),
        ("pH once in the air", "ph_in_air", ".1f"),
        ("EC, mS/cm", "ec_ms_per_cm", ".3g"),
    ):
        rows.append([label, *(_span(s, key, getattr(s, key), form) for _, s in states)])
    for row in rows:
        page.out.print(Text("  " + row[0].ljust(24) + "".join(cell.ljust(22) for cell in row[1:]).rstrip()))
    near = []
    for name, state in states:
        for solid in state.solids:
            low = solid.low.get("saturation_index", solid.saturation_index)
            high = solid.high.get("saturation_index", solid.saturation_index)
            if high < _NEAR_SI:
                continue
            index = f"{solid.saturation_index:+.2f}" if high - low < 0.01 else f"{low:+.2f} to {high:+.2f}"
            amount = "not counted"
            if solid.precipitated_mg_per_l is not None:
                least = solid.low.get("precipitated_mg_per_l", solid.precipitated_mg_per_l)
                most = solid.high.get("precipitated_mg_per_l", solid.precipitated_mg_per_l)
                unit, scale = ("g/L", 1000.0) if most > 1000.0 else ("mg/L", 1.0)
                least, most = least / scale, most / scale
                amount = f"{most:.0f} {unit}" if most - least < 0.5 else f"{least:.0f}-{most:.0f} {unit}"
            near.append((name, solid.solid, index, amount))
    hidden = 0 if more else max(0, len(near) - _MOST_SOLIDS)
    if hidden:
        # What comes out, and what is counted at all, before what is only compared.
        near = sorted(near, key=lambda row: (row[3] == "not counted", row[3].startswith("0 ")))[:_MOST_SOLIDS]
    if near:
        page.out.print(Text("  solids near saturation".ljust(43) + "index".ljust(17) + "comes out"))
        for name, spoken, index, amount in near:
            shown = textwrap.shorten(spoken, 31, placeholder="..")
            page.out.print(Text(f"  {name:<8}{shown:<33}{index:<17}{amount}"))
    if hidden:
        page.line(f"and {hidden} more (--more shows them)", 10)
    weak = [name for name, state in states if not state.within_validity]
    if weak:
        page.line(
            f"The {' and '.join(weak)} is stronger than the activity model is good for: numbers there are "
            "estimates, and what is near the edge is called unknown.",
            2,
        )


def _making_up(page: _Page, verdict: Verdict, pour: Pour) -> None:
    """How much water goes in for the volume that was asked for, and what the other way would make."""
    state = verdict.bucket
    if state is None or state.volume_l is None or state.water_poured_l is None:
        return
    unit, litres = ("gal", 3.785411784) if "gal" in pour.bucket.measure else ("L", 1.0)
    water, made = state.water_poured_l / litres, state.volume_l / litres
    words = f"Making up: {water:.3g} {unit} of water and the products make {made:.3g} {unit}"
    if state.density_kg_per_l is not None:
        words += f" of {state.density_kg_per_l:.3g} kg/L"
    words += "."
    other = made + (made - water)
    if pour.bucket.volume and other > 1.01 * made:
        words += f" (Adding them to {made:.3g} {unit} of water would make {other:.3g} {unit}.)"
    page.line(words, 2)


def _margin(page: _Page, verdict: Verdict) -> None:
    m = verdict.margin
    stop = verdict.verdict == "stop"
    lines = []
    if m.amount_factor is not None:
        more = m.amount_factor > 1
        if stop:
            lines.append(f"stops being a stop at {m.amount_factor:.3g} times the amount")
        else:
            lines.append(f"good {'up' if more else 'down'} to {m.amount_factor:.3g} times the amount")
    verb = "ends at" if stop else "turns at"
    if m.injection_ratio is not None:
        lines.append(f"{verb} an injection ratio of 1:{m.injection_ratio:.0f}")
    for value, what in (
        (m.water_calcium_mg_per_l, "mg/L calcium in the water"),
        (m.water_alkalinity_mg_per_l_caco3, "mg/L CaCO3 alkalinity"),
    ):
        if value is not None:
            lines.append(f"{verb} {value:.3g} {what}")
    if m.water_ph is not None:
        lines.append(f"{verb} a water pH of {m.water_ph:.1f}")
    for value, what in ((m.temperature_c, "line"), (m.bucket_temperature_c, "bucket")):
        if value is not None:
            lines.append(f"{verb} {value:.0f} degC ({value * 1.8 + 32:.0f} degF) in the {what}")
    if lines:
        page.head("How far from the edge")
        for text in lines:
            page.line(f"- {text}", 2, 2)


def _swaps(page: _Page, swaps: Sequence[Swap]) -> None:
    for swap in swaps:
        what = " + ".join(f"{p.amount} {p.name}" for p in swap.products)
        page.line(f"{swap.verdict.upper():<8} {what}", 2, 9)


def print_swaps(swaps: Sequence[Swap], out: Console) -> None:
    """Swaps of a pour."""
    page = _Page(out)
    if not swaps:
        page.line("No swap: the pour has no phosphorus, or the catalog holds nothing that fits.")
        return
    first = swaps[0]
    page.line(
        f"Instead of {' and '.join(first.replaces)}: {first.nitrogen_kg:g} kg nitrogen and {first.potash_kg:g} kg "
        "potash (K2O), without phosphorus"
    )
    _swaps(page, swaps)


def _more(page: _Page, verdict: Verdict) -> None:
    for name, state in (("bucket", verdict.bucket), ("line", verdict.line)):
        if state is None:
            continue
        page.head(f"Dissolved in the {name}, mg/L")
        for key, value in state.ions_mg_per_l.items():
            page.line(f"{key.replace('_', ' '):<26}{_span(state, key, value, '.3g')}", 0, 0)
        page.line(f"model: {state.model}")


def print_matches(matches: Sequence[Match], out: Console) -> None:
    """What `find` found, best first."""
    page = _Page(out)
    for match in matches:
        product = match.product
        page.out.print(
            Text(f"{textwrap.shorten(product.name, 33, placeholder='..'):<34}", style="bold")
            + Text(f"{product.grade or '-':<11}{product.form:<7}")
            + Text(match.why if len(match.why) <= page.out.width - 52 else f"{match.why[: page.out.width - 54]}..")
        )


def print_product(product: Product, catalog: Catalog, out: Console) -> None:
    """A product with every number and its source."""
    page = _Page(out)
    out.print(Text(product.name, style="bold"))
    kind = "invented demo product" if product.invented else product.kind
    page.line(f"{product.id}: {kind}, {product.form}, dissolving: {product.dissolving.replace('-', ' ')}")
    if product.aliases:
        page.line(f"also: {', '.join(product.aliases)}", 0, 2)
    if product.hazards:
        page.line(f"hazards: {', '.join(product.hazards)}")
    if product.notes:
        page.line(product.notes)
    used: dict[str, int] = {}

    def mark(source: str) -> str:
        return f"[{used.setdefault(source, len(used) + 1)}]"

    page.head("Analysis, percent by mass")
    if product.grade:
        page.line(f"grade N-P2O5-K2O  {product.grade}", 2)
    for key, number in product.guaranteed.items():
        page.line(f"{NUTRIENTS[key].label:<28}{number.value:g} {mark(number.source)}", 2, 2)
    for part in product.content:
        share = part.mass_fraction
        page.line(f"{part.formula}: {100 * share.value:.4g} % of the mass {mark(share.source)} {share.note}", 2, 4)
    if product.content:
        page.line(
            "from the formula: "
            + ", ".join(
                f"{NUTRIENTS[key].label} {value:.4g}"
                for key in NUTRIENTS
                if (value := product.percent(key) or 0) > 0.005
            ),
            2,
            4,
        )
    if product.derived_from:
        page.line(f"derived from: {', '.join(product.derived_from)}", 2, 4)
    known = composition(product, catalog.product)
    for gap in known.gaps:
        page.line(f"not known: {gap}", 2, 4)
    for mixture in known.mixtures:
        page.head("Dissolves to, mol per kg product")
        page.line(
            ", ".join(
                f"{SPECIES[name].spoken} {moles:.4g}"
                for name, moles in mixture.species_mol_per_kg.items()
                if abs(moles) > 1e-9
            ),
            2,
            2,
        )
        if product.derived_from:
            page.line("made of: " + ", ".join(f"{100 * s:.3g} % {m}" for m, s in mixture.sources.items()), 2, 4)
    if product.density:
        d = product.density
        at = "" if d.temperature_c is None else f" at {d.temperature_c:.0f} degC"
        page.head("Density")
        page.line(f"{d.kg_per_l:.3f} kg/L ({d.kg_per_l * 8.345404:.2f} lb/gal){at} {mark(d.source)}", 2)
    if product.solubility:
        page.head("Solubility, g per 100 g water")
        for point in product.solubility:
            page.line(
                f"{point.temperature_c:>3.0f} degC  {point.g_per_100_g_water:g}  as {point.formula} "
                f"{mark(point.source)}",
                2,
            )
    if product.numbers:
        page.head("Other numbers")
        for key, number in product.numbers.items():
            note = f" ({number.note})" if number.note else ""
            page.line(f"{key.replace('_', ' ')} {number.value:g} {NUMBERS[key]} {mark(number.source)}{note}", 2, 4)
    sources = catalog.sources()
    if used:
        page.head("Sources")
        for key, number_of in used.items():
            source = sources.get(key)
            text = f"{source.citation} (seen: {source.seen})" if source else key
            page.line(f"[{number_of}] {text}", 2, 4)


def print_water(water: WaterTest, out: Console) -> None:
    """A water test."""
    page = _Page(out)
    out.print(Text(water.name or water.id, style="bold"))
    page.line(f"{water.id}: {'invented demo well' if water.invented else 'well'}. {water.notes}")
    rows: Mapping[str, object] = {
        "pH": water.ph,
        **{item: getattr(water, item) for item in CONCENTRATION_ITEMS},
        "temperature": water.temperature,
        "tested on": water.tested_on,
    }
    for key, value in rows.items():
        if value is not None:
            page.line(f"{key:<14}{value}", 0, 2)


def print_rules(rules: Sequence[Rule], out: Console) -> None:
    """All rules, one line each, by family."""
    page = _Page(out)
    family = ""
    for rule in rules:
        if rule.family != family:
            family = rule.family
            page.head(family)
        page.line(f"{rule.name:<34}{rule.asks}", 2, 34)


def print_rule(rule: Rule, out: Console) -> None:
    """One rule in full."""
    page = _Page(out)
    out.print(Text(rule.name, style="bold"))
    page.line(f"family: {rule.family}; can say: {', '.join(level.name.lower() for level in rule.levels)}")
    page.line(rule.asks)
    for head, text in (("In plain words", rule.plain), ("Chemistry", rule.chemistry), ("Cure", rule.cure)):
        page.head(head)
        page.line(text, 2)
    page.head("Sources")
    for source in rule.sources:
        page.line(f"- {source}", 2, 2)
