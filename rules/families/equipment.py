"""Rules of the equipment at the injector."""

from __future__ import annotations

from ..case import Case
from ..rule import Level, Outcome, Rule, same
from .advice import DEFER


def _backflow(case: Case) -> Outcome | None:
    fitted = case.question.pour.site.backflow_preventer
    if fitted:
        return None
    do = (
        "Fit a backflow preventer, a vacuum relief and a check valve on the injection line before you inject.",
        DEFER,
    )
    if fitted is None:
        return Outcome(
            same(case, Level.NOTE),
            lambda _: "Backflow preventer not stated: do not inject without one.",
            do=do,
        )
    return Outcome(
        same(case, Level.STOP),
        lambda _: (
            "No backflow preventer: when pressure drops, the stock is sucked into the well or the drinking water."
        ),
        do=do,
    )


RULES = (
    Rule(
        name="backflow-preventer-missing",
        family="equipment",
        levels=(Level.STOP, Level.NOTE),
        asks="Is the water source kept safe from the stock?",
        plain="A Venturi works both ways: when the pump stops, the line sucks the bucket into the well.",
        chemistry="Hydraulics, not chemistry: back-siphonage when supply pressure falls below the line's.",
        cure="Backflow preventer as local code says: check valve upstream, vacuum relief, low-pressure drain, injection-line "
        "check valve.",
        sources=(
            "UF/IFAS HS1306: backflow devices are required on systems with injection",
            "WAC 16-202-310 and 16-202-1014: check valve also next to a Venturi",
        ),
        check=_backflow,
    ),
)
