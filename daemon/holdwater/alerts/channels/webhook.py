"""JSON by HTTP POST: one total deadline, no redirects, the answer capped and never shown, the address checked once."""

from __future__ import annotations

import hashlib
import hmac
import socket
import ssl
from dataclasses import dataclass
from http.client import HTTPException
from typing import Any
from urllib.parse import urlsplit

import urllib3
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.util.ssl_match_hostname import CertificateError

from holdwater import __version__
from holdwater.alerts.channels.address import Resolve, is_allowed, resolve
from holdwater.alerts.channels.deadline import deadline
from holdwater.alerts.outbox import Parcel
from holdwater.alerts.outcome import Accepted, Outcome, Refused, Unclear
from holdwater.config.channels import WebhookChannel

ANSWER_MAX = 64 * 1024
# The message itself is not wanted: no retry will help. Everything else may be mended on the other side.
FINAL = frozenset({400, 410, 413, 415, 422})


def signature(secret: str, key: str, body: bytes) -> str:
    """HMAC-SHA256 (RFC 2104) of key, a full stop and the body, in hex: the key is signed too, so that no copy passes as new."""
    return hmac.new(secret.encode(), key.encode() + b"." + body, hashlib.sha256).hexdigest()


@dataclass(frozen=True, slots=True)
class WebhookSender:
    """Posts to one address.

    Attributes:
        url: http or https.
        secret: key of the signature; empty for none.
        allow: loopback or private addresses it may connect to.
        ca_file: certificate authority of the other side; None for the system's.
        deadline_s: longest time for one send, s.
        resolver: from a name to addresses.
    """

    url: str
    secret: str = ""
    allow: tuple[str, ...] = ()
    ca_file: str | None = None
    deadline_s: float = 30.0
    resolver: Resolve = resolve

    @classmethod
    def of(cls, config: WebhookChannel, read: Any, deadline_s: float) -> WebhookSender:
        """From the config; secrets are read from their files."""
        url = config.url if config.url_file is None else read(config.url_file)
        secret = config.secret if config.secret_file is None else read(config.secret_file)
        return cls(url or "", secret or "", config.allow, config.ca_file, deadline_s)

    def send(self, parcel: Parcel) -> Outcome:
        """Post it."""
        try:
            parts = urlsplit(self.url)
            host, port = parts.hostname or "", parts.port or (443 if parts.scheme == "https" else 80)
            if parts.scheme not in ("http", "https") or not host:
                return Refused(False, "the address is not http or https")
            found = self.resolver(host, port)
        except (OSError, ValueError, UnicodeError):
            return Refused(False, "the name of the other side cannot be resolved")
        allowed = [each for each in found if is_allowed(each, self.allow)]
        if not allowed:
            return Refused(False, f"{host} is an address inside this house; name it in 'allow' if that is meant")
        path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        connection = self._connection(parts.scheme, allowed[0], port, host)
        return self._post(connection, path, parts.netloc.rpartition("@")[2], parcel)

    def _connection(self, scheme: str, address: str, port: int, host: str) -> HTTPConnection:
        timeout = urllib3.Timeout(connect=min(10.0, self.deadline_s), read=self.deadline_s)
        if scheme == "http":
            return HTTPConnection(address, port, timeout=timeout.connect_timeout)
        context = ssl.create_default_context(cafile=self.ca_file)
        return HTTPSConnection(
            address,
            port,
            timeout=timeout.connect_timeout,
            ssl_context=context,
            server_hostname=host,
            assert_hostname=host,
        )

    def _post(self, connection: HTTPConnection, path: str, host: str, parcel: Parcel) -> Outcome:
        body = parcel.body.encode()
        headers = {
            "Host": host,
            "Content-Type": "application/json",
            "User-Agent": f"holdwater/{__version__}",
            "Idempotency-Key": parcel.key,
            "Connection": "close",
        }
        if self.secret:
            headers["Holdwater-Signature"] = f"sha256={signature(self.secret, parcel.key, body)}"

        def get_socket() -> socket.socket | None:
            return connection.sock

        sent = False
        with deadline(self.deadline_s, get_socket) as expiry:
            try:
                connection.connect()
                if connection.sock is not None:
                    connection.sock.settimeout(self.deadline_s)
                sent = True
                connection.request("POST", path, body=body, headers=headers, preload_content=False)
                answer = connection.getresponse()
                status, left = answer.status, ANSWER_MAX
                while left > 0 and (piece := answer.read(min(left, 8192))):
                    left -= len(piece)
            except (OSError, HTTPException, urllib3.exceptions.HTTPError, ValueError, AttributeError) as error:
                words = f"no full answer within {self.deadline_s:.0f} s" if expiry.passed else _words(error)
                return Unclear(words) if sent else Refused(False, words)
            finally:
                connection.close()
        return _outcome(status)


def _outcome(status: int) -> Outcome:
    if 200 <= status < 300:
        return Accepted()
    if 300 <= status < 400:
        return Refused(
            False, f"it answered {status}, a redirect, which is not followed: put the final address in the config"
        )
    return Refused(status in FINAL, f"it answered {status}")


def _words(error: Exception) -> str:
    if isinstance(error, ssl.SSLError | urllib3.exceptions.SSLError | CertificateError):
        return "its certificate is not good, or it does not speak TLS"
    if isinstance(error, urllib3.exceptions.NewConnectionError | ConnectionRefusedError):
        return "it could not be connected to"
    if isinstance(error, urllib3.exceptions.ConnectTimeoutError | TimeoutError):
        return "it did not answer in time"
    return "the connection broke off"
