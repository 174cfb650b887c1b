"""The pour as it was understood, and the records that the answer rests on."""

from __future__ import annotations

import json
from functools import cache
from hashlib import sha256
from importlib import metadata

from pydantic import BaseModel

from ...catalog.quantity.table import AMOUNT_FACTOR, QUANTITIES
from ..ask.columns import Columns
from ..ask.question import Question
from .numbers import number
from .verdict import PourEcho, PouredEcho, Program, Used


@cache
def program() -> Program:
    """This program and its version."""
    return Program(name="pourcheck", version=metadata.version("pourcheck"))


def echo(question: Question, columns: Columns) -> PourEcho:
    """The pour as it was understood."""
    return PourEcho(
        products=tuple(
            PouredEcho(
                name=item.product.name,
                id=None if line.inline else item.product.id,
                amount=item.amount.text,
                mass=number(item.kg(columns), "kg"),
            )
            for line, item in zip(question.pour.product, question.poured, strict=True)
        ),
        volume=number(question.bucket_l, "L"),
        made_up="filled-up-to" if question.filled_up else "added-to",
        quantities={
            quantity.key: number(values, quantity.unit)
            for quantity in QUANTITIES.values()
            if quantity is not AMOUNT_FACTOR and (values := columns.of(quantity)) is not None
        },
        stated=tuple(quantity.key for quantity in QUANTITIES.values() if question.stated(quantity)),
        day=question.day.isoformat(),
    )


def used(question: Question) -> tuple[Used, ...]:
    """The products poured and the well, as they were when the answer was made."""
    found = [
        Used(
            kind="product",
            id=None if line.inline else item.product.id,
            name=item.product.name,
            grade=item.product.grade or None,
            revision=revision(item.product),
        )
        for line, item in zip(question.pour.product, question.poured, strict=True)
    ]
    water = question.water
    if water is not None:
        found.append(
            Used(
                kind="well",
                id=water.id or None,
                name=water.name or "as stated in the pour",
                revision=revision(water),
                tested_on=water.tested_on,
            )
        )
    return tuple(found)


def revision(record: BaseModel) -> str:
    """Fingerprint of what a record says: the first 12 hexadecimal digits of the SHA-256 of its JSON, keys sorted and
    without what is left at its default, so that neither their order nor a field added later changes it."""
    said = record.model_dump(mode="json", exclude_defaults=True)
    return sha256(json.dumps(said, sort_keys=True, separators=(",", ":")).encode("ascii")).hexdigest()[:12]
