"""The frost in the service's own loop: notices of a freeze week, however it is batched, over restarts, and without air."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from random import Random

import pytest

from holdwater.config.exposures import Exposure
from holdwater.config.site import Site
from holdwater.events import Message, Request
from holdwater.recording import Line
from holdwater.replay import Replay
from holdwater.store.writer import Store
from place import HOUR_MS, make_site, payload, pressure

START_MS = round(datetime(2026, 9, 10, 6, tzinfo=UTC).timestamp() * 1000)  # midnight in Denver
LOWS_F = {33: 29.0, 34: 24.0, 35: 19.0, 36: 17.0, 37: 21.0, 38: 26.0, 39: 30.0}  # 13 to 19 October
STEP_MS = HOUR_MS // 2
SPIGOTS = {
    "garden-spigot": Exposure("garden-spigot", "spigot", sky="roof"),
    "cabin-spigot": Exposure("cabin-spigot", "spigot", sky="roof"),
}


def site_of(folder: Path, **changes: object) -> Site:
    return replace(make_site(folder), latitude=37.6, longitude=-105.0, air_series="a:air", exposures=SPIGOTS, **changes)


def low_c(day: int) -> float:
    """Lowest air of a night: 46F falling to 40F in a month, then the freeze week, then 40F."""
    return ((LOWS_F[day] if day in LOWS_F else max(40.0, 50.0 - day / 3)) - 32) / 1.8


def air(days: int, seed: int = 1) -> Iterator[tuple[int, float]]:
    """Half-hourly air that is lowest at sunrise (6:30), 9 degC warmer in the afternoon."""
    chance = Random(seed)
    for at_ms in range(START_MS, START_MS + days * 24 * HOUR_MS, STEP_MS):
        hours = (at_ms - START_MS) / HOUR_MS - 6.5
        day, share = math.floor(hours / 24), hours / 24 % 1
        low, after = low_c(day), low_c(day + 1)
        rise = math.sin(math.pi * min(share / 0.36, 1.0) / 2) if share < 0.36 else 1 - ((share - 0.36) / 0.64) ** 0.5
        base = low if share < 0.36 else after
        yield at_ms, base + rise * (max(low, after) + 9.0 - base) + chance.gauss(0.0, 0.2)


def line(at_ms: int, air_c: float | None, *more: tuple[str, str, float]) -> Line:
    records = [] if air_c is None else [("air", "Cel", round(air_c, 2))]
    text = payload(("pressure", "Pa", pressure(1.0)), *records, *more, t_s=at_ms / 1000)
    return Line(at_ms, Message("water/node/a/readings", text.encode(), at_ms, 0.0))


def note(at_ms: int, kind: str, exposure: str) -> Line:
    return Line(at_ms, Request("note", {"kind": kind, "exposure": exposure, "at_ms": at_ms}))


def week(days: int = 46, notes: dict[int, tuple[str, str]] | None = None) -> list[Line]:
    """The recording of a freeze week after a month of mild nights, with notes by hour since the start."""
    lines = [line(at_ms, air_c) for at_ms, air_c in air(days)]
    lines += [note(START_MS + hour * HOUR_MS + 1, *said) for hour, said in (notes or {}).items()]
    return sorted(lines, key=lambda each: each.at_ms)


def run(site: Site, folder: Path, lines: list[Line], every: int = 0) -> Store:
    """Feed a recording; the store stays open."""
    store = Store(folder)
    running = Replay(site, store, lines[0].at_ms)
    for count, each in enumerate(lines, 1):
        running.feed(each)
        if every and count % every == 0:
            running.loop.commit()
    running.finish()
    assert running.refused == []
    return store


def steps(store: Store, kind: str, subject: str = "air") -> list[tuple[str, datetime, str]]:
    rows = store.connection.execute(
        "SELECT s.state, s.reading_ts, s.short FROM notice_step s JOIN notice n ON n.id = s.notice "
        "WHERE n.kind = ? AND n.subject = ? ORDER BY s.reading_ts",
        (kind, subject),
    ).fetchall()
    store_zone = make_site(Path("x")).timezone
    return [(state, datetime.fromtimestamp(at / 1000, store_zone), short) for state, at, short in rows]


DRAINED = {33 * 24 + 17: ("drained", "garden-spigot"), 34 * 24 + 16: ("drained", "cabin-spigot")}


@pytest.fixture(scope="module")
def freeze_week(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """The store after the freeze week."""
    folder = tmp_path_factory.mktemp("week")
    store = run(site_of(folder), folder / "store", week(notes=DRAINED))
    yield store
    store.close()


@pytest.mark.slow
def test_a_freeze_week_is_one_notice_with_a_line_each_morning(freeze_week: Store) -> None:
    """Called on the evening before the first cold night, seven mornings, ticked off once, over once: not forty."""
    said = steps(freeze_week, "freeze-tonight")
    assert said[0][0] == "active"
    assert "freeze tonight" in said[0][2].lower()
    assert said[0][1].day == 12
    assert 15 <= said[0][1].hour <= 21
    mornings = [at.day for _, at, text in said if text.startswith("Night over")]
    assert mornings == [13, 14, 15, 16, 17, 18, 19]
    assert sum(text.startswith("Ticked off") for _, _, text in said) == 1
    assert [state for state, _, _ in said].count("clear") == 1
    assert said[-1][2].startswith("Cold spell over")
    assert len(said) <= 11
    ids = freeze_week.connection.execute("SELECT count(*) FROM notice WHERE kind = 'freeze-tonight'").fetchone()
    assert ids == (1,)


@pytest.mark.slow
def test_what_holds_water_is_told_as_iced_and_what_is_drained_is_not(freeze_week: Store) -> None:
    """The first cold night found both full; the cabin's was drained a day later. Each is told once."""
    for name in SPIGOTS:
        said = steps(freeze_week, "icing", name)
        assert [state for state, _, _ in said] == ["active", "clear"], said
        assert said[0][1].day in (13, 14)
        assert "Ice likely" in said[0][2]


