"""Swaps: other products for the same nitrogen and potassium, without phosphorus or something else, checked themselves.

A mixed-integer program picks at most three products and their amounts: what is kept within its tolerance, as near as
it gets, with little salt and few bags. Each blend is measured out in amounts that a person can weigh, and asked as any
pour is; the next best one follows until enough of them are good.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import count
from threading import Lock

import numpy as np

from ...catalog import Catalog, InputError, Listing, Product, slug
from ...catalog.label.composition import Composition, composition
from ...catalog.nutrients import NUTRIENTS, percent_from_species
from ...catalog.product import fold
from ...catalog.programs import Floats, Program
from ...catalog.store.free_of import Left, holds, left_out, part_percent
from ...catalog.text import quoted
from ..answer.assess import one_thread
from ..answer.verdict import SEVERITY, Brought, Swap, SwapProduct, Swaps
from ..ask.pour import Pour, PouredProduct
from ..ask.question import Poured, Question
from ..chemistry.cores import Ahead
from ..policy.regulated import regulated
from .measured import measured, metric
from .once import ask_once
from .recheck import OF_THE_PLACE, Again
from .seen import Seen

#: A product that holds less than this percent of what is to be left out counts as free of it, where its label says so.
FREE_PERCENT = 0.05
#: What is kept may differ from what is replaced by this share, in steps of which the nearer one is taken first; what is
#: next to nothing of it all, by LITTLE of the whole.
WITHIN_SHARE, STEPS, LITTLE = 0.03, 3, 0.005
#: Sources weaker than this percent of what is kept are no substitute.
LEAST_PERCENT = 5.0
#: Products in a blend at most; each brings at least so much of what is kept.
MOST_PRODUCTS, LEAST_SHARE = 3, 0.02
#: How many blends are checked, and how many that are good are offered.
CHECKED, OFFERED = 12, 4
#: So many blends are looked for before they are asked for.
_AHEAD = 3
#: Of blends that are no good so many are looked at for the one that comes nearest.
_NEAREST = 4
#: What one blend is better by, in the order in which it counts: what needs no permit; what is sold here; a step nearer;
#: less salt, in times the least that there is; a bag less, worth as much as a tenth of that; cost, where all is known;
#: where it is not, what stands first in the list, so that of equal ones it is always the same.
#: Among amounts of the same products the nearest, by the share of what is tolerated.
_REGULATED, _NOT_SOLD, _STEP, _OFF, _SALT, _BAG, _COST, _TIE = 10_000.0, 1_000.0, 100.0, 0.5, 1.0, 0.1, 0.001, 1e-4
_UNWANTED_HAZARDS = {"acid", "alkali", "hypochlorite", "ammonia-gas", "sulfite-gas"}
#: What is kept, first of all; where a product has none of it, what else it is given for.
_MAIN = ("n", "p2o5", "k2o")
_TRACE, _OTHER = ("b", "cu", "fe", "mn", "mo", "zn"), ("ca", "mg", "s")
_PHOSPHORUS = "p2o5"


def swap(
    pour: Pour | Mapping[str, object],
    catalog: Catalog,
    *,
    without: Sequence[str] = ("phosphorus",),
    replaces: Sequence[str] = (),
) -> Swaps:
    """Other products for the same nitrogen and potassium, without something, each blend checked in the same pour.

    pour: a Pour, or plain data of the pour schema. without: what is left out: phosphorus, chloride, sulfate, calcium,
    urea and the like; phosphorus that is not left out is kept too. replaces: names of products of the pour that are
    to be replaced, "all" for all of it; empty: those that hold what is left out.
    Raises: InputError: the pour is not sound, nothing is known by that word, or no such product is in the pour.

    >>> from pourcheck import Catalog, swap
    >>> pour = {"product": [{"name": "technical MAP", "amount": "1 lb"}], "bucket": {"volume": "5 gal"},
    ...         "water": {"name": "ridge-well"}, "injection": {"ratio": "1:100"}}
    >>> with Catalog.open("sqlite://") as catalog:
    ...     found = swap(pour, catalog)
    >>> [one.amount + " " + one.name for one in found.offered[0].products], found.offered[0].verdict, found.proven
    (['4.2 oz urea'], 'caution', True)
    """
    pour = Pour.parse(pour)
    if not without:
        raise InputError("nothing is to be left out", where="without", mend="name phosphorus, chloride, sulfate, …")
    lefts = tuple(left_out(word, "without") for word in without)
    with one_thread(), catalog.snapshot():
        return swaps_for(ask_once(pour, catalog), catalog, without=lefts, replaces=replaces)


def swaps_for(
    question: Question,
    catalog: Catalog,
    *,
    without: tuple[Left, ...] = (),
    replaces: Sequence[str] = (),
    offered: int = OFFERED,
    checked: int = CHECKED,
    again: Again | None = None,
    why: bool = True,
) -> Swaps:
    """The same for a question that was asked already. offered, checked: how many at most; again: who asks; why: where
    nothing is offered, also what stands in the way."""
    without = without or (left_out("phosphorus"),)
    again = again or Again(question, catalog)
    search = _Search(again, without, _replaced(question, without, replaces), offered, checked, why)
    return search.swaps


def _replaced(question: Question, without: tuple[Left, ...], names: Sequence[str]) -> tuple[int, ...]:
    """Places in the pour of what is to be replaced. Raises: InputError: a name that is not in the pour."""
    if [fold(name) for name in names] == ["all"]:
        return tuple(range(len(question.poured)))
    if not names:
        return tuple(
            i for i, item in enumerate(question.poured) if any(_percent(item, left) > FREE_PERCENT for left in without)
        )
    found: set[int] = set()
    for name in names:
        here = {
            i
            for i, (line, item) in enumerate(zip(question.pour.product, question.poured, strict=True))
            if fold(name) in {fold(line.name), fold(item.product.name), item.product.id}
        }
        if not here:
            told = ", ".join(item.product.name for item in question.poured)
            raise InputError(f"{quoted(name)} is not in the pour", where="replaces", mend=f"it holds {told}")
        found |= here
    return tuple(sorted(found))


def _percent(item: Poured, left: Left) -> float:
    """The most of something that a product may hold, in percent, by its label or its sources."""
    said = (item.likely.percent(left.part.key) or 0.0) if left.part.key in NUTRIENTS else 0.0
    mixtures = item.composition.mixtures
    return max(said, *(part_percent(left.part, one.species_mol_per_kg) for one in mixtures), 0.0)


def _known_share(product: Product) -> float:
    """Of a dry product, what of it is known by its content; 1 for any other."""
    if product.form != "dry" or not product.content:
        return 1.0
    return min(1.0, sum(one.mass_fraction.value for one in product.content))


def _particles(species_mol_per_kg: Mapping[str, float]) -> float:
    """Dissolved particles [mol/kg], which is what salts a soil; water is none."""
    return sum(moles for name, moles in species_mol_per_kg.items() if name != "H2O" and moles > 0.0)


@dataclass(frozen=True)
class _Candidate:
    """A product that may take the place. percent: of what is kept; particles: [mol/kg]."""

    product: Product
    percent: tuple[float, ...]
    made_of: Composition
    particles: float
    sold: bool
    regulated: str
    cost_per_kg: float | None


def _first_of_equals(one: _Candidate) -> tuple[float, bool, str]:
    """Of equal ones what costs the least, where that is known, then what is dry, then by its id."""
    cost = np.inf if one.cost_per_kg is None else one.cost_per_kg / sum(one.percent)
    return float(cost), one.product.form == "liquid", one.product.id


@dataclass(frozen=True)
class _Blend:
    """Some candidates with what they weigh [kg], and how it is written."""

    parts: tuple[tuple[_Candidate, float, str], ...]

    @property
    def lines(self) -> tuple[PouredProduct, ...]:
        """As lines of a pour."""
        return tuple(
            PouredProduct.model_validate({"name": one.product.id, "amount": text}) for one, _, text in self.parts
        )

    @property
    def kind(self) -> frozenset[object]:
        """The same for blends of other strengths of the same."""
        return frozenset(
            (
                frozenset(one.made_of.mixtures[0].species_mol_per_kg) - {"H2O"},
                one.product.form,
                bool(one.regulated),
                one.sold,
            )
            for one, _, _ in self.parts
        )

    def kg(self, key: str) -> float:
        """Of a nutrient."""
        return sum(kg * _nutrient(key, one.product, one.made_of) / 100.0 for one, kg, _ in self.parts)

    @property
    def particles(self) -> float:
        """Moles of them."""
        return sum(kg * one.particles for one, kg, _ in self.parts)

    @property
    def cost(self) -> float | None:
        """By the region's list; None where a price is missing."""
        costs = [None if one.cost_per_kg is None else one.cost_per_kg * kg for one, kg, _ in self.parts]
        return None if None in costs else sum(cost for cost in costs if cost is not None)


