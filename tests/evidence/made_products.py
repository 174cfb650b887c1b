"""Invented products in any number, named as lists of products are: a maker's word, what it is, a grade, a strength."""

from __future__ import annotations

import random
from collections.abc import Iterator

from pourcheck import Product
from pourcheck.catalog import Sourced

# fmt: off
_SYLLABLES = (
    "al", "bar", "cor", "den", "el", "fen", "gar", "hol", "iv", "jun", "kel", "lor", "mar", "nor", "or", "pel", "quin",
    "ros", "sel", "tor", "ul", "ver", "wil", "yar", "zen",
)
_ENDINGS = (
    "a", "en", "ia", "is", "o", "on", "or", "um", "us", "dale", "field", "gro", "leaf", "lite", "max", "mix", "sol",
    "spring", "ton",
)
# fmt: on
_KINDS = (
    ("calcium nitrate", ("calcium nitrate",), (15, 0, 0)),
    ("potassium nitrate", ("potassium nitrate",), (13, 0, 44)),
    ("ammonium sulfate", ("ammonium sulfate",), (21, 0, 0)),
    ("urea", ("urea",), (46, 0, 0)),
    ("magnesium sulfate", ("magnesium sulfate",), (0, 0, 0)),
    ("bloom", ("monopotassium phosphate", "potassium nitrate"), (6, 30, 30)),
    ("lawn feed", ("urea", "potassium chloride"), (24, 0, 8)),
    ("drip starter", ("urea", "phosphoric acid"), (9, 18, 9)),
    ("micro blend", ("iron EDTA", "zinc sulfate"), (0, 0, 0)),
    ("tomato feed", ("potassium nitrate", "magnesium sulfate"), (8, 4, 24)),
    ("berry acidifier", ("ammonium sulfate", "urea"), (21, 0, 0)),
    ("pasture liquid", ("urea", "ammonium nitrate"), (28, 0, 0)),
    ("orchard potash", ("potassium sulfate",), (0, 0, 50)),
    ("seedling", ("monoammonium phosphate", "urea"), (10, 20, 10)),
)
_STRENGTHS = ("", "plus", "extra", "gold", "soluble", "granular", "premium", "concentrate", "blue", "ready")


def made_products(count: int, seed: int = 1) -> Iterator[Product]:
    """Invented products, no two of one name."""
    draw = random.Random(seed)
    makers = sorted({draw.choice(_SYLLABLES) + draw.choice(_SYLLABLES) + draw.choice(_ENDINGS) for _ in range(3000)})
    taken: set[str] = set()
    while len(taken) < count:
        kind, sources, grade = draw.choice(_KINDS)
        grade_ = [max(0, part + draw.randint(-3, 6)) if part else 0 for part in grade]
        written = "-".join(map(str, grade_))
        name = " ".join(filter(None, [draw.choice(makers).title(), kind, draw.choice(_STRENGTHS), written]))
        if name in taken:
            continue
        taken.add(name)
        yield Product(
            id=f"made-{len(taken)}",
            name=name,
            form="dry",
            grade=written if any(grade_) else "",
            guaranteed={
                key: Sourced(value=part, source="invented")
                for key, part in zip(("n", "p2o5", "k2o"), grade_, strict=True)
            },
            derived_from=sources,
        )
