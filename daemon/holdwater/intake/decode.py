"""From a message to what it says: a pack of readings, a presence, a wish. Pure: topic and payload in, values out.

The topic decides who speaks, never the payload.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from holdwater_sensors.errors import PayloadError, Why
from holdwater_sensors.record import Record
from holdwater_sensors.senml import decode_cbor, decode_json

if TYPE_CHECKING:
    from collections.abc import Iterable

    from holdwater.events import Message
    from holdwater_sensors.formats import Route

NODE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,31}")
QUANTITY = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,31}")
MOST_BYTES = 16_384
"""Longest payload read. The broker is asked for the same limit; a node's largest pack is a tenth of it."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One value of one quantity, in the unit it came in."""

    quantity: str
    unit: str
    value: float
    t_s: float
    relative: bool


@dataclass(frozen=True, slots=True)
class Pack:
    """Readings of one node in one message; run, seq and keep where the node numbers its packs."""

    node: str
    readings: tuple[Reading, ...]
    run: int | None = None
    seq: int | None = None
    keep: int | None = None

    @property
    def numbered(self) -> bool:
        """True when duplicates are known by number."""
        return self.run is not None and self.seq is not None


@dataclass(frozen=True, slots=True)
class Presence:
    """What a node's retained state topic or last will says."""

    node: str
    state: str


@dataclass(frozen=True, slots=True)
class Wish:
    """A wish that came by MQTT: seen, quiet, note, time."""

    what: str
    body: dict[str, Any]


class Decoder:
    """Decodes messages by topic for one site's prefix and foreign routes."""

    def __init__(self, prefix: str, routes: Iterable[Route]) -> None:
        self._node = f"{prefix}/node/"
        self._do = f"{prefix}/do/"
        self._routes = {route.topic: route for route in routes}

    def subscriptions(self) -> list[tuple[str, int]]:
        """Topic filters with their QoS.

        A foreign device without a time of its own is taken at QoS 0, so that no backlog is dated by guess.
        """
        own = [(f"{self._node}+/readings", 1), (f"{self._node}+/presence", 1), (f"{self._do}#", 1)]
        return own + [(route.topic, 1 if route.time is not None else 0) for route in self._routes.values()]

    def decode(self, message: Message) -> Pack | Presence | Wish:
        """What a message says.

        Raises:
            PayloadError: it cannot be read, with a reason out of the closed list.
        """
        if not isinstance(message.topic, str):
            raise PayloadError(Why.NAME, "the topic is not UTF-8")
        if len(message.payload) > MOST_BYTES:
            raise PayloadError(Why.SIZE, f"{len(message.payload)} bytes; at most {MOST_BYTES}")
        route = self._routes.get(message.topic)
        if route is not None:
            return _foreign(route, message)
        if message.topic.startswith(self._node):
            return self._own(message.topic[len(self._node) :], message)
        if message.topic.startswith(self._do):
            return _wish(message.topic[len(self._do) :], message.payload)
        raise PayloadError(Why.NAME, "no route for this topic")

    def _own(self, rest: str, message: Message) -> Pack | Presence:
        node, _, leaf = rest.partition("/")
        if not NODE_NAME.fullmatch(node):
            raise PayloadError(Why.NAME, f"{node[:40]!r} is no node name")
        if leaf == "presence":
            return Presence(node, _state(message.payload))
        if leaf != "readings":
            raise PayloadError(Why.NAME, f"{leaf[:40]!r} is neither readings nor presence")
        now_s = message.at_ms / 1000
        reads_cbor = message.payload[:1] and 0x80 <= message.payload[0] <= 0x9F
        pack = decode_cbor(message.payload, now_s) if reads_cbor else decode_json(message.payload, now_s)
        readings = tuple(
            _reading(record) for record in pack.records if record.value is not None or record.truth is not None
        )
        return Pack(node, readings, pack.run, pack.seq, pack.keep)


def _reading(record: Record) -> Reading:
    if not QUANTITY.fullmatch(record.quantity):
        raise PayloadError(Why.NAME, f"{record.quantity[:40]!r} is no quantity name")
    # A float switch may send a truth value: up is 1, down is 0.
    value = record.value if record.value is not None else float(record.truth or False)
    return Reading(record.quantity, record.unit, value, record.t_s, record.relative)


def _foreign(route: Route, message: Message) -> Pack:
    records = route.decode(message.payload, message.at_ms / 1000)
    node, _, quantity = route.series.partition(":")
    readings = tuple(
        Reading(quantity, each.unit, each.value, each.t_s, each.relative) for each in records if each.value is not None
    )
    return Pack(node, readings)


def _state(payload: bytes) -> str:
    """A presence text: plain, or the `state` of a JSON object; cut to 32 printable characters."""
    text = payload[:256].decode("utf-8", "replace")
    try:
        value = json.loads(text)
    except (ValueError, RecursionError):
        value = text
    if isinstance(value, dict):
        value = value.get("state", "")
    return "".join(each for each in str(value) if each.isprintable())[:32]


def _wish(what: str, payload: bytes) -> Wish:
    try:
        body = json.loads(payload or b"{}")
    except (ValueError, RecursionError) as error:
        raise PayloadError(Why.SYNTAX, str(error)[:100]) from None
    if not isinstance(body, dict):
        raise PayloadError(Why.SHAPE, "a wish is a JSON object")
    return Wish(what, body)
