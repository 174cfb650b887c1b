"""Opening a catalog: is it one, of which schema, and are its packaged records those of this program?"""

from __future__ import annotations

import logging
from typing import Any

from ..errors import CatalogError
from . import seeds
from .place import Place
from .reader import Reader
from .schema import SCHEMA
from .statements import META

_log = logging.getLogger(__name__)
_TABLES = {
    "sqlite": "SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name",
    "postgresql": "SELECT tablename FROM pg_tables WHERE schemaname = ANY (current_schemas(false)) ORDER BY tablename",
}


def reader_of(place: Place, *, new: bool) -> Reader:
    """What reads the catalog of a place. new: it is made where it is not there.

    Raises: CatalogError: it is not there, or no catalog of this schema.
    """
    if not place.exists():
        if not new:
            raise CatalogError("is not there", database=place.database, mend="check the name, or make it with --new")
        place.make_folder()
    connection = place.connect(make=new)
    try:
        return _opened(place, Reader(place, connection), new)
    except BaseException:
        connection.close()
        raise


def _opened(place: Place, reader: Reader, new: bool) -> Reader:
    found = tables_of(reader)
    if not found:
        if not new:
            raise CatalogError("holds no catalog", database=place.database, mend="check the name, or use --new")
        from .making import make
        from .writing import engine_of

        if place.file is not None:
            # Readers do not wait for a writer then; it stays so.
            reader.rows("PRAGMA journal_mode=WAL")
        make(engine_of(place, reader.connection))
        _log.info("catalog %s made", place.database)
    elif "catalog_meta" not in found:
        raise CatalogError(
            f"holds other tables ({', '.join(sorted(found)[:3])}) and no catalog",
            database=place.database,
            mend="choose another with --db",
        )
    facts = dict(reader.rows(META))
    check_schema(place, facts.get("schema"))
    if facts.get("seeds") != seeds.digest():
        _refresh(place, reader.connection, facts.get("seeds_of", ""))
    _log.debug("catalog %s opened", place.database)
    return reader


def tables_of(reader: Reader) -> set[str]:
    """Names of the tables that are there."""
    return {row[0] for row in reader.rows(_TABLES[reader.place.dialect])}


def check_schema(place: Place, schema: str | None) -> None:
    """Raises: CatalogError: it is not the schema that this program reads."""
    if schema == str(SCHEMA):
        return
    if schema is not None and schema.isdigit() and int(schema) > SCHEMA:
        raise CatalogError(
            f"was written by a newer pourcheck (schema {schema}, this one reads {SCHEMA})",
            database=place.database,
            mend="install the newer pourcheck, or choose another with --db",
        )
    what = (
        "has lost the mark of its schema" if schema is None else f"is of schema {schema}, this program reads {SCHEMA}"
    )
    raise CatalogError(what, database=place.database, mend="run: pourcheck catalog upgrade (it makes a backup first)")


def _refresh(place: Place, connection: Any, brought_by: str) -> None:
    from .making import refresh_seeds
    from .writing import engine_of

    try:
        with place.translated():
            brought = refresh_seeds(engine_of(place, connection), brought_by)
    except CatalogError as error:
        # Who may only read is answered from what is there.
        _log.warning("the records that come with the program are of another release: %s", error)
    else:
        if brought:
            _log.info("catalog %s: the records that come with the program are those of this release", place.database)
