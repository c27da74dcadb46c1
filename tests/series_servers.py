"""Real time-series servers for tests: victoria-metrics and influxd as child processes on free loopback ports, and a proxy before them.

Debian's influxd (1.6) knows `/write` only; the proxy gives it the `/api/v2/write` of InfluxDB 2 by rewriting the path. The proxy
also misbehaves on demand: answers with a status, hangs, drips without end, closes, answers twice as much as anybody reads.
"""

from __future__ import annotations

import gzip
import http.client
import json
import signal
import subprocess
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlencode, urlsplit

from broker_fixture import program
from holdwater.demo.child import LOOPBACK, end_child, free_port, start_child, wait_for_port

INFLUXD = """
reporting-disabled = true
bind-address = "127.0.0.1:{backup}"
[meta]
dir = "{folder}/meta"
[data]
dir = "{folder}/data"
wal-dir = "{folder}/wal"
[http]
bind-address = "127.0.0.1:{port}"
log-enabled = false
[monitor]
store-enabled = false
"""


def ask(port: int, path: str, fields: dict[str, str] | None = None, method: str = "GET") -> bytes:
    """The body of an answer that must be a success."""
    connection = http.client.HTTPConnection(LOOPBACK, port, timeout=20)
    try:
        connection.request(method, path + ("?" + urlencode(fields) if fields else ""))
        answer = connection.getresponse()
        body = answer.read()
        assert answer.status < 300, (answer.status, body[:500])
        return body
    finally:
        connection.close()


@dataclass(slots=True)
class SeriesServer:
    """A server of a test; `start` after `stop` or `kill` opens the same port and the same data again."""

    folder: Path
    kind: str  # victoria-metrics or influxd
    extra: tuple[str, ...] = ()
    port: int = 0
    process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        """Its address."""
        return f"http://{LOOPBACK}:{self.port}"

    @property
    def log(self) -> str:
        """What it said so far."""
        path = self.folder / "server.log"
        return path.read_text(errors="replace") if path.exists() else ""

    def start(self) -> SeriesServer:
        """Start it and wait until it listens."""
        for _ in range(1 if self.port else 5):
            port = self.port or free_port()
            process = start_child(self._command(port), self.folder / "server.log")
            if wait_for_port(port, process, 15.0):
                self.port, self.process = port, process
                return self
            end_child(process)
        raise RuntimeError(f"{self.kind} does not start; its log:\n{self.log}")

    def _command(self, port: int) -> list[str]:
        path = str(program(self.kind))
        if self.kind == "influxd":
            config = self.folder / "influxd.conf"
            config.write_text(INFLUXD.format(folder=self.folder, port=port, backup=free_port()))
            return [path, "run", "-config", str(config)]
        return [
            path, f"-httpListenAddr={LOOPBACK}:{port}", f"-storageDataPath={self.folder}/data", "-retentionPeriod=100y",
            "-loggerLevel=WARN", "-memory.allowedBytes=64MB", "-search.latencyOffset=0s", *self.extra,
        ]  # fmt: skip

    def stop(self) -> None:
        """End it cleanly; it keeps what it took."""
        process, self.process = self.process, None
        if process is not None:
            end_child(process, 10.0)

    def kill(self) -> None:
        """End it as a power cut would."""
        if self.process is not None:
            self.process.send_signal(signal.SIGKILL)
            self.process.wait()
            self.process = None

    def make(self, database: str) -> None:
        """influxd: make a database."""
        ask(self.port, "/query", {"q": f"CREATE DATABASE {database}"}, "POST")

    def points(self, measurement: str = "reading", database: str = "water") -> Counter[tuple[str, str, int, float]]:
        """What it holds of the field `value`: (node, quantity, time in ms, value), each as often as it is there."""
        return (
            self.influx_points(measurement, database) if self.kind == "influxd" else self.victoria_points(measurement)
        )

    def victoria_points(self, measurement: str) -> Counter[tuple[str, str, int, float]]:
        """victoria-metrics: all samples, after a flush."""
        ask(self.port, "/internal/force_flush")
        body = ask(self.port, "/api/v1/export", {"match[]": f'{{__name__="{measurement}_value"}}', "start": "0"})
        found: Counter[tuple[str, str, int, float]] = Counter()
        for line in body.splitlines():
            series = json.loads(line)
            tags = series["metric"]
            for ts, value in zip(series["timestamps"], series["values"], strict=True):
                found[tags["node"], tags["quantity"], ts, value] += 1
        return found

    def influx_points(self, measurement: str, database: str) -> Counter[tuple[str, str, int, float]]:
        """influxd: all points."""
        query = f'SELECT "node", "quantity", "value" FROM "{measurement}"'
        found: Counter[tuple[str, str, int, float]] = Counter()
        for row in self.query(query, database):
            found[row[1], row[2], row[0], row[3]] += 1
        return found

    def query(self, query: str, database: str = "water") -> list[list[Any]]:
        """influxd: rows of a query, times in ms."""
        body = json.loads(ask(self.port, "/query", {"db": database, "q": query, "epoch": "ms"}))
        series = body["results"][0].get("series", [])
        return [row for each in series for row in each["values"]]

    def tags(self, name: str) -> set[str]:
        """victoria-metrics: values of a label."""
        ask(self.port, "/internal/force_flush")
        return set(json.loads(ask(self.port, f"/api/v1/label/{name}/values", {"start": "0"}))["data"])