@pytest.mark.slow
def test_the_thaw_is_watched_in_one_notice_and_the_rules_hear_of_it(freeze_week: Store) -> None:
    """From the first hour above 34F; daily thaws do not repeat it."""
    said = steps(freeze_week, "thaw-watch")
    assert [state for state, _, _ in said] == ["active", "clear"], said
    assert said[0][1].day == 13
    assert 8 <= said[0][1].hour <= 13


@pytest.mark.slow
def test_what_came_is_stored_when_the_night_is_over_beside_what_was_told(freeze_week: Store) -> None:
    """One row a night; never two; the words of afternoon and evening say what they mean for each exposure."""
    run = freeze_week.connection.execute
    nights = [body for (body,) in run("SELECT body FROM forecast WHERE kind = 'night came' ORDER BY id")]
    assert len(nights) == len(set(nights)) >= 44
    told = run("SELECT count(*) FROM forecast WHERE body LIKE '%\"spots\"%'").fetchone()[0]
    assert told == 2 * 46


@pytest.mark.slow
def test_neither_batches_nor_a_restart_change_a_word_or_a_notice(tmp_path: Path, freeze_week: Store) -> None:
    """Committed every 7 events, and stopped and started in the middle of the coldest night: the same rows."""

    def rows(store: Store) -> list[object]:
        run = store.connection.execute
        return [
            run("SELECT kind, subject, issued, target, body FROM forecast ORDER BY id").fetchall(),
            run(
                "SELECT n.kind, n.subject, s.n, s.reading_ts, s.short FROM notice_step s JOIN notice n ON n.id = s.notice "
                "WHERE n.kind IN ('freeze-tonight', 'icing', 'thaw-watch') ORDER BY s.reading_ts, n.kind, n.subject"
            ).fetchall(),
            run("SELECT subject, through, body FROM model WHERE kind IN ('night', 'frost') ORDER BY kind, subject").fetchall(),
        ]  # fmt: skip

    lines = week(notes=DRAINED)
    cut = next(at for at, each in enumerate(lines) if each.at_ms > START_MS + 36 * 24 * HOUR_MS + 3 * HOUR_MS)
    site = site_of(tmp_path)
    run(site, tmp_path / "store", lines[:cut], every=7).close()
    store = run(site, tmp_path / "store", lines[cut:], every=7)
    found, whole = rows(store), rows(freeze_week)
    store.close()
    assert found[0] == whole[0]
    assert found[1] == whole[1]
    assert found[2] == whole[2]


@pytest.mark.slow
def test_without_air_in_the_afternoon_it_is_said_that_nothing_can_be_told(tmp_path: Path) -> None:
    """The sensor dies on a cold morning: by 16:00 a line, once however long it lasts; the notice stays on."""
    dead_ms = START_MS + 36 * 24 * HOUR_MS + 10 * HOUR_MS
    lines = [replace(each) for each in week(40)]
    alive = [each for each in lines if each.at_ms < dead_ms]
    silent = [line(at_ms, None) for at_ms in range(dead_ms, dead_ms + 60 * HOUR_MS, STEP_MS)]
    store = run(site_of(tmp_path), tmp_path / "store", alive + silent)
    blind = [(at, text) for _, at, text in steps(store, "freeze-tonight") if text.startswith("Cannot tell")]
    store.close()
    assert len(blind) == 1
    assert blind[0][0].hour in (15, 16)
    assert "no outside air since 9:30am" in blind[0][1]


@pytest.mark.slow
def test_in_a_mild_month_nobody_is_called(tmp_path: Path) -> None:
    """From the very first night on, while the forecast has learned nothing yet: nights of 40F and more."""
    store = run(site_of(tmp_path), tmp_path / "store", week(30))
    found = store.connection.execute("SELECT kind FROM notice WHERE kind <> 'silent'").fetchall()
    store.close()
    assert found == []


@pytest.mark.slow
def test_an_iced_level_sensor_is_in_doubt_and_not_low(tmp_path: Path) -> None:
    """Its tank's level is unknown with the reason while ice is reckoned in it; it is known again after the thaw."""
    sensor = {
        "well-sensor": Exposure("well-sensor", "sensor", tank="main", bore_m=0.00635, outside_m=0.012, length_m=0.03)
    }
    site = replace(site_of(tmp_path), exposures=sensor)
    store = run(site, tmp_path / "store", week(46))
    said = steps(store, "in-doubt", "main")
    low = store.connection.execute("SELECT count(*) FROM notice WHERE kind = 'low'").fetchone()
    store.close()
    assert said
    assert "ice at the sensor is likely" in said[0][2]
    assert said[-1][0] == "clear"
    assert low == (0,)
