"""Splits: the fewest buckets that a pour goes into, each checked itself; one after the other, with a flush between."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from heapq import heapify, heappop, heappush
from itertools import combinations

from ...catalog import Catalog, InputError
from ...catalog.quantity.measure import read_amount
from ..answer.assess import ENDANGER, one_thread
from ..answer.verdict import SEVERITY, Split, SplitBucket, Splits
from ..ask.pour import Pour, PouredProduct
from ..ask.question import Question
from .measured import measured, metric
from .once import ask_once
from .recheck import MOST_PRODUCTS, OF_THE_WATER, Again
from .seen import Seen

#: Buckets of the same mixture over which an amount is divided at most.
MOST_PORTIONS = 4
#: Splits that are offered, of as few buckets and as good a verdict as the best.
OFFERED = 2


def split(pour: Pour | Mapping[str, object], catalog: Catalog) -> Splits:
    """The fewest buckets of the pour's size, ratio and water that are each no worse than a caution, best first.

    Every set of the products is checked, whole and divided over up to MOST_PORTIONS buckets, so that none of fewer
    buckets is missed, also where only three together make the trouble, or only the amount does.
    Raises: InputError: the pour is not sound, or of more than MOST_PRODUCTS products.

    >>> from pourcheck import Catalog, split
    >>> with Catalog.open("sqlite://") as catalog:
    ...     found = split({"product": [{"name": "calcium nitrate", "amount": "1 lb"},
    ...                                {"name": "magnesium sulfate", "amount": "1 lb"}],
    ...                    "bucket": {"volume": "5 gal"}, "water": {"name": "brook-well"},
    ...                    "injection": {"ratio": "1:100"}}, catalog)
    >>> [[one.products for one in offer.buckets] for offer in found.offered]
    [[('1 lb calcium nitrate',), ('1 lb magnesium sulfate',)]]
    """
    pour = Pour.parse(pour)
    if len(pour.product) > MOST_PRODUCTS:
        raise InputError(
            f"holds {len(pour.product)} products", where="pour", mend=f"split at most {MOST_PRODUCTS} at once"
        )
    with one_thread(), catalog.snapshot():
        return splits_of(ask_once(pour, catalog), catalog)


def splits_of(
    question: Question, catalog: Catalog, again: Again | None = None, *, offered: int = OFFERED, why: bool = True
) -> Splits:
    """The same for a question that was asked already; what it comes to as it is counts as one bucket. again: who asks;
    offered: how many at most; why: where nothing is offered, also what each product comes to alone."""
    return _Search(again or Again(question, catalog), offered).splits(why=why)


#: Places of some of the products in the pour.
_Set = tuple[int, ...]
#: Of a way to part them: buckets, the worst verdict, as a place in SEVERITY, and how many sets are not clear.
_Rank = tuple[int, int, int]


@dataclass(frozen=True)
class _Bucket:
    """Some of the products, each in `portions` buckets of as much; what they come to."""

    products: _Set
    portions: int
    seen: Seen


_Parts = tuple[_Bucket, ...]


def _rank(parts: _Parts) -> _Rank:
    answers = [SEVERITY.index(part.seen.answer) for part in parts]
    return sum(part.portions for part in parts), max(answers), sum(answer > 0 for answer in answers)


def _partitions(rest: _Set) -> Iterator[tuple[_Set, ...]]:
    """All ways to part products into sets."""
    if not rest:
        yield ()
        return
    first, *others = rest
    for size in range(len(others) + 1):
        for more in combinations(others, size):
            left = tuple(i for i in others if i not in more)
            yield from (((first, *more), *behind) for behind in _partitions(left))


class _Search:
    """The sets of a pour's products, and the ways to part them."""

    def __init__(self, again: Again, offered: int) -> None:
        self.again, self.question, self.offered = again, again.question, offered
        self.products = tuple(range(len(self.question.poured)))
        self._undivided: dict[_Set, _Bucket | None] = {}
        self._divided: dict[_Set, _Bucket | None] = {}
        self._lines: dict[tuple[int, int], PouredProduct] = {}
        self._dangers: dict[tuple[int, int], bool] = {}
        #: What the water alone says of any bucket, as a place in SEVERITY.
        self._of_the_water = 0

    # --- one bucket -------------------------------------------------------------------------------

    def _pour(self, products: _Set, portions: int = 1) -> Pour:
        if portions == 1:
            return self.again.part(products)
        lines = tuple(self._line(i, portions) for i in products)
        return self.question.pour.model_copy(update={"product": lines})

    def _good(self, products: _Set, portions: int = 1) -> _Bucket | None:
        """Some of the products, where they are good together."""
        seen = self.again.good(self._pour(products, portions))
        if seen is None:
            return None
        if seen.families & OF_THE_WATER:
            self._of_the_water = SEVERITY.index("caution")
        return _Bucket(products, portions, seen)

    def _line(self, i: int, portions: int) -> PouredProduct:
        if (i, portions) not in self._lines:
            line = self.question.pour.product[i]
            self._lines[i, portions] = PouredProduct.model_validate(
                {**line.model_dump(), "amount": self._portion(i, portions)}
            )
        return self._lines[i, portions]

    def _portion(self, i: int, portions: int) -> str:
        """An amount divided: exactly where that is a short number, else to what a scale or a jug shows, and no more."""
        amount, item = self.question.pour.product[i].amount, self.question.poured[i]
        if portions == 1:
            return amount.times(1.0)
        text = amount.times(1.0 / portions)
        if abs(read_amount(text).low * portions - amount.low) < 1e-6 * amount.low:
            return text
        return measured(item.likely, item.mass_kg / portions, in_metric=metric(self.question), at_most=True)[0]

    def _not_to_be_thinned(self, products: _Set) -> bool:
        """Whether people are in danger from it, so that no smaller amount of it is told as good; acid or chlorine by
        itself is no mixture."""
        if len(products) > 1 and any(self.question.poured[i].hazards & ENDANGER for i in products):
            return True
        return self.again.endangers(self._pour(products), gas=True)

    def _whole(self, products: _Set) -> _Bucket | None:
        """Some of the products, as they are; None where they are no good."""
        if products not in self._undivided:
            self._undivided[products] = self._good(products)
        return self._undivided[products]

    def _thinner(self, products: _Set) -> _Bucket | None:
        """Products that are no good as they are in as few buckets as make them good; None where none do."""
        if products not in self._divided:
            self._divided[products] = None if self._thinner_is_no_use(products) else self._in_portions(products)
        return self._divided[products]

    def _in_portions(self, products: _Set) -> _Bucket | None:
        # What is bad at its thinnest is not looked at between.
        thinnest = self._good(products, MOST_PORTIONS)
        if thinnest is None or self._not_to_be_thinned(products):
            return None
        between = (self._good(products, portions) for portions in range(2, MOST_PORTIONS))
        return next((one for one in between if one is not None), thinnest)

    def _thinner_is_no_use(self, products: _Set) -> bool:
        """Whether no division helps: two products that are as good as can be apart, in as few buckets as any division
        makes."""
        if len(products) != 2:
            return False
        apart = [one for i in products if (one := self._whole((i,))) is not None]
        return len(apart) == 2 and self._best_there_is(apart)

    @staticmethod
    def _best_there_is(parts: Sequence[_Bucket]) -> bool:
        """Whether nothing but the water keeps any bucket from being better."""
        return all(one.seen.only_of(OF_THE_WATER) for one in parts)

    def _bad_at_their_thinnest(self) -> set[_Set]:
        """Sets that are surely no good, as they are and at their thinnest."""
        bad = [products for products, bucket in self._undivided.items() if bucket is None]
        # A product that is in no good set is looked at first: where nothing holds it, nothing holds the pour.
        worst = next((i for i in self.products if sum(i in one for one in bad) == 2 ** (len(self.products) - 1)), None)
        found: set[_Set] = set()
        for some in ([one for one in bad if worst in one], [one for one in bad if worst not in one]):
            ruled_out = self.again.rule_out([self._pour(products, MOST_PORTIONS) for products in some])
            found |= {products for products, out in zip(some, ruled_out, strict=True) if out}
            if some and len(found) == len(some):
                break
        return found

    # --- all ways to part them --------------------------------------------------------------------

    def _best(self, *, divide: bool) -> list[_Parts]:
        """The best way to part the products, and others that are as good, `offered` at most; divide: also into buckets
        of the same mixture.

        A bucket is weighed only where no way without it is sure to be better: each way waits with the best rank that
        it may still come to.
        """
        waiting = [
            (rank, place, sets)
            for place, sets in enumerate(_partitions(self.products))
            if (rank := self._at_best(sets, divide=divide)) is not None
        ]
        heapify(waiting)
        found: list[_Parts] = []
        while waiting and len(found) < self.offered:
            rank, place, sets = heappop(waiting)
            if found and rank[:2] > _rank(found[0])[:2]:
                break
            now = self._at_best(sets, divide=divide)
            if now is None:
                continue
            if now > rank:
                heappush(waiting, (now, place, sets))
                continue
            unknown = [products for products in sets if self._bucket_of(products) is None]
            if unknown:
                # What holds most products is most likely to be no good.
                most = max(unknown, key=len)
                if self._whole(most) is None and divide:
                    self._thinner(most)
                heappush(waiting, (rank, place, sets))
                continue
            found.append(tuple(one for products in sets if (one := self._bucket_of(products)) is not None))
        return found

    def _bucket_of(self, products: _Set) -> _Bucket | None:
        """What a set that was looked at goes into."""
        return self._undivided.get(products) or self._divided.get(products)

    def _at_best(self, sets: Sequence[_Set], *, divide: bool) -> _Rank | None:
        """The rank that a way to part them may come to, by what is known of its sets; None where one is no good."""
        buckets, answers = 0, []
        for products in sets:
            bucket = self._bucket_of(products)
            if bucket is not None:
                buckets += bucket.portions
                answers.append(SEVERITY.index(bucket.seen.answer))
                continue
            thinner = products in self._undivided
            if thinner and (not divide or products in self._divided):
                return None
            buckets += 2 if thinner else 1
            answers.append(self._of_the_water)
        return buckets, max(answers), sum(answer > 0 for answer in answers)

    def splits(self, *, why: bool) -> Splits:
        """What is offered, or what stands in the way."""
        self._undivided = {products: None for products, bad in self.again.parts().items() if bad}
        best = self._best(divide=False)
        if best and len(best[0]) == 1:
            return Splits(needed=False, offered=(), alone=())
        # Two buckets at least: no fewer than what needs no more, and no better than what only the water speaks of.
        if not (best and len(best[0]) <= 2 and self._best_there_is(best[0])):
            self._divided = dict.fromkeys(self._bad_at_their_thinnest())
            best = self._best(divide=True)
        alone = (self._bad_alone(i) for i in self.products) if why and not best else ()
        return Splits(
            needed=True,
            offered=tuple(self._split(one) for one in best),
            alone=tuple(self._bucket(one) for one in alone if one is not None),
        )

    def _bad_alone(self, i: int) -> _Bucket | None:
        if self.again.stands(self._pour((i,))) or self._thinner((i,)) is not None:
            return None
        seen = self.again(self._pour((i,)))
        return None if seen is None else _Bucket((i,), 1, seen)

    def _split(self, parts: _Parts) -> Split:
        buckets = tuple(self._bucket(part) for part in parts)
        return Split(
            buckets=buckets,
            count=sum(one.portions for one in buckets),
            verdict=max((one.verdict for one in buckets), key=SEVERITY.index),
            never_together=tuple(
                (self._name(i), self._name(j))
                for one, other in combinations(parts, 2)
                for i in one.products
                for j in other.products
                if self._endangers(i, j)
            ),
        )

    def _bucket(self, bucket: _Bucket) -> SplitBucket:
        amounts = [(self._portion(i, bucket.portions), self._name(i)) for i in bucket.products]
        return SplitBucket(
            products=tuple(f"{text} {name}" for text, name in amounts),
            places=bucket.products,
            amounts=tuple(text for text, _ in amounts),
            portions=bucket.portions,
            verdict=bucket.seen.answer,
            rules=bucket.seen.blamed,
            order=self.again.order_of_mixing(self._pour(bucket.products, bucket.portions)),
        )

    def _name(self, i: int) -> str:
        return self.question.poured[i].product.name

    def _endangers(self, i: int, j: int) -> bool:
        """Whether two of the products endanger people together."""
        both = min(i, j), max(i, j)
        if both not in self._dangers:
            self._dangers[both] = self.again.endangers(self._pour(both))
        return self._dangers[both]
