"""What the loop takes up again after a restart: the rules with their memory, the nights with their models, links that a note shut."""

from __future__ import annotations

import logging
import zlib
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from holdwater import nights
from holdwater.alerts.engine import Alerts
from holdwater.alerts.rows import SavedNotice
from holdwater.gauge import Noted
from holdwater.store.reader import Reader

if TYPE_CHECKING:
    from holdwater.config.site import Site
    from holdwater.store.writer import Store

log = logging.getLogger(__name__)

FAR_MS = 1 << 62
"""After every note."""


def restored_rules(site: Site, store: Store, usual: Callable[[str, int], float | None]) -> Alerts:
    """The rules as they stood: notices that are on, and the memory that outlasts a restart."""
    run = store.connection.execute
    rows = [SavedNotice(*row) for row in run("SELECT * FROM notice WHERE state <> 'clear' ORDER BY id")]
    found = run("SELECT body FROM model WHERE kind = 'alerts' AND subject = 'memory'").fetchone()
    next_id = 1 + int(run("SELECT coalesce(max(id), 0) FROM notice").fetchone()[0])
    try:
        memory = zlib.decompress(found[0]).decode() if found else ""
        return Alerts(site, rows, next_id, memory, uuid=store.uuid, usual=usual)
    except (ValueError, KeyError, TypeError, zlib.error):
        # Written by a version with another form: what is on stays on by its rows; only intervals and notes are learned anew.
        log.warning("the rules' memory has another form; it begins anew")
        return Alerts(site, rows, next_id, "", uuid=store.uuid, usual=usual)


def restored_nights(
    site: Site, store: Store, kept: Iterable[tuple[str, str, int, bytes]], newest_ms: int
) -> nights.Nights:
    """The nights as far as they were learned."""
    saved = [(name, through, body) for kind, name, through, body in kept if kind == nights.MODEL]
    return nights.nights_of(site, Reader(store.connection, str(store.path)), saved, newest_ms)


def notes_on_levels(store: Store) -> list[Noted]:
    """Notes that levels rest on, in order of time: hand dips; a link stays as the last note left it."""
    rows = Reader(store.connection, str(store.path)).level_notes(FAR_MS)
    return [Noted(*row) for row in rows]
