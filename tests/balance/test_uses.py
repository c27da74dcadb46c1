"""Falls and rises: found, measured, not invented, whatever the batches, gaps and stray echoes."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from balance.invented import START_MS, UPRIGHT_42_IN_M2, Draw, fills, household_draws, readings
from holdwater.balance.points import DAY_MS, HOUR_MS, MINUTE_MS, Point
from holdwater.balance.uses import Move, Segmenter, moves
from holdwater.units import M3_PER_GAL

NEAR_MS = 15 * MINUTE_MS


def _gal(found: Sequence[Move]) -> float:
    return math.fsum(move.m3 for move in found) / M3_PER_GAL


def _overlaps(move: Move, draw: Draw, slack_ms: int = NEAR_MS) -> bool:
    same_way = move.is_fall == (draw.gal > 0)
    return same_way and move.start_ms <= draw.end_ms + slack_ms and move.end_ms >= draw.start_ms - slack_ms


def _one_draw(gal: float, minutes: float, at_h: float = 12.0) -> Draw:
    start = START_MS + round(at_h * HOUR_MS)
    return Draw(start, start + round(minutes * MINUTE_MS), gal)


@pytest.mark.slow
@pytest.mark.parametrize(("every_min", "seasons", "allowed"), [(10, 8, 8), (1, 2, 2)])
def test_noise_alone_makes_at_most_one_false_use_in_a_hundred_days(every_min: int, seasons: int, allowed: int) -> None:
    """At 3 mm of noise in the 42 in upright tank, by ten-minute and by minute readings."""
    false = 0
    for seed in range(seasons):
        found = moves(readings([], days=100, every_min=every_min, noise_m=0.003, seed=seed))
        false += sum(move.is_fall for move in found)
    assert false <= allowed


@pytest.mark.slow
@pytest.mark.parametrize("every_min", [10, 1])
@pytest.mark.parametrize("noise_m", [0.003, 0.0015, 0.0008])
def test_draws_of_three_gallons_are_found(every_min: int, noise_m: float) -> None:
    """At least 95 of 100 draws of 3 gal and more among a household's smaller ones, with one stray echo in a hundred."""
    hits = total = 0
    for seed in range(3 if every_min == 10 else 1):
        draws = household_draws(60, seed, per_day=4)
        found = moves(
            readings(
                draws + fills(60, 7, 77), days=60, every_min=every_min, noise_m=noise_m, seed=seed + 100, spikes=0.01
            )
        )
        large = [draw for draw in draws if draw.gal >= 3]
        hits += sum(any(_overlaps(move, draw) for move in found) for draw in large)
        total += len(large)
    assert total > 80
    assert hits >= 0.95 * total


@pytest.mark.slow
@pytest.mark.parametrize("every_min", [10, 1])
def test_the_total_of_uses_is_within_three_percent(every_min: int) -> None:
    """With 1.5 mm of noise; the fills are subtracted, since a draw during a fill shows as a smaller fill."""
    draws, filled = household_draws(60, 4, per_day=4), fills(60, 7, 77)
    found = moves(readings(draws + filled, days=60, every_min=every_min, noise_m=0.0015, seed=5))
    used = -_gal(found) - sum(draw.gal for draw in filled)
    assert used == pytest.approx(sum(draw.gal for draw in draws), rel=0.03)


@pytest.mark.parametrize("gal", [3.0, 5.0, 22.0, 77.0])
@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("every_min", [1, 10])
def test_a_single_draw_is_measured_within_its_doubt(gal: float, sign: int, every_min: int) -> None:
    """One fall or rise of known size and time: volume within three standard uncertainties, time within two readings."""
    draw = _one_draw(sign * gal, gal / 2)
    (move,) = moves(readings([draw], days=1, every_min=every_min, noise_m=0.001, seed=3, start_gal=200))
    assert move.m3 / M3_PER_GAL == pytest.approx(-sign * gal, abs=3 * move.u_m3 / M3_PER_GAL + 0.1)
    assert abs(move.start_ms - draw.start_ms) <= 3 * every_min * MINUTE_MS
    assert abs(move.end_ms - draw.end_ms) <= 3 * every_min * MINUTE_MS
    assert not move.gap


