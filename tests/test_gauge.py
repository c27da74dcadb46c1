"""From readings to the level of a tank: live and over history, with what contradicts a sensor."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holdwater.gauge import NOTHING, Gauge, Hour, Mounted, Noted, Place, Surrounds, Told, history, measures, told_of
from holdwater.sitefile import site_of
from holdwater_sensors.quality import Grade, Reason, grade_of, reason_of
from place import HOUR_MS, MINUTE_MS, START_MS, pressure, text_of

MORE = """
[sensor.main-second]
tank = "main"
kind = "ultrasonic"
series = "c:gap"
height = "2 m"
compensated = true
[sensor.main-float]
tank = "main"
kind = "float"
series = "c:float"
heights = ["20 in"]
"""
START = START_MS - START_MS % HOUR_MS


def site(more: str = ""):
    return site_of(text_of(Path("/nowhere"), more=more), "test.toml", {})


def series(values: list[float], every_min: int = 10, start: int = START) -> list[tuple[int, float]]:
    return [(start + n * every_min * MINUTE_MS, value) for n, value in enumerate(values)]


def levels(points: dict[str, list[tuple[int, float]]], more: str = "", tank: str = "main"):
    place = site(more)
    instruments = measures(place.instruments_of(tank))
    return history(Mounted(place.tanks[tank], instruments, Place()), points, START, START + 1000 * HOUR_MS)


def live(points: dict[str, list[tuple[int, float]]], more: str = "", tank: str = "main"):
    place, looks = site(more), Surrounds()
    gauge = Gauge(place.tanks[tank], measures(place.instruments_of(tank)), looks, Place())
    found = []
    for ts, name, value in sorted((ts, name, value) for name, rows in points.items() for ts, value in rows):
        looks.note(name, ts, value)
        point = gauge.push(name, ts, value)
        if point is not None:
            found.append(point)
    return found


def noisy(depth_m: float, n: int, step: float = 0.0) -> list[float]:
    wiggle = (0.0, 14.0, -9.0, 5.0, -12.0, 9.0, -4.0)
    return [pressure(depth_m + step * k) + wiggle[k % 7] for k in range(n)]


def test_a_depth_is_the_pressure_over_density_and_gravity() -> None:
    """One metre of water near 15 degC."""
    assert levels({"a:pressure": series(noisy(1.0, 12))})[5].depth_m == pytest.approx(1.0, abs=0.003)


def test_live_and_history_say_the_same_of_quiet_water() -> None:
    """They share every step; only a jump waits for its confirmation."""
    points = {"a:pressure": series(noisy(1.2, 40, -0.002))}
    assert [(p.ts_ms, p.depth_m, p.quality) for p in live(points)] == [
        (p.ts_ms, p.depth_m, p.quality) for p in levels(points)
    ]


def test_a_load_passes_with_its_true_time() -> None:
    """History dates the jump at the first reading after it; live believes it at the second."""
    values = noisy(0.6, 20) + noisy(1.1, 20)
    found = levels({"a:pressure": series(values)})
    assert all(point.ok for point in found)
    assert found[20].depth_m == pytest.approx(1.1, abs=0.01)
    now = live({"a:pressure": series(values)})
    assert not now[20].ok
    assert now[21].ok


def test_a_float_switch_makes_a_depth_that_cannot_be_suspect() -> None:
    """The float at 20 in says up, the sensor says 10 in."""
    points = {"a:pressure": series(noisy(0.254, 12)), "c:float": series([1.0] * 12)}
    found = levels(points, MORE)
    assert {(grade_of(p.quality), reason_of(p.quality)) for p in found} == {(Grade.SUSPECT, Reason.FLOAT)}
    assert all(p.ok for p in levels({**points, "c:float": series([0.0] * 12)}, MORE))


def test_two_sensors_that_disagree_for_an_hour_are_both_in_doubt_until_a_float_tells() -> None:
    """Without a third fact nobody is believed; the float clears the one that can be right."""
    apart = {"a:pressure": series(noisy(1.0, 24)), "c:gap": series([2.0 - 0.30] * 12 + [2.0 - 0.301] * 12)}
    doubt = levels(apart, MORE)[-1]
    assert (grade_of(doubt.quality), reason_of(doubt.quality)) == (Grade.SUSPECT, Reason.DISAGREES)
    cleared = levels({**apart, "c:float": series([1.0] * 24)}, MORE)[-1]
    assert cleared.ok
    assert cleared.depth_m == pytest.approx(1.0, abs=0.01)


def test_a_second_sensor_speaks_when_the_first_is_silent() -> None:
    """The tank stays known; the first one speaks again when it is back."""
    points = {"a:pressure": series(noisy(1.0, 6)), "c:gap": series([1.0, 1.001] * 24)}
    found = levels(points, MORE)
    assert found[-1].ok
    assert found[-1].ts_ms == START + 47 * 10 * MINUTE_MS


def test_a_value_that_stands_still_while_its_noise_is_known_becomes_suspect() -> None:
    """Ninety minutes of one value from a sensor that never gave the same twice."""
    values = noisy(1.0, 60) + [pressure(1.0)] * 120
    found = levels({"a:pressure": series(values, every_min=1)})
    assert found[59].ok
    assert found[100].ok
    assert reason_of(found[-1].quality) is Reason.STUCK


def test_a_quiet_coarse_sensor_is_not_called_stuck() -> None:
    """A night without a draw gives one value, and that is right."""
    found = levels({"b:gap": series([1.2] * 300, every_min=1)}, tank="shed")
    assert all(point.ok for point in found)


def test_the_noise_that_a_sensor_shows_is_in_its_doubt() -> None:
    """A wild sensor is less sure, a calm one surer, and the whole doubt never gets smaller than what was stated."""
    calm = levels({"b:gap": series([1.2, 1.2005] * 90, every_min=2)}, tank="shed")[-1]
    wild = levels({"b:gap": series([1.2, 1.23, 1.18, 1.21, 1.17] * 36, every_min=2)}, tank="shed")[-1]
    assert wild.u_noise_m3 > 3 * calm.u_noise_m3
    first = levels({"b:gap": series([1.2, 1.2005] * 90, every_min=2)}, tank="shed")[0]
    assert (calm.u_noise_m3**2 + calm.u_scale_m3**2) ** 0.5 >= 0.99 * (first.u_noise_m3**2 + first.u_scale_m3**2) ** 0.5


@pytest.mark.slow
@settings(max_examples=15)
@given(
    st.lists(st.sampled_from([0.3, 0.9, 0.905, 0.91, 1.4]), min_size=60, max_size=140),
    st.integers(0, 12).map(lambda hours: START + hours * HOUR_MS),
)
def test_history_does_not_depend_on_where_one_begins_to_read(depths: list[float], begin: int) -> None:
    """An hour worked out alone is the hour worked out with its day: margins suffice."""
    rows = series([pressure(d) for d in depths])
    place = site()
    tank, instruments = place.tanks["main"], measures(place.instruments_of("main"))
    whole = history(Mounted(tank, instruments, Place()), {"a:pressure": rows}, START, START + 100 * HOUR_MS)
    near = [row for row in rows if begin - 3 * HOUR_MS <= row[0] < begin + 3 * HOUR_MS]
    part = history(Mounted(tank, instruments, Place()), {"a:pressure": near}, begin, begin + HOUR_MS)
    assert part == [point for point in whole if begin <= point.ts_ms < begin + HOUR_MS]


def test_a_value_frozen_for_two_hours_of_ten_minute_readings_is_stuck() -> None:
    """It was noisy before; that is remembered for as long as it stands still, also where it stands for a night."""
    points = {"a:pressure": series([*noisy(0.8, 40), *[pressure(0.8)] * 60])}
    found = live(points)
    assert {reason_of(each.quality) for each in found[52:]} == {Reason.STUCK}
    assert all(each.ok for each in found[5:48])


def test_a_value_that_was_quiet_before_is_not_stuck_for_standing_still() -> None:
    """A coarse sensor over water at rest shows one value for days."""
    points = {"a:pressure": series([pressure(0.8)] * 100)}
    assert all(each.ok for each in live(points))


class Kept:
    """A record of readings, with hours rolled up from them, as a store would give it."""

    def __init__(self, points: dict[str, list[tuple[int, float]]]) -> None:
        self.kept = points

    def points(self, series: str, start_ms: int, end_ms: int) -> list[tuple[int, float]]:
        return [row for row in self.kept.get(series, []) if start_ms <= row[0] < end_ms]

    def hours(self, series: str, before_ms: int) -> Iterator[Hour]:
        rows: dict[int, list[float]] = {}
        for ts, value in self.kept.get(series, []):
            rows.setdefault(ts - ts % HOUR_MS, []).append(value)
        for start in sorted(rows, reverse=True):
            if start < before_ms:
                yield Hour(start, min(rows[start]), max(rows[start]), len(rows[start]))


def by_hours(points: dict[str, list[tuple[int, float]]], more: str = "", told: Told = NOTHING):
    """History worked out hour by hour, each from its own margins and the record, as the service does it."""
    place, record = site(more), Kept(points)
    of = Mounted(place.tanks["main"], measures(place.instruments_of("main")), Place(), told)
    last = max(row[0] for rows in points.values() for row in rows)
    found = []
    for begin in range(START, last + 1, HOUR_MS):
        near = {name: record.points(name, begin - 3 * HOUR_MS, begin + 2 * HOUR_MS) for name in points}
        found += history(of, near, begin, begin + HOUR_MS, record)
    return found


@pytest.mark.parametrize("quiet_first", [False, True])
def test_a_night_of_one_value_is_judged_alike_live_and_in_history_hour_by_hour(quiet_first: bool) -> None:
    """What was before it decides, however long ago: a noisy sensor is stuck to the end, a quiet one is not."""
    before = [pressure(0.8)] * 40 if quiet_first else noisy(0.8, 40)
    points = {"a:pressure": series([*before, *[pressure(0.83)] * 120, *noisy(0.8, 12)])}
    now, then = live(points), by_hours(points)
    frozen = slice(40 + 10, 160)
    assert {each.quality for each in now[frozen]} == {each.quality for each in then[frozen]}
    assert {each.ok for each in then[frozen]} == {quiet_first}
    assert [p.ts_ms for p in then] == [p.ts_ms for p in levels(points)]


def test_a_silence_ends_a_run_of_equal_values() -> None:
    """Nobody knows what the value did meanwhile, so it is judged anew."""
    values = series([*noisy(0.8, 40), *[pressure(0.8)] * 20])
    later = series([pressure(0.8)] * 40, start=values[-1][0] + 5 * HOUR_MS)
    found = by_hours({"a:pressure": [*values, *later]})
    assert reason_of(found[58].quality) is Reason.STUCK
    assert all(each.ok for each in found[60:])
    assert [p.quality for p in live({"a:pressure": [*values, *later]})[60:]] == [p.quality for p in found[60:]]


def test_a_restart_remembers_since_when_a_value_stands_still() -> None:
    """Three hours are read again; the run began a night ago."""
    points = {"a:pressure": series([*noisy(0.8, 40), *[pressure(0.8)] * 80])}
    place, looks = site(), Surrounds()
    gauge = Gauge(place.tanks["main"], measures(place.instruments_of("main")), looks, Place())
    rows = points["a:pressure"]
    start = rows[-1][0] - 3 * HOUR_MS
    gauge.recall(Kept(points), start, rows[-1][0] + 1)
    found = [gauge.push("a:pressure", ts, value) for ts, value in rows if ts >= start]
    assert {reason_of(each.quality) for each in found if each is not None} == {Reason.STUCK}


SONAR = """
[sensor.main-second]
tank = "main"
kind = "ultrasonic"
series = "c:gap"
height = "2 m"
compensated = true
"""
APART = {
    "a:pressure": series(noisy(1.0, 40)),
    "c:gap": series([1.0, 1.001] * 6 + [0.70, 0.701] * 14),
}


def dip(depth_m: float, n: float) -> Noted:
    return Noted("dip", START + round(n * 10 * MINUTE_MS), {"tank": "main", "depth_m": depth_m})


def told(*notes: Noted) -> Told:
    place = site(SONAR)
    return told_of(place.tanks["main"], place.instruments_of("main"), notes)


def test_a_hand_dip_names_the_liar_of_two_sensors_for_a_day() -> None:
    """Nobody is believed until the dip; then the one that it contradicts is not, hour by hour too."""
    doubted = by_hours(APART, SONAR)
    assert not doubted[-1].ok
    cleared = by_hours(APART, SONAR, told(dip(1.0, 25)))
    assert cleared[-1].ok
    assert cleared[-1].depth_m == pytest.approx(1.0, abs=0.01)
    other = by_hours(APART, SONAR, told(dip(1.3, 25)))
    assert other[-1].ok
    assert other[-1].depth_m == pytest.approx(1.3, abs=0.01)


def quarrel(*dips: Noted, rows: dict[str, list[tuple[int, float]]] = APART, more: str = SONAR):
    """The live gauge after two sensors came apart, and dips."""
    place, looks = site(more), Surrounds()
    tank, instruments = place.tanks["main"], place.instruments_of("main")
    gauge = Gauge(tank, measures(instruments), looks, Place())
    events = sorted([(ts, name, value) for name, each in rows.items() for ts, value in each])
    waiting = list(told_of(tank, instruments, dips).dips)
    for ts, name, value in events:
        while waiting and waiting[0].ts_ms < ts:
            gauge.dip(waiting.pop(0))
        looks.note(name, ts, value)
        gauge.push(name, ts, value)
    for each in waiting:
        gauge.dip(each)
    return gauge.disputes(events[-1][0])


def test_a_lasting_disagreement_is_a_fact_with_the_likelier_liar() -> None:
    """Both depths, since when, and who by which fact; nobody without one."""
    (found,) = quarrel()
    assert (found.first, found.second, found.liar) == ("main-level", "main-second", "")
    assert found.first_m == pytest.approx(1.0, abs=0.01)
    assert found.second_m == pytest.approx(1.3, abs=0.01)
    assert found.since_ms == START + 130 * MINUTE_MS
    assert found.words(site().measure) == (
        "main-level says 39.3 in, main-second 51.1 in. Dip the tank to tell which of them is wrong."
    )
    sensors, by_dip = quarrel(dip(1.0, 30))
    assert (sensors.liar, sensors.by) == ("main-second", "the hand dip")
    assert (by_dip.first, by_dip.second) == ("main-second", "")
    assert "Likely wrong: main-second, by the hand dip." in sensors.words(site().measure)


def test_a_sensor_that_moved_faster_than_any_pump_can_fill_is_the_likelier_liar() -> None:
    """By the minute a jump of a foot in this tank is 4.5 gal/s: the other one is believed."""
    rows = {
        "a:pressure": series(noisy(1.0, 200), every_min=1),
        "c:gap": [
            (ts - 59_000 * (n >= 60), v) for n, (ts, v) in enumerate(series([1.0, 1.001] * 30 + [0.4, 0.401] * 70, 1))
        ],
    }
    (found,) = quarrel(rows=rows)
    assert (found.liar, found.by) == ("main-second", "how fast the tank can change")


def test_one_sensor_and_a_dip_that_contradict_each_other_are_told() -> None:
    """Nobody is called a liar; the next dip that agrees ends it."""
    rows = {"a:pressure": APART["a:pressure"]}
    (found,) = quarrel(dip(0.5, 20), rows=rows, more="")
    assert (found.first, found.second, found.liar) == ("main-level", "", "")
    assert found.words(site().measure).endswith("correct the sensor: holdwater calibrate.")
    assert quarrel(dip(0.5, 20), dip(1.0, 22), rows=rows, more="") == ()
    assert quarrel(dip(1.0, 20), rows=rows, more="") == ()


def test_a_dip_written_down_an_hour_later_is_compared_with_what_was_shown_then() -> None:
    """The tank fell by a foot since."""
    rows = {"a:pressure": series(noisy(1.0, 20) + noisy(0.7, 20))}
    assert quarrel(dip(1.0, 17), rows=rows, more="") == ()
    place, looks = site(), Surrounds()
    gauge = Gauge(place.tanks["main"], measures(place.instruments_of("main")), looks, Place())
    for ts, value in rows["a:pressure"]:
        gauge.push("a:pressure", ts, value)
    gauge.dip(told(dip(1.0, 17)).dips[0])
    assert gauge.disputes(START + 7 * HOUR_MS) == ()


def test_warming_that_only_one_sensor_sees_is_no_disagreement() -> None:
    """A third instrument knows the water warm: a weighing sensor with a fixed density does not see it rise."""
    sharp = (
        SONAR.replace("compensated", 'accuracy = "1 mm"\nheight_doubt = "0 mm"\ncompensated')
        + '[sensor.main-fourth]\ntank = "main"\nkind = "pressure"\nseries = "e:pressure"\nheight = "0 in"\n'
        + 'accuracy = "1 mm"\nheight_doubt = "0 mm"\n'
    )
    knows = '[sensor.main-third]\ntank = "main"\nkind = "pressure"\nseries = "d:pressure"\nheight = "0 in"\nwater = "d:water"\n'
    hot = {"e:pressure": series([9.80665 * 999.1 * 1.5] * 40), "c:gap": series([0.490, 0.4901] * 20)}
    assert len(quarrel(rows=hot, more=sharp)) == 1
    assert quarrel(rows={**hot, "d:water": series([40.0] * 40)}, more=sharp + knows) == ()


def test_twice_the_distance_is_an_echo_that_went_twice_until_it_lasts() -> None:
    """It is refused for half an hour beside a trusted distance; water that stays there is believed."""
    found = levels({"b:gap": series([1.2, 1.201] * 6 + [2.0 - 0.8 + 1.2 - 1.2] + [1.2] * 6, 5)}, tank="shed")
    assert all(each.ok for each in found)
    shed = levels({"b:gap": series([0.9, 0.901] * 10 + [1.8, 1.801] * 12, 5)}, tank="shed")
    assert {reason_of(p.quality) for p in shed[20:25]} == {Reason.DOUBLE_ECHO}
    assert shed[20].quality >= 200
    assert shed[30].ok


CELL = """
[tank.butt]
use = "garden"
shape = { kind = "upright cylinder", diameter = "24 in", height = "36 in" }
[sensor.butt-weight]
tank = "butt"
kind = "load cell"
series = "d:weight"
empty = "20 kg"
accuracy = "1 kg"
water = "d:water"
"""


def test_the_weight_of_a_vessel_is_its_depth_with_its_doubt() -> None:
    """Net weight over density by temperature and the vessel's own floor area; live and in history."""
    floor_m2 = 3.14159265 * 0.3048**2
    kg = [20 + 998.2 * floor_m2 * 0.5 + wiggle for wiggle in (0.0, 0.1, -0.1) * 10]
    points = {"d:weight": series(kg), "d:water": series([20.0] * 30)}
    found = levels(points, CELL, "butt")
    assert found[5].ok
    assert found[5].depth_m == pytest.approx(0.5, abs=0.001)
    assert found[5].u_noise_m3 == pytest.approx(0.001 / 3**0.5, rel=0.02)
    assert [(p.depth_m, p.quality) for p in live(points, CELL, "butt")] == [(p.depth_m, p.quality) for p in found]
    wrong = levels({"d:weight": series([5.0] * 5 + [900.0] * 5)}, CELL, "butt")
    assert {reason_of(p.quality) for p in wrong} == {Reason.OUT_OF_RANGE}
    assert all(p.depth_m is None for p in wrong)


def test_a_weight_that_stands_for_a_point_of_water_has_a_finite_doubt() -> None:
    """A sphere begins at a point; its depth is in doubt by what a kilogram can be there, not by infinity."""
    ball = CELL.replace('"upright cylinder", diameter = "24 in", height = "36 in"', '"sphere", diameter = "30 in"')
    found = levels({"d:weight": series([20.10, 20.11] * 6)}, ball, "butt")
    assert all(p.ok and p.depth_m is not None and p.depth_m < 0.05 for p in found)
    assert 0 < found[0].u_noise_m3 < 0.005
