"""The one loop behind swaps, splits and remedies: a changed pour is asked as any pour is, and offered if it is good."""

from __future__ import annotations

from ...catalog import Catalog, InputError
from ..answer.assess import Weighed, weigh
from ..answer.verdict import Answer
from ..ask.pour import Pour
from ..ask.question import Question, ask

#: What may be offered instead of something.
GOOD: frozenset[Answer] = frozenset({"clear", "caution"})


def asked_again(pour: Pour, question: Question, catalog: Catalog) -> Weighed | None:
    """What a changed pour comes to; None where it cannot be poured at all, such as more than its bucket holds.

    question: of the pour before the change; its water is not read again where it is the same.
    """
    same_water = pour.water is question.pour.water
    try:
        return weigh(ask(pour, catalog, in_water_of=question if same_water else None))
    except InputError:
        return None
