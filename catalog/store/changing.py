"""Retiring a record, and bringing former documents back."""

from __future__ import annotations

from sqlalchemy import Connection
from sqlmodel import Session

from ..errors import InputError
from .entry import Entry
from .kinds import Kind, record_of
from .tables import RecordRow, RevisionRow
from .writing import Stamp, State, changed_meanwhile, move, state_of


def retire(connection: Connection, kind: Kind, id_: str, expected: int | None, *, by: str, why: str) -> None:
    """Add a revision that takes a record out of use. Raises: InputError: it is so already; ChangedMeanwhile."""
    state = _state(connection, kind, id_, expected, ours="retired")
    if state.retired:
        raise InputError("is retired already", where=f"{kind} {id_}", mend="nothing is to be done")
    move(connection, _entry(kind, id_, state.document), state, Stamp(by=by, why=why), layer="own", retired=True)


def undo(
    connection: Connection, kind: Kind, id_: str, to: int | None, expected: int | None, *, by: str, why: str
) -> None:
    """Add a revision with a former document. Raises: InputError: there is none; ChangedMeanwhile."""
    state = _state(connection, kind, id_, expected, ours="undo")
    with Session(connection) as session:
        by_number = {row.number: row for row in session.get_one(RecordRow, (kind, id_)).revisions}
    number = to if to is not None else _former(state, by_number)
    if number is None:
        raise InputError("has nothing before it to bring back", where=f"{kind} {id_}", mend="retire it instead")
    if number not in by_number:
        raise InputError(
            f"has no revision {number}", where=f"{kind} {id_}", mend=f"write a number from 1 to {state.last}"
        )
    back = by_number[number]
    # What came with the program is mended by the next release again only if it stands as such.
    seed = number == state.seed
    move(
        connection,
        _entry(kind, id_, back.document),
        state,
        Stamp(by=by, why=why or f"undo of revision {state.number}"),
        layer="seed" if seed else "own",
        retired=bool(back.retired),
        restores=back.restores or number,
    )


def _former(state: State, by_number: dict[int, RevisionRow]) -> int | None:
    """The revision that stood before the one that stands now; where that came with the program, the last that did.

    What brings a former one back stands where that one stood, so that undoing again goes further back.
    """
    if state.layer == "seed":
        return None
    before: dict[int, int | None] = {}
    stood: int | None = None
    for number, row in by_number.items():
        # A release of the program moves nothing that the user put in front of it.
        if stood is None or row.layer == "own" or row.restores is not None or by_number[stood].layer == "seed":
            before[number], stood = stood, number
    standing = by_number[state.number]
    former = before.get(standing.restores or standing.number)
    return state.seed if former is None or by_number[former].layer == "seed" else former


def _state(connection: Connection, kind: Kind, id_: str, expected: int | None, ours: str) -> State:
    state = state_of(connection, kind, [id_]).get(id_)
    if state is None:
        raise InputError("is not in the catalog", where=f"{kind} {id_}", mend="look at the catalog again")
    if expected is not None and expected != state.number:
        raise changed_meanwhile(connection, kind, id_, state, expected, [ours])
    return state


def _entry(kind: Kind, id_: str, document: str) -> Entry:
    """A document as it stands, with the names and rows of its record; of one that makes no sense its id alone."""
    try:
        entry = Entry.of(record_of(kind, document, id_))
    except InputError:
        return Entry(kind, id_, {id_: id_}, document)
    return Entry(kind, id_, entry.names, document, entry.record)
