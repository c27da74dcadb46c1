"""Levels of a tank out of a store: hours and days as they are kept, single readings measured anew from the raw rows."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdwater.gauge import (
    AROUND_MS,
    MARGIN_MS,
    Hour,
    LevelPoint,
    Mounted,
    Noted,
    Place,
    Points,
    history,
    measures,
    told_of,
)
from holdwater.store.rows import DAY_MS, LevelRow
from holdwater_sensors.water import gravity

if TYPE_CHECKING:
    from holdwater.config.site import Site
    from holdwater.store.reader import Reader


def place_of(site: Site) -> Place:
    """What all sensors of a site share."""
    return Place(site.barometer_series, gravity(site.latitude, site.elevation_m))


@dataclass(frozen=True, slots=True)
class StoredRecord:
    """The readings of a store, as the gauges ask for them."""

    reader: Reader

    def points(self, series: str, start_ms: int, end_ms: int) -> Points:
        """Readings with start <= time < end, in time order."""
        return [(row.ts_ms, row.value) for row in self.reader.readings(series, start_ms, end_ms)]

    def hours(self, series: str, before_ms: int) -> Iterator[Hour]:
        """Rolled-up hours that began before a time, newest first."""
        return (Hour(row.start_ms, row.lo, row.hi, row.n) for row in self.reader.hours_before(series, before_ms))


def notes_on_levels(reader: Reader, before_ms: int) -> list[Noted]:
    """Notes that levels rest on, up to a time: hand dips, links shut and opened."""
    return [Noted(*each) for each in reader.level_notes(before_ms)]


def mounted(site: Site, reader: Reader, tank: str, before_ms: int) -> Mounted:
    """A tank with what its level rests on, up to a time."""
    instruments = site.instruments_of(tank)
    told = told_of(site.tanks[tank], instruments, notes_on_levels(reader, before_ms))
    return Mounted(site.tanks[tank], measures(instruments), place_of(site), told)


def points(site: Site, reader: Reader, tank: str, start_ms: int, end_ms: int) -> Iterator[LevelPoint]:
    """Levels of a tank at each reading and hand dip, with final verdicts, a day at a time."""
    of, record = mounted(site, reader, tank, end_ms), StoredRecord(reader)
    for begin in range(start_ms, end_ms, DAY_MS):
        end = min(begin + DAY_MS, end_ms)
        raw = {name: record.points(name, begin - AROUND_MS - MARGIN_MS, end + MARGIN_MS) for name in sorted(of.series)}
        yield from history(of, raw, begin, end, record)


def level_rows(site: Site, reader: Reader, tank: str, span_ms: int, start_ms: int, end_ms: int) -> Iterator[LevelRow]:
    """Levels of a tank by reading (span 0), hour or local day."""
    if span_ms:
        yield from reader.levels(tank, span_ms, start_ms, end_ms)
        return
    for point in points(site, reader, tank, start_ms, end_ms):
        depth, on_hand = (point.depth_m, point.on_hand_m3) if point.ok else (None, None)
        yield LevelRow(point.ts_ms, depth, on_hand, point.u_noise_m3, point.u_scale_m3, point.quality)
