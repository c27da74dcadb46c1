"""From raw rows to hours and days: the slack work of the loop, a slice at a time.

An hour is rolled up when it was marked dirty. Everything here is a pure function of the raw rows and the config, so any order of
arrival ends in the same rows; a mark is removed in the transaction that writes what it asked for.
"""

from __future__ import annotations

import sqlite3
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING

from holdwater.gauge import AROUND_MS, MARGIN_MS, LevelPoint, Place, companions, history, summary
from holdwater.store.digits import unpack
from holdwater.store.roll import roll
from holdwater.store.rows import DAY_MS, HOUR_MS
from holdwater.units import wire_unit

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from holdwater.config.site import Site
    from holdwater.tanks.tank import Tank
    from holdwater_sensors.instrument import Instrument

Raw = tuple[int, float, int]


def local_days(start_ms: int, end_ms: int, zone: ZoneInfo) -> list[tuple[int, int]]:
    """Local days (begin, end in ms UTC) that a stretch touches; 23 or 25 hours long where the clocks change."""
    first = datetime.fromtimestamp(start_ms / 1000, zone).date()
    last = datetime.fromtimestamp((end_ms - 1) / 1000, zone).date()
    days = [first + timedelta(days=n) for n in range((last - first).days + 2)]
    bounds = [round(datetime(d.year, d.month, d.day, tzinfo=zone).astimezone(UTC).timestamp() * 1000) for d in days]
    return list(pairwise(bounds))


