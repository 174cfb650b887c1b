"""An answer's numbers in words: how far from the edge, what decides, how it was asked."""

from __future__ import annotations

from ...catalog.quantity import units
from ..answer.verdict import Decider, Verdict
from ..ask.pour import Pour, PouredProduct
from ..ask.ranges import value_words

#: mg/L of calcium as hardness, mg/L CaCO3.
_CACO3_PER_CALCIUM = 2.497


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


def _times(item: PouredProduct, factor: float) -> str:
    number, unit = units.split_number(item.amount)
    return f"{number * factor:.3g} {unit} {item.name}"


def margin_words(verdict: Verdict, pour: Pour) -> list[str]:
    """How far the verdict is from its edge, one line each, the amount first; empty where nothing turns it."""
    margin, here, stop = verdict.margin, verdict.margin.measured_from, verdict.verdict == "stop"
    lines = []
    if (factor := margin.amount_factor) is not None:
        amounts = " + ".join(_times(item, factor) for item in pour.product)
        if len(pour.product) > 1:
            amounts += f" ({factor:.3g} times as much)"
        if stop:
            lines.append(f"No longer stopped at {amounts} or {'less' if factor < 1 else 'more'}.")
        else:
            lines.append(f"Pour at {'most' if factor > 1 else 'least'} {amounts}.")
    if (ratio := margin.injection_ratio) is not None:
        weaker = ratio > here["injection_ratio"]
        if stop:
            lines.append(f"No longer stopped at 1:{ratio:.0f} {'or weaker' if weaker else 'or stronger'}.")
        else:
            lines.append(f"Good down to 1:{ratio:.0f}." if not weaker else f"Not weaker than 1:{ratio:.0f}.")
    for name, what in (
        ("water_calcium_mg_per_l", "mg/L calcium in the water"),
        ("water_hardness_mg_per_l_caco3", "mg/L CaCO3 hardness"),
        ("water_alkalinity_mg_per_l_caco3", "mg/L CaCO3 alkalinity"),
        ("water_ph", "water pH"),
    ):
        value = getattr(margin, name)
        if value is None:
            continue
        shown = f"{what} {value:.1f}" if name == "water_ph" else f"{value:.3g} {what}"
        hardness = verdict.water.hardness_mg_per_l_caco3 if verdict.water else None
        if name == "water_calcium_mg_per_l" and hardness is not None:
            total = hardness + _CACO3_PER_CALCIUM * (value - here[name])
            shown += f" (hardness {total:.0f} mg/L CaCO3)"
        lines.append(_side(shown, value > here[name], stop))
    for name, place in (("temperature_c", "line"), ("bucket_temperature_c", "bucket")):
        value = getattr(margin, name)
        if value is None:
            continue
        shown = f"{value:.0f} degC ({value * 1.8 + 32:.0f} degF) in the {place}"
        above = value > here[name]
        if stop:
            lines.append(_side(shown, above, stop))
        else:
            lines.append(f"Not {'above' if above else 'below'} {shown}.")
    return lines


def _side(shown: str, above: bool, stop: bool) -> str:
    if stop:
        return f"No longer stopped {'from' if above else 'below'} {shown}."
    return f"Good {'up' if above else 'down'} to {shown}."


def decider_words(decider: Decider) -> str:
    """What an unknown verdict turns on, and where."""
    if decider.turns_at is None:
        return f"{decider.input}: {decider.told or 'decides together with something else that is not known'}"
    value, spread = value_words(decider.turns_at, decider.unit, decider.low or 0.0, decider.high or 0.0)
    return f"{decider.input}: trouble {decider.trouble} {value}{spread}"
