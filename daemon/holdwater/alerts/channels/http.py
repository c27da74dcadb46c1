"""One exchange over HTTP: one total deadline, no redirects, the answer capped and never shown, the address checked once."""

from __future__ import annotations

import socket
import ssl
from collections.abc import Mapping
from dataclasses import dataclass
from http.client import HTTPException
from urllib.parse import urlsplit

import urllib3
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.util.ssl_match_hostname import CertificateError

from holdwater import __version__
from holdwater.alerts.channels.address import Resolve, is_allowed, resolve
from holdwater.alerts.channels.deadline import deadline
from holdwater.alerts.outcome import Refused, Unclear

ANSWER_MAX = 64 * 1024


@dataclass(frozen=True, slots=True)
class Peer:
    """The other side.

    Attributes:
        url: http or https; may be a secret, so that no word of ours shows it.
        allow: loopback or private addresses it may be at.
        ca_file: certificate authority of the other side; None for the system's.
        deadline_s: longest time for one exchange, s.
        resolver: from a name to addresses.
    """

    url: str
    allow: tuple[str, ...] = ()
    ca_file: str | None = None
    deadline_s: float = 30.0
    resolver: Resolve = resolve


def exchange(peer: Peer, method: str, body: bytes | None, headers: Mapping[str, str]) -> int | Refused | Unclear:
    """Ask, and take the answer.

    Returns:
        The status of the answer; `Refused` when nothing was sent, `Unclear` when it broke off after that.
    """
    try:
        parts = urlsplit(peer.url)
        host, port = parts.hostname or "", parts.port or (443 if parts.scheme == "https" else 80)
        if parts.scheme not in ("http", "https") or not host:
            return Refused(False, "the address is not http or https")
        found = peer.resolver(host, port)
    except (OSError, ValueError, UnicodeError):
        return Refused(False, "the name of the other side cannot be resolved")
    allowed = [each for each in found if is_allowed(each, peer.allow)]
    if not allowed:
        return Refused(False, f"{host} is an address inside this house; name it in 'allow' if that is meant")
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    connection = _connection(peer, parts.scheme, (allowed[0], port, host))
    full = {
        "Host": parts.netloc.rpartition("@")[2],
        "User-Agent": f"holdwater/{__version__}",
        "Connection": "close",
        **headers,
    }
    return _ask(connection, (method, path, body, full), peer.deadline_s)


def _connection(peer: Peer, scheme: str, to: tuple[str, int, str]) -> HTTPConnection:
    address, port, host = to
    timeout = urllib3.Timeout(connect=min(10.0, peer.deadline_s), read=peer.deadline_s)
    if scheme == "http":
        return HTTPConnection(address, port, timeout=timeout.connect_timeout)
    context = ssl.create_default_context(cafile=peer.ca_file)
    return HTTPSConnection(
        address,
        port,
        timeout=timeout.connect_timeout,
        ssl_context=context,
        server_hostname=host,
        assert_hostname=host,
    )


def _ask(
    connection: HTTPConnection, request: tuple[str, str, bytes | None, Mapping[str, str]], deadline_s: float
) -> int | Refused | Unclear:
    method, path, body, headers = request

    def get_socket() -> socket.socket | None:
        return connection.sock

    sent = False
    with deadline(deadline_s, get_socket) as expiry:
        try:
            connection.connect()
            if connection.sock is not None:
                connection.sock.settimeout(deadline_s)
            sent = True
            connection.request(method, path, body=body, headers=headers, preload_content=False)
            answer = connection.getresponse()
            status, left = answer.status, ANSWER_MAX
            while left > 0 and (piece := answer.read(min(left, 8192))):
                left -= len(piece)
        except (OSError, HTTPException, urllib3.exceptions.HTTPError, ValueError, AttributeError) as error:
            words = f"no full answer within {deadline_s:.0f} s" if expiry.passed else _words(error)
            return Unclear(words) if sent else Refused(False, words)
        finally:
            connection.close()
    return status


def _words(error: Exception) -> str:
    if isinstance(error, ssl.SSLError | urllib3.exceptions.SSLError | CertificateError):
        return "its certificate is not good, or it does not speak TLS"
    if isinstance(error, urllib3.exceptions.NewConnectionError | ConnectionRefusedError):
        return "it could not be connected to"
    if isinstance(error, urllib3.exceptions.ConnectTimeoutError | TimeoutError):
        return "it did not answer in time"
    return "the connection broke off"
