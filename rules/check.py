"""The main job: a pour and a catalog in, a verdict out."""

from __future__ import annotations

from collections.abc import Mapping

from ..catalog import Catalog
from .answer.assess import Weighed, assess, one_thread, weigh
from .answer.verdict import Depth, Verdict
from .ask.pour import Pour
from .ask.question import ask
from .families.registry import rule_named
from .judge.advice import SPLIT_UNASKED
from .present.words import worded

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
        verdict = worded(assess(weighed, depth))
        return verdict if depth != "edges" else verdict.model_copy(update=_instead(weighed, verdict, catalog))


def _instead(weighed: Weighed, verdict: Verdict, catalog: Catalog) -> dict[str, object]:
    """What to do instead, as far as it is looked for without being asked for: each changed pour is asked once."""
    helps = any(rule_named(finding.rule).swap_helps for finding in verdict.findings if finding.level != "note")
    stands = verdict.verdict not in {"stop", "unknown"}
    if stands and not helps:
        return {}
    from .instead.once import added_up
    from .instead.recheck import Again
    from .instead.remedy import remedies_for
    from .instead.split import splits_of
    from .instead.swap import swaps_for

    added = added_up(weighed.question)
    if added is not weighed.question.pour:
        weighed = weigh(ask(added, catalog))
    question = weighed.question
    found: dict[str, object] = {}
    again = Again(question, catalog)
    again.know(weighed)
    if helps:
        swaps = swaps_for(question, catalog, offered=_SWAPS, checked=_SWAPS_CHECKED, again=again, why=False)
        found["swaps"] = swaps.offered
    if not stands and 1 < len(question.poured) <= SPLIT_UNASKED:
        found["splits"] = splits_of(question, catalog, again, why=False).offered
    if verdict.verdict == "stop":  # what is not known is found out first
        found["remedies"] = remedies_for(weighed, catalog, apart=False, most=_REMEDIES, again=again).offered
    return found
