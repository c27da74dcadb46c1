"""The one writer of the store: opens it, holds its lock, writes a batch in one transaction."""

from __future__ import annotations

import contextlib
import fcntl
import logging
import os
import sqlite3
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import IO

from holdwater.errors import BusyError, StoreError
from holdwater.runs import Run
from holdwater.store import steps
from holdwater.store.batch import Batch, NewSeries, NodeState
from holdwater.store.connect import STORE_NAME, connect
from holdwater.store.salvage import Salvaged, looks_sound, salvage
from holdwater.store.upkeep import Ballast

log = logging.getLogger(__name__)

QUARANTINE_ROWS = 1000
QUARANTINE_BYTES = 1_000_000
ROOM_TO_OPEN = 262_144
"""Bytes that the log and its index need at the start."""

CONFLICT = "a second, different value for the same time"


def hold_lock(folder: Path) -> IO[str]:
    """Take the store's lock; closing the file lets go of it.

    Raises:
        StoreError: the folder cannot be made or written.
        BusyError: another process holds it.
    """
    path = folder / "store.lock"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle = path.open("a+")
    except OSError as error:
        raise StoreError(
            f"cannot write here: {error.strerror}", expected="a folder this user may write in", where=str(folder),
            do=f"mkdir -p {folder} and give it to the user that runs holdwater, or set store.folder",
        ) from error  # fmt: skip
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        handle.seek(0)
        owner = handle.read().strip() or "unknown"
        handle.close()
        raise BusyError(
            f"another holdwater (process {owner}) owns this store", where=str(folder),
            do="stop it first (systemctl stop holdwater), or give another store.folder",
        ) from None  # fmt: skip
    handle.seek(0)
    handle.truncate()
    handle.write(str(os.getpid()))
    handle.flush()
    return handle


def make_room_to_open(folder: Path) -> None:
    """A store on a full disk cannot even be opened: its log needs room. The ballast is kept for this."""
    room = os.statvfs(folder)
    if room.f_bavail * room.f_frsize < ROOM_TO_OPEN and Ballast(folder).free():
        log.error("the disk is full: the ballast file is given up")


def cannot_write(error: sqlite3.Error, path: Path) -> StoreError:
    """A store that cannot be written at the start, in words."""
    return StoreError(
        f"the store cannot be written: {error}", where=str(path),
        do="make room (df -h), look at the card and at the owner of the file (ls -l); then start holdwater again",
    )  # fmt: skip


@dataclass(slots=True)
class Known:
    """What the loop keeps in memory of nodes, series and runs."""

    nodes: dict[str, NodeState]
    series: dict[tuple[int, str, str], NewSeries]
    runs: dict[tuple[int, int], Run]
    newest: dict[int, int]


