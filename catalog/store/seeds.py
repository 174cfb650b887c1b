"""Reads `seed_products/`: the records that come with the program."""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Iterator
from functools import lru_cache
from importlib import resources
from importlib.resources.abc import Traversable
from typing import Any

from ..product import Product, Source, fold, plain_name
from ..water.analysis import WaterTest
from ..water.well import Well, written_out
from .entry import Entry
from .parse import parse, read_toml

#: Written so that it holds wherever the package is installed.
SEED_PACKAGE = __name__.rsplit(".", 3)[0] + ".seed_products"
_FOLDERS = ("materials", "aldervane")
_SOURCES = "sources.toml"


def _folder() -> Traversable:
    return resources.files(SEED_PACKAGE)


def _files(folder: str) -> Iterator[Traversable]:
    found = (file for file in _folder().joinpath(folder).iterdir() if file.name.endswith(".toml"))
    yield from sorted(found, key=lambda file: file.name)


def _product_files() -> Iterator[Traversable]:
    yield from (file for folder in _FOLDERS for file in _files(folder) if not file.name.startswith("well-"))


def _well_files() -> Iterator[Traversable]:
    yield from (file for file in _files("aldervane") if file.name.startswith("well-"))


def seed_sources() -> dict[str, Source]:
    """Citations by key."""
    table = read_toml(_folder().joinpath(_SOURCES))
    return {key: parse(Source, {"id": key, **row}, f"{_SOURCES}, {key}") for key, row in table.items()}


def seed_products() -> list[Product]:
    """All seed materials and invented demo products."""
    return [parse(Product, read_toml(file), file.name) for file in _product_files()]


def seed_wells() -> list[Well]:
    """The invented wells of Aldervane."""
    return [parse(Well, read_toml(file), file.name) for file in _well_files()]


def seed_waters() -> list[WaterTest]:
    """The last test of each of them."""
    return [well.last_test() for well in seed_wells()]


def digest() -> str:
    """What the packaged records are, in short: another digest means other records."""
    found = hashlib.sha256()
    for file in (_folder().joinpath(_SOURCES), *(file for folder in _FOLDERS for file in _files(folder))):
        found.update(file.read_bytes())
    return found.hexdigest()


@lru_cache(maxsize=1)
def entries() -> tuple[Entry, ...]:
    """All of them as they are written into a catalog, sources first."""
    sources = [Entry.of(source) for source in seed_sources().values()]
    return (*sources, *map(Entry.of, seed_products()), *map(_well_entry, _well_files()))


def _well_entry(file: Traversable) -> Entry:
    """A well without its quantities being read: the units library takes longer to load than all the rest to be written;
    a test reads them."""
    data: dict[str, Any] = written_out(tomllib.loads(file.read_text("utf-8")))
    names = {fold(name): name for name in (data["id"], data["name"], plain_name(data["name"]))}
    return Entry("well", data["id"], names, json.dumps(data, ensure_ascii=False, separators=(",", ":")))
