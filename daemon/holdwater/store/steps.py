"""The store's schema as numbered steps. A step and the record that it ran share one transaction; a newer store is refused."""

from __future__ import annotations

import contextlib
import sqlite3
import uuid

from holdwater import __version__
from holdwater.errors import StoreError

STEP_1 = """
CREATE TABLE meta(key TEXT PRIMARY KEY, value ANY) STRICT;
CREATE TABLE config(id INTEGER PRIMARY KEY, from_ms INT NOT NULL, sha BLOB NOT NULL, body TEXT NOT NULL) STRICT;
CREATE TABLE node(id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, state TEXT NOT NULL, first_ms INT, heard_ms INT) STRICT;
CREATE TABLE series(id INTEGER PRIMARY KEY, node INT NOT NULL REFERENCES node, quantity TEXT NOT NULL, unit TEXT NOT NULL,
                    digits INT NOT NULL, UNIQUE(node, quantity, unit)) STRICT;
CREATE TABLE run(node INT NOT NULL REFERENCES node, run INT NOT NULL, upto INT NOT NULL, ahead TEXT NOT NULL, lost INT NOT NULL,
                 PRIMARY KEY(node, run)) STRICT, WITHOUT ROWID;
CREATE TABLE reading(ts INT NOT NULL, series INT NOT NULL, value REAL NOT NULL, flag INT NOT NULL,
                     PRIMARY KEY(ts, series)) STRICT, WITHOUT ROWID;
CREATE TABLE undated(id INTEGER PRIMARY KEY, boot TEXT NOT NULL, mono_ms INT NOT NULL, ts INT, series INT NOT NULL,
                     value REAL NOT NULL, flag INT NOT NULL) STRICT;
CREATE TABLE dirty(task TEXT NOT NULL, series INT NOT NULL, hour INT NOT NULL, PRIMARY KEY(task, series, hour)) STRICT, WITHOUT ROWID;
CREATE TABLE roll(span INT NOT NULL, series INT NOT NULL, start INT NOT NULL, lo REAL, mean REAL, hi REAL, n INT NOT NULL,
                  crc INT NOT NULL, PRIMARY KEY(span, series, start)) STRICT, WITHOUT ROWID;
CREATE TABLE level(gen INT NOT NULL, span INT NOT NULL, tank TEXT NOT NULL, start INT NOT NULL, depth REAL, on_hand REAL,
                   closing REAL, u_noise REAL NOT NULL, u_scale REAL NOT NULL, n INT NOT NULL, worst INT NOT NULL,
                   PRIMARY KEY(gen, span, tank, start)) STRICT, WITHOUT ROWID;
CREATE TABLE quarantine(id INTEGER PRIMARY KEY, at INT NOT NULL, topic BLOB NOT NULL, payload BLOB NOT NULL, reason TEXT NOT NULL) STRICT;
CREATE TABLE note(id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, at INT NOT NULL, made INT NOT NULL, kind TEXT NOT NULL,
                  body TEXT NOT NULL, replaces INT REFERENCES note) STRICT;
CREATE INDEX note_at ON note(at);
CREATE TABLE notice(id INTEGER PRIMARY KEY, kind TEXT NOT NULL, subject TEXT NOT NULL, state TEXT NOT NULL, since INT NOT NULL,
                    seen INT, quiet_left INT NOT NULL, body TEXT NOT NULL) STRICT;
CREATE INDEX notice_open ON notice(kind, subject) WHERE state <> 'clear';
CREATE TABLE notice_step(notice INT NOT NULL REFERENCES notice, n INT NOT NULL, reading_ts INT NOT NULL, at INT NOT NULL,
                         state TEXT NOT NULL, severity TEXT NOT NULL, short TEXT NOT NULL, long TEXT NOT NULL,
                         PRIMARY KEY(notice, n)) STRICT, WITHOUT ROWID;
CREATE INDEX notice_step_at ON notice_step(at);
CREATE TABLE outbox(key TEXT PRIMARY KEY, notice INT NOT NULL, channel TEXT NOT NULL, due INT NOT NULL, tries INT NOT NULL,
                    state TEXT NOT NULL, body TEXT NOT NULL) STRICT, WITHOUT ROWID;
CREATE INDEX outbox_waiting ON outbox(due) WHERE state = 'waiting';
CREATE TABLE model(kind TEXT NOT NULL, subject TEXT NOT NULL, version INT NOT NULL, through INT NOT NULL, body BLOB NOT NULL,
                   PRIMARY KEY(kind, subject)) STRICT, WITHOUT ROWID;
CREATE TABLE forecast(id INTEGER PRIMARY KEY, kind TEXT NOT NULL, subject TEXT NOT NULL, issued INT NOT NULL, target INT NOT NULL,
                      body TEXT NOT NULL) STRICT;
CREATE TABLE done(job TEXT PRIMARY KEY, mark TEXT NOT NULL) STRICT, WITHOUT ROWID;
CREATE TABLE count(name TEXT PRIMARY KEY, n INT NOT NULL) STRICT, WITHOUT ROWID;
"""
# Key order (ts, series): appended in time order it costs a quarter of the card writes of (series, ts). `value` is the number as
# received times 10^digits where that is whole (whole numbers pack small); a flag bit marks the rest. `unit` is part of a series'
# identity, so that a number is always kept in the unit it came in. `roll.crc` is a checksum of the hour's raw rows: a flipped bit on
# the card passes SQLite's own checks, not this one.

STEPS: tuple[str, ...] = (STEP_1,)


def upgrade(connection: sqlite3.Connection, path: str) -> None:
    """Bring a store to the newest step, one transaction a step.

    Raises:
        StoreError: the store was written by a newer version.
    """
    at = current(connection)
    if at > len(STEPS):
        raise StoreError(
            f"this store has step {at}, written by a newer holdwater", expected=f"at most step {len(STEPS)}", where=path,
            do="install that version again, or give another store folder",
        )  # fmt: skip
    for number in range(at + 1, len(STEPS) + 1):
        connection.execute("BEGIN IMMEDIATE")
        try:
            if number == 1:
                connection.execute("CREATE TABLE step(n INTEGER PRIMARY KEY, version TEXT NOT NULL) STRICT")
            for statement in _statements(STEPS[number - 1]):
                connection.execute(statement)
            if number == 1:
                _name(connection)
            connection.execute("INSERT INTO step VALUES (?, ?)", (number, __version__))
            connection.execute("COMMIT")
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                connection.execute("ROLLBACK")
            raise


def current(connection: sqlite3.Connection) -> int:
    """The newest step that ran on this store; 0 for an empty file."""
    if connection.execute("SELECT 1 FROM sqlite_schema WHERE name = 'step'").fetchone() is None:
        return 0
    return int(connection.execute("SELECT coalesce(max(n), 0) FROM step").fetchone()[0])


def _statements(script: str) -> list[str]:
    return [part.strip() for part in script.split(";") if part.strip()]


def _name(connection: sqlite3.Connection) -> None:
    rows = [("store", uuid.uuid4().hex), ("generation", 1)]
    connection.executemany("INSERT INTO meta VALUES (?, ?)", rows)
