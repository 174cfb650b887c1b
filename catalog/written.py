"""Entries as people write them: densities and percentages as text, one source for all, lists in one line."""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Mapping
from typing import Any

from .door import refuse_hidden
from .errors import InputError
from .exchange.rows import NUMBERED, sourced_by
from .exchange.sources import source_for
from .nutrients import NUTRIENTS, nutrient_named
from .product import NUMBERS, Product, Source, slug
from .quantity.units import density_kg_per_l
from .store.parse import parse
from .text import quoted

#: Fields of a product that are lists of names.
LISTS = ("aliases", "derived_from", "hazards")
_PERCENT = re.compile(r"(\d+(?:\.\d+)?|\.\d+)\s*%?")
#: Words that say neither the element nor the oxide.
_UNSURE = {"p": "p2o5", "phosphorus": "p2o5", "phosphate": "p2o5", "k": "k2o", "potassium": "k2o"}

Document = dict[str, Any]


def read_product(data: Mapping[str, Any], sources: Mapping[str, Source], where: str) -> tuple[Product, list[Source]]:
    """A product that somebody wrote, and the sources that it is the first to name.

    data: fields of a Product, of which these may be shorter: `density = "10.1 lb/gal"`; `guaranteed.Fe = "0.1 %"`;
    `derived_from = "urea, potassium nitrate"`; `source` for all numbers that name none; no `id`, which is then made
    from the name. sources: those that are known, by key.
    Raises: InputError: names the field.

    >>> feed, new = read_product({"name": "Feed 9-0-12", "form": "liquid", "grade": "9-0-12", "density": "10.1 lb/gal",
    ...     "source": "label read 2026-05-02"}, {}, "feed.toml")
    >>> feed.id, feed.density.kg_per_l, new[0].id
    ('feed-9-0-12', 1.21024692, 'label-read-2026-05-02')
    """
    refuse_hidden(dict(data))
    document: Document = dict(data)
    source = document.pop("source", "")
    if not isinstance(source, str):
        raise InputError("source is not text", where=where, mend="write where the numbers were read")
    if "id" not in document:
        document["id"] = id_of_name(document.get("name"), where)
    for field in LISTS:
        if isinstance(text := document.get(field), str):
            document[field] = listed(text)
    if isinstance(text := document.get("density"), str):
        document["density"] = {"kg_per_l": _density(text, f"{where}, density")}
    for group in NUMBERED:
        if isinstance(table := document.get(group), Mapping):
            document[group] = _numbers(group, table, f"{where}, {group}")
    new: list[Source] = []
    if lacking := _without_source(document):
        if not source.strip():
            raise InputError(
                f"{lacking} names no source",
                where=where,
                mend='add source = "label read 2026-05-02" (an option: --source)',
            )
        key, made = source_for(source, sources)
        sourced_by(document, key)
        new = [made] if made is not None else []
    return parse(Product, document, where), new


def id_of_name(name: object, where: str) -> str:
    """The id that a name makes; of no name any, as the name is then what is told to be wrong."""
    if isinstance(name, str) and name.strip() and not slug(name):
        raise InputError(f"{quoted(name)} makes no id", where=where, mend="add an id: small letters, digits, hyphens")
    return slug(name) if isinstance(name, str) and slug(name) else "unnamed"


def listed(text: str) -> list[str]:
    """Names in one line, parted by commas, or by semicolons where there are any.

    >>> listed("urea, potassium nitrate"), listed("one, with a comma; another")
    (['urea', 'potassium nitrate'], ['one, with a comma', 'another'])
    """
    return [name for part in text.split(";" if ";" in text else ",") if (name := part.strip())]


def _density(text: str, where: str) -> float:
    return float(f"{density_kg_per_l(text, where):.9g}")


def _numbers(group: str, table: Mapping[str, Any], where: str) -> Document:
    """Numbers by their key, each as a table; a nutrient may go by any of its names."""
    found: Document = {}
    for word, value in table.items():
        key = str(word) if group == "numbers" else nutrient_key(str(word), where)
        if key in found:
            raise InputError(f"{key} is given twice", where=where, mend="keep one of them")
        if isinstance(value, Mapping):
            number = dict(value)
            if isinstance(text := number.get("value"), str):
                number["value"] = _number(key, text, where)
            found[key] = number
        else:
            found[key] = {"value": _number(key, value, where)}
    return found


def nutrient_key(word: str, where: str = "") -> str:
    """The key of a nutrient that a label names: "Fe", "nitrate nitrogen", "K2O".

    Raises: InputError: none, or one that says neither the element nor the oxide.
    """
    plain = " ".join(word.lower().split())
    if plain in _UNSURE:
        label = NUTRIENTS[_UNSURE[plain]].basis
        raise InputError(
            f"{quoted(word)} does not say whether it is the element or the oxide",
            where=where,
            mend=f"write {label}, with the percentage on that basis",
        )
    key = plain if plain in NUTRIENTS else nutrient_named(plain)
    if key is None:
        raise InputError(f"{quoted(word)} is no nutrient", where=where, mend=f"write one of: {', '.join(NUTRIENTS)}")
    return key


