"""Where the events of a server go: its standard error, a line each."""

from __future__ import annotations

import logging


def log_to_stderr() -> None:
    """Send warnings and errors of this process to standard error. For processes that are the program's own."""
    handler = logging.StreamHandler()
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(name)s: %(message)s"))
    handler.setLevel(logging.WARNING)
    logging.getLogger("pourcheck").addHandler(handler)
