"""Levels of a tank out of a store: hours and days as they are kept, single readings measured anew from the raw rows."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from holdwater.gauge import AROUND_MS, MARGIN_MS, LevelPoint, Place, companions, history, measures
from holdwater.store.rows import DAY_MS, LevelRow
from holdwater_sensors.water import gravity

if TYPE_CHECKING:
    from holdwater.config.site import Site
    from holdwater.store.reader import Reader


def place_of(site: Site) -> Place:
    """What all sensors of a site share."""
    return Place(site.barometer_series, gravity(site.latitude, site.elevation_m))


def points(site: Site, reader: Reader, tank: str, start_ms: int, end_ms: int) -> Iterator[LevelPoint]:
    """Levels of a tank at each reading, with final verdicts, a day at a time."""
    place = place_of(site)
    instruments = measures(site.instruments_of(tank))
    series = {each.series for each in instruments} | companions(instruments, place)
    for begin in range(start_ms, end_ms, DAY_MS):
        end = min(begin + DAY_MS, end_ms)
        raw = {
            name: [
                (row.ts_ms, row.value) for row in reader.readings(name, begin - AROUND_MS - MARGIN_MS, end + MARGIN_MS)
            ]
            for name in sorted(series)
        }
        yield from history(site.tanks[tank], instruments, place, raw, begin, end)


def level_rows(site: Site, reader: Reader, tank: str, span_ms: int, start_ms: int, end_ms: int) -> Iterator[LevelRow]:
    """Levels of a tank by reading (span 0), hour or local day."""
    if span_ms:
        yield from reader.levels(tank, span_ms, start_ms, end_ms)
        return
    for point in points(site, reader, tank, start_ms, end_ms):
        depth, on_hand = (point.depth_m, point.on_hand_m3) if point.ok else (None, None)
        yield LevelRow(point.ts_ms, depth, on_hand, point.u_noise_m3, point.u_scale_m3, point.quality)
