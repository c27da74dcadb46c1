"""HTTP/1.1 with deadlines: a request must arrive, and an answer be taken, in time; connections are few.

uvicorn has no deadline for receiving a request. Here a newcomer never waits for somebody who does not finish: when all
places are taken, the connection that has been idle or half-sent for longest makes room.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from time import monotonic
from typing import TYPE_CHECKING, Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

from holdwater.web.guard import HEADERS

if TYPE_CHECKING:
    from uvicorn.config import Config
    from uvicorn.server import ServerState


@dataclass(frozen=True, slots=True)
class Limits:
    """What a visitor may take. Numbers of connections: our own choice; a browser opens up to six to one host.

    Attributes:
        receive_s: a request must have arrived this long after it, or its connection, began.
        answer_s: an answer must have been taken this long after its request arrived.
        connections: at once, from everybody.
        connections_each: at once, from one address.
    """

    receive_s: float = 10.0
    answer_s: float = 30.0
    connections: int = 64
    connections_each: int = 8


REQUEST_MOST = 16 * 1024
"""Longest request line with headers, bytes."""


class BoundedProtocol(H11Protocol):
    """uvicorn's HTTP with deadlines and limits. Inheritance is how uvicorn takes a protocol."""

    def __init__(
        self,
        config: Config,
        server_state: ServerState,
        app_state: dict[str, Any],
        _loop: asyncio.AbstractEventLoop | None = None,
        *,
        limits: Limits = Limits(),
    ) -> None:
        super().__init__(config, server_state, app_state, _loop)
        self._limits = limits
        self._timer: asyncio.TimerHandle | None = None
        self._receiving = True
        self._since = monotonic()

    @property
    def waits(self) -> bool:
        """True while it is idle or its request has not arrived whole."""
        return self._receiving or self.cycle is None or self.cycle.response_complete

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take a newcomer in, if need be in the place of one that waits."""
        super().connection_made(transport)
        self._deadline(self._limits.receive_s)
        others = [each for each in self.connections if isinstance(each, BoundedProtocol) and each is not self]
        same = [each for each in others if each._address == self._address]
        for crowd, most in ((same, self._limits.connections_each), (others, self._limits.connections)):
            alive = [each for each in crowd if each in self.connections]
            if len(alive) >= most:
                oldest = min((each for each in alive if each.waits), key=lambda each: each._since, default=self)
                oldest.cut()
                if oldest is self:
                    return

    @property
    def _address(self) -> str:
        return self.client[0] if self.client else ""

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the deadline."""
        self._stop_timer()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """More of a request."""
        if self.transport.is_closing():
            return
        super().data_received(data)
        self._watch()

    def on_response_complete(self) -> None:
        """One answer is out; the next request may already lie here in part."""
        self._stop_timer()
        self._receiving = True
        self._since = monotonic()
        super().on_response_complete()
        if self.conn.trailing_data[0] or self.conn.their_state is not h11.IDLE:
            self._watch()

    def timeout_keep_alive_handler(self) -> None:
        """Nobody asks any more: close, and cut if the last answer is not taken."""
        super().timeout_keep_alive_handler()
        self.loop.call_later(self._limits.receive_s, self.cut)

    def send_400_response(self, msg: str) -> None:
        """Refuse what is no HTTP, with the same headers as every answer."""
        if self.conn.our_state not in {h11.IDLE, h11.SEND_RESPONSE}:
            self.cut()
            return
        headers = [(name.encode(), value.encode()) for name, value in HEADERS.items()]
        headers += [
            (b"content-type", b"text/plain; charset=utf-8"),
            (b"cache-control", b"no-store"),
            (b"connection", b"close"),
        ]
        body = msg.encode("ascii", "replace") + b"\n"
        headers.append((b"content-length", str(len(body)).encode()))
        for event in (
            h11.Response(status_code=400, headers=headers, reason=b"Bad Request"),
            h11.Data(data=body),
            h11.EndOfMessage(),
        ):
            self.transport.write(self.conn.send(event) or b"")
        self.transport.close()

    def cut(self) -> None:
        """End the connection without ceremony and free its place at once."""
        self._stop_timer()
        self.connections.discard(self)
        self.transport.abort()

    def _watch(self) -> None:
        """Set the deadline that fits: for the rest of a request, or for its answer."""
        if self.transport.is_closing():
            return
        arrived = self.conn.their_state in {h11.DONE, h11.MUST_CLOSE, h11.CLOSED}
        if arrived and self._receiving:
            self._receiving = False
            self._deadline(self._limits.answer_s)
        elif not arrived and (self._timer is None or not self._receiving):
            self._receiving = True
            self._deadline(self._limits.receive_s)

    def _deadline(self, seconds: float) -> None:
        self._stop_timer()
        self._timer = self.loop.call_later(seconds, self.cut)

    def _stop_timer(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
