"""The pour as it was understood, and the records that the answer rests on."""

from __future__ import annotations

import json
from functools import cache
from hashlib import sha256

from pydantic import BaseModel

from ... import __version__
from ...catalog import Product
from ...catalog.once import once_for_each
from ...catalog.product import GRADE
from ...catalog.quantity.table import AMOUNT_FACTOR, QUANTITIES
from ...catalog.store.grade_names import without_grade
from ..ask.columns import Columns
from ..ask.question import Question
from .numbers import number
from .verdict import PourEcho, PouredEcho, Program, Used


@cache
def program() -> Program:
    """This program and its version."""
    return Program(name="pourcheck", version=__version__)


def echo(question: Question, columns: Columns) -> PourEcho:
    """The pour as it was understood. columns: its scenarios, in which only what is not known is moved."""
    return PourEcho(
        products=tuple(
            PouredEcho(
                name=item.product.name,
                meant=f"{item.product.name} (grade not stated)" if item.grades else meant(line.name, item.product),
                id=None if line.inline or item.grades else item.product.id,
                amount=item.amount.text,
                mass=number(item.mass_kg if item.weight is None else item.kg(columns), "kg"),
            )
            for line, item in zip(question.pour.product, question.poured, strict=True)
        ),
        volume=number(question.bucket_l, "L"),
        made_up="filled-up-to" if question.filled_up else "added-to",
        quantities={
            quantity.key: number(question.fixed.get(quantity.name, values), quantity.unit)
            for quantity in QUANTITIES.values()
            if quantity is not AMOUNT_FACTOR and (values := columns.of(quantity)) is not None
        },
        stated=tuple(quantity.key for quantity in QUANTITIES.values() if question.stated(quantity)),
        day=question.day.isoformat(),
        day_stated=question.day_stated,
    )


#: What tells the grades of a material apart, in front of a name or behind it.
_MADE = ("technical", "granular", "field grade")


def meant(written: str, product: Product) -> str:
    """A product as it was written, with the grade or strength that it was taken for.

    >>> from pourcheck import Catalog
    >>> with Catalog.open("sqlite://") as catalog:
    ...     [meant(name, catalog.product(name)) for name in ("MAP", "sulfuric acid", "oil of vitriol", "urea")]
    ['MAP technical 12-61-0', 'sulfuric acid 93%', 'oil of vitriol (sulfuric acid)', 'urea 46-0-0']
    """
    said = " ".join(written.split())
    known = {name.casefold(): name for name in product.aliases}
    if without_grade(said) != said.casefold() and said.casefold() not in known:
        said = GRADE.sub(" ", said) if without_grade(said) else ""
        said = " ".join(said.split()).strip(" ,;:()")
        if said.casefold() not in {*known, product.name.casefold()}:
            said = product.name
    if not any(letter.isalpha() for letter in said) or said == product.id or not without_grade(said):
        said = product.name
    kind = [made for made in _MADE if f"{made} {said}".casefold() in known]
    longer = (name for name in (product.name, *product.aliases) if name.casefold().startswith(f"{said} ".casefold()))
    strength = [name for name in longer if "%" in name]
    if strength:
        said = said + strength[0][len(said) :]
    elif not product.grade and said.casefold() in known:
        said = f"{said} ({product.name})"
    if kind:
        said = f"{said} {kind[0]}"
    return f"{said} {product.grade}" if product.grade and product.grade not in said else said


def used(question: Question) -> tuple[Used, ...]:
    """The products poured and the well, as they were when the answer was made."""
    found = [
        Used(
            kind="product",
            id=None if line.inline else product.id,
            name=product.name,
            grade=product.grade or None,
            revision=revision(product),
        )
        for line, item in zip(question.pour.product, question.poured, strict=True)
        for product in item.grades or (item.product,)
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


@once_for_each(most=512)
def revision(record: BaseModel) -> str:
    """Fingerprint of what a record says: the first 12 hexadecimal digits of the SHA-256 of its JSON, keys sorted and
    without what is left at its default, so that neither their order nor a field added later changes it."""
    said = record.model_dump(mode="json", exclude_defaults=True)
    return sha256(json.dumps(said, sort_keys=True, separators=(",", ":")).encode("ascii")).hexdigest()[:12]
