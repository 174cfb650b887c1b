"""What to pour instead, in words: swaps, splits and remedies."""

from __future__ import annotations

from collections.abc import Sequence

from ...catalog.nutrients import NUTRIENTS
from ..answer.verdict import AcidDose, AcidOffer, Acids, Number, Remedies, Remedy, Split, Swap, Swaps
from ..families.registry import rule_named
from ..judge.advice import KEPT_WITHIN_C, PROTECT
from .words import and_list, capital

#: As growers say them; the oxides of a label are potash and phosphate.
_NUTRIENT_WORDS = {"n": "nitrogen", "k2o": "potash", "p2o5": "phosphate", "cl": "chloride", "s": "sulfur"}
_NITROGEN_FORMS = {"n_nitrate": "nitrate", "n_ammonium": "ammonium", "n_urea": "urea"}


def _nutrient_word(key: str) -> str:
    return _NUTRIENT_WORDS.get(key, NUTRIENTS[key].words[0])


def swap_words(swap: Swap) -> str:
    """What a swap pours, after its verdict."""
    return " + ".join(f"{product.amount} {product.name}" for product in swap.products)


def swap_head(swaps: Swaps) -> str:
    """What a swap is for."""
    return f"Instead of {and_list(swaps.replaces)}, without {and_list(swaps.without)}, for the same {_kept(swaps)}:"


def _kept(swaps: Swaps) -> str:
    return and_list(_nutrient_word(key) for key in swaps.keeps)


def swap_notes(swap: Swap) -> str:
    """How a swap differs from what it replaces: how near it comes, in which form the nitrogen is, what is lost and what
    it brings besides, its salt and its cost."""
    said = []
    off = [f"{_nutrient_word(key)} {share:+.1f} %" for key, share in swap.off_percent.items() if share]
    if off:
        said.append(", ".join(off))
    before, after = (
        {key for key in _NITROGEN_FORMS if getattr(swap.brings.get(key), side, 0.0) > 0.0}
        for side in ("before_kg", "after_kg")
    )
    if before != after and before and after:
        names = [and_list(_NITROGEN_FORMS[key] for key in _NITROGEN_FORMS if key in one) for one in (after, before)]
        said.append(f"nitrogen as {names[0]} instead of {names[1]}")
    for word, side in (("without its", "before_kg"), ("brings", "after_kg")):
        other = "after_kg" if side == "before_kg" else "before_kg"
        found = [
            _nutrient_word(key)
            for key, brought in swap.brings.items()
            if key not in _NITROGEN_FORMS and getattr(brought, side) > 2.0 * getattr(brought, other)
        ]
        if found:
            said.append(f"{word} {and_list(found)}")
    if swap.salt is not None:
        said.append(f"salt {swap.salt:g} times what it was")
    if swap.cost is not None:
        said.append(f"cost {swap.cost:g}")
    notes = [f"{product.name}: {product.regulated}" for product in swap.products if product.regulated]
    return "; ".join([*said, *notes])


def no_swap_words(swaps: Swaps) -> str:
    """Why no swap is offered, and what comes nearest."""
    if not swaps.replaces:
        return f"No swap: nothing in the pour holds {and_list(swaps.without)}."
    if swaps.rest:
        return f"No swap helps: what stays in the pour is trouble by itself ({briefly(swaps.rest)})."
    if not swaps.keeps:
        kinds = and_list(swaps.without)
        return (
            f"No swap: without {kinds}, nothing is left of {and_list(swaps.replaces)} that something else could bring."
        )
    nearest = swaps.nearest
    if nearest is None:
        return f"No swap: the catalog holds nothing without {and_list(swaps.without)} to take its place."
    if any(abs(share) > 100.0 for share in nearest.off_percent.values()):
        return f"No swap: it is too little {_kept(swaps)} to measure out another source of it."
    poured = f"The nearest: {swap_words(nearest)} ({nearest.verdict}"
    if nearest.verdict in {"clear", "caution"}:
        off = ", ".join(f"{_nutrient_word(key)} {share:+.0f} %" for key, share in nearest.off_percent.items())
        return f"No swap: nothing in the catalog brings the same {_kept(swaps)}. {poured}), but {off}."
    return f"No swap passes; {swaps.looked_at} blends were looked at. {poured}: {briefly(nearest.rules)})."


def briefly(names: Sequence[str]) -> str:
    """What rules speak of, as a list."""
    return ", ".join(rule_named(name).brief or name for name in names)


#: How buckets of a split follow each other.
IN_TURN = "one after the other, and flush the line with clear water in between"


def split_words(split: Split) -> str:
    """The buckets of a split."""
    buckets = "; ".join(
        " + ".join(one.products) + (f", {one.portions} such buckets" if one.portions > 1 else "")
        for one in split.buckets
    )
    how = "on different days, and flush the line with clear water after each" if split.never_together else IN_TURN
    return f"{split.count} buckets, {how}: {buckets}"


#: What goes with every acid that is advised.
ACID_CARE = (
    f"{PROTECT} Acid into water, never water into acid; into the bucket before the fertilizers. Only by who is trained "
    "for it and licensed where the law asks so; label, safety data sheet and local codes come first."
)


def remedy_words(remedy: Remedy) -> str:
    """What to change, in a sentence."""
    text = _change_words(remedy)
    if remedy.settings and remedy.kind != "settings":
        text = f"{text}; and {and_list(remedy.settings)}"
    if remedy.lost:
        lost = and_list(_nutrient_word(key) for key in remedy.lost)
        text = f"{text} ({lost} {'is' if len(remedy.lost) == 1 else 'are'} then to come from elsewhere)"
    return f"{text}."