def test_the_stated_doubt_of_a_use_is_the_scatter_of_its_error() -> None:
    """Over 60 seeds the error over its standard uncertainty has a spread near one."""
    errors = []
    for seed in range(60):
        found = moves(readings([_one_draw(8, 4)], days=1, every_min=10, noise_m=0.002, seed=seed))
        assert len(found) == 1
        errors.append((-found[0].m3 - 8 * M3_PER_GAL) / found[0].u_m3)
    spread = math.sqrt(sum(error**2 for error in errors) / len(errors))
    assert 0.6 < spread < 1.4


@pytest.mark.slow
def test_slow_drift_is_no_use() -> None:
    """Of a drift of 0.1 gal an hour for ten days at 3 mm of noise, under a tenth passes for uses, at eight seeds."""
    slow = Draw(START_MS, START_MS + 10 * DAY_MS, 24.0)
    found = [
        move for seed in range(8) for move in moves(readings([slow], days=10, every_min=10, noise_m=0.003, seed=seed))
    ]
    assert -_gal([move for move in found if move.is_fall]) < 0.1 * 8 * 24


def test_a_stray_echo_is_no_use() -> None:
    """One reading far out, and two in a row at different places, move no water."""
    points = readings([], days=1, every_min=10, noise_m=0.001, seed=1)
    for k, jump in ((50, -0.3), (90, -0.2), (91, -0.35)):
        points[k] = Point(points[k].ts_ms, points[k].on_hand_m3 + jump, points[k].u_noise_m3)
    assert moves(points) == []


def test_rejected_readings_are_left_out() -> None:
    """A whole stretch of readings that are not ok changes nothing."""
    points = readings([], days=1, every_min=10, noise_m=0.001, seed=1)
    wrong = [
        Point(p.ts_ms, p.on_hand_m3 - 0.4, p.u_noise_m3, ok=False) if 30 <= k < 34 else p for k, p in enumerate(points)
    ]
    assert moves(wrong) == []


def test_readings_out_of_order_twice_or_without_a_number_are_left_out() -> None:
    """Old times, repeated times and NaN are passed over."""
    points = readings([_one_draw(6, 3)], days=1, every_min=10, noise_m=0.001, seed=1)
    messy = [
        each for p in points for each in (p, p, Point(p.ts_ms - 5, 0.0, 0.001), Point(p.ts_ms + 1, math.nan, 0.001))
    ]
    assert moves(messy) == moves(points)


def test_a_fall_during_a_gap_is_one_use_of_unknown_time() -> None:
    """Three draws while nothing was heard are one move from the last reading before to the first after."""
    silent = (START_MS + 10 * HOUR_MS, START_MS + 16 * HOUR_MS)
    draws = [_one_draw(4, 2, at_h) for at_h in (11, 13, 15)]
    points = readings(draws, days=1, every_min=10, noise_m=0.001, seed=6, silent=[silent])
    (move,) = moves(points)
    assert move.gap
    assert move.m3 / M3_PER_GAL == pytest.approx(-12, abs=0.5)
    assert move.start_ms == max(p.ts_ms for p in points if p.ts_ms < silent[0])
    assert move.end_ms == min(p.ts_ms for p in points if p.ts_ms >= silent[1])


def test_a_gap_without_a_fall_is_no_use() -> None:
    """Silence alone moves no water, at 40 seeds."""
    silent = [(START_MS + 10 * HOUR_MS, START_MS + 16 * HOUR_MS)]
    for seed in range(40):
        assert moves(readings([], days=1, every_min=10, noise_m=0.003, seed=seed, silent=silent)) == []


