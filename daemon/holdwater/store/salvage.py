"""A damaged store is set aside, what can be read of it is carried over, a new one begun, and all of it said loudly."""

from __future__ import annotations

import contextlib
import logging
import sqlite3
from dataclasses import dataclass
from pathlib import Path

from holdwater.store import steps
from holdwater.store.backup import set_aside
from holdwater.store.connect import STORE_NAME, connect

log = logging.getLogger(__name__)

TABLES = (
    "node", "series", "run", "config", "note", "notice", "notice_step", "outbox", "model", "forecast", "done", "count", "quarantine",
    "undated", "reading", "roll", "level", "dirty",
)  # fmt: skip
"""In the order in which they may refer to each other; what people wrote and were told comes before what can be measured again."""

STEP_MS = 86_400_000


@dataclass(frozen=True, slots=True)
class Salvaged:
    """What became of a damaged store.

    Attributes:
        aside: where the damaged file is.
        rows: rows carried over, by table.
        holes: places that could not be read.
    """

    aside: Path
    rows: dict[str, int]
    holes: int

    def words(self) -> str:
        """In one sentence for log and notice."""
        kept = sum(self.rows.values())
        return (
            f"The store was damaged. It is kept as {self.aside.name}; "
            f"{kept} rows were carried over, {self.holes} places could not be read."
        )


def looks_sound(path: Path) -> bool:
    """Whether a store opens, has its tables, and gives its newest rows: what a start can afford to check."""
    if not path.exists() or path.stat().st_size == 0:
        return True
    connection: sqlite3.Connection | None = None
    try:
        connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
        if connection.execute("PRAGMA schema_version").fetchone()[0] == 0:
            return True
        for table in ("meta", "node", "series", "run", "config"):
            connection.execute(f"SELECT * FROM {table}").fetchall()
        for table in ("reading", "roll", "level", "note", "notice", "outbox"):
            connection.execute(f"SELECT * FROM {table} ORDER BY 1 DESC LIMIT 500").fetchall()
        return True
    except sqlite3.DatabaseError as error:
        log.warning("the store does not look sound: %s", error)
        # A lock or a permission is no damage: setting the file aside would make it worse.
        return getattr(error, "sqlite_errorname", "") not in (
            "SQLITE_CORRUPT",
            "SQLITE_NOTADB",
            "SQLITE_IOERR_SHORT_READ",
        )
    finally:
        if connection is not None:
            connection.close()


def salvage(folder: Path) -> Salvaged:
    """Set a folder's store aside and begin a new one with what can be read; whoever calls holds the store's lock."""
    aside = set_aside(folder)
    assert aside is not None  # noqa: S101 -- only called for a store that is there
    fresh = connect(folder / STORE_NAME)
    rows: dict[str, int] = {}
    holes = 0
    try:
        steps.upgrade(fresh, str(folder / STORE_NAME))
        fresh.execute("PRAGMA foreign_keys = OFF")
        with contextlib.closing(sqlite3.connect(aside)) as damaged:
            for table in TABLES:
                kept, missed = _carry_over(damaged, fresh, table)
                rows[table], holes = kept, holes + missed
    finally:
        fresh.close()
    return Salvaged(aside, rows, holes)


def _carry_over(damaged: sqlite3.Connection, fresh: sqlite3.Connection, table: str) -> tuple[int, int]:
    """Copy a table, stepping over what cannot be read; (rows, holes)."""
    columns = [row[1] for row in fresh.execute(f"PRAGMA table_info({table})")]
    into = f"INSERT OR IGNORE INTO {table} VALUES ({','.join('?' * len(columns))})"
    try:
        rows = damaged.execute(f"SELECT * FROM {table}").fetchall()
        return _put(fresh, into, rows), 0
    except sqlite3.DatabaseError:
        return _in_pieces(damaged, fresh, table, into)


def _put(fresh: sqlite3.Connection, into: str, rows: list[tuple[object, ...]]) -> int:
    """Insert row by row where a batch has a row that the schema refuses."""
    kept = 0
    fresh.execute("BEGIN IMMEDIATE")
    for row in rows:
        with contextlib.suppress(sqlite3.Error):
            kept += fresh.execute(into, row).rowcount
    fresh.execute("COMMIT")
    return kept


def _in_pieces(damaged: sqlite3.Connection, fresh: sqlite3.Connection, table: str, into: str) -> tuple[int, int]:
    """Read a table from both ends of its key towards each hole, a page of rows at a time."""
    kept = holes = 0
    for order in ("ASC", "DESC"):
        rows: list[tuple[object, ...]] = []
        try:
            rows.extend(damaged.execute(f"SELECT * FROM {table} ORDER BY 1 {order}"))
        except sqlite3.DatabaseError:
            holes += 1
        kept += _put(fresh, into, rows)
    if table == "reading":
        kept += _by_day(damaged, fresh, into)
    return kept, max(1, holes // 2)


def _by_day(damaged: sqlite3.Connection, fresh: sqlite3.Connection, into: str) -> int:
    """Readings day by day between the two ends: several holes leave islands that neither end reaches."""
    bounds = fresh.execute("SELECT min(ts), max(ts) FROM reading").fetchone()
    if bounds[0] is None:
        return 0
    kept = 0
    for start in range(bounds[0], bounds[1] + 1, STEP_MS):
        rows: list[tuple[object, ...]] = []
        with contextlib.suppress(sqlite3.DatabaseError):
            rows.extend(damaged.execute("SELECT * FROM reading WHERE ts >= ? AND ts < ?", (start, start + STEP_MS)))
        kept += _put(fresh, into, rows)
    return kept
