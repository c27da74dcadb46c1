"""What flow meters and tipping rain gauges counted: live, in the export, in the water book and the season, over restarts of a counter."""

from pathlib import Path

import pytest

from holdwater.balance.days import day_of
from holdwater.books import tank_book
from holdwater.cli.export import meters
from holdwater.cli.status import meter_lines
from holdwater.clock import SetClock
from holdwater.counted import counted, fillings, meters_of, of_hours, rain_days, rain_of, steps
from holdwater.events import Message
from holdwater.loop import Loop
from holdwater.postman import NoPost
from holdwater.recording import Line
from holdwater.replay import Nowhere, replay
from holdwater.sitefile import site_of
from holdwater.store.reader import open_reader
from holdwater.store.rows import DAY_MS, RollRow
from holdwater.store.upkeep import prune
from holdwater.store.writer import Store
from holdwater.web.history import read_sky
from holdwater.world import Surroundings
from place import HOUR_MS, MINUTE_MS, START_MS, payload, reading, text_of

START = START_MS - START_MS % DAY_MS + 8 * HOUR_MS
METERS = """
[sensor.tap]
tank = "main"
kind = "flow pulses"
series = "m:tap"
per_pulse = "0.1 gal"

[sensor.fill]
tank = "main"
kind = "flow pulses"
series = "m:fill"
per_pulse = "1 gal"
flows = "in"

[sensor.gauge]
kind = "rain pulses"
series = "m:tips"
per_pulse = "0.01 in"
"""
GAL = 0.003785411784
M_PER_IN = 0.0254


def counts(at_ms: int, **values: float) -> Line:
    text = payload(*((name, "count", value) for name, value in values.items()), t_s=at_ms / 1000)
    return Line(at_ms, Message("water/node/m/readings", text.encode(), at_ms, at_ms / 1000))


def site(folder: Path):
    return site_of(text_of(folder, more=METERS), "test.toml", {})


