"""What the server has taken: a small file of the mirror's own beside the store, for none but the loop writes the store.

For each hour of each series it holds how many readings were taken, up to which time, and their checksum; the store's roll-ups hold
the same of what there is. Where both differ, something waits: so late readings, restored copies and corrected levels are found without
an order of arrival.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import sqlite3
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, NamedTuple, Self

from holdwater.errors import StoreError

log = logging.getLogger(__name__)

MARKS_NAME = "mirror.db"
MOST_REFUSED = 1000
"""Kept rows about what the server refused; the oldest go."""

_SCHEMA = (
    "CREATE TABLE meta(key TEXT PRIMARY KEY, value ANY) STRICT, WITHOUT ROWID",
    "CREATE TABLE series(id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT",
    "CREATE TABLE mark(hour INT NOT NULL, series INT NOT NULL, n INT NOT NULL, last INT NOT NULL, crc INT NOT NULL, "
    "PRIMARY KEY(hour, series)) STRICT, WITHOUT ROWID",
    "CREATE TABLE refused(id INTEGER PRIMARY KEY, series INT NOT NULL, from_ms INT NOT NULL, to_ms INT NOT NULL, "
    "n INT NOT NULL, words TEXT NOT NULL, line TEXT NOT NULL, UNIQUE(series, words)) STRICT",
    "PRAGMA user_version = 1",
)


class Mark(NamedTuple):
    """Readings of one series in one hour that are done with: how many, time of the last, CRC-32 over their rows."""

    n: int
    last_ms: int
    crc: int


class Moved(NamedTuple):
    """A mark that moves on. `before` is what it must be now (None: not there), or somebody asked for a re-send meanwhile."""

    hour: int
    series: int
    before: Mark | None
    after: Mark


class Refusal(NamedTuple):
    """Readings of one series that the server does not take."""

    series: int
    from_ms: int
    to_ms: int
    n: int
    words: str
    line: str


class Marks:
    """The open file. `Marks.open` for whoever sends, `Marks.look` for whoever only looks."""

    def __init__(self, connection: sqlite3.Connection, path: Path, *, only_looks: bool = False) -> None:
        self._connection = connection
        self._only_looks = only_looks
        self.path = path
        self._ids = {name: number for number, name in connection.execute("SELECT id, name FROM series")}

    @classmethod
    def open(cls, folder: Path) -> Marks:
        """Open it for writing; made when missing, set aside and begun anew when damaged (all is then sent again: harmless).

        Raises:
            StoreError: it cannot be made or written.
        """
        path = folder / MARKS_NAME
        try:
            try:
                return cls(_connect(path), path)
            except sqlite3.DatabaseError as error:
                if isinstance(error, sqlite3.OperationalError):
                    raise
                log.warning("the mirror's marks are damaged (%s): begun anew, everything is sent again", error)
                for name in (MARKS_NAME, f"{MARKS_NAME}-wal", f"{MARKS_NAME}-shm"):
                    (folder / name).unlink(missing_ok=True)
                return cls(_connect(path), path)
        except (sqlite3.Error, OSError) as error:
            raise StoreError(
                f"the mirror's marks cannot be written: {error}", where=str(path), do="look at the disk (df -h) and at the owner (ls -l)"
            ) from error  # fmt: skip

    @classmethod
    def look(cls, folder: Path) -> Marks | None:
        """Open it for reading; None where no mirror has run yet."""
        path = folder / MARKS_NAME
        if not path.exists():
            return None
        with contextlib.suppress(sqlite3.Error):
            connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True, isolation_level=None, timeout=2.0)
            return cls(connection, path, only_looks=True)
        return None

    @classmethod
    def none(cls) -> Marks:
        """Marks of a mirror that never ran, kept nowhere."""
        return cls(_connect(Path(":memory:")), Path(":memory:"))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._connection.close()

    def id_of(self, name: str) -> int:
        """Our number of a series or tank, made when it is new."""
        number = self._ids.get(name)
        if number is None and self._only_looks:
            number = self._ids[name] = -1 - len(self._ids)  # no mark can be of it
        if number is None:
            self._connection.execute("INSERT OR IGNORE INTO series(name) VALUES (?)", (name,))
            number = int(self._connection.execute("SELECT id FROM series WHERE name = ?", (name,)).fetchone()[0])
            self._ids[name] = number
        return number

    def known(self, name: str) -> int | None:
        """Our number of a series or tank, if it has one."""
        return self._ids.get(name)

    def names(self) -> dict[int, str]:
        """Names by number."""
        return {number: name for name, number in self._ids.items()}

    def between(self, start_ms: int, end_ms: int) -> dict[tuple[int, int], Mark]:
        """Marks by (hour, series) of the hours that begin in a span."""
        rows = self._connection.execute(
            "SELECT hour, series, n, last, crc FROM mark WHERE hour >= ? AND hour < ?", (start_ms, end_ms)
        )
        return {(hour, series): Mark(n, last, crc) for hour, series, n, last, crc in rows}

    def advance(self, moved: Iterable[Moved], refused: Sequence[Refusal] = ()) -> None:
        """Move marks on, all or none; one that is no longer what it was is left alone and found again by the next look."""
        run = self._connection.execute
        run("BEGIN IMMEDIATE")
        try:
            for hour, series, before, after in moved:
                if before is None:
                    run("INSERT OR REPLACE INTO mark VALUES (?, ?, ?, ?, ?)", (hour, series, *after))
                else:
                    run(
                        "UPDATE mark SET n = ?, last = ?, crc = ? WHERE hour = ? AND series = ? AND n = ? AND last = ? AND crc = ?",
                        (*after, hour, series, *before),
                    )
            self._refuse(refused)
            run("COMMIT")
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                run("ROLLBACK")
            raise

    def _refuse(self, refused: Sequence[Refusal]) -> None:
        self._connection.executemany(
            "INSERT INTO refused(series, from_ms, to_ms, n, words, line) VALUES (?, ?, ?, ?, ?, ?) "
            "ON CONFLICT(series, words) DO UPDATE SET from_ms = min(from_ms, excluded.from_ms), "
            "to_ms = max(to_ms, excluded.to_ms), n = n + excluded.n, line = excluded.line",
            refused,
        )
        if refused:
            self._connection.execute(
                "DELETE FROM refused WHERE id <= (SELECT max(id) FROM refused) - ?", (MOST_REFUSED,)
            )

    def refusals(self) -> list[Refusal]:
        """What the server refused so far, and what was gone before it could be sent."""
        rows = self._connection.execute("SELECT series, from_ms, to_ms, n, words, line FROM refused ORDER BY id")
        return [Refusal(*row) for row in rows]

    def begin(self, target: str) -> bool:
        """Say which server these marks are of; those of another are dropped. True when they begin anew."""
        before = self.meta("target")
        if before == target:
            return False
        run = self._connection.execute
        run("BEGIN IMMEDIATE")
        run("DELETE FROM mark")
        run("DELETE FROM refused")
        run("DELETE FROM meta")
        run("INSERT INTO meta VALUES ('target', ?)", (target,))
        run("COMMIT")
        return True

    def forget(self, from_ms: int) -> int:
        """Let everything from a time on be sent again; how many readings and levels that is."""
        run = self._connection.execute
        run("BEGIN IMMEDIATE")
        count = int(run("SELECT coalesce(sum(n), 0) FROM mark WHERE hour >= ?", (from_ms,)).fetchone()[0])
        run("DELETE FROM mark WHERE hour >= ?", (from_ms,))
        run("DELETE FROM refused WHERE to_ms >= ?", (from_ms,))
        run(
            "INSERT OR REPLACE INTO meta VALUES ('forgot', coalesce((SELECT value FROM meta WHERE key = 'forgot'), 0) + 1)"
        )
        run("COMMIT")
        return count

    def drop(self, before_hour: int, series: Iterable[int], gone: Sequence[Refusal]) -> None:
        """Drop marks of hours whose raw readings the store no longer keeps, and remember what had not been sent of them."""
        run = self._connection.execute
        run("BEGIN IMMEDIATE")
        try:
            self._connection.executemany(
                "DELETE FROM mark WHERE hour < ? AND series = ?", [(before_hour, each) for each in series]
            )
            self._refuse(gone)
            run("INSERT OR REPLACE INTO meta VALUES ('raw_from', ?)", (before_hour,))
            run("COMMIT")
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                run("ROLLBACK")
            raise

    def meta(self, key: str) -> Any:
        """A value kept beside the marks."""
        row = self._connection.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        return None if row is None else row[0]

    def note(self, state: dict[str, Any]) -> None:
        """Keep how things stand, for whoever asks."""
        self._connection.execute("INSERT OR REPLACE INTO meta VALUES ('state', ?)", (json.dumps(state),))

    def state(self) -> dict[str, Any]:
        """How things stood last; empty before the first look."""
        found: dict[str, Any] = json.loads(self.meta("state") or "{}")
        return found


def give_to_owner(path: Path) -> None:
    """A file that root made beside the store belongs to whom the folder belongs: else the service could not write it later."""
    if os.geteuid() == 0 and path.exists():
        owner = path.parent.stat()
        os.chown(path, owner.st_uid, owner.st_gid)


def _connect(path: Path) -> sqlite3.Connection:
    """NORMAL, not FULL: a power cut may take back the last marks; what they stood for is sent again, which is harmless."""
    connection = sqlite3.connect(path, isolation_level=None, timeout=5.0)
    try:
        give_to_owner(path)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = NORMAL")
        connection.execute("PRAGMA journal_size_limit = 1048576")
        if connection.execute("PRAGMA user_version").fetchone()[0] == 0:
            connection.execute("BEGIN IMMEDIATE")
            if connection.execute("PRAGMA user_version").fetchone()[0] == 0:
                for statement in _SCHEMA:
                    connection.execute(statement)
            connection.execute("COMMIT")
    except BaseException:
        connection.close()
        raise
    return connection
