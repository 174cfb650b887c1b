"""The one loop behind swaps, splits and remedies: a changed pour is asked as any pour is, and offered if it is good."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from ...catalog import Catalog, InputError
from ..answer.assess import Weighed, weigh
from ..answer.verdict import Answer
from ..ask.pour import Pour
from ..ask.question import Question, ask
from ..case.case import Case
from ..explore.scenarios import scenarios
from ..families.registry import Judge, rules
from ..judge.rule import Family, Judged, Level, Rule, overall

#: What may be offered instead of something.
GOOD: frozenset[Answer] = frozenset({"clear", "caution"})
#: Families of rules that say the same of any pour in that water; and at that injector.
OF_THE_WATER: frozenset[Family] = frozenset({"water"})
OF_THE_PLACE: frozenset[Family] = OF_THE_WATER | {"equipment"}


class Again:
    """Asks changed pours; each once, whoever wants to know.

    Most changes are no good, and for the reason for which the pour is none: so the rules that were seen to speak are
    asked first, in the best estimate alone. Where one of them doubts or stops there, the verdict is no better.
    question: of the pour before the change; its water is not read again where it is the same.
    """

    def __init__(self, question: Question, catalog: Catalog) -> None:
        self.question, self.catalog = question, catalog
        self._questions: dict[str, Question | None] = {_key(question.pour): question}
        self._weighed: dict[str, Weighed] = {}
        self._bad: set[str] = set()
        self._suspects: dict[str, Rule] = {}

    def know(self, weighed: Weighed) -> None:
        """Take over what a pour comes to."""
        self._weighed[_key(weighed.question.pour)] = weighed
        for one in weighed.judged:
            if one.level[0] >= Level.UNKNOWN:
                self._suspects[one.rule.name] = one.rule

    def __call__(self, pour: Pour) -> Weighed | None:
        """What a changed pour comes to; None where it cannot be poured at all, such as more than its bucket holds."""
        key = _key(pour)
        if key not in self._weighed:
            question = self._asked(key, pour)
            if question is None:
                return None
            self.know(weigh(question))
        return self._weighed[key]

    def good(self, pour: Pour) -> Weighed | None:
        """The same for a pour that may be offered; None for any other."""
        key = _key(pour)
        if key not in self._weighed and self._seen_bad(key, pour):
            return None
        weighed = self(pour)
        return weighed if weighed is not None and weighed.answer in GOOD else None

    def endangers(self, pour: Pour, *, gas: bool = False) -> bool:
        """Whether a changed pour is doubted or stopped because people are in danger; gas: also where a rule of another
        family tells of a gas."""
        key = _key(pour)
        if key in self._weighed:
            judged: Sequence[Judged] = self._weighed[key].judged
        else:
            question = self._asked(key, pour)
            if question is None:
                return False
            case = Case(question, scenarios(question))
            about_people = [rule for rule in rules() if _about_people(rule, gas=gas)]
            judged = Judge(question.region)(case, least=Level.UNKNOWN, only=about_people)
        return any(_about_people(one.rule, gas=gas) and overall(one.level) >= Level.UNKNOWN for one in judged)

    def _seen_bad(self, key: str, pour: Pour) -> bool:
        question = self._asked(key, pour)
        if question is None or key in self._bad:
            return True
        judge, case = Judge(question.region), Case(question, question.columns(1))
        for rule in reversed(self._suspects.values()):
            if any(one.level[0] >= Level.UNKNOWN for one in judge(case, least=Level.UNKNOWN, only=(rule,))):
                self._bad.add(key)
                # The last one that was right is the first one to be asked.
                self._suspects[rule.name] = self._suspects.pop(rule.name)
                return True
        return False

    def _asked(self, key: str, pour: Pour) -> Question | None:
        if key not in self._questions:
            same_water = pour.water is self.question.pour.water
            try:
                self._questions[key] = ask(pour, self.catalog, in_water_of=self.question if same_water else None)
            except InputError:
                self._questions[key] = None
        return self._questions[key]


def _about_people(rule: Rule, *, gas: bool) -> bool:
    return rule.family == "people" or (gas and rule.sets_gas_free)


def tables_of(pour: Pour, *tables: str) -> dict[str, Any]:
    """Tables of a pour as the pour schema has them."""
    return pour.model_dump(mode="json", include=set(tables), exclude_none=True, exclude_defaults=True)


def _key(pour: Pour) -> str:
    return pour.model_dump_json()


def only_of(families: frozenset[Family], weighed: Weighed) -> bool:
    """Whether all that is said is of these families, so that nothing in the bucket could make it better."""
    return {one.rule.family for one in weighed.judged if overall(one.level) > Level.NOTE} <= families
