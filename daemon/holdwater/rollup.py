"""From raw rows to hours and days: the slack work of the loop, a slice at a time.

An hour is rolled up when it was marked dirty. Everything here is a pure function of the raw rows and the config, so any order of
arrival ends in the same rows; a mark is removed in the transaction that writes what it asked for.
"""

from __future__ import annotations

import contextlib
import hashlib
import re
import sqlite3
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING

from holdwater.gauge import AROUND_MS, MARGIN_MS, LevelPoint, Mounted, Place, history, measures, summary, told_of
from holdwater.levels import StoredRecord, notes_on_levels
from holdwater.store.digits import unpack
from holdwater.store.reader import Reader
from holdwater.store.roll import roll
from holdwater.store.rows import DAY_MS, HOUR_MS
from holdwater.units import wire_unit

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from holdwater.config.site import Site

Raw = tuple[int, float, int]

NOTES = 0
"""Stands for a series in the marks of dirty hours: a note changed the levels of that hour."""

FOLLOWING_HOURS = 6
"""A late reading may change what is said of readings of so many hours after it, and of a value that begins to stand still in them."""


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
        self._generation = int(self._meta("generation", 1))
        self._next = int(self._meta("next generation", 0))
        self._raw_from = int(self._meta("raw_from", 0))
        self._series: dict[int, tuple[str, str, int]] = {}
        self._levels = {
            name: Mounted(tank, measures(site.instruments_of(name)), place) for name, tank in site.tanks.items()
        }
        self._needs = {name: each.series for name, each in self._levels.items()}

    def use(self, connection: sqlite3.Connection) -> None:
        """Go on with another connection to the same store."""
        self._connection = connection

    def _meta(self, key: str, otherwise: int | str) -> int | str:
        row = self._connection.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        return otherwise if row is None else row[0]

    # -- generations -----------------------------------------------------------------------------------------------------------------

    def meaning(self) -> str:
        """A name for what levels mean under this config: tanks, level sensors, their surroundings."""
        # Shapes carry functions: where those lie in memory differs at each start and means nothing.
        parts = [
            re.sub(r" at 0x[0-9a-f]+", "", repr((name, each.tank, each.instruments)))
            for name, each in sorted(self._levels.items())
        ]
        return hashlib.sha256("\n".join([*parts, repr(self._place)]).encode()).hexdigest()[:32]

    def begin_if_changed(self) -> bool:
        """Begin a new generation of levels when the config gives them another meaning; True when one is under way."""
        meaning = self.meaning()
        if self._meta("levels mean", "") != meaning:
            has_levels = self._connection.execute("SELECT 1 FROM level LIMIT 1").fetchone() is not None
            rows: list[tuple[str, int | str]] = [("levels mean", meaning)]
            self._next = self._generation + 1 if has_levels else 0
            rows.append(("next generation", self._next))
            self._in_transaction(
                lambda: self._connection.executemany("INSERT OR REPLACE INTO meta VALUES (?, ?)", rows),
                lambda: self._connection.execute("DELETE FROM level WHERE gen <> ?", (self._generation,)),
                lambda: self._connection.execute("DELETE FROM done WHERE job = 'generation'"),
            )
        return self._next > 0

    def begin(self) -> None:
        """Begin a new generation whatever the config says."""
        self._connection.execute("INSERT OR REPLACE INTO meta VALUES ('levels mean', '')")
        self.begin_if_changed()

    def generation_step(self, hours: int) -> bool:
        """Build some more hours of the new generation, and flip to it when they are all there; True while it is under way.

        Hours whose raw readings are gone are carried over: there the roll-ups are the record.
        """
        if not self._next:
            return False
        run = self._connection.execute
        mark = run("SELECT mark FROM done WHERE job = 'generation'").fetchone()
        after = int(mark[0]) if mark else -1
        query = (
            "SELECT DISTINCT start FROM roll WHERE span = ?1 AND start > ?2 AND start >= ?3 UNION SELECT at - at % ?1 FROM note "
            "WHERE kind = 'dip' AND at - at % ?1 > ?2 AND at >= ?3 ORDER BY start LIMIT ?4"
        )
        due = [row[0] for row in run(query, (HOUR_MS, after, self._raw_from, hours))]
        if not due:
            self._flip()
            return False
        span = [hour for hour in due if hour < due[0] + 24 * HOUR_MS]
        self._in_transaction(
            lambda: self._levels_of(
                span, self._raw(span[0] - AROUND_MS - MARGIN_MS, span[-1] + HOUR_MS + MARGIN_MS), None, self._next
            ),
            lambda: run("INSERT OR REPLACE INTO done VALUES ('generation', ?)", (str(span[-1]),)),
        )
        return True

    def _flip(self) -> None:
        run = self._connection.execute
        self._in_transaction(
            lambda: run(
                "INSERT OR IGNORE INTO level SELECT ?, span, tank, start, depth, on_hand, closing, u_noise, u_scale, n, worst "
                "FROM level WHERE gen = ? AND start < ?",
                (self._next, self._generation, self._raw_from),
            ),
            lambda: run("DELETE FROM level WHERE gen = ?", (self._generation,)),
            lambda: run("UPDATE meta SET value = ? WHERE key = 'generation'", (self._next,)),
            lambda: run("UPDATE meta SET value = 0 WHERE key = 'next generation'"),
            lambda: run("DELETE FROM done WHERE job = 'generation'"),
        )
        self._generation, self._next = self._next, 0

    def _in_transaction(self, *steps: Callable[[], object]) -> None:
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            for step in steps:
                step()
            self._connection.execute("COMMIT")
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                self._connection.execute("ROLLBACK")
            raise

    # -- dirty hours -----------------------------------------------------------------------------------------------------------------

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
        marks = [] if keep_marks else [(series, hour) for hour, ids in dirty for series in ids]
        self._in_transaction(
            lambda: self._rebuild(dirty),
            lambda: self._connection.executemany(
                "DELETE FROM dirty WHERE task = 'roll' AND series = ? AND hour = ?", marks
            ),
        )

    def _rebuild(self, dirty: Sequence[tuple[int, list[int]]]) -> None:
        first, last = dirty[0][0], dirty[-1][0] + HOUR_MS
        raw = self._raw(first - AROUND_MS - 2 * MARGIN_MS, last + 2 * MARGIN_MS)
        for hour, ids in dirty:
            self._write_rolls(hour, [each for each in ids if each != NOTES], raw)
        self._mark_what_follows(dirty)
        hours = sorted(
            {at for hour, _ in dirty for at in (hour - HOUR_MS, hour, hour + HOUR_MS) if at >= self._raw_from}
        )
        moved = {series for _, ids in dirty for series in ids}
        touched = None if NOTES in moved else {self._name(series) for series in moved}
        for generation in (self._generation, self._next):
            if generation:
                self._levels_of(hours, raw, touched, generation)
        self._write_roll_days(moved - {NOTES}, self._days(hours or [first]))

    def _mark_what_follows(self, dirty: Sequence[tuple[int, list[int]]]) -> None:
        """Readings that came late: mark the later hours whose levels rest on them, through noise and values that stand still."""
        hours_of: dict[int, set[int]] = defaultdict(set)
        for hour, ids in dirty:
            for series in ids:
                hours_of[series].add(hour)
        hours_of.pop(NOTES, None)
        marks = {hour for series, hours in hours_of.items() for hour in self._following(series, hours)}
        self._connection.executemany(
            "INSERT OR IGNORE INTO dirty VALUES ('roll', ?, ?)", [(NOTES, hour) for hour in sorted(marks)]
        )

    def _following(self, series: int, changed: set[int]) -> set[int]:
        """Hours of a series that were rolled up before and rest on hours that changed."""
        query = "SELECT start, lo, hi FROM roll WHERE span = ? AND series = ? AND start >= ? ORDER BY start"
        found: set[int] = set()
        reach, still = 0, None
        for start, lo, hi in self._connection.execute(query, (HOUR_MS, series, min(changed))):
            # a value that stands still over an hour, and the hour in which it ends
            goes_on = still is not None and still in (lo, hi)
            if start in changed:
                reach = start + FOLLOWING_HOURS * HOUR_MS
            elif start <= reach or goes_on:
                found.add(start)
            if start <= reach or goes_on:
                still = lo if lo == hi else None
            elif start > max(changed) + FOLLOWING_HOURS * HOUR_MS:
                break
        return found

    def _days(self, hours: Sequence[int]) -> list[tuple[int, int]]:
        return local_days(hours[0], hours[-1] + HOUR_MS, self._site.timezone)

    def _levels_of(
        self, hours: Sequence[int], raw: Mapping[int, Sequence[Raw]], touched: set[str] | None, generation: int
    ) -> None:
        """Levels of some hours and their days; of all tanks, or of those that a touched series speaks for."""
        if not hours:
            return
        points = self._points(raw)
        days = self._days(hours)
        record, end_ms = self._record(), hours[-1] + HOUR_MS
        notes = notes_on_levels(record.reader, end_ms)
        for name, level in self._levels.items():
            if touched is None or self._needs[name] & touched:
                told = told_of(level.tank, self._site.instruments_of(name), notes)
                found = history(replace(level, told=told), points, hours[0], end_ms, record)
                self._write_levels(generation, name, hours, found)
                self._write_level_days(generation, name, days)

    def _record(self) -> StoredRecord:
        """The readings of the store; asked for little, since most stretches are judged by themselves."""
        return StoredRecord(Reader(self._connection, ""))

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
            rows = _between(raw.get(series, ()), hour, hour + HOUR_MS)
            found = roll(rows, self._about(series)[2])
            if found is not None:
                self._connection.execute(
                    "INSERT OR REPLACE INTO roll VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                    (HOUR_MS, series, hour, found.lo, found.mean, found.hi, found.n, found.crc),
                )

    def _write_roll_days(self, ids: Iterable[int], days: Sequence[tuple[int, int]]) -> None:
        for series in sorted(ids):
            for start, end in days:
                if _off_the_hour(start, end):
                    self._write_roll_day(series, start, end)
                    continue
                self._connection.execute(
                    "INSERT OR REPLACE INTO roll SELECT ?, series, ?, min(lo), sum(mean * n) / sum(n), max(hi), sum(n), 0 "
                    "FROM roll WHERE span = ? AND series = ? AND start >= ? AND start < ? GROUP BY series",
                    (DAY_MS, start, HOUR_MS, series, start, end),
                )

    def _write_roll_day(self, series: int, start: int, end: int) -> None:
        """A day of a zone that stands off the hour, from the raw rows themselves."""
        found = None if start < self._raw_from else roll(self._raw(start, end).get(series, ()), self._about(series)[2])
        if found is not None:
            row = (DAY_MS, series, start, found.lo, found.mean, found.hi, found.n, 0)
            self._connection.execute("INSERT OR REPLACE INTO roll VALUES (?, ?, ?, ?, ?, ?, ?, ?)", row)

    def _write_levels(self, generation: int, tank: str, hours: Sequence[int], points: Sequence[LevelPoint]) -> None:
        by_hour: dict[int, list[LevelPoint]] = defaultdict(list)
        for point in points:
            by_hour[point.ts_ms - point.ts_ms % HOUR_MS].append(point)
        for hour in hours:
            self._write_level(generation, HOUR_MS, tank, hour, by_hour.get(hour, ()))

    def _write_level(
        self, generation: int, span_ms: int, tank: str, start_ms: int, points: Sequence[LevelPoint]
    ) -> None:
        row = summary(points)
        if row is not None:
            self._connection.execute(
                "INSERT OR REPLACE INTO level VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    generation, span_ms, tank, start_ms, row.depth_m, row.on_hand_m3, row.closing_m3,
                    row.u_noise_m3, row.u_scale_m3, row.n, row.worst,
                ),
            )  # fmt: skip

    def _write_level_days(self, generation: int, tank: str, days: Sequence[tuple[int, int]]) -> None:
        for start, end in days:
            if _off_the_hour(start, end):
                self._write_level_day(generation, tank, start, end)
                continue
            rows = self._connection.execute(
                "SELECT depth, on_hand, closing, u_noise, u_scale, n, worst FROM level "
                "WHERE gen = ? AND span = ? AND tank = ? AND start >= ? AND start < ? ORDER BY start",
                (generation, HOUR_MS, tank, start, end),
            ).fetchall()
            if rows:
                self._connection.execute(
                    "INSERT OR REPLACE INTO level VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    (generation, DAY_MS, tank, start, *_day(rows)),
                )

    def _write_level_day(self, generation: int, tank: str, start: int, end: int) -> None:
        """A day of a zone that stands off the hour, measured from the raw rows between its midnights."""
        if start >= self._raw_from:
            raw = self._raw(start - AROUND_MS - MARGIN_MS, end + MARGIN_MS)
            record, level = self._record(), self._levels[tank]
            told = told_of(level.tank, self._site.instruments_of(tank), notes_on_levels(record.reader, end))
            found = history(replace(level, told=told), self._points(raw), start, end, record)
            self._write_level(generation, DAY_MS, tank, start, found)


def _off_the_hour(start_ms: int, end_ms: int) -> bool:
    """Whether a local day begins or ends inside an hour of UTC, as in zones with half or quarter hours."""
    return bool(start_ms % HOUR_MS or end_ms % HOUR_MS)


def _between(rows: Sequence[Raw], start_ms: int, end_ms: int) -> Sequence[Raw]:
    """Rows in time order with start <= time < end."""
    return rows[bisect_left(rows, (start_ms,)) : bisect_left(rows, (end_ms,))]


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
