"""The kinds of records: which model each has, by which names it goes, and how it is written as a document."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, Literal, get_args

from pydantic import ValidationError

from ..door import refuse_hidden
from ..errors import InputError
from ..jar import JarTest
from ..listing import Listing, RegionRecord
from ..product import NOTHING_HIDDEN, Product, Record, Source, fold, plain_name
from ..text import quoted
from ..water.well import Well
from .parse import input_error

Kind = Literal["product", "well", "source", "region", "listing", "jar"]
KINDS: tuple[Kind, ...] = get_args(Kind)


@dataclass(frozen=True)
class _Made:
    model: type[Record]
    #: Names beside the id.
    called: Callable[[Any], Iterable[str]] = lambda _: ()


_MADE: dict[Kind, _Made] = {
    "product": _Made(Product, lambda product: (product.name, plain_name(product.name), *product.aliases)),
    "well": _Made(Well, lambda well: (well.name, plain_name(well.name))),
    "source": _Made(Source),
    "region": _Made(RegionRecord, lambda region: (region.name, plain_name(region.name))),
    "listing": _Made(Listing),
    "jar": _Made(JarTest),
}
_KIND_OF: dict[type[Record], Kind] = {made.model: kind for kind, made in _MADE.items()}


def kind_of(record: Record) -> Kind:
    """The kind of a record. Raises: InputError: it is none that the catalog keeps."""
    kind = _KIND_OF.get(type(record))
    if kind is None:
        raise InputError(
            f"a {type(record).__name__} is no record of its own",
            mend=f"save one of: {', '.join(made.model.__name__ for made in _MADE.values())}",
        )
    return kind


def kind_named(word: str) -> Kind:
    """The kind of this name. Raises: InputError: there is none."""
    if word not in KINDS:
        raise InputError(f"{quoted(word)} is no kind of record", mend=f"write one of: {', '.join(KINDS)}")
    return word


def id_of(record: Record) -> str:
    """The id of a record. Raises: InputError: it has none."""
    found = getattr(record, "id", "")
    if not isinstance(found, str) or not found:
        raise InputError(f"a {kind_of(record)} needs an id", mend="give it one, in small letters, digits and hyphens")
    return found


def names_of(record: Record) -> dict[str, str]:
    """Every name that a record answers to by its folded form: the id first, then its name (also without
    "(invented)"), then others."""
    called = _MADE[kind_of(record)].called(record)
    return {fold(name): name for name in (id_of(record), *called)}


def document_of(record: Record) -> str:
    """A record as JSON text; what stands at its default is left out.

    Raises: InputError: it holds hidden characters.
    """
    text = record.model_dump_json(exclude_defaults=True)
    if not _plain(text):
        refuse_hidden(json.loads(text))
    return text


def _plain(document: str) -> bool:
    """Whether JSON text surely holds nothing hidden: it writes control characters as escapes."""
    return "\\" not in document and document.isprintable()


def record_of(kind: Kind, document: str, where: str) -> Record:
    """The record that a document holds. Raises: InputError: it makes no sense; says where."""
    try:
        context = NOTHING_HIDDEN if _plain(document) else None
        return _MADE[kind].model.model_validate_json(document, context=context)
    except ValidationError as error:
        raise input_error(error, where) from None
    except InputError as error:
        raise error.at(where) from None
