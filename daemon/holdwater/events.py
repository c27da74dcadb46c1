"""Everything that changes state, as values: what the inbox holds and the loop handles.

A message carries what is needed to acknowledge it after the commit; a request carries the promise that its asker waits on.
"""

from __future__ import annotations

from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True)
class Message:
    """One MQTT message as it arrived.

    Attributes:
        topic: the topic; bytes where it was not UTF-8.
        payload: the body as received.
        at_ms: wall clock at arrival, ms UTC; only as good as the clock.
        mono_s: monotonic clock at arrival.
        qos: quality of service it came with.
        retain: True for a message the broker had kept: never new data.
        duplicate: the sender's or broker's mark of a second delivery.
        backlog: it came in the burst after a reconnect, so it may have waited at the broker.
        mid: packet id to acknowledge; 0 when there is nothing to acknowledge.
        connection: number of the connection it came on; an ack for an older one is dropped.
    """

    topic: str | bytes
    payload: bytes
    at_ms: int
    mono_s: float
    qos: int = 0
    retain: bool = False
    duplicate: bool = False
    backlog: bool = False
    mid: int = 0
    connection: int = 0


@dataclass(frozen=True, slots=True)
class Request:
    """A wish from page, command line, MQTT or recording: seen, quiet, note, accept, …; answered after the commit."""

    what: str
    body: dict[str, Any]
    answer: Future[dict[str, Any]] | None = field(default=None, compare=False)


@dataclass(frozen=True, slots=True)
class Tick:
    """Time has passed."""


@dataclass(frozen=True, slots=True)
class Delivered:
    """What became of one sending of an outbox row."""

    key: str
    outcome: Any


@dataclass(frozen=True, slots=True)
class BrokerState:
    """The connection to the broker came up or went away; `words` say why."""

    up: bool
    words: str


@dataclass(frozen=True, slots=True)
class TimeGiven:
    """Somebody told the time: a message, the owner's phone."""

    source: str
    wall_ms: int


@dataclass(frozen=True, slots=True)
class Stop:
    """Commit, answer, end."""


Event = Message | Request | Tick | Delivered | BrokerState | TimeGiven | Stop
