"""The second copy of the store that the service makes by itself, by a thread of its own that only reads the store.

It has no state of its own: a copy is due when the newest good one in its folder is older than asked for, so it survives restarts.
"""

from __future__ import annotations

import logging
import os
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import tzinfo
from pathlib import Path
from queue import SimpleQueue

from holdwater.config.site import BackupSettings
from holdwater.errors import HoldwaterError, StoreError
from holdwater.memory import give_back
from holdwater.store.backup import backup, made_ms, newest_good

log = logging.getLogger(__name__)

AGAIN_S = 600.0
"""How soon it is tried again when the folder is missing or cannot be written."""

COSTLY_S = 3600.0
"""How soon after a copy failed on its way: each try writes the whole store to the card once."""

SLOW_S = 1800.0
"""A copy that takes longer is said: a dying stick hangs rather than fails."""


@dataclass(frozen=True, slots=True)
class Look:
    """What one look at the folder came to.

    Attributes:
        newest_ms: time of the newest good copy, ms UTC; None when none is there.
        wait_s: how soon to look again, s.
        words: why no copy could be made; empty when all is well.
        made: the copy made now.
    """

    newest_ms: int | None
    wait_s: float
    words: str = ""
    made: Path | None = None


def left_s(newest_ms: int | None, now_ms: int, every_s: float) -> float:
    """Seconds until the next copy is due; 0 when it is due now.

    Args:
        newest_ms: time of the newest good copy, ms UTC; None when there is none. One from after now counts for none.
        now_ms: now, ms UTC.
        every_s: how old the newest may become, s.
    """
    if newest_ms is None or newest_ms > now_ms:
        return 0.0
    return max(0.0, every_s - (now_ms - newest_ms) / 1000)


def look(store: Path, settings: BackupSettings, zone: tzinfo, now_ms: int) -> Look:
    """Make a copy if one is due.

    Args:
        store: the store's folder.
        settings: where to, how often, how many.
        zone: the household's, for the names.
        now_ms: a trusted time, ms UTC.
    """
    try:
        check_place(store, settings)
        found = newest_good(settings.folder, now_ms)
    except (StoreError, OSError) as error:
        return Look(None, AGAIN_S, _why(error))
    newest_ms = None if found is None else found[1]
    wait_s = left_s(newest_ms, now_ms, settings.every_s)
    if wait_s > 0:
        return Look(newest_ms, wait_s)
    try:
        made = backup(store, settings.folder, settings.keep, now_ms / 1000, zone)
    except (HoldwaterError, OSError) as error:
        return Look(newest_ms, COSTLY_S, _why(error))
    return Look(made_ms(made), settings.every_s, made=made)


def check_place(store: Path, settings: BackupSettings) -> None:
    """Whether copies can go there, before anything is written.

    Raises:
        StoreError: it is no folder, cannot be written, or is not on another disk.
    """
    folder = settings.folder
    there = next((each for each in (folder, *folder.parents) if each.exists()), Path("/"))
    if not there.is_dir():
        raise StoreError("its folder is a file", where=str(there), do="remove it, or correct backup.folder")
    if not settings.same_disk and there.stat().st_dev == store.stat().st_dev:
        raise StoreError(
            "not another disk: the stick is not mounted", where=str(folder),
            do="put the stick in and mount it there; or write same_disk = true under [backup], if it is meant so",
        )  # fmt: skip
    if not os.access(there, os.W_OK | os.X_OK):
        raise StoreError("its folder cannot be written", where=str(there), do="unlock the stick, or give us the folder")


def _why(error: Exception) -> str:
    if isinstance(error, HoldwaterError):
        return error.found
    return (error.strerror if isinstance(error, OSError) else None) or str(error)


class SecondCopy:
    """Looks at the folder when a copy is due, from a thread of its own; asked by the loop, which it never holds up.

    Args:
        store: the store's folder.
        settings: where to, how often, how many.
        zone: the household's.
    """

    def __init__(self, store: Path, settings: BackupSettings, zone: tzinfo) -> None:
        self._settings = settings
        self._look: Callable[[int], Look] = lambda now_ms: look(store, settings, zone, now_ms)
        self._due_s = -1e9
        self._began_s: float | None = None
        self._way: SimpleQueue[int | None] = SimpleQueue()
        self._back: SimpleQueue[Look] = SimpleQueue()
        self._thread = threading.Thread(target=self._work, name="second copy", daemon=True)
        self.words: str | None = None
        """Why no copy is made; empty when all is well, None before the first look."""

    def start(self) -> None:
        """Start its thread."""
        self._thread.start()

    def stop(self) -> None:
        """End its thread; a copy under way is given up, and swept away before the next."""
        self._way.put(None)

    def tick(self, mono_s: float, now_ms: int, *, trusted: bool) -> None:
        """Take in what came back and ask for what is due; returns at once.

        Args:
            mono_s: monotonic time, s.
            now_ms: the clock's time, ms UTC.
            trusted: False while the clock may be wrong: nothing is asked for.
        """
        while not self._back.empty():
            self._settle(self._back.get(), mono_s)
        if self._began_s is not None:
            if mono_s - self._began_s > SLOW_S:
                self._tell("the stick hangs: not done in 30 min")
        elif trusted and mono_s >= self._due_s:
            self._began_s = mono_s
            self._way.put(now_ms)

    def _settle(self, found: Look, mono_s: float) -> None:
        self._began_s = None
        self._due_s = mono_s + found.wait_s
        self._tell(found.words)
        if found.made is not None:
            log.info("backup made and checked: %s", found.made)

    def _tell(self, words: str) -> None:
        if words and words != self.words:
            log.warning("no backup is made in %s: %s", self._settings.folder, words)
        elif self.words and not words:
            log.info("backups are made again in %s", self._settings.folder)
        self.words = words

    def _work(self) -> None:
        while (now_ms := self._way.get()) is not None:
            try:
                found = self._look(now_ms)
            except Exception:
                log.exception("a fault of our own while making the backup")
                found = Look(None, COSTLY_S, "a fault in holdwater itself; see the log")
            give_back()
            self._back.put(found)
