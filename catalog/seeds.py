"""Reads `seed_products/` into catalog values; a fault names file and field."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from importlib import resources
from importlib.resources.abc import Traversable
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from .errors import InputError
from .product import Product, Source
from .water import WaterTest

Model = TypeVar("Model", bound=BaseModel)


#: Written so that it holds wherever the package is installed.
SEED_PACKAGE = __name__.rsplit(".", 2)[0] + ".seed_products"


def _files(folder: str) -> Iterator[Traversable]:
    place = resources.files(SEED_PACKAGE).joinpath(folder)
    yield from sorted((f for f in place.iterdir() if f.name.endswith(".toml")), key=lambda f: f.name)


def parse(model: type[Model], data: dict[str, Any], where: str) -> Model:
    """A checked value from plain data. Raises: InputError: names the place, field and fault."""
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise input_error(error, where) from None


def input_error(error: ValidationError, where: str) -> InputError:
    """The first fault of a validation as one clear line."""
    first = error.errors(include_url=False)[0]
    field = ".".join(str(part) for part in first["loc"])
    what = first["msg"].removeprefix("Value error, ")
    if first["type"] == "extra_forbidden":
        what = "is not a field that is known here"
    elif first["type"] == "missing":
        what = "is missing"
    return InputError(f"{field} {what}" if field else what, where=where)


def read_toml(file: Traversable) -> dict[str, Any]:
    """The table in a TOML file. Raises: InputError: names the file and line."""
    try:
        return tomllib.loads(file.read_text("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(str(error), where=file.name, mend="mend the TOML") from None


def seed_sources() -> dict[str, Source]:
    """Citations by key."""
    table = read_toml(resources.files(SEED_PACKAGE).joinpath("sources.toml"))
    return {key: parse(Source, row, f"sources.toml, {key}") for key, row in table.items()}


def seed_products() -> list[Product]:
    """All seed materials and invented demo products."""
    return [
        parse(Product, read_toml(file), file.name)
        for folder in ("materials", "tarn_valley")
        for file in _files(folder)
        if not file.name.startswith("well-")
    ]


def seed_waters() -> list[WaterTest]:
    """The invented wells of the Tarn Valley."""
    return [
        parse(WaterTest, read_toml(file), file.name) for file in _files("tarn_valley") if file.name.startswith("well-")
    ]
