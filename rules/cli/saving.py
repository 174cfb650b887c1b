"""What every command that saves shares: who and why, the look before saving, an editor, questions at a terminal."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ...catalog import Catalog, InputError, Kind, Record, Revision, Source
from ...catalog.store.kinds import kind_of
from ...catalog.text import one_line, plain
from ..serve.saving import remarks_on
from .output import page, say

if TYPE_CHECKING:
    from rich.console import Console

By = Annotated[str | None, typer.Option("--by", help="Who changes it [env: POURCHECK_BY; else the login name].")]
Why = Annotated[str, typer.Option("--why", help="Why it is changed.")]
Anyway = Annotated[bool, typer.Option("--anyway", help="Save in spite of doubts.")]
FromRevision = Annotated[int | None, typer.Option("--revision", help="Save only if it still stands at this revision.")]
InEditor = Annotated[bool, typer.Option("--edit", help="Write or change it in $EDITOR, as TOML.")]
Name = Annotated[str, typer.Argument(help="Its id or name.")]


def author(by: str | None) -> str:
    """Who changes something: as told, $POURCHECK_BY, or the login name."""
    if by is not None:
        return by
    if told := os.environ.get("POURCHECK_BY"):
        return told
    import getpass

    try:
        return getpass.getuser()
    except (KeyError, OSError, ImportError):
        return ""


def at_terminal() -> bool:
    """Whether somebody sits at both ends."""
    return bool(sys.stdin and sys.stdin.isatty() and sys.stdout.isatty())


def told_before_saving(catalog: Catalog, record: Record, anyway: bool, beside: Sequence[Source] = ()) -> None:
    """Look an entry over and tell what is found. Raises: InputError: it should not be saved as it is."""
    remarks = remarks_on(catalog, record, beside)
    if not remarks:
        return
    from ..present.records import print_remarks

    page(lambda out: print_remarks(remarks, out))
    doubts = [one for one in remarks if one.severity == "doubt"]
    if any(one.severity == "fault" for one in remarks):
        raise InputError("cannot be saved", where=_called(record), mend="mend what is told above")
    if doubts and not anyway and not (at_terminal() and asked_yes("Save it in spite of that?")):
        count = f"{len(doubts)} doubt{'' if len(doubts) == 1 else 's'}"
        raise InputError(f"was not saved: {count}", where=_called(record), mend="mend what is told above, or --anyway")


def _called(record: Record) -> str:
    return f"{kind_of(record)} {getattr(record, 'id', '')}"


def save(
    catalog: Catalog,
    record: Record,
    revision: int | None,
    *,
    by: str | None,
    why: str,
    anyway: bool,
    beside: Sequence[Source] = (),
) -> None:
    """Look an entry over, save it with the sources that it is the first to name, and say so.

    revision: as `Catalog.save`. Raises: InputError; ChangedMeanwhile.
    """
    told_before_saving(catalog, record, anyway, beside)
    kind, id_ = kind_of(record), str(getattr(record, "id", ""))
    before = catalog.current(kind, id_).number if catalog.owners(kind, [id_]) else 0
    saved = catalog.save(record, revision, by=author(by), why=why, beside=beside)
    if saved.number == before:
        say(f"Nothing new: {kind} {saved.id} stands at revision {saved.number}.")
    else:
        say(f"Saved {kind} {saved.id}, revision {saved.number}.")


def started_from(catalog: Catalog, kind: Kind, name: str, revision: int | None) -> Revision:
    """The revision that a change starts from: as told, else the one that stands. Raises: InputError: there is none."""
    return catalog.current(kind, name) if revision is None else catalog.revision(kind, name, revision)


def print_stamp(revision: Revision, overrides: bool) -> None:
    """Where a record stands, below what it says."""
    from ..present.page import Page
    from ..present.records import stamp_words

    def draw(out: Console) -> None:
        out.print()
        Page(out).line(stamp_words(revision, overrides), 0, 2)

    page(draw)


def asked_yes(question: str) -> bool:
    """A yes or no from the terminal; no where nothing is answered."""
    while True:
        said = asked(f"{question} [y/N]").lower()
        if said in {"", "n", "no"}:
            return False
        if said in {"y", "yes"}:
            return True


def asked(question: str) -> str:
    """A line from the terminal. Raises: EOFError: it was closed."""
    sys.stderr.write(f"{question} ")
    sys.stderr.flush()
    line = sys.stdin.readline()
    if not line:
        raise EOFError
    return line.strip()


def answered(questions: Sequence[tuple[str, str]], check: Callable[[Mapping[str, Any]], object]) -> dict[str, Any]:
    """Answers to questions, by field; one that is refused is asked again.

    questions: field and what is asked, those that may be left empty end with "(Enter: none)". check: called with the
    answers so far; raises InputError for the last one.
    """
    answers: dict[str, Any] = {}
    for field, question in questions:
        while True:
            said = asked(f"{question}:")
            if not said:
                if question.endswith("(Enter: none)"):
                    break
                sys.stderr.write("  It is needed.\n")
                continue
            try:
                check({**answers, field: said})
            except InputError as error:
                sys.stderr.write(f"  {one_line(f'{error.what}; {error.mend}', 200)}\n")
                continue
            answers[field] = said
            break
    return answers


def edited(text: str, read: Callable[[dict[str, Any]], Any]) -> Any:
    """What somebody made of a text in their editor, read; where it cannot be read and they sit at a terminal, they may
    go on.

    read: from the table in the TOML; raises InputError. Raises: InputError: no editor, nothing changed, or what `read`
    says; what was written is then kept in a file.
    """
    editor = os.environ.get("VISUAL") or os.environ.get("EDITOR")
    if not editor:
        raise InputError("no editor is set", mend="set EDITOR, or use --set, a file or the options")
    handle, name = tempfile.mkstemp(prefix="pourcheck-", suffix=".toml")
    path = Path(name)
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(text)
    while True:
        try:
            code = subprocess.run([*shlex.split(editor), name], check=False).returncode
        except (OSError, ValueError) as error:
            path.unlink()
            reason = getattr(error, "strerror", None) or str(error)
            raise InputError(f"the editor cannot be run ({reason})", where="EDITOR", mend="set another") from None
        try:
            now = path.read_text("utf-8")
            if code or now == text:
                path.unlink()
                raise Unchanged
            found = read(tomllib.loads(now))
        except Unchanged:
            raise InputError("nothing was changed in the editor", mend="nothing was saved") from None
        except (InputError, tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            what = str(error) if isinstance(error, InputError) else f"is no TOML: {error}"
            if at_terminal():
                sys.stderr.write(f"{plain(what)}\n")
                if asked_yes("Go on editing?"):
                    continue
            raise InputError(what, mend=f"what you wrote is in {name}") from None
        path.unlink()
        return found


class Unchanged(Exception):
    """An editor was left without a change."""


def read_file(place: str) -> dict[str, Any]:
    """The table in a TOML file. Raises: InputError."""
    from ...catalog.store.parse import read_toml

    path = Path(place)
    if path.suffix.lower() != ".toml":
        raise InputError("is no TOML file", where=place, mend="write name.toml, or use the options (see --help)")
    return read_toml(path)


def pairs(texts: Sequence[str], option: str, example: str) -> dict[str, str]:
    """Options of the form "name=value". Raises: InputError: one is none, or comes twice."""
    found: dict[str, str] = {}
    for text in texts:
        name, sign, value = text.partition("=")
        if not sign or not name.strip():
            mend = f'write {option} "{example}"' if option.startswith("--") else f'write "{example}"'
            raise InputError(f'"{one_line(text)}" is not "name=value"', where=option, mend=mend)
        if name.strip() in found:
            raise InputError(f"{one_line(name.strip())} is given twice", where=option, mend="keep one of them")
        found[name.strip()] = value.strip()
    return found
