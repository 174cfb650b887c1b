"""What can simply be set or fitted for a pour: times, filter, backflow preventer, fittings, chlorination."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..ask.pour import Injection, Pour
from ..judge.advice import LEAST_MESH
from ..judge.rule import Judged, Level, overall

#: Nobody irrigates for longer than this to empty a bucket (design choice).
_MOST_INJECT_MIN = 240.0
_CHLORINATION = frozenset({"chlorine-gas", "chloramine", "bleach-with-feed"})


def set_right(pour: Pour, judged: Sequence[Judged]) -> tuple[Pour, tuple[str, ...], tuple[str, ...]]:
    """The pour with everything set as the rules that speak ask for; what that is, in words for a list; and the tables
    of the pour that it changes. None of it where nothing can be set."""
    injection: dict[str, object] = {}
    site: dict[str, object] = {}
    settings = []
    for one in judged:
        if overall(one.level) < Level.CAUTION:
            continue
        name, needed = one.rule.name, one.outcome.numbers.get("needed_min")
        if name in {"fill-too-short", "flush-too-short"} and needed is not None:
            field, minutes = name.removesuffix("-too-short"), float(np.ceil(np.max(needed)))
            injection[field] = f"{minutes:g} min"
            settings.append(f"{field} for {minutes:g} min")
        elif name == "injection-does-not-fit":
            # Feed that is left in the bucket goes in where the injector runs until it is empty.
            minutes = float(np.ceil(np.max(one.outcome.numbers["empties_in_min"])))
            if np.any(np.asarray(one.outcome.numbers.get("left_l", 0.0)) > 0.0) and minutes <= _MOST_INJECT_MIN:
                injection["inject"] = f"{minutes:g} min"
                settings.append(f"inject for {minutes:g} min")
        elif name == "filter-missing":
            site |= {"filter": True, "filter_mesh": LEAST_MESH}
            settings.append(f"fit a filter of {LEAST_MESH} mesh or finer after the injector")
        elif name == "backflow-preventer-missing":
            site["backflow_preventer"] = True
            settings.append("fit a backflow preventer")
        elif name in _CHLORINATION and pour.site.chlorination:
            site["chlorination"] = False
            settings.append("stop chlorination and flush before you feed")
        elif name == "corrodes-metal" and pour.site.fittings:
            site["fittings"] = ("plastic",)
            settings.append("run it through plastic fittings")
    changed = pour.model_copy(
        update={
            "injection": Injection.model_validate({**pour.injection.model_dump(exclude_none=True), **injection}),
            "site": type(pour.site).model_validate({**pour.site.model_dump(exclude_none=True), **site}),
        }
    )
    tables = tuple(name for name, fields in (("injection", injection), ("site", site)) if fields)
    return (changed if settings else pour), tuple(dict.fromkeys(settings)), tables
