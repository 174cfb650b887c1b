"""Bringing a catalog of an earlier schema to the present one."""

from __future__ import annotations

import logging
from pathlib import Path

from alembic.migration import MigrationContext
from alembic.operations import Operations
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, inspect, select, text

from ..errors import CatalogError, InputError
from . import seeds
from .backup import back_up
from .entry import Entry
from .kinds import record_of
from .making import bring_seeds
from .name_search import make_name_search
from .opening import tables_of
from .place import Place
from .reader import Reader
from .schema import SCHEMA
from .statements import META
from .tables import RecordRow, RevisionRow, table
from .writing import count_change, engine_of, index_anew, set_meta, writing

_log = logging.getLogger(__name__)
_MIGRATIONS = Path(__file__).parent / "migrations"


def upgrade(place: Place, backup: Path | None, no_backup: bool) -> str:
    """As `Catalog.upgrade`."""
    with place.translated():
        if not place.exists():
            raise CatalogError("is not there", database=place.database, mend="check the name")
        connection = place.connect()
        try:
            reader = Reader(place, connection)
            schema, marked = _schema(place, reader)
            if schema == SCHEMA and marked:
                return f"{place.database} is of schema {SCHEMA} already"
            kept = _backed_up(place, backup, no_backup, schema)
            if place.file is not None:
                reader.rows("PRAGMA journal_mode=WAL")
            engine = engine_of(place, connection)
            with writing(engine) as writer:
                said = _migrate(writer, schema)
            engine.dispose()
        finally:
            connection.close()
    _log.info("catalog %s upgraded from schema %d to %d", place.database, schema, SCHEMA)
    return f"{place.database} is of schema {SCHEMA} now (was {schema}); {said}{kept}"


def _schema(place: Place, reader: Reader) -> tuple[int, bool]:
    """The schema of a catalog, and whether its mark says so: a lost one is told by the tables."""
    found = tables_of(reader)
    if "catalog_meta" not in found:
        raise CatalogError("holds no catalog", database=place.database, mend="name a catalog with --db")
    said = dict(reader.rows(META)).get("schema")
    if said is not None and said.isdigit():
        if int(said) > SCHEMA:
            raise CatalogError(
                f"was written by a newer pourcheck (schema {said}, this one reads {SCHEMA})",
                database=place.database,
                mend="install the newer pourcheck",
            )
        return int(said), True
    if {"record", "revision"} <= found:
        return SCHEMA, False
    if {"product", "product_name", "water"} <= found:
        return 1, False
    raise CatalogError("holds no whole catalog", database=place.database, mend="restore a backup of it")


def _backed_up(place: Place, backup: Path | None, no_backup: bool, schema: int) -> str:
    if no_backup or place.in_memory:
        return ""
    if place.file is None:
        raise CatalogError(
            "is on a server, which this program cannot back up",
            database=place.database,
            mend="make a backup with pg_dump, then say so: --no-backup",
        )
    to = backup or place.file.with_name(f"{place.file.name}.schema-{schema}")
    back_up(place, to)
    return f"; the backup is {to}"


def _migrate(connection: Connection, schema: int) -> str:
    """Run what leads from a schema to the present one, and make what follows from the documents."""
    directory = ScriptDirectory(str(_MIGRATIONS))
    context = MigrationContext.configure(connection)
    if not inspect(connection).has_table("alembic_version"):
        context.stamp(directory, f"{schema:04}")
    steps = [*directory.iterate_revisions("head", f"{schema:04}")]
    for step in reversed(steps):
        with Operations.context(context):
            step.module.upgrade()
        context.stamp(directory, step.revision)
    set_meta(connection, "schema", str(SCHEMA))
    if connection.execute(text("SELECT count(*) FROM catalog_meta WHERE key = 'changes'")).scalar_one() == 0:
        set_meta(connection, "changes", "0")
    make_name_search(connection)
    standing = _entries(connection)
    lost = index_anew(connection, standing)
    if schema == 1:
        _take_for_seeds(connection, standing)
    bring_seeds(connection)
    count_change(connection)
    own = connection.execute(text("SELECT count(*) FROM record WHERE layer = 'own'")).scalar_one()
    over = connection.execute(
        text("SELECT id FROM record WHERE layer = 'own' AND seed IS NOT NULL ORDER BY id LIMIT 3")
    ).scalars()
    told = [f"{own} {'record is' if own == 1 else 'records are'} your own"]
    if instead := ", ".join(over):
        told.append(f"some stand instead of the program's ({instead}), undo brings those back")
    if lost:
        names = "name that another record has leads" if lost == 1 else "names that other records have lead"
        told.append(f"{lost} {names} there alone")
    return "; ".join(told)


def _take_for_seeds(connection: Connection, standing: list[Entry]) -> None:
    """Schema 1 did not tell what came with the program: the invented records of the demo region did, also where an
    earlier release had them otherwise."""
    packaged = {(entry.kind, entry.id) for entry in seeds.entries()}
    for entry in standing:
        if (entry.kind, entry.id) in packaged and getattr(entry.record, "invented", False):
            for one, change in (
                (table(RecordRow), {"layer": "seed", "seed": 1}),
                (table(RevisionRow), {"layer": "seed"}),
            ):
                connection.execute(one.update().where(one.c.kind == entry.kind, one.c.id == entry.id).values(change))


def _entries(connection: Connection) -> list[Entry]:
    """What stands, as entries; of a document that makes no sense its id alone. Documents are written as now."""
    record, revision = table(RecordRow), table(RevisionRow)
    same = (revision.c.kind == record.c.kind) & (revision.c.id == record.c.id) & (revision.c.number == record.c.number)
    found = []
    for row in connection.execute(
        select(record.c.kind, record.c.id, record.c.number, revision.c.document).join_from(record, revision, same)
    ).all():
        try:
            entry = Entry.of(record_of(row.kind, row.document, row.id))
        except InputError:
            entry = Entry(row.kind, row.id, {row.id: row.id}, row.document)
        if entry.document != row.document:
            here = (revision.c.kind == row.kind) & (revision.c.id == row.id) & (revision.c.number == row.number)
            connection.execute(revision.update().where(here).values(document=entry.document))
        found.append(entry)
    return found
