"""Connections that are patient, but not without end: what never becomes a request is cut off."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from uvicorn.protocols.http.h11_impl import H11Protocol


def patient_protocol(headers_s: float, most: int) -> type[H11Protocol]:
    """The protocol of a server's connections. headers_s: within which the headers of a request are there, from its
    first byte on (of the first request from the connection on), what is left of a body that nobody waits for, and
    within which some of an answer is read; most: connections at once, those beyond are closed."""
    from uvicorn.protocols.http.h11_impl import H11Protocol

    class Patient(H11Protocol):
        """Cuts off who sends headers without end, or nothing, and who reads no answer."""

        _limit: asyncio.TimerHandle | None = None
        _unread: asyncio.TimerHandle | None = None

        def connection_made(self, transport: Any) -> None:
            """Begin to wait for a request."""
            super().connection_made(transport)
            if len(self.connections) > most:
                transport.abort()
            else:
                self._begin()

        def data_received(self, data: bytes) -> None:
            """Wait no longer once a request is there."""
            super().data_received(data)
            if self.cycle is not None and not self.cycle.response_complete:
                self._end()
            elif self._limit is None:
                self._begin()

        def on_response_complete(self) -> None:
            """The next request begins with its first byte; until then the keep-alive time holds."""
            self._end()
            super().on_response_complete()

        def pause_writing(self) -> None:
            """So much was not read yet that no more is written."""
            super().pause_writing()
            self._unread = self.loop.call_later(headers_s, self.transport.abort)

        def resume_writing(self) -> None:
            """Some of it was read."""
            if self._unread is not None:
                self._unread.cancel()
                self._unread = None
            super().resume_writing()

        def timeout_keep_alive_handler(self) -> None:
            """No further request came; what was not read of the answers is not kept for ever."""
            super().timeout_keep_alive_handler()
            self.loop.call_later(headers_s, self.transport.abort)

        def connection_lost(self, exc: Exception | None) -> None:
            """Nothing is waited for."""
            self._end()
            if self._unread is not None:
                self._unread.cancel()
            super().connection_lost(exc)

        def _begin(self) -> None:
            self._limit = self.loop.call_later(headers_s, self.transport.abort)

        def _end(self) -> None:
            if self._limit is not None:
                self._limit.cancel()
                self._limit = None

    return Patient