def _change_words(remedy: Remedy) -> str:
    to, poured = remedy.to, " + ".join(remedy.buckets[0].products)
    match remedy.kind:
        case "settings":
            return capital(and_list(remedy.settings))
        case "less":
            return f"Pour less in a fill: {poured}"
        case "bigger-bucket":
            return f"Fill up to {to:g} {remedy.unit} instead of {remedy.now:.3g}, and inject all of it"
        case "weaker-ratio" | "stronger-ratio":
            return f"Set the injector to 1:{to:g}"
        case "warmer-bucket" | "cooler-bucket":
            return f"Have the water in the bucket at {_degrees(remedy)}"
        case "warmer-line":
            return f"Feed while the line is at {_degrees(remedy)}, later in the day"
        case "cooler-line":
            return f"Feed while the line is at {_degrees(remedy)}: early, or on a cooler day"
        case "rain-water":
            return f"Use {100 * (to or 0.0):.0f} % rain water, in the bucket and in the line"
        case "leave-out":
            return f"Leave out {remedy.unit}"
        case "swap":
            return f"Pour instead {poured}"
        case "split":
            parts = (
                " + ".join(one.products) + (f", {one.portions} such buckets" if one.portions > 1 else "")
                for one in remedy.buckets
            )
            how = "on different days, and flush after each"
            if not remedy.never_together:
                how = "one after the other, and flush in between"
            return f"Make {to:g} buckets, {how}: {'; '.join(parts)}"
        case "acid":
            assert remedy.acid is not None
            return _acid_words(remedy.acid)
        case "phosphorus-as-acid":
            rest = f", and the rest in another: {' + '.join(remedy.buckets[1].products)}" if remedy.buckets[1:] else ""
            return f"Give the phosphate as acid in a bucket of its own: {poured}{rest}"


def _acid_words(acid: AcidDose) -> str:
    text = f"Add {acid.amount} {acid.name} to the fill: the line comes to pH {acid.ph.value:.1f}"
    if acid.kg_per_hour is not None:
        text += f", at {_span(acid.kg_per_hour)} an hour"
    if acid.adds_mg_per_l:
        text += f"; it adds {_added(acid)}"
    return text


def acids_head(acids: Acids) -> str:
    """What the acids are for."""
    assert acids.ph is not None
    ends = dict.fromkeys(f"{end:.1f}" for end in (acids.ph.low, acids.ph.high))
    return f"To bring the line from pH {' to '.join(ends)} to pH {acids.target_ph:g}, closed to the air, one of these:"


def acid_offer_words(offer: AcidOffer) -> str:
    """How much of an acid, what it adds, and what speaks against it."""
    dose = offer.dose
    said = [f"{dose.amount} {dose.name} in a fill ({dose.percent_of_stock.value:.2g} % of the stock)"]
    if dose.liters_per_1000_l is not None:
        said.append(f"{_ends(dose.liters_per_1000_l)} gal in 1,000 gal of the line's water, or L in 1,000 L")
    if dose.kg_per_hour is not None:
        said.append(f"{_ends(dose.kg_per_hour)} kg an hour")
    said.append(f"the line then lies at pH {dose.ph.low:.1f} to {dose.ph.high:.1f}")
    if dose.adds_mg_per_l:
        said.append(f"it adds {_added(dose)}")
    if offer.rules:
        said.append(f"mind: {', '.join(rule_named(name).brief or name for name in offer.rules)}")
    return "; ".join(said)


def no_acid_words(acids: Acids) -> str:
    """Why no acid is told."""
    match acids.refused:
        case "":
            if not acids.needed:
                return f"No acid is needed: the line is at pH {acids.target_ph:g} or below without."
            return "No acid is told: too little of it is needed to be measured, or the bucket does not hold it."
        case "chlorinated":
            return "Never acid into a system while it is chlorinated: chlorine gas. Stop that and flush first."
        case "sulfide":
            return "Never acid into this water: it sets hydrogen sulfide free, a toxic gas. Aerate it first."
        case "not known":
            return "No acid is told: it is not known what is in this bucket, and so not what acid would set free."
        case name:
            return f"Never acid in one bucket with {name}: it would set a gas free, gel or fall apart."


def _ends(number: Number) -> str:
    """A number, or its range where that is wider than a figure."""
    return " to ".join(dict.fromkeys(f"{end:.2g}" for end in (number.low, number.high)))


def _added(acid: AcidDose) -> str:
    return and_list(f"{number.value:.0f} mg/L {_nutrient_word(key)}" for key, number in acid.adds_mg_per_l.items())


def _span(number: Number) -> str:
    ends = dict.fromkeys(f"{end:.2g}" for end in (number.low, number.high))
    return f"{' to '.join(ends)} {number.unit.removesuffix('/h')}"


def _degrees(remedy: Remedy) -> str:
    """The temperatures that were asked again."""
    assert remedy.to is not None
    low, high = remedy.to - KEPT_WITHIN_C, remedy.to + KEPT_WITHIN_C
    return f"{low:.0f} to {high:.0f} degC ({low * 1.8 + 32:.0f} to {high * 1.8 + 32:.0f} degF)"


def no_remedy_words(remedies: Remedies) -> str:
    """Why nothing is offered."""
    if remedies.verdict == "clear":
        return "There is nothing to mend: it is clear."
    text = (
        "Nothing that can be changed here mends it: amount, ratio, bucket, temperatures, rain water, several buckets, "
        f"another source, acid. What stands in the way: {briefly(remedies.beyond)}."
    )
    if remedies.verdict == "unknown":
        text += " What to find out first is told by check."
    return text
