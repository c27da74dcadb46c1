"""A peer that speaks just enough MQTT to say what no real broker says on demand: refusals, foreign bytes, silence."""

from __future__ import annotations

import socket
import struct
import threading
import time
from collections.abc import Callable

Packet = tuple[int, bytes]


class Peer:
    """Listens on a free port; `talk(link)` is called for each connection, in a thread of its own."""

    def __init__(self, talk: Callable[[Link], None]) -> None:
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._socket.getsockname()[1]
        self.connects: list[int] = []  # protocol levels asked for
        self._talk = talk
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                link = Link(self._socket.accept()[0])
            except OSError:
                return
            threading.Thread(target=self._serve, args=(link,), daemon=True).start()

    def _serve(self, link: Link) -> None:
        try:
            kind, body = link.read()
            if kind >> 4 == 1:
                self.connects.append(body[6])
                link.level = body[6]
                self._talk(link)
        except OSError:
            pass
        finally:
            link.close()

    def close(self) -> None:
        """Stop listening."""
        self._socket.close()


class Link:
    """One connection."""

    def __init__(self, connection: socket.socket) -> None:
        self._socket = connection
        self._socket.settimeout(10)
        self.level = 0

    def read(self) -> Packet:
        """The next packet: first byte, body.

        Raises:
            OSError: the other side is gone.
        """
        head = self._exactly(1)[0]
        size = shift = 0
        while True:
            byte = self._exactly(1)[0]
            size |= (byte & 0x7F) << shift
            shift += 7
            if byte < 0x80:
                return head, self._exactly(size)

    def _exactly(self, count: int) -> bytes:
        data = b""
        while len(data) < count:
            part = self._socket.recv(count - len(data))
            if not part:
                raise ConnectionError
            data += part
        return data

    def send(self, head: int, body: bytes) -> None:
        """A packet of less than 128 bytes."""
        self._socket.sendall(bytes([head, len(body)]) + body)

    def connack(self, code: int = 0, present: int = 0) -> None:
        """Answer a CONNECT in the version that was asked for."""
        self.send(0x20, bytes([present, code]) + (b"\0" if self.level == 5 else b""))

    def suback(self, *codes: int) -> None:
        """Wait for a SUBSCRIBE and answer it."""
        while True:
            kind, body = self.read()
            if kind >> 4 == 8:
                self.send(0x90, body[:2] + (b"\0" if self.level == 5 else b"") + bytes(codes))
                return

    def publish(self, topic: bytes, payload: bytes, mid: int, flags: int = 2) -> None:
        """A message at QoS 1."""
        properties = b"\0" if self.level == 5 else b""
        self.send(0x30 | flags, struct.pack(">H", len(topic)) + topic + struct.pack(">H", mid) + properties + payload)

    def pubacks(self, most_s: float) -> list[int]:
        """Packet ids acknowledged until nothing came for so long."""
        found, end = [], time.monotonic() + most_s
        while time.monotonic() < end:
            self._socket.settimeout(max(0.01, end - time.monotonic()))
            try:
                kind, body = self.read()
            except TimeoutError:
                break
            if kind >> 4 == 4:
                found.append(struct.unpack(">H", body[:2])[0])
            elif kind >> 4 == 3 and kind & 6:  # our own state topic: confirm it
                size = struct.unpack(">H", body[:2])[0]
                self.send(0x40, body[2 + size : 4 + size])
        self._socket.settimeout(10)
        return found

    def receive(self, most: int) -> bytes:
        """What has come, in the pieces it came in."""
        return self._socket.recv(most)

    def close(self) -> None:
        """End."""
        self._socket.close()
