"""What needs the chemistry, searches or writes: work for a process of its own, plain data in and out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from pydantic_core import to_json

from ...catalog import Catalog, InputError, UnknownName, slug
from ...catalog.store.parse import read_json
from ...catalog.text import escaped
from ..answer.verdict import Depth
from ..ask.pour import Pour
from ..check import check
from ..instead.acids import acid
from ..instead.remedy import remedy
from ..instead.split import split
from ..instead.swap import swap
from .refused import Refused
from .rows import FoundProduct
from .saving import Saved, save_product, save_test

_NAMES_A_FILE = InputError("names a file", where="pour, region", mend="name a region of the catalog")


def as_text(data: object) -> str:
    """JSON on one line, of results and of lists of them; hidden characters are escaped."""
    return escaped(to_json(data, by_alias=True).decode())


@contextmanager
def named_by_the_address() -> Iterator[None]:
    """What the address names and is not there is not found; elsewhere an unknown name is a fault of the input."""
    try:
        yield
    except UnknownName as error:
        raise Refused(404, "not-found", error.what, error.mend) from None


def pour_of(text: str) -> Pour:
    """The pour in a body. Raises: InputError."""
    pour = Pour.parse(read_json(text, "pour"))
    if pour.region is not None and pour.region.endswith(".toml"):
        # On the command line this is a file of the user's own; here it would be one of the server's.
        raise _NAMES_A_FILE
    return pour


def checked(catalog: Catalog, text: str, depth: Depth) -> str:
    """The verdict on the pour in a body."""
    return as_text(check(pour_of(text), catalog, depth=depth))


def swapped(catalog: Catalog, text: str, without: Sequence[str], replaces: Sequence[str]) -> str:
    """The swaps for the pour in a body."""
    return as_text(swap(pour_of(text), catalog, without=without, replaces=replaces))


def parted(catalog: Catalog, text: str) -> str:
    """The splits of the pour in a body."""
    return as_text(split(pour_of(text), catalog))


def mended(catalog: Catalog, text: str, target_ph: float) -> str:
    """The remedies for the pour in a body."""
    return as_text(remedy(pour_of(text), catalog, target_ph=target_ph))


def soured(catalog: Catalog, text: str, target_ph: float, acids: Sequence[str]) -> str:
    """The acids for the pour in a body, or for its water alone."""
    data = read_json(text, "pour")
    if isinstance(data, dict) and not data.get("product"):
        if str(data.get("region", "")).endswith(".toml"):
            raise _NAMES_A_FILE
        return as_text(acid(data, catalog, target_ph=target_ph, acids=acids))
    return as_text(acid(pour_of(text), catalog, target_ph=target_ph, acids=acids))


def found(catalog: Catalog, query: str, limit: int, region: str) -> str:
    """Products that a search finds; what is left out ("no phosphorus") is looked for label by label."""
    return as_text([FoundProduct.of(one) for one in catalog.find(query, limit, region=slug(region))])


def product_saved(catalog: Catalog, id_: str, text: str, start: int, by: str, why: str, anyway: bool) -> Saved:
    """The product in a body, saved under an id."""
    return save_product(catalog, id_, read_json(text, "product"), start, by=by, why=why, anyway=anyway)


def water_test_saved(
    catalog: Catalog, name: str, text: str, start: int, replace: bool, by: str, why: str, anyway: bool
) -> Saved:
    """The water test in a body, added to a well."""
    with named_by_the_address():
        data = read_json(text, "test")
        return save_test(catalog, name, data, start, replace=replace, by=by, why=why, anyway=anyway)
