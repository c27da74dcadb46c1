"""Turning paho's network machine by hand, through its interface for an outside loop: reads and acknowledgements go by the handful.

paho's own `loop` reads one packet a turn, and each `ack` from another thread wakes it with a byte of its own and leaves in a packet of
its own. At 200 messages a second that was half of what a reading cost.
"""

from __future__ import annotations

import array
import contextlib
import fcntl
import os
import select
import socket
import termios
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, Protocol

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MQTTErrorCode

if TYPE_CHECKING:
    from typing import Any

GATHER_S = 0.1
"""How long the messages of a quick sender are left to gather in the socket, so that each thread wakes once for a handful of them."""

GATHER_MESSAGES = 16
"""So many are a handful: a broker with the usual window of 20 sends them without waiting for an acknowledgement."""

MOST_GATHERED = 16_384
"""Bytes that end the gathering whatever they are; well inside a socket's buffer."""

CALM_S = 1.0
"""A sender that stood still twice while its messages were gathered may wait for us: nothing is gathered for this long."""

MOST_A_TURN = 256
"""Packets read before acknowledgements and the keepalive have their turn."""

PART_S = 1.0
"""How long the other side may take to close the connection after our last word."""

_CORK: int | None = getattr(socket, "TCP_CORK", None)


class Bell:
    """Ends the wait of the network thread from any other thread; rung many times, it is heard once."""

    def __init__(self) -> None:
        self.ear, self._clapper = socket.socketpair()
        self.ear.setblocking(False)
        self._clapper.setblocking(False)
        self._rung = False

    def ring(self) -> None:
        """Wake the thread that waits on `ear`."""
        if not self._rung:
            self._rung = True
            with contextlib.suppress(BlockingIOError):
                self._clapper.send(b"!")

    def heard(self) -> None:
        """The thread is awake, and looks at everything that it may have been rung for after this."""
        with contextlib.suppress(BlockingIOError):
            self.ear.recv(64)
        self._rung = False

    def close(self) -> None:
        """Let go of both ends."""
        self.ear.close()
        self._clapper.close()


class Pace:
    """Whether to let messages gather a moment before they are read."""

    def __init__(self) -> None:
        self._read_s = self._calm_until_s = -1e9
        self._in_vain = 0

    def gathers(self, now_s: float) -> bool:
        """True where messages come quickly, and their sender has not been seen to stand still for want of an acknowledgement."""
        return now_s - self._read_s < GATHER_S and now_s >= self._calm_until_s

    def read(self, now_s: float, *, stood_still: bool) -> None:
        """Messages were read; `stood_still` when none came any more while they were gathered."""
        self._read_s = now_s
        self._in_vain = self._in_vain + 1 if stood_still else 0
        if self._in_vain > 1:
            self._calm_until_s, self._in_vain = now_s + CALM_S, 0


class Owed(Protocol):
    """A message to acknowledge: packet id, quality of service, number of the connection it came on."""

    @property
    def mid(self) -> int:
        """Packet id."""
        ...

    @property
    def qos(self) -> int:
        """Quality of service."""
        ...

    @property
    def connection(self) -> int:
        """Number of its connection."""
        ...


