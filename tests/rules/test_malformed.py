"""Malformed inputs that once broke something, and some fresh ones: each is answered, or refused in one clear line.

tests/evidence/malformed.py makes them by the ten thousand, and says what counts as broken.
"""

from __future__ import annotations

import io
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent / "evidence"))
import malformed
from bad_inputs import MAKERS
from malformed import Broken, Room, judge, kept, read_kept
from mutation import drawn

KEPT = sorted(path for path in (Path(__file__).parent / "malformed").glob("*/*") if path.is_file())
#: Requests need a server, which takes seconds to start; test_web.py has those.
FRESH = [(kind, number) for kind in MAKERS if kind != "request" for number in range(8)]


@pytest.fixture(scope="module")
def room() -> Iterator[Room]:
    """A catalog that may be written to."""
    with Room.made() as made:
        yield made


@pytest.mark.parametrize("file", KEPT, ids=lambda file: f"{file.parent.name}/{file.name}")
def test_what_once_broke_something(file: Path, room: Room) -> None:
    kind = file.parent.name
    name, given = read_kept(kind, file)
    assert judge(kind, name, given, room)


@pytest.mark.parametrize(("kind", "number"), FRESH)
def test_fresh_ones(kind: str, number: int, room: Room) -> None:
    given = MAKERS[kind](drawn(7, kind, number), room.catalog)
    name, asked = given if kind == "sheet" else ("", given)
    assert judge(kind, name, asked, room)


@pytest.mark.parametrize("kind", MAKERS)
def test_an_input_is_kept_as_it_is(kind: str, room: Room, tmp_path: Path) -> None:
    """What is kept is what was asked, whatever it holds."""
    for number in range(8):
        given = MAKERS[kind](drawn(3, kind, number), room.catalog)
        suffix, data = kept(kind, given)
        file = tmp_path / f"{number}{suffix}"
        file.write_bytes(data)
        name, read = read_kept(kind, file)
        assert repr((name, read) if kind == "sheet" else read) == repr(given)


BROKEN = {
    "an escape on the screen": (["show", "urea"], "\x1b[2J", None, "raw control character"),
    "no word of its own": (["show", "uera"], "", "", "without a word"),
    "two lines": (["show", "uera"], "", "one\ntwo\n", "not one clear line"),
    "a write by what was refused": (["product", "retire", "urea"], "", "told\n", "something was written"),
}


@pytest.mark.parametrize("name", BROKEN)
def test_what_is_broken_is_seen(name: str, room: Room, monkeypatch: pytest.MonkeyPatch) -> None:
    """A command that did what none may do: what it prints beside, what it says of itself, its exit code."""
    argv, beside, said, told = BROKEN[name]
    run = malformed.command_line

    def wrong() -> None:
        err, sys.stderr = sys.stderr, io.StringIO()
        try:
            run()
        except SystemExit:
            if said is not None:
                sys.stdout = type(sys.stdout)()
        finally:
            sys.stderr = err
        sys.stdout.write(beside)
        sys.stderr.write(said or "")
        raise SystemExit(2)

    monkeypatch.setattr(malformed, "command_line", wrong)
    with pytest.raises(Broken, match=told):
        judge("command", "", {"argv": argv, "stdin": ""}, room)
