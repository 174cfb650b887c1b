"""A verdict as plain text: the first screen, or all of it."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from ..answer.verdict import Acids, Finding, Remedies, Remedy, Split, Splits, Swap, Swaps, Verdict
from ..ask.pour import Pour
from . import offers, words
from .page import STYLE, Page
from .screen import headline, print_screen

#: Solids nearer to saturation than this are worth a line.
_NEAR_SI = -0.3
_LABEL_FIRST = "Label, safety data sheet and local code come before this answer."


def print_verdict(verdict: Verdict, pour: Pour, out: Console, *, more: bool = False) -> None:
    """A verdict as a grower reads it: one screen, or all of it."""
    page = Page(out)
    if more:
        headline(page, verdict, verdict.summary)
        page.line(words.pour_words(pour, verdict))
        _all(page, verdict, pour)
    else:
        print_screen(page, verdict, pour)


def print_head(verdict: Verdict, out: Console) -> None:
    """The verdict and its headline alone."""
    headline(Page(out), verdict, verdict.summary)


def _finding_head(page: Page, finding: Finding) -> None:
    head = Text(f"  {finding.where:<10}") + Text(finding.level.upper(), style=STYLE[finding.level])
    page.out.print(head + Text(f"  {finding.rule}"))


def _decided(page: Page, verdict: Verdict) -> None:
    if not verdict.decided_by:
        return
    page.head("What decides")
    for turn in verdict.decided_by:
        page.line(words.decision_words(turn), 2, 2)
        page.line(f"> Find out: {turn.find_out}.", 4, 2)


def _swap_line(swap: Swap) -> str:
    return f"{swap.verdict.upper():<8}{offers.swap_words(swap)}{' (sold here)' if swap.sold_here else ''}"


def _all(page: Page, verdict: Verdict, pour: Pour) -> None:
    """Everything: findings with numbers and sources, solutions, solids, edges, swaps, notes, assumptions."""
    speaking = [f for f in verdict.findings if f.level != "note"]
    if speaking:
        page.head("What happens")
        for finding in speaking:
            _finding(page, finding)
    _decided(page, verdict)
    _numbers(page, verdict)
    _making_up(page, verdict, pour)
    _contents(page, verdict)
    _water(page, verdict)
    if lines := words.edge_words(verdict, pour):
        page.head("How far from the edge")
        for text in lines:
            page.line(f"- {text}", 2, 2)
    if verdict.splits:
        page.head("In several buckets")
        for split in verdict.splits:
            page.line(f"{split.verdict.upper():<8}{offers.split_words(split)}", 2, 10)
            _never_together(page, split)
    if verdict.remedies:
        page.head("What mends it")
        _remedies(page, verdict.remedies)
    if verdict.swaps:
        page.head(f"Instead of {' and '.join(verdict.swaps[0].replaces)} (same nitrogen and potassium)")
        _swaps(page, verdict.swaps)
    if verdict.jars:
        page.head("Jar tests of the same products")
        for jar in verdict.jars:
            page.line(f"- {words.jar_words(jar)}", 2, 2)
            water = f", in water of {jar.water}" if jar.water else ""
            page.line(f"{' + '.join(jar.products)}{water}{f'. {jar.note}' if jar.note else ''}", 4, 2)
    page.head("Mind")
    for note in verdict.findings:
        if note.level == "note":
            _finding(page, note)
    page.line(f"- {_LABEL_FIRST}", 2, 2)
    page.head("Assumed")
    for one in verdict.assumed:
        page.line(f"- {words.assumed_words(one)}", 2, 2)
    _dissolved(page, verdict)
    page.head("Rests on")
    for record in verdict.used:
        what = ", ".join(filter(None, [record.grade, f"tested on {record.tested_on}" if record.tested_on else None]))
        page.line(f"{record.kind} {record.name}{f' ({what})' if what else ''}, revision {record.revision}", 2, 2)
    page.line(f"{verdict.program.name} {verdict.program.version}, {verdict.schema_}", 2)


def _contents(page: Page, verdict: Verdict) -> None:
    for content in verdict.labels:
        if not content.species:
            continue
        page.head(f"In {content.product}, mol per kg: best estimate, then least and most")
        for name, amount in content.species.items():
            page.line(f"{name:<34}{amount.value:<10.4g}{amount.low:.4g} to {amount.high:.4g}", 2)


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
    if policy := words.policy_words(finding):
        page.line(policy, 4)
    for step in finding.do:
        page.line(f"> {step}", 4, 2)
    for name, number in finding.numbers.items():
        page.line(words.number_words(name, number), 6)
    for source in finding.sources:
        page.line(f"source: {source}", 6, 2)


def _numbers(page: Page, verdict: Verdict) -> None:
    states = [(name, state) for name, state in (("bucket", verdict.bucket), ("line", verdict.line)) if state]
    if not states:
        return
    page.head("The numbers")
    rows = [["".ljust(0), *(name for name, _ in states)]]
    for title, field, form in (
        ("temperature, degC", "temperature", ".0f"),
        ("pH", "ph", ".1f"),
        ("ionic strength, mol/kg", "ionic_strength", ".2g"),
        ("pH once in the air", "ph_in_air", ".1f"),
        ("EC, mS/cm", "ec", ".3g"),
    ):
        cells = []
        for _, state in states:
            number = getattr(state, field)
            beyond = "" if field == "ph_in_air" else "beyond the model"
            cells.append(beyond if number is None else words.span_words(number, form))
        rows.append([title, *cells])
    for row in rows:
        page.out.print(Text("  " + row[0].ljust(24) + "".join(cell.ljust(22) for cell in row[1:]).rstrip()))
    near = []
    for name, state in states:
        for solid in state.solids:
            index, amount = solid.saturation_index, solid.precipitated
            if index.high < _NEAR_SI:
                continue
            shown = f"{index.value:+.2f}" if index.high - index.low < 0.01 else f"{index.low:+.2f} to {index.high:+.2f}"
            forms = "not counted"
            if amount is not None:
                unit, scale = ("g/L", 1000.0) if amount.high > 1000.0 else ("mg/L", 1.0)
                least, most = amount.low / scale, amount.high / scale
                forms = f"{most:.0f} {unit}" if most - least < 0.5 else f"{least:.0f}-{most:.0f} {unit}"
            near.append((name, solid.solid, shown, forms))
    if near:
        page.out.print(Text("  solids near saturation".ljust(43) + "index".ljust(17) + "precipitates"))
        for name, spoken, index_shown, forms in near:
            short = textwrap.shorten(spoken, 31, placeholder="..")
            page.out.print(Text(f"  {name:<8}{short:<33}{index_shown:<17}{forms}"))
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
    making = words.made_up(state, pour)
    if state is None or making is None:
        return
    water, made, unit = making
    text = f"Making up: {water:.3g} {unit} of water and the products make {made:.3g} {unit}"
    if state.density is not None:
        text += f" of {state.density.value:.3g} kg/L"
    text += "."
    other = made + (made - water)
    if pour.bucket.volume and other > 1.01 * made:
        text += f" (Adding them to {made:.3g} {unit} of water would make {other:.3g} {unit}.)"
    page.line(text, 2)


def _swaps(page: Page, swaps: Sequence[Swap]) -> None:
    for swap in swaps:
        page.line(_swap_line(swap), 2, 10)
        if notes := offers.swap_notes(swap):
            page.line(notes, 10)


def print_swaps(swaps: Swaps, out: Console) -> None:
    """Swaps of a pour, or why there are none."""
    page = Page(out)
    if not swaps.offered:
        page.line(offers.no_swap_words(swaps))
        return
    page.line(offers.swap_head(swaps))
    _swaps(page, swaps.offered)
    if swaps.proven:
        page.line("No blend of up to three products of the catalog fits better than the first.", 0)
    else:
        page.line(f"The best of {swaps.looked_at} blends that were looked at.", 0)
    page.line(_LABEL_FIRST)


def print_splits(splits: Splits, out: Console) -> None:
    """The fewest buckets of a pour, or why there are none."""
    page = Page(out)
    if not splits.needed:
        page.line("It may stay in one bucket.")
    elif not splits.offered:
        page.line("No number of buckets helps: what is trouble by itself needs another source, amount or water.")
        for one in splits.alone:
            page.line(f"{one.verdict.upper():<8}{' + '.join(one.products)}: {offers.briefly(one.rules)}", 2, 10)
    for i, split in enumerate(splits.offered):
        page.head(f"{'Or' if i else 'In'} {split.count} buckets")
        for one in split.buckets:
            times = f"{one.portions} times " if one.portions > 1 else ""
            page.line(f"{one.verdict.upper():<8}{times}{' + '.join(one.products)}", 2, 10)
            if one.order:
                page.line(one.order, 10, 7)
        if split.never_together:
            page.line("On different days; flush the line with clear water after each.", 2, 2)
        else:
            page.line("One after the other; flush the line with clear water in between.", 2, 2)
        _never_together(page, split)
    if splits.offered:
        page.line(_LABEL_FIRST)


def print_remedies(remedies: Remedies, out: Console) -> None:
    """What mends a pour, or that nothing does."""
    page = Page(out)
    if not remedies.offered:
        page.line(offers.no_remedy_words(remedies))
        return
    page.line(f"{remedies.verdict.upper()} as it is. What mends it, each checked:")
    _remedies(page, remedies.offered)
    page.line(_LABEL_FIRST)


def _remedies(page: Page, remedies: Sequence[Remedy]) -> None:
    for one in remedies:
        page.line(f"{one.verdict.upper():<8}{offers.remedy_words(one)}", 2, 10)
    if any(one.kind in {"acid", "phosphorus-as-acid"} for one in remedies):
        page.line(f"Acid: {offers.ACID_CARE}", 2, 10)


def print_acids(acids: Acids, out: Console) -> None:
    """Acid for a pour or a water, with its cautions."""
    page = Page(out)
    if not acids.offered:
        page.line(offers.no_acid_words(acids))
        return
    page.line(offers.acids_head(acids))
    for one in acids.offered:
        page.line(f"{one.verdict.upper():<8}{offers.acid_offer_words(one)}", 2, 10)
    page.line(f"Acid: {offers.ACID_CARE}", 0, 6)


def _never_together(page: Page, split: Split) -> None:
    for first, other in split.never_together:
        page.line(f"Never {first} and {other} in one event, nor in one vessel: on different days.", 2, 2)


def _dissolved(page: Page, verdict: Verdict) -> None:
    for name, state in (("bucket", verdict.bucket), ("line", verdict.line)):
        if state is None:
            continue
        page.head(f"Dissolved in the {name}, mg/L")
        for ion, amount in state.ions.items():
            page.line(f"{ion.replace('_', ' '):<26}{words.span_words(amount, '.3g')}", 0, 0)
        page.line(f"model: {state.model}")
