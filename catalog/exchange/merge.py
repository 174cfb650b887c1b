"""Two people's versions of one list, made one: field by field, against the list that both started from.

What only one of them changed is taken; what both changed alike is taken once; what they changed differently is a
conflict, in which mine stays until somebody decides. Nothing is lost: every change is in the result or in a conflict.
Merging the result again with theirs gives the result and the same conflicts.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from ..errors import InputError
from ..product import Record, Source
from ..store.kinds import id_of, record_of
from ..text import one_line
from . import files
from .records import COLUMNS, KIND_OF, Known, Reading, What, table_of
from .rows import Document, deep, flat

#: Whose value is taken in a conflict.
Side = Literal["mine", "theirs", "base"]
SIDES: tuple[Side, ...] = ("mine", "theirs", "base")
#: Stands for a record, or a field, that is not there.
GONE = None
#: Of a conflict about a record as a whole, the field.
WHOLE = "(all of it)"

Lists = Mapping[What, Mapping[str, Record]]


@dataclass(frozen=True, slots=True)
class Conflict:
    """A field that both changed, each otherwise; None where it is not there. why: of what the merged record cannot
    be, in words; "" else. taken: whose value stands."""

    what: What
    id: str
    field: str
    base: Any
    mine: Any
    theirs: Any
    taken: Side = "mine"
    why: str = ""

    @property
    def key(self) -> tuple[str, str, str]:
        """What a decision about it names."""
        return self.what, self.id, self.field


@dataclass
class Merged:
    """Lists made one. records: by what and id; conflicts: what is to be decided; from_theirs: fields that were taken
    from theirs alone."""

    records: dict[What, dict[str, Record]] = field(default_factory=dict)
    conflicts: list[Conflict] = field(default_factory=list)
    from_theirs: int = 0


Fields = dict[Any, Any]


def merge_fields(base: Fields, mine: Fields, theirs: Fields) -> tuple[Fields, list[Any], int]:
    """Fields of three versions made one; the fields in conflict, and how many were taken from theirs alone.

    >>> merge_fields({"a": 1, "b": 1, "c": 1}, {"a": 2, "b": 1, "c": 2}, {"a": 1, "c": 3})
    ({'a': 2, 'c': 2}, ['c'], 1)
    """
    merged: Fields = {}
    conflicts, taken = [], 0
    for name in dict.fromkeys([*mine, *theirs, *base]):
        was, my, their = (version.get(name, GONE) for version in (base, mine, theirs))
        value = my
        if my == was and their != was:
            value, taken = their, taken + 1
        elif their not in (was, my):
            conflicts.append(name)
        if value is not GONE:
            merged[name] = value
    return merged, conflicts, taken


def merge(
    base: Lists, mine: Lists, theirs: Lists, decided: Mapping[tuple[str, str, str], Side] | None = None
) -> Merged:
    """Three versions of lists made one.

    decided: whose value is taken in conflicts, by `Conflict.key`; mine in others.
    """
    out = Merged()
    for what in dict.fromkeys([*mine, *theirs, *base]):
        found = out.records.setdefault(what, {})
        versions = [lists.get(what, {}) for lists in (base, mine, theirs)]
        for id_ in dict.fromkeys([*versions[1], *versions[2], *versions[0]]):
            record = _merge_record(what, id_, [one.get(id_) for one in versions], decided or {}, out)
            if record is not None:
                found[id_] = record
    return out


def _merge_record(
    what: What,
    id_: str,
    versions: list[Record | None],
    decided: Mapping[tuple[str, str, str], Side],
    out: Merged,
) -> Record | None:
    base, mine, theirs = versions
    by_side = dict(zip(SIDES, (mine, theirs, base), strict=True))
    if mine == theirs or theirs == base:
        return mine
    if mine == base:
        out.from_theirs += 1
        return theirs
    if mine is None or theirs is None:
        # One took it out, the other changed it: what was changed stays until somebody decides.
        kept: Side = decided.get((what, id_, WHOLE), "theirs" if mine is None else "mine")
        out.conflicts.append(
            Conflict(
                what, id_, WHOLE, _told(base), _told(mine), _told(theirs), kept, "one took out what the other changed"
            )
        )
        return by_side[kept]
    fields = [_fields(one) if one is not None else {} for one in (base, mine, theirs)]
    merged, names, taken = merge_fields(*fields)
    found = []
    for path in names:
        values = dict(zip(SIDES, (fields[1].get(path), fields[2].get(path), fields[0].get(path)), strict=True))
        side = decided.get((what, id_, ".".join(path)), "mine")
        merged.pop(path, None)
        if values[side] is not GONE:
            merged[path] = values[side]
        found.append(Conflict(what, id_, ".".join(path), values["base"], values["mine"], values["theirs"], side))
    try:
        record = _record(what, id_, merged)
    except InputError as error:
        # Each version makes sense by itself, and both together do not.
        side = decided.get((what, id_, WHOLE), "mine")
        out.conflicts.append(Conflict(what, id_, WHOLE, _told(base), _told(mine), _told(theirs), side, error.what))
        return by_side[side]
    out.conflicts += found
    out.from_theirs += taken
    return record


def _fields(record: Record) -> dict[Any, Any]:
    """Fields of a record by path; tests of a well by their day."""
    document: Document = record.model_dump(mode="json", exclude_defaults=True)
    if isinstance(tests := document.get("test"), list):
        document["test"] = {test.pop("tested_on", ""): test or {"": True} for test in tests}
    return flat(document)


def _record(what: What, id_: str, fields: Mapping[Any, Any]) -> Record:
    import json

    document = deep(fields)
    if isinstance(tests := document.get("test"), dict):
        document["test"] = [
            {**{name: value for name, value in test.items() if name}, **({"tested_on": day} if day else {})}
            for day, test in tests.items()
        ]
    return record_of(KIND_OF[what], json.dumps(document), id_)


def _told(record: Record | None) -> Any:
    return None if record is None else record.model_dump(mode="json", exclude_defaults=True)


# --- files ----------------------------------------------------------------------------------------


class _Any(dict[str, Source | None]):
    """Every source is known: files are merged without a catalog."""

    def __contains__(self, _: object) -> bool:
        return True


def read_lists(file: str | Path) -> dict[What, dict[str, Record]]:
    """The records of a spreadsheet, by what they are and by id.

    Raises: InputError: it cannot be read, or its first fault and how many more there are.
    """
    path = Path(file)
    found: dict[What, dict[str, Record]] = {}
    faults = []
    with files.opened(path) as sheets:
        named = [sheet for sheet in sheets if sheet.name.lower() in COLUMNS]
        for sheet in named or sheets[:1]:
            try:
                reading = Reading(sheet, Known(sources=_Any()))
            except InputError as error:
                raise error.at(str(path)) from None
            faults += reading.faults
            rows = found.setdefault(reading.what, {})
            for read in reading.rows:
                faults += read.faults
                if read.record is not None:
                    rows[id_of(read.record)] = read.record
    if faults:
        first, more = faults[0], len(faults) - 1
        place = f"row {first.row}{', ' + first.column if first.column else ''}"
        told = f"{first.what}{f' (and {more} more faults)' if more else ''}"
        raise InputError(told, where=f"{path}, {place}", mend=first.mend)
    return found


def write_lists(file: str | Path, lists: Lists) -> None:
    """Write lists to a spreadsheet. Raises: InputError: it cannot be written; of CSV, there are several lists."""
    path = Path(file)
    filled = {what: records for what, records in lists.items() if records} or dict(lists)
    if path.suffix.lower() != files.XLSX and len(filled) > 1:
        raise InputError(
            f"there are {len(filled)} lists ({', '.join(filled)})", where=str(path), mend="write an .xlsx file"
        )
    files.write(path, [table_of(what, records.values()) for what, records in filled.items()])


_TITLES = ("List", "ID", "Field", "Base", "Mine", "Theirs", "Take", "# Why")


def write_conflicts(file: str | Path, conflicts: Iterable[Conflict]) -> None:
    """Write conflicts to a spreadsheet with a column to decide in: mine, theirs or base. Raises: InputError."""
    rows = [
        [
            one.what,
            one.id,
            one.field,
            *(_shown(value) for value in (one.base, one.mine, one.theirs)),
            one.taken,
            one.why,
        ]
        for one in conflicts
    ]
    files.write(Path(file), [files.Table("Conflicts", _TITLES, rows)])


def _shown(value: Any) -> str | None:
    import json

    return value if value is None or isinstance(value, str) else json.dumps(value, ensure_ascii=False)


def read_decisions(file: str | Path) -> dict[tuple[str, str, str], Side]:
    """What was decided in a spreadsheet of conflicts. Raises: InputError: names the row."""
    from .cells import text_of

    found: dict[tuple[str, str, str], Side] = {}
    with files.opened(Path(file)) as sheets:
        rows = iter(sheets[0].rows)
        _, head = next(rows, (1, []))
        titles = [text_of(cell) for cell in head]
        if missing := [title for title in ("List", "ID", "Field", "Take") if title not in titles]:
            raise InputError(f"has no column {missing[0]}", where=str(file), mend="take the file that merge wrote")
        for number, cells in rows:
            row = {title: text_of(cells[i]) if i < len(cells) else "" for i, title in enumerate(titles)}
            side = row["Take"].lower()
            if side not in SIDES:
                raise InputError(
                    f'"{one_line(side)}" is not mine, theirs or base',
                    where=f"{file}, row {number}, Take",
                    mend="write one",
                )
            found[row["List"], row["ID"], row["Field"]] = side
    return found
