"""Remedies: the smallest changes that clear a pour, each asked again before it is offered.

What can be set or fitted is set first. Then numbers are moved, one at a time, over the swept scenarios: how much, how
strong, how warm, how much rain water; what is found is rounded to what a person can set, and asked as any pour is.
Leaving out a product, parting the pour, another source and acid follow the same way.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cached_property
from itertools import combinations
from typing import Any

import numpy as np

from ...catalog import Catalog, InputError, UnknownName
from ...catalog.nutrients import NUTRIENTS, percent_from_species
from ..answer.assess import Weighed, dangerous, one_thread, weigh
from ..answer.verdict import SEVERITY, AcidDose, Remedies, Remedy, RemedyBucket, RemedyKind
from ..ask.pour import Pour, PouredProduct
from ..ask.question import Question
from ..case.case import Case
from ..explore.edges import no_number_turns
from ..explore.reach import reach
from ..families.registry import rule_named
from ..judge.rule import Level, overall
from .acid import TARGET_PH, acid_demands, must_be_target
from .acids import PHOSPHORIC, as_needed, brings_phosphate, dose, refusal, usual_acids, with_acid
from .levers import Levers, Try, three_figures
from .measured import measured, metric
from .once import ask_once
from .recheck import MOST_PRODUCTS, OF_THE_WATER, Again, tables_of
from .seen import GOOD, Seen
from .settings import set_right
from .split import splits_of
from .swap import FREE_PERCENT, swaps_for

#: How much a change asks of a person, by its kind, in the order in which equally good ones are offered (design choice);
#: a number that is changed more counts more.
_EFFORT: Mapping[RemedyKind, float] = {
    "settings": 0.0,
    "weaker-ratio": 1.0,
    "warmer-bucket": 1.2,
    "cooler-bucket": 1.2,
    "less": 2.0,
    "stronger-ratio": 2.0,
    "cooler-line": 2.5,
    "warmer-line": 2.5,
    "split": 2.5,
    "swap": 3.0,
    "bigger-bucket": 3.0,
    "leave-out": 4.0,
    "rain-water": 3.5,
    "acid": 5.0,
    "phosphorus-as-acid": 5.0,
}
#: Kinds of which twice as much, or half, asks for more.
_BY_RATIO = frozenset({"weaker-ratio", "stronger-ratio", "less", "bigger-bucket"})
#: The lowest pH that acid is to bring the line to, tried after the usual target (design choice).
_LOWER_PH = 5.8
#: Blends that are checked for a swap; what nobody misses that a swap leaves out.
_SWAPS_CHECKED, _NO_LOSS = 4, frozenset({"cl", "na"})


def remedy(pour: Pour | Mapping[str, object], catalog: Catalog, *, target_ph: float = TARGET_PH) -> Remedies:
    """The smallest changes that clear a pour: less, weaker, warmer, softer, apart, other sources, acid.

    pour: a Pour, or plain data of the pour schema. target_ph: that acid is to bring the line to.
    Raises: InputError: the pour is not sound, or the pH is none for irrigation.

    >>> from pourcheck import Catalog, remedy
    >>> pour = {"product": [{"name": "potassium sulfate", "amount": "5 lb"}],
    ...         "bucket": {"volume": "5 gal", "temperature": "50 degF"}, "water": {"name": "brook-well"},
    ...         "injection": {"ratio": "1:100", "injector": "measured"}}
    >>> with Catalog.open("sqlite://") as catalog:
    ...     found = remedy(pour, catalog)
    >>> found.verdict, found.offered[0].verdict
    ('stop', 'clear')
    """
    pour = Pour.parse(pour)
    must_be_target(target_ph)
    with one_thread(), catalog.snapshot():
        return remedies_for(weigh(ask_once(pour, catalog)), catalog, target_ph=target_ph)


def remedies_for(
    weighed: Weighed,
    catalog: Catalog,
    *,
    target_ph: float = TARGET_PH,
    apart: bool = True,
    most: int | None = None,
    again: Again | None = None,
) -> Remedies:
    """The same for a pour that was weighed already. apart: also swaps and splits; most: so many are told; again: who
    asks."""
    if again is None:
        again = Again(weighed.question, catalog)
        again.know(weighed)
    if weighed.answer == "clear":
        return Remedies(verdict="clear", offered=())
    found = [one for one in _Mender(weighed, again, target_ph).found(apart=apart) if _better(one, weighed)]
    found.sort(key=lambda one: (SEVERITY.index(one.verdict), _effort(one)))
    return Remedies(
        verdict=weighed.answer,
        offered=tuple(found[:most]),
        beyond=() if found else weighed.blamed,
    )


def _better(one: Remedy, weighed: Weighed) -> bool:
    """Whether it is a better verdict, or the same one for the water's sake alone."""
    if one.verdict not in GOOD:
        return False
    if one.verdict == weighed.answer:
        families = {rule_named(name).family for bucket in one.buckets for name in bucket.rules}
        return families <= OF_THE_WATER and not Seen.of(weighed).only_of(OF_THE_WATER)
    return SEVERITY.index(one.verdict) < SEVERITY.index(weighed.answer)


