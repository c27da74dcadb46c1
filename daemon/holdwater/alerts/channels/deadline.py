"""A total deadline for one exchange over a socket.

The time-out of a socket is per read: a peer that drips one byte now and then holds a sender for ever. A timer that
shuts the socket ends it at any point.
"""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from threading import Timer


@dataclass(slots=True)
class Expiry:
    """Whether the deadline has passed."""

    passed: bool = False


@contextmanager
def deadline(seconds: float, get_socket: Callable[[], socket.socket | None]) -> Iterator[Expiry]:
    """Shut the socket that `get_socket` gives when the time is over; whoever reads it then gets an error or an end."""
    expiry = Expiry()

    def end() -> None:
        expiry.passed = True
        sock = get_socket()
        if sock is not None:
            with suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)

    timer = Timer(seconds, end)
    timer.daemon = True
    timer.start()
    try:
        yield expiry
    finally:
        timer.cancel()