class Store:
    """The open store. One instance, one thread: the loop's."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.path = folder / STORE_NAME
        self._lock = hold_lock(folder)
        self.salvaged: Salvaged | None = None
        make_room_to_open(folder)
        try:
            if not looks_sound(self.path):
                self.salvaged = salvage(folder)
                log.error("%s", self.salvaged.words())
            self.connection = connect(self.path)
            steps.upgrade(self.connection, str(self.path))
        except sqlite3.Error as error:
            self._lock.close()
            raise cannot_write(error, self.path) from error
        except BaseException:
            self._lock.close()
            raise
        self.uuid = str(self.meta("store"))
        self._quarantine_rows, self._quarantine_bytes = self._set_aside()

    def _set_aside(self) -> tuple[int, int]:
        """Rows and bytes of the quarantine."""
        query = "SELECT count(*), coalesce(sum(length(topic) + length(payload)), 0) FROM quarantine"
        rows, size = self.connection.execute(query).fetchone()
        return int(rows), int(size)

    def meta(self, key: str) -> str | int | None:
        """A value of the meta table."""
        row = self.connection.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        return None if row is None else row[0]

    def known(self) -> Known:
        """Nodes, series, runs and the newest time of each series, as last committed."""
        run = self.connection.execute
        nodes = {row[1]: NodeState(*row) for row in run("SELECT id, name, state, first_ms, heard_ms FROM node")}
        found = [NewSeries(*row) for row in run("SELECT id, node, quantity, unit, digits FROM series")]
        runs = {
            (n, r): Run(upto, _islands(ahead), lost)
            for n, r, upto, ahead, lost in run("SELECT node, run, upto, ahead, lost FROM run")
        }
        newest = {each.id: self._newest(each.id) for each in found}
        return Known(nodes, {(each.node, each.quantity, each.unit): each for each in found}, runs, newest)

    def _newest(self, series: int) -> int:
        """Newest time of a series: from its newest roll-up or dirty hour, then the few rows after that."""
        run = self.connection.execute
        hour = run("SELECT max(hour) FROM dirty WHERE task = 'roll' AND series = ?", (series,)).fetchone()[0]
        rolled = run("SELECT max(start) FROM roll WHERE span = 3600000 AND series = ?", (series,)).fetchone()[0]
        start = max((at for at in (hour, rolled) if at is not None), default=0)
        row = run("SELECT max(ts) FROM reading WHERE series = ? AND ts >= ?", (series, start)).fetchone()
        return -1 if row[0] is None else int(row[0])

    def write(self, batch: Batch) -> None:
        """Write a batch in one transaction; on return it is on the card.

        Raises:
            sqlite3.Error: nothing of the batch was written; it may be written again.
        """
        connection = self.connection
        connection.execute("BEGIN IMMEDIATE")
        try:
            _write_rows(connection, batch)
            self._bound_quarantine(batch)
            connection.execute("COMMIT")
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                connection.execute("ROLLBACK")
            raise

    def _bound_quarantine(self, batch: Batch) -> None:
        """Oldest out, so that garbage can never fill the card."""
        if batch.read_again:
            self._quarantine_rows, self._quarantine_bytes = self._set_aside()
            return
        if not batch.quarantine:
            return
        run = self.connection.execute
        self._quarantine_rows += len(batch.quarantine)
        self._quarantine_bytes += sum(len(topic) + len(payload) for _, topic, payload, _ in batch.quarantine)
        if self._quarantine_rows <= QUARANTINE_ROWS and self._quarantine_bytes <= QUARANTINE_BYTES:
            return
        rows = run("SELECT id, length(topic) + length(payload) FROM quarantine ORDER BY id DESC").fetchall()
        kept = size = 0
        for _, length in rows:
            if kept >= QUARANTINE_ROWS * 9 // 10 or size + length > QUARANTINE_BYTES * 9 // 10:
                break
            kept += 1
            size += length
        if kept < len(rows):
            run("DELETE FROM quarantine WHERE id <= ?", (rows[kept][0],))
            run(
                "INSERT INTO count VALUES ('quarantine dropped', ?) ON CONFLICT DO UPDATE SET n = min(n + excluded.n, 4611686018427387904)",
                (len(rows) - kept,),
            )
        self._quarantine_rows, self._quarantine_bytes = kept, size

    def reopen(self) -> None:
        """Close the connection and open it anew: after an I/O error the old one goes on as if nothing had been.

        Raises:
            StoreError: it cannot be opened.
            sqlite3.DatabaseError: the newest rows cannot be read.
        """
        with contextlib.suppress(sqlite3.Error):
            self.connection.close()
        self.connection = connect(self.path)
        self.connection.execute("SELECT * FROM reading ORDER BY ts DESC LIMIT 500").fetchall()

    def close(self) -> None:
        """Close the connection and let go of the lock."""
        with contextlib.suppress(sqlite3.Error):
            self.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        self.connection.close()
        self._lock.close()


def _islands(text: str) -> tuple[tuple[int, int], ...]:
    return tuple(
        (int(first), int(last)) for first, _, last in (part.partition("-") for part in text.split(",") if part)
    )


def islands_text(ahead: tuple[tuple[int, int], ...]) -> str:
    """Islands as text: ``7-9,12-12``."""
    return ",".join(f"{first}-{last}" for first, last in ahead)


def _write_rows(connection: sqlite3.Connection, batch: Batch) -> None:
    many = connection.executemany
    if batch.nodes:
        many(
            "INSERT INTO node VALUES (?, ?, ?, ?, ?) ON CONFLICT(id) DO UPDATE SET state = excluded.state, heard_ms = excluded.heard_ms",
            [(n.id, n.name, n.state, n.first_ms, n.heard_ms) for n in batch.nodes.values()],
        )
    if batch.series:
        many(
            "INSERT OR IGNORE INTO series VALUES (?, ?, ?, ?, ?)",
            [(s.id, s.node, s.quantity, s.unit, s.digits) for s in batch.series],
        )
    if batch.runs:
        many("INSERT OR REPLACE INTO run VALUES (?, ?, ?, ?, ?)",
             [(node, number, run.upto, islands_text(run.ahead), run.lost) for (node, number), run in batch.runs.items()])  # fmt: skip
    refused = _write_readings(connection, batch) if batch.readings else []
    if batch.undated:
        many("INSERT INTO undated(boot, mono_ms, ts, series, value, flag) VALUES (?, ?, ?, ?, ?, ?)", batch.undated)
    if batch.move_undated:
        _date_undated(connection, *batch.move_undated)
    if batch.dirty:
        many("INSERT OR IGNORE INTO dirty VALUES ('roll', ?, ?)", sorted(batch.dirty))
    _write_aside(connection, batch, refused)
    _write_told(connection, batch)
    if batch.models:
        many(
            "INSERT OR REPLACE INTO model VALUES (?, ?, ?, ?, ?)",
            [(*key, *value) for key, value in batch.models.items()],
        )
    if batch.configs:
        many("INSERT INTO config(from_ms, sha, body) VALUES (?, ?, ?)", batch.configs)
    if batch.marks:
        many("INSERT OR REPLACE INTO done VALUES (?, ?)", list(batch.marks.items()))
    if batch.counts:
        many(
            "INSERT INTO count VALUES (?, ?) ON CONFLICT DO UPDATE SET n = min(n + excluded.n, 4611686018427387904)",
            list(batch.counts.items()),
        )


def _write_aside(connection: sqlite3.Connection, batch: Batch, refused: list[tuple[int, bytes, bytes, str]]) -> None:
    """What could be read after all leaves the quarantine, what cannot be read comes into it."""
    rows = [*batch.quarantine, *refused]
    if batch.read_again:
        connection.executemany("DELETE FROM quarantine WHERE id = ?", [(number,) for number in batch.read_again])
    if rows:
        connection.executemany("INSERT INTO quarantine(at, topic, payload, reason) VALUES (?, ?, ?, ?)", rows)


def _write_told(connection: sqlite3.Connection, batch: Batch) -> None:
    """Notes, notices, their steps and the outbox: what people wrote and were told."""
    many = connection.executemany
    if batch.notes:
        many("INSERT OR IGNORE INTO note(uid, at, made, kind, body, replaces) VALUES (?, ?, ?, ?, ?, ?)",
             [(n.uid, n.at_ms, n.made_ms, n.kind, n.body, n.replaces) for n in batch.notes])  # fmt: skip
    for change in batch.changes:
        notice, step = change.notice, change.step
        connection.execute(
            "INSERT INTO notice VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT(id) DO UPDATE SET state = excluded.state, "
            "since = excluded.since, seen = excluded.seen, quiet_left = excluded.quiet_left, body = excluded.body",
            astuple(notice),
        )
        if step is not None:
            connection.execute("INSERT OR IGNORE INTO notice_step VALUES (?, ?, ?, ?, ?, ?, ?, ?)", astuple(step))
        many(
            "INSERT OR IGNORE INTO outbox VALUES (?, ?, ?, ?, 0, 'waiting', ?)",
            [astuple(out) for out in change.outbox],
        )
    if batch.forecasts:
        # A batch of unclear fate is written again; what was told is there once and never changes.
        many(
            "INSERT INTO forecast(kind, subject, issued, target, body) SELECT ?1, ?2, ?3, ?4, ?5 "
            "WHERE NOT EXISTS (SELECT 1 FROM forecast WHERE kind = ?1 AND subject = ?2 AND issued = ?3)",
            batch.forecasts,
        )
    if batch.sent:
        many(
            "UPDATE outbox SET state = ?, tries = ?, due = ? WHERE key = ?",
            [(state, tries, due, key) for key, state, tries, due in batch.sent],
        )


def _write_readings(connection: sqlite3.Connection, batch: Batch) -> list[tuple[int, bytes, bytes, str]]:
    """Write the readings; returns those that contradict a stored one, for the quarantine."""
    before = connection.total_changes
    connection.executemany("INSERT OR IGNORE INTO reading VALUES (?, ?, ?, ?)", batch.readings)
    if connection.total_changes - before == len(batch.readings):
        return []
    refused = []
    # Some were there already. The first value for a time wins; a different second one is kept aside, not forgotten.
    for ts, series, value, flag in batch.readings:
        stored = connection.execute(
            "SELECT value, flag FROM reading WHERE ts = ? AND series = ?", (ts, series)
        ).fetchone()
        if stored != (value, flag):
            said = f"series {series}, {ts} ms: kept {stored[0]!r}, refused {value!r}".encode()
            refused.append((ts, b"", said, CONFLICT))
    return refused


def _date_undated(connection: sqlite3.Connection, boot: str, offset_ms: int) -> None:
    """Give the waiting rows of this boot their time, in order, and move them among the readings."""
    connection.execute(
        "INSERT OR IGNORE INTO reading SELECT coalesce(ts, mono_ms + ?), series, value, flag FROM undated WHERE boot = ? ORDER BY id",
        (offset_ms, boot),
    )
    connection.execute(
        "INSERT OR IGNORE INTO dirty SELECT DISTINCT 'roll', series, (coalesce(ts, mono_ms + ?) / 3600000) * 3600000 "
        "FROM undated WHERE boot = ?",
        (offset_ms, boot),
    )
    connection.execute(
        "INSERT INTO quarantine(at, topic, payload, reason) SELECT r.ts, x'', "
        "CAST('series ' || u.series || ', ' || r.ts || ' ms: kept ' || r.value || ', refused ' || u.value AS BLOB), ? "
        "FROM undated u JOIN reading r ON r.series = u.series AND r.ts = coalesce(u.ts, u.mono_ms + ?) "
        "WHERE u.boot = ? AND (r.value <> u.value OR r.flag <> u.flag)",
        (CONFLICT, offset_ms, boot),
    )
    connection.execute("DELETE FROM undated WHERE boot = ?", (boot,))
