"""Messages that were set aside, read again: after a route was added, a unit was put right, or a fault of ours was mended.

Each goes through the same door with the time at which it came. What can be read now leaves the quarantine in the transaction that stores
its readings; what still cannot stays as it is, so asking twice changes nothing more.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from holdwater.events import Message
from holdwater.intake.decode import Decoder, Pack
from holdwater.reception import Fresh, Moment, Reception, Refused
from holdwater_sensors.errors import PayloadError

if TYPE_CHECKING:
    from holdwater.store.batch import Batch

Row = tuple[int, int, bytes, bytes]
"""Number, time it came (ms), topic, payload."""


@dataclass(frozen=True, slots=True)
class Door:
    """What a message passes on its way in."""

    decoder: Decoder
    reception: Reception
    evolve: Callable[[list[Fresh], Moment], None]


def rows_of(connection: sqlite3.Connection) -> list[Row]:
    """All messages that are set aside, oldest first; lines about single readings are no messages."""
    query = (
        "SELECT id, at, topic, payload FROM quarantine WHERE topic <> x'' "
        "AND CAST(payload AS TEXT) NOT GLOB '* at [0-9-]* ms' ORDER BY at, id"
    )
    return connection.execute(query).fetchall()


def read_again(rows: list[Row], door: Door, batch: Batch, now: Moment) -> tuple[int, int]:
    """Put messages through the door once more.

    Returns:
        How many could be read, and how many stay where they are.
    """
    for number, at_ms, topic, payload in rows:
        found = _pack(at_ms, topic, payload, door.decoder)
        if found is None:
            continue
        came_s = now.mono_s - (now.wall_ms - at_ms) / 1000
        message = Message(topic.decode(), payload, at_ms, came_s)
        aside = len(batch.quarantine)
        try:
            # Its number was counted as handled when it was set aside, or its box would have sent it for ever.
            fresh = door.reception.take(replace(found, run=None, seq=None, keep=None), message, batch, now)
        except Refused:
            continue
        if len(batch.quarantine) - aside == len(found.readings):
            del batch.quarantine[aside:]  # none of its readings is plausible now either: it stays whole
            continue
        batch.read_again.append(number)
        if fresh:
            door.evolve(fresh, now)
    read = len(batch.read_again)
    return read, len(rows) - read


def _pack(at_ms: int, topic: bytes, payload: bytes, decoder: Decoder) -> Pack | None:
    """The pack that a message holds; None where it cannot be read, or is something else."""
    try:
        found = decoder.decode(Message(topic.decode(), payload, at_ms, 0.0))
    except (PayloadError, ValueError):
        return None
    return found if isinstance(found, Pack) and found.readings else None
