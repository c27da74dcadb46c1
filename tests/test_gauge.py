"""From readings to the level of a tank: live and over history, with what contradicts a sensor."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holdwater.gauge import Gauge, Mounted, Place, Surrounds, history, measures
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
    whole = history(tank, instruments, Place(), {"a:pressure": rows}, START, START + 100 * HOUR_MS)
    near = [row for row in rows if begin - 3 * HOUR_MS <= row[0] < begin + 3 * HOUR_MS]
    part = history(tank, instruments, Place(), {"a:pressure": near}, begin, begin + HOUR_MS)
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
