"""From plain data to checked values; a fault names file and field, and how to mend it."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Sequence
from importlib.resources.abc import Traversable
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from ..errors import InputError, Unreadable
from ..text import one_line

Model = TypeVar("Model", bound=BaseModel)


def parse(model: type[Model], data: dict[str, Any], where: str) -> Model:
    """A checked value from plain data. Raises: InputError: names the place, field and fault."""
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise input_error(error, where) from None
    except InputError as error:
        raise error.at(where) from None


def _place(loc: tuple[int | str, ...]) -> str:
    """Where in a table: rows are counted from one, as people count."""
    words = ""
    for part in loc:
        if isinstance(part, int):
            words += f" {part + 1}"
        else:
            words += f"{', ' if ' ' in words else '.' if words else ''}{one_line(part)}"
    return words


#: What a fault of a field is called, and how to mend it, by pydantic's name of it.
_FAULTS = {
    "extra_forbidden": ("is not a field that is known here", "check its spelling, or leave it out"),
    "missing": ("is missing", "add it"),
    "too_short": ("is empty", "add one"),
    "string_too_short": ("is empty", "write a name"),
    "string_too_long": ("is too long", "shorten it"),
    "finite_number": ("is not a finite number", "write a plain number"),
    "string_type": ("is not text", "write it in quotes, with its unit"),
    "bool_type": ("is not true or false", "write true or false"),
    "bool_parsing": ("is not true or false", "write true or false"),
    "string_pattern_mismatch": ("has signs that do not fit here", "write small letters, digits and hyphens"),
}


def input_error(error: ValidationError, where: str) -> InputError:
    """The first fault of a validation as one clear line: field, fault, how to mend it."""
    first = error.errors(include_url=False)[0]
    loc, what, mend = _fault(first)
    field = _place(loc)
    if isinstance(first.get("ctx", {}).get("error"), Unreadable):
        return InputError(what, where=f"{where}, {field}", mend=mend)
    return InputError(f"{field} {what}" if field else what, where=where, mend=mend)


def faults_of(error: ValidationError) -> list[tuple[tuple[int | str, ...], str, str]]:
    """All faults of a validation: where in the record, what, and how to mend it."""
    return faults_in(error.errors(include_url=False))


def faults_in(details: Sequence[ErrorDetails]) -> list[tuple[tuple[int | str, ...], str, str]]:
    """The same of the details that a validation gives."""
    return [_fault(one) for one in details]


def _fault(first: ErrorDetails) -> tuple[tuple[int | str, ...], str, str]:
    kind, context = first["type"], first.get("ctx", {})
    what, mend = _FAULTS.get(kind, ("", ""))
    if isinstance(fault := context.get("error"), Unreadable):
        what, mend = fault.what, fault.mend
    elif kind == "value_error":
        what, _, mend = first["msg"].removeprefix("Value error, ").partition("; ")
        mend = mend or "check it"
    elif kind == "literal_error":
        what, mend = "is not a word that is known here", f"write {context.get('expected', 'another')}"
    elif kind in {"greater_than", "greater_than_equal", "less_than", "less_than_equal"}:
        limit = next(iter(context.values()), "")
        side = "above" if kind.startswith("greater") else "below"
        what, mend = (
            f"is {first['input']}, which cannot be",
            f"write a number not {'below' if side == 'above' else 'above'} {limit}",
        )
    elif kind.endswith(("_type", "_parsing")) and not what:
        if kind.startswith(("float", "int")):
            what, mend = "is not a number", "write a plain number"
        elif kind.startswith(("tuple", "list")):
            what, mend = "is not a list", "write a list in brackets"
        else:
            what, mend = "is not a table", "write a table of fields with values"
    elif not what:
        what, mend = first["msg"][:1].lower() + first["msg"][1:], "check it"
    return first["loc"], what, mend


def keys_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """A JSON object (`object_pairs_hook`) whose keys come once. Raises: InputError: one comes twice."""
    out: dict[str, Any] = {}
    for key, value in pairs:
        if key in out:
            raise InputError(f"{one_line(key)} is given twice", mend="keep one of them")
        out[key] = value
    return out


def read_json(text: str, where: str) -> dict[str, Any]:
    """The table in a JSON text. Raises: InputError: what is wrong with it.

    >>> read_json('{"name": "urea"}', "body")
    {'name': 'urea'}
    """
    try:
        data = json.loads(text, object_pairs_hook=keys_once)
    except InputError as error:
        raise error.at(where) from None
    except json.JSONDecodeError as error:
        raise InputError(f"is no JSON ({error})", where=where, mend="write a JSON object") from None
    except RecursionError:
        raise InputError("is nested too deeply", where=where, mend="write it as the schema has it") from None
    except ValueError:
        raise InputError("holds a number that is too large", where=where, mend="write a real amount") from None
    if not isinstance(data, dict):
        raise InputError("is no JSON object", where=where, mend="write its fields in braces, {...}")
    return data


def read_toml(file: Traversable) -> dict[str, Any]:
    """The table in a TOML file. Raises: InputError: names the file and line."""
    try:
        return tomllib.loads(file.read_text("utf-8"))
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", where=file.name, mend="check the file") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(str(error), where=file.name, mend="mend the TOML") from None
