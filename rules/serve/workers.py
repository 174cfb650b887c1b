"""The server's processes: what listens on one socket, with its workers; what ends is started again, all stop in their
time."""

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
#: Workers of one process that listens: its part of an answer is some twentieth of theirs.
WORKERS_OF_ONE = 8
#: What ends sooner after its start is not started again before this time [s].
_BREATH_S = 1.0
#: How often it is looked after them [s].
_LOOK_S = 0.1
#: Beyond the time of an answer, so long a worker may take to stop [s].
_GRACE_S = 5.0


def listening(host: str, port: int) -> socket.socket:
    """A socket that listens. Raises: InputError: the address cannot be used."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        listener = socket.create_server((host, port), family=family, backlog=2048)
    except (OSError, OverflowError, UnicodeError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(
            f"cannot be listened to ({reason})", where=f"{host}:{port}", mend="choose another --port or --host"
        ) from None
    # Inherited by its connections: else the second part of an answer waits until the first is acknowledged (40 ms).
    listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return listener


def is_local(listener: socket.socket) -> bool:
    """Whether only this machine reaches the socket."""
    host: str = listener.getsockname()[0]
    return host == "::1" or host.startswith("127.")


def run(settings: Settings, listener: socket.socket, workers: int, *, of_one: int = WORKERS_OF_ONE) -> None:
    """Serve until told to stop (SIGTERM, SIGINT): what was asked by then is answered. workers: processes that answer;
    of_one: of one process that listens at most."""
    stopping = False

    def stop(_: int, __: FrameType | None) -> None:
        nonlocal stopping
        stopping = True

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, stop)
    context = multiprocessing.get_context("spawn")

    # What clients have used up, for all workers together.
    used = None if settings.rate_per_s is None else context.RawArray("d", CELLS)
    salt = token_bytes(16)

    def started(its_workers: int) -> BaseProcess:
        told = (settings, listener, its_workers, used, salt)
        process = context.Process(target=_listen, args=told, name="pourcheck listener")
        process.start()
        return process

    count = -(-workers // of_one)
    #: What runs: its workers, and since when.
    running = {
        started(its_workers): (its_workers, time.monotonic())
        for its_workers in (workers // count + (i < workers % count) for i in range(count))
    }
    while not stopping:
        time.sleep(_LOOK_S)
        for process, (its_workers, since) in list(running.items()):
            if stopping or process.is_alive() or time.monotonic() - since < _BREATH_S:
                continue
            _log.warning("a process that listens ended (exit code %s) and is started again", process.exitcode)
            process.join()
            del running[process]
            running[started(its_workers)] = its_workers, time.monotonic()
    listener.close()
    for process in running:
        process.terminate()
    end = time.monotonic() + settings.patience_s + 2 * _GRACE_S
    for process in running:
        process.join(max(0.0, end - time.monotonic()))
        if process.is_alive():
            process.kill()
            process.join()


def _listen(
    settings: Settings, listener: socket.socket, workers: int, used: MutableSequence[float] | None, salt: bytes
) -> None:
    """A process that listens, from its start to its end. used, salt: see `Rates`."""
    from uvicorn import Config, Server

    log_to_stderr()
    rates = None if settings.rate_per_s is None else Rates(settings.rate_per_s, used, salt)
    server = Server(
        Config(
            application(settings, rates, workers),
            http=patient_protocol(settings.headers_s, workers * settings.most_connections),
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
    """Serve; stop where the process that watches over this one is gone, so that none is left behind."""

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
