"""The wall clock of the real service is wrong, jumps, comes right: rows wait in order and get their dates; nothing is told or pruned."""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from holdwater.clock import SetClock
from holdwater.control import ask
from holdwater.events import Message
from holdwater.loop import Loop, Surroundings
from holdwater.postman import NoPost
from holdwater.replay import Nowhere, replay
from holdwater.store.reader import open_reader
from holdwater.store.rows import DAY_MS
from holdwater.store.writer import Store
from holdwater.trust import ClockTrust
from place import HOUR_MS, MINUTE_MS, START_MS, make_site, payload, publisher, reading

YEAR_S = 31_557_600
TOPIC = "water/node/a/readings"


class Shifted:
    """A service whose wall clock is moved by a file."""

    def __init__(self, make_daemon, broker, library: Path, folder: Path, offset_s: int) -> None:
        self.folder, self._file = folder / "store", folder / "offset"
        self.shift(offset_s)
        environment = {"LD_PRELOAD": str(library), "RT_OFFSET_FILE": str(self._file)}
        self.daemon = make_daemon(port=broker.port, commit_every="0.2 s", environment=environment).start()
        self.daemon.wait_for("connected to")
        self._client = publisher(broker.port)
        self._seq = 0

    def shift(self, offset_s: int) -> None:
        temporary = self._file.with_suffix(".new")
        temporary.write_text(str(offset_s))
        temporary.rename(self._file)

    def send(self, count: int, *, dated: bool) -> None:
        """Numbered packs, with the node's own time or without a clock."""
        for _ in range(count):
            self._seq += 1
            labels = {"run": 3, "seq": self._seq, "keep": 1}
            t_s = time.time() if dated else self._seq - 100.0  # seconds since 1970, or how long ago
            self._client.publish(
                TOPIC, payload(("pressure", "Pa", 9000.0 + self._seq), t_s=t_s, **labels), qos=1
            ).wait_for_publish(5)
            time.sleep(0.01)

    def trusted(self) -> bool:
        return bool(ask(self.folder, "status")["clock"] == "trusted")

    def rows(self) -> list[tuple[int, float]]:
        with open_reader(self.folder) as reader:
            return [(row.ts_ms, row.value) for row in reader.readings("a:pressure", 0, 1 << 50)]

    def waiting(self) -> int:
        with open_reader(self.folder) as reader:
            return int(reader._connection.execute("SELECT count(*) FROM undated").fetchone()[0])

    def wait(self, rows: int, waiting: int) -> None:
        end = time.monotonic() + 15
        while (len(self.rows()), self.waiting()) != (rows, waiting):
            assert time.monotonic() < end, (len(self.rows()), self.waiting(), self.daemon.log)
            time.sleep(0.1)

    def told(self) -> list[tuple[str, str]]:
        """Notices other than the one about the clock itself."""
        with open_reader(self.folder) as reader:
            return [(row.kind, row.subject) for row in reader.notices(0, 1 << 50) if row.kind != "clock"]


@pytest.fixture
def shifted(make_daemon, broker, preload, tmp_path):
    """`shifted(offset_s)`: a running service with its wall clock so far off."""
    return lambda offset_s: Shifted(make_daemon, broker, preload("clockshift"), tmp_path, offset_s)


@pytest.mark.slow
@pytest.mark.parametrize("dated", [True, False], ids=["node with a clock", "node without a clock"])
def test_a_board_that_wakes_in_1970_dates_its_rows_when_the_clock_is_set(shifted, dated) -> None:
    """They wait in order; then all get their dates, within the seconds in which they came."""
    began_ms = round(time.time() * 1000)
    place = shifted(-round(time.time()) + 1000)
    assert not place.trusted()
    place.send(20, dated=dated)
    place.wait(rows=0, waiting=20)
    place.shift(0)
    place.send(5, dated=dated)
    place.wait(rows=25, waiting=0)
    assert place.trusted()
    rows = place.rows()
    assert [value for _, value in rows] == [9001.0 + n for n in range(25)]
    assert [at for at, _ in rows] == sorted(at for at, _ in rows)
    assert all(began_ms - 102_000 <= at <= time.time() * 1000 + 2000 for at, _ in rows)
    assert place.daemon.stop() == 0


@pytest.mark.slow
@pytest.mark.parametrize("years", [-10, 10])
def test_a_jump_of_ten_years_and_back_loses_prunes_and_tells_nothing(shifted, years) -> None:
    """While it is wrong rows wait; when it is right again they are among the others, in order."""
    place = shifted(0)
    place.send(10, dated=True)
    place.wait(rows=10, waiting=0)
    told = place.told()
    place.shift(years * YEAR_S)
    place.send(10, dated=True)
    place.wait(rows=10, waiting=10)
    assert not place.trusted()
    place.shift(0)
    place.send(10, dated=True)
    place.wait(rows=30, waiting=0)
    assert place.trusted()
    rows = place.rows()
    assert [value for _, value in rows] == [9001.0 + n for n in range(30)]
    assert [at for at, _ in rows] == sorted(at for at, _ in rows)
    assert place.told() == told
    assert place.daemon.stop() == 0


