"""The store's writes at true load: eight readings a minute by a clock that is set, so that four hours pass in seconds.

`python -m bench.truerate naive|floor|ours FOLDER FIRST MINUTES [COMMIT_EVERY_S]`. Ours is the real loop with its rules of committing, its
ticks, roll-ups and slack work; only the network is left out. What reaches the device is counted from outside.
"""

from __future__ import annotations

import json
import os
import sqlite3
import struct
import sys
import threading
from collections.abc import Iterator
from dataclasses import replace
from itertools import islice
from pathlib import Path

from bench.measured import site_text
from bench.naive import INSERT, TABLE
from bench.season import MINUTE_MS, START_MS, minutes, singles
from holdwater.clock import SetClock
from holdwater.events import Event, Message, Stop
from holdwater.loop import Loop
from holdwater.postman import NoPost
from holdwater.replay import Nowhere
from holdwater.sitefile import site_of
from holdwater.store.writer import Store
from holdwater.world import Surroundings


def messages(first: int, count: int) -> Iterator[tuple[int, str, str]]:
    """Each message of so many minutes from a first one on: eight a minute, one box after the other within ten seconds."""
    for at_ms, values in islice(minutes((first + count) // 1440 + 1), first, first + count):
        for place, (topic, payload) in enumerate(singles(at_ms, values)):
            yield at_ms + 1000 + place * 1200, topic, payload


def naive(folder: Path, first: int, count: int) -> None:
    """INSERT and commit for each."""
    database = sqlite3.connect(folder / "naive.db")
    database.execute(TABLE)
    for _, topic, payload in messages(first, count):
        node, record = topic.split("/")[2], json.loads(payload)[0]
        database.execute(INSERT, (record["bt"], f"{node}:{record['n']}", record["v"]))
        database.commit()


def floor(folder: Path, first: int, count: int) -> None:
    """Sixteen bytes a reading appended to a file once a minute."""
    with (folder / "floor.raw").open("ab", buffering=0) as file:
        for minute in range(first, first + count):
            file.write(b"".join(struct.pack("<IIf4x", minute, at, 0.5) for at in range(8)))
            os.fdatasync(file.fileno())


class Hours:
    """What the loop waits for: gives events at their time, and lets time pass in between."""

    def __init__(self, clock: SetClock, coming: Iterator[tuple[int, str, str]]) -> None:
        self._clock = clock
        self._coming = coming
        self._next = next(self._coming, None)
        self._mid = 0

    def take(self, most: int, timeout_s: float) -> list[Event]:
        """See `Inbox.take`."""
        if self._next is None:
            return [Stop()]
        wait_s = (self._next[0] - self._clock.wall_ms()) / 1000
        if wait_s > 0:
            self._clock.advance(max(0.001, min(wait_s, timeout_s)) if timeout_s > 0 else 0.0)
        found: list[Event] = []
        while self._next is not None and self._next[0] <= self._clock.wall_ms() and len(found) < most:
            at_ms, topic, payload = self._next
            self._mid = self._mid % 65_535 + 1
            found.append(
                Message(topic, payload.encode(), at_ms, self._clock.mono_s(), qos=1, mid=self._mid, connection=1)
            )
            self._next = next(self._coming, None)
        return found


def ours(folder: Path, first: int, count: int, commit_every_s: float) -> None:
    """The loop over so many minutes."""
    site = site_of(site_text(folder / "store"), "site.toml", {})
    site = replace(site, store=replace(site.store, commit_every_s=commit_every_s))
    clock = SetClock(START_MS + first * MINUTE_MS)
    store = Store(site.store.folder)
    try:
        given = Surroundings(clock, Nowhere(), NoPost(), trusted=lambda: True, window=lambda: 200)
        Loop(site, store, given).run(Hours(clock, messages(first, count)).take, threading.Event())
    finally:
        store.close()


if __name__ == "__main__":
    who, where, begin, how_many = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4])
    if who == "ours":
        ours(where, begin, how_many, float(sys.argv[5]) if len(sys.argv) > 5 else 60.0)
    else:
        {"naive": naive, "floor": floor}[who](where, begin, how_many)
