"""Reading the store: short read-only looks, beside the writer, one instance a thread."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any, Self

from holdwater.errors import StoreError
from holdwater.store import steps
from holdwater.store.connect import STORE_NAME, connect
from holdwater.store.digits import unpack
from holdwater.store.rows import (
    HOUR_MS,
    ForecastRow,
    LevelRow,
    NoteRow,
    NoticeLife,
    NoticeStepRow,
    ReadingRow,
    RollRow,
)
from holdwater.units import wire_unit

PAGE = 5000
"""Rows fetched by one statement: a reader never holds the log open longer than that."""


def open_reader(folder: Path) -> Reader:
    """Open the store of a folder for reading.

    Raises:
        StoreError: there is no store, or a newer holdwater wrote it.
    """
    path = folder / STORE_NAME
    if not path.exists():
        raise StoreError(
            "there is no store here yet", expected=f"a file {STORE_NAME}", where=str(folder),
            do="start holdwater run once, or holdwater replay a recording into this folder",
        )  # fmt: skip
    return Reader(connect(path, read_only=True), str(path))


def step_of(folder: Path) -> int | None:
    """The newest schema step that ran on the store of a folder; None when there is no store. Changes nothing.

    Raises:
        StoreError: it cannot be read.
    """
    path = folder / STORE_NAME
    if not path.exists():
        return None
    with closing(connect(path, read_only=True)) as connection:
        return steps.current(connection)


class Reader:
    """Readings, roll-ups, levels, notes and notices of a store, in SI and ms UTC."""

    def __init__(self, connection: sqlite3.Connection, path: str) -> None:
        self._connection = connection
        at = steps.current(connection)
        if at != len(steps.STEPS):
            connection.close()
            raise StoreError(
                f"this store has step {at}", expected=f"step {len(steps.STEPS)}", where=path,
                do="start holdwater run once: it brings the store up to date"
                if at < len(steps.STEPS) else "install the newer holdwater that wrote it",
            )  # fmt: skip

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the connection."""
        self._connection.close()

    def _all(self, sql: str, *args: Any) -> list[Any]:
        return self._connection.execute(sql, args).fetchall()

    def rows(self, sql: str, *args: Any) -> list[Any]:
        """All rows of one short statement; for those who know the schema as well as we do."""
        return self._all(sql, *args)

    def series_ids(self, series: str) -> list[tuple[int, str, int]]:
        """(id, unit, digits) of a series `node:quantity`; one for each unit it ever came in."""
        node, _, quantity = series.partition(":")
        return self._all(
            "SELECT s.id, s.unit, s.digits FROM series s JOIN node n ON n.id = s.node WHERE n.name = ? AND s.quantity = ?",
            node,
            quantity,
        )

    def series(self) -> list[tuple[str, str]]:
        """All series as (`node:quantity`, unit)."""
        return self._all(
            "SELECT n.name || ':' || s.quantity, s.unit FROM series s JOIN node n ON n.id = s.node ORDER BY 1, 2"
        )

    def readings(self, series: str, start_ms: int, end_ms: int) -> Iterator[ReadingRow]:
        """Raw readings of a series with start <= time < end, in time order, in SI."""
        found = {each: (wire_unit(unit), digits) for each, unit, digits in self.series_ids(series)}
        for ts, number, value, flag in self._pages(list(found), start_ms, end_ms):
            unit, digits = found[number]
            yield ReadingRow(ts, unit.to_si(unpack(value, digits, flag)), flag)

    def received(self, series: str, start_ms: int, end_ms: int) -> Iterator[tuple[int, float, str, int]]:
        """Raw readings as received: (time, value, unit, flag)."""
        found = {each: (unit, digits) for each, unit, digits in self.series_ids(series)}
        for ts, number, value, flag in self._pages(list(found), start_ms, end_ms):
            unit, digits = found[number]
            yield ts, unpack(value, digits, flag), unit, flag

    def _pages(self, ids: list[int], start_ms: int, end_ms: int) -> Iterator[tuple[int, int, float, int]]:
        if not ids:
            return
        marks = ",".join("?" * len(ids))
        after, last = start_ms, -1
        while True:
            rows = self._all(
                f"SELECT ts, series, value, flag FROM reading WHERE (ts, series) > (?, ?) AND ts < ? AND series IN ({marks}) "
                f"ORDER BY ts, series LIMIT {PAGE}",
                after, last, end_ms, *ids,
            )  # fmt: skip
            yield from rows
            if len(rows) < PAGE:
                return
            after, last = rows[-1][0], rows[-1][1]

    def rolls(self, series: str, span_ms: int, start_ms: int, end_ms: int) -> list[RollRow]:
        """Roll-ups of a series, in SI."""
        rows: list[RollRow] = []
        for number, name, _ in self.series_ids(series):
            to_si = wire_unit(name).to_si
            rows += [
                RollRow(start, to_si(lo), to_si(mean), to_si(hi), n, 0)
                for start, lo, mean, hi, n in self._all(
                    "SELECT start, lo, mean, hi, n FROM roll WHERE span = ? AND series = ? AND start >= ? AND start < ? ORDER BY start",
                    span_ms, number, start_ms, end_ms,
                )
            ]  # fmt: skip
        return sorted(rows, key=lambda row: row.start_ms)

    def hours_before(self, series: str, before_ms: int) -> Iterator[RollRow]:
        """Rolled-up hours of a series that began before a time, newest first, in SI."""
        found = {each: wire_unit(unit) for each, unit, _ in self.series_ids(series)}
        marks = ",".join("?" * len(found))
        while found:
            rows = self._all(
                f"SELECT start, series, lo, mean, hi, n FROM roll WHERE span = ? AND series IN ({marks}) AND start < ? "
                "ORDER BY start DESC, series LIMIT 48",
                HOUR_MS, *found, before_ms,
            )  # fmt: skip
            for start, number, lo, mean, hi, n in rows:
                to_si = found[number].to_si
                yield RollRow(start, to_si(lo), to_si(mean), to_si(hi), n, 0)
            if len(rows) < 48:
                return
            before_ms = rows[-1][0]

    def level_notes(self, before_ms: int) -> list[tuple[str, int, dict[str, object]]]:
        """Notes before a time that change levels, in order of time: hand dips, links shut and opened; (kind, at, body)."""
        rows = self._all(
            "SELECT kind, at, body FROM note WHERE kind IN ('dip', 'link shut', 'link open') AND at < ? "
            "AND id NOT IN (SELECT replaces FROM note WHERE replaces IS NOT NULL) ORDER BY at, id",
            before_ms,
        )
        return [(kind, at, json.loads(body)) for kind, at, body in rows]

    def levels(self, tank: str, span_ms: int, start_ms: int, end_ms: int) -> list[LevelRow]:
        """Levels of a tank by hour or local day (of the live generation)."""
        return [
            LevelRow(*row)
            for row in self._all(
                "SELECT start, depth, on_hand, u_noise, u_scale, worst FROM level "
                "WHERE gen = (SELECT value FROM meta WHERE key = 'generation') "
                "AND span = ? AND tank = ? AND start >= ? AND start < ? ORDER BY start",
                span_ms, tank, start_ms, end_ms,
            )
        ]  # fmt: skip

    def notes(self, start_ms: int, end_ms: int) -> list[NoteRow]:
        """Notes of the household that are still in force (a note that replaces another hides it)."""
        rows = self._all(
            "SELECT id, uid, at, made, kind, body FROM note WHERE at >= ? AND at < ? "
            "AND id NOT IN (SELECT replaces FROM note WHERE replaces IS NOT NULL) ORDER BY at, id",
            start_ms, end_ms,
        )  # fmt: skip
        return [NoteRow(row[0], row[1], row[2], row[3], row[4], json.loads(row[5])) for row in rows]

    def notices(self, start_ms: int, end_ms: int) -> list[NoticeStepRow]:
        """Steps of notices, with the words as told."""
        rows = self._all(
            "SELECT s.notice, s.n, n.kind, n.subject, s.severity, s.at, s.state, s.short, s.long "
            "FROM notice_step s JOIN notice n ON n.id = s.notice "
            "WHERE s.at >= ? AND s.at < ? ORDER BY s.at, s.notice, s.n",
            start_ms,
            end_ms,
        )
        return [NoticeStepRow(*row) for row in rows]

    def lives(self, start_ms: int) -> list[NoticeLife]:
        """Notices of which anything was told since a time, each with all its steps; the newest first."""
        rows = self._all(
            "SELECT id, kind, subject, state, since, seen FROM notice "
            "WHERE id IN (SELECT notice FROM notice_step WHERE at >= ?) ORDER BY id DESC",
            start_ms,
        )
        return [NoticeLife(*row[:6], self._steps_of(row[0]), self._told(row[0])) for row in rows]  # type: ignore[call-arg]

    def _steps_of(self, notice: int) -> tuple[NoticeStepRow, ...]:
        rows = self._all(
            "SELECT s.notice, s.n, n.kind, n.subject, s.severity, s.at, s.state, s.short, s.long "
            "FROM notice_step s JOIN notice n ON n.id = s.notice WHERE s.notice = ? ORDER BY s.n",
            notice,
        )
        return tuple(NoticeStepRow(*row) for row in rows)

    def _told(self, notice: int) -> tuple[tuple[str, str], ...]:
        """What became of a notice on each channel; found by the range of its keys, since the outbox only grows."""
        store = self._connection.execute("SELECT value FROM meta WHERE key = 'store'").fetchone()[0]
        rows = self._all(
            "SELECT channel, state FROM outbox WHERE key >= ? AND key < ?", f"{store}:{notice}:", f"{store}:{notice};"
        )
        rank = ("sent", "refused", "waiting")
        worst: dict[str, str] = {}
        for channel, state in rows:
            if state == "spared":
                continue  # nothing of it had to go there
            plain = state if state in rank else "sent"
            worst[channel] = max(worst.get(channel, "sent"), plain, key=rank.index)
        return tuple(sorted(worst.items()))

    def forecasts(self, start_ms: int, end_ms: int) -> list[ForecastRow]:
        """Words as told and what came of them, issued at start <= time < end, oldest first."""
        rows = self._all(
            "SELECT kind, subject, issued, target, body FROM forecast WHERE issued >= ? AND issued < ? ORDER BY issued, id",
            start_ms, end_ms,
        )  # fmt: skip
        return [ForecastRow(*row) for row in rows]

    def models(self, kind: str) -> list[tuple[str, int, bytes]]:
        """What was learned, of one kind: (subject, time it reaches, body)."""
        return self._all("SELECT subject, through, body FROM model WHERE kind = ? ORDER BY subject", kind)

    def newest_ms(self) -> int | None:
        """Time of the newest reading."""
        return self._connection.execute("SELECT max(ts) FROM reading").fetchone()[0]  # type: ignore[no-any-return]

    def newest_of(self, series: str) -> int | None:
        """Time of the newest reading of a series."""
        found = []
        for number, _, _ in self.series_ids(series):
            start = self._all("SELECT coalesce(max(start), 0) FROM roll WHERE span = 3600000 AND series = ?", number)[
                0
            ][0]
            found += [
                row[0]
                for row in self._all("SELECT max(ts) FROM reading WHERE ts >= ? AND series = ?", start, number)
                if row[0] is not None
            ]
        return max(found, default=None)

    def oldest_ms(self) -> int | None:
        """Time of the oldest reading."""
        return self._connection.execute("SELECT min(ts) FROM reading").fetchone()[0]  # type: ignore[no-any-return]

    def nodes(self) -> list[tuple[str, str, int | None]]:
        """Nodes as (name, state, when last heard)."""
        return self._all("SELECT name, state, heard_ms FROM node ORDER BY name")

    def counts(self) -> dict[str, int]:
        """What was stored, dropped, refused, by name."""
        return dict(self._all("SELECT name, n FROM count ORDER BY name"))

    def configs(self) -> list[tuple[int, str]]:
        """Configs as (valid from, text), oldest first."""
        return self._all("SELECT from_ms, body FROM config ORDER BY id")

    def quarantine(self, most: int) -> list[tuple[int, int, bytes, bytes, str]]:
        """Newest quarantined messages: (id, at, topic, payload, reason)."""
        return self._all("SELECT id, at, topic, payload, reason FROM quarantine ORDER BY id DESC LIMIT ?", most)

    def digest(self) -> str:
        """Checksum over the tables that matter, to compare two stores row by row."""
        import hashlib  # noqa: PLC0415 -- only replay asks for it

        found = hashlib.sha256()
        for table in ("series", "run", "reading", "roll", "level", "note", "notice", "notice_step", "quarantine"):
            for row in self._connection.execute(f"SELECT * FROM {table} ORDER BY 1, 2, 3, 4"):
                found.update(repr(row).encode())
        return found.hexdigest()