def test_a_clock_that_was_never_set_needs_one_source_a_jump_of_a_set_one_two(monkeypatch) -> None:
    """A step out of 1970 counts from the newest reading, not from 1970: a board with only a time server comes right by itself."""
    monkeypatch.setattr("holdwater.trust.keeps_time_when_off", lambda: False)
    monkeypatch.setattr("holdwater.clock.chip_ms", lambda: None)
    monkeypatch.setattr("holdwater.clock.system_synchronised", lambda: True)
    clock = SetClock(60_000)
    trust = ClockTrust(clock, START_MS)
    assert not trust()
    clock.step_wall(START_MS + HOUR_MS)
    assert trust()
    clock.step_wall(400 * DAY_MS)
    assert not trust()
    clock.step_wall(-400 * DAY_MS)
    assert trust()


@pytest.mark.parametrize(("month", "day", "hours"), [(3, 8, 23), (11, 1, 25)], ids=["spring", "autumn"])
def test_no_local_day_is_lost_or_doubled_where_the_clocks_change(tmp_path: Path, month, day, hours) -> None:
    """America/Denver 2026: each local day once, each reading in one of them; the changed day has 23 or 25 hours."""
    zone = ZoneInfo("America/Denver")
    start_ms = round(datetime(2026, month, day - 2 if day > 2 else day, tzinfo=zone).timestamp() * 1000)
    start_ms -= 0 if day > 2 else 2 * DAY_MS
    lines = [reading(start_ms + n * 30 * MINUTE_MS, 1.0) for n in range(48 * 5)]
    replay(make_site(tmp_path), lines, tmp_path)
    with open_reader(tmp_path) as reader:
        days = reader.rolls("a:air", DAY_MS, 0, 1 << 50)
        levels = reader.levels("main", DAY_MS, 0, 1 << 50)
    dates = [datetime.fromtimestamp(each.start_ms / 1000, zone) for each in days]
    assert len({at.date() for at in dates}) == len(dates)
    assert all((at.hour, at.minute) == (0, 0) for at in dates)
    assert all((b.date() - a.date()).days == 1 for a, b in pairwise(dates))
    assert sum(each.n for each in days) == len(lines)
    changed = next(each for each, at in zip(days, dates, strict=True) if (at.month, at.day) == (month, day))
    assert changed.n == 2 * hours
    assert [each.start_ms for each in levels] == [each.start_ms for each in days]


def test_steps_of_the_wall_clock_change_no_state_of_a_notice(tmp_path: Path) -> None:
    """The same readings with the wall clock two hours ahead now and then tell the same, at the same reading times."""
    told = []
    for name, every in (("straight", 0), ("stepped", 17)):
        store, clock = Store(tmp_path / name), SetClock(START_MS)
        loop = Loop(make_site(tmp_path / name), store, Surroundings(clock, Nowhere(), NoPost(), trusted=lambda: True))
        for number in range(190):
            clock.advance(600)
            if every and number % every in (3, 8):
                clock.step_wall(7_200_000 if number % every == 3 else -7_200_000)
            depth = 1.3 - number / 120 if number < 130 else 0.3 + (number - 130) / 60
            line = reading(START_MS + number * 10 * MINUTE_MS, depth)
            loop.handle(replace(line.event, at_ms=clock.wall_ms(), mono_s=clock.mono_s()))
            loop.tick(loop.now())
            loop.commit()
        rows = store.connection.execute(
            "SELECT kind, subject, n, CASE kind WHEN 'silent' THEN 0 ELSE reading_ts END, s.state FROM notice_step s "
            "JOIN notice ON id = notice ORDER BY notice, n"
        ).fetchall()
        told.append(rows)  # silence has no reading: the wall clock is its label, and may be wrong with it
        store.close()
    assert told[0] == told[1]
    assert len(told[0]) > 2


def test_undated_rows_that_fall_on_one_time_are_kept_or_set_aside_never_dropped(tmp_path: Path) -> None:
    """The first value stays, a different second one goes into the quarantine, as with dated rows."""
    trusted = [False]
    store, clock = Store(tmp_path), SetClock(1000)
    loop = Loop(make_site(tmp_path), store, Surroundings(clock, Nowhere(), NoPost(), trusted=lambda: trusted[0]))
    for seq, value in ((1, 9000.0), (2, 9001.0), (3, 9001.0)):
        text = payload(("pressure", "Pa", value), run=1, seq=seq, keep=1)
        loop.handle(Message(TOPIC, text.encode(), clock.wall_ms(), clock.mono_s()))
    loop.commit()
    clock.step_wall(START_MS)
    trusted[0] = True
    loop.tick(loop.now())
    loop.handle(Message(TOPIC, payload(("air", "Cel", 1.0)).encode(), clock.wall_ms(), clock.mono_s()))
    loop.commit()
    run = store.connection.execute
    assert run("SELECT count(*) FROM undated").fetchone() == (0,)
    assert run(
        "SELECT value FROM reading r JOIN series s ON s.id = r.series WHERE quantity = 'pressure'"
    ).fetchall() == [(90000.0,)]
    assert len(run("SELECT payload FROM quarantine").fetchall()) == 2
    store.close()