@dataclass(slots=True)
class Proxy:
    """Stands before a server. `fault` is asked for each write: None lets it through, else it takes over the connection's socket.

    Attributes:
        target: port of the server behind it.
        rewrite: turns `/api/v2/write` into the `/write` of InfluxDB 1.
        fault: gets the handler and the lines; returns True when it has answered.
        requests: number of lines of each write that came, in order.
    """

    target: int
    rewrite: bool = False
    fault: Callable[[BaseHTTPRequestHandler, list[bytes]], bool] | None = None
    requests: list[int] = field(default_factory=list)
    authorization: list[str | None] = field(default_factory=list)
    server: ThreadingHTTPServer | None = None

    @property
    def url(self) -> str:
        """Its address."""
        assert self.server is not None
        return f"http://{LOOPBACK}:{self.server.server_address[1]}"

    def start(self) -> Proxy:
        """Open the port."""
        proxy = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def log_message(self, *_: object) -> None:
                return

            def do_GET(self) -> None:
                proxy.forward(self, b"")

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
                plain = gzip.decompress(body) if self.headers.get("Content-Encoding") == "gzip" else body
                lines = plain.splitlines()
                proxy.requests.append(len(lines))
                proxy.authorization.append(self.headers.get("Authorization"))
                if proxy.fault is None or not proxy.fault(self, lines):
                    proxy.forward(self, body)

        self.server = ThreadingHTTPServer((LOOPBACK, 0), Handler)
        self.server.daemon_threads = True
        threading.Thread(target=self.server.serve_forever, args=(0.02,), daemon=True).start()
        return self

    def stop(self) -> None:
        """Close the port."""
        if self.server is not None:
            self.server.shutdown()
            self.server.server_close()
            self.server = None

    def forward(self, handler: BaseHTTPRequestHandler, body: bytes) -> None:
        """Ask the server behind and give its answer."""
        parts = urlsplit(handler.path)
        path, fields = parts.path, {key: values[0] for key, values in parse_qs(parts.query).items()}
        if self.rewrite and path == "/api/v2/write":
            path, fields = "/write", {"db": fields["bucket"], "precision": fields["precision"]}
        connection = http.client.HTTPConnection(LOOPBACK, self.target, timeout=20)
        try:
            headers = {
                key: value for key, value in handler.headers.items() if key in ("Content-Encoding", "Content-Type")
            }
            connection.request(handler.command, f"{path}?{urlencode(fields)}", body, headers)
            answer = connection.getresponse()
            reply(handler, answer.status, answer.read())
        except OSError:
            reply(handler, 502, b"the server behind is away")
        finally:
            connection.close()


def reply(handler: BaseHTTPRequestHandler, status: int, body: bytes = b"", **headers: str) -> bool:
    """Answer a request."""
    handler.send_response(status)
    for name, value in headers.items():
        handler.send_header(name.replace("_", "-"), value)
    if status != 204:
        handler.send_header("Content-Length", str(len(body)))
    handler.end_headers()
    if status != 204:
        handler.wfile.write(body)
    return True


def hang(handler: BaseHTTPRequestHandler, _lines: list[bytes]) -> bool:
    """Say nothing until the other side goes."""
    handler.connection.settimeout(30)
    handler.rfile.read(1)
    handler.close_connection = True
    return True


def drip(handler: BaseHTTPRequestHandler, _lines: list[bytes]) -> bool:
    """An answer that never ends, one byte at a time: each read is quick, the whole is not."""
    handler.connection.sendall(b"HTTP/1.1 400 Bad\r\nContent-Length: 100000\r\n\r\n")
    for _ in range(600):
        try:
            handler.connection.sendall(b"x")
        except OSError:
            break
        time.sleep(0.05)
    handler.close_connection = True
    return True


def flood(handler: BaseHTTPRequestHandler, _lines: list[bytes]) -> bool:
    """An answer of a gigabyte."""
    handler.connection.sendall(b"HTTP/1.1 400 Bad\r\nContent-Length: 1000000000\r\n\r\n")
    try:
        for _ in range(1000):
            handler.connection.sendall(bytes(1_000_000))
    except OSError:
        pass
    handler.close_connection = True
    return True


def cut(handler: BaseHTTPRequestHandler, _lines: list[bytes]) -> bool:
    """Close without a word."""
    handler.close_connection = True
    handler.connection.close()
    return True
