"""The only sentences of an answer, made from its data: for the terminal, for JSON and for pages alike."""

from __future__ import annotations

from collections.abc import Sequence

from ...catalog.quantity.table import ALKALINITY, CALCIUM, HARDNESS, PH, QUANTITIES
from ..answer.verdict import Decision, Edge, Finding, Number, Swap, Verdict
from ..ask.assumed import Assumed
from ..ask.pour import Pour

#: mg/L of calcium as hardness, mg/L CaCO3.
_CACO3_PER_CALCIUM = 2.497
#: Units that the name of an input says already.
_UNSPOKEN_UNITS = {"pH", "mol/mol", "parts of water per part of stock"}
_BY_KEY = {quantity.key: quantity for quantity in QUANTITIES.values()}


def worded(verdict: Verdict) -> Verdict:
    """The verdict with its sentences."""
    findings = tuple(
        finding.model_copy(update={"message": finding_words(finding), "do": tuple(steps(finding))})
        for finding in verdict.findings
    )
    return verdict.model_copy(update={"summary": summary(verdict), "findings": findings})


# --- the verdict ----------------------------------------------------------------------------------


def summary(verdict: Verdict, most: int | None = None) -> str:
    """The headline; most: so many rules are named, and how many more there are."""
    level = verdict.verdict
    names = [finding.rule for finding in verdict.findings if finding.level == level]
    if level == "stop" and names:
        text = f"Do not pour this: {_listed(names, most)}"
    elif level == "stop":
        names = [finding.rule for finding in verdict.findings if finding.level == "unknown"]
        text = f"However the unknowns fall, one of these stops the pour: {_listed(names, most)}"
    elif level == "unknown":
        text = f"Not known to be safe: {_listed(names, most)}"
    elif level == "caution":
        text = f"Can be poured with care: {_listed(names, most)}"
    else:
        text = "No problem found in what was checked"
    return text + (f", by {verdict.lowered_by}." if verdict.lowered_by else ".")


def _listed(names: Sequence[str], most: int | None) -> str:
    return ", ".join(names) if most is None else and_more(names, most)


def and_more(names: Sequence[str], most: int) -> str:
    """Names with commas; beyond some of them, how many more."""
    shown = ", ".join(names[:most])
    return shown if len(names) <= most else f"{shown} and {len(names) - most} more"


# --- findings -------------------------------------------------------------------------------------


def finding_words(finding: Finding) -> str:
    """A finding in full: what happens, and for what part of what is not known."""
    if finding.level != "unknown" or finding.scenarios == "all":
        return finding.happens
    turns = "; ".join(turn_words(turn) for turn in finding.turns)
    where = f" It turns at {turns}." if turns else ""
    return f"Your data leave this open.{where} For some possible values: {finding.happens}"


def steps(finding: Finding) -> list[str]:
    """What to do about a finding: what to find out first, then its cures."""
    return list(dict.fromkeys([*(f"Find out: {turn.find_out}." for turn in finding.turns), *finding.cures]))


def policy_words(finding: Finding) -> str:
    """What a region's policy made of a finding; "" where nothing."""
    by = finding.lowered_by or finding.raised_by
    if by is None:
        return ""
    verb = "lowered" if finding.lowered_by else "raised"
    return f"{finding.own_level} {verb} to {finding.level} by {by}: {finding.reason}"


def value_words(at: float, unit: str, low: float, high: float) -> tuple[str, str]:
    """A value at which something turns, with its unit, and the spread of it over what else is not known."""
    spread = ""
    if high - low > 0.02 * max(abs(high), 1e-9):
        spread = f" ({low:.3g} to {high:.3g} with the rest of what is not known)"
    return f"{at:.3g}" + ("" if unit in _UNSPOKEN_UNITS else f" {unit}"), spread


def turn_words(turn: Decision) -> str:
    """One clause on what a finding turns on."""
    if turn.turns_at is None:
        return f"{turn.input} ({choice_words(turn) or 'together with what else is not known'})"
    value, spread = value_words(turn.turns_at, turn.unit, turn.low or 0.0, turn.high or 0.0)
    return f"{turn.input} {value}: trouble {turn.worse_when}{spread}"


def choice_words(turn: Decision) -> str:
    """What decides where there is no number; "" where nothing was found."""
    parts = [f"trouble if {turn.worse_if}"] if turn.worse_if else []
    if turn.better_if:
        parts.append(f"none if {turn.better_if}")
    elif turn.worse_if:
        parts.append("no other that was tried is free of it")
    return "; ".join(parts)


def decision_words(turn: Decision) -> str:
    """What an unknown verdict turns on, and where."""
    if turn.turns_at is None:
        return f"{turn.input}: {choice_words(turn) or 'decides together with something else that is not known'}"
    value, spread = value_words(turn.turns_at, turn.unit, turn.low or 0.0, turn.high or 0.0)
    return f"{turn.input}: trouble {turn.worse_when} {value}{spread}"


# --- what was asked and what was assumed ----------------------------------------------------------


def pour_words(pour: Pour) -> str:
    """What was asked, in one line."""
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


