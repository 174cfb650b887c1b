"""Copies of a SQLite catalog while it is in use, and back."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path

from ..errors import CatalogError
from .opening import tables_of
from .place import Place
from .reader import Reader


def back_up(place: Place, to: Path) -> None:
    """Copy a catalog to a new file, of one state.

    Raises: CatalogError: the file is there already, it is no SQLite catalog, or it cannot be written; nothing is left.
    """
    _only_files(place)
    if to.exists():
        raise CatalogError("is there already", database=str(to), mend="name another file for the backup")
    with place.translated():
        if not place.exists():
            raise CatalogError("is not there", database=place.database, mend="check the name")
        source = place.connect()
        try:
            if "catalog_meta" not in tables_of(Reader(place, source)):
                raise CatalogError("holds no catalog", database=place.database, mend="name a catalog with --db")
            _copy(source, to)
        finally:
            source.close()


def restore(place: Place, backup: Path) -> None:
    """Replace a catalog by a backup, all or nothing; one that is open elsewhere goes on with the restored one.

    Raises: CatalogError: the backup is no catalog, or the place cannot be written.
    """
    _only_files(place)
    assert place.file is not None
    taken = Place.named(str(backup))
    if not taken.exists():
        raise CatalogError("is not there", database=taken.database, mend="check the name of the backup")
    place.make_folder()
    with taken.translated():
        source = taken.connect()
        try:
            if "catalog_meta" not in tables_of(Reader(taken, source)):
                raise CatalogError("holds no catalog", database=taken.database, mend="name a backup of one")
            if source.execute("PRAGMA quick_check").fetchone() != ("ok",):
                raise CatalogError("is damaged", database=taken.database, mend="name another backup")
            with place.translated():
                try:
                    _into(source, place)
                except sqlite3.DatabaseError as error:
                    if isinstance(error, sqlite3.OperationalError):
                        raise
                    # What is there is no database anymore: it gives way to the copy.
                    _copy(source, place.file, over=True)
        finally:
            source.close()


def _only_files(place: Place) -> None:
    if place.file is None:
        raise CatalogError("is no SQLite file", database=place.database, mend="for PostgreSQL use pg_dump, pg_restore")


def _into(source: sqlite3.Connection, place: Place) -> None:
    target = place.connect(make=True)
    try:
        source.backup(target)
    finally:
        target.close()


def _copy(source: sqlite3.Connection, to: Path, *, over: bool = False) -> None:
    """Copy beside the file first, so that a backup is whole or not there. over: what is there, and its logs, go."""
    part = to.with_name(f"{to.name}.part")
    part.unlink(missing_ok=True)
    try:
        target = sqlite3.connect(part)
        try:
            source.backup(target)
        finally:
            target.close()
        for log in ("-wal", "-shm") if over else ():
            to.with_name(to.name + log).unlink(missing_ok=True)
        os.replace(part, to)
    except OSError as error:
        raise CatalogError(f"cannot be written ({error.strerror})", database=str(to), mend="name another") from None
    finally:
        part.unlink(missing_ok=True)
