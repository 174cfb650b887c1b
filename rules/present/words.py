"""The only sentences of an answer, made from its data: for the terminal, for JSON and for pages alike."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from ...catalog.quantity.numbers import in_figures
from ...catalog.quantity.table import ALKALINITY, CALCIUM, HARDNESS, PH, QUANTITIES
from ..answer.verdict import Decision, Edge, Finding, JarSeen, Number, SolutionState, Verdict
from ..ask.assumed import Assumed
from ..ask.pour import Pour
from ..judge.advice import STRONGEST_RATIO, WEAKEST_RATIO

#: mg/L of calcium as hardness, mg/L CaCO3.
_CACO3_PER_CALCIUM = 2.497
#: Units that the name of an input says already.
_UNSPOKEN_UNITS = {"pH", "mol/mol", "parts of water per part of stock"}
_BY_KEY = {quantity.key: quantity for quantity in QUANTITIES.values()}
LIFTING = "lifting-and-label"
#: Rules on what a product is: less of it is the same.
PRODUCT_ITSELF = frozenset({"insoluble-source", "slow-release-source", "particles-in-product"})
_LITERS_PER_GALLON, _LB_PER_KG = 3.785411784, 2.20462


def worded(verdict: Verdict) -> Verdict:
    """The verdict with its sentences."""
    findings = tuple(
        finding.model_copy(
            update={
                "message": finding_words(finding),
                "do": tuple(steps(finding)),
                "sources": tuple(source_words(source) for source in finding.sources),
            }
        )
        for finding in verdict.findings
    )
    return verdict.model_copy(update={"summary": summary(verdict), "findings": findings})


# --- the verdict ----------------------------------------------------------------------------------


def summary(verdict: Verdict) -> str:
    """The headline: what forms, where and what it does."""
    worst = next((finding for finding in verdict.findings if finding.level != "note"), None)
    if worst is None:
        text = "No problem found in what was checked."
    elif verdict.verdict == "stop" and worst.level != "stop":
        text = "However the unknowns fall, something stops this pour."
    else:
        text = worst.headline
    return text + (f" Milder by {verdict.lowered_by}." if verdict.lowered_by else "")


def capital(text: str) -> str:
    """A text with a capital at its start."""
    return text[:1].upper() + text[1:]


def and_list(names: Iterable[str]) -> str:
    """Names as a list in words.

    >>> and_list(["urea"]), and_list(["urea", "MAP", "MKP"])
    ('urea', 'urea, MAP and MKP')
    """
    *rest, last = names
    return f"{', '.join(rest)} and {last}" if rest else last


def and_more(names: Sequence[str], most: int) -> str:
    """Names with commas; beyond some of them, how many more."""
    shown = ", ".join(names[:most])
    return shown if len(names) <= most else f"{shown} and {len(names) - most} more"


# --- findings -------------------------------------------------------------------------------------

#: Numbers of the chemistry and names of minerals; a message has them in brackets.
_CHEMISTRY = re.compile(
    r" \((?=[^()]*\b(?:index|ion product|ionic strength|precipitated|"
    r"brushite|calcite|carnallite|glaserite|hopeite|malachite|newberyite|octacalcium|ochre|picromerite|siderite|"
    r"strengite|struvite|syngenite|vivianite)\b)[^()]*\)"
)


def plainly(message: str) -> str:
    """A message without what stands in brackets for a chemist.

    >>> plainly("3 g/L of calcium phosphate (brushite) forms (saturation index +0.25, pH 6.7).")
    '3 g/L of calcium phosphate forms.'
    """
    return _CHEMISTRY.sub("", message)


def source_words(source: str) -> str:
    """A source as a reader is told it.

    >>> source_words("from memory: safety data sheets")
    'safety data sheets (not checked against print)'
    """
    told = source.removeprefix("from memory: ")
    if told != source:
        return f"{told} (not checked against print)"
    return told.replace("from memory", "not checked against print")


def going_on(happens: str, verdict: Verdict) -> str:
    """What happens, plainly, as the rest of a sentence: its first letter small but in names."""
    text = plainly(happens)
    named = any(text.startswith(product.name[:1].upper() + product.name[1:]) for product in verdict.pour.products)
    return text if named or text[1:2].isupper() else text[:1].lower() + text[1:]


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
        spread = f" ({in_figures(low)} to {in_figures(high)} with the rest of what is not known)"
    return f"{in_figures(at)}" + ("" if unit in _UNSPOKEN_UNITS else f" {unit}"), spread


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


def decides_words(turn: Decision) -> str:
    """The same for a grower: how soon there may be trouble, whatever else is not known."""
    name = turn.input[0].upper() + turn.input[1:]
    if turn.turns_at is None or turn.low is None or turn.high is None:
        return f"{name}: {choice_words(turn) or 'together with something else that is not known'}."
    value, _ = value_words(turn.turns_at, turn.unit, turn.low, turn.high)
    soonest = turn.low if turn.worse_when == "above" else turn.high
    sooner = abs(soonest - turn.turns_at) > 0.02 * max(abs(turn.turns_at), 1e-9)
    perhaps = f", perhaps from {value_words(soonest, turn.unit, soonest, soonest)[0]} on" if sooner else ""
    return f"{name}: trouble {turn.worse_when} {value}{perhaps}."


# --- what was asked and what was assumed ----------------------------------------------------------


def pour_words(pour: Pour, verdict: Verdict) -> str:
    """What was asked, in one line, with the grade that each product was taken for."""
    meant = [product.meant or product.name for product in verdict.pour.products]
    names = [f"{item.amount} {name}" for item, name in zip(pour.product, meant, strict=True)]
    what = " + ".join(names)
    how = "in" if pour.bucket.volume else "added to"
    text = f"{what} {how} {pour.bucket.measure}" + ("" if pour.bucket.volume else " of water")
    if pour.injection.ratio:
        text += f", {pour.injection.ratio}"
    elif pour.injection.suction:
        text += f", drawn in at {pour.injection.suction} into {pour.injection.flow}"
    if pour.water is None:
        return f"{text}, water not stated"
    return text + (" into " if pour.injection.ratio else ", ") + (pour.water.name or pour.water.id or "water as tested")


def making_words(verdict: Verdict, pour: Pour) -> str:
    """How much water goes in, what it makes, and what the full bucket weighs; "" where it was not computed."""
    making = made_up(verdict.bucket, pour)
    if making is None:
        return ""
    water, made, unit = making
    text = f"Put in {in_figures(water)} {unit} of water for {in_figures(made)} {unit}"
    full = [
        f.numbers["full_bucket"].value for f in verdict.findings if f.rule == LIFTING and "full_bucket" in f.numbers
    ]
    if full:
        us = pour.bucket.measure.system == "us"
        text += f" ({f'{full[0] * _LB_PER_KG:.0f} lb' if us else f'{full[0]:.0f} kg'} full)"
    return text + "."


def made_up(state: SolutionState | None, pour: Pour) -> tuple[float, float, str] | None:
    """Water that goes in, what it makes, and their unit: gallons where the bucket is in US units, else liters."""
    if state is None or state.volume is None or state.water_poured is None:
        return None
    unit, liters = ("gal", _LITERS_PER_GALLON) if pour.bucket.measure.system == "us" else ("L", 1.0)
    return state.water_poured.value / liters, state.volume.value / liters, unit


def assumed_words(one: Assumed) -> str:
    """One assumption."""
    spoken = QUANTITIES[one.input].spoken if one.input in QUANTITIES else one.input.replace("_", " ")
    about = ", ".join(one.about)
    swept = (
        f"{in_figures(one.low)} to {in_figures(one.high)} {one.unit}"
        if one.low is not None and one.high is not None
        else ""
    )
    return {
        "not-stated": f"{spoken} not stated: swept {swept}",
        "bounded-by-test": f"{spoken} not tested: the rest of the test leaves {swept}",
        "stated-as-range": f"{spoken} stated as a range: swept {swept}",
        "read-off-setting": f"{spoken} set, not measured: swept {swept}",
        "unit-in-doubt": f"{spoken}: as typed, or in grains per gallon",
        "volume-of-dry": f"{about}: a level measure of a dry product weighs {swept}",
        "ounces-of-liquid": f"{about}: by weight or fluid ounces, {swept} by weight",
        "volume-of-some-grade": f"{about}: weighs {swept}, by its grade",
        "grade-not-stated": f"{one.about[0] if one.about else ''}: grade not stated, tried as "
        + " and as ".join(one.about[1:]),
        "not-tested-taken-as-none": f"not tested, taken as none (no part in any solid here): {about}",
        "filled-up-to-volume": "bucket filled with this water up to its volume; ratio is stock to water",
        "added-to-water": "the products go into this much water; ratio is stock to water",
        "cooling-not-counted": f"no heat of solution on record, cooling not counted: {about}",
        "activity-estimated": f"bucket: no measured activity parameters, estimated with their error: {about}",
    }[one.why]


#: What is assumed of a number that is not known, or not well.
_OF_NUMBERS = {"not-stated", "bounded-by-test", "stated-as-range", "read-off-setting", "unit-in-doubt"}


def open_words(assumed: Sequence[Assumed], *, no_water_test: bool = False) -> list[str]:
    """Names of what was swept because it is not known; of a water without a test all at once."""
    swept = [one for one in assumed if one.why in _OF_NUMBERS]
    weights = [f"weight of {one.about[0]}" for one in assumed if one.why in {"volume-of-dry", "ounces-of-liquid"}]
    grades = [f"grade of {one.about[0]}" for one in assumed if one.why == "grade-not-stated"]
    names = [
        "true ratio" if one.why == "read-off-setting" else QUANTITIES[one.input].spoken
        for one in swept
        if one.input in QUANTITIES
    ]
    if no_water_test:
        names = ["water", *(name for name in names if not name.startswith("water "))]
    places = [name.removesuffix(" temperature") for name in names if name.endswith(" temperature")]
    if len(places) > 1:
        names = [name for name in names if not name.endswith(" temperature")]
        names.append(f"{' and '.join(places)} temperature")
    return grades + weights + names


# --- edges ----------------------------------------------------------------------------------------


def edge_words(verdict: Verdict, pour: Pour) -> list[str]:
    """How far the verdict is from its edge, a line for each number that turns it, the amount first."""
    return [one_edge_words(edge, verdict, pour) for edge in verdict.edges]


def no_amount_words(verdict: Verdict) -> str:
    """That no amount makes it clear, where smaller amounts were tried and none does; "" else."""
    stopped = [finding for finding in verdict.findings if finding.level == verdict.verdict]
    if verdict.verdict not in {"stop", "caution"} or not stopped:
        return ""
    if any(f.where == "people" and f.level == "stop" for f in stopped):
        return "No amount makes it clear."
    amount = verdict.edge("amount_factor")
    if amount is not None:
        return "" if amount.better is not None else "No amount makes it clear."
    return "No amount makes it clear." if any(rule in PRODUCT_ITSELF for rule in (f.rule for f in stopped)) else ""


def one_edge_words(edge: Edge, verdict: Verdict, pour: Pour, *, short: bool = False) -> str:
    """How far one number is from where the verdict turns. short: no value that no injector reaches, no name twice."""
    parts = []
    if short and edge.better is not None and not _within_reach(edge, edge.better.value):
        parts.append(f"No setting in an injector's reach {_ENDS[verdict.verdict]}.")
    elif edge.better is not None:
        side = _further(edge, edge.better.value < edge.now)
        at = f"at {_moved(edge, edge.better.value, verdict, pour)} or {side}"
        if edge.better.verdict == "unknown":
            parts.append(f"The stop ends {at} (then: unknown).")
        else:
            parts.append(f"{edge.better.verdict.capitalize()} {at}.")
    if edge.worse is not None:
        up = edge.worse.value > edge.now
        beyond = _moved(edge, edge.worse.value, verdict, pour, named=not (short and parts and len(pour.product) == 1))
        then = f"{edge.worse.verdict.capitalize()} from there."
        parts.append(f"Stays {verdict.verdict} {'up' if up else 'down'} to {beyond}. {then}")
    return " ".join(parts)


#: What a better value would do, where none of them is within reach.
_ENDS = {"stop": "ends the stop", "unknown": "settles it", "caution": "makes it clear", "clear": "makes it better"}


def _within_reach(edge: Edge, value: float) -> bool:
    """Whether an injector of a small farm can be set to it; anything else can be had."""
    return edge.input != "injection_ratio" or STRONGEST_RATIO <= value <= WEAKEST_RATIO


def _further(edge: Edge, low: bool) -> str:
    if edge.input == "injection_ratio":
        return "stronger" if low else "weaker"
    if edge.unit == "degC":
        return "colder" if low else "warmer"
    return "less" if low else "more"


def _moved(edge: Edge, value: float, verdict: Verdict, pour: Pour, *, named: bool = True) -> str:
    """What the pour or the water is like at a value of an edge. named: products are called by their names."""
    if edge.input == "amount_factor":
        amounts = " + ".join(
            f"{item.amount.times(value)} {item.name if named else ''}".rstrip() for item in pour.product
        )
        return amounts + (f" ({in_figures(value)} times as much)" if len(pour.product) > 1 else "")
    if edge.input == "injection_ratio":
        return f"1:{value:.0f}"
    if edge.unit == "degC":
        place = _BY_KEY[edge.input].spoken.split()[0]
        return f"{value:.0f} degC ({value * 1.8 + 32:.0f} degF) in the {place}"
    shown = {
        PH.key: f"water pH {value:.1f}",
        CALCIUM.key: f"{in_figures(value)} mg/L calcium in the water",
        HARDNESS.key: f"{in_figures(value)} mg/L CaCO3 hardness",
        ALKALINITY.key: f"{in_figures(value)} mg/L CaCO3 alkalinity",
    }[edge.input]
    hardness = verdict.water.hardness_mg_per_l_caco3 if verdict.water else None
    if edge.input == CALCIUM.key and hardness is not None:
        shown += f" (hardness {hardness + _CACO3_PER_CALCIUM * (value - edge.now):.0f} mg/L CaCO3)"
    return shown


# --- jar tests --------------------------------------------------------------------------------------


def jar_words(jar: JarSeen) -> str:
    """A jar test, and how it goes with what is predicted."""
    by = f" by {jar.by}" if jar.by else ""
    told = f"{jar.made_on}{by}: {', '.join(jar.seen)}"
    if jar.agrees is None:
        return f"{told}."
    if jar.agrees:
        return f"{told}, as predicted."
    if jar.trouble:
        return f"{told}. That is not predicted: do not pour before it is known what formed."
    return f"{told}. That is not what is predicted, and lowers nothing: amounts, water and time may differ."


# --- numbers ------------------------------------------------------------------------------------


def span_words(number: Number, form: str) -> str:
    """A number, or its range where it varies."""
    low, high = format(number.low, form), format(number.high, form)
    return low if low == high else f"{low} to {high}"


def number_words(name: str, number: Number) -> str:
    """A finding's number with its unit and range."""
    unit = f" {number.unit}" if number.unit else ""
    spread = f" ({number.low:g} to {number.high:g})" if number.varies else ""
    return f"{name} = {number.value:g}{unit}{spread}"
