"""The main job: a pour and a catalog in, a verdict out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..catalog import Catalog
from .answer.assess import Weighed, assess, one_thread, weigh
from .answer.verdict import Depth, Verdict
from .ask.pour import Pour
from .ask.question import ask
from .judge.advice import SPLIT_UNASKED
from .judge.rule import Level
from .present.words import worded

if TYPE_CHECKING:
    from .instead.recheck import Again
    from .instead.swap import Search

#: Swaps that are looked for without being asked for, and how many blends are checked for them at most.
_SWAPS, _SWAPS_CHECKED = 2, 6
#: Remedies that are told.
_REMEDIES = 3


def check(pour: Pour | Mapping[str, object], catalog: Catalog, *, depth: Depth = "edges") -> Verdict:
    """May this pour go through drip?

    pour: a Pour, or plain data of the pour schema. depth: "verdict" for the verdict and what the rules find; "numbers":
    bucket and line in numbers too; "edges": how far it is from turning, what decides and what to do instead as well,
    which takes ten times as long or more.
    Raises: InputError: what is wrong with the pour, where, and how to mend it.

    >>> from pourcheck import Catalog, check
    >>> with Catalog.open("sqlite://") as catalog:
    ...     pour = {"product": [{"name": "rock phosphate", "amount": "1 lb"}], "bucket": {"volume": "5 gal"}}
    ...     verdict = check(pour, catalog, depth="numbers")
    >>> verdict.verdict, verdict.findings[0].rule
    ('stop', 'insoluble-source')
    """
    pour = Pour.parse(pour)
    with one_thread(), catalog.snapshot():
        weighed = weigh(ask(pour, catalog))
        if depth != "edges":
            return worded(assess(weighed, depth))
        instead = _Instead.of(weighed, catalog)
        verdict = worded(assess(weighed, depth))
        return verdict if instead is None else verdict.model_copy(update=instead.found())


@dataclass(frozen=True)
class _Instead:
    """What to do instead, as far as it is looked for without being asked for: each changed pour is asked once. swaps:
    the search for them, where they may help, begun as soon as that is known."""

    weighed: Weighed
    again: Again
    swaps: Search | None

    @classmethod
    def of(cls, weighed: Weighed, catalog: Catalog) -> _Instead | None:
        """For a pour that was weighed; None where it stands and no swap helps."""
        helps = any(one.rule.swap_helps and one.overall > Level.NOTE for one in weighed.judged)
        if weighed.answer not in {"stop", "unknown"} and not helps:
            return None
        from .instead.once import added_up
        from .instead.recheck import Again
        from .instead.swap import swaps_begun

        added = added_up(weighed.question)
        if added is not weighed.question.pour:
            weighed = weigh(ask(added, catalog))
        again = Again(weighed.question, catalog)
        again.know(weighed)
        swaps = swaps_begun(again, offered=_SWAPS, checked=_SWAPS_CHECKED) if helps else None
        return cls(weighed, again, swaps)

    def found(self) -> dict[str, object]:
        """Fields of the verdict."""
        from .instead.remedy import remedies_for
        from .instead.split import splits_of

        question, catalog, again = self.weighed.question, self.again.catalog, self.again
        found: dict[str, object] = {}
        if self.swaps is not None:
            found["swaps"] = self.swaps.swaps.offered
        stands = self.weighed.answer not in {"stop", "unknown"}
        if not stands and 1 < len(question.poured) <= SPLIT_UNASKED:
            found["splits"] = splits_of(question, catalog, again, why=False).offered
        if self.weighed.answer == "stop":  # what is not known is found out first
            found["remedies"] = remedies_for(self.weighed, catalog, apart=False, most=_REMEDIES, again=again).offered
        return found