def test_a_draw_that_a_gap_cuts_short_keeps_both_parts() -> None:
    """Water gone before and during the gap adds up."""
    draw = _one_draw(60, 120, 9.0)
    silent = [(START_MS + 10 * HOUR_MS, START_MS + 13 * HOUR_MS)]
    found = moves(readings([draw], days=1, every_min=1, noise_m=0.001, seed=6, silent=silent))
    assert [move.gap for move in found] == [False, True]
    assert _gal(found) == pytest.approx(-60, abs=0.6)


def test_a_fall_then_a_rise_are_two_moves() -> None:
    """Water drawn and then filled up at once does not cancel."""
    draws = [_one_draw(20, 10, 12.0), _one_draw(-40, 20, 12.2)]
    found = moves(readings(draws, days=1, every_min=1, noise_m=0.001, seed=8, start_gal=200))
    assert [round(move.m3 / M3_PER_GAL) for move in found] == pytest.approx([-20, 40], abs=1)


def test_noise_stated_too_small_is_learned() -> None:
    """A sensor four times as noisy as it says makes no uses either."""
    found = moves(readings([], days=20, every_min=10, noise_m=0.004, stated_m=0.001, seed=9))
    assert len(found) <= 1


def test_small_draws_add_up_to_a_use() -> None:
    """Ten draws of half a gallon within two hours at 3 mm (0.7 gal) of noise are found as falls of about 5 gal."""
    draws = [_one_draw(0.5, 0.5, 12 + k / 5) for k in range(10)]
    found = moves(readings(draws, days=1, every_min=1, noise_m=0.003, seed=10))
    assert _gal(found) == pytest.approx(-5, abs=1.2)


def test_a_draw_is_seen_while_it_goes_on() -> None:
    """At 1 gal/min and 1.5 mm of noise the ongoing fall is seen within 6 min, with its rate and what is gone."""
    segmenter = Segmenter()
    points = readings([_one_draw(60, 60)], days=1, every_min=1, noise_m=0.0015, seed=12)
    start_ms = START_MS + 12 * HOUR_MS
    seen_ms = None
    for point in points:
        segmenter.feed(point)
        now = segmenter.ongoing()
        if now is not None and now.m3 < 0 and seen_ms is None:
            seen_ms = point.ts_ms
        if point.ts_ms == start_ms + 30 * MINUTE_MS:
            assert now is not None
            assert now.m3 / M3_PER_GAL == pytest.approx(-29, abs=2)
            assert now.rate_m3_s * 60 / M3_PER_GAL == pytest.approx(-1, abs=0.3)
            assert now.last_ms == point.ts_ms
            assert 0 <= now.last_ms - now.until_ms <= 5 * MINUTE_MS
            assert now.start_ms == pytest.approx(start_ms, abs=3 * MINUTE_MS)
            assert now.u_m3 > 0
    assert seen_ms is not None
    assert seen_ms - start_ms <= 6 * MINUTE_MS
    assert segmenter.ongoing() is None


@pytest.mark.parametrize(("area_m2", "gal_min", "most_gal"), [(UPRIGHT_42_IN_M2, 1, 6), (3.7, 1, 10), (3.7, 7, 28)])
def test_an_open_valve_is_seen_before_much_is_lost(area_m2: float, gal_min: float, most_gal: float) -> None:
    """By minute readings at 3 mm of noise, in the upright tank and over 3.7 m2 (lying, half full), at ten seeds."""
    for seed in range(10):
        start_ms = START_MS + 6 * HOUR_MS
        draw = Draw(start_ms, start_ms + HOUR_MS, gal_min * 60)
        segmenter, lost = Segmenter(), []
        for point in readings([draw], days=0.3, every_min=1, noise_m=0.003, seed=seed, area_m2=area_m2, start_gal=800):
            segmenter.feed(point)
            now = segmenter.ongoing()
            if now is not None and now.m3 < 0 and point.ts_ms > start_ms:
                lost.append((point.ts_ms - start_ms) / MINUTE_MS * gal_min)
        assert lost[0] <= most_gal


