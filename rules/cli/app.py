"""Command line: parses, calls the library, renders. Exit 0 clear or caution, 1 stop or unknown, 2 bad input."""

from __future__ import annotations

import os
import sys
from typing import Annotated

import typer

from ... import __version__
from ...catalog import PourcheckError
from .late import LateGroup
from .output import ReaderGone, fault, say

app = typer.Typer(
    name="pourcheck",
    cls=LateGroup,
    help="May this fertilizer go through the drip, with this water, at this rate? If not, what instead?",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def _version(asked: bool) -> None:
    if asked:
        say(f"pourcheck {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """May this fertilizer go through the drip, with this water, at this rate? If not, what instead?"""
    del version


def main() -> None:
    """Entry point: every fault is one line on standard error and exit code 2."""
    try:
        code = app(standalone_mode=False)
    except PourcheckError as error:
        code = fault(str(error))
    except (KeyboardInterrupt, EOFError):
        code = 130
    except ReaderGone:
        # What is still in the buffer must not fail again when Python closes the stream.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = 0
    except Exception as error:
        code = _other(error)
    sys.exit(code if isinstance(code, int) else 0)


def _other(error: Exception) -> int:
    """Faults of the command line itself, and our own."""
    shown = getattr(error, "format_message", None)
    context = getattr(error, "ctx", None)
    if type(error).__name__ == "NoArgsIsHelpError" and context is not None:
        say(context.get_help())
        return 2
    if callable(shown):
        command = getattr(context, "command_path", "pourcheck")
        return fault(f"{str(shown()).rstrip('.')}; see {command} --help")
    if os.environ.get("POURCHECK_DEBUG"):
        raise error
    return fault(f"internal fault ({type(error).__name__}: {error}); set POURCHECK_DEBUG=1 to see where, and report it")
