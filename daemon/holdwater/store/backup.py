"""A verified second copy of the store, and the way back.

A copy is made in one step into a file beside its target, checked, synced, renamed: at the target there is always a whole copy or none.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from pathlib import Path

from holdwater.errors import StoreError
from holdwater.store.connect import STORE_NAME, connect
from holdwater.store.roll import checksum
from holdwater.store.rows import HOUR_MS

SUFFIX = ".holdwater.db"
ROOM = 1.2
"""A copy needs so many times the store's size at its target, and once beside the store."""

LEFT_S = 86_400.0
"""An unfinished copy at the target that nobody wrote to for so long was cut off."""

CHUNK = 1 << 18


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


def backup(folder: Path, target: Path, keep: int = 7, now: float | None = None, zone: tzinfo = UTC) -> Path:
    """Make a verified copy of a folder's store, also while the service runs.

    Args:
        folder: the store's folder.
        target: folder of the copies, best on another disk or stick.
        keep: copies to keep there; older ones are removed once the new one is in place.
        now: seconds since 1970, for the name.
        zone: the time zone that the name is written in, with its offset.

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
    name = name_of(time.time() if now is None else now, zone)
    _sweep(folder, target)
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
        _same(local, beside)
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
    for old in surplus(copies(target), target / name, keep):
        old.unlink(missing_ok=True)
    return target / name


def name_of(at_s: float, zone: tzinfo) -> str:
    """The name of a copy made at that time: date and time of day there, with the offset (Z for UTC)."""
    at = datetime.fromtimestamp(at_s, zone)
    return f"{at:%Y%m%dT%H%M%S}{'Z' if zone is UTC else f'{at:%z}'}{SUFFIX}"


def made_ms(copy: Path) -> int | None:
    """When a copy was made, by its name, ms UTC; None for a name that is not ours."""
    try:
        at = datetime.strptime(copy.name.removesuffix(SUFFIX), "%Y%m%dT%H%M%S%z")
    except ValueError:
        return None
    return round(at.timestamp() * 1000)


def copies(target: Path) -> list[Path]:
    """Copies in a folder, newest first; files with other names are left alone."""
    found = [(at_ms, path) for path in target.glob(f"*{SUFFIX}") if (at_ms := made_ms(path)) is not None]
    return [path for _, path in sorted(found, reverse=True)]


def surplus(found: Sequence[Path], made: Path, keep: int) -> list[Path]:
    """What goes once a new copy is in place.

    Args:
        found: all copies, newest first.
        made: the new one, which always stays: what is named later was named under a wrong clock.
        keep: copies to keep, 1 or more.
    """
    made_at = made_ms(made) or 0
    others = [path for path in found if path != made]
    others.sort(key=lambda path: (made_ms(path) or 0) > made_at)  # stable: those of a wrong clock count as the oldest
    return others[keep - 1 :]


def newest_good(target: Path, now_ms: int) -> tuple[Path, int] | None:
    """The newest copy that opens and was made by now, with its time, ms UTC; None when there is none.

    Raises:
        OSError: the folder cannot be read.
    """
    from holdwater.store.salvage import looks_sound  # noqa: PLC0415 -- it imports this module

    for path in copies(target):
        at_ms = made_ms(path)
        if at_ms is not None and at_ms <= now_ms and path.stat().st_size > 0 and looks_sound(path):
            return path, at_ms
    return None


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


def _sweep(folder: Path, target: Path) -> None:
    """Remove what a copy left that was cut off: beside the store by its process, at the target by its age."""
    for path in folder.glob("backup-*.tmp*"):
        owner = path.name.removeprefix("backup-").partition(".")[0]
        if owner == str(os.getpid()) or not Path(f"/proc/{owner}").exists():
            path.unlink(missing_ok=True)
    for path in target.glob(f".*{SUFFIX}.tmp"):
        if time.time() - path.stat().st_mtime > LEFT_S:
            path.unlink(missing_ok=True)


def _same(local: Path, beside: Path) -> None:
    """Read the copy back from its medium: a dying stick takes what is written and gives something else."""
    with local.open("rb") as ours, beside.open("rb") as theirs:
        os.posix_fadvise(theirs.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
        while block := ours.read(CHUNK):
            if theirs.read(CHUNK) != block:
                raise StoreError(
                    "what was written reads back otherwise", where=str(beside.parent), do="replace this stick or disk"
                )


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