def _nutrient(key: str, product: Product, made_of: Composition) -> float:
    """Percent of a nutrient: as the label says, else by what it is made of."""
    said = product.percent(key)
    if said is None and made_of.mixtures:
        return percent_from_species(key, made_of.mixtures[0].species_mol_per_kg)
    return said or 0.0


class _Search:
    """The blends that may take the place of some products, the best first."""

    def __init__(
        self, again: Again, without: tuple[Left, ...], replaced: tuple[int, ...], offered: int, checked: int, why: bool
    ) -> None:
        self.again, self.without = again, without
        self.question, self.catalog = again.question, again.catalog
        question = again.question
        self.out = [question.poured[i] for i in replaced]
        self.stays = [line for i, line in enumerate(question.pour.product) if i not in replaced]
        self.offered, self.checked, self.why = offered, checked, why
        self.metric = metric(question)
        before = {
            key: sum(item.mass_kg * _nutrient(key, item.likely, item.composition) / 100.0 for item in self.out)
            for key in NUTRIENTS
        }
        free = {left.part.key for left in without}
        main = [key for key in _MAIN if key not in free]
        # A nutrient whose product holds none of the three is given for itself; one that holds only what is left out of
        # them was given for that.
        given = _TRACE if any(before[key] > 0.0 for key in _TRACE) else _OTHER
        others = [key for key in given if key not in free and before[key] > 0.0]
        for_others = not any(before[key] > 0.0 for key in _MAIN)
        self.keeps = tuple(others if for_others else [] if not any(before[key] > 0.0 for key in main) else main)
        self.before = before
        self.need = np.array([before[key] for key in self.keeps])

    @property
    def _told(self) -> Swaps:
        return Swaps(
            without=tuple(left.spoken for left in self.without),
            replaces=tuple(item.product.name for item in self.out),
            keeps=tuple(key for key, kg in zip(self.keeps, self.need, strict=True) if kg > 0.0),
        )

    @property
    def swaps(self) -> Swaps:
        """What is offered, or what comes nearest."""
        if not self.out:
            return self._told
        if self.stays and not self._rest_stands():
            rest = self.again(self._with(None)) if self.why else None
            return self._told.model_copy(update={"rest": () if rest is None else rest.blamed})
        if not np.any(self.need > 0.0):
            return self._told.model_copy(update={"proven": True})
        return self._looked_through()

    def _rest_stands(self) -> bool:
        rest = self._with(None)
        # Where it does not stand, why is told.
        return self.again.good(rest) is not None if self.why else self.again.stands(rest)

    def _looked_through(self) -> Swaps:
        good: list[tuple[Swap, float]] = []
        failed: list[_Blend] = []
        looked, best_there_are, proven = 0, 0, False
        kinds: set[frozenset[object]] = set()
        for blend in self._blends():
            if blend is None:
                proven = True
                break
            if blend.kind in kinds:
                continue
            looked += 1
            told = sum(not one.regulated for one, _ in good) >= self.offered
            # A caution that is found later stands behind those that are there.
            seen = (
                None if told and self.again.surely_not_clear(self._with(blend)) else self.again.good(self._with(blend))
            )
            if seen is not None:
                good.append((self._offer(blend, seen), float(looked)))
                best_there_are += seen.only_of(OF_THE_PLACE)
            elif not told:
                failed.append(blend)
            # Of strengths of one solution the best is enough; of what is sold here each is told, with its cost.
            if (told or seen is not None) and not all(one.sold for one, _, _ in blend.parts):
                kinds.add(blend.kind)
            if looked == self.checked or self._none_is_better(good, best_there_are > 0):
                break
        # By their verdict, else in the order in which they were found; what needs a permit behind all others.
        good.sort(key=lambda one: (one[0].regulated, SEVERITY.index(one[0].verdict), one[1]))
        return self._told.model_copy(
            update={
                "offered": tuple(one for one, _ in good[: self.offered]),
                # They come best first: one that none can be better than is the best; another, if nothing is left.
                "proven": proven or best_there_are > 0,
                "looked_at": looked,
                "nearest": self._nearest(failed) if self.why and not good else None,
            }
        )

    def _none_is_better(self, good: Sequence[tuple[Swap, float]], best_there_is: bool) -> bool:
        """Whether nothing that comes later is told: the first that are good are clear, or one of them is as good as any
        can be in this water at this injector."""
        first = [one.verdict for one, _ in good if not one.regulated]
        clear = sum(verdict == "clear" for verdict in first)
        return clear >= self.offered or (best_there_is and clear == 0 and len(first) >= self.offered)

    def _with(self, blend: _Blend | None) -> Pour:
        """What stays in the pour, and a blend."""
        lines = () if blend is None else blend.lines
        return self.question.pour.model_copy(update={"product": (*self.stays, *lines)})

    def _offer(self, blend: _Blend, seen: Seen) -> Swap:
        after = {key: blend.kg(key) for key in NUTRIENTS}
        particles = sum(
            item.mass_kg * _particles(item.composition.mixtures[0].species_mol_per_kg)
            for item in self.out
            if item.composition.mixtures
        )
        least = LITTLE * sum(self.before[key] + after[key] for key in _MAIN)
        return Swap(
            replaces=tuple(item.product.name for item in self.out),
            products=tuple(
                SwapProduct(
                    id=one.product.id,
                    name=one.product.name,
                    amount=text,
                    kg=_tidy(kg),
                    regulated=one.regulated,
                )
                for one, kg, text in blend.parts
            ),
            nitrogen_kg=_tidy(self.before["n"]),
            potash_kg=_tidy(self.before["k2o"]),
            verdict=seen.answer,
            rules=seen.blamed,
            sold_here=all(one.sold for one, _, _ in blend.parts),
            off_percent={
                key: round(100.0 * (after[key] - kg) / kg, 1)
                for key, kg in zip(self.keeps, self.need, strict=True)
                if kg > 0.0
            },
            brings={
                key: Brought(before_kg=_tidy(self.before[key]), after_kg=_tidy(after[key]))
                for key in NUTRIENTS
                if max(self.before[key], after[key]) > least
            },
            salt=round(blend.particles / particles, 2) if particles > 0.0 else None,
            cost=None if (cost := blend.cost) is None else round(cost, 2),
        )

    @cached_property
    def _candidates(self) -> list[_Candidate]:
        """Products that dissolve, free of what is left out, of known composition, strong enough in what is kept."""
        out = {item.product.id for item in self.out}
        sold = _on_the_list(self.catalog, self.question.pour.region)
        found = []
        for product in self.catalog.shelf(sorted(sold)):
            percent = tuple(product.percent(key) or 0.0 for key in self.keeps)
            needed = [share for share, kg in zip(percent, self.need, strict=True) if kg > 0.0]
            if max(needed) < LEAST_PERCENT or product.id in out or product.dissolving != "complete":
                continue
            if set(product.hazards) & _UNWANTED_HAZARDS or (product.form == "liquid" and product.density is None):
                continue
            # What is replaced has none of it, and this would bring it.
            if any(share > LEAST_PERCENT for share, kg in zip(percent, self.need, strict=True) if kg <= 0.0):
                continue
            if not all(self._free_of(product, left) for left in self.without):
                continue
            made_of = composition(product, self.catalog.product)
            if not made_of.exact or not made_of.mixtures:
                continue
            listing = sold.get(product.id)
            found.append(
                _Candidate(
                    product,
                    percent,
                    made_of,
                    # What is not known of a dry grade counts as the rest of it does.
                    _particles(made_of.mixtures[0].species_mol_per_kg) / _known_share(product),
                    listing is not None and listing.sold_here,
                    regulated(product, made_of),
                    None if listing is None else listing.price_per_kg(product),
                )
            )
        return sorted(found, key=_first_of_equals)

    def _free_of(self, product: Product, left: Left) -> bool:
        """Whether a product is sure to hold none: by what it is made of, or by a grade that says 0 of it and a content
        that leaves a little open."""
        said = holds(product, left, self.catalog.product)
        return said == "" or (
            said is not None
            and bool(product.content)
            and left.part.key in _MAIN
            and product.percent(left.part.key) == 0.0
        )

    def _blends(self) -> Iterator[_Blend | None]:
        """Blends that fit, the best first, None when there are no more. One that only adds a product to another that
        was given is left out."""
        if not self._candidates:
            yield None
            return
        for amounts in _Coming(_Chooser(self._candidates, self.need)):
            if self._fits(blend := self._measured(amounts)):
                yield blend
        yield None

    def _measured(self, amounts: Floats) -> _Blend:
        parts = []
        for one, kg in zip(self._candidates, amounts, strict=True):
            if kg > 0.0:
                text, weighed_kg = measured(one.product, float(kg), in_metric=self.metric)
                parts.append((one, weighed_kg, text))
        return _Blend(tuple(parts))

    def _fits(self, blend: _Blend) -> bool:
        """Whether it still does, as it is measured."""
        after = np.array([blend.kg(key) for key in self.keeps])
        return bool(
            np.all(np.abs(after - self.need) <= _tolerance(self.need)) and all(kg > 0.0 for _, kg, _ in blend.parts)
        )

    def _nearest(self, failed: Sequence[_Blend]) -> Swap | None:
        """What comes nearest: of the first blends that are no good the one with the best verdict; where nothing fits,
        what is off by the least."""
        blends = list(failed[:_NEAREST])
        if not blends and self._candidates:
            amounts = _Chooser(self._candidates, self.need, nearest=True).best()
            if amounts is not None and np.any(amounts > 0.0):
                blends = [self._measured(amounts)]
        found = [self._offer(one, seen) for one in blends if (seen := self.again(self._with(one))) is not None]
        return min(found, key=lambda one: SEVERITY.index(one.verdict), default=None)


