"""Scenarios as columns: B numbers of every quantity that has one, and for every product of the pour where in the room
that its label leaves it stands."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import overload

import numpy as np
from numpy.typing import NDArray

from ...catalog.quantity.table import AMOUNT_FACTOR, OptionalQuantity, Quantity, SureQuantity

Floats = NDArray[np.float64]
Picks = NDArray[np.int64]


@dataclass(frozen=True)
class Columns:
    """B scenarios.

    numbers: by quantity name, (B,) each in the quantity's unit. mixture: (B, products), which of the mixtures of its
    composition a product leans to, 0 for the best estimate; leaning: (B, products), how far it is from the best
    estimate towards that one, 0..1.
    """

    numbers: Mapping[str, Floats]
    mixture: Picks
    leaning: Floats

    def __len__(self) -> int:
        return len(self.numbers[AMOUNT_FACTOR.name])

    @overload
    def of(self, quantity: SureQuantity) -> Floats: ...
    @overload
    def of(self, quantity: OptionalQuantity) -> Floats | None: ...
    @overload
    def of(self, quantity: Quantity) -> Floats | None: ...
    def of(self, quantity: Quantity) -> Floats | None:
        """Numbers of a quantity, (B,); None only for an optional one that this question has none of."""
        if isinstance(quantity, SureQuantity):
            return self.numbers[quantity.name]
        return self.numbers.get(quantity.name)

    def __contains__(self, quantity: Quantity) -> bool:
        return quantity.name in self.numbers

    def moved(self, quantity: Quantity, values: Floats | float) -> Columns:
        """The same with the numbers of one quantity replaced."""
        column = np.broadcast_to(np.asarray(values, dtype=float), (len(self),)).copy()
        return Columns({**self.numbers, quantity.name: column}, self.mixture, self.leaning)

    def all_moved(self, values: Mapping[Quantity, Floats]) -> Columns:
        """The same with the numbers of some quantities replaced, (B,) each."""
        moved = {quantity.name: column for quantity, column in values.items()}
        return Columns({**self.numbers, **moved}, self.mixture, self.leaning)

    def leaned(self, product: int, mixture: Picks | int, leaning: Floats | float) -> Columns:
        """The same with one product elsewhere in the room of its label."""
        mixtures, leanings = self.mixture.copy(), self.leaning.copy()
        mixtures[:, product], leanings[:, product] = mixture, leaning
        return Columns(self.numbers, mixtures, leanings)

    def repeated(self, rows: Picks, times: int) -> Columns:
        """Some of the scenarios, each so many times in a row."""
        index = np.repeat(rows, times)
        return Columns(
            {name: column[index] for name, column in self.numbers.items()}, self.mixture[index], self.leaning[index]
        )

    def grade(self, product: int) -> Picks:
        """Which of its grades a product is, of which only a name that several bear is known, (B,): its first mixture is
        the best estimate, which is the first grade."""
        return np.where(self.leaning[:, product] > 0.5, np.maximum(self.mixture[:, product] - 1, 0), 0)

    @classmethod
    def joined(cls, parts: Sequence[Columns]) -> Columns:
        """Scenarios of one question, one part after the other."""
        names = parts[0].numbers
        return cls(
            {name: np.concatenate([part.numbers[name] for part in parts]) for name in names},
            np.concatenate([part.mixture for part in parts]),
            np.concatenate([part.leaning for part in parts]),
        )
