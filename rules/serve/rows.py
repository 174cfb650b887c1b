"""Rows of lists as programs read them, the same on the command line and over HTTP: products, wells, rules."""

from __future__ import annotations

from typing import Literal, Self

from ...catalog import Match, Well
from ..answer.verdict import Result
from ..judge.rule import Family, Rule


class FoundProduct(Result):
    """A product that a search found. why: what fits; score: 100 for the best; not_for_drip, no_fertilizer: why not, ""
    where nothing speaks against it; not_known: what was to be left out and may be in it."""

    id: str
    name: str
    grade: str
    form: str
    why: str
    score: float
    not_for_drip: str
    no_fertilizer: str
    not_known: tuple[str, ...]

    @classmethod
    def of(cls, match: Match) -> Self:
        """The row of a match."""
        product = match.product
        return cls(
            id=product.id,
            name=product.name,
            grade=product.grade,
            form=product.form,
            why=match.why,
            score=round(match.score, 1),
            not_for_drip=match.not_for_drip,
            no_fertilizer=match.no_fertilizer,
            not_known=tuple(match.not_known),
        )


class WellRow(Result):
    """A well: how many water tests it has, and the day of the newest; null where it has none or that is undated."""

    id: str
    name: str
    tests: int
    newest: str | None

    @classmethod
    def of(cls, well: Well) -> Self:
        """The row of a well."""
        newest = well.test[-1].tested_on if well.test else None
        return cls(id=well.id, name=well.name, tests=len(well.test), newest=newest)


class RuleRow(Result):
    """A rule: where its fault shows, what it can say when everything is known, and the question it answers."""

    name: str
    family: Family
    levels: tuple[Literal["note", "caution", "unknown", "stop"], ...]
    asks: str

    @classmethod
    def of(cls, rule: Rule) -> Self:
        """The row of a rule."""
        return cls.model_validate(_row(rule))


class RuleText(RuleRow):
    """A rule explained: for a grower, for a chemist, what mends it, and where limits and facts come from.
    may_be_lowered: whether a region's policy may have it at a lower level."""

    may_be_lowered: bool
    plain: str
    chemistry: str
    cure: str
    sources: tuple[str, ...]

    @classmethod
    def of(cls, rule: Rule) -> Self:
        """A rule with its texts."""
        texts = {name: getattr(rule, name) for name in ("may_be_lowered", "plain", "chemistry", "cure", "sources")}
        return cls.model_validate(_row(rule) | texts)


def _row(rule: Rule) -> dict[str, object]:
    levels = tuple(level.name.lower() for level in rule.levels)
    return {"name": rule.name, "family": rule.family, "levels": levels, "asks": rule.asks}
