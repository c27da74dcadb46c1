"""Retention, generations of levels, a full disk: what the loop does when nothing else is due."""

import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from holdwater.replay import recompute, replay
from holdwater.store.reader import open_reader
from holdwater.store.rows import DAY_MS
from holdwater.store.upkeep import Ballast, prune
from holdwater.store.writer import Store
from place import HOUR_MS, MINUTE_MS, START_MS, make_site, reading, text_of

LINES = [reading(START_MS + n * 10 * MINUTE_MS, 1.3 - n / 2000) for n in range(6 * 72)]


def wider(folder: Path):
    from holdwater.sitefile import site_of

    return site_of(text_of(folder).replace('diameter = "42 in"', 'diameter = "84 in"'), "test.toml", {})


def levels(folder: Path, span: int = HOUR_MS):
    with open_reader(folder) as reader:
        return reader.levels("main", span, 0, START_MS * 2)


def test_raw_readings_go_when_the_newest_is_so_much_younger_and_levels_stay(tmp_path: Path) -> None:
    """Retention counts from the newest accepted reading, never from the wall clock."""
    site = make_site(tmp_path)
    replay(site, LINES, tmp_path)
    before = levels(tmp_path)
    store = Store(tmp_path)
    while prune(store.connection, LINES[-1].at_ms - DAY_MS):
        pass
    store.close()
    with open_reader(tmp_path) as reader:
        assert reader.oldest_ms() is not None
        assert LINES[-1].at_ms - DAY_MS - HOUR_MS <= reader.oldest_ms() <= LINES[-1].at_ms - DAY_MS
    assert levels(tmp_path) == before
    replay(site, LINES[-1:], tmp_path)
    assert levels(tmp_path) == before


@pytest.mark.slow
def test_a_corrected_tank_changes_the_past_by_itself(tmp_path: Path) -> None:
    """Geometry is a fact that was always so: a new generation of levels is built and flipped to; four times the area here."""
    replay(make_site(tmp_path), LINES, tmp_path)
    before = levels(tmp_path)
    replay(wider(tmp_path), LINES[-1:], tmp_path)
    after = levels(tmp_path)
    assert len(after) == len(before)
    assert all(
        new.on_hand_m3 == pytest.approx(4 * old.on_hand_m3, rel=1e-6) for old, new in zip(before, after, strict=True)
    )
    days = levels(tmp_path, DAY_MS)
    assert sum(day.on_hand_m3 for day in days) / len(days) == pytest.approx(
        sum(x.on_hand_m3 for x in after) / len(after), rel=0.05
    )
    with sqlite3.connect(tmp_path / "store.db") as connection:
        assert connection.execute("SELECT count(DISTINCT gen) FROM level").fetchone() == (1,)


@pytest.mark.slow
def test_levels_worked_out_anew_are_those_that_were_there(tmp_path: Path) -> None:
    """Recompute is the same pure function; and where raw readings are gone, the old levels stay."""
    site = make_site(tmp_path)
    replay(site, LINES, tmp_path)
    before = levels(tmp_path)
    assert recompute(site, tmp_path) == len(before)
    assert levels(tmp_path) == before
    store = Store(tmp_path)
    while prune(store.connection, LINES[-1].at_ms - DAY_MS):
        pass
    store.close()
    recompute(wider(tmp_path), tmp_path)
    after = levels(tmp_path)
    assert len(after) == len(before)
    assert after[0] == before[0]
    assert after[-1].on_hand_m3 == pytest.approx(4 * before[-1].on_hand_m3, rel=1e-6)


def test_the_ballast_is_made_given_up_and_made_again(tmp_path: Path) -> None:
    """What is freed on a full disk is there before it is full."""
    ballast = Ballast(tmp_path, 10_000)
    assert ballast.make()
    assert ballast.there
    assert ballast.free()
    assert not ballast.there
    assert not ballast.free()
    assert ballast.make()


def test_each_config_is_stored_with_its_time_once(tmp_path: Path) -> None:
    """The history of configs says what held when; the same config again adds nothing."""
    site = make_site(tmp_path)
    for part in (LINES[:10], LINES[10:20]):
        replay(site, part, tmp_path)
    replay(replace(site, text="# other\n" + site.text, sha=b"other"), LINES[20:30], tmp_path)
    with open_reader(tmp_path) as reader:
        configs = reader.configs()
    assert [at for at, _ in configs] == [LINES[0].at_ms, LINES[20].at_ms]
    assert "Test place" in configs[0][1]


@pytest.mark.parametrize("zone", ["Asia/Kathmandu", "Australia/Adelaide", "America/Denver"])
def test_a_local_day_holds_the_readings_between_its_midnights_also_off_the_hour(tmp_path: Path, zone: str) -> None:
    """UTC+5:45, UTC+9:30 and whole hours: counts, means and levels are those of the raw readings of the day."""
    from datetime import datetime
    from zoneinfo import ZoneInfo

    from holdwater.sitefile import site_of

    site = site_of(text_of(tmp_path).replace("America/Denver", zone), "test.toml", {})
    lines = [
        reading(START_MS + n * 15 * MINUTE_MS, 1.3 - n / 1000, air_c=round(10 + n / 100, 2)) for n in range(4 * 60)
    ]
    replay(site, lines, tmp_path)
    days: dict[int, list[float]] = {}
    for n, line in enumerate(lines):
        at = datetime.fromtimestamp(line.at_ms / 1000, ZoneInfo(zone)).replace(
            hour=0, minute=0, second=0, microsecond=0
        )
        days.setdefault(round(at.timestamp() * 1000), []).append(round(10 + n / 100, 2))
    with open_reader(tmp_path) as reader:
        rolled = reader.rolls("a:air", DAY_MS, 0, START_MS * 2)
        found = reader.levels("main", DAY_MS, 0, START_MS * 2)
    assert [(row.start_ms, row.n) for row in rolled] == [(start, len(values)) for start, values in days.items()]
    assert [row.mean for row in rolled] == pytest.approx([sum(values) / len(values) for values in days.values()])
    assert [row.start_ms for row in found] == list(days)
    means = [sum(1.3 - (v - 10) / 10 for v in values) / len(values) for values in days.values()]
    assert [row.depth_m for row in found] == pytest.approx(means, abs=0.004)
