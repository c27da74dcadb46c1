"""Several facts on one tank: joined vessels, dips noted and dips sent, sensors that say nothing."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from holdwater.gauge import (
    Gauge,
    Hour,
    LevelPoint,
    Mounted,
    Noted,
    Place,
    Surrounds,
    dipped,
    history,
    measures,
    summary,
    told_of,
)
from holdwater.sitefile import site_of
from holdwater_sensors.quality import Grade, Reason, code, grade_of, reason_of
from place import HOUR_MS, MINUTE_MS, PAIR_TEXT, START_MS, pressure, text_of

START = START_MS - START_MS % HOUR_MS
PAIR = (
    PAIR_TEXT
    + """\
[sensor.near-level]
tank = "pair"
vessel = "near"
kind = "pressure"
series = "p:pressure"
height = "0 in"
[sensor.far-level]
tank = "pair"
vessel = "far"
kind = "pressure"
series = "q:pressure"
height = "0 in"
[sensor.far-gap]
tank = "pair"
vessel = "far"
kind = "ultrasonic"
series = "r:gap"
height = "2 m"
compensated = true
"""
)
STICK = """
[sensor.main-stick]
tank = "main"
kind = "dip"
series = "s:depth"
"""
FULL_M3 = 2 * 45 * 37 * 38 * 0.0254**3


class Pair:
    """The live gauge of two joined vessels, by minutes."""

    def __init__(self) -> None:
        place = site_of(text_of(Path("/nowhere"), more=PAIR), "test.toml", {})
        self.tank, self.instruments = place.tanks["pair"], place.instruments_of("pair")
        self.looks, self.now_ms = Surrounds(), START
        self.gauge = Gauge(self.tank, measures(self.instruments), self.looks, Place())

    def say(self, series: str, value: float, wait_min: int = 10) -> LevelPoint | None:
        """One reading, so long after the one before."""
        self.now_ms += wait_min * MINUTE_MS
        return self.gauge.push(series, self.now_ms, value)

    def settled(self, near_m: float, far_m: float) -> LevelPoint:
        """What is known after an hour in which both vessels stood still."""
        found = None
        for k in range(7):
            self.say("p:pressure", pressure(near_m) + 3 * (-1) ** k, 9)
            found = self.say("q:pressure", pressure(far_m) + 3 * (-1) ** k, 1)
        assert found is not None
        return found

    def dip(self, vessel: str, depth_m: float) -> LevelPoint | None:
        """A dip that the household notes now."""
        note = Noted("dip", self.now_ms, {"tank": "pair", "vessel": vessel, "depth_m": depth_m})
        (found,) = told_of(self.tank, self.instruments, [note]).dips
        return self.gauge.dip(found)


def test_joined_vessels_are_one_water_and_both_sensors_count() -> None:
    """Both half full: half of the whole."""
    found = Pair().settled(0.4826, 0.4826)
    assert found.ok
    assert found.total_m3 == pytest.approx(FULL_M3 / 2, rel=0.01)


def test_levels_that_stay_apart_over_an_open_link_are_in_doubt() -> None:
    """Water finds its level: the link is shut, or a sensor lies."""
    found = Pair().settled(0.3, 0.8)
    assert (grade_of(found.quality), reason_of(found.quality)) == (Grade.SUSPECT, Reason.LINK)
    assert found.on_hand_m3 is not None


def test_a_shut_link_leaves_nothing_known_where_the_vessel_of_the_tap_is_silent() -> None:
    """What is behind the link cannot reach the tap, and before it nobody looks."""
    pair = Pair()
    pair.settled(0.5, 0.5)
    pair.gauge.set_shut((0,))
    found = pair.say("q:pressure", pressure(0.5), 3 * 60)
    assert found is not None
    assert found.on_hand_m3 is None
    assert grade_of(found.quality) is Grade.REJECTED


def test_a_vessel_whose_sensor_says_nonsense_is_known_by_the_other() -> None:
    """An open link makes one level of both; without any that can be trusted nothing is known."""
    pair = Pair()
    pair.settled(0.5, 0.5)
    found = pair.say("p:pressure", -9e6)
    assert found is not None
    assert found.depth_m == pytest.approx(0.5, abs=0.01)
    pair.say("q:pressure", -9e6)
    found = pair.say("p:pressure", -9e6)
    assert found is not None
    assert (found.on_hand_m3, grade_of(found.quality)) == (None, Grade.REJECTED)


def test_the_first_sensor_of_a_vessel_speaks_for_it_while_a_second_agrees() -> None:
    """The second is a spare: it speaks when the first cannot be trusted."""
    pair = Pair()
    pair.settled(0.5, 0.5)
    for _ in range(3):
        found = pair.say("r:gap", 2.0 - 0.51)
    assert found is not None
    assert found.ok
    assert found.depth_m == pytest.approx(0.5, abs=0.004)


def test_a_dip_of_a_silent_vessel_makes_the_whole_known() -> None:
    """A stick serves where a sensor is dead; beside one that speaks it says nothing new."""
    pair = Pair()
    assert pair.dip("near", 0.4826) is not None
    found = pair.dip("far", 0.4826)
    assert found is not None
    assert found.total_m3 == pytest.approx(FULL_M3 / 2, rel=0.01)
    pair.settled(0.4826, 0.4826)
    assert pair.dip("near", 0.48) is None


def test_a_dip_is_held_against_the_sensors_of_its_own_vessel_for_a_day() -> None:
    """Nothing follows for the other vessel; the day after it is forgotten, and one noted late does not undo a newer one."""
    pair = Pair()
    pair.settled(0.5, 0.5)
    pair.dip("near", 0.8)
    (found,) = pair.gauge.disputes(pair.now_ms)
    assert (found.first, found.second) == ("near-level", "")
    older = Noted("dip", pair.now_ms - 20 * MINUTE_MS, {"tank": "pair", "vessel": "near", "depth_m": 0.5})
    pair.gauge.dip(told_of(pair.tank, pair.instruments, [older]).dips[0])
    assert len(pair.gauge.disputes(pair.now_ms)) == 1
    assert pair.gauge.disputes(pair.now_ms + 25 * HOUR_MS) == ()


@pytest.mark.parametrize(
    "body",
    [
        {"depth_m": True}, {"depth_m": "deep"}, {}, {"depth_m": -0.1}, {"depth_m": 9.0},
        {"depth_m": 0.5, "vessel": "third"},
    ],
    ids=str,
)  # fmt: skip
def test_a_dip_that_the_tank_cannot_have_is_none(body: dict[str, object]) -> None:
    """Notes of years are read again; one on a vessel that is gone, or without a depth, must not stop it."""
    pair = Pair()
    note = Noted("dip", START, {"tank": "pair", **body})
    assert told_of(pair.tank, pair.instruments, [note]).dips == ()


def test_only_notes_on_links_of_the_tank_shut_them() -> None:
    """A number, a link and the tank; anything else changes nothing."""
    pair = Pair()
    notes = [
        Noted("link shut", START, {"tank": "pair", "link": 0}),
        Noted("link shut", START + 1, {"tank": "pair", "link": "0"}),
        Noted("watering", START + 2, {"tank": "pair", "link": 5}),
        Noted("link shut", START + 3, {"tank": "main", "link": 7}),
        Noted("link open", START + 4, {"tank": "pair", "link": 0}),
    ]
    told = told_of(pair.tank, pair.instruments, notes)
    assert [told.shut_at(START + k) for k in range(-1, 5)] == [(), (0,), (0,), (0,), (0,), ()]


def test_dips_sent_as_readings_give_the_level_live_and_in_history() -> None:
    """A stick with a button sends its depth like a sensor; where none speaks, that is the level."""
    place, looks = site_of(text_of(Path("/nowhere"), more=STICK), "test.toml", {}), Surrounds()
    tank, instruments = place.tanks["main"], place.instruments_of("main")
    dips = [(START + k * HOUR_MS, depth) for k, depth in enumerate((1.0, 0.9, 0.8))]
    mounted = [each for each in instruments if each.gives_depth or each.kind == "dip"]
    gauge = Gauge(tank, mounted, looks, Place())
    live = [gauge.push("s:depth", ts, depth) for ts, depth in dips]
    then = history(Mounted(tank, tuple(mounted), Place()), {"s:depth": dips}, START, START + 9 * HOUR_MS)
    assert [each.depth_m for each in live if each is not None] == pytest.approx([1.0, 0.9, 0.8])
    assert [each.depth_m for each in then] == pytest.approx([1.0, 0.9, 0.8])
    assert gauge.push("s:depth", START, 0.1) is None  # an earlier one belongs to history


def test_a_span_without_a_trusted_level_is_a_row_without_figures() -> None:
    """No point, no row; no trusted point, the worst reason; half of them trusted, ok."""
    good = LevelPoint(START, 1.0, 2.0, 3.0, 0.1, 0.2, 0)
    bad = LevelPoint(START, None, None, None, 0.0, 0.0, code(Grade.REJECTED, Reason.SPIKE))
    assert summary([]) is None
    none = summary([bad, bad])
    assert none is not None
    assert (none.n, none.on_hand_m3, none.worst) == (0, None, bad.quality)
    half = summary([good, bad])
    assert half is not None
    assert (half.n, half.on_hand_m3, half.worst) == (1, 2.0, 0)


def test_a_dip_counts_from_the_lowest_floor_unless_it_names_a_vessel() -> None:
    """The stick of a tank stands on its lowest floor, that of a vessel on its own."""
    pair = Pair()
    for body, vessel in (({"depth_m": 0.5}, "near"), ({"depth_m": 0.5, "vessel": "far"}, "far")):
        found = dipped(pair.tank, Noted("dip", START, {"tank": "pair", **body}), told_stick())
        assert found is not None
        assert (found.vessel, found.depth.depth_m) == (vessel, 0.5)


def told_stick():
    """How a household dips that says nothing about it."""
    from holdwater_sensors.instrument import Dip

    return Dip()


def test_history_of_joined_vessels_knows_when_a_link_was_shut() -> None:
    """Half of the water is cut off from the note on, and not before."""
    pair = Pair()
    note = Noted("link shut", START + 2 * HOUR_MS, {"tank": "pair", "link": 0})
    told = told_of(pair.tank, pair.instruments, [note])
    rows = [(START + k * 10 * MINUTE_MS, pressure(0.5) + 3 * (-1) ** k) for k in range(24)]
    points = {"p:pressure": rows, "q:pressure": [(ts + MINUTE_MS, value) for ts, value in rows]}
    found = history(Mounted(pair.tank, measures(pair.instruments), Place(), told), points, START, START + 4 * HOUR_MS)
    before = [p.on_hand_m3 or 0.0 for p in found if START + HOUR_MS <= p.ts_ms < note.at_ms]
    after = [p.on_hand_m3 or 0.0 for p in found if p.ts_ms >= note.at_ms]
    assert max(after) < 0.6 * min(before)


ECHO = """
[sensor.main-echo]
tank = "main"
kind = "ultrasonic"
series = "e:gap"
height = "2 m"
air = "e:air"
wall = "10 in"
"""


@pytest.mark.parametrize(("swing_k", "stuck"), [(0.0, False), (20.0, True)])
def test_an_echo_that_stands_still_while_the_air_warms_is_stuck(swing_k: float, stuck: bool) -> None:
    """Sound is faster by 0.17 % a kelvin (Cramer 1993): the same time of flight is another distance by the afternoon."""
    place = site_of(text_of(Path("/nowhere"), more=ECHO), "test.toml", {})
    tank, instruments = place.tanks["main"], measures(place.instruments_of("main"))
    rows = [(START + k * 5 * MINUTE_MS, 1.0) for k in range(40)]
    air = [(ts, 10.0 + swing_k * k / 39) for k, (ts, _) in enumerate(rows)]
    found = history(Mounted(tank, instruments, Place()), {"e:gap": rows, "e:air": air}, START, START + 4 * HOUR_MS)
    assert (reason_of(found[-1].quality) is Reason.STUCK) == stuck


def test_a_restart_in_the_hour_in_which_a_value_froze_remembers_its_first_reading() -> None:
    """What was before it in the same hour was noisy, so it is stuck."""
    place, looks = site_of(text_of(Path("/nowhere")), "test.toml", {}), Surrounds()
    noise = [(START + k * 4 * MINUTE_MS, pressure(0.8) + (14.0, -9.0, 5.0, -12.0)[k % 4]) for k in range(50)]
    frozen = [(START + (200 + k * 4) * MINUTE_MS, pressure(0.8)) for k in range(40)]
    record, begin = Kept({"a:pressure": [*noise, *frozen]}), START + 220 * MINUTE_MS
    gauge = Gauge(place.tanks["main"], measures(place.instruments_of("main")), looks, Place())
    gauge.recall(record, begin, frozen[-1][0] + 1)
    found = [gauge.push("a:pressure", ts, value) for ts, value in frozen if ts >= begin]
    assert found[-1] is not None
    assert reason_of(found[-1].quality) is Reason.STUCK


def test_a_restart_amid_values_that_move_or_began_to_stand_just_then_has_nothing_to_remember() -> None:
    """Only a value that stood still before the stretch that is read again has a past."""
    place = site_of(text_of(Path("/nowhere")), "test.toml", {})
    for rows in (
        [(START + k * 4 * MINUTE_MS, pressure(0.8) + k) for k in range(40)],
        [(START + k * 4 * MINUTE_MS, pressure(0.8)) for k in range(40)],
    ):
        gauge = Gauge(place.tanks["main"], measures(place.instruments_of("main")), Surrounds(), Place())
        assert gauge.series == ("a:pressure",)
        gauge.recall(KeptFrom(rows), START, rows[-1][0] + 1)
        found = [gauge.push("a:pressure", ts, value) for ts, value in rows]
        assert all(each is not None and each.ok for each in found)


class Kept:
    """A record of readings; no hour of it is needed before the one that is read."""

    def __init__(self, points: dict[str, list[tuple[int, float]]]) -> None:
        self._points = points

    def points(self, series: str, start_ms: int, end_ms: int) -> list[tuple[int, float]]:
        """Readings of a span."""
        return [row for row in self._points.get(series, []) if start_ms <= row[0] < end_ms]

    def hours(self, series: str, before_ms: int) -> Iterator[Hour]:
        """The run does not reach so far back."""
        raise AssertionError(f"{series} was asked before {before_ms}")


def test_warming_is_no_excuse_while_nobody_knows_how_warm_the_water_is() -> None:
    """Two sensors apart stay apart when the instrument that knows the water has been silent for hours."""
    more = """