class Turner:
    """Turns one client. Made and used by the network thread; `acknowledge` and `bell.ring` are for the others.

    Args:
        client: not connected yet.
        counted: how many messages have come so far; tells whether a read brought one.
        now_s: a monotonic clock.
    """

    def __init__(self, client: mqtt.Client, counted: Callable[[], int], now_s: Callable[[], float]) -> None:
        self.client = client
        self.bell = Bell()
        self._counted = counted
        self._now_s = now_s
        self._pace = Pace()
        self._owed: deque[Owed] = deque()
        self._leaving = False
        self._each = 100  # bytes of a message, as they came last
        # With this set, `publish` queues its packet and asks to be written. Without it paho would write to the socket from the thread
        # that calls, beside the network thread: packets could overtake or cut each other.
        client.on_socket_register_write = self._wants_to_write

    def _wants_to_write(self, *_: Any) -> None:
        self.bell.ring()

    def acknowledge(self, owed: Iterable[Owed]) -> None:
        """Let messages be acknowledged in this order by the next turn."""
        self._owed.extend(owed)
        self.bell.ring()

    def leave(self) -> None:
        """Disconnect once what is owed has been sent; may be called from any thread."""
        self._leaving = True
        self.bell.ring()

    def part(self, connection: int) -> None:
        """Send what is owed and what waits, disconnect, and hear the other side out. By the network thread.

        A socket that is closed with something unread in it is reset: the broker would throw away what it has not read, our last words
        and the disconnection too, and would publish our will.
        """
        wire = self.client.socket()
        if wire is None:
            return
        with contextlib.suppress(OSError), socket.socket(fileno=os.dup(wire.fileno())) as kept:
            self._leaving = True
            self.write(connection)
            kept.settimeout(PART_S)
            kept.shutdown(socket.SHUT_WR)
            while kept.recv(65_536):
                pass

    def begin(self) -> None:
        """A new connection: what was owed on the one before is not owed on this one."""
        self._owed.clear()
        self._leaving = False

    def turn(self, timeout_s: float) -> MQTTErrorCode:
        """Wait for the network or the bell, and read what came.

        Returns:
            MQTT_ERR_SUCCESS while the connection stands.
        """
        client = self.client
        wire = client.socket()
        if wire is None:
            return mqtt.MQTT_ERR_NO_CONN
        waiting = _decrypted(wire) > 0
        readable = [wire, self.bell.ear]
        came, _, _ = select.select(readable, [wire] if client.want_write() else [], [], 0.0 if waiting else timeout_s)
        if not waiting and wire not in came:
            return client.loop_misc()
        stood_still = not waiting and self._pace.gathers(self._now_s()) and self._gather(wire)
        before, unread = self._counted(), _unread(wire)
        code = self._read()
        if count := self._counted() - before:
            self._each = unread // count + 1
            self._pace.read(self._now_s(), stood_still=stood_still)
        return code if code or client.socket() is None else client.loop_misc()

    def _gather(self, wire: Any) -> bool:
        """Leave a handful of messages to gather in the socket; True when they stopped coming before it was one."""
        unread = -1
        _wake_at(wire, min(self._each * GATHER_MESSAGES, MOST_GATHERED))
        try:
            for _ in range(2):
                if select.select([wire, self.bell.ear], [], [], GATHER_S / 2)[0]:
                    return False
                before, unread = unread, _unread(wire)
            return before == unread
        finally:
            _wake_at(wire, 1)

    def _read(self) -> MQTTErrorCode:
        """Read until the socket is empty; a read that brings no message may have taken an acknowledgement of our own words."""
        client = self.client
        for _ in range(MOST_A_TURN):
            before = self._counted()
            code = client.loop_read()
            wire = client.socket()
            if code or wire is None or (self._counted() == before and not _unread(wire)):
                return code
        return mqtt.MQTT_ERR_SUCCESS

    def write(self, connection: int) -> MQTTErrorCode:
        """Send the acknowledgements that are owed on this connection, and whatever else waits; those of older ones are dropped."""
        self.bell.heard()
        client = self.client
        owed = [self._owed.popleft() for _ in range(len(self._owed))]
        mine = [each for each in owed if each.connection == connection]
        if not mine and not client.want_write() and not self._leaving:
            return mqtt.MQTT_ERR_SUCCESS
        wire = client.socket()
        if wire is None:
            return mqtt.MQTT_ERR_NO_CONN
        with _together(wire if len(mine) > 1 else None):
            for each in mine:
                client.ack(each.mid, each.qos)
            if self._leaving:
                client.disconnect()
            return client.loop_write()


def _decrypted(wire: Any) -> int:
    """Bytes that TLS has read already: no `select` tells of them."""
    pending = getattr(wire, "pending", None)
    return int(pending()) if pending is not None else 0


def _unread(wire: Any) -> int:
    """Bytes that wait in the socket."""
    waiting = array.array("i", [0])
    try:
        fcntl.ioctl(wire, termios.FIONREAD, waiting)
    except OSError:
        return 0
    return waiting[0]


def _wake_at(wire: Any, count: int) -> None:
    """Let `select` tell of the socket from so many unread bytes on (SO_RCVLOWAT; Linux heeds it for TCP)."""
    with contextlib.suppress(OSError):
        wire.setsockopt(socket.SOL_SOCKET, socket.SO_RCVLOWAT, count)


@contextlib.contextmanager
def _together(wire: Any) -> Iterator[None]:
    """What is sent inside leaves together where the system can hold it back: a hundred acknowledgements are four bytes each."""
    if wire is None or _CORK is None:
        yield
        return
    with contextlib.suppress(OSError):
        wire.setsockopt(socket.IPPROTO_TCP, _CORK, 1)
    try:
        yield
    finally:
        with contextlib.suppress(OSError):
            wire.setsockopt(socket.IPPROTO_TCP, _CORK, 0)
