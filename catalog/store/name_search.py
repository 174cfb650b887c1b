"""The index by which names are looked for that hold some letters in a row: FTS5 trigrams on SQLite, pg_trgm on
PostgreSQL, where they are to be had. It follows from the names; without it every name is looked at."""

from __future__ import annotations

from typing import Final

from sqlalchemy import Connection, text
from sqlalchemy.exc import DBAPIError

#: On SQLite: the table, in order of the length of names. Its row ids are the length, then the key of the name.
FTS_TABLE: Final = "product_name_search"
KEY_BITS: Final = 40

_ROW = f"(({{row}}.size << {KEY_BITS}) | {{row}}.key)"
_SQLITE = (
    f"CREATE VIRTUAL TABLE {FTS_TABLE} USING fts5(folded, content='', tokenize='trigram')",
    f"CREATE TRIGGER {FTS_TABLE}_add AFTER INSERT ON record_name WHEN new.kind = 'product' BEGIN "
    f"INSERT INTO {FTS_TABLE}(rowid, folded) VALUES ({_ROW.format(row='new')}, new.folded); END",
    f"CREATE TRIGGER {FTS_TABLE}_drop AFTER DELETE ON record_name WHEN old.kind = 'product' BEGIN "
    f"INSERT INTO {FTS_TABLE}({FTS_TABLE}, rowid, folded) VALUES ('delete', {_ROW.format(row='old')}, old.folded); END",
    f"INSERT INTO {FTS_TABLE}(rowid, folded) SELECT {_ROW.format(row='record_name')}, folded FROM record_name "
    "WHERE kind = 'product'",
)
_POSTGRESQL = (
    "CREATE EXTENSION IF NOT EXISTS pg_trgm",
    f"CREATE INDEX IF NOT EXISTS {FTS_TABLE} ON record_name USING gin (folded gin_trgm_ops) WHERE kind = 'product'",
)


def make_name_search(connection: Connection) -> bool:
    """Make the index; False where this database has no means for it, or somebody may not use them."""
    statements = _POSTGRESQL if connection.dialect.name == "postgresql" else _SQLITE
    try:
        with connection.begin_nested():
            for statement in statements:
                connection.execute(text(statement.replace(":", r"\:")))
    except DBAPIError:
        return False
    return True
