"""The main job: a pour and a catalog in, a verdict out."""

from __future__ import annotations

from collections.abc import Mapping

from ..catalog import Catalog
from .answer.assess import assess, one_thread
from .answer.verdict import Depth, Verdict
from .ask.pour import Pour
from .ask.question import ask
from .families.registry import rule_named
from .instead.split import splits_of
from .instead.swap import swaps_for
from .present.words import worded

#: Of so many products at most the split is looked for without being asked for: of three 7 sets are checked, of six 63.
_SPLIT_UNASKED = 3
#: Swaps that are looked for without being asked for, and how many blends are checked for them at most.
_SWAPS, _SWAPS_CHECKED = 2, 6


def check(pour: Pour | Mapping[str, object], catalog: Catalog, *, depth: Depth = "edges") -> Verdict:
    """May this pour go through drip?

    pour: a Pour, or plain data of the pour schema. depth: "verdict" for the verdict and what the rules find; "numbers":
    bucket and line in numbers too; "edges": how far it is from turning, what decides and swaps as well, which takes ten
    times as long.
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
        question = ask(pour, catalog)
        verdict = worded(assess(question, depth))
        blamed = (rule_named(finding.rule) for finding in verdict.findings if finding.level != "note")
        if depth == "edges" and any(rule.swap_helps for rule in blamed):
            swaps = swaps_for(question, catalog, offered=_SWAPS, checked=_SWAPS_CHECKED).offered
            verdict = verdict.model_copy(update={"swaps": swaps})
        if depth == "edges" and verdict.verdict in {"stop", "unknown"} and 1 < len(pour.product) <= _SPLIT_UNASKED:
            verdict = verdict.model_copy(update={"splits": splits_of(question, catalog).offered})
        return verdict
