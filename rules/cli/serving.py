"""The command that serves checks over HTTP."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from ...catalog import Catalog, InputError
from ...catalog.store.place import Place
from ...catalog.text import one_line
from .options import Database, New
from .output import say

#: Signs of a token at least.
_SHORTEST_TOKEN = 16


def serve(
    host: Annotated[str, typer.Option("--host", help="Address to listen at; by default only this machine.")] = (
        "127.0.0.1"
    ),
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="Port; 0 for any that is free.")] = 8377,
    workers: Annotated[int, typer.Option("--workers", min=1, max=64, help="Processes that answer.")] = 2,
    token_file: Annotated[
        str | None, typer.Option("--token-file", help="A file with the token that lets write; else it only reads.")
    ] = None,
    rate: Annotated[str, typer.Option("--rate", help='Requests of a client: "50/s", "600/min", "none".')] = "50/s",
    time_limit: Annotated[
        float, typer.Option("--time-limit", min=0.1, max=600, help="Seconds that an answer may take; it is ended then.")
    ] = 20.0,
    db: Database = None,
    new: New = False,
) -> None:
    """Serve checks over HTTP.

    POST /check, /swap, /split, /remedy, /acid; GET /products, /wells, /rules, /health; /openapi.json describes it all.
    """
    try:
        import fastapi
        import uvicorn
    except ImportError as error:
        raise InputError(
            f"needs {one_line(str(error.name))}, which is not installed",
            where="serve",
            mend='install it: pip install "pourcheck[web]"',
        ) from None
    del fastapi, uvicorn
    from ..serve.limits import rate_per_s
    from ..serve.logs import log_to_stderr
    from ..serve.web import Settings
    from ..serve.workers import is_local, listening, run

    settings = Settings(
        place=_place(db, new),
        token=_token(token_file) if token_file is not None else None,
        rate_per_s=rate_per_s(rate),
        patience_s=time_limit,
    )
    if settings.token is not None and settings.place.in_memory:
        raise InputError("is in memory, where nothing stays", where="--db", mend="name a file, or no --token-file")
    listener = listening(host, port)
    shown, bound = listener.getsockname()[:2]
    if not is_local(listener):
        sys.stderr.write(f"pourcheck: {_reached(shown, writing=settings.token is not None)}\n")
    say(f"Serving on http://{f'[{shown}]' if ':' in shown else shown}:{bound}. Stop with Ctrl+C.")
    log_to_stderr()
    run(settings, listener, workers)


def _reached(host: str, *, writing: bool) -> str:
    """What to know where others reach the server."""
    may = "whoever has the token may change the catalog" if writing else "whoever reaches it may ask, nobody may write"
    return f"the network can reach {host}: {may}; nothing is encrypted, so put it behind a proxy that does"


def _place(db: str | None, new: bool) -> Place:
    """The place of the catalog, made or brought up to date where need be, so that the workers find it ready."""
    with Catalog.open(db, new=new) as catalog:
        return catalog.place


def _token(file: str) -> str:
    """The token in a file. Raises: InputError: there is none that would do."""
    try:
        token = Path(file).read_text("utf-8").strip()
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", where=file, mend="check the file name") from None
    except (UnicodeDecodeError, ValueError):
        raise InputError("is not text", where=file, mend="write the token in one line") from None
    if len(token) < _SHORTEST_TOKEN or not token.isascii() or not token.isprintable() or " " in token:
        raise InputError(
            f"holds no token of {_SHORTEST_TOKEN} signs or more",
            where=file,
            mend="write letters and digits in one line, such as 32 random hexadecimal digits",
        )
    return token
