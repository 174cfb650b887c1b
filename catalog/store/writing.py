"""Writing records: new revisions, the names and index rows that follow from them, all in one transaction."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import islice
from typing import Any

from sqlalchemy import Connection, Engine, bindparam, create_engine, delete, event, func, insert, select, text, update
from sqlalchemy.pool import NullPool, StaticPool

from ..door import refuse_hidden
from ..errors import ChangedMeanwhile, InputError
from ..text import quoted
from .entry import Entry
from .kinds import Kind
from .place import Place
from .revision import Layer, changes
from .tables import DERIVED, Base, MetaRow, NameRow, RecordRow, RevisionRow, table

#: Records that are written at once.
_AT_ONCE = 1000
#: The lock that writers of one PostgreSQL database wait at; SQLite has one of its own.
_LOCK = 7_062_391
_RECORD, _REVISION, _NAME, _META = table(RecordRow), table(RevisionRow), table(NameRow), table(MetaRow)


@dataclass(frozen=True)
class Stamp:
    """Who writes, why, after what, and when (UTC)."""

    by: str = ""
    why: str = ""
    source: str = ""
    at: datetime | None = None

    def __post_init__(self) -> None:
        refuse_hidden({"by": self.by, "why": self.why, "source": self.source})

    def row(self) -> dict[str, Any]:
        """Its columns in a revision."""
        return {"author": self.by, "why": self.why, "source": self.source, "at": self.at or datetime.now(UTC)}


@dataclass(frozen=True, slots=True)
class State:
    """Where a record stands before it is written."""

    number: int
    last: int
    layer: str
    retired: bool
    seed: int | None
    document: str


def engine_of(place: Place, connection: Any) -> Engine:
    """What writes to a place. connection: the one that reads; in memory there is no other."""
    if place.dialect == "postgresql":

        def connect() -> Any:
            made = place.connect()
            made.autocommit = False
            return made

        return create_engine("postgresql+psycopg://", creator=connect, poolclass=NullPool)
    if place.in_memory:
        engine = create_engine("sqlite://", creator=lambda: connection, poolclass=StaticPool)
    else:
        engine = create_engine("sqlite://", creator=place.connect, poolclass=NullPool)
    # Locks at once: a transaction that reads first and writes later could find that another has written between.
    event.listen(engine, "begin", lambda begun: begun.exec_driver_sql("BEGIN IMMEDIATE"))
    return engine


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """A transaction that nobody else writes beside; all of it holds at its end, or nothing."""
    with engine.begin() as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(select(func.pg_advisory_xact_lock(_LOCK)))
            # While much is written, the server goes by counts from before: it would look for keys row by row.
            connection.execute(text("SET LOCAL enable_seqscan = off"))
            # Names are put into the index of letters in large lots, which is faster by far.
            connection.execute(text("SET LOCAL gin_pending_list_limit = '128MB'"))
            connection.execute(text("SET LOCAL maintenance_work_mem = '128MB'"))
        yield connection


def count_change(connection: Connection) -> None:
    """Tell open catalogs that something was written."""
    now = connection.execute(select(_META.c.value).where(_META.c.key == "changes")).scalar_one_or_none()
    set_meta(connection, "changes", str(int(now or "0") + 1))


def set_meta(connection: Connection, key: str, value: str) -> None:
    """Write a fact about the database itself."""
    if not connection.execute(update(_META).where(_META.c.key == key).values(value=value)).rowcount:
        connection.execute(insert(_META), [{"key": key, "value": value}])


def state_of(connection: Connection, kind: Kind, ids: Sequence[str]) -> dict[str, State]:
    """Where records stand, by id."""
    standing = (
        select(_RECORD, _REVISION.c.document)
        .join_from(
            _RECORD,
            _REVISION,
            (_REVISION.c.kind == _RECORD.c.kind)
            & (_REVISION.c.id == _RECORD.c.id)
            & (_REVISION.c.number == _RECORD.c.number),
        )
        .where(_RECORD.c.kind == kind, _RECORD.c.id.in_(ids))
    )
    return {
        row.id: State(row.number, row.last, row.layer, row.retired, row.seed, row.document)
        for row in connection.execute(standing)
    }


def document_at(connection: Connection, kind: Kind, id_: str, number: int) -> str | None:
    """The document of a revision; None where there is no such revision."""
    asked = select(_REVISION.c.document).where(
        _REVISION.c.kind == kind, _REVISION.c.id == id_, _REVISION.c.number == number
    )
    found: str | None = connection.execute(asked).scalar_one_or_none()
    return found


class _Batch:
    """Rows that are written together, by table."""

    def __init__(self) -> None:
        self.rows: dict[str, list[dict[str, Any]]] = {}
        #: Columns of records that are there already, by which columns change.
        self.moved: dict[tuple[str, ...], list[dict[str, Any]]] = {}

    def add(self, name: str, row: dict[str, Any]) -> None:
        self.rows.setdefault(name, []).append(row)

    def move(self, kind: Kind, id_: str, change: dict[str, Any]) -> None:
        """Change columns of a record."""
        self.moved.setdefault(tuple(change), []).append({**change, "of_kind": kind, "of_id": id_})

    def write(self, connection: Connection) -> None:
        this = (_RECORD.c.kind == bindparam("of_kind")) & (_RECORD.c.id == bindparam("of_id"))
        for columns, changed in self.moved.items():
            values: dict[str, Any] = {name: bindparam(name) for name in columns}
            connection.execute(update(_RECORD).where(this).values(values), changed)
        for one in Base.metadata.sorted_tables:  # parents first
            if rows := self.rows.get(one.name):
                connection.execute(insert(one), rows)


def put(
    connection: Connection,
    entries: Iterable[Entry],
    stamp: Stamp,
    *,
    layer: Layer = "own",
    expected: int | None = None,
) -> int:
    """Write entries as new revisions where they say something new; says how many did.

    expected: the revision that each must stand at, 0: none may be there. A seed takes no name from anybody: what is
    taken is left out, and one whose id is taken stays out itself.
    Raises: ChangedMeanwhile, InputError.
    """
    waiting, written = iter(entries), 0
    given: set[tuple[Kind, str]] = set()
    while chunk := list(islice(waiting, _AT_ONCE)):
        for entry in chunk:
            if (entry.kind, entry.id) in given:
                raise InputError("is given twice", where=entry.id, mend="keep one of them")
            given.add((entry.kind, entry.id))
        for kind in dict.fromkeys(entry.kind for entry in chunk):
            written += _put(connection, kind, [one for one in chunk if one.kind == kind], stamp, layer, expected)
    if written:
        count_change(connection)
    return written


def _put(
    connection: Connection, kind: Kind, entries: list[Entry], stamp: Stamp, layer: Layer, expected: int | None
) -> int:
    states = state_of(connection, kind, [entry.id for entry in entries])
    batch, moved, news = _Batch(), [], []
    revision = {**stamp.row(), "kind": kind, "layer": layer, "retired": False, "restores": None}
    if layer == "own":
        _sources_are_there(connection, entries)
    for entry in entries:
        state = states.get(entry.id)
        said = state is not None and entry.says(state.document) and not state.retired
        if layer == "own":
            # Two who save the same are of one mind.
            if said and expected != 0:
                continue
            _stands_as_expected(connection, entry, state, expected)
        if state is None:
            news.append(entry)
            continue
        stands = True
        if layer == "own":
            seed = state.seed
        else:
            seed = state.last + 1
            packaged = document_at(connection, kind, entry.id, state.seed) if state.seed is not None else None
            if packaged is not None and entry.says(packaged):
                continue
            # One's own stays in front of it, unless it says the same.
            stands = state.layer == "seed" or said
        number = state.last + 1
        batch.add("revision", {**revision, "id": entry.id, "number": number, "document": entry.document})
        change: dict[str, Any] = {"last": number, "seed": seed}
        if stands:
            change |= {"number": number, "layer": layer, "retired": False}
            moved.append(entry)
        batch.move(kind, entry.id, change)
    _forget_derived(connection, kind, [entry.id for entry in moved])
    names = _free_names(connection, kind, [*moved, *news], yields=layer == "seed")
    for entry in news:
        if entry.id not in names:
            continue
        head = {"kind": kind, "id": entry.id, "number": 1, "last": 1, "layer": layer, "retired": False}
        batch.add("record", {**head, "seed": 1 if layer == "seed" else None})
        batch.add("revision", {**revision, "id": entry.id, "number": 1, "document": entry.document})
    _derive(batch, [*moved, *news], names)
    batch.write(connection)
    return len(batch.rows.get("revision", ()))


def _stands_as_expected(connection: Connection, entry: Entry, state: State | None, expected: int | None) -> None:
    if expected is None:
        return
    if state is None:
        if expected > 0:
            raise InputError("is not in the catalog", where=f"{entry.kind} {entry.id}", mend="save it as a new one")
        return
    if expected == 0:
        raise InputError("is already in the catalog", where=f"{entry.kind} {entry.id}", mend="edit it instead")
    if expected != state.number:
        raise changed_meanwhile(connection, entry.kind, entry.id, state, expected, entry.document)


def changed_meanwhile(
    connection: Connection, kind: Kind, id_: str, state: State, expected: int, ours: str | list[str]
) -> InputError:
    """What to say to an editor who started from another revision than the one that stands. ours: the document that was
    to be saved, or what was to be done."""
    start = document_at(connection, kind, id_, expected)
    if start is None:
        return InputError(f"has no revision {expected}", where=f"{kind} {id_}", mend=f"it stands at {state.number}")
    row = connection.execute(
        select(_REVISION.c.author, _REVISION.c.at, _REVISION.c.retired, _REVISION.c.layer).where(
            _REVISION.c.kind == kind, _REVISION.c.id == id_, _REVISION.c.number == state.number
        )
    ).one()
    at = row.at.astimezone(UTC) if row.at.tzinfo else row.at
    theirs = ["retired"] if row.retired else [change.field for change in changes(start, state.document)]
    return ChangedMeanwhile(
        f"{kind} {id_}",
        state.number,
        "a new release of the program" if row.layer == "seed" else row.author,
        f"{at:%Y-%m-%d %H:%M} UTC",
        theirs,
        [change.field for change in changes(start, ours)] if isinstance(ours, str) else ours,
    )


def _sources_are_there(connection: Connection, entries: list[Entry]) -> None:
    wanted = {source for entry in entries for source in entry.sources}
    if not wanted:
        return
    asked = select(_RECORD.c.id).where(_RECORD.c.kind == "source", _RECORD.c.id.in_(wanted))
    missing = wanted - set(connection.execute(asked).scalars())
    for entry in entries:
        if lost := sorted(entry.sources & missing):
            raise InputError(
                f"the source {quoted(lost[0])} is not in the catalog", where=entry.id, mend="add the source first"
            )


def _free_names(connection: Connection, kind: Kind, entries: list[Entry], *, yields: bool) -> dict[str, dict[str, str]]:
    """The names that each entry gets, by its id. yields: names that others have are left out, else they are refused."""
    wanted = {folded for entry in entries for folded in entry.names}
    asked = select(_NAME.c.folded, _NAME.c.id).where(_NAME.c.kind == kind, _NAME.c.folded.in_(wanted))
    owners: dict[str, str] = {row.folded: row.id for row in connection.execute(asked)} if wanted else {}
    if yields:
        # Ids first: no name of another record stands before them.
        for entry in entries:
            owners.setdefault(next(iter(entry.names)), entry.id)
    names: dict[str, dict[str, str]] = {}
    for entry in entries:
        free: dict[str, str] = {}
        for folded, name in entry.names.items():
            owner = owners.setdefault(folded, entry.id)
            if owner == entry.id:
                free[folded] = name
            elif not yields:
                raise InputError(
                    f"the name {quoted(name)} belongs to {owner}", where=entry.id, mend="choose another name"
                )
        if next(iter(entry.names)) in free:
            names[entry.id] = free
    return names


def _forget_derived(connection: Connection, kind: Kind, ids: list[str]) -> None:
    for row in DERIVED if ids else ():
        one = table(row)
        connection.execute(delete(one).where(one.c.kind == kind, one.c.id.in_(ids)))


def _derive(batch: _Batch, entries: Iterable[Entry], names: dict[str, dict[str, str]]) -> None:
    for entry in entries:
        if entry.id not in names:
            continue
        own = {"kind": entry.kind, "id": entry.id}
        for position, (folded, name) in enumerate(names[entry.id].items()):
            batch.add("record_name", {**own, "folded": folded, "name": name, "position": position, "size": len(folded)})
        for name, row in entry.index_rows():
            batch.add(name, row)


def move(
    connection: Connection,
    entry: Entry,
    state: State,
    stamp: Stamp,
    *,
    layer: Layer,
    retired: bool = False,
    restores: int | None = None,
) -> int:
    """Add a revision that retires a record or brings a former document back; gives its number."""
    number = state.last + 1
    own = {"kind": entry.kind, "id": entry.id}
    batch = _Batch()
    head = {"number": number, "layer": layer, "retired": retired, "restores": restores, "document": entry.document}
    batch.add("revision", {**stamp.row(), **own, **head})
    change: dict[str, Any] = {"number": number, "last": number, "layer": layer, "retired": retired}
    if layer == "seed":
        change["seed"] = number
    batch.move(entry.kind, entry.id, change)
    _forget_derived(connection, entry.kind, [entry.id])
    _derive(batch, [entry], _free_names(connection, entry.kind, [entry], yields=layer == "seed"))
    batch.write(connection)
    count_change(connection)
    return number


def index_anew(connection: Connection, entries: Iterable[Entry]) -> int:
    """Make names and index rows of standing documents anew, after others were forgotten; says how many names could not
    be given because another record has them."""
    for row in DERIVED:
        connection.execute(delete(table(row)))
    by_kind: dict[Kind, list[Entry]] = {}
    for entry in entries:
        by_kind.setdefault(entry.kind, []).append(entry)
    lost = 0
    for kind, found in by_kind.items():
        names = _free_names(connection, kind, found, yields=True)
        lost += sum(len(entry.names) - len(names.get(entry.id, ())) for entry in found)
        batch = _Batch()
        _derive(batch, found, names)
        batch.write(connection)
    return lost
