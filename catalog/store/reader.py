"""Reading the catalog through the plain driver, one state at a time."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from .place import Place
from .statements import CHANGES

#: Begins a transaction in which everything is of one state.
_BEGIN = {"sqlite": "BEGIN", "postgresql": "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY"}


#: Signs that the drivers do not take, and that no text of the catalog holds: broken ones, and NUL.
_NOT_HELD = re.compile("[\x00\ud800-\udfff]")


def _askable(value: object) -> object:
    """A value that may be asked for: text with a sign in it that is not held finds nothing, and is no fault."""
    if isinstance(value, str) and not value.isprintable():
        return _NOT_HELD.sub("\N{REPLACEMENT CHARACTER}", value)
    return value


class Reader:
    """A connection that only reads. One thread uses it at a time; others wait."""

    def __init__(self, place: Place, connection: Any) -> None:
        self.place, self.connection = place, connection
        self._lock = threading.RLock()
        self._depth = 0
        #: Letters in a row that very many names hold: nothing to look for (see `narrowing`).
        self.common: set[str] = set()
        #: Whether there is an index of letters in a row; None: nobody looked yet.
        self.name_search: bool | None = None

    def rows(self, statement: str, *values: object) -> list[tuple[Any, ...]]:
        """All rows of a statement (see `statements`)."""
        if self.place.dialect == "postgresql":
            statement = statement.replace("?", "%s")
        asked = tuple(_askable(value) for value in values)
        found: Sequence[tuple[Any, ...]] = self.connection.execute(statement, asked).fetchall()
        return list(found)

    @contextmanager
    def snapshot(self) -> Iterator[bool]:
        """While it is held, everything that is read is of one state; True where it has begun here, and is not inside
        another."""
        with self._lock, self.place.translated():
            outermost = self._depth == 0
            # In memory there is one connection and nobody else; a transaction would only be in the way of its writes.
            alone = self.place.in_memory
            if outermost and not alone:
                self._begin()
            self._depth += 1
            try:
                yield outermost
            finally:
                self._depth -= 1
                if outermost and not alone:
                    self.connection.execute("COMMIT")

    def _begin(self) -> None:
        statement = _BEGIN[self.place.dialect]
        try:
            self.connection.execute(statement)
        except Exception:
            # A server may have ended the connection since; nothing was asked of it yet.
            if not getattr(self.connection, "closed", False):
                raise
            self.connection = self.place.connect()
            self.connection.execute(statement)

    def changes(self) -> str:
        """Counts what was written: another value means that something was."""
        rows = self.rows(CHANGES)
        return str(rows[0][0]) if rows else ""

    def close(self) -> None:
        """Give the connection back."""
        with self._lock:
            self.connection.close()
