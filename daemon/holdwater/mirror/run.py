"""The mirror at work: turn after turn, live readings first, then what waits from before; patient while the server is away."""

from __future__ import annotations

import fcntl
import hashlib
import logging
import random
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Self

from holdwater.errors import BusyError, StoreError
from holdwater.mirror.lines import Heads
from holdwater.mirror.look import Look
from holdwater.mirror.marks import Marks, give_to_owner
from holdwater.mirror.outcome import Later
from holdwater.mirror.pump import Pump, Stopped
from holdwater.mirror.server import DEADLINE_S, Server
from holdwater.mirror.source import Source

if TYPE_CHECKING:
    from holdwater.config.mirrors import MirrorSettings
    from holdwater.config.site import Site

log = logging.getLogger("holdwater.mirror")

LOCK_NAME = "mirror.lock"
LOOK_AT_ALL_S = 3600.0
"""How often everything that is kept is compared: a reading that came days late is mirrored within this time."""

FIRST_WAIT_S, LONGEST_WAIT_S = 10.0, 900.0
SAY_AGAIN_S = 6 * 3600.0
NOTE_S = 600.0


class Mirror:
    """Carries one store to one server.

    Args:
        site: its tanks and sensors, and `site.mirror`.
        settings: where to.
        folder: the store's folder.
        pause: waits so many seconds, True when it is time to go.
        deadline_s: longest time for one request, s.

    Raises:
        BusyError: another process mirrors this store.
        StoreError: the marks cannot be written.
    """

    def __init__(
        self,
        site: Site,
        settings: MirrorSettings,
        folder: Path,
        pause: Callable[[float], bool],
        deadline_s: float = DEADLINE_S,
    ) -> None:
        self._settings = settings
        self._folder = folder
        self._tanks = tuple(site.tanks)
        self._pause = pause
        self._lock = _hold(folder)
        self._marks = Marks.open(folder)
        if self._marks.begin(target_of(settings)):
            log.info(
                "begins at %s, bucket %s, as site %s: all that is kept here is sent",
                settings.url,
                settings.bucket,
                settings.site,
            )
        self._server = Server(settings, deadline_s)
        self._heads = Heads(site, settings.site)
        self._batch = settings.batch
        self._backlog: list[tuple[int, int]] = []  # (hour, how much waits), newest first
        self._look_at_all_s = 0.0
        self._forgot: object = None
        self._failed = 0
        self._said: tuple[str, float] = ("", 0.0)
        self._noted: tuple[dict[str, Any], float] = ({}, -NOTE_S)
        self._ok_ms: int | None = self._marks.state().get("ok_ms")
        self._catching = 0
        self._oldest_ms: int | None = None
        self.waiting = 0
        self.sent = 0
        self.refused = 0
        self.why = ""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._server.close()
        self._marks.close()
        self._lock.close()

    def turn(self) -> float:
        """Look and send once; seconds until the next turn is due, 0 while more waits."""
        try:
            with Source(self._folder) as source:
                self._send(Look(source, self._marks, self._heads, self._tanks))
        except Stopped as stopped:
            return self._stopped(stopped.why)
        except StoreError as error:
            return self._stopped(Later(error.found))
        except sqlite3.Error as error:
            return self._stopped(Later(f"the store or the mirror's own marks cannot be read or written: {error}"))
        return self._went_well()

    def _send(self, look: Look) -> None:
        forgot = self._marks.meta("forgot")
        if time.monotonic() >= self._look_at_all_s or forgot != self._forgot:
            look.given_up()
            self._backlog = sorted(look.all().items(), reverse=True)
            self._look_at_all_s, self._forgot = time.monotonic() + LOOK_AT_ALL_S, forgot
        near = look.near()
        self._backlog = [each for each in self._backlog if each[0] not in near]
        self.waiting = sum(near.values()) + sum(n for _, n in self._backlog)
        pump = Pump(self._marks, self._server.write, self._pause, self._batch, self._settings.rate)
        self._oldest_ms = min([*near, *(hour for hour, _ in self._backlog[-1:])], default=None)
        try:
            self._pump(pump, look, near)
        finally:
            self._batch = pump.batch
            self.sent += pump.sent
            self.refused += pump.refused
            self._catching += pump.sent
            if pump.sent:
                self._ok_ms = round(time.time() * 1000)
            if pump.refused:
                log.warning(
                    "%d readings were not taken by the server; holdwater mirror --gaps says which and why", pump.refused
                )

    def _pump(self, pump: Pump, look: Look, near: dict[int, int]) -> None:
        """Live readings first; then what waits from before, oldest first, until it is time to look for live ones again."""
        until_s = time.monotonic() + self._settings.every_s
        for hour in sorted(near):
            pump.add(look.entries(hour))
        pump.flush()
        while self._backlog and time.monotonic() < until_s and not self._pause(0.0):
            pump.add(look.entries(self._backlog.pop()[0]))
        pump.end()
        self.waiting = sum(n for _, n in self._backlog)
        self._oldest_ms = self._backlog[-1][0] if self._backlog else None

    def _went_well(self) -> float:
        if self._failed:
            log.info("the server takes readings again; %d wait", self.waiting)
        self._failed, self.why, self._said = 0, "", ("", 0.0)
        if not self._backlog:
            if self._catching > 2 * self._settings.batch:
                log.info("caught up: %d readings and levels sent", self._catching)
            self._catching = 0
        self._note(mend=False)
        return 0.0 if self._backlog else self._settings.every_s

    def _stopped(self, why: Later) -> float:
        """Back off: longer each time, spread by chance so that many sites do not come back at once."""
        self._look_at_all_s = 0.0  # what was taken off the backlog may not have been sent
        self.why = why.words
        longest = min(LONGEST_WAIT_S, FIRST_WAIT_S * float(1 << min(self._failed, 10)))
        self._failed += 1
        words, said_s = self._said
        if words != why.words or time.monotonic() - said_s >= SAY_AGAIN_S:
            self._said = (why.words, time.monotonic())
            log.warning("the server: %s; %d readings and levels wait and are kept", why.words, self.waiting)
        self._note(mend=why.mend)
        wait_s = random.uniform(0.5, 1.0) * longest  # noqa: S311 -- spread, no secret
        return max(wait_s, why.wait_s or 0.0)

    def _note(self, *, mend: bool) -> None:
        """Keep how things stand; when nothing changed, only now and then: each write costs the card."""
        state = {"words": self.why, "mend": mend, "waiting": self.waiting, "oldest_ms": self._oldest_ms}
        before, at_s = self._noted
        if state != before or time.monotonic() - at_s >= NOTE_S:
            self._noted = (state, time.monotonic())
            try:
                self._marks.note(state | {"at_ms": round(time.time() * 1000), "ok_ms": self._ok_ms})
            except sqlite3.Error as error:
                log.warning("the mirror's marks cannot be written: %s", error)

    def run(self) -> None:
        """Turn until it is time to go."""
        while not self._pause(self.turn()):
            pass


def target_of(settings: MirrorSettings) -> str:
    """A name for the server, bucket and tag that marks belong to."""
    said = "\n".join((settings.url, settings.org, settings.bucket, settings.site))
    return hashlib.sha256(said.encode()).hexdigest()[:32]


def busy(folder: Path) -> bool:
    """Whether a process mirrors this store now."""
    try:
        _hold(folder).close()
    except BusyError:
        return True
    return False


def _hold(folder: Path) -> IO[str]:
    """Take the mirror's lock; closing the file lets go of it."""
    path = folder / LOCK_NAME
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle = path.open("a+")
        give_to_owner(path)
    except OSError as error:
        raise StoreError(
            f"cannot write here: {error.strerror}", where=str(path), do="run it as the user of the service, or set store.folder"
        ) from error  # fmt: skip
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        handle.close()
        raise BusyError(
            "another process mirrors this store", where=str(path),
            do="let it: the running service does it by itself; or stop the service first",
        ) from None  # fmt: skip
    return handle
