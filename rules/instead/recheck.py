"""The one loop behind swaps, splits and remedies: a changed pour is asked as any pour is, and offered if it is good."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from ...catalog import Catalog, InputError
from ..answer.assess import Weighed, weigh
from ..answer.findings import spoken
from ..ask.pour import Pour, PouredProduct
from ..ask.question import Poured, Question, ask, matters_beside, middle
from ..ask.weight import weight_to_set
from ..case.case import Case
from ..chemistry.constants import Floats
from ..explore.scenarios import scenarios
from ..families.gels import ORDER_OF_MIXING
from ..families.registry import Judge, rule_named, rules, worst
from ..judge.rule import Family, Level, Rule
from .once import added_up
from .seen import Memory, Seen, What, memory_of

#: Products of which every set is asked, 127 of seven.
MOST_PRODUCTS = 7
#: Families of rules that say the same of any pour in that water; and at that injector.
OF_THE_WATER: frozenset[Family] = frozenset({"water"})
OF_THE_PLACE: frozenset[Family] = OF_THE_WATER | {"equipment"}


class Again:
    """Asks changed pours; each once, whoever wants to know.

    Most changes are no good, and for the reason for which the pour is none: so the rules that were seen to speak are
    asked first, in the best estimate alone. Where one of them doubts or stops there, the verdict is no better.
    question: of the pour before the change; its water is not read again where it is the same. memory: of what was
    asked before, where it is that of another pour.
    """

    def __init__(self, question: Question, catalog: Catalog, memory: Memory | None = None) -> None:
        self.question, self.catalog = question, catalog
        self.memory = memory or memory_of(catalog, _key(question.pour))
        self._questions: dict[str, Question | None] = {}
        # Of a question about the water alone nothing is poured, whatever line stands in its pour.
        if question.poured:
            self._questions[_key(question.pour)] = question
        #: Rules that spoke against pours, and those that cautioned of good ones; who spoke last stands last.
        self._suspects: dict[str, Rule] = {}
        self._cautious: dict[str, Rule] = {}
        #: What was looked up of lines of pours, by their id(), which is theirs as long as the lines are kept here.
        self._poured: dict[int, Poured] = {}
        self._lines: list[PouredProduct] = []
        self._look_up(question)

    def know(self, weighed: Weighed) -> Seen:
        """Take over what a pour comes to."""
        seen = Seen.of(weighed)
        self.memory.put("seen", _key(weighed.question.pour), seen)
        self._suspect(seen)
        return seen

    def weigh(self, pour: Pour, least: Level = Level.NOTE) -> Weighed | None:
        """What the rules that can come to `least` or worse say of a changed pour; None where it cannot be poured at
        all, such as more than its bucket holds."""
        question = self._asked(_key(pour), pour)
        return None if question is None else weigh(question, least)

    def __call__(self, pour: Pour) -> Seen | None:
        """What a changed pour comes to; None where it cannot be poured at all."""
        seen = self._seen(_key(pour))
        if seen is not None:
            self._suspect(seen)
            return seen
        weighed = self.weigh(pour, Level.CAUTION)
        return None if weighed is None else self.know(weighed)

    def stands(self, pour: Pour) -> bool:
        """Whether a pour may be offered, without what else there is to say of it."""
        key = _key(pour)
        if (seen := self._seen(key)) is not None:
            return seen.good
        known = self.memory.get("stands", key)
        if known is None:
            question = None if self._seen_bad(key, pour) else self._asked(key, pour)
            stands = False
            if question is not None:
                judged = Judge(question.region)(Case(question, scenarios(question)), least=Level.UNKNOWN)
                stands = all(one.overall < Level.UNKNOWN for one in judged)
            self.memory.put("stands", key, stands)
            return stands
        return known is True

    def good(self, pour: Pour, *, likely: bool = False) -> Seen | None:
        """What a pour comes to that may be offered; None for any other. likely: most such pours are good, so that it is
        not looked first whether this one is bad at once."""
        key = _key(pour)
        if not likely and self._seen(key) is None and self._seen_bad(key, pour):
            return None
        seen = self(pour)
        return seen if seen is not None and seen.good else None

    def surely_not_clear(self, pour: Pour) -> bool:
        """Whether a pour is no better than a caution, as rules that cautioned of others find at once; False where that
        is open."""
        key = _key(pour)
        if (seen := self._seen(key)) is not None:
            return seen.answer != "clear"
        question = None if self.memory.get("stands", key) is False else self._asked(key, pour)
        return question is None or _one_says(Level.CAUTION, self._cautious, question)

    def endangers(self, pour: Pour, *, gas: bool = False) -> bool:
        """Whether a changed pour is doubted or stopped because people are in danger; gas: also where a rule of another
        family tells of a gas."""
        key = _key(pour)
        what: What = "gas" if gas else "endangers"
        known = self.memory.get(what, key)
        if known is None:
            question = self._asked(key, pour)
            if question is None:
                return False
            about_people = [rule for rule in rules() if rule.family == "people" or (gas and rule.sets_gas_free)]
            case = Case(question, scenarios(question))
            judged = Judge(question.region)(case, least=Level.UNKNOWN, only=about_people)
            known = any(one.overall >= Level.UNKNOWN for one in judged)
            self.memory.put(what, key, known)
        return known is True

    def order_of_mixing(self, pour: Pour) -> str:
        """In which order the products of a changed pour go into the bucket; "" where there is nothing to say."""
        question = self._asked(_key(pour), pour)
        if question is None:
            return ""
        case = Case(question, question.columns(1))
        said = Judge(question.region)(case, only=(ORDER_OF_MIXING,))
        return next((spoken(one)[0].outcome.message({"row": 0.0}) for one in said if one.overall > Level.NONE), "")

    def parts(self) -> dict[tuple[int, ...], bool]:
        """The sets of the pour's products, by their places in it, smaller ones first, and whether they are surely no
        good; none where there are too many to part them."""
        count = len(self.question.poured)
        if count > MOST_PRODUCTS:
            return {}
        sets = [places for size in range(1, count + 1) for places in combinations(range(count), size)]
        return dict(zip(sets, self.rule_out([self.part(places) for places in sets]), strict=True))

    def part(self, places: Sequence[int]) -> Pour:
        """Some of the products, by their places in the pour."""
        pour = self.question.pour
        return pour.model_copy(update={"product": tuple(pour.product[i] for i in places)})

    def added_up(self, pour: Pour) -> Pour:
        """A changed pour with one line for each product."""
        question = self._asked(_key(pour), pour)
        return pour if question is None else added_up(question)

    def rule_out(self, pours: Sequence[Pour]) -> list[bool]:
        """Which pours are surely no good, all asked at once: pours that differ from the question's in their products
        and how much there is of them. The others are asked one by one where somebody wants to know."""
        keys = [_key(pour) for pour in pours]
        new = {key: pour for key, pour in zip(keys, pours, strict=True) if not self._looked_at(key)}
        lines = list(self.question.pour.product)
        shares = {key: one for key, pour in new.items() if (one := _shares(pour, lines)) is not None}
        together = self.question.pour.model_copy(update={"product": tuple(lines)})
        if shares and (question := self._asked(_key(together), together)) is not None:
            table = [[of.get(i, 0.0) for i in range(len(lines))] for of in shares.values()]
            for key, doubted in zip(shares, self._doubted(question, np.array(table)).tolist(), strict=True):
                if doubted:
                    self.memory.put("stands", key, False)
                self.memory.put("passes", key, not doubted)
        return [self._is_bad(key) for key in keys]

    def _looked_at(self, key: str) -> bool:
        return self._seen(key) is not None or any(
            self.memory.get(what, key) is not None for what in ("stands", "passes")
        )

    def _is_bad(self, key: str) -> bool:
        seen = self._seen(key)
        return self.memory.get("stands", key) is False if seen is None else not seen.good

    def _doubted(self, question: Question, shares: Floats) -> NDArray[np.bool_]:
        """Where a rule that goes by the solutions alone, or by the water, is not content with parts of what is poured,
        (B,) of shares (B, products)."""
        judge, doubted = Judge(question.region), np.zeros(len(shares), dtype=bool)
        others = (rule for rule in rules() if rule.name not in self._suspects)
        asked = [rule for rule in (*reversed(self._suspects.values()), *others) if _by_solution(rule)]
        # A line is solved sooner than a bucket: what fails there is not asked of its bucket.
        for in_bucket in (False, True):
            rows = np.flatnonzero(~doubted)
            case = parts_together(question, shares[rows])
            for rule in asked:
                if (rule.family == "bucket") == in_bucket and not np.all(doubted[rows]):
                    doubted[rows] |= worst(case, judge(case, least=Level.UNKNOWN, only=(rule,))) >= Level.UNKNOWN
        return doubted

    def _seen_bad(self, key: str, pour: Pour) -> bool:
        """Whether a pour is surely no good: by what is known of it, or as a rule that spoke of others finds at once."""
        if self.memory.get("stands", key) is False:
            return True
        question = self._asked(key, pour)
        if question is None:
            return True
        passes = self.memory.get("passes", key) is True
        if _one_says(Level.UNKNOWN, self._suspects, question, apart_from_solutions=passes):
            self.memory.put("stands", key, False)
            return True
        return False

    def _seen(self, key: str) -> Seen | None:
        return cast(Seen | None, self.memory.get("seen", key))

    def _suspect(self, seen: Seen) -> None:
        of = self._cautious if seen.good else self._suspects
        least = Level.CAUTION if seen.good else Level.UNKNOWN
        of.update((name, rule_named(name)) for name, level in seen.levels.items() if level >= least)

    def _asked(self, key: str, pour: Pour) -> Question | None:
        if key not in self._questions:
            same_water = pour.water is self.question.pour.water
            try:
                question = ask(
                    pour, self.catalog, in_water_of=self.question if same_water else None, known=self._poured
                )
                self._look_up(question)
                self._questions[key] = question
            except InputError:
                self._questions[key] = None
        return self._questions[key]

    def _look_up(self, question: Question) -> None:
        for line, item in zip(question.pour.product if question.poured else (), question.poured, strict=True):
            # A weight that is swept goes by the line's place in the pour.
            if id(line) not in self._poured and item.weight is None:
                self._poured[id(line)] = item
                self._lines.append(line)


def _one_says(
    level: Level, suspects: dict[str, Rule], question: Question, *, apart_from_solutions: bool = False
) -> bool:
    """Whether one of some rules says so much of the best estimate; the last one that was right is asked first, and
    moved to the end."""
    judge, case = Judge(question.region), Case(question, question.columns(1))
    for rule in reversed(tuple(suspects.values())):
        if apart_from_solutions and _by_solution(rule):
            continue
        if any(one.level[0] >= level for one in judge(case, least=level, only=(rule,))):
            suspects[rule.name] = suspects.pop(rule.name)
            return True
    return False


def _by_solution(rule: Rule) -> bool:
    return rule.by_solution or rule.family in OF_THE_WATER


def _shares(pour: Pour, lines: list[PouredProduct]) -> dict[int, float] | None:
    """How much of each of some lines a pour holds, in shares of what stands there, by their places; lines that it has
    beside them are added. None where amounts do not tell."""
    shares: dict[int, float] = {}
    for line in pour.product:
        place = next((i for i, other in enumerate(lines) if line is other or _same_product(line, other)), None)
        if place is None:
            place = len(lines)
            lines.append(line)
        other = lines[place]
        if line.amount.kind != other.amount.kind:
            return None
        shares[place] = shares.get(place, 0.0) + line.amount.low / other.amount.low
    return shares


def _same_product(line: PouredProduct, other: PouredProduct) -> bool:
    return line.name == other.name and line.model_copy(update={"amount": other.amount}) == other


def parts_together(question: Question, shares: Floats) -> Case:
    """Pours of the products of a question in other amounts, each in its best estimate, as scenarios of one case.
    shares: of what is poured, (B, products)."""
    poured = tuple(
        replace(item, weight=weight_to_set(i, item.mass_kg)) for i, item in enumerate(question.poured, start=1)
    )
    columns = question.columns(len(shares))
    for item, share in zip(poured, shares.T, strict=True):
        assert item.weight is not None
        columns = columns.moved(item.weight.unknown.quantity, share * item.mass_kg)
    for unknown in question.unknowns:
        # What matters beside some products only is nothing without them.
        matters = [matters_beside(unknown.quantity, item.composition) for item in question.poured]
        if not question.stated(unknown.quantity) and not all(matters):
            there = np.any(shares[:, matters] > 0.0, axis=1)
            columns = columns.moved(unknown.quantity, np.where(there, middle(unknown), 0.0))
    return Case(replace(question, poured=poured), columns)


def tables_of(pour: Pour, *tables: str) -> dict[str, Any]:
    """Tables of a pour as the pour schema has them."""
    return pour.model_dump(mode="json", include=set(tables), exclude_none=True, exclude_defaults=True)


def _key(pour: Pour) -> str:
    return pour.model_dump_json()