def _number(key: str, value: Any, where: str) -> Any:
    if not isinstance(value, str):
        return value
    percent = NUMBERS.get(key, "percent") == "percent"
    text = value.strip()
    if (match := _PERCENT.fullmatch(text)) and (percent or "%" not in text):
        return float(match[1])
    try:
        return float(text)
    except ValueError:
        example = f'"{key} = 0.1 %"' if percent else f'"{key} = 7.2"'
        raise InputError(f"{quoted(value)} is not a number", where=f"{where}.{key}", mend=f"write {example}") from None


def _without_source(document: Document) -> str:
    """The first number that names no source, in words; "" where all do."""
    for group in NUMBERED:
        table = document.get(group)
        for key, number in table.items() if isinstance(table, dict) else ():
            if isinstance(number, dict) and "source" not in number:
                return f"{group} {key}"
    density = document.get("density")
    return "density" if isinstance(density, dict) and "source" not in density else ""


# --- changes of fields --------------------------------------------------------------------------------


def changed(document: Mapping[str, Any], settings: Mapping[str, Any], unset: Collection[str] = ()) -> Document:
    """A document with fields set, each written as `name` or `table.name`, and others taken out.

    A number keeps the source that it has. Raises: InputError: a path leads into what is no table.

    >>> changed({"guaranteed": {"fe": {"value": 0.1, "source": "label"}}}, {"guaranteed.Fe": "0.2 %"})
    {'guaranteed': {'fe': {'value': '0.2 %', 'source': 'label'}}}
    """
    out: Document = json.loads(json.dumps(document))  # a copy, all the way down
    for name, text in settings.items():
        *tables, last = _path(name)
        inner = out
        for part in tables:
            inner = inner.setdefault(part, {})
            if not isinstance(inner, dict):
                raise InputError(f"{quoted(name)} leads into a field that is no table", mend=f"write {part}")
        old = inner.get(last)
        if isinstance(old, dict) and "value" in old:
            inner[last] = {**old, "value": text}
        elif name == "density" and isinstance(old, dict) and isinstance(text, str):
            inner[last] = {**old, "kg_per_l": _density(text, name)}
        else:
            inner[last] = _yes_or_no(text) if last in _YES_OR_NO else text
    for name in unset:
        *tables, last = _path(name)
        inner = out
        for part in tables:
            inner = inner.get(part, {})
        if not isinstance(inner, dict) or last not in inner:
            raise InputError(f"{quoted(name)} is not set", mend="look at its fields: show --json")
        del inner[last]
    return out


def _path(name: str) -> list[str]:
    """The parts of a field's path; a nutrient by any of its names."""
    table, dot, key = name.strip().partition(".")
    if table in ("guaranteed", "at_most") and dot:
        word, dot, rest = key.partition(".")
        return [table, nutrient_key(word), *([rest] if dot else [])]
    return [part.strip() for part in name.split(".")]


#: Fields that are true or false.
_YES_OR_NO = ("invented", "softened", "sold_here")


def _yes_or_no(text: Any) -> Any:
    words = {"true": True, "yes": True, "false": False, "no": False}
    return words.get(text.strip().lower(), text) if isinstance(text, str) else text


def toml_text(document: Mapping[str, Any]) -> str:
    """A document as TOML: plain fields first, then tables, then lists of tables.

    >>> print(toml_text({"name": "feed", "guaranteed": {"fe": {"value": 0.1, "source": "label"}}, "aliases": ["f"]}))
    name = "feed"
    aliases = ["f"]
    <BLANKLINE>
    [guaranteed]
    fe = { value = 0.1, source = "label" }
    <BLANKLINE>
    """
    tables = {key: value for key, value in document.items() if isinstance(value, Mapping)}
    rows = {key: value for key, value in document.items() if _is_rows(value)}
    lines = [f"{_key(key)} = {_value(value)}" for key, value in document.items() if key not in {**tables, **rows}]
    for key, table in tables.items():
        lines += ["", f"[{_key(key)}]", *(f"{_key(name)} = {_value(value)}" for name, value in table.items())]
    for key, some in rows.items():
        for row in some:
            lines += ["", f"[[{_key(key)}]]", *(f"{_key(name)} = {_value(value)}" for name, value in row.items())]
    return "\n".join(lines).lstrip("\n") + "\n"


def _is_rows(value: object) -> bool:
    return isinstance(value, list | tuple) and bool(value) and all(isinstance(one, Mapping) for one in value)


def _key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else json.dumps(key)


def _value(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(key)} = {_value(inner)}" for key, inner in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_value, value)) + "]"
    return json.dumps(value, ensure_ascii=False)
