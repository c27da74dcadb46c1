"""Connections to the store, with the settings that the promises rest on."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from holdwater.errors import StoreError

STORE_NAME = "store.db"


def connect(path: Path, *, read_only: bool = False) -> sqlite3.Connection:
    """A connection with the settings that the promises rest on: WAL, FULL, one writer.

    Raises:
        StoreError: the file cannot be opened or is no database.
    """
    try:
        if read_only:
            connection = sqlite3.connect(
                f"file:{path}?mode=ro", uri=True, isolation_level=None, check_same_thread=False, timeout=2.0
            )
            connection.execute("PRAGMA query_only = ON")
        else:
            connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=5.0)
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute("PRAGMA foreign_keys = ON")
            connection.execute("PRAGMA journal_size_limit = 16777216")
        connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except sqlite3.Error as error:
        raise StoreError(
            f"the store cannot be opened: {error}", expected="a holdwater store", where=str(path),
            do="run holdwater doctor; look at the disk (df -h) and at the owner of the file (ls -l)",
        ) from error  # fmt: skip
    return connection
