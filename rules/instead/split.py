"""Splits: the fewest buckets that a pour goes into, each checked itself; one after the other, with a flush between."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations

from ...catalog import Catalog, InputError
from ...catalog.quantity.measure import read_amount
from ..answer.assess import ENDANGER, Weighed, one_thread
from ..answer.verdict import SEVERITY, Split, SplitBucket, Splits
from ..ask.pour import Pour, PouredProduct
from ..ask.question import Question, ask
from ..judge.rule import Level, overall
from .measured import measured, metric
from .recheck import OF_THE_WATER, Again, only_of

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


class _Search:
    """The sets of a pour's products, and the ways to part them."""

    def __init__(self, again: Again) -> None:
        self.again, self.question = again, again.question
        self.products = tuple(range(len(self.question.poured)))

    def _pour(self, products: tuple[int, ...], portions: int = 1) -> Pour:
        lines = tuple(self._line(i, portions) for i in products)
        return self.question.pour.model_copy(update={"product": lines})

    def _good(self, products: tuple[int, ...], portions: int = 1) -> _Bucket | None:
        """Some of the products, where they are good together."""
        weighed = self.again.good(self._pour(products, portions))
        return None if weighed is None else _Bucket(products, portions, weighed)

    def _line(self, i: int, portions: int) -> PouredProduct:
        line = self.question.pour.product[i]
        if portions == 1:
            return line
        return PouredProduct.model_validate({**line.model_dump(), "amount": self._portion(i, portions)})

    def _portion(self, i: int, portions: int) -> str:
        """An amount divided: as it was stated where a scale or a jug shows that, else rounded to what they show."""
        amount, item = self.question.pour.product[i].amount, self.question.poured[i]
        if portions == 1:
            return amount.times(1.0)
        text = amount.times(1.0 / portions)
        divided = read_amount(text)
        exact = abs(divided.low * portions - amount.low) < 1e-6 * amount.low
        if exact and (divided.system != "us" or float(4.0 * divided.number).is_integer()):
            return text
        return measured(item.likely, item.mass_kg / portions, in_metric=metric(self.question))[0]

    def _not_to_be_thinned(self, products: tuple[int, ...]) -> bool:
        """Whether people are in danger from it, so that no smaller amount of it is told as good; acid or chlorine by
        itself is no mixture."""
        if len(products) > 1 and any(self.question.poured[i].hazards & ENDANGER for i in products):
            return True
        return self.again.endangers(self._pour(products), gas=True)

    @cached_property
    def undivided(self) -> dict[tuple[int, ...], _Bucket]:
        """The sets of products that are good as they are."""
        sets = (one for size in range(1, len(self.products) + 1) for one in combinations(self.products, size))
        return {products: bucket for products in sets if (bucket := self._good(products)) is not None}

    @cached_property
    def divided(self) -> dict[tuple[int, ...], _Bucket]:
        """The fewest buckets of each set of products that is good only thinner."""
        # Two buckets at least: no fewer than what needs no more, and no better than what only the water speaks of.
        parted = sorted(self._parted(self.products, self.undivided), key=self._rank)
        if parted and len(parted[0]) <= 2 and self._best_there_is(parted[0]):
            return {}
        found = {}
        for size in range(1, len(self.products) + 1):
            for products in combinations(self.products, size):
                if products in self.undivided or self._thinner_is_no_use(products):
                    continue
                # What is bad at its thinnest is not looked at between.
                thinnest = self._good(products, MOST_PORTIONS)
                if thinnest is not None and not self._not_to_be_thinned(products):
                    between = (self._good(products, portions) for portions in range(2, MOST_PORTIONS))
                    found[products] = next((one for one in between if one is not None), thinnest)
        return found

    def _thinner_is_no_use(self, products: tuple[int, ...]) -> bool:
        """Whether no division helps: two products that are as good as can be apart, in as few buckets as any division
        makes."""
        apart = [one for i in products if (one := self.undivided.get((i,))) is not None]
        return len(products) == len(apart) == 2 and self._best_there_is(apart)

    @staticmethod
    def _best_there_is(parts: Sequence[_Bucket]) -> bool:
        """Whether nothing but the water keeps any bucket from being better."""
        return all(only_of(OF_THE_WATER, one.weighed) for one in parts)

    def _parted(self, rest: tuple[int, ...], good: Mapping[tuple[int, ...], _Bucket]) -> Iterator[tuple[_Bucket, ...]]:
        """All ways to part products into sets that are good."""
        if not rest:
            yield ()
            return
        first, *others = rest
        for size in range(len(others) + 1):
            for more in combinations(others, size):
                bucket = good.get((first, *more))
                if bucket is not None:
                    left = tuple(i for i in others if i not in more)
                    yield from ((bucket, *behind) for behind in self._parted(left, good))

    @cached_property
    def splits(self) -> Splits:
        """What is offered, or what stands in the way."""
        if self.products in self.undivided:
            return Splits(needed=False, offered=(), alone=())
        ranked = sorted(self._parted(self.products, {**self.undivided, **self.divided}), key=self._rank)
        if not ranked:
            alone = (self._bad_alone(i) for i in self.products)
            return Splits(needed=True, offered=(), alone=tuple(self._bucket(one) for one in alone if one is not None))
        as_good = [one for one in ranked if self._rank(one)[:2] == self._rank(ranked[0])[:2]]
        return Splits(needed=True, offered=tuple(self._split(one) for one in as_good[:OFFERED]), alone=())

    @staticmethod
    def _rank(parts: tuple[_Bucket, ...]) -> tuple[int, int, int]:
        """Fewer buckets first, then the better verdict, then fewer that are not clear."""
        answers = [SEVERITY.index(part.weighed.answer) for part in parts]
        return sum(part.portions for part in parts), max(answers), sum(answer > 0 for answer in answers)

    def _bad_alone(self, i: int) -> _Bucket | None:
        if (i,) in self.undivided or (i,) in self.divided:
            return None
        weighed = self.again(self._pour((i,)))
        return None if weighed is None else _Bucket((i,), 1, weighed)

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
        amounts = [(self._portion(i, bucket.portions), self._name(i)) for i in bucket.products]
        order = next((one for one in bucket.weighed.judged if one.rule.name == "order-of-mixing"), None)
        return SplitBucket(
            products=tuple(f"{text} {name}" for text, name in amounts),
            places=bucket.products,
            amounts=tuple(text for text, _ in amounts),
            portions=bucket.portions,
            verdict=bucket.weighed.answer,
            rules=bucket.weighed.blamed,
            order="" if order is None or overall(order.level) == Level.NONE else order.outcome.message({"row": 0.0}),
        )

    def _name(self, i: int) -> str:
        return self.question.poured[i].product.name

    def _endangers(self, i: int, j: int) -> bool:
        """Whether two of the products endanger people together."""
        return self.again.endangers(self._pour((min(i, j), max(i, j))))
