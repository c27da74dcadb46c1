"""Foreign devices: from a plain number, a JSON document or a delimited line to records of one series.

A device that is not ours sends what it likes on a topic of its own; a route says where in the payload the value (and
its time, if it has one) stands, and in what unit. A route without a time of its own dates the record by its reception.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from jsonpointer import JsonPointer, JsonPointerException

from holdwater_sensors import jsontext
from holdwater_sensors.errors import PayloadError, Why
from holdwater_sensors.record import Record
from holdwater_sensors.senml import LARGEST, LATEST_S, number

Form = Literal["number", "json", "text"]
TimeForm = Literal["seconds", "milliseconds", "RFC 3339"]
MAX_NUMBER_BYTES = 64  # a number with its blanks, written at full length
ABSENT = ("", "nan", "null", "none", "unavailable", "unknown", "n/a", "-", "--")


@dataclass(frozen=True, slots=True)
class TimeAt:
    """Where the time of a reading stands in the payload.

    Attributes:
        form: how it is written: seconds or milliseconds since 1970 UTC, or an RFC 3339 date with its offset.
        pointer: JSON pointer (RFC 6901), for a JSON payload.
        field: number of the field, counted from 1, for a delimited text.
    """

    form: TimeForm
    pointer: str = ""
    field: int = 0


@dataclass(frozen=True, slots=True)
class Route:
    """From topic and payload of a foreign device to one series.

    Attributes:
        name: name of the route in the config.
        topic: MQTT topic, without wildcards.
        form: how the payload is written.
        series: series that the value belongs to, ``node:quantity``.
        unit: primary SenML unit after conversion.
        scale: factor from the number sent to that unit.
        offset: added after the factor.
        pointer: JSON pointer of the value.
        field: number of the value's field in a delimited text, counted from 1.
        delimiter: what stands between fields; a blank means any run of blanks.
        time: where the time stands; None: the reception counts.
    """

    name: str
    topic: str
    form: Form
    series: str
    unit: str
    scale: float = 1.0
    offset: float = 0.0
    pointer: str = ""
    field: int = 1
    delimiter: str = ","
    time: TimeAt | None = None

    @property
    def qos(self) -> int:
        """Delivery to ask for: 1 when readings carry their time, else 0, so that no backlog is dated by guess."""
        return 0 if self.time is None else 1

    def decode(self, payload: bytes, now_s: float) -> tuple[Record, ...]:
        """The record in a payload.

        Args:
            payload: as received.
            now_s: time of reception, seconds since 1970 UTC.

        Raises:
            PayloadError: the payload does not hold what the route points at.
        """
        if self.form == "json":
            found, time = self._from_json(payload)
        else:
            found, time = self._from_text(payload)
        value = number(found, "value") * self.scale + self.offset
        if not -LARGEST <= value <= LARGEST:
            raise PayloadError(Why.NUMBER, "the value in its unit is too large")
        if self.time is None:
            return (Record(self.series, self.unit, now_s, value, True),)
        return (Record(self.series, self.unit, seconds(time, self.time.form), value, False),)

    def _from_json(self, payload: bytes) -> tuple[Any, Any]:
        document = jsontext.parse(payload)
        found = _pointed(document, self.pointer)
        if isinstance(found, str):
            found = plain_number(found)
        return found, None if self.time is None else _pointed(document, self.time.pointer)

    def _from_text(self, payload: bytes) -> tuple[Any, Any]:
        if self.form == "number":
            return plain_number(jsontext.text_of(payload, MAX_NUMBER_BYTES)), None
        text = jsontext.text_of(payload).strip("\r\n")
        fields = text.split() if self.delimiter == " " else text.split(self.delimiter)
        return plain_number(_field(fields, self.field)), None if self.time is None else _field(fields, self.time.field)


def plain_number(text: str) -> float:
    """A number written as text, such as ``41.5`` or ``-3e2``; decimal point, no digit groups.

    Raises:
        PayloadError: `missing` for the usual words for "no value", else `syntax` or `number`.
    """
    word = text.strip()
    if word.lower() in ABSENT:
        raise PayloadError(Why.MISSING, f"no value: {word!r}")
    if (
        "_" in word or not word.isascii()
    ):  # float() takes 1_000 and digits of other scripts; a device does not mean them
        raise PayloadError(Why.SYNTAX, f"{word!r} is not a number")
    try:
        return number(float(word), "value")
    except ValueError as error:
        if isinstance(error, PayloadError):
            raise
        raise PayloadError(Why.SYNTAX, f"{word[:40]!r} is not a number") from None


def _pointed(document: Any, pointer: str) -> Any:
    try:
        return JsonPointer(pointer).resolve(document)
    except (JsonPointerException, TypeError, ValueError):
        raise PayloadError(Why.MISSING, f"nothing at {pointer!r}") from None


def _field(fields: list[str], position: int) -> str:
    if position > len(fields):
        raise PayloadError(Why.MISSING, f"field {position} of {len(fields)} is not there")
    return fields[position - 1]


def seconds(found: Any, form: TimeForm) -> float:
    """A time as seconds since 1970 UTC.

    Args:
        found: number or text as it stands in the payload.
        form: how it is written.

    Raises:
        PayloadError: `time`.
    """
    if form == "RFC 3339":
        at_s = _rfc3339(found)
    else:
        try:
            at_s = plain_number(found) if isinstance(found, str) else number(found, "time")
        except PayloadError as error:
            raise PayloadError(Why.TIME, error.detail) from None
        at_s = at_s / 1000 if form == "milliseconds" else at_s
    if not 0 <= at_s < LATEST_S:
        raise PayloadError(Why.TIME, f"time {at_s!r} is outside 1970 to 9999")
    return at_s


def _rfc3339(found: Any) -> float:
    if not isinstance(found, str):
        raise PayloadError(Why.TIME, f"an RFC 3339 date is a text, found {type(found).__name__}")
    text = found.strip().upper()
    # second 60 is legal in RFC 3339 (a leap second); the calendar here has none, so it is the second after 59
    leap = text[16:19] == ":60"
    try:
        at = datetime.fromisoformat(text[:16] + ":59" + text[19:] if leap else text)
        if at.tzinfo is None or len(text) < 20:
            raise PayloadError(Why.TIME, f"{found[:40]!r} has no offset from UTC; write Z or +hh:mm")
        return at.timestamp() + leap
    except (ValueError, OverflowError) as error:
        if isinstance(error, PayloadError):
            raise
        raise PayloadError(Why.TIME, f"{found[:40]!r} is not an RFC 3339 date") from None
