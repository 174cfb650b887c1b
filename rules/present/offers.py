"""What to pour instead, in words: swaps, splits and remedies."""

from __future__ import annotations

from ...catalog.nutrients import NUTRIENTS
from ..answer.verdict import Split, Swap, Swaps
from .words import and_list

#: As growers say them; the oxides of a label are potash and phosphate.
_NUTRIENT_WORDS = {"n": "nitrogen", "k2o": "potash", "p2o5": "phosphate", "cl": "chloride", "s": "sulfur"}
_NITROGEN_FORMS = {"n_nitrate": "nitrate", "n_ammonium": "ammonium", "n_urea": "urea"}


def swap_words(swap: Swap) -> str:
    """What a swap pours, after its verdict."""
    return " + ".join(f"{product.amount} {product.name}" for product in swap.products)


def swap_head(swaps: Swaps) -> str:
    """What a swap is for."""
    return f"Instead of {and_list(swaps.replaces)}, without {and_list(swaps.without)}, for the same {_kept(swaps)}:"


def _kept(swaps: Swaps) -> str:
    return and_list(_NUTRIENT_WORDS.get(key, NUTRIENTS[key].words[0]) for key in swaps.keeps)


def swap_notes(swap: Swap) -> str:
    """How a swap differs from what it replaces: how near it comes, in which form the nitrogen is, what is lost and what
    it brings besides, its salt and its cost."""
    said = []
    off = [f"{_NUTRIENT_WORDS.get(key, key)} {share:+.1f} %" for key, share in swap.off_percent.items() if share]
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
            _NUTRIENT_WORDS.get(key, NUTRIENTS[key].words[0])
            for key, brought in swap.brings.items()
            if key not in _NITROGEN_FORMS and getattr(brought, side) > 2.0 * getattr(brought, other)
        ]
        if found:
            said.append(f"{word} {and_list(found)}")
    if swap.salt is not None:
        said.append(f"salt {swap.salt:g} times")
    if swap.cost is not None:
        said.append(f"cost {swap.cost:g}")
    notes = [f"{product.name}: {product.regulated}" for product in swap.products if product.regulated]
    return "; ".join([*said, *notes])


def no_swap_words(swaps: Swaps) -> str:
    """Why no swap is offered, and what comes nearest."""
    if not swaps.replaces:
        return f"No swap: nothing in the pour holds {and_list(swaps.without)}."
    if swaps.rest:
        return f"No swap helps: what stays in the pour is trouble by itself ({', '.join(swaps.rest)})."
    nearest = swaps.nearest
    if nearest is None:
        return f"No swap: the catalog holds nothing without {and_list(swaps.without)} to take its place."
    poured = f"The nearest: {swap_words(nearest)} ({nearest.verdict}"
    if nearest.verdict in {"clear", "caution"}:
        off = ", ".join(f"{_NUTRIENT_WORDS.get(key, key)} {share:+.0f} %" for key, share in nearest.off_percent.items())
        return f"No swap: nothing in the catalog brings the same {_kept(swaps)}. {poured}), but {off}."
    return f"No swap passes; {swaps.looked_at} looked at. {poured}: {', '.join(nearest.rules)})."


def split_words(split: Split) -> str:
    """The buckets of a split."""
    buckets = "; ".join(
        " + ".join(one.products) + (f", {one.portions} such buckets" if one.portions > 1 else "")
        for one in split.buckets
    )
    return f"{split.count} buckets, one after the other, and flush the line with clear water in between: {buckets}"
