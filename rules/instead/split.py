"""Splits: the fewest buckets that a pour goes into, each checked itself; one after the other, with a flush between."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations

from ...catalog import Catalog, InputError
from ..answer.assess import Weighed, one_thread
from ..answer.verdict import SEVERITY, Split, SplitBucket, Splits
from ..ask.pour import Pour, PouredProduct
from ..ask.question import Question, ask
from ..explore.edges import no_number_turns
from ..judge.rule import Level, overall
from .recheck import GOOD, Again

#: Products that are split at most: every set of them is checked, 127 of seven.
MOST_PRODUCTS = 7
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
        return splits_of(ask(pour, catalog), catalog)


def splits_of(question: Question, catalog: Catalog, again: Again | None = None) -> Splits:
    """The same for a question that was asked already; what it comes to as it is counts as one bucket. again: who
    asks."""
    return _Search(again or Again(question, catalog)).splits


@dataclass(frozen=True)
class _Bucket:
    """Some of the products, each in `portions` buckets of as much; what they come to."""

    products: tuple[int, ...]
    portions: int
    weighed: Weighed

    @property
    def good(self) -> bool:
        return self.weighed.answer in GOOD


class _Search:
    """The sets of a pour's products, and the ways to part them."""

    def __init__(self, again: Again) -> None:
        self.again, self.question = again, again.question
        self.products = tuple(range(len(self.question.poured)))
        self._weighed: dict[tuple[tuple[int, ...], int], _Bucket | None] = {}

    def _weigh(self, products: tuple[int, ...], portions: int) -> _Bucket | None:
        """What some of the products come to, looked at once; None where they do not fit the bucket."""
        if (products, portions) not in self._weighed:
            self._weighed[products, portions] = self._asked(products, portions)
        return self._weighed[products, portions]

    def _asked(self, products: tuple[int, ...], portions: int) -> _Bucket | None:
        lines = tuple(self._line(i, portions) for i in products)
        weighed = self.again(self.question.pour.model_copy(update={"product": lines}))
        return None if weighed is None else _Bucket(products, portions, weighed)

    def _line(self, i: int, portions: int) -> PouredProduct:
        line = self.question.pour.product[i]
        if portions == 1:
            return line
        return PouredProduct.model_validate({**line.model_dump(), "amount": line.amount.times(1.0 / portions)})

    @cached_property
    def best(self) -> dict[tuple[int, ...], _Bucket]:
        """The fewest buckets of each set of products that are good; sets that are good in none are left out."""
        found = {}
        for size in range(1, len(self.products) + 1):
            for products in combinations(self.products, size):
                bucket = self._weigh(products, 1)
                if bucket is None or not bucket.good:
                    if self._thinner_is_no_use(products, bucket):
                        continue
                    # What is bad at its thinnest is not looked at between.
                    thinnest = self._weigh(products, MOST_PORTIONS)
                    if thinnest is None or not thinnest.good:
                        continue
                    between = (self._weigh(products, portions) for portions in range(2, MOST_PORTIONS))
                    bucket = next((one for one in between if one is not None and one.good), thinnest)
                found[products] = bucket
        return found

    def _thinner_is_no_use(self, products: tuple[int, ...], bucket: _Bucket | None) -> bool:
        """Whether no division helps: what stops it goes by no number; or it is two products that are clear apart, in
        as few buckets as any division makes."""
        if bucket is not None and no_number_turns(bucket.weighed.judged):
            return True
        apart = [self._weigh((i,), 1) for i in products]
        return len(products) == 2 and all(one is not None and one.weighed.answer == "clear" for one in apart)

    def _parted(self, rest: tuple[int, ...]) -> Iterator[tuple[_Bucket, ...]]:
        """All ways to part products into sets that are good."""
        if not rest:
            yield ()
            return
        first, *others = rest
        for size in range(len(others) + 1):
            for more in combinations(others, size):
                bucket = self.best.get((first, *more))
                if bucket is not None:
                    left = tuple(i for i in others if i not in more)
                    yield from ((bucket, *behind) for behind in self._parted(left))

    @cached_property
    def splits(self) -> Splits:
        """What is offered, or what stands in the way."""
        ranked = sorted(self._parted(self.products), key=self._rank)
        alone = tuple(self._bucket(one) for i in self.products if (one := self._bad_alone(i)) is not None)
        whole = self.best.get(self.products)
        if not ranked or (whole is not None and whole.portions == 1):
            return Splits(needed=not (whole and whole.portions == 1), offered=(), alone=alone)
        as_good = [one for one in ranked if self._rank(one)[:2] == self._rank(ranked[0])[:2]]
        return Splits(needed=True, offered=tuple(self._split(one) for one in as_good[:OFFERED]), alone=())

    @staticmethod
    def _rank(parts: tuple[_Bucket, ...]) -> tuple[int, int, int]:
        """Fewer buckets first, then the better verdict, then fewer that are not clear."""
        answers = [SEVERITY.index(part.weighed.answer) for part in parts]
        return sum(part.portions for part in parts), max(answers), sum(answer > 0 for answer in answers)

    def _bad_alone(self, i: int) -> _Bucket | None:
        return None if (i,) in self.best else self._weigh((i,), 1)

    def _split(self, parts: tuple[_Bucket, ...]) -> Split:
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
        lines = [(self._line(i, bucket.portions), self._name(i)) for i in bucket.products]
        order = next((one for one in bucket.weighed.judged if one.rule.name == "order-of-mixing"), None)
        return SplitBucket(
            products=tuple(f"{line.amount.times(1.0)} {name}" for line, name in lines),
            places=bucket.products,
            amounts=tuple(line.amount.times(1.0) for line, _ in lines),
            portions=bucket.portions,
            verdict=bucket.weighed.answer,
            rules=bucket.weighed.blamed,
            order="" if order is None or overall(order.level) == Level.NONE else order.outcome.message({"row": 0.0}),
        )

    def _name(self, i: int) -> str:
        return self.question.poured[i].product.name

    def _endangers(self, i: int, j: int) -> bool:
        """Whether two of the products endanger people together."""
        both = self._weigh((min(i, j), max(i, j)), 1)
        return both is not None and any(
            one.rule.family == "people" and overall(one.level) >= Level.UNKNOWN for one in both.weighed.judged
        )
