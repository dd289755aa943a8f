"""Connections to the page, each bounded in time, and all of them in number.

So who opens many and says nothing locks nobody out, and leaves the run in the same process the files that it needs.
"""

import asyncio
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

from rig.page.guarding import is_this_machine

#: A request has so long to come in whole, and what was sent as long to be read until more can be; choice of the page.
REQUEST_S, UNREAD_S = 10.0, 30.0
#: So many are open at a time, of other machines half as many; the next is closed at once; choice of the page.
MOST_CONNECTIONS = 200


class BoundedConnection(H11Protocol):
    """One connection."""

    _late: asyncio.TimerHandle | None = None
    _unread: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        """Take it, or close it where too many are open."""
        super().connection_made(transport)
        is_here = is_this_machine(self.client[0] if self.client else "")
        if len(self.connections) > (MOST_CONNECTIONS if is_here else MOST_CONNECTIONS // 2):
            transport.abort()
        else:
            self._wait_for_request()

    def data_received(self, data: bytes) -> None:
        """Wait no longer once a request is whole; begin to with the first byte of the next."""
        super().data_received(data)
        if self.conn.their_state not in (h11.IDLE, h11.SEND_BODY):
            self._cancel()
        elif self._late is None:
            self._wait_for_request()

    def pause_writing(self) -> None:
        """What was sent is not read: wait for that, but not for ever."""
        super().pause_writing()
        self._unread = self.loop.call_later(UNREAD_S, self.transport.abort)

    def resume_writing(self) -> None:
        """It is read."""
        if self._unread:
            self._unread.cancel()
        super().resume_writing()

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait for nothing any more."""
        self._cancel()
        self.resume_writing()
        super().connection_lost(exc)

    def _wait_for_request(self) -> None:
        self._late = self.loop.call_later(REQUEST_S, self.transport.abort)

    def _cancel(self) -> None:
        if self._late:
            self._late.cancel()
        self._late = None
