"""A product that a search found."""

from __future__ import annotations

from dataclasses import dataclass

from ..product import Product


@dataclass(frozen=True, slots=True)
class Match:
    """A product found, why, and how well it fits (0-100).

    not_for_drip: why it does not belong in drip, "" where nothing says so; no_fertilizer: what it is where it feeds
    nothing; not_known: what was to be left out and may be in it, with how much.
    """

    product: Product
    why: str
    score: float
    not_for_drip: str = ""
    no_fertilizer: str = ""
    not_known: tuple[str, ...] = ()
