"""A page served for a test, and a plain client that speaks to it over a real socket."""

from __future__ import annotations

import gzip
import socket
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from html.parser import HTMLParser
from http.client import HTTPConnection
from typing import Any

from holdwater.config.site import Site
from holdwater.snapshot import Snapshot
from holdwater.web.app import create_app
from holdwater.web.protocol import Limits
from holdwater.web.server import PageServer
from web.household import NOW_MS, Book, Hatch, season_book, well


@dataclass(frozen=True)
class Answer:
    """What came back."""

    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def text(self) -> str:
        return self.body.decode()


class Served:
    """A running page with what stands behind it."""

    def __init__(self, site: Site, snapshot: Snapshot | None = None, limits: Limits | None = None) -> None:
        self.site = site
        self.book: Book = season_book(site) if len(site.tanks) == 3 and "drinking" in site.tanks else Book()
        self.hatch = Hatch(snapshot or well(site))
        self.now_ms = NOW_MS
        self.reader: Callable[[], object] = self.book.reader
        self.app = create_app(site, lambda: self.hatch.snapshot, self._open, self.hatch, lambda: self.now_ms)
        self.server = PageServer(self.app, "127.0.0.1", 0, limits)
        self.server.start()

    def _open(self) -> Any:
        return self.reader()

    @property
    def own(self) -> dict[str, str]:
        """Headers of a browser that presses a button of this page."""
        return {"Sec-Fetch-Site": "same-origin", "Content-Type": "application/x-www-form-urlencoded"}

    def ask(
        self, method: str, path: str, headers: dict[str, str] | None = None, body: bytes | Iterable[bytes] | None = None
    ) -> Answer:
        connection = HTTPConnection("127.0.0.1", self.server.port, timeout=10)
        try:
            connection.request(
                method, path, body=body, headers=headers or {}, encode_chunked=not isinstance(body, bytes | type(None))
            )
            answer = connection.getresponse()
            data = answer.read()
        finally:
            connection.close()
        found = {name.lower(): value for name, value in answer.getheaders()}
        return Answer(answer.status, found, gzip.decompress(data) if found.get("content-encoding") == "gzip" else data)

    def get(self, path: str, **headers: str) -> Answer:
        return self.ask("GET", path, headers)

    def post(self, path: str, body: bytes = b"", headers: dict[str, str] | None = None) -> Answer:
        return self.ask("POST", path, self.own if headers is None else headers, body)

    def raw(self, data: bytes) -> bytes:
        """Bytes out, all bytes back until the other side closes."""
        with socket.create_connection(("127.0.0.1", self.server.port), timeout=10) as link:
            link.sendall(data)
            link.shutdown(socket.SHUT_WR)
            found = b""
            while chunk := link.recv(65536):
                found += chunk
        return found


class Tags(HTMLParser):
    """Counts what a page is made of, and gathers what people read."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.names: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.read: list[str] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.names.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)

    def handle_data(self, data: str) -> None:
        self.read.append(data)

    @property
    def text(self) -> str:
        return " ".join("".join(self.read).split())
