"""What the mirror reads of the store: hours and their checksums, raw rows by the page, levels. Read only, nothing held open."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, Self

from holdwater.mirror.lines import LevelHour, SeriesRow
from holdwater.store.reader import Reader, open_reader
from holdwater.store.rows import HOUR_MS

PAGE = 5000
"""Rows fetched by one statement: nothing is held open while a request is under way."""

Row = tuple[int, int, float, int]


class Source:
    """The store of a folder, for the mirror.

    Args:
        folder: the store's folder.

    Raises:
        StoreError: there is no store yet, or it is of another version.
    """

    def __init__(self, folder: Path) -> None:
        self._reader: Reader = open_reader(folder)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._reader.close()

    def _all(self, sql: str, *args: Any) -> list[Any]:
        return self._reader.rows(sql, *args)

    def series(self) -> dict[int, SeriesRow]:
        """All series by the store's number."""
        rows = self._all("SELECT s.id, n.name, s.quantity, s.unit, s.digits FROM series s JOIN node n ON n.id = s.node")
        return {row[0]: SeriesRow(*row[1:]) for row in rows}

    def bounds(self) -> tuple[int, int] | None:
        """First and last hour of raw readings; None when there is none."""
        oldest, newest = self._reader.oldest_ms(), self._reader.newest_ms()
        if oldest is None or newest is None:
            return None
        return oldest - oldest % HOUR_MS, newest - newest % HOUR_MS

    def newest_ms(self) -> int:
        """Time of the newest reading; -1 when there is none."""
        return -1 if (newest := self._reader.newest_ms()) is None else newest

    def raw_from(self) -> int:
        """From when on raw readings are kept; 0 while none were given up."""
        row = self._all("SELECT value FROM meta WHERE key = 'raw_from'")
        return int(row[0][0]) if row else 0

    def dirty(self) -> set[int]:
        """Hours that are not rolled up as they stand: what is in them is counted by looking."""
        return {row[0] for row in self._all("SELECT DISTINCT hour FROM dirty WHERE task = 'roll'")}

    def rolled(self, start_ms: int, end_ms: int) -> list[tuple[int, int, int, int]]:
        """(hour, series, number of readings, checksum) of hours that were rolled up, in no order."""
        found: list[tuple[int, int, int, int]] = []
        for (series,) in self._all("SELECT id FROM series"):  # the key begins with the series: each is one short walk
            found += self._all(
                "SELECT start, series, n, crc FROM roll WHERE span = ? AND series = ? AND start >= ? AND start < ?",
                HOUR_MS, series, start_ms, end_ms,
            )  # fmt: skip
        return found

    def rows(self, start_ms: int, end_ms: int) -> Iterator[Row]:
        """Raw rows (time, series, stored value, flag) in order of time and series."""
        after, last = start_ms, -1
        while True:
            page = self._all(
                f"SELECT ts, series, value, flag FROM reading WHERE (ts, series) > (?, ?) AND ts < ? ORDER BY ts, series LIMIT {PAGE}",
                after, last, end_ms,
            )  # fmt: skip
            yield from page
            if len(page) < PAGE:
                return
            after, last = page[-1][0], page[-1][1]

    def count(self, start_ms: int, end_ms: int) -> int:
        """Number of raw readings of a span."""
        return int(self._all("SELECT count(*) FROM reading WHERE ts >= ? AND ts < ?", start_ms, end_ms)[0][0])

    def first_level_hour(self, tanks: Iterable[str]) -> int | None:
        """The oldest hour with a level; levels stay when raw readings go."""
        sql = f"SELECT min(start) FROM level WHERE {_LIVE} AND tank = ?"
        found = [self._all(sql, HOUR_MS, tank)[0][0] for tank in tanks]
        return min((each for each in found if each is not None), default=None)

    def levels(self, tanks: Iterable[str], start_ms: int, end_ms: int) -> list[LevelHour]:
        """Hours of tanks, a tank after the other, each in order of time."""
        sql = (
            "SELECT start, tank, depth, on_hand, closing, u_noise, u_scale, n, worst FROM level "
            f"WHERE {_LIVE} AND tank = ? AND start >= ? AND start < ? ORDER BY start"
        )
        return [LevelHour(*row) for tank in tanks for row in self._all(sql, HOUR_MS, tank, start_ms, end_ms)]


_LIVE = "gen = (SELECT value FROM meta WHERE key = 'generation') AND span = ?"
