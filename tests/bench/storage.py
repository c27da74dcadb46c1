"""Rows 8, 9, 11, growth, and the season's replay: what is kept, and how fast it is found again."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from bench.bench_run import HOUR_MS, Bench, site_of_copies
from bench.figures import Bound, Figure, middle
from bench.live import SETTLE_S
from bench.measured import ours
from bench.naive import INSERT, TABLE
from bench.season import SERIES, minutes
from holdwater.replay import Replay
from holdwater.sitefile import open_site
from holdwater.store.reader import open_reader
from holdwater.store.writer import Store

DAY_MS = 24 * HOUR_MS
POINTS = 1000


def timed(work: Callable[[], object], repeats: int) -> tuple[float, float]:
    """Median milliseconds and spread; the first time is not counted."""
    work()
    found = []
    for _ in range(repeats):
        begin = time.perf_counter()
        work()
        found.append((time.perf_counter() - begin) * 1000)
    return middle(found)


def naive_store(path: Path, days: int, start_ms: int) -> int:
    """The naive script's file with the same readings, written in one transaction to save an hour; its size."""
    with closing(sqlite3.connect(path)) as database:
        database.execute(TABLE)
        names = [f"{node}:{name}" for node, name, _ in SERIES]
        for at_ms, values in minutes(days, start_ms):
            database.executemany(
                INSERT, [(at_ms / 1000, name, value) for name, value in zip(names, values, strict=True)]
            )
        database.commit()
    return path.stat().st_size


def rows_8_9_11(bench: Bench) -> list[Figure]:
    """Replay, size, season query, latest of all."""
    season = bench.season()
    count, days = season["readings"], season["start_ms"]
    path = bench.sub("naive-season") / "naive.db"
    naive_bytes = naive_store(path, bench.days, days) / count
    return [
        Figure(
            "8", "bytes stored a reading, indexes and roll-ups included", "B", season["store_bytes"] / count, naive_bytes, 16.0,
            Bound(24), Bound(20),
            note=f"{count:,} readings of {bench.days} days in {season['store_bytes'] / 1e6:.1f} MB; floor: a time and a number",
        ),
        *_replay_figures(season, count, bench.days),
        _season_query(bench, path, season["start_ms"]),
        _latest(bench, path),
    ]  # fmt: skip


def _replay_figures(season: dict[str, float], count: int, days: int) -> list[Figure]:
    note = f"{count:,} readings, {days} days, three packs a minute; wall clock {season['seconds']:.0f} s"
    scale = 1_382_400 / count
    return [
        Figure(
            "replay", "processor time to replay 1,382,400 readings", "s", season["cpu_s"] * scale, aim=Bound(60),
            note=note + ("" if scale == 1 else f"; scaled by {scale:.0f}"),
        ),
        Figure("replay", "most memory of it", "MiB", season["peak_mib"]),
    ]  # fmt: skip