class RollUp:
    """Rebuilds dirty hours of a store, for one site.

    Args:
        connection: the store's one writing connection.
        site: tanks, instruments and time zone.
        place: barometer and gravity.
    """

    def __init__(self, connection: sqlite3.Connection, site: Site, place: Place) -> None:
        self._connection = connection
        self._site = site
        self._place = place
        self._generation = int(connection.execute("SELECT value FROM meta WHERE key = 'generation'").fetchone()[0])
        self._series: dict[int, tuple[str, str, int]] = {}
        self._levels: dict[str, tuple[Tank, tuple[Instrument, ...], frozenset[str]]] = {}
        for name, tank in site.tanks.items():
            instruments = tuple(each for each in site.instruments_of(name) if each.gives_depth)
            if instruments:
                needs = frozenset({each.series for each in instruments} | companions(instruments, place))
                self._levels[name] = (tank, instruments, needs)

    def dirty(self, before_ms: int, most: int) -> list[tuple[int, list[int]]]:
        """Oldest dirty hours that ended by `before_ms`: (hour, series ids)."""
        rows = self._connection.execute(
            "SELECT hour, series FROM dirty WHERE task = 'roll' AND hour + 3600000 <= ? ORDER BY hour, series",
            (before_ms,),
        )
        found: dict[int, list[int]] = {}
        for hour, series in rows:
            if hour not in found and len(found) == most:
                break
            found.setdefault(hour, []).append(series)
        return list(found.items())

    def rebuild(self, dirty: Sequence[tuple[int, list[int]]], *, keep_marks: bool = False) -> None:
        """Roll up hours, the levels that rest on them, and their days, in one transaction.

        Args:
            dirty: hours with the series that changed in them, in order.
            keep_marks: for the hour that still runs: its figures are shown, its mark stays.
        """
        if not dirty:
            return
        run = self._connection.execute
        run("BEGIN IMMEDIATE")
        try:
            self._rebuild(dirty)
            if not keep_marks:
                marks = [(series, hour) for hour, ids in dirty for series in ids]
                self._connection.executemany("DELETE FROM dirty WHERE task = 'roll' AND series = ? AND hour = ?", marks)
            run("COMMIT")
        except BaseException:
            run("ROLLBACK")
            raise

    def _rebuild(self, dirty: Sequence[tuple[int, list[int]]]) -> None:
        first, last = dirty[0][0], dirty[-1][0] + HOUR_MS
        raw = self._raw(first - AROUND_MS - MARGIN_MS, last + 2 * MARGIN_MS)
        for hour, ids in dirty:
            self._write_rolls(hour, ids, raw)
        hours = sorted({at for hour, _ in dirty for at in (hour - HOUR_MS, hour, hour + HOUR_MS)})
        touched = {self._name(series) for _, ids in dirty for series in ids}
        points = self._points(raw)
        days = local_days(hours[0], hours[-1] + HOUR_MS, self._site.timezone)
        for name, (tank, instruments, needs) in self._levels.items():
            if needs & touched:
                found = history(tank, instruments, self._place, points, hours[0], hours[-1] + HOUR_MS)
                self._write_levels(name, hours, found)
                self._write_level_days(name, days)
        self._write_roll_days({series for _, ids in dirty for series in ids}, days)

    def _raw(self, start_ms: int, end_ms: int) -> dict[int, list[Raw]]:
        rows: dict[int, list[Raw]] = defaultdict(list)
        query = "SELECT series, ts, value, flag FROM reading WHERE ts >= ? AND ts < ? ORDER BY ts, series"
        for series, ts, value, flag in self._connection.execute(query, (start_ms, end_ms)):
            rows[series].append((ts, value, flag))
        return rows

    def _about(self, series: int) -> tuple[str, str, int]:
        """(node:quantity, unit, digits) of a series id."""
        if series not in self._series:
            query = (
                "SELECT s.id, n.name || ':' || s.quantity, s.unit, s.digits FROM series s JOIN node n ON n.id = s.node"
            )
            self._series = {row[0]: (row[1], row[2], row[3]) for row in self._connection.execute(query)}
        return self._series[series]

    def _name(self, series: int) -> str:
        return self._about(series)[0]

    def _points(self, raw: Mapping[int, Sequence[Raw]]) -> dict[str, list[tuple[int, float]]]:
        points: dict[str, list[tuple[int, float]]] = {}
        for series, rows in raw.items():
            name, unit, digits = self._about(series)
            to_si = wire_unit(unit).to_si
            found = [(ts, to_si(unpack(value, digits, flag))) for ts, value, flag in rows]
            points[name] = sorted(points[name] + found) if name in points else found
        return points

    def _write_rolls(self, hour: int, ids: Iterable[int], raw: Mapping[int, Sequence[Raw]]) -> None:
        for series in ids:
            rows = [row for row in raw.get(series, ()) if hour <= row[0] < hour + HOUR_MS]
            found = roll(rows, self._about(series)[2])
            if found is not None:
                self._connection.execute(
                    "INSERT OR REPLACE INTO roll VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                    (HOUR_MS, series, hour, found.lo, found.mean, found.hi, found.n, found.crc),
                )

    def _write_roll_days(self, ids: Iterable[int], days: Sequence[tuple[int, int]]) -> None:
        for series in sorted(ids):
            for start, end in days:
                self._connection.execute(
                    "INSERT OR REPLACE INTO roll SELECT ?, series, ?, min(lo), sum(mean * n) / sum(n), max(hi), sum(n), 0 "
                    "FROM roll WHERE span = ? AND series = ? AND start >= ? AND start < ? GROUP BY series",
                    (DAY_MS, start, HOUR_MS, series, start, end),
                )

    def _write_levels(self, tank: str, hours: Sequence[int], points: Sequence[LevelPoint]) -> None:
        by_hour: dict[int, list[LevelPoint]] = defaultdict(list)
        for point in points:
            by_hour[point.ts_ms - point.ts_ms % HOUR_MS].append(point)
        for hour in hours:
            self._write_level(HOUR_MS, tank, hour, by_hour.get(hour, ()))

    def _write_level(self, span_ms: int, tank: str, start_ms: int, points: Sequence[LevelPoint]) -> None:
        row = summary(points)
        if row is not None:
            self._connection.execute(
                "INSERT OR REPLACE INTO level VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    self._generation, span_ms, tank, start_ms, row.depth_m, row.on_hand_m3, row.closing_m3,
                    row.u_noise_m3, row.u_scale_m3, row.n, row.worst,
                ),
            )  # fmt: skip

    def _write_level_days(self, tank: str, days: Sequence[tuple[int, int]]) -> None:
        for start, end in days:
            rows = self._connection.execute(
                "SELECT depth, on_hand, closing, u_noise, u_scale, n, worst FROM level "
                "WHERE gen = ? AND span = ? AND tank = ? AND start >= ? AND start < ? ORDER BY start",
                (self._generation, HOUR_MS, tank, start, end),
            ).fetchall()
            if rows:
                self._connection.execute(
                    "INSERT OR REPLACE INTO level VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    (self._generation, DAY_MS, tank, start, *_day(rows)),
                )


def _day(rows: Sequence[Sequence[float | None]]) -> tuple[float | int | None, ...]:
    """Hour rows (depth, on hand, closing, u noise, u scale, n, worst) as one day's row; means weighted by readings."""
    good = [row for row in rows if row[1] is not None and row[5]]
    worst = max(int(row[6] or 0) for row in rows)
    if not good:
        return None, None, None, 0.0, 0.0, 0, worst
    n = sum(row[5] or 0 for row in good)

    def mean(at: int) -> float:
        return sum((row[at] or 0.0) * (row[5] or 0) for row in good) / n

    return mean(0), mean(1), good[-1][2], mean(3), mean(4), int(n), 0 if 2 * len(good) >= len(rows) else worst
