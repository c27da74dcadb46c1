"""The server at the other end, through influxdb-client: one request, one outcome, within a total deadline.

The client's own time-outs are per read, it reads answers of any length, follows redirects, and takes any 2xx for success; a captive
portal answers 200 to everything. So its connection pool is wrapped: a deadline over the whole request, at most 64 kB of answer, no
redirect; and only 204 is success.
"""

from __future__ import annotations

import contextlib
import json
import re
import signal
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from http.client import HTTPException
from types import FrameType
from typing import TYPE_CHECKING, Any

import urllib3
from influxdb_client import InfluxDBClient, WriteService  # type: ignore[attr-defined]
from influxdb_client.rest import ApiException

from holdwater.mirror.outcome import Accepted, Later, Outcome, Rejected, TooLarge

if TYPE_CHECKING:
    from holdwater.config.mirrors import MirrorSettings

DEADLINE_S = 30.0
"""One request, from resolving the name to the last byte of the answer."""

CONNECT_S = 10.0
ANSWER_MAX = 65_536
MOST_WAIT_S = 3600.0
_DROPPED = re.compile(r"dropped[=: ]+(\d+)")


class Late(Exception):  # noqa: N818 -- an outcome, not a fault
    """The deadline is over."""


@contextlib.contextmanager
def within(seconds: float) -> Iterator[None]:
    """Raise `Late` in the main thread when the time is over, whatever it waits for."""

    def end(_signal: int, _frame: FrameType | None) -> None:
        raise Late

    before = signal.signal(signal.SIGALRM, end)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


@dataclass(frozen=True, slots=True)
class Answer:
    """An answer as the client's code reads it."""

    status: int
    reason: str
    data: bytes
    headers: Any


class Pool:
    """Stands where the client's connection pool was; asks that pool.

    Args:
        pool: the client's own.
        deadline_s: longest time for one request, s.
    """

    def __init__(self, pool: Any, deadline_s: float) -> None:
        self._pool = pool
        self._deadline_s = deadline_s

    def request(self, method: str, url: str, **rest: Any) -> Answer:
        """One request.

        Raises:
            Late: it took too long.
            urllib3.exceptions.HTTPError: it could not be made.
        """
        rest |= {
            "preload_content": False,
            "redirect": False,
            "retries": False,
            "timeout": urllib3.Timeout(connect=min(CONNECT_S, self._deadline_s), read=self._deadline_s),
        }
        with within(self._deadline_s):
            answer = self._pool.request(method, url, **rest)
            try:
                data = b""
                while len(data) < ANSWER_MAX and (piece := answer.read(ANSWER_MAX - len(data), decode_content=False)):
                    data += piece
                if len(data) < ANSWER_MAX:
                    answer.release_conn()
            finally:
                if len(data) >= ANSWER_MAX or not answer.closed:
                    answer.close()  # what is left of it is not wanted
        text = data.decode("utf-8", "replace").encode()
        return Answer(answer.status, answer.reason or "", text, answer.headers)

    def clear(self) -> None:
        """Close all connections."""
        self._pool.clear()


_service: Any = WriteService  # untyped in the client