def _season_query(bench: Bench, naive_path: Path, start_ms: int) -> Figure:
    end_ms = start_ms + bench.days * DAY_MS
    with (
        open_reader(bench.season()["store"]) as reader,
        closing(sqlite3.connect(f"file:{naive_path}?mode=ro", uri=True)) as naive,
        closing(sqlite3.connect(f"file:{bench.season()['store']}/store.db?mode=ro", uri=True)) as bare,
    ):
        series = reader.series_ids("drinking:pressure")[0][0]

        def plain() -> object:
            query = "SELECT ts, value FROM reading WHERE series = ? AND ts >= ? AND ts < ?"
            rows = naive.execute(query, ("drinking:pressure", start_ms / 1000, end_ms / 1000)).fetchall()
            return rows[:: max(1, len(rows) // POINTS)]

        def least() -> object:
            query = "SELECT start, mean FROM roll WHERE span = ? AND series = ? AND start >= ? AND start < ?"
            return bare.execute(query, (HOUR_MS, series, start_ms, end_ms)).fetchall()

        repeats = bench.pick(5, 9)
        ours, spread = timed(lambda: reader.levels("drinking", HOUR_MS, start_ms, end_ms), repeats)
        return Figure(
            "9", "season query, one series, store side", "ms", ours, timed(plain, repeats)[0], timed(least, repeats)[0],
            Bound(0.1, "ratio"), Bound(1 / 40, "ratio"), spread,
            f"hours of a tank's level over {bench.days} days; naive: all readings, thinned to {POINTS}",
        )  # fmt: skip


def _latest(bench: Bench, naive_path: Path) -> Figure:
    site = open_site(bench.season()["folder"] / "site.toml", {})
    store = Store(site.store.folder)
    try:
        newest_ms = store.connection.execute("SELECT max(ts) FROM reading").fetchone()[0]
        picture = Replay(site, store, newest_ms).loop.picture
        if len(picture.series()) != len(SERIES):
            raise RuntimeError("not all series are in the picture")
        ours, spread = timed(picture.series, 25)
    finally:
        store.close()
    with closing(sqlite3.connect(f"file:{naive_path}?mode=ro", uri=True)) as naive:
        query = "SELECT series, max(ts), value FROM reading GROUP BY series"
        theirs, _ = timed(lambda: naive.execute(query).fetchall(), bench.pick(3, 5))
    return Figure(
        "11",
        "latest of all series",
        "ms",
        ours,
        theirs,
        None,
        Bound(1),
        Bound(0.2),
        spread,
        "the loop's own picture, as the page gets it",
    )


def _started(bench: Bench, store: Path, copies: int) -> tuple[float, float]:
    """Seconds until the service is ready on the store of so many households, and its resident memory then, MiB."""
    broker = bench.broker("growth")
    child = ours(bench.sub("growth"), broker.port, store=store, more=lambda text: site_of_copies(text, copies)).start()
    try:
        ready_s = child.wait_for("ready: ")
        child.wait_for("connected to")
        time.sleep(SETTLE_S)
        return ready_s, child.rss_mib()
    finally:
        child.end()
        broker.stop()


def growth(bench: Bench) -> list[Figure]:
    """Ten times the series, ten times the history: what grows."""
    days, copies = bench.pick((1, 5), (3, 10))
    short, long = bench.pick((1, 4), (12, 120))
    few, many = bench.replayed(days, 1), bench.replayed(days, copies)
    brief, full = bench.replayed(short, 1), bench.replayed(long, 1)
    repeats = bench.pick(5, 9)

    def query(of: dict[str, object], days_back: int) -> float:
        with open_reader(of["store"]) as reader:  # type: ignore[arg-type]
            newest = reader.newest_ms() or 0
            return timed(lambda: reader.levels("drinking", HOUR_MS, newest - days_back * DAY_MS, newest + 1), repeats)[
                0
            ]

    def each(of: dict[str, object], cost: str) -> float:
        return float(of[cost]) / float(of["readings"])  # type: ignore[arg-type]

    times, more = f"{copies}x series", f"{long // short}x history"
    small = "in the column of the naive script stands holdwater itself at the smaller size"
    per_s = each(many, "cpu_s") * 1000, each(few, "cpu_s") * 1000
    bytes_each = each(full, "store_bytes"), each(brief, "store_bytes")
    same, tenth, little = Bound(1.0, "ratio"), Bound(1.1, "ratio"), Bound(1.05, "ratio")
    last = query(full, short), query(brief, short)
    memory = _started(bench, many["store"], copies)[1], _started(bench, few["store"], 1)[1]
    ready = tuple(middle([_started(bench, each["store"], 1)[0] for _ in range(3)])[0] for each in (full, brief))
    return [
        Figure("growth", f"{times}: season query", "ms", query(many, days), query(few, days), must=tenth, note=small),
        Figure("growth", f"{times}: processor time a reading", "ms", *per_s, must=same, note=f"replay of {days} days"),
        Figure(
            "growth", f"{times}: memory of the service", "MiB", *memory, must=tenth, note="no page, after its start"
        ),
        Figure("growth", f"{more}: query of the last {short} days", "ms", *last, must=little),
        Figure("growth", f"{more}: bytes a reading", "B", *bytes_each, must=little),
        Figure("growth", f"{more}: start to ready", "s", *ready, must=tenth, note="median of 3"),
    ]
