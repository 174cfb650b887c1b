"""Making a catalog at its first use, and bringing in what a newer program knows better."""

from __future__ import annotations

import re
from importlib.metadata import PackageNotFoundError, version

from sqlalchemy import Connection, Engine, inspect, text

from . import seeds
from .name_search import make_name_search
from .schema import SCHEMA
from .tables import Base
from .writing import Stamp, count_change, put, set_meta, writing

#: Who stands beside a revision that came with the program.
_PROGRAM = "pourcheck"


def program_version() -> str:
    """The version of the installed program."""
    try:
        return version(_PROGRAM)
    except PackageNotFoundError:
        return "0"


def _release(text_: str) -> tuple[int, ...]:
    return tuple(int(number) for number in re.findall(r"\d+", text_)[:3])


def make(engine: Engine) -> None:
    """Make the tables and fill them with the packaged records, in one transaction. Where another first use did it in
    the meantime, that is as good."""
    with writing(engine) as connection:
        if inspect(connection).has_table("record"):
            return
        Base.metadata.create_all(connection, checkfirst=False)
        make_name_search(connection)
        mark_schema(connection)
        set_meta(connection, "changes", "0")
        bring_seeds(connection)


def mark_schema(connection: Connection) -> None:
    """Write down which schema the tables are of, for readers and for alembic."""
    connection.execute(text("CREATE TABLE alembic_version (version_num VARCHAR(32) NOT NULL PRIMARY KEY)"))
    connection.execute(text("INSERT INTO alembic_version VALUES (:revision)"), {"revision": f"{SCHEMA:04}"})
    set_meta(connection, "schema", str(SCHEMA))


def bring_seeds(connection: Connection) -> int:
    """Write the packaged records into their layer; says how many are new or mended."""
    found = put(connection, seeds.entries(), Stamp(by=_PROGRAM, why=f"release {program_version()}"), layer="seed")
    set_meta(connection, "seeds", seeds.digest())
    set_meta(connection, "seeds_of", program_version())
    return found


def refresh_seeds(engine: Engine, brought_by: str) -> bool:
    """Bring in the packaged records where they are of another release; an older program leaves those of a newer one,
    and says so: False."""
    if _release(program_version()) < _release(brought_by):
        return False
    with writing(engine) as connection:
        bring_seeds(connection)
        count_change(connection)
    return True
