"""The command line."""

import atexit
import os
import sys
from contextlib import suppress

from ..serve.garbage import collect_seldom

__all__ = ["main"]


def main() -> None:
    """The program: runs the command and ends the process."""
    collect_seldom()
    from .app import main as command

    try:
        command()
    except SystemExit as ended:
        if not isinstance(ended.code, int):
            raise
        # A tenth of a command's time is spared where what is left is not taken apart piece by piece.
        atexit._run_exitfuncs()
        with suppress(OSError, ValueError):  # whoever read it is gone: that was told
            for stream in filter(None, (sys.stdout, sys.stderr)):
                stream.flush()
        os._exit(ended.code)
