"""Reads `seed_products/` into catalog values."""

from __future__ import annotations

from collections.abc import Iterator
from importlib import resources
from importlib.resources.abc import Traversable

from ..product import Product, Source
from ..water.analysis import WaterTest
from .parse import parse, read_toml

#: Written so that it holds wherever the package is installed.
SEED_PACKAGE = __name__.rsplit(".", 3)[0] + ".seed_products"


def _files(folder: str) -> Iterator[Traversable]:
    place = resources.files(SEED_PACKAGE).joinpath(folder)
    yield from sorted((f for f in place.iterdir() if f.name.endswith(".toml")), key=lambda f: f.name)


def seed_sources() -> dict[str, Source]:
    """Citations by key."""
    table = read_toml(resources.files(SEED_PACKAGE).joinpath("sources.toml"))
    return {key: parse(Source, {"id": key, **row}, f"sources.toml, {key}") for key, row in table.items()}


def seed_products() -> list[Product]:
    """All seed materials and invented demo products."""
    return [
        parse(Product, read_toml(file), file.name)
        for folder in ("materials", "aldervane")
        for file in _files(folder)
        if not file.name.startswith("well-")
    ]


def seed_waters() -> list[WaterTest]:
    """The invented wells of Aldervane."""
    return [
        parse(WaterTest, read_toml(file), file.name) for file in _files("aldervane") if file.name.startswith("well-")
    ]