def test_an_ongoing_draw_counts_from_before_a_short_pause() -> None:
    """Two runs of a hose 17 min apart: while the second goes on, both count, from the start of the first."""
    first, second = _one_draw(10, 5, 12.0), _one_draw(30, 15, 12.36)
    segmenter, found = Segmenter(), []
    for point in readings([first, second], days=1, every_min=1, noise_m=0.0005, seed=3):
        found += segmenter.feed(point)
        if point.ts_ms == second.start_ms // MINUTE_MS * MINUTE_MS + 10 * MINUTE_MS:
            now = segmenter.ongoing()
            assert now is not None
            assert now.m3 / M3_PER_GAL == pytest.approx(-10 - 19, abs=2.5)
            assert now.start_ms == pytest.approx(first.start_ms, abs=2 * MINUTE_MS)
    (move,) = found
    assert move.m3 / M3_PER_GAL == pytest.approx(-40, abs=0.3)


def test_a_node_that_begins_to_report_each_hour_is_not_silent_for_ever() -> None:
    """After minute readings, hourly ones: within a week of them a draw is a draw again and no gap."""
    quick = readings([], days=1, every_min=1, noise_m=0.001, seed=3)
    draws = [Draw(START_MS + day * DAY_MS, START_MS + day * DAY_MS + HOUR_MS // 4, 8.0) for day in range(2, 14)]
    slow = readings(draws, days=14, every_min=60, noise_m=0.001, seed=4)
    found = moves(quick + [point for point in slow if point.ts_ms > quick[-1].ts_ms])
    assert _gal(found) == pytest.approx(-96, abs=2)
    assert not any(move.gap for move in found if move.start_ms > START_MS + 8 * DAY_MS)


def test_a_record_may_begin_in_the_middle_of_a_draw() -> None:
    """What went before the first reading is unknown; what follows is one fall."""
    draw = Draw(START_MS - HOUR_MS, START_MS + HOUR_MS, 60)
    found = moves(readings([draw], days=1, every_min=1, noise_m=0.001, seed=3))
    assert _gal(found) == pytest.approx(-30, abs=3)


def test_a_record_may_be_broken_off_at_once() -> None:
    """Two readings, a night of silence, and a fall in it."""
    silent = [(START_MS + 20 * MINUTE_MS, START_MS + 8 * HOUR_MS)]
    before = [Point(START_MS - k * 600_000, 340 * M3_PER_GAL, 0.001) for k in (2, 1)]
    after = readings([_one_draw(10, 5, 4.0)], days=1, every_min=10, noise_m=0.001, seed=3, silent=silent)
    (move,) = moves(before + after)
    assert move.gap
    assert move.m3 / M3_PER_GAL == pytest.approx(-10, abs=1)


def test_an_open_draw_is_told_at_the_end() -> None:
    """A record that ends in the middle of a draw still holds what went."""
    points = readings([_one_draw(60, 120, 23.0)], days=1, every_min=1, noise_m=0.001, seed=12)
    assert _gal(moves(points)) == pytest.approx(-29.5, abs=2)


def test_settled_time_says_up_to_when_moves_are_complete() -> None:
    """Whatever is told later ends after the settled time of before."""
    segmenter, settled = Segmenter(), 0
    draws = household_draws(5, 1) + fills(5, 2, 77)
    for point in readings(draws, days=5, every_min=10, noise_m=0.001, seed=1):
        for move in segmenter.feed(point):
            assert move.end_ms >= settled
        assert segmenter.settled_ms >= settled or segmenter.ongoing() is not None
        settled = max(settled, segmenter.settled_ms)
    assert settled > START_MS + 4 * DAY_MS


def test_stored_state_of_another_version_is_refused() -> None:
    """The words say to fold again."""
    with pytest.raises(ValueError, match=r"version 99.*fold again"):
        Segmenter.from_bytes(b"[99,{}]")


def test_an_empty_record_moves_nothing() -> None:
    """No readings, one reading, two readings."""
    assert moves([]) == []
    assert moves([Point(0, 1.0, 0.001)]) == []
    assert moves([Point(0, 1.0, 0.001), Point(600_000, 0.9, 0.001)]) == []
    assert Segmenter().ongoing() is None


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000), cuts=st.lists(st.integers(0, 430), max_size=6), every=st.sampled_from([10, 7, 20]))
def test_batches_and_restarts_change_nothing(seed: int, cuts: list[int], every: int) -> None:
    """Cut anywhere, store and load the state there: the same moves to the last bit."""
    draws = household_draws(3, seed) + fills(3, 1, 60)
    silent = [(START_MS + 20 * HOUR_MS, START_MS + 27 * HOUR_MS)]
    points = readings(draws, days=3, every_min=every, noise_m=0.002, seed=seed, silent=silent, spikes=0.03)
    whole = moves(points)
    segmenter, found, before = Segmenter(), [], 0
    for cut in [*sorted(min(cut, len(points)) for cut in cuts), len(points)]:
        for point in points[before:cut]:
            found += segmenter.feed(point)
        segmenter, before = Segmenter.from_bytes(segmenter.to_bytes()), cut
    assert found + segmenter.close() == whole


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_moves_are_in_order_and_do_not_overlap(seed: int) -> None:
    """Each begins at or after the end of the one before, and has a size beyond its doubt."""
    rng = random.Random(seed)
    level, points = 1.0, []
    for k in range(400):
        if rng.random() < 0.05:
            level += rng.choice((-1, 1)) * rng.uniform(0, 0.1)
        points.append(Point(k * 600_000 + (6 * HOUR_MS if k > 200 else 0), level + rng.gauss(0, 0.002), 0.002))
    found = moves(points)
    for move in found:
        assert move.end_ms > move.start_ms
        assert abs(move.m3) >= 4 * move.u_m3
        assert move.duration_s == (move.end_ms - move.start_ms) / 1000
    assert all(b.start_ms >= a.start_ms and b.end_ms > a.end_ms for a, b in pairwise(found))


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000), offset=st.floats(0, 3), scale=st.sampled_from([0.25, 0.5, 2.0, 4.0]))
def test_a_scaled_and_shifted_tank_moves_the_scaled_water(seed: int, offset: float, scale: float) -> None:
    """Scale errors only scale: same moves, volumes times the factor (powers of two, so that rounding is equal)."""
    points = readings(household_draws(2, seed), days=2, every_min=10, noise_m=0.002, seed=seed)
    other = [Point(p.ts_ms, p.on_hand_m3 * scale, p.u_noise_m3 * scale) for p in points]
    assert [(m.start_ms, m.end_ms, m.m3 * scale) for m in moves(points)] == [
        (m.start_ms, m.end_ms, m.m3) for m in moves(other)
    ]
    moved = [Point(p.ts_ms, p.on_hand_m3 + offset, p.u_noise_m3) for p in points]
    assert _gal(moves(moved)) == pytest.approx(_gal(moves(points)), abs=1e-6)


def test_the_tank_of_the_tests_is_the_households() -> None:
    """42 in upright: 6.0 gal an inch, so that 3 mm of noise is 0.7 gal."""
    assert pytest.approx(5.998, abs=0.01) == UPRIGHT_42_IN_M2 * 0.0254 / M3_PER_GAL


def test_water_that_went_in_a_gap_right_after_the_start_is_found() -> None:
    """Two readings before the gap are enough to compare with: the record need not have settled."""
    area = UPRIGHT_42_IN_M2
    first = [Point(START_MS + k * 10 * MINUTE_MS, (100 - 0.01 * k) * M3_PER_GAL, 0.001 * area) for k in range(2)]
    later = [Point(START_MS + DAY_MS + k * 10 * MINUTE_MS, 90 * M3_PER_GAL, 0.001 * area) for k in range(30)]
    (found,) = moves([*first, *later])
    assert found.gap
    assert found.m3 == pytest.approx(-10 * M3_PER_GAL, rel=0.02)