def _tidy(kg: float) -> float:
    return float(f"{kg:.4g}")


def _tolerance(need: Floats) -> Floats:
    return np.maximum(WITHIN_SHARE * need, LITTLE * float(np.sum(need)))


class _Chooser:
    """The mixed-integer program: how much of each candidate [kg], at most three of them, so that what is kept is within
    its tolerance. Its numbers: the amounts in shares of the largest that may be needed; whether each is there; the
    steps that it is off, whole; whether any is not sold here, and any regulated; the share of the tolerance that it is
    off."""

    def __init__(self, candidates: Sequence[_Candidate], need: Floats, *, nearest: bool = False) -> None:
        count = len(candidates)
        table = np.array([one.percent for one in candidates]).T / 100.0
        # None of one candidate is ever more than what brings all of what is kept, and a little.
        strength = np.sum(table, axis=0)
        self.most = 1.1 * float(np.sum(need)) / strength
        per_share = table * self.most
        tolerance = _tolerance(need)
        whole = np.zeros(2 * count + 4, dtype=bool)
        whole[count : 2 * count + 3] = True
        whole[2 * count] = not nearest
        rows, most = [], []

        def held(row: Floats, at_most: float) -> None:
            rows.append(row)
            most.append(at_most)

        for brings, kg, off in zip(per_share, need, tolerance, strict=True):
            for sign in (1.0, -1.0):
                row = np.zeros(len(whole))
                row[:count], row[-1] = sign * brings, -off
                held(row, sign * kg)
        row = np.zeros(len(whole))
        row[-1], row[2 * count] = float(STEPS), -1.0
        held(row, 0.0)
        total = float(np.sum(need))
        for j, one in enumerate(candidates):
            brought = float(strength[j] * self.most[j] / total)
            for present, amount, at_most in ((-1.0, 1.0, 0.0), (LEAST_SHARE, -brought, 0.0)):
                row = np.zeros(len(whole))
                row[j], row[count + j] = amount, present
                held(row, at_most)
            for place, flagged in ((2 * count + 1, not one.sold), (2 * count + 2, bool(one.regulated))):
                if flagged:
                    row = np.zeros(len(whole))
                    row[count + j], row[place] = 1.0, -1.0
                    held(row, 0.0)
        row = np.zeros(len(whole))
        row[count : 2 * count] = 1.0
        held(row, float(MOST_PRODUCTS))
        high = np.ones(len(whole))
        low = np.zeros(len(whole))
        low[2 * count], high[2 * count] = (0.0, np.inf) if nearest else (1.0, float(STEPS))
        high[-1] = np.inf if nearest else 1.0
        self.program = Program(np.array(rows), np.array(most), low=low, high=high, whole=whole)
        self.count = count
        self.cost = self._cost(candidates)

    def _cost(self, candidates: Sequence[_Candidate]) -> Floats:
        salt = self.most * np.array([one.particles for one in candidates])
        money, bags = np.zeros(self.count), _BAG + _TIE * np.arange(self.count) / self.count
        if all(one.cost_per_kg is not None for one in candidates):
            money, bags = (
                self.most * np.array([one.cost_per_kg or 0.0 for one in candidates]),
                np.full(self.count, _BAG),
            )
        scaled = _SALT * salt / max(float(np.min(salt)), 1e-9) + _COST * money / max(float(np.max(money)), 1e-9)
        return np.concatenate([scaled, bags, [_STEP, _NOT_SOLD, _REGULATED, _OFF]])

    def best(self) -> Floats | None:
        """Amounts [kg], (candidates,), 0 for what is not in it; None where nothing is left that fits."""
        found = self.program.least(self.cost)
        if found is None:
            return None
        there = found[self.count : 2 * self.count] > 0.5
        return np.where(there, found[: self.count] * self.most, 0.0)

    def leave_out(self, there: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> None:
        """Give no blend any more that holds all of these."""
        row = np.zeros(len(self.cost))
        row[self.count : 2 * self.count] = there
        self.program.bounded(row, float(np.sum(there)) - 1.0)


class _Coming:
    """What a program gives, one blend after the other, the best first; the next _AHEAD are looked for on another core
    while somebody weighs one."""

    def __init__(self, program: _Chooser) -> None:
        self._program = program
        self._found: list[Floats | None] = []
        self._one_at_a_time = Lock()
        self._ahead = deque(self._begun(place) for place in range(_AHEAD))

    def __iter__(self) -> Iterator[Floats]:
        try:
            for place in count(_AHEAD):
                self._ahead.append(self._begun(place))
                amounts = self._ahead.popleft().result()
                if amounts is None:
                    return
                yield amounts
        finally:
            for one in self._ahead:
                one.forget()

    def _begun(self, place: int) -> Ahead[Floats | None]:
        return Ahead(lambda: self._at(place))

    def _at(self, place: int) -> Floats | None:
        """The blend at a place; None where there are not so many."""
        with self._one_at_a_time:
            while len(self._found) <= place and (not self._found or self._found[-1] is not None):
                amounts = self._program.best()
                if amounts is not None:
                    self._program.leave_out(amounts > 0.0)
                self._found.append(amounts)
            return self._found[min(place, len(self._found) - 1)]


def _on_the_list(catalog: Catalog, region: str | None) -> dict[str, Listing]:
    """What the list of a region says of products that are sold there or have a price, by product."""
    if region is None:
        return {}
    owner = catalog.owners("region", [region]).get(fold(region), slug(region))
    listings = (one for one in catalog.records("listing") if isinstance(one, Listing))
    return {one.product: one for one in listings if one.region == owner and (one.sold_here or one.price)}
