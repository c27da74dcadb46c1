"""The Hampel filter: outliers, steps, quiet water, gaps, and history that does not depend on the order of arrival."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwater_sensors.filter import MAD_TO_SD, SPIKE, Hampel, Point, Verdict, Window, judge, verdicts
from holdwater_sensors.quality import OK

FACTS = json.loads((Path(__file__).parents[1] / "reference" / "sensing-facts.json").read_text(encoding="utf-8"))
MINUTE = 60_000
TINY = Window(floor=1e-9)
WATER = Window(floor=0.002)


def _minutes(values: list[float]) -> list[Point]:
    return [(at * MINUTE, value) for at, value in enumerate(values)]


def _flagged(values: list[float], window: Window) -> list[int]:
    return [at for at, verdict in enumerate(verdicts(_minutes(values), window)) if verdict.quality != OK]


def _live(points: list[Point], window: Window) -> tuple[list[Verdict], list[Verdict]]:
    live, provisional, final = Hampel(window), [], []
    for ts_ms, value in points:
        now, ready = live.push(ts_ms, value)
        provisional.append(now)
        final += ready
    return provisional, final + list(live.flush())


def test_the_published_vector_flags_its_two_outliers_and_no_more() -> None:
    """k = 3, n = 3: indices 4 and 9, replaced by 50.0 (PyPI hampel 1.0.2 agrees)."""
    case = FACTS["hampel"]
    found = list(verdicts(_minutes(case["values"]), TINY))
    assert [at for at, verdict in enumerate(found) if verdict.quality == SPIKE] == case["outliers"]
    assert [found[at].median for at in case["outliers"]] == [case["replaced_by"]] * 2


def test_the_scale_is_that_of_a_normal_distribution() -> None:
    """1.4826 = 1 / (sqrt 2 erfinv 1/2), by Python's own normal distribution."""
    from statistics import NormalDist

    assert pytest.approx(1 / NormalDist().inv_cdf(0.75), rel=1e-12) == MAD_TO_SD


def test_the_deviation_of_the_textbook_example_is_met() -> None:
    """1 1 2 2 4 6 9: median 2, deviation 1; at n = 4.5 the 9 is an outlier, at n = 5 it is not."""
    values = FACTS["mad"]["values"]
    points = _minutes(values)
    assert judge(points, 3, Window(1e-9, k=3)).median == FACTS["mad"]["median"]
    wide = [(0, values[6])] + [(1 + at, value) for at, value in enumerate(values[:6])]
    assert judge(wide, 0, Window(1e-9, k=6, n=7 / MAD_TO_SD - 0.01)).quality == SPIKE
    assert judge(wide, 0, Window(1e-9, k=6, n=7 / MAD_TO_SD + 0.01)).quality == OK


def test_one_count_of_change_on_steady_water_is_no_outlier() -> None:
    """Quantised steady data have a deviation of zero: without a floor index 4 is flagged, with one it is not."""
    trap = FACTS["hampel_trap"]
    assert _flagged(trap["values"], TINY) == trap["flagged_without_floor"]
    assert _flagged(trap["values"], Window(floor=0.1)) == []


@pytest.mark.parametrize("length", [1, 2, 3])
def test_a_burst_of_up_to_three_false_readings_is_flagged(length: int) -> None:
    """Fewer than half of seven neighbours cannot move the median."""
    values = [1.0] * 10 + [0.4] * length + [1.0] * 10
    assert _flagged(values, WATER) == list(range(10, 10 + length))


def test_a_delivered_load_passes_with_its_true_time() -> None:
    """A step in level: no reading of it is flagged in the end, neither the last before nor the first after."""
    values = [0.300] * 10 + [0.800] * 10
    assert _flagged(values, WATER) == []


def test_an_open_valve_passes_from_its_first_minute() -> None:
    """7 gal/min out of a tank of 6 gal an inch: 3 cm a minute, steady."""
    values = [1.2] * 10 + [1.2 - 0.03 * at for at in range(1, 20)]
    assert _flagged(values, WATER) == []


