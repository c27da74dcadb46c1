"""The page's server: uvicorn in a thread of its own that sleeps until somebody asks."""

from __future__ import annotations

import asyncio
import errno
import os
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from typing import cast

from starlette.types import ASGIApp
from uvicorn import Config, Server

from holdwater.errors import BusyError, OutsideError
from holdwater.web.protocol import REQUEST_MOST, BoundedProtocol, Limits

GRACE_S = 2
"""How long open answers may take when the service stops, s."""

START_S = 10.0
BACKLOG = 64


class _Quiet(Server):
    """uvicorn's server, its main loop waiting on an event: the original wakes ten times a second."""

    def __init__(self, config: Config) -> None:
        super().__init__(config)
        self.begun = threading.Event()
        self._end: asyncio.Event | None = None
        self._running: asyncio.AbstractEventLoop | None = None

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Signals belong to the service."""
        yield

    async def main_loop(self) -> None:
        """Sleep until `end`."""
        await self.on_tick(0)
        self._end = asyncio.Event()
        self._running = asyncio.get_running_loop()
        self.begun.set()
        await self._end.wait()

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:  # noqa: ARG002 -- the listeners are ours to close
        """Take no more, let open answers finish for a while, cut what is left. The original sleeps in steps of 0.1 s."""
        for each in self.servers:
            each.close()
        for connection in list(self.server_state.connections):
            connection.shutdown()
        if self.server_state.tasks:
            await asyncio.wait(list(self.server_state.tasks), timeout=GRACE_S)
        for connection in list(self.server_state.connections):
            if isinstance(connection, BoundedProtocol) and not connection.transport.is_closing():
                connection.cut()
        await self.lifespan.shutdown()

    def end(self) -> None:
        """Wake the main loop, from any thread."""
        self.should_exit = True
        if self._running is not None and self._end is not None and not self._running.is_closed():
            self._running.call_soon_threadsafe(self._end.set)


class PageServer:
    """Serves an app at one address until stopped.

    Args:
        app: what `create_app` gave.
        host: address to listen on, `127.0.0.1`, `0.0.0.0`, `::`.
        port: 0 takes a free one; see `port` after `start`.
        limits: what a visitor may take.
    """

    def __init__(self, app: ASGIApp, host: str, port: int, limits: Limits | None = None) -> None:
        self.host = host
        self.port = port
        self._app = app
        self._limits = limits or Limits()
        self._server: _Quiet | None = None
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Listen, and return once requests are answered.

        Raises:
            BusyError: another program listens there.
            OutsideError: the address is not one of this machine's, or the port needs more rights.
        """
        listener = _listen(self.host, self.port)
        self.port = listener.getsockname()[1]
        config = Config(
            self._app,
            http=cast("type[BoundedProtocol]", partial(BoundedProtocol, limits=self._limits)),
            loop="asyncio",
            ws="none",
            lifespan="on",
            log_config=None,
            log_level="error",
            access_log=False,
            proxy_headers=False,
            server_header=False,
            date_header=False,  # the guard adds it while the clock is trusted
            h11_max_incomplete_event_size=REQUEST_MOST,
        )
        server = _Quiet(config)
        self._server = server
        self._thread = threading.Thread(target=server.run, args=([listener],), name="page", daemon=True)
        self._thread.start()
        if not server.begun.wait(START_S):
            raise OutsideError(
                "the page did not start", where=f"{self.host}:{self.port}", do="look at the log of the service"
            )

    def stop(self) -> None:
        """Finish open answers, close, end the thread. Harmless when not started."""
        if self._server is not None:
            self._server.end()
        if self._thread is not None:
            self._thread.join(GRACE_S + 3)
        self._server = self._thread = None

    @property
    def busy(self) -> int:
        """Requests being answered just now."""
        return len(self._server.server_state.tasks) if self._server is not None else 0

    @property
    def alive(self) -> bool:
        """Whether its thread runs."""
        return self._thread is not None and self._thread.is_alive()


def _listen(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # asyncio switches delays off (TCP_NODELAY) only where the protocol is named; without it each answer waits 40 ms.
    listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
        listener.listen(BACKLOG)
    except (OSError, OverflowError) as error:
        listener.close()
        raise _words(error, f"{host}:{port}") from None
    listener.setblocking(False)
    return listener


def _words(error: OSError | OverflowError, where: str) -> BusyError | OutsideError:
    number = error.errno if isinstance(error, OSError) else None
    if number == errno.EADDRINUSE:
        return BusyError(
            "another program listens there already",
            where=where,
            do='choose another port with listen under [page], or listen = "off"',
        )
    if number == errno.EACCES:
        return OutsideError(
            "ports below 1024 need more rights",
            where=where,
            expected="a port from 1024 to 65535",
            do='write listen = "…:8080" under [page]',
        )
    if number in {errno.EADDRNOTAVAIL, socket.EAI_NONAME}:
        return OutsideError(
            "this machine has no such address",
            where=where,
            expected="one of its own, or 0.0.0.0 for all",
            do="correct listen under [page]",
        )
    found = os.strerror(number) if number else str(error)
    return OutsideError(f"cannot listen: {found}", where=where, do="correct listen under [page]")
