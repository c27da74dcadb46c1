"""The inbox as JSON Lines: one event a line. The format of bug reports, tests, the demo and the proving ground.

``{"at": RFC 3339, "event": "message", "topic": …, "payload": …}``; ``payload_b64`` where the payload is not UTF-8; ``event`` may be left
out for a message. Others: ``note`` (kind and figures), ``wish`` (what and body), ``tick``, ``step`` (by_s).
"""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from holdwater.errors import UsageError
from holdwater.events import Event, Message, Request, Tick

KNOWN = ("message", "note", "wish", "tick", "step")


@dataclass(frozen=True, slots=True)
class Step:
    """The wall clock stepped by so much at this place of the recording."""

    by_s: float


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a recording: when, and what."""

    at_ms: int
    event: Event | Step


def at_text(at_ms: int) -> str:
    """A time as RFC 3339 in UTC with milliseconds."""
    moment = datetime.fromtimestamp(at_ms // 1000, UTC)
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{at_ms % 1000:03d}Z"


def to_line(event: Event, at_ms: int) -> str | None:
    """An event as a line without its line end; None for events that a recording does not hold."""
    if isinstance(event, Message):
        body: dict[str, Any] = {"at": at_text(event.at_ms), "event": "message"}
        body["topic"] = event.topic if isinstance(event.topic, str) else event.topic.decode("latin-1")
        try:
            body["payload"] = event.payload.decode()
        except UnicodeDecodeError:
            body["payload_b64"] = base64.b64encode(event.payload).decode()
        body |= {name: True for name in ("retain", "duplicate", "backlog") if getattr(event, name)}
        return json.dumps(body, ensure_ascii=False, separators=(",", ":"))
    if isinstance(event, Request) and event.what == "note":
        return json.dumps(
            {"at": at_text(at_ms), "event": "note", **event.body}, ensure_ascii=False, separators=(",", ":")
        )
    if isinstance(event, Request):
        return json.dumps(
            {"at": at_text(at_ms), "event": "wish", "what": event.what, "body": event.body}, separators=(",", ":")
        )
    return None


def lines(texts: Iterable[str | bytes], name: str) -> Iterator[Line]:
    """The events of a recording.

    Args:
        texts: its lines.
        name: name of the file, for errors.

    Raises:
        UsageError: a line that is no event, with its number, what was found and what was expected.
    """
    for number, text in enumerate(texts, 1):
        if text.strip():
            yield _line(text, f"{name}, line {number}")


def _line(text: str | bytes, where: str) -> Line:
    try:
        body = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise UsageError(
            f"not JSON: {error}", expected="one JSON object a line", where=where, do="mend or remove the line"
        ) from None
    if not isinstance(body, dict):
        raise UsageError(
            "not a JSON object",
            expected='{"at": …, "topic": …, "payload": …}',
            where=where,
            do="mend or remove the line",
        )
    at_ms = _at(body.pop("at", None), where)
    kind = body.pop("event", "message")
    if kind == "message":
        return Line(at_ms, _message(body, at_ms, where))
    if kind == "note":
        return Line(at_ms, Request("note", {"at_ms": at_ms, **body}))
    if kind == "wish":
        return Line(at_ms, Request(str(body.get("what")), dict(body.get("body") or {})))
    if kind == "tick":
        return Line(at_ms, Tick())
    if kind == "step":
        return Line(at_ms, Step(_number(body.get("by_s"), "by_s", where)))
    raise UsageError(
        f"unknown event {kind!r}", expected=f"one of {', '.join(KNOWN)}", where=where, do="mend or remove the line"
    )


def _at(at: object, where: str) -> int:
    try:
        moment = datetime.fromisoformat(str(at))
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise UsageError(
            f"time {at!r}",
            expected="RFC 3339 with its offset, such as 2026-07-01T06:00:00Z",
            where=where,
            do='give the line an "at"',
        )
    return round(moment.timestamp() * 1000)


def _number(value: object, key: str, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise UsageError(f"{key} {value!r}", expected="a number", where=where, do="mend the line")
    return float(value)


def _message(body: dict[str, Any], at_ms: int, where: str) -> Message:
    topic = body.get("topic")
    if not isinstance(topic, str) or not topic:
        raise UsageError(f"topic {topic!r}", expected="a topic", where=where, do='give the line a "topic"')
    try:
        payload = (
            base64.b64decode(body["payload_b64"], validate=True)
            if "payload_b64" in body
            else _payload(body.get("payload", ""))
        )
    except (binascii.Error, TypeError, ValueError):
        raise UsageError("payload_b64 is not base64", expected="base64", where=where, do="mend the line") from None
    flags = {name: body.get(name) is True for name in ("retain", "duplicate", "backlog")}
    return Message(topic, payload, at_ms, at_ms / 1000, **flags)


def _payload(value: object) -> bytes:
    """A payload written as text; one written as JSON (a SenML pack in plain sight) is taken as its text."""
    return value.encode("utf-8", "surrogatepass") if isinstance(value, str) else json.dumps(value).encode()
