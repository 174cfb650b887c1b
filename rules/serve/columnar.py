"""Parquet files, by DuckDB: rows in, rows out, and sums over many files that no memory holds at once."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ...catalog import InputError

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

#: Memory that the engine may take; what does not fit goes to files in the system's folder for such.
MEMORY = "256MB"
#: Rows that are fetched at once.
_AT_ONCE = 1000


@contextmanager
def _engine() -> Iterator[DuckDBPyConnection]:
    try:
        import duckdb
    except ImportError:
        raise InputError(
            "Parquet needs a library that is not installed", mend='install it: pip install "pourcheck[jobs]"'
        ) from None
    with tempfile.TemporaryDirectory() as spilled, duckdb.connect() as connection:
        connection.execute("SET memory_limit = ?", [MEMORY])
        connection.execute("SET temp_directory = ?", [spilled])
        connection.execute("SET threads = 1")
        yield connection


@contextmanager
def _read(path: Path) -> Iterator[None]:
    """Turns what the engine says of a file into one line."""
    try:
        yield
    except InputError:
        raise
    except Exception as error:  # of a damaged file it says anything
        if not path.exists():
            raise InputError("cannot be read (no such file)", where=str(path), mend="check the file name") from None
        if isinstance(error, MemoryError):
            raise
        raise InputError("is no Parquet file that can be read", where=str(path), mend="write it anew") from None


def rows_of(path: Path) -> Iterator[list[Any]]:
    """Names of the columns of a Parquet file, then its rows. Raises: InputError: it cannot be read."""
    with _engine() as connection, _read(path):
        found = connection.execute("SELECT * FROM read_parquet(?)", [str(path)])
        yield [column[0] for column in found.description or ()]
        while rows := found.fetchmany(_AT_ONCE):
            yield from map(list, rows)


def count_of(path: Path) -> int | None:
    """How many rows a Parquet file holds; None where it is none."""
    if not path.exists():
        return None
    with _engine() as connection:
        try:
            return int(connection.execute("SELECT count(*) FROM read_parquet(?)", [str(path)]).fetchall()[0][0])
        except Exception:  # damaged, as above
            return None


def write(path: Path, types: Mapping[str, str], rows: Iterable[Sequence[Any]]) -> None:
    """Write a Parquet file: all of it, on the disk, or none. types: of each column, as SQL has them; rows: of plain
    data, days and lists as JSON writes them. Raises: InputError: it cannot be written."""
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    lines = beside.with_suffix(".jsonl")
    columns = ", ".join(f"'{name}': '{kind}'" for name, kind in types.items())
    try:
        with lines.open("w", encoding="utf-8") as file:
            file.writelines(json.dumps(dict(zip(types, row, strict=True))) + "\n" for row in rows)
        with _engine() as connection:
            source = f"read_json(?, format = 'newline_delimited', columns = {{{columns}}})"
            target = str(beside).replace("'", "''")
            connection.execute(f"COPY (SELECT * FROM {source}) TO '{target}' (FORMAT parquet)", [str(lines)])
        with beside.open("rb") as file:
            os.fsync(file.fileno())
        beside.replace(path)
    except InputError:
        raise
    except OSError as error:
        raise _not_written(path, error.strerror or "no reason is told") from None
    except Exception as error:  # the engine's own: a disk that is full is told by another class than too little memory
        raise _not_written(path, str(error)) from None
    finally:
        for left in (beside, lines):
            left.unlink(missing_ok=True)


def _not_written(path: Path, reason: str) -> InputError:
    return InputError(f"cannot be written ({reason})", where=str(path), mend="make room, or choose another place")


def query(statement: str, files: Sequence[Path]) -> list[tuple[Any, ...]]:
    """Rows of a statement over Parquet files, which it reads as `read_parquet(?)`."""
    with _engine() as connection:
        return list(connection.execute(statement, [[str(file) for file in files]]).fetchall())
