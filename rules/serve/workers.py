"""The server's processes: several workers on one socket; one that ends is started again, all stop in their time."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import multiprocessing
import signal
import socket
import time
from collections.abc import MutableSequence
from multiprocessing.process import BaseProcess
from secrets import token_bytes
from types import FrameType
from typing import TYPE_CHECKING

from ...catalog import InputError
from .limits import CELLS, Rates
from .logs import log_to_stderr
from .patient import patient_protocol
from .web import Settings, application

if TYPE_CHECKING:
    from uvicorn import Server

_log = logging.getLogger(__name__)
#: A worker that ends sooner after its start is not started again before this time [s].
_BREATH_S = 1.0
#: How often it is looked after them [s].
_LOOK_S = 0.1
#: Beyond the time of an answer, so long a worker may take to stop [s].
_GRACE_S = 5.0


def listening(host: str, port: int) -> socket.socket:
    """A socket that listens. Raises: InputError: the address cannot be used."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        return socket.create_server((host, port), family=family, backlog=2048)
    except (OSError, OverflowError, UnicodeError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(
            f"cannot be listened to ({reason})", where=f"{host}:{port}", mend="choose another --port or --host"
        ) from None


def is_local(listener: socket.socket) -> bool:
    """Whether only this machine reaches the socket."""
    host: str = listener.getsockname()[0]
    return host == "::1" or host.startswith("127.")


def run(settings: Settings, listener: socket.socket, workers: int) -> None:
    """Serve until told to stop (SIGTERM, SIGINT): what was asked by then is answered."""
    stopping = False

    def stop(_: int, __: FrameType | None) -> None:
        nonlocal stopping
        stopping = True

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, stop)
    context = multiprocessing.get_context("spawn")

    # What clients have used up, for all workers together.
    used = None if settings.rate_per_s is None else context.RawArray("d", CELLS)
    cores = 1 if workers > 1 else 0  # the others check other pours
    told = (settings, listener, cores, used, token_bytes(16))

    def started() -> BaseProcess:
        process = context.Process(target=_work, args=told, name="pourcheck worker")
        process.start()
        return process

    running = {started(): time.monotonic() for _ in range(workers)}
    while not stopping:
        time.sleep(_LOOK_S)
        for process, since in list(running.items()):
            if stopping or process.is_alive() or time.monotonic() - since < _BREATH_S:
                continue
            _log.warning("a worker ended (exit code %s) and is started again", process.exitcode)
            process.join()
            del running[process]
            running[started()] = time.monotonic()
    listener.close()
    for process in running:
        process.terminate()
    end = time.monotonic() + settings.patience_s + 2 * _GRACE_S
    for process in running:
        process.join(max(0.0, end - time.monotonic()))
        if process.is_alive():
            process.kill()
            process.join()


def _work(
    settings: Settings, listener: socket.socket, cores: int, used: MutableSequence[float] | None, salt: bytes
) -> None:
    """One worker, from its start to its end. cores: for the chemistry, 0: all; used, salt: see `Rates`."""
    from uvicorn import Config, Server

    log_to_stderr()
    rates = None if settings.rate_per_s is None else Rates(settings.rate_per_s, used, salt)
    server = Server(
        Config(
            application(settings, rates, cores),
            http=patient_protocol(settings.headers_s, settings.most_connections),
            log_config=None,
            access_log=False,
            server_header=False,
            # Whoever asks could name himself as he likes, and have a rate of his own.
            proxy_headers=False,
            ws="none",
            timeout_keep_alive=30,
            timeout_graceful_shutdown=int(settings.patience_s + _GRACE_S),
        )
    )
    # Ctrl+C at a terminal reaches all processes; each has stopped in good order by the time it is raised here.
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_until_left_alone(server, listener))


async def _until_left_alone(server: Server, listener: socket.socket) -> None:
    """Serve; stop where the process that watches over the workers is gone, so that none is left behind."""

    async def watch() -> None:
        parent = multiprocessing.parent_process()
        while parent is not None and parent.is_alive():
            await asyncio.sleep(1.0)
        server.should_exit = True

    watching = asyncio.create_task(watch())
    try:
        await server.serve(sockets=[listener])
    finally:
        watching.cancel()
