"""What the loop takes up again after a restart: the rules with their memory, the nights with their models, links that a note shut."""

from __future__ import annotations

import logging
import zlib
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from holdwater.alerts.engine import Alerts
from holdwater.alerts.rows import SavedNotice
from holdwater.gauge import Noted
from holdwater.store.reader import Reader

if TYPE_CHECKING:
    from holdwater.config.site import Site
    from holdwater.freeze.done import Deeds
    from holdwater.frost import Frost
    from holdwater.picture import Picture
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


def restored_frost(
    site: Site,
    store: Store,
    kept: Iterable[tuple[str, str, int, bytes]],
    newest_ms: int,
    picture: Picture,
    done: Deeds,
) -> Frost | None:
    """What was learned of the nights, and where the frost stood; None for a site without outside air or without a place."""
    if site.air_series is None or site.latitude is None or site.longitude is None:
        return None
    from holdwater import frost, nights  # noqa: PLC0415 -- a mebibyte that only a site with outside air and a place needs

    rows = [(kind, name, through, body) for kind, name, through, body in kept]
    saved = [(name, through, body) for kind, name, through, body in rows if kind == nights.MODEL]
    held = next((body for kind, name, _, body in rows if (kind, name) == (frost.MODEL, frost.MODEL)), b"")
    reader = Reader(store.connection, str(store.path))
    outside = nights.nights_of(site, reader, saved, newest_ms)
    own = {name: nights.nights_of(site, reader, saved, newest_ms, name) for name in nights.own_series(site)}

    def level(tank: str) -> float | None:
        point = picture.level(tank)
        return None if point is None else point.total_m3

    found = frost.Frost(site, outside, own, level, picture.beside, held)
    found.on_done(done, -1)
    picture.iced = found.iced_tanks
    return found


def named_nodes(site: Site) -> set[str]:
    """Sensor boxes that the config names by a series of theirs: they are taken at their word."""
    weather = (site.air_series, site.humidity_series, site.rain_series, site.barometer_series)
    exposures = [series for each in site.exposures.values() for series in (each.air_series, each.water_series)]
    others = (*(each.series for each in site.instruments.values()), *(route.series for route in site.routes))
    power = () if site.power is None else (site.power.board_series,)
    return {series.partition(":")[0] for series in (*weather, *exposures, *others, *power) if series}


def notes_on_levels(store: Store) -> list[Noted]:
    """Notes that levels rest on, in order of time: hand dips; a link stays as the last note left it."""
    rows = Reader(store.connection, str(store.path)).level_notes(FAR_MS)
    return [Noted(*row) for row in rows]
