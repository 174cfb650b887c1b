"""Errors that reach a user; each message ends with how to mend it, on one line of at most `LONGEST` characters.

PourcheckError
├─ InputError           what, where (file, row, field), how to mend
│  ├─ UnknownName       a product or well that is not in the catalog
│  └─ ChangedMeanwhile  somebody else saved the record that was being edited
└─ CatalogError         which database, what, how to mend
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from .text import both_ends, one_line, quoted

#: Characters in a message, whatever was put in.
LONGEST = 400
#: Of an overlong message, so much is left of where it happened and of what is wrong; the rest is for the cure.
_WHERE, _WHAT = 100, 200
_LINE_ENDS = re.compile(r"\s*[\r\n]+\s*")


def fitted(where: str, what: str, mend: str) -> tuple[str, str, str]:
    """Place, fault and cure without hidden characters, shortened where the three are too long together."""
    where, what, mend = (_LINE_ENDS.sub(" ", part.strip()) for part in (where, what, mend))
    if len(where) + len(what) + len(mend) + len(": ; ") <= LONGEST:
        return both_ends(where, LONGEST), one_line(what, LONGEST), one_line(mend, LONGEST)
    where, what = both_ends(where, _WHERE), one_line(what, _WHAT)
    return where, what, one_line(mend, LONGEST - len(where) - len(what) - len(": ; "))


class PourcheckError(Exception):
    """Base of everything that pourcheck raises on purpose."""


class InputError(PourcheckError):
    """Input that cannot be read or makes no sense.

    Args: what: the fault; where: field, file or row; mend: what to write instead.

    >>> print(InputError("is missing", where="pour.toml, bucket", mend='add volume = "5 gal"'))
    pour.toml, bucket: is missing; add volume = "5 gal"
    """

    def __init__(self, what: str, *, where: str = "", mend: str = "") -> None:
        self.where, self.what, self.mend = where, what, mend = fitted(where, what, mend)
        super().__init__("".join([f"{where}: " if where else "", what, f"; {mend}" if mend else ""]))

    def at(self, where: str) -> InputError:
        """The same fault, with the place it was found in put in front."""
        place = f"{where}, {self.where}" if self.where else where
        return InputError(self.what, where=place, mend=self.mend)


class Unreadable(ValueError):
    """A field's text that cannot be read as what it should be; whoever reads the record says where it stands."""

    def __init__(self, what: str, mend: str) -> None:
        _, self.what, self.mend = _, what, mend = fitted("", what, mend)
        super().__init__(f"{what}; {mend}" if mend else what)


class UnknownName(InputError):
    """A name that the catalog does not hold; `nearest` are names that it does hold;
    `retired`: it holds the record, which was taken out of use.

    >>> print(UnknownName("product", "uera", ["urea"]))
    unknown product "uera"; nearest: "urea"
    """

    def __init__(self, kind: str, name: str, nearest: list[str], *, retired: bool = False) -> None:
        self.name, self.nearest, self.retired = name, nearest, retired
        if retired:
            super().__init__(f"{kind} {quoted(name)} was retired", mend="take another, or bring it back with undo")
            return
        offered = "nearest: " + ", ".join(quoted(n) for n in nearest) if nearest else "try: pourcheck find"
        super().__init__(f"unknown {kind} {quoted(name)}", mend=offered)

    def at(self, where: str) -> InputError:
        """An unknown name names itself; the place adds nothing for the reader."""
        del where
        return self


class ChangedMeanwhile(InputError):
    """Somebody else saved a record while it was being edited; names both changes.

    Attributes: record: kind and id; number: the revision that stands now; by, at_time: who saved it and when; theirs,
    ours: fields that they and we changed.

    >>> print(ChangedMeanwhile("product urea", 3, "B. Adviser", "2026-05-02 10:11 UTC", ["notes"], ["density"]))
    product urea: was changed in the meantime by B. Adviser on 2026-05-02 10:11 UTC (revision 3: notes), you changed \
density; look at revision 3, and save your change on top of it
    """

    def __init__(self, record: str, number: int, by: str, at: str, theirs: Sequence[str], ours: Sequence[str]) -> None:
        self.record, self.number, self.by, self.at_time = record, number, by, at
        self.theirs, self.ours = tuple(theirs), tuple(ours)
        super().__init__(
            f"was changed in the meantime by {by or 'somebody'} on {at} (revision {number}: {_few(theirs)}), "
            f"you changed {_few(ours)}",
            where=record,
            mend=f"look at revision {number}, and save your change on top of it",
        )


def _few(fields: Sequence[str], most: int = 4) -> str:
    more = f" and {len(fields) - most} more" if len(fields) > most else ""
    return (", ".join(fields[:most]) or "nothing") + more


class CatalogError(PourcheckError):
    """A database that cannot be opened, read or written.

    >>> print(CatalogError("is damaged", database="list.sqlite3", mend="restore it"))
    list.sqlite3: is damaged; restore it
    """

    def __init__(self, what: str, *, database: str, mend: str) -> None:
        self.database = database
        where, what, mend = fitted(database, what, mend)
        super().__init__(f"{where}: {what}; {mend}")
