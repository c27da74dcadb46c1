"""Retention of raw readings, and the ballast file that keeps a full card from being the end."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from pathlib import Path

from holdwater.store.rows import HOUR_MS

BALLAST_NAME = "ballast"
BALLAST_BYTES = 2_000_000
"""On a full disk even DELETE fails; with this much given back, pruning, a checkpoint and the notices' rows have room."""


def prune(connection: sqlite3.Connection, before_ms: int) -> int:
    """Delete one hour of the oldest raw readings that are older than a time; roll-ups stay for ever.

    Args:
        connection: the store's writing connection, outside a transaction.
        before_ms: counted from the newest accepted reading, never from the wall clock.

    Returns:
        Rows deleted; 0 when nothing is that old. An hour that still waits to be rolled up is left.
    """
    oldest = connection.execute("SELECT min(ts) FROM reading").fetchone()[0]
    if oldest is None or oldest >= before_ms:
        return 0
    hour = oldest - oldest % HOUR_MS
    if connection.execute("SELECT 1 FROM dirty WHERE task = 'roll' AND hour <= ? LIMIT 1", (hour,)).fetchone():
        return 0
    end = min(hour + HOUR_MS, before_ms - before_ms % HOUR_MS)
    if end <= oldest:
        return 0
    connection.execute("BEGIN IMMEDIATE")
    try:
        gone = connection.execute("DELETE FROM reading WHERE ts < ?", (end,)).rowcount
        connection.execute("INSERT OR REPLACE INTO meta VALUES ('raw_from', ?)", (end,))
        connection.execute("COMMIT")
    except BaseException:
        with contextlib.suppress(sqlite3.Error):
            connection.execute("ROLLBACK")
        raise
    return gone


class Ballast:
    """A file of zeros beside the store, given up when the disk is full, made again when there is room."""

    def __init__(self, folder: Path, size: int = BALLAST_BYTES) -> None:
        self._path = folder / BALLAST_NAME
        self._size = size

    @property
    def there(self) -> bool:
        """True while the ballast can still be given up."""
        with contextlib.suppress(OSError):
            return self._path.stat().st_size >= self._size
        return False

    def make(self) -> bool:
        """Write it, if there is room for twice its size; True when it is there."""
        if self.there:
            return True
        try:
            room = os.statvfs(self._path.parent)
            if room.f_bavail * room.f_frsize < 2 * self._size:
                return False
            with self._path.open("wb") as file:
                file.write(bytes(self._size))
                file.flush()
                os.fsync(file.fileno())
        except OSError:
            self.free()
            return False
        return True

    def free(self) -> bool:
        """Give it up; True when it was there."""
        try:
            self._path.unlink()
        except OSError:
            return False
        return True
