"""Where a catalog is kept, and the plain connections to it: a SQLite file, SQLite in memory, or PostgreSQL."""

from __future__ import annotations

import os
import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal
from urllib.parse import unquote, urlsplit

from ..errors import CatalogError

DATABASE_VARIABLE = "POURCHECK_DB"
#: How long a connection waits for another that writes [s].
PATIENCE_S = 30.0

Dialect = Literal["sqlite", "postgresql"]


def default_database() -> str:
    """The database that is used when none is named: $POURCHECK_DB, else a file in the data folder."""
    if chosen := os.environ.get(DATABASE_VARIABLE):
        return chosen
    from platformdirs import user_data_path

    return str(user_data_path("pourcheck", appauthor=False) / "catalog.sqlite3")


def without_password(database: str) -> str:
    """The database as it may be printed."""
    return re.sub(r"(://[^:/@]*):[^@]*@", r"\1:***@", database)


@dataclass(frozen=True)
class Place:
    """A place for a catalog. file: the SQLite file; None in memory and on PostgreSQL. uri: what the driver opens."""

    database: str
    dialect: Dialect
    file: Path | None
    uri: str

    @classmethod
    def named(cls, database: str | os.PathLike[str]) -> Place:
        """The place that a file name or URL tells. Raises: CatalogError: it is no such name."""
        try:
            database = os.fspath(database)
        except TypeError:
            raise _no_place(f"a {type(database).__name__} is no place for a catalog", "database") from None
        shown = without_password(database)
        if "\0" in database:
            raise _no_place("is not a file name: it holds a zero byte", shown)
        scheme, sign, rest = database.partition("://")
        if not sign:
            return cls._of_file(shown, Path(database).expanduser())
        if scheme.partition("+")[0] in {"postgresql", "postgres"}:
            try:
                urlsplit(database).port  # noqa: B018  (an impossible one raises)
            except ValueError:
                raise _no_place("is not a database URL (its port cannot be read)", shown) from None
            return cls(shown, "postgresql", None, f"postgresql://{rest}")
        if scheme != "sqlite":
            raise _no_place(
                f"is no place for a catalog ({scheme} is not known)" if scheme else "is not a database URL", shown
            )
        path = rest.removeprefix("/")
        if path in {"", ":memory:"}:
            return cls(shown, "sqlite", None, ":memory:")
        if path.startswith("file:"):
            name, _, options = path.removeprefix("file:").partition("?")
            kept = "&".join(one for one in options.split("&") if one and one != "uri=true")
            return cls(shown, "sqlite", Path(unquote(name)), f"file:{name}?{kept}")
        return cls._of_file(shown, Path(path.partition("?")[0]))

    @classmethod
    def _of_file(cls, shown: str, path: Path) -> Place:
        return cls(shown, "sqlite", path, "file:" + _quoted_path(path.absolute()))

    @property
    def in_memory(self) -> bool:
        """True where it is gone with its connection."""
        return self.dialect == "sqlite" and self.file is None

    def exists(self) -> bool:
        """False where there is surely no catalog yet."""
        if self.file is None:
            return self.dialect == "postgresql"
        try:
            return self.file.is_dir() or (self.file.exists() and self.file.stat().st_size > 0)
        except OSError:
            return False

    def make_folder(self) -> None:
        """Make the folders that lead to the file. Raises: CatalogError: that cannot be."""
        if self.file is None:
            return
        try:
            self.file.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise _no_place(f"cannot make its folder ({error.strerror})", self.database) from None

    def connect(self, *, make: bool = False) -> Any:
        """A plain connection (PEP 249) without transactions of its own: each begins and ends where it is said.

        make: a SQLite file that is not there is made. Raises: the errors of the driver; CatalogError: it is missing.
        """
        return self._postgresql() if self.dialect == "postgresql" else self._sqlite(make)

    def _sqlite(self, make: bool) -> sqlite3.Connection:
        uri = self.uri
        if self.file is not None and "?" not in uri:
            uri += f"?mode={'rwc' if make else 'rw'}"
            if not make and self._on_read_only_medium():
                # Beside a file that is being written stand its logs, which cannot be made there: nobody writes it.
                uri = uri.partition("?")[0] + "?mode=ro&immutable=1"
        connection = sqlite3.connect(
            uri, uri=uri.startswith("file:"), timeout=PATIENCE_S, isolation_level=None, check_same_thread=False
        )
        connection.execute("PRAGMA foreign_keys=ON")
        return connection

    def _on_read_only_medium(self) -> bool:
        assert self.file is not None
        return (
            self.file.is_file()
            and not os.access(self.file.parent, os.W_OK)
            and not self.file.with_name(self.file.name + "-wal").exists()
        )

    def _postgresql(self) -> Any:
        try:
            import psycopg
        except ImportError:
            raise CatalogError(
                "has no driver installed",
                database=self.database,
                mend='install it: pip install "pourcheck[postgresql]"',
            ) from None
        return psycopg.connect(self.uri, autocommit=True, application_name="pourcheck")

    @contextmanager
    def translated(self) -> Iterator[None]:
        """Errors of the database as one line that says what to do."""
        try:
            yield
        except Exception as error:
            if not _of_a_driver(error):
                raise
            reason = _reason(error)
            raise CatalogError(f"cannot be used ({reason})", database=self.database, mend=_mend(reason)) from None


def _no_place(what: str, shown: str) -> CatalogError:
    return CatalogError(what, database=shown, mend="name a file or a PostgreSQL URL with --db")


def _quoted_path(path: Path) -> str:
    """A path as SQLite reads it in a URI."""
    return str(path).replace("%", "%25").replace("?", "%3f").replace("#", "%23")


#: Packages whose errors are those of a database.
_DRIVERS = {"sqlite3", "psycopg", "sqlalchemy"}


def _of_a_driver(error: Exception) -> bool:
    return any(base.__module__.partition(".")[0] in _DRIVERS for base in type(error).__mro__)


def _reason(error: Exception) -> str:
    return str(getattr(error, "orig", None) or error).strip().partition("\n")[0] or type(error).__name__


#: What a driver's words mean for whoever reads them: the cure by a part of the message, the first that fits.
_CURES = (
    ("locked", "another program is writing to it: try again"),
    ("is full", "make room on the disk; nothing was written"),
    ("No space left", "make room on the disk; nothing was written"),
    ("readonly", "it may only be read: choose one that you may write to with --db"),
    ("read-only", "it may only be read: choose one that you may write to with --db"),
    ("permission denied", "ask whoever runs the database for the right to it"),
    ("malformed", "restore a backup of it: pourcheck catalog restore"),
    ("not a database", "name a catalog with --db"),
    ("closed database", "open it again"),
    ("onnection", "check the address, and that the server runs"),
)


def _mend(reason: str) -> str:
    for part, cure in _CURES:
        if part in reason:
            return cure
    return "check that it is a pourcheck catalog that you may write to, or choose another with --db"
