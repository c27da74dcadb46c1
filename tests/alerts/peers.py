"""Peers on loopback that answer a webhook in every bad way there is."""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from alerts.rig import T0_MS
from holdwater.alerts.matter import Severity
from holdwater.alerts.outbox import Parcel


def parcel(key: str = "site:1:1:phone", state: str = "active", phase: str = "raise", channel: str = "phone") -> Parcel:
    """One message."""
    short, long = "Drinking tank low: 81 gal, reserve 90 gal.", "Drinking tank low: 81 gal, reserve 90 gal. At length."
    row = {
        "site": "Quern Bench",
        "notice": 1,
        "step": 1,
        "phase": phase,
        "state": state,
        "severity": "act today",
        "at_ms": T0_MS,
        "short": short,
        "long": long,
    }
    body = {**row, "key": key}
    return Parcel(key, channel, (key,), (1,), Severity.TODAY, short, long, json.dumps(body), (row,))


@dataclass
class Peer:
    """A server: its port, what it was sent, and the end of it."""

    port: int
    requests: list[bytes] = field(default_factory=list)
    over: threading.Event = field(default_factory=threading.Event)

    def url(self, path: str = "/hook") -> str:
        """Its address."""
        return f"http://127.0.0.1:{self.port}{path}"

    def body(self, number: int = 0) -> bytes:
        """The body of a request."""
        return self.requests[number].partition(b"\r\n\r\n")[2]

    def headers(self, number: int = 0) -> dict[str, str]:
        """The headers of a request, names in lower case."""
        head = self.requests[number].partition(b"\r\n\r\n")[0].decode()
        pairs = (line.partition(": ") for line in head.split("\r\n")[1:])
        return {name.lower(): value for name, _, value in pairs}


Answer = Callable[[socket.socket, Peer], None]


def answers(status: str, *headers: str, body: bytes = b"ok") -> Answer:
    """An ordinary answer."""

    def answer(conn: socket.socket, peer: Peer) -> None:
        head = "\r\n".join([f"HTTP/1.1 {status}", f"Content-Length: {len(body)}", *headers, "", ""])
        conn.sendall(head.encode() + body)

    return answer


def silent(conn: socket.socket, peer: Peer) -> None:
    """Takes the request and says nothing."""
    peer.over.wait(30)


def dripping(conn: socket.socket, peer: Peer) -> None:
    """One byte of the answer every tenth of a second, so that no read ever times out."""
    for byte in b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\nX-Slow: " + b"y" * 10_000:
        if peer.over.wait(0.1):
            return
        conn.sendall(bytes([byte]))


def endless(conn: socket.socket, peer: Peer) -> None:
    """A body that never ends."""
    conn.sendall(b"HTTP/1.1 200 OK\r\nConnection: close\r\n\r\n")
    while not peer.over.is_set():
        conn.sendall(b"x" * 65_536)


def closing(conn: socket.socket, peer: Peer) -> None:
    """Takes the request and hangs up."""


def garbage(conn: socket.socket, peer: Peer) -> None:
    """Answers in no protocol at all."""
    conn.sendall(b"\x00\xff\x00 this is no HTTP\r\n\r\n")


def read_request(conn: socket.socket) -> bytes:
    """A whole request, so that closing does not reset the connection."""
    data = b""
    while b"\r\n\r\n" not in data:
        piece = conn.recv(65_536)
        if not piece:
            return data
        data += piece
    head, _, body = data.partition(b"\r\n\r\n")
    length = next(
        (int(line.split(b":")[1]) for line in head.split(b"\r\n") if line.lower().startswith(b"content-length")), 0
    )
    while len(body) < length:
        body += conn.recv(65_536)
    return head + b"\r\n\r\n" + body


@contextmanager
def serving(answer: Answer) -> Iterator[Peer]:
    """A server that answers each request that way."""
    listener = socket.create_server(("127.0.0.1", 0))
    peer = Peer(listener.getsockname()[1])

    def one(conn: socket.socket) -> None:
        with conn:
            try:
                request = read_request(conn)
                peer.requests.append(request)
                answer(conn, peer)
            except OSError:
                return

    def serve() -> None:
        while not peer.over.is_set():
            try:
                conn, _ = listener.accept()
            except OSError:
                return
            threading.Thread(target=one, args=(conn,), daemon=True).start()

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield peer
    finally:
        peer.over.set()
        listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        thread.join(2)