[sensor.main-sharp]
tank = "main"
kind = "ultrasonic"
series = "c:gap"
height = "2 m"
accuracy = "1 mm"
height_doubt = "0 mm"
compensated = true
[sensor.main-fixed]
tank = "main"
kind = "pressure"
series = "e:pressure"
height = "0 in"
accuracy = "1 mm"
height_doubt = "0 mm"
[sensor.main-knows]
tank = "main"
kind = "pressure"
series = "d:pressure"
height = "0 in"
water = "d:water"
"""
    place, looks = site_of(text_of(Path("/nowhere"), more=more), "test.toml", {}), Surrounds()
    gauge = Gauge(place.tanks["main"], measures(place.instruments_of("main")), looks, Place())
    for k in range(20):
        gauge.push("e:pressure", START + k * 10 * MINUTE_MS, 9.80665 * 999.1 * 1.5)
        gauge.push("c:gap", START + k * 10 * MINUTE_MS, 0.490 + 0.0001 * (k % 2))
    (found,) = gauge.disputes(START + 190 * MINUTE_MS)
    assert {found.first, found.second} == {"main-sharp", "main-fixed"}


class KeptFrom(Kept):
    """A record that begins with the stretch itself."""

    def __init__(self, rows: list[tuple[int, float]]) -> None:
        super().__init__({"a:pressure": rows})

    def hours(self, series: str, before_ms: int) -> Iterator[Hour]:
        """Nothing was before."""
        return iter(())
