"""What changed pours came to, remembered: a swap, a split and the remedies of one pour ask for the same ones."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass
from threading import Lock
from typing import Literal
from weakref import WeakKeyDictionary

from ...catalog import Catalog
from ..answer.assess import Weighed
from ..answer.verdict import Answer
from ..families.registry import rules
from ..judge.rule import Family, Level

#: What may be offered instead of something.
GOOD: frozenset[Answer] = frozenset({"clear", "caution"})


@dataclass(frozen=True)
class Seen:
    """What a pour came to. products: with amounts; blamed: names of the rules that say more than a note, the worst
    first; families: theirs; levels: what those say in the best estimate, by name."""

    answer: Answer
    products: tuple[str, ...]
    blamed: tuple[str, ...]
    families: frozenset[Family]
    levels: Mapping[str, int]

    @classmethod
    def of(cls, weighed: Weighed) -> Seen:
        """Of a pour that was weighed."""
        return cls(
            weighed.answer,
            tuple(f"{item.amount.text} {item.product.name}" for item in weighed.question.poured),
            weighed.blamed,
            frozenset(one.rule.family for one in weighed.judged if one.overall > Level.NOTE),
            {one.rule.name: int(one.level[0]) for one in weighed.judged if one.overall > Level.NOTE},
        )

    @property
    def good(self) -> bool:
        """Whether it may be offered."""
        return self.answer in GOOD

    def only_of(self, families: frozenset[Family]) -> bool:
        """Whether all that is said is of these families, so that nothing in the bucket could make it better."""
        return self.families <= families


#: What is known of a pour: all of it; whether it stands; that rules by solution let its best estimate pass; whether it
#: endangers people, also by a gas.
What = Literal["seen", "stands", "passes", "endangers", "gas"]


#: So much is remembered of the last pour (some 3 MB at most).
_MOST = 2000


class Memory:
    """What the changes of one pour came to, by their JSON. Safe for threads. state: which pour, and what the answers
    rest on."""

    def __init__(self, state: tuple[str, str, int]) -> None:
        self.state = state
        self._known: OrderedDict[tuple[What, str], object] = OrderedDict()
        self._lock = Lock()

    def get(self, what: What, key: str) -> object:
        """What is known; None where nothing is."""
        with self._lock:
            if (what, key) in self._known:
                self._known.move_to_end((what, key))
            return self._known.get((what, key))

    def put(self, what: What, key: str, value: object) -> None:
        """Remember it."""
        with self._lock:
            self._known[what, key] = value
            if len(self._known) > _MOST:
                self._known.popitem(last=False)


_MEMORIES: WeakKeyDictionary[Catalog, Memory] = WeakKeyDictionary()


def memory_of(catalog: Catalog, pour: str) -> Memory:
    """What is remembered of the changes of a pour, given as JSON: empty where another one was asked about since, or
    something was written to the catalog."""
    memory, state = _MEMORIES.get(catalog), (pour, catalog.state, id(rules()))
    if memory is None or memory.state != state:
        memory = _MEMORIES[catalog] = Memory(state)
    return memory
