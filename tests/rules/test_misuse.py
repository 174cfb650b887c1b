"""What a program gives by mistake is told in one line, as everything else: what, where, how to mend it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pourcheck import Catalog, Fault, Pour, PourcheckError, check, check_each, swap

MISUSES: dict[str, tuple[Callable[[Any], object], str]] = {
    "no pour": (lambda catalog: check(None, catalog), "pour: is a NoneType and no pour; give a Pour, or its fields"),  # type: ignore[arg-type]
    "a number": (lambda catalog: swap(3, catalog), "pour: is a int and no pour"),  # type: ignore[arg-type]
    "a list": (lambda _: Pour.parse([1]), "pour: is a list and no pour"),  # type: ignore[arg-type]
    "nothing in it": (lambda catalog: check({}, catalog), "pour: product is missing; add it"),
    "no file": (lambda _: Pour.load("no/pour.toml"), "no/pour.toml: cannot be read (No such file or directory)"),
    "a folder": (lambda _: Pour.load(Path(".")), ".: cannot be read (Is a directory); check the file name"),
    "no name": (lambda catalog: catalog.product(None), "a NoneType is no name; give the name as text"),
    "a day as text": (lambda catalog: catalog.well("ridge-well", test_of="x"), 'well: "x" is no date'),
    "a kind there is not": (lambda catalog: catalog.history("bag", "urea"), '"bag" is no kind of record'),
    "no record": (lambda catalog: catalog.save(None), "a NoneType is no record of its own"),
    "no place": (lambda _: Catalog.open(3), "database: a int is no place for a catalog"),  # type: ignore[arg-type]
}


@pytest.mark.parametrize("name", MISUSES)
def test_is_told_in_one_line(catalog: Catalog, name: str) -> None:
    act, told = MISUSES[name]
    with pytest.raises(PourcheckError) as raised:
        act(catalog)
    message = str(raised.value)
    assert message.startswith(told)
    assert "; " in message
    assert "\n" not in message


def test_a_closed_catalog(tmp_path: Path) -> None:
    with Catalog.open(tmp_path / "catalog.sqlite3", new=True) as closed:
        pass
    with pytest.raises(PourcheckError, match=r"; open it again$"):
        closed.products()


def test_one_of_many(catalog: Catalog) -> None:
    (fault,) = check_each([None], catalog)  # type: ignore[list-item]
    assert isinstance(fault, Fault)
    assert (fault.code, fault.path, fault.what) == ("input", "pour", "is a NoneType and no pour")
