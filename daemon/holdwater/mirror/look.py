"""What waits: hours in which the store holds something else than the server has taken, and their points in order."""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from holdwater.mirror.lines import Heads, LevelHour, SeriesRow, level_line, reading_line
from holdwater.mirror.marks import Mark, Marks, Moved, Refusal
from holdwater.mirror.source import Source
from holdwater.store.digits import unpack
from holdwater.store.roll import checksum
from holdwater.store.rows import DAY_MS, HOUR_MS
from holdwater.units import wire_unit

NEAR_MS = 2 * DAY_MS
"""How far back each look goes; everything older is looked at once an hour."""

MOST_AT_ONCE = 20_000
"""Hours times series compared at once in a look at everything: bounds the memory."""

GONE = "gone here (store.keep_raw) before the server took it"
START = Mark(0, -1, 0)


class Entry(NamedTuple):
    """One point to send, and how its mark moves once it is taken; without a line it is no point that any server takes."""

    line: bytes | None
    ts_ms: int
    moved: Moved


class Look:
    """Compares the store with the marks.

    Args:
        source: the store.
        marks: what the server has taken.
        heads: measurement and tags.
        tanks: tanks whose levels go too.
    """

    def __init__(self, source: Source, marks: Marks, heads: Heads, tanks: Iterable[str]) -> None:
        self._source = source
        self._marks = marks
        self._heads = heads
        self._tanks = tuple(tanks)
        self._series: dict[int, tuple[int, SeriesRow]] = {
            number: (marks.id_of(row.key), row) for number, row in source.series().items()
        }
        self._levels = {tank: marks.id_of(f"level:{tank}") for tank in self._tanks}
        self._dirty = source.dirty()
        self._newest_ms = source.newest_ms()
        self._raw_from = source.raw_from()
        kinds = 1 + len(self._series) + len(self._levels)
        self._stretch_ms = max(24, MOST_AT_ONCE // kinds) * HOUR_MS

    def near(self) -> dict[int, int]:
        """Hours of late, and how many readings and levels wait in each; hours that are not rolled up yet among them."""
        newest = self._newest_ms - self._newest_ms % HOUR_MS
        found = self._stretch(newest - NEAR_MS, newest + HOUR_MS)
        for hour in self._dirty:
            if hour >= self._raw_from and (count := self._waiting_in(hour)):
                found[hour] = found.get(hour, 0) + count
        return found

    def all(self) -> dict[int, int]:
        """Every hour with something that waits, and how much."""
        found: dict[int, int] = {}
        bounds, levels = self._source.bounds(), self._source.first_level_hour(self._tanks)
        first = min([each for each in (bounds and bounds[0], levels) if each is not None], default=None)
        if first is None:
            return found
        for start in range(first, self._newest_ms + HOUR_MS, self._stretch_ms):
            found |= self._stretch(start, start + self._stretch_ms)
        return found

    def _stretch(self, start_ms: int, end_ms: int) -> dict[int, int]:
        marks = self._marks.between(start_ms, end_ms)
        found: dict[int, int] = {}
        for hour, number, n, crc in self._source.rolled(max(start_ms, self._raw_from), end_ms):
            mark = marks.get((hour, self._series[number][0]), START) if number in self._series else START
            if (mark.n, mark.crc) != (n, crc) and hour not in self._dirty and number in self._series:
                found[hour] = found.get(hour, 0) + max(1, n - mark.n)
        for entry in self._level_entries(start_ms, end_ms, marks):
            found[entry.moved.hour] = found.get(entry.moved.hour, 0) + 1
        return found

    def _waiting_in(self, hour: int) -> int:
        taken = self._marks.between(hour, hour + HOUR_MS)
        ours = {number for number, _ in self._series.values()}
        return self._source.count(hour, hour + HOUR_MS) - sum(m.n for (_, each), m in taken.items() if each in ours)

    def given_up(self) -> None:
        """Drop the marks of hours whose raw readings the store has given up; what was never sent of them is remembered."""
        before = self._marks.meta("raw_from")
        if before == self._raw_from:
            return
        gone: list[Refusal] = []
        if before is not None:
            for start in range(int(before), self._raw_from, self._stretch_ms):
                gone += self._unsent(start, min(start + self._stretch_ms, self._raw_from))
        self._marks.drop(self._raw_from, (number for number, _ in self._series.values()), gone)

    def _unsent(self, start_ms: int, end_ms: int) -> Iterator[Refusal]:
        marks = self._marks.between(start_ms, end_ms)
        for hour, number, n, _ in self._source.rolled(start_ms, end_ms):
            ours = self._series[number][0]
            missing = n - marks.get((hour, ours), START).n
            if missing > 0:
                yield Refusal(ours, hour, hour + HOUR_MS - 1, missing, GONE, "")

    # -- points ----------------------------------------------------------------------------------------------------------------------

    def entries(self, hour: int) -> Iterator[Entry]:
        """Everything of an hour that waits: levels, then readings in order of time.

        Readings after those that were taken are added. Where one came late, before them, the hour of that series goes anew.
        """
        marks = self._marks.between(hour, hour + HOUR_MS)
        yield from self._level_entries(hour, hour + HOUR_MS, marks)
        if hour < self._raw_from:
            return
        after = self._begin(hour, marks)
        at: dict[int, Mark | None] = {}
        for ts, number, value, flag in self._source.rows(hour, hour + HOUR_MS) if after else ():
            ours, series = self._series[number]
            if ts <= after.get(ours, hour + HOUR_MS):
                continue
            held = marks.get((hour, ours))
            before = at.get(ours, held)
            base = START if ours not in at and after[ours] < 0 else (before or START)
            mark = at[ours] = Mark(base.n + 1, ts, checksum([(ts, value, flag)], base.crc))
            si = wire_unit(series.unit).to_si(unpack(value, series.digits, flag))
            yield Entry(reading_line(self._heads.reading(series, ts), si, ts), ts, Moved(hour, ours, before, mark))

    def _begin(self, hour: int, marks: dict[tuple[int, int], Mark]) -> dict[int, int]:
        """For each series with something to send: the time after which; -1 for the whole hour."""
        seen: dict[int, tuple[int, int]] = {}
        begin: dict[int, int] = {}
        for ts, number, value, flag in self._source.rows(hour, hour + HOUR_MS):
            if number not in self._series:
                continue  # heard of since we began: next time
            ours = self._series[number][0]
            n, crc = seen.get(ours, (0, 0))
            mark = marks.get((hour, ours), START)
            if ours not in begin and ts > mark.last_ms:
                begin[ours] = mark.last_ms if (n, crc) == (mark.n, mark.crc) else -1
            seen[ours] = (n + 1, checksum([(ts, value, flag)], crc))
        for ours, (n, crc) in seen.items():
            mark = marks.get((hour, ours), START)
            if ours not in begin and (n, crc) != (mark.n, mark.crc):
                begin[ours] = -1
        return begin

    def _level_entries(self, start_ms: int, end_ms: int, marks: dict[tuple[int, int], Mark]) -> Iterator[Entry]:
        for row in self._source.levels(self._tanks, start_ms, end_ms):
            if not self._settled(row):
                continue
            line = level_line(self._heads.level(row.tank), row)
            ours = self._levels[row.tank]
            before, after = marks.get((row.start_ms, ours)), Mark(1, row.start_ms, zlib.crc32(line))
            if before != after:
                yield Entry(line, row.start_ms, Moved(row.start_ms, ours, before, after))

    def _settled(self, row: LevelHour) -> bool:
        """An hour's last readings are judged by those that follow: its level goes when the hour after it is over, too."""
        hour = row.start_ms
        around = (hour - HOUR_MS, hour, hour + HOUR_MS)
        return hour + 2 * HOUR_MS <= self._newest_ms and not any(each in self._dirty for each in around)