class Server:
    """A server that takes InfluxDB 2 writes.

    Args:
        settings: where it is and how to log in.
        deadline_s: longest time for one request, s.
    """

    def __init__(self, settings: MirrorSettings, deadline_s: float = DEADLINE_S) -> None:
        self._settings = settings
        token = "" if settings.token is None else settings.token.reveal()
        self._client: Any = InfluxDBClient(
            settings.url, token=token or "-", org=settings.org, enable_gzip=True, ssl_ca_cert=settings.ca_file, connection_pool_maxsize=1,
        )  # fmt: skip
        if not token:
            self._client.api_client.default_headers.pop("Authorization", None)
        self._headers = dict(self._client.api_client.default_headers)
        rest: Any = self._client.api_client.rest_client
        self._pool = rest.pool_manager = Pool(rest.pool_manager, deadline_s)
        self._writes: Any = _service(self._client.api_client)
        self._deadline_s = deadline_s

    def close(self) -> None:
        """Close the connection."""
        self._pool.clear()
        self._client.close()

    def write(self, lines: bytes) -> Outcome:
        """Send lines (line protocol, times in ms); never raises for what the world does."""
        where = self._settings
        try:
            _, status, _ = self._writes.post_write_with_http_info(
                org=where.org, bucket=where.bucket, body=lines, precision="ms", content_type="text/plain; charset=utf-8"
            )
        except ApiException as error:
            return _refused(error)
        except Late:
            self._pool.clear()  # a connection in the middle of something
            return Later(f"no full answer within {self._deadline_s:g} s")
        except (urllib3.exceptions.HTTPError, HTTPException, OSError, UnicodeError) as error:
            return Later(_words(error))
        if status != 204:
            return Later(
                f"it answers {status} where 204 is expected: is {where.url} the server, or does a log-in page stand before it?",
                mend=True,
            )
        return Accepted()

    def get(self, path: str, fields: dict[str, str]) -> Answer:
        """Ask a question by GET.

        Raises:
            Late: it took too long.
            urllib3.exceptions.HTTPError, OSError: it could not be asked.
        """
        return self._pool.request("GET", self._settings.url + path, fields=fields, headers=dict(self._headers))


_MEND = {
    0: "its certificate is not good, or it does not speak TLS",
    401: "it refuses our token (401): see mirror.token_file",
    403: "our token may not write there (403): see its rights on the server",
    404: "it has no such bucket or organisation, or takes no InfluxDB 2 writes (404)",
}


def _refused(error: ApiException) -> Outcome:
    """An answer that is no success, by its status (InfluxDB 2 documentation, "Troubleshoot issues writing data")."""
    status, said = error.status or 0, told(error.body)
    if status == 413:
        return TooLarge(said or "too large")
    if status in (400, 422):
        dropped = _DROPPED.search(said)
        return Rejected(said or f"it answers {status}", int(dropped[1]) if dropped else None)
    if status in (408, 425, 429) or status >= 500:
        return Later(f"it answers {status}: {said or error.reason}", wait_s=_wait_s(error.headers))
    if 300 <= status < 400:
        words = f"it answers {status}, a redirect, which is not followed: put the final address in mirror.url"
    else:
        words = _MEND.get(status, f"it answers {status}: {said or error.reason}")
    return Later(f"{words}: {said}" if status == 404 and said else words, mend=True)


def told(body: str | bytes | None) -> str:
    """What an answer says, in one printable line of at most 200 characters."""
    text = body.decode("utf-8", "replace") if isinstance(body, bytes) else body or ""
    with contextlib.suppress(ValueError, RecursionError):
        found = json.loads(text)
        if isinstance(found, dict):
            text = str(found.get("message") or found.get("error") or text)
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())[:200]


def _wait_s(headers: Any) -> float | None:
    """Seconds that Retry-After asks for: a number or a date (RFC 9110, 10.2.3); at most an hour."""
    text = str((headers or {}).get("Retry-After") or "").strip()
    if text.isascii() and text.isdigit():
        return min(float(text[:9]), MOST_WAIT_S)
    with contextlib.suppress(ValueError, TypeError, OverflowError):
        wait = (parsedate_to_datetime(text) - datetime.now(UTC)).total_seconds()
        return min(max(wait, 0.0), MOST_WAIT_S)
    return None


def _words(error: Exception) -> str:
    """Why no answer came, for a person."""
    if isinstance(error, urllib3.exceptions.NameResolutionError):
        return "its name cannot be resolved"
    if isinstance(error, urllib3.exceptions.NewConnectionError | ConnectionRefusedError):
        return "it cannot be connected to"
    if isinstance(error, urllib3.exceptions.TimeoutError | TimeoutError):
        return "it does not answer in time"
    return "the connection broke off"
