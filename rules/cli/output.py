"""Writing to the terminal: text, pages, and one line for a fault."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from ...catalog import InputError
from ...catalog.text import one_line, plain

if TYPE_CHECKING:
    from rich.console import Console

#: Longest line of a fault.
_FAULT = 600


class ReaderGone(Exception):
    """Nobody reads the output any more (a pager that was left, head)."""


def say(text: str) -> None:
    """Write a text and a line end to standard output; of hidden characters it shows that they are there."""
    _write(plain(text, lines=True) + "\n")


def _write(text: str) -> None:
    """Write to standard output; letters that the terminal lacks are replaced."""
    encoding = sys.stdout.encoding or "utf-8"
    try:
        sys.stdout.write(text.encode(encoding, "replace").decode(encoding))
        sys.stdout.flush()
    except BrokenPipeError:
        raise ReaderGone from None
    except OSError as error:
        raise InputError(
            f"cannot be written ({error.strerror})", where="output", mend="make room, or choose another place"
        ) from None


def page(render: Callable[[Console], None]) -> None:
    """Print what a renderer draws on a console as wide as the terminal, 80 columns at most."""
    from ..present.page import page as drawn

    _write(drawn(render))


def somebody_waits() -> bool:
    """True at a terminal: what is known is shown at once there, and the rest when it is worked out."""
    return sys.stdout.isatty() and sys.stderr.isatty()


@contextmanager
def meanwhile(render: Callable[[Console], None], then: str) -> Iterator[None]:
    """Show what a renderer draws, and what is still to come, until that is there; then it is wiped away."""
    from rich.console import Console
    from rich.text import Text

    from ..present.page import page as drawn

    known = Text.from_ansi(drawn(render).rstrip())
    with Console(stderr=True, highlight=False).status(Text.assemble(known, (f"\n{then}", "dim"))):
        yield


def fault(text: str) -> int:
    """One line on standard error; the exit code of bad input."""
    sys.stderr.write("pourcheck: " + one_line(" ".join(text.split()), _FAULT) + "\n")
    return 2
