"""A recording through the same loop, at its own time: no broker, no network, nothing is sent."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from holdwater.clock import SetClock
from holdwater.events import Request
from holdwater.loop import Loop
from holdwater.postman import NoPost
from holdwater.recording import Line, Step
from holdwater.store.rows import HOUR_MS
from holdwater.store.writer import Store
from holdwater.world import Surroundings

if TYPE_CHECKING:
    from holdwater.config.site import Site
    from holdwater.store.batch import Ack

COMMIT_EVENTS = 2000
"""Events a commit in replay: the recording is the safe copy, so speed counts."""

ROLL_HOURS = 24
COMMIT_MS = 6 * HOUR_MS
"""However few events there are: a commit so often lets each day be learned when a running service would learn it."""

LONG_TICK_S = 300.0
"""In a silence of the recording, time is let pass in steps of this length, or to the next moment at which a rule wants to look."""


class Nowhere:
    """The world of a replay: acknowledgements and publications go nowhere."""

    def acks(self, owed: Sequence[Ack]) -> None:
        """No broker waits."""

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:  # noqa: ARG002
        """Nobody listens."""
        return True


@dataclass(frozen=True, slots=True)
class Told:
    """What a replay did: events handled, wishes refused, seconds taken, first and last time."""

    events: int
    refused: tuple[str, ...]
    seconds: float
    first_ms: int | None
    last_ms: int | None


class Replay:
    """Feeds a loop at the time of its lines."""

    def __init__(self, site: Site, store: Store, start_ms: int) -> None:
        self.clock = SetClock(start_ms)
        self.loop = Loop(
            site, store, Surroundings(self.clock, Nowhere(), NoPost(), trusted=lambda: True, window=lambda: 1 << 30)
        )
        self._waiting = 0
        self._committed_ms = start_ms
        self._ticked_s = self.clock.mono_s()
        self.refused: list[str] = []

    def feed(self, line: Line) -> None:
        """Let time pass to the line's time, then handle it."""
        self.pass_to(line.at_ms)
        if isinstance(line.event, Step):
            self.clock.step_wall(round(line.event.by_s * 1000))
            return
        self.loop.handle(line.event)
        if isinstance(line.event, Request):
            self.refused += self.loop.errors()
        self._waiting += 1
        if self._waiting >= COMMIT_EVENTS or line.at_ms - self._committed_ms >= COMMIT_MS:
            self.commit()

    def pass_to(self, at_ms: int) -> None:
        """Let time pass, with ticks where rules wait for time."""
        while (behind_s := (at_ms - self.clock.wall_ms()) / 1000) > 0:
            due = self.loop.rules_due_s()
            until_s = LONG_TICK_S if due is None else max(1.0, min(LONG_TICK_S, due - self.clock.mono_s()))
            self.clock.advance(min(behind_s, until_s))
            if behind_s >= until_s or self.clock.mono_s() - self._ticked_s >= LONG_TICK_S:
                self._ticked_s = self.clock.mono_s()
                self.loop.tick(self.loop.now())

    def commit(self) -> None:
        """Commit, and roll up whole days that are over."""
        self._waiting, self._committed_ms = 0, self.clock.wall_ms()
        self.loop.commit()
        newest = self.loop.newest_ms
        self.loop.slack.roll_up_to(newest - newest % HOUR_MS, hours=ROLL_HOURS)
        self.loop.slack.learn()

    def finish(self) -> None:
        """Commit and roll up what is left."""
        self.commit()
        self.loop.slack.settle()
        self.loop.slack.learn()
        self.loop.commit()


def replay(
    site: Site,
    recording: Iterable[Line],
    folder: Path,
    progress: Callable[[int, int], None] | None = None,
    every: int = 500,
) -> Told:
    """Feed a recording into the store of a folder.

    Args:
        site: the site whose config reads it.
        recording: its lines, in order of time.
        folder: folder of the store; made when missing.
        progress: called with (events handled, time of the event in ms) every so many events.
        every: how many.

    Raises:
        BusyError: another holdwater owns the store.
        StoreError: the store cannot be opened or written.
        UsageError: the recording has a line that is no event.
    """
    began = time.monotonic()
    store = Store(folder)
    running: Replay | None = None
    events, first, last = 0, None, None
    try:
        for line in recording:
            if running is None:
                first = line.at_ms
                running = Replay(site, store, line.at_ms)
            running.feed(line)
            last = line.at_ms
            events += 1
            if progress is not None and events % every == 0:
                progress(events, line.at_ms)
        if running is not None:
            running.finish()
    finally:
        store.close()
    return Told(events, tuple(running.refused) if running else (), time.monotonic() - began, first, last)


def recompute(site: Site, folder: Path) -> int:
    """Work out all levels of a store anew, with the service stopped; the hours worked out.

    Raises:
        BusyError: another holdwater owns the store.
        StoreError: the store cannot be opened or written.
    """
    store = Store(folder)
    try:
        newest = store.connection.execute("SELECT coalesce(max(ts), 0) FROM reading").fetchone()[0]
        loop = Replay(site, store, newest).loop
        loop.rollup.begin()
        loop.slack.settle()
        loop.slack.learn()
        loop.commit()
        return int(store.connection.execute("SELECT count(*) FROM level WHERE span = ?", (HOUR_MS,)).fetchone()[0])
    finally:
        store.close()