def assumed_words(one: Assumed) -> str:
    """One assumption."""
    spoken = QUANTITIES[one.input].spoken if one.input in QUANTITIES else one.input.replace("_", " ")
    about = ", ".join(one.about)
    swept = f"{one.low:.3g} to {one.high:.3g} {one.unit}" if one.low is not None and one.high is not None else ""
    return {
        "not-stated": f"{spoken} not stated: swept {swept}",
        "stated-as-range": f"{spoken} stated as a range: swept {swept}",
        "read-off-setting": f"{spoken} read off a dial: swept {swept}",
        "unit-in-doubt": f"{spoken}: as typed, or in grains per gallon",
        "volume-of-dry": f"{about}: a level measure of a dry product weighs {swept}",
        "ounces-of-liquid": f"{about}: by weight or fluid ounces, {swept} by weight",
        "not-tested-taken-as-none": f"not tested, taken as none (no part in any solid here): {about}",
        "filled-up-to-volume": "bucket filled with this water up to its volume; ratio is stock to water",
        "added-to-water": "the products go into this much water; ratio is stock to water",
        "cooling-not-counted": f"no heat of solution on record, cooling not counted: {about}",
        "activity-estimated": f"bucket: no measured activity parameters, estimated with their error: {about}",
    }[one.why]


def open_words(assumed: Sequence[Assumed]) -> list[str]:
    """Names of what was swept because it is not known."""
    swept = [
        one for one in assumed if one.why in {"not-stated", "stated-as-range", "read-off-setting", "unit-in-doubt"}
    ]
    weights = [f"weight of {one.about[0]}" for one in assumed if one.why in {"volume-of-dry", "ounces-of-liquid"}]
    return weights + [
        QUANTITIES[one.input].spoken + (" (dial)" if one.why == "read-off-setting" else "")
        for one in swept
        if one.input in QUANTITIES
    ]


# --- edges ----------------------------------------------------------------------------------------


def edge_words(verdict: Verdict, pour: Pour) -> list[str]:
    """How far the verdict is from its edge, a line for each number that turns it, the amount first."""
    return [_edge(edge, verdict, pour) for edge in verdict.edges]


def _edge(edge: Edge, verdict: Verdict, pour: Pour) -> str:
    parts = []
    if edge.better is not None:
        side = _further(edge, edge.better.value < edge.now)
        at = f"at {_moved(edge, edge.better.value, verdict, pour)} or {side}"
        if edge.better.verdict == "unknown":
            parts.append(f"The stop ends {at}; then unknown.")
        else:
            parts.append(f"{edge.better.verdict.capitalize()} {at}.")
    if edge.worse is not None:
        up = edge.worse.value > edge.now
        beyond = _moved(edge, edge.worse.value, verdict, pour)
        parts.append(f"Stays {verdict.verdict} {'up' if up else 'down'} to {beyond}; {edge.worse.verdict} beyond.")
    return " ".join(parts)


def _further(edge: Edge, low: bool) -> str:
    if edge.input == "injection_ratio":
        return "stronger" if low else "weaker"
    if edge.unit == "degC":
        return "colder" if low else "warmer"
    return "less" if low else "more"


def _moved(edge: Edge, value: float, verdict: Verdict, pour: Pour) -> str:
    """What the pour or the water is like at a value of an edge."""
    if edge.input == "amount_factor":
        amounts = " + ".join(f"{item.amount.times(value)} {item.name}" for item in pour.product)
        return amounts + (f" ({value:.3g} times as much)" if len(pour.product) > 1 else "")
    if edge.input == "injection_ratio":
        return f"1:{value:.0f}"
    if edge.unit == "degC":
        place = _BY_KEY[edge.input].spoken.split()[0]
        return f"{value:.0f} degC ({value * 1.8 + 32:.0f} degF) in the {place}"
    shown = {
        PH.key: f"water pH {value:.1f}",
        CALCIUM.key: f"{value:.3g} mg/L calcium in the water",
        HARDNESS.key: f"{value:.3g} mg/L CaCO3 hardness",
        ALKALINITY.key: f"{value:.3g} mg/L CaCO3 alkalinity",
    }[edge.input]
    hardness = verdict.water.hardness_mg_per_l_caco3 if verdict.water else None
    if edge.input == CALCIUM.key and hardness is not None:
        shown += f" (hardness {hardness + _CACO3_PER_CALCIUM * (value - edge.now):.0f} mg/L CaCO3)"
    return shown


# --- swaps and numbers ----------------------------------------------------------------------------


def swap_words(swap: Swap) -> str:
    """What a swap pours, after its verdict."""
    return " + ".join(f"{product.amount} {product.name}" for product in swap.products)


def span_words(number: Number, form: str) -> str:
    """A number, or its range where it varies."""
    low, high = format(number.low, form), format(number.high, form)
    return low if low == high else f"{low} to {high}"


def number_words(name: str, number: Number) -> str:
    """A finding's number with its unit and range."""
    unit = f" {number.unit}" if number.unit else ""
    spread = f" ({number.low:g} to {number.high:g})" if number.varies else ""
    return f"{name} = {number.value:g}{unit}{spread}"
