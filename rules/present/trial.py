"""The ratio of an injector from a trial, as plain text."""

from __future__ import annotations

from rich.console import Console

from ...catalog.quantity.units import L_PER_GAL
from ..ask.trial import InjectorTrial, MeasuredRatio
from .page import Page


def print_ratio(found: MeasuredRatio, trial: InjectorTrial, out: Console) -> None:
    """What the readings come to, and how a pour takes it."""
    page = Page(out)
    page.line(f"{found.best_text}, stock to water (with the errors of reading: {found.text})")
    went_by = f"{trial.water} of water" if trial.water is not None else f"{trial.flow} of water for {trial.minutes}"
    drawn = [f"{trial.drawn} drawn, {went_by}"]
    if found.drawn_l_per_min is not None:
        own = (
            f"{found.drawn_l_per_min / L_PER_GAL:.3g} gal/min"
            if trial.drawn.system == "us"
            else f"{found.drawn_l_per_min:.3g} L/min"
        )
        drawn.append(f"{own} drawn")
    page.line("; ".join(drawn) + ".", 2, 2)
    page.line(f'In a pour: --inject "{found.text}" --injector measured', 2, 2)
    page.line(
        "It holds for this pressure and flow: measure again after another block, valve, hose or filter; thick stock is "
        "drawn more slowly than water.",
        2,
        2,
    )
