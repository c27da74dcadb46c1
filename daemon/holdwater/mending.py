"""What is done when the store cannot be written: hold, make room, open anew, give up for the supervisor (STORE rule 10)."""

from __future__ import annotations

import contextlib
import logging
import sqlite3
from typing import TYPE_CHECKING

from holdwater.errors import StoreError

if TYPE_CHECKING:
    from holdwater.store.upkeep import Ballast
    from holdwater.store.writer import Store

log = logging.getLogger(__name__)

AGAIN_S = 1.0
"""How long after a fault the store is written again."""


class Mending:
    """The fault that the store is in, if any.

    Args:
        store: the open store.
        ballast: what is given up when the disk is full.
    """

    def __init__(self, store: Store, ballast: Ballast) -> None:
        self._store = store
        self._ballast = ballast
        self._open = True
        self.since_s: float | None = None

    @property
    def under_way(self) -> bool:
        """True from a fault until the next write that worked."""
        return self.since_s is not None

    def may_try(self, now_s: float) -> bool:
        """Whether the store may be written now: always while it is well, once a second after a fault."""
        return self.since_s is None or now_s - self.since_s >= AGAIN_S

    def over(self) -> None:
        """A write worked."""
        if self.since_s is not None:
            log.warning("the store can be written again")
            self.since_s = None

    def meet(self, error: sqlite3.Error, now_s: float) -> bool:
        """Do what may mend this fault before the next try.

        Returns:
            True when it is the first since the store was well.

        Raises:
            StoreError: an I/O error or damage for the second time running: only a new start can mend that.
        """
        name = getattr(error, "sqlite_errorname", "")
        first = not self.under_way
        if first:
            log.error("the store cannot be written (%s %s); readings and acknowledgements are held", name, error)
        self.since_s = now_s
        if name == "SQLITE_FULL":
            self._make_room()
        elif name.startswith(("SQLITE_IOERR", "SQLITE_CORRUPT", "SQLITE_NOTADB")) or not self._open:
            if not first:
                raise StoreError(
                    f"the store failed twice: {error}", where=str(self._store.path), do="look at the card; holdwater starts anew"
                ) from error  # fmt: skip
            self._reopen()
        return first

    def _make_room(self) -> None:
        """A full disk: give up the ballast and empty the log, so that the next commit has room."""
        if self._ballast.free():
            log.error("the disk is full: the ballast file is given up")
        with contextlib.suppress(sqlite3.Error):
            self._store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def _reopen(self) -> None:
        """After an I/O error the old connection goes on as if nothing had been."""
        self._open = False
        with contextlib.suppress(sqlite3.Error, StoreError):
            self._store.reopen()
            self._open = True
