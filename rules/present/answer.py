"""A verdict as plain text: the verdict first, then where, the numbers, what to do; one screen, or all of it."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from ..answer.verdict import Finding, SolutionState, Swap, Verdict
from ..ask.pour import Pour
from .page import STYLE, Page
from .words import decider_words, margin_words, pour_words

#: Solids nearer to saturation than this are worth a line.
_NEAR_SI = -0.3
#: Findings that are told in full without --more; of the others, and of other lists, so many are named.
_TOLD, _NAMED = 2, 4
#: Swaps and words on the margin that are shown without --more.
_MOST_SWAPS, _MOST_MARGINS = 2, 3


def print_verdict(verdict: Verdict, pour: Pour, out: Console, *, more: bool = False) -> None:
    """A verdict as a grower reads it: one screen, or all of it."""
    page = Page(out)
    word = verdict.verdict.upper()
    first, *rest = textwrap.wrap(_summary(verdict, more), out.width - len(word) - 2, break_on_hyphens=False)
    out.print(Text(word, style=STYLE[verdict.verdict]) + Text(f"  {first}", style="bold"))
    for part in rest:
        out.print(Text(" " * (len(word) + 2) + part, style="bold"))
    page.line(pour_words(pour))
    if more:
        _all(page, verdict, pour)
    else:
        _screen(page, verdict, pour)


def _summary(verdict: Verdict, more: bool) -> str:
    """The summary; without --more it names a few rules."""
    head, colon, names = verdict.summary.partition(": ")
    return verdict.summary if more or not colon else f"{head}: {_and_more(names.rstrip('.').split(', '), _NAMED)}."


def _screen(page: Page, verdict: Verdict, pour: Pour) -> None:
    """The answer at the bucket: what is wrong, what decides, how far, what instead, how to make it up."""
    told = [f for f in verdict.findings if f.level != "note"]
    lead = [f for f in told if f.level == told[0].level][: 1 if verdict.decided_by else _TOLD]
    if lead:
        page.line()
    for finding in lead:
        _short_finding(page, finding, decided=bool(verdict.decided_by) or verdict.verdict == "stop")
    if others := [f"{f.rule} ({f.level})" for f in told if f not in lead]:
        page.line("Also " + _and_more(others, _NAMED), 2, 2)
    page.line()
    for decider in verdict.decided_by:
        page.item("Decides", [decider_words(decider)])
        page.item("Find out", [decider.find_out])
    page.item("Edge", margin_words(verdict, pour)[:_MOST_MARGINS])
    page.item("Instead", [_swap_words(swap) for swap in verdict.swaps[:_MOST_SWAPS]])
    if not verdict.decided_by:  # their ranges are too wide to tell anything
        page.item("Numbers", _in_short(verdict))
    page.item("Make up", [_made_up(verdict, pour)] if verdict.bucket else [])
    notes = [f for f in verdict.findings if f.level == "note"]
    mind = [f.message for f in notes if f.where in {"people", "equipment"} and f.rule != "lifting-and-label"]
    page.item("Mind", [*mind, "Label, safety data sheet and local code come before this answer."])
    page.item("Turned", [f"{f.rule}: {f.turned}" for f in verdict.findings if f.turned])
    swept = [_swept_name(text) for text in verdict.assumed if "swept" in text]
    page.item("Not known", [_and_more(swept, _NAMED)] if swept else [])
    page.line()
    others = [note.rule for note in notes if note.where not in {"people", "equipment"}]
    tail = f" Notes: {_and_more(others, 1)}." if others else ""
    page.line(f"--more shows every number, step and source.{tail}", 2)


def _and_more(names: Sequence[str], most: int) -> str:
    """Names with commas; beyond some of them, how many more."""
    shown = ", ".join(names[:most])
    return shown if len(names) <= most else f"{shown} and {len(names) - most} more"


def _swept_name(text: str) -> str:
    """What was swept, from the words of an assumption."""
    name = text.split(": swept", 1)[0].removesuffix(" not stated").removesuffix(" stated as a range")
    return "injection ratio (dial)" if name.endswith("read off a dial") else name


def _finding_head(page: Page, finding: Finding) -> None:
    head = Text(f"  {finding.where:<10}") + Text(finding.level.upper(), style=STYLE[finding.level])
    page.out.print(head + Text(f"  {finding.rule}"))


def _short_finding(page: Page, finding: Finding, *, decided: bool) -> None:
    """A finding in a few lines: its message and the first thing to do. decided: what it turns on is told elsewhere."""
    _finding_head(page, finding)
    message = finding.message
    for cut in (" There: ", "in part of the range: "):
        if decided and cut in message:
            message = "In part of what is open: " + message.split(cut, 1)[1]
    page.line(message, 4)
    steps = [step for step in finding.do if not (decided and step.startswith("Find out:"))]
    for step in steps[:1]:
        page.line(f"> {step}", 4, 2)


def _decided(page: Page, verdict: Verdict) -> None:
    if not verdict.decided_by:
        return
    page.head("What decides")
    for decider in verdict.decided_by:
        page.line(decider_words(decider), 2, 2)
        page.line(f"> Find out: {decider.find_out}.", 4, 2)


def _in_short(verdict: Verdict) -> list[str]:
    """pH and EC of bucket and line in one line, and the class of the water."""
    parts = []
    for name, state in (("bucket", verdict.bucket), ("line", verdict.line)):
        if state is not None:
            ec = "" if state.ec_ms_per_cm is None else f" EC {_span(state, 'ec_ms_per_cm', state.ec_ms_per_cm, '.3g')}"
            parts.append(f"{name} pH {_span(state, 'ph', state.ph, '.1f')}{ec}")
    lines = [f"{'; '.join(parts)} mS/cm"] if parts else []
    if verdict.water is not None and verdict.water.worst not in {None, "slight"}:
        items = [n.replace("_", " ") for n, grade in verdict.water.clogging.items() if grade == verdict.water.worst]
        names = ", ".join("pH" if name == "ph" else name for name in items)
        lines.append(f"water alone: {verdict.water.worst} clogging class ({names})")
    return lines


def _making(state: SolutionState, pour: Pour) -> tuple[float, float, str] | None:
    """Water that goes in, what it makes, and their unit: gallons where the bucket is in gallons, else liters."""
    if state.volume_l is None or state.water_poured_l is None:
        return None
    unit, liters = ("gal", 3.785411784) if "gal" in pour.bucket.measure else ("L", 1.0)
    return state.water_poured_l / liters, state.volume_l / liters, unit


def _made_up(verdict: Verdict, pour: Pour) -> str:
    """How much water goes in, what it makes, and what the full bucket weighs."""
    assert verdict.bucket is not None
    making = _making(verdict.bucket, pour)
    if making is None:
        return "as usual"
    water, made, unit = making
    words = f"{water:.3g} {unit} of water, made up {made:.3g} {unit}"
    kg = [f.because.get("full_bucket_kg") for f in verdict.findings if f.rule == "lifting-and-label"]
    return words + (f"; full bucket {kg[0]:.0f} kg ({kg[0] * 2.20462:.0f} lb)" if kg and kg[0] else "")


def _swap_words(swap: Swap) -> str:
    return f"{swap.verdict.upper():<8}" + " + ".join(f"{p.amount} {p.name}" for p in swap.products)


def _all(page: Page, verdict: Verdict, pour: Pour) -> None:
    """Everything: findings with numbers and sources, solutions, solids, margins, swaps, notes, assumptions."""
    told = [f for f in verdict.findings if f.level != "note"]
    if told:
        page.head("What happens")
        for finding in told:
            _finding(page, finding)
    _decided(page, verdict)
    _numbers(page, verdict)
    _making_up(page, verdict, pour)
    _labels(page, verdict)
    _water(page, verdict)
    if lines := margin_words(verdict, pour):
        page.head("How far from the edge")
        for text in lines:
            page.line(f"- {text}", 2, 2)
    if verdict.swaps:
        page.head(f"Instead of {' and '.join(verdict.swaps[0].replaces)} (same nitrogen and potassium)")
        _swaps(page, verdict.swaps)
    page.head("Mind")
    for note in verdict.findings:
        if note.level == "note":
            _finding(page, note)
    page.line("- Label, safety data sheet and local code come before this answer.", 2, 2)
    if verdict.assumed:
        page.head("Assumed")
        for text in verdict.assumed:
            page.line(f"- {text}", 2, 2)
    _dissolved(page, verdict)


def _labels(page: Page, verdict: Verdict) -> None:
    for label in verdict.labels:
        if not label.mol_per_kg:
            continue
        page.head(f"In {label.product}, mol per kg: best estimate, then least and most")
        for name, bounds in label.mol_per_kg.items():
            page.line(f"{name:<34}{bounds.best:<10.4g}{bounds.low:.4g} to {bounds.high:.4g}", 2)


def _water(page: Page, verdict: Verdict) -> None:
    water = verdict.water
    if water is None:
        return
    page.head("The water alone")
    for name, grade in water.clogging.items():
        shown = "pH" if name == "ph" else name.replace("_", " ")
        page.line(f"{shown:<26}{grade} clogging class", 2)
    if water.hardness is not None:
        page.line(f"{'hardness':<26}{water.hardness_mg_per_l_caco3:.0f} mg/L CaCO3, {water.hardness}", 2)
    if water.above_2_5_meq_per_l:
        page.line(f"{'above 2.5 meq/L':<26}{', '.join(water.above_2_5_meq_per_l)}", 2, 26)
    if water.charge_off_percent is not None:
        page.line(f"{'cations over anions':<26}{water.charge_off_percent:+.1f} %", 2)


def _finding(page: Page, finding: Finding) -> None:
    _finding_head(page, finding)
    page.line(finding.message, 4)
    if finding.turned:
        page.line(finding.turned, 4)
    for step in finding.do:
        page.line(f"> {step}", 4, 2)
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


def _numbers(page: Page, verdict: Verdict) -> None:
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
    if near:
        page.out.print(Text("  solids near saturation".ljust(43) + "index".ljust(17) + "comes out"))
        for name, spoken, index, amount in near:
            shown = textwrap.shorten(spoken, 31, placeholder="..")
            page.out.print(Text(f"  {name:<8}{shown:<33}{index:<17}{amount}"))
    weak = [name for name, state in states if not state.within_validity]
    if weak:
        page.line(
            f"The {' and '.join(weak)} is stronger than the activity model is good for: numbers there are "
            "estimates, and what is near the edge is called unknown.",
            2,
        )


def _making_up(page: Page, verdict: Verdict, pour: Pour) -> None:
    """How much water goes in for the volume that was asked for, and what the other way would make."""
    state = verdict.bucket
    making = _making(state, pour) if state is not None else None
    if state is None or making is None:
        return
    water, made, unit = making
    words = f"Making up: {water:.3g} {unit} of water and the products make {made:.3g} {unit}"
    if state.density_kg_per_l is not None:
        words += f" of {state.density_kg_per_l:.3g} kg/L"
    words += "."
    other = made + (made - water)
    if pour.bucket.volume and other > 1.01 * made:
        words += f" (Adding them to {made:.3g} {unit} of water would make {other:.3g} {unit}.)"
    page.line(words, 2)


def _swaps(page: Page, swaps: Sequence[Swap]) -> None:
    for swap in swaps:
        page.line(_swap_words(swap), 2, 9)


def print_swaps(swaps: Sequence[Swap], out: Console) -> None:
    """Swaps of a pour."""
    page = Page(out)
    if not swaps:
        page.line("No swap: the pour has no phosphorus, or the catalog holds nothing that fits.")
        return
    first = swaps[0]
    page.line(
        f"Instead of {' and '.join(first.replaces)}: {first.nitrogen_kg:g} kg nitrogen and {first.potash_kg:g} kg "
        "potash (K2O), without phosphorus"
    )
    _swaps(page, swaps)


def _dissolved(page: Page, verdict: Verdict) -> None:
    for name, state in (("bucket", verdict.bucket), ("line", verdict.line)):
        if state is None:
            continue
        page.head(f"Dissolved in the {name}, mg/L")
        for key, value in state.ions_mg_per_l.items():
            page.line(f"{key.replace('_', ' '):<26}{_span(state, key, value, '.3g')}", 0, 0)
        page.line(f"model: {state.model}")