LINES = [
    counts(START + n * 30 * MINUTE_MS, tap=10.0 * n, tips=float(n // 4), fill=40.0 + min(n, 6)) for n in range(20)
] + [
    counts(START + (20 + n) * 30 * MINUTE_MS, tap=5.0 + 10.0 * n, tips=float(5 + n // 4), fill=46.0) for n in range(20)
]
"""Twenty hours by the half hour; the tap's counter starts again in the middle; the fill runs for three hours."""


def test_a_counter_that_started_again_loses_what_nobody_saw_and_no_more(tmp_path: Path) -> None:
    """190 pulses, then 5 and 190 more: 38.5 gal are certain; the one step says that it is the least."""
    replay(site(tmp_path), LINES, tmp_path)
    tap = meters_of(site(tmp_path))[0]
    with open_reader(tmp_path) as reader:
        found = counted(tap, reader, START, START + DAY_MS)
        rows = list(
            meters(site(tmp_path), reader, START, START + DAY_MS, {"tanks": (), "names": ("m:tap",), "span": "day"})
        )
    assert sum(each.step.amount for each in found) == pytest.approx(38.5 * GAL)
    assert sum(each.step.reset for each in found) == 1
    assert sum(row["amount"] for row in rows) == pytest.approx(38.5)
    assert rows[-1]["in_all"] == pytest.approx(38.5)
    assert (rows[0]["unit"], rows[0]["flows"], sum(row["resets"] for row in rows)) == ("gal", "out", 1)
    assert 0 < rows[-1]["u"] < 2


def test_amounts_are_the_same_in_pieces_and_where_raw_counts_are_gone(tmp_path: Path) -> None:
    """A piece begins with the count before it; hours stand in for raw counts, within what they can tell of a restart."""
    replay(site(tmp_path), LINES, tmp_path)
    tap, fill, _ = meters_of(site(tmp_path))
    with open_reader(tmp_path) as reader:
        whole = sum(each.step.amount for each in counted(tap, reader, START, START + DAY_MS))
        pieces = [counted(tap, reader, START + n * HOUR_MS, START + (n + 1) * HOUR_MS) for n in range(24)]
    assert sum(each.step.amount for piece in pieces for each in piece) == pytest.approx(whole)
    store = Store(tmp_path)
    while prune(store.connection, START + 18 * HOUR_MS):
        pass
    store.close()
    with open_reader(tmp_path) as reader:
        assert reader.oldest_ms() == START + 18 * HOUR_MS
        by_hours = sum(each.step.amount for each in counted(tap, reader, START, START + DAY_MS))
        assert by_hours == pytest.approx(whole, abs=0.2 * GAL)
        assert sum(each.step.amount for each in counted(fill, reader, START, START + DAY_MS)) == pytest.approx(6 * GAL)


def test_a_restart_inside_an_hour_is_counted_up_to_it_and_from_zero() -> None:
    """Hours 0 to 100, 100 to 160 with a restart inside, 30 to 50: 160 before it and 50 after it."""
    rows = [RollRow(n * HOUR_MS, lo, 0.0, hi, 9, 0) for n, (lo, hi) in enumerate([(0, 100), (3, 160), (30, 50)])]
    tap = meters_of(site(Path("/nowhere")))[0]
    assert sum(each.step.amount for each in steps(tap, of_hours(rows))) == pytest.approx(21.0 * GAL)


def test_rain_by_tips_is_rain_like_any_other(tmp_path: Path) -> None:
    """Without a tank and without [weather]: the water book and the season know it."""
    here = site(tmp_path)
    assert here.rain_series == "m:tips"
    replay(here, LINES, tmp_path)
    with open_reader(tmp_path) as reader:
        fell = rain_of(here, reader, START, START + DAY_MS)
        days = rain_days(here, reader, START - DAY_MS, START + 2 * DAY_MS)
        sky = read_sky(here, reader, START - DAY_MS, START + 2 * DAY_MS)
    assert sum(each.depth_m for each in fell) == pytest.approx(0.09 * M_PER_IN)
    assert len(fell) == 9
    assert sum(depth for _, depth in days) == pytest.approx(0.09 * M_PER_IN)
    assert sky.rain == days


def test_a_metered_filling_explains_the_rise_that_it_makes(tmp_path: Path) -> None:
    """The meter stands for the note of a well run: six gallons by the half hour from eight o'clock on."""
    levels = [reading(START + n * 10 * MINUTE_MS, 0.8 + 0.0042 * min(max(n - 1, 0), 18)) for n in range(60)]
    both = sorted([*LINES, *levels], key=lambda line: line.at_ms)
    replay(site(tmp_path), both, tmp_path)
    with open_reader(tmp_path) as reader:
        (span,) = fillings(site(tmp_path), reader, "main", START, START + DAY_MS)
        zone = site(tmp_path).timezone
        _, named = tank_book(site(tmp_path), reader, "main", day_of(START, zone), day_of(START + DAY_MS, zone))
    assert (span.kind, span.start_ms, span.end_ms) == ("well run", START, START + 3 * HOUR_MS)
    assert span.m3 == pytest.approx(6 * GAL)
    assert {each.kind for each in named if not each.move.is_fall} == {"well"}


def test_status_says_what_was_counted_today_also_after_a_restart(tmp_path: Path) -> None:
    """The local day here began two hours before the first count and ends sixteen hours after it."""
    store, clock = Store(tmp_path), SetClock(START)
    loop = Loop(site(tmp_path), store, Surroundings(clock, Nowhere(), NoPost(), trusted=lambda: True))
    assert loop.picture.meters(START)[0].today is None
    for line in LINES[:20]:
        clock.advance(1800.0 if line is not LINES[0] else 0.0)
        loop.handle(line.event)
    loop.commit()
    again = Loop(site(tmp_path), store, Surroundings(clock, Nowhere(), NoPost(), trusted=lambda: True))
    for each in (loop, again):
        tap, fill, rain = each.picture.meters(clock.wall_ms())
        assert tap.today == pytest.approx(19 * GAL)
        assert fill.today == pytest.approx(6 * GAL)
        assert rain.today == pytest.approx(0.04 * M_PER_IN)
        assert each.picture.meters(clock.wall_ms() + DAY_MS)[0].today == 0.0
    store.close()
    assert meter_lines(site(tmp_path).measure, (tap, fill, rain)) == [
        "", "tap: 19 gal out of main today", "fill: 6.0 gal into main today", "gauge: 0.04 in of rain today",
    ]  # fmt: skip


@pytest.mark.parametrize("metered", [True, False])
def test_a_rise_that_a_meter_counts_is_no_wrong_water(tmp_path: Path, metered: bool) -> None:
    """The tank rises by a foot in an hour: unexplained, unless the meter on its inlet counts."""
    store, clock = Store(tmp_path), SetClock(START)
    loop = Loop(site(tmp_path), store, Surroundings(clock, Nowhere(), NoPost(), trusted=lambda: True))
    for n in range(180):
        rising = min(max(n - 60, 0), 60)
        clock.advance(60.0)
        loop.handle(reading(clock.wall_ms(), 0.8 + 0.005 * rising).event)
        loop.handle(counts(clock.wall_ms(), fill=100.0 + rising * metered).event)
    loop.commit()
    store.close()
    assert ("unexplained-rise" in {each.kind for each in loop.snapshot.notices}) is not metered