def _effort(one: Remedy) -> float:
    """How much it asks of a person."""
    times = 0.0
    if one.to is not None and one.now is not None and one.kind in _BY_RATIO:
        times = abs(float(np.log(one.to / one.now)))
    another_day = 2.0 if one.never_together else 0.0
    return _EFFORT[one.kind] + times + another_day + 0.5 * (len(one.buckets) - 1) + 0.1 * len(one.settings)


class _Mender:
    """Remedies of one pour."""

    def __init__(self, weighed: Weighed, again: Again, target_ph: float) -> None:
        self.first, self.again, self.catalog, self.target_ph = weighed, again, again.catalog, target_ph
        self.danger = dangerous(weighed.judged, weighed.question)
        #: What a remedy may still say.
        self.at_most = Level.NOTE if weighed.answer == "caution" else Level.CAUTION
        self.weighed = weighed
        #: What was set, in words for a list, and the tables of the pour that hold it.
        self.settings: tuple[str, ...] = ()
        self.set_tables: tuple[str, ...] = ()
        self._set()

    @property
    def question(self) -> Question:
        """The question, with what can be set as it should be."""
        return self.weighed.question

    def found(self, *, apart: bool) -> Iterator[Remedy]:
        """All that mends it."""
        if self.settings and self.weighed.answer in GOOD:
            yield self._remedy(Try("settings", self.question.pour, ()), [(self.question.pour, self.seen)])
            if self.first.answer in {"stop", "unknown"} or self.seen.only_of(OF_THE_WATER):
                return
        if not self.danger:
            yield from self._numbers()
        yield from self._left_out()
        if apart:
            yield from self._apart()
        if not self.danger:
            yield from self._acidified()
            yield from self._phosphorus_as_acid()

    @cached_property
    def _here_again(self) -> Again:
        """Asks what is changed beside the settings."""
        if self.question is self.first.question:
            return self.again
        again = Again(self.question, self.catalog, self.again.memory)
        again.know(self.weighed)
        return again

    @cached_property
    def seen(self) -> Seen:
        """What the pour comes to, with what can be set as it should be."""
        return Seen.of(self.weighed)

    # --- what can be set or fitted ----------------------------------------------------------------

    def _set(self) -> None:
        """Set what the rules that speak ask for, and ask again."""
        pour, settings, tables = set_right(self.question.pour, self.weighed.judged)
        weighed = self.again.weigh(pour) if settings else None
        if weighed is not None and SEVERITY.index(weighed.answer) <= SEVERITY.index(self.first.answer):
            self.weighed, self.settings, self.set_tables = weighed, settings, tables
            self.danger = dangerous(weighed.judged, weighed.question)

    # --- one number at a time ---------------------------------------------------------------------

    def _numbers(self) -> Iterator[Remedy]:
        """What one number mends."""
        if no_number_turns(self.weighed.judged):
            return
        numbers = list(Levers(self.question)())
        # The water's own caution stays whatever is changed but the water.
        caution = self.first.answer == "caution" and not self.seen.only_of(OF_THE_WATER)
        apart_from = OF_THE_WATER if caution else frozenset()
        found = reach(
            self.question,
            self.weighed.case.columns,
            self.weighed.judge,
            self.weighed.judged,
            [(one.here, one.path) for one in numbers],
            self.at_most,
            apart_from,
        )
        for one, value in zip(numbers, found, strict=True):
            if value is None:
                continue
            done: set[RemedyKind] = set()
            for offer in one.tries(value):
                if offer.kind in done:
                    continue
                seen = self._here_again.good(offer.pour, likely=True)
                if seen is not None:
                    done.add(offer.kind)
                    yield self._remedy(offer, [(offer.pour, seen)])

    # --- without, apart, other sources ------------------------------------------------------------

    def _left_out(self) -> Iterator[Remedy]:
        """Without one of the products, or, where that does not help, without two."""
        poured = self.question.poured
        self._here_again.parts()
        for count in (1, 2):
            helped = False
            for out in combinations(range(len(poured)), count) if len(poured) > count else ():
                changed = self._here_again.part([i for i in range(len(poured)) if i not in out])
                seen = self._good(changed)
                if seen is not None:
                    helped = True
                    names = " and ".join(poured[i].product.name for i in out)
                    lost = self._brought(out)
                    yield self._remedy(Try("leave-out", changed, ("product",), names), [(changed, seen)], lost=lost)
            if helped:
                return

    def _brought(self, places: Sequence[int]) -> dict[str, float]:
        """Nutrients of some of the products [kg]."""
        found = {
            key: sum(
                self.question.poured[i].mass_kg * (self.question.poured[i].likely.percent(key) or 0.0) / 100.0
                for i in places
            )
            for key in NUTRIENTS
            if not key.startswith("n_") and key not in _NO_LOSS
        }
        return {key: three_figures(kg) for key, kg in found.items() if kg > 0.0}

    def _apart(self) -> Iterator[Remedy]:
        """In several buckets; with another source."""
        pour = self.question.pour
        if len(pour.product) <= MOST_PRODUCTS:
            for split in splits_of(self.question, self.catalog, self._here_again, offered=1, why=False).offered:
                buckets = []
                for one in split.buckets:
                    parted = [
                        {**_product(pour.product[i]), "amount": text}
                        for i, text in zip(one.places, one.amounts, strict=True)
                    ]
                    buckets.append(
                        RemedyBucket(
                            products=one.products,
                            change={**tables_of(pour, *self.set_tables), "product": parted},
                            portions=one.portions,
                            verdict=one.verdict,
                            rules=one.rules,
                        )
                    )
                yield Remedy(
                    kind="split",
                    settings=self.settings,
                    unit="buckets",
                    now=1.0,
                    to=float(split.count),
                    buckets=tuple(buckets),
                    verdict=split.verdict,
                    never_together=split.never_together,
                )
        phosphate = any(one.rule.swap_helps and overall(one.level) >= Level.CAUTION for one in self.weighed.judged)
        if phosphate and (other := self._swapped()) is not None:
            yield other
            return
        # Each of the others by itself, where phosphorus is not the trouble.
        for item in self.question.poured:
            if (item.likely.percent("p2o5") or 0.0) <= FREE_PERCENT:
                other = self._swapped(item.product.name)
                if other is not None:
                    yield other

    def _swapped(self, *replaces: str) -> Remedy | None:
        """With other sources in the place of these, or of what holds phosphorus."""
        found = swaps_for(
            self.question,
            self.catalog,
            replaces=replaces,
            offered=1,
            checked=_SWAPS_CHECKED,
            again=self._here_again,
            why=False,
        ).offered
        if not found:
            return None
        (swap, *_) = found
        pour = self.question.pour
        stays = [
            line
            for line, item in zip(pour.product, self.question.poured, strict=True)
            if item.product.name not in swap.replaces
        ]
        lines = [PouredProduct.model_validate({"name": one.id, "amount": one.amount}) for one in swap.products]
        # What it takes more of stands there already.
        changed = self._here_again.added_up(pour.model_copy(update={"product": (*stays, *lines)}))
        seen = self._good(changed)
        if seen is None:
            return None
        lost = {
            key: three_figures(one.before_kg - one.after_kg)
            for key, one in swap.brings.items()
            if not key.startswith("n_") and key not in _NO_LOSS and one.after_kg < 0.5 * one.before_kg
        }
        return self._remedy(Try("swap", changed, ("product",)), [(changed, seen)], lost=lost)

    # --- acid -------------------------------------------------------------------------------------

    def _acidified(self) -> Iterator[Remedy]:
        """With acid in the bucket, so that the line comes to a pH."""
        # Where only the bucket is in trouble, acid is for nothing; out of water with sulfide it drives a toxic gas.
        trouble = Level.CAUTION if self.weighed.answer == "caution" else Level.UNKNOWN
        in_line = any(
            one.rule.family in {"line", "water"} and overall(one.level) >= trouble for one in self.weighed.judged
        )
        if not in_line or refusal(self.question):
            return
        acids = usual_acids(self.question, self.catalog)
        if not acids:
            return
        targets = dict.fromkeys((self.target_ph, min(self.target_ph, _LOWER_PH)))
        # How much is poured follows from the best estimate alone; what is offered is told over all scenarios.
        likely = Case(self.question, self.question.columns(1))
        try:
            demands = [one for to in targets for one in acid_demands(self.question, acids, to, case=likely)]
        except InputError:  # the line is not known well enough
            return
        found = [(one, made[0]) for one in demands if one is not None and (made := with_acid(self.question, one))]
        self._here_again.rule_out([pour for _, pour in found])
        for one, pour in found:
            seen = self._good(pour)
            if seen is None:
                continue
            (demand,) = acid_demands(self.question, (one.acid,), one.target_ph, case=self.weighed.case)
            made = None if demand is None else with_acid(self.question, demand)
            if demand is not None and made is not None:
                tried = Try("acid", pour, ("product",), "pH", None, demand.target_ph)
                yield self._remedy(tried, [(pour, seen)], acid=dose(demand, made[1]))
                return

    def _phosphorus_as_acid(self) -> Iterator[Remedy]:
        """All phosphate as phosphoric acid in a bucket of its own, the rest in another."""
        pour, poured = self.question.pour, self.question.poured
        sources = [i for i, item in enumerate(poured) if brings_phosphate(item.likely)]
        if not sources or not any(
            one.rule.swap_helps and overall(one.level) >= Level.CAUTION for one in self.weighed.judged
        ):
            return
        if any("acid" in poured[i].hazards for i in sources) or refusal(self.question):
            return
        try:
            acid = self.catalog.product(PHOSPHORIC)
        except UnknownName:
            return
        kg = self._brought(sources)
        strength = percent_from_species("p2o5", acid.species_mol_per_kg()) / 100.0
        needed = kg.pop("p2o5") / strength
        text, given = measured(acid, needed, in_metric=metric(self.question))
        if not as_needed(given, needed):
            return
        alone = pour.model_copy(update={"product": (PouredProduct.model_validate({"name": acid.id, "amount": text}),)})
        rest = tuple(line for i, line in enumerate(pour.product) if i not in sources)
        buckets = [alone, *([pour.model_copy(update={"product": rest})] if rest else [])]
        answers = []
        for one in buckets:
            seen = self._good(one)
            if seen is None:
                return
            answers.append((one, seen))
        yield self._remedy(
            Try("phosphorus-as-acid", alone, ("product",), acid.name),
            answers,
            lost=kg,
        )

    # --- what is offered --------------------------------------------------------------------------

    def _good(self, pour: Pour) -> Seen | None:
        return self._here_again.good(pour)

    def _remedy(
        self,
        tried: Try,
        buckets: list[tuple[Pour, Seen]],
        acid: AcidDose | None = None,
        lost: dict[str, float] | None = None,
    ) -> Remedy:
        return Remedy(
            kind=tried.kind,
            settings=self.settings,
            unit=tried.unit,
            now=tried.now,
            to=tried.to,
            buckets=tuple(
                RemedyBucket(
                    products=seen.products,
                    change=tables_of(pour, *tried.tables, *self.set_tables),
                    verdict=seen.answer,
                    rules=seen.blamed,
                )
                for pour, seen in buckets
            ),
            verdict=max((seen.answer for _, seen in buckets), key=SEVERITY.index),
            acid=acid,
            lost=lost or {},
        )


def _product(line: PouredProduct) -> dict[str, Any]:
    return line.model_dump(mode="json", exclude_none=True)
