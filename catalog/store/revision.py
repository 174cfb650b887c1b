"""What the history of a record is made of, and how two of its documents differ."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

from ..product import Record
from .kinds import Kind, record_of

Layer = Literal["seed", "own"]


@dataclass(frozen=True, slots=True)
class Revision:
    """One state of a record: who made it, when and why, and the document.

    layer: "seed" where it came with the program, "own" where somebody saved it. restores: the number of the revision
    whose document it brings back; None where it is a document of its own.
    """

    kind: Kind
    id: str
    number: int
    at: datetime
    by: str
    why: str
    source: str
    layer: Layer
    retired: bool = False
    restores: int | None = None
    document: str = field(default="{}", repr=False)

    def record(self) -> Record:
        """What it says. Raises: InputError: the document makes no sense (anymore)."""
        return record_of(self.kind, self.document, f"{self.kind} {self.id}, revision {self.number}")


@dataclass(frozen=True, slots=True)
class Change:
    """A field that differs between two revisions; None where it is not stated."""

    field: str
    before: Any
    after: Any


@dataclass(frozen=True, slots=True)
class Fault:
    """A record whose document makes no sense; it is left out until a save mends it."""

    kind: Kind
    id: str
    number: int
    what: str


def changes(before: str, after: str) -> list[Change]:
    """Fields that differ between two documents, by name; of lists of dated entries each entry by its day.

    >>> [(c.field, c.before, c.after) for c in changes('{"grade": "1-0-0", "n": {"v": 1}}', '{"n": {"v": 2}}')]
    [('grade', '1-0-0', None), ('n.v', 1, 2)]
    """
    old, new = dict(_fields(_loaded(before))), dict(_fields(_loaded(after)))
    return [
        Change(name, old.get(name), new.get(name))
        for name in sorted(old.keys() | new.keys())
        if old.get(name) != new.get(name)
    ]


def _loaded(document: str) -> dict[str, Any]:
    """A document as a table; an empty one where somebody spoilt it."""
    try:
        found = json.loads(document)
    except ValueError:
        found = None
    return found if isinstance(found, dict) else {}


def _fields(value: Any, name: str = "") -> Iterator[tuple[str, Any]]:
    if isinstance(value, list) and _dated(value):
        value = {one.get("tested_on", "undated"): {k: v for k, v in one.items() if k != "tested_on"} for one in value}
    if isinstance(value, dict) and (value or not name):
        for key, inner in value.items():
            yield from _fields(inner, f"{name}.{key}" if name and key else name or key)
    else:
        yield name, value


def _dated(entries: list[Any]) -> bool:
    return all(isinstance(one, dict) for one in entries) and any("tested_on" in one for one in entries)