def test_a_load_is_doubted_at_first_and_believed_after_three_more_readings() -> None:
    """At arrival a step cannot be told from a spike; k readings later its first reading is final, and good."""
    points = _minutes([0.300] * 10 + [0.800] * 6)
    provisional, final = _live(points, WATER)
    assert [verdict.ts_ms // MINUTE for verdict in provisional if verdict.quality == SPIKE] == [10]
    assert all(verdict.quality == OK for verdict in final)


def test_quiet_water_is_believed_at_once() -> None:
    """No lag: every provisional verdict on quiet water with noise within the floor is ok."""
    dice = random.Random(7)
    points = _minutes([1.0 + dice.gauss(0, 0.001) for _ in range(500)])
    provisional, _ = _live(points, WATER)
    assert all(verdict.quality == OK for verdict in provisional)


def test_a_reading_after_a_silent_night_is_not_judged_by_those_before_it() -> None:
    """Neighbours farther away than the span are not looked at."""
    points = [*_minutes([1.0] * 5), (12 * 60 * MINUTE, 0.6), (12 * 60 * MINUTE + MINUTE, 0.6)]
    assert all(verdict.quality == OK for verdict in verdicts(points, WATER))
    near = [*_minutes([1.0] * 5), (6 * MINUTE, 0.6)]
    assert list(verdicts(near, WATER))[-1].quality == SPIKE


values_of_water = st.lists(
    st.tuples(st.integers(1, 90), st.one_of(st.floats(0.9, 1.1), st.sampled_from([0.2, 3.0, 1.0]))), max_size=25
)


def _timed(steps: list[tuple[int, float]]) -> list[Point]:
    points, at = [], 0
    for minutes, value in steps:
        at += minutes * MINUTE
        points.append((at, value))
    return points


@given(values_of_water)
def test_live_and_history_give_the_same_final_verdicts(steps: list[tuple[int, float]]) -> None:
    """Streaming equals the batch over the whole record, whatever the gaps."""
    points = _timed(steps)
    _, final = _live(points, WATER)
    assert final == list(verdicts(points, WATER))


@given(values_of_water, st.integers(0, 25))
def test_a_restart_changes_no_verdict(steps: list[tuple[int, float]], cut: int) -> None:
    """What is saved is all that is needed to go on."""
    points = _timed(steps)
    live, final = Hampel(WATER), []
    for at, (ts_ms, value) in enumerate(points):
        if at == cut:
            live = Hampel(WATER, *live.saved())
        final += live.push(ts_ms, value)[1]
    assert final + list(live.flush()) == list(verdicts(points, WATER))


@given(values_of_water, st.data())
def test_a_verdict_depends_on_three_readings_each_side_and_nothing_else(
    steps: list[tuple[int, float]], data: st.DataObject
) -> None:
    """Readings farther away may be anything: so history is the same for any order of arrival."""
    points = _timed(steps)
    if not points:
        return
    at = data.draw(st.integers(0, len(points) - 1))
    low, high = max(0, at - 3), min(len(points), at + 4)
    assert judge(points[low:high], at - low, WATER) == judge(points, at, WATER)


def test_memory_does_not_grow_with_the_record() -> None:
    """At most 2k + 1 readings are held."""
    live = Hampel(WATER)
    for at in range(1000):
        live.push(at * MINUTE, 1.0)
        assert len(live.saved()[0]) <= 2 * WATER.k + 1


def test_a_reading_that_comes_late_does_not_go_into_the_live_filter() -> None:
    """Late readings belong to history."""
    live = Hampel(WATER)
    live.push(MINUTE, 1.0)
    with pytest.raises(ValueError, match="order of time"):
        live.push(MINUTE, 1.0)
    with pytest.raises(ValueError, match="order of time"):
        live.glance(MINUTE, 1.0)
