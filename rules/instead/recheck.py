"""The one loop behind swaps, splits and remedies: a changed pour is asked as any pour is, and offered if it is good."""

from __future__ import annotations

from ...catalog import Catalog, InputError
from ..answer.assess import Weighed, weigh
from ..answer.verdict import Answer
from ..ask.pour import Pour
from ..ask.question import Question, ask
from ..judge.rule import Family, Level, overall

#: What may be offered instead of something.
GOOD: frozenset[Answer] = frozenset({"clear", "caution"})
#: Families of rules that say the same of any pour in that water; and at that injector.
OF_THE_WATER: frozenset[Family] = frozenset({"water"})
OF_THE_PLACE: frozenset[Family] = OF_THE_WATER | {"equipment"}


class Again:
    """Asks changed pours; each once, whoever wants to know.

    question: of the pour before the change; its water is not read again where it is the same.
    """

    def __init__(self, question: Question, catalog: Catalog) -> None:
        self.question, self.catalog = question, catalog
        self._known: dict[str, Weighed | None] = {}

    def know(self, weighed: Weighed) -> None:
        """Take over what a pour comes to."""
        self._known[_key(weighed.question.pour)] = weighed

    def __call__(self, pour: Pour) -> Weighed | None:
        """What a changed pour comes to; None where it cannot be poured at all, such as more than its bucket holds."""
        key = _key(pour)
        if key not in self._known:
            self._known[key] = self._asked(pour)
        return self._known[key]

    def _asked(self, pour: Pour) -> Weighed | None:
        same_water = pour.water is self.question.pour.water
        try:
            return weigh(ask(pour, self.catalog, in_water_of=self.question if same_water else None))
        except InputError:
            return None


def _key(pour: Pour) -> str:
    return pour.model_dump_json()


def only_of(families: frozenset[Family], weighed: Weighed) -> bool:
    """Whether all that is said is of these families, so that nothing in the bucket could make it better."""
    return {one.rule.family for one in weighed.judged if overall(one.level) > Level.NOTE} <= families
