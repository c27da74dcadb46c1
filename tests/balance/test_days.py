"""Day accounts: they close exactly, hold every instant once, and say when a level is unknown."""

from __future__ import annotations

import math
from datetime import date, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from balance.invented import START_MS, Draw, fills, household_draws, readings
from holdwater.balance.days import account, accounts, day_bounds_ms, day_of, day_start_ms, mark, share_in
from holdwater.balance.kinds import entries
from holdwater.balance.points import DAY_MS, HOUR_MS, MINUTE_MS, Facts, Point, Rain, Span
from holdwater.balance.uses import Move, moves
from holdwater.units import M3_PER_GAL

DENVER = ZoneInfo("America/Denver")
FIRST = date(2026, 7, 1)
ZONES = [
    "America/Denver",
    "America/Havana",  # clocks change at midnight
    "America/Santiago",
    "Atlantic/Azores",
    "Australia/Lord_Howe",  # by half an hour
    "Africa/Cairo",
    "America/St_Johns",  # until 2011 a minute past midnight
    "Pacific/Apia",
    "Asia/Kathmandu",
    "UTC",
]


def test_the_tests_begin_at_a_local_midnight() -> None:
    """START_MS is the begin of 1 July in Denver."""
    assert day_start_ms(FIRST, DENVER) == START_MS


@pytest.mark.parametrize(("day", "hours"), [(date(2026, 3, 8), 23), (date(2026, 11, 1), 25), (date(2026, 7, 1), 24)])
def test_days_of_the_clock_change_have_their_hours(day: date, hours: int) -> None:
    """In Denver 2026: 8 March has 23 h, 1 November 25 h."""
    start_ms, end_ms = day_bounds_ms(day, DENVER)
    assert end_ms - start_ms == hours * HOUR_MS


@pytest.mark.parametrize("zone", ZONES)
@pytest.mark.parametrize("year", [2011, 2026])
def test_days_follow_each_other_without_rest(zone: str, year: int) -> None:
    """Every day ends where the next begins, none goes backwards, and a year of them is the year."""
    there, day, total = ZoneInfo(zone), date(year, 1, 1), 0
    while day < date(year + 1, 1, 1):
        start_ms, end_ms = day_bounds_ms(day, there)
        assert 0 <= end_ms - start_ms <= 25 * HOUR_MS
        assert end_ms == day_start_ms(day + timedelta(days=1), there)
        total += end_ms - start_ms
        day += timedelta(days=1)
    assert total == day_start_ms(date(year + 1, 1, 1), there) - day_start_ms(date(year, 1, 1), there)


@settings(max_examples=200)
@given(zone=st.sampled_from(ZONES), quarter=st.integers(0, 20 * 365 * 96))
def test_every_instant_belongs_to_one_day(zone: str, quarter: int) -> None:
    """The day that is named for an instant holds it."""
    there, ts_ms = ZoneInfo(zone), 1_262_304_000_000 + quarter * 900_000
    start_ms, end_ms = day_bounds_ms(day_of(ts_ms, there), there)
    assert start_ms <= ts_ms < end_ms


@pytest.mark.parametrize(
    ("zone", "day"),
    [
        ("America/Havana", date(2026, 11, 1)),  # from one back to midnight
        ("America/St_Johns", date(2010, 11, 7)),  # from 00:01 back to 23:01 of the day before
    ],
)
def test_an_evening_that_comes_twice_belongs_to_the_day_begun(zone: str, day: date) -> None:
    """Where clocks go back over or to midnight, all 25 h after the first midnight are that day's."""
    there = ZoneInfo(zone)
    start_ms, end_ms = day_bounds_ms(day, there)
    assert end_ms - start_ms == 25 * HOUR_MS
    assert {day_of(start_ms + k * HOUR_MS // 4, there) for k in range(100)} == {day}
    assert day_of(start_ms - 1, there) == day - timedelta(days=1)
    assert day_of(end_ms, there) == day + timedelta(days=1)


def _season(days: int, seed: int, **how: object) -> tuple[list[Point], list[Draw], list[Draw]]:
    draws, filled = household_draws(days, seed), fills(days, 5, 60)
    points = readings(draws + filled, days=days, every_min=10, noise_m=0.0015, seed=seed, **how)  # type: ignore[arg-type]
    return points, draws, filled


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 1000))
def test_the_balance_closes_exactly(seed: int) -> None:
    """Opening + in - used - unexplained is the closing and the next opening; the days add up to the season."""
    points, _, _ = _season(6, seed)
    found = entries(moves(points))
    days = list(accounts(FIRST, FIRST + timedelta(days=4), DENVER, points, found))
    for day in days[1:]:
        assert day.opening is not None
        assert day.closing is not None
        assert day.unexplained_m3 is not None
        assert day.opening.m3 + day.in_m3 - day.used_m3 - day.unexplained_m3 == pytest.approx(day.closing.m3, abs=1e-12)
    for before, after in pairwise(days):
        assert before.closing == after.opening
    whole = days[1:]
    assert whole[0].opening is not None
    assert whole[-1].closing is not None
    gone = math.fsum(day.gone_m3 for day in whole if day.gone_m3 is not None)
    came = math.fsum(day.in_m3 for day in whole)
    assert whole[0].opening.m3 + came - gone == pytest.approx(whole[-1].closing.m3, abs=1e-12)


def test_what_went_is_what_was_drawn() -> None:
    """Over 30 days used + unexplained is within 3 % of the true draws, however small they were, at 3 mm of noise."""
    draws, filled = household_draws(32, 3, per_day=9), fills(32, 5, 60)
    points = readings(draws + filled, days=32, every_min=10, noise_m=0.003, seed=5)
    days = list(accounts(FIRST + timedelta(days=1), FIRST + timedelta(days=30), DENVER, points, entries(moves(points))))
    span = (days[0].start_ms, days[-1].end_ms)
    true = sum(draw.gal for draw in draws if span[0] <= draw.start_ms < span[1])
    net = sum(day.gone_m3 - day.in_m3 for day in days if day.gone_m3 is not None) / M3_PER_GAL
    filled_gal = -sum(draw.gal for draw in filled if span[0] <= draw.start_ms < span[1])
    assert all(day.is_whole for day in days)
    assert net + filled_gal == pytest.approx(true, rel=0.03)


def test_unexplained_of_noise_is_within_its_doubt() -> None:
    """Without any water moved, unexplained over its standard uncertainty has a spread near one."""
    points = readings([], days=62, every_min=10, noise_m=0.003, seed=9)
    days = list(accounts(FIRST + timedelta(days=1), FIRST + timedelta(days=60), DENVER, points, []))
    ratios = [day.unexplained_m3 / day.u_m3 for day in days if day.unexplained_m3 is not None]
    assert len(ratios) == 60
    assert 0.6 < math.sqrt(sum(ratio**2 for ratio in ratios) / 60) < 1.3


def test_inflows_stand_by_kind() -> None:
    """A load by note, rain by gauge: each under its name, and the sum is what came."""
    load = Draw(START_MS + 34 * HOUR_MS, START_MS + 34 * HOUR_MS + 20 * MINUTE_MS, -100)
    rain = Draw(START_MS + 40 * HOUR_MS, START_MS + 41 * HOUR_MS, -50)
    points = readings([load, rain], days=3, every_min=10, noise_m=0.0015, seed=1, start_gal=100)
    note, shower = Span("load", load.start_ms, load.start_ms), Rain(rain.start_ms + 30 * MINUTE_MS, 0.01)
    found = entries(moves(points), [note], [shower], Facts(1.3, ("roof", "load"), 70))
    day = account(date(2026, 7, 2), DENVER, points, found)
    assert [kind for kind, _ in day.inflow_m3] == ["load", "caught"]
    assert [round(volume / M3_PER_GAL) for _, volume in day.inflow_m3] == pytest.approx([100, 50], abs=1)
    assert day.in_m3 == math.fsum(volume for _, volume in day.inflow_m3)
    assert day.used_m3 == 0


def test_a_use_over_midnight_is_shared_by_time() -> None:
    """Four fifths before midnight, one after: the shares add up to the whole."""
    midnight = day_start_ms(date(2026, 7, 2), DENVER)
    move = Move(midnight - 40 * MINUTE_MS, midnight + 10 * MINUTE_MS, -0.1, 0.002)
    assert share_in(move, midnight - DAY_MS, midnight) == pytest.approx(0.8)
    assert share_in(move, midnight, midnight + DAY_MS) == pytest.approx(0.2)


@given(start=st.integers(0, 10**7), length=st.integers(0, 10**8), cut=st.integers(0, 2 * 10**8))
def test_shares_of_neighbouring_spans_add_up(start: int, length: int, cut: int) -> None:
    """Wherever the cut lies, also for a move without length."""
    move = Move(start, start + length, -1.0, 0.1)
    assert share_in(move, 0, cut) + share_in(move, cut, 10**12) == pytest.approx(1.0)


def test_a_level_at_midnight_between_readings_is_their_middle() -> None:
    """Medians of the half hours on both sides, so that one stray reading near midnight changes nothing."""
    values = [1.0, 1.0, 5.0, 1.2, 1.2, 1.2]
    points = [Point((k - 3) * 600_000 + 300_000, value, 0.01) for k, value in enumerate(values)]
    found = mark(points, 0)
    assert found is not None
    assert found.m3 == pytest.approx(1.1)
    assert 0 < found.u_m3 < 0.011


def test_a_level_in_a_gap_over_midnight_is_doubted_by_what_could_be() -> None:
    """Six hours are bridged by a line with the doubt of a rectangle (GUM 4.3.7); longer is unknown."""
    near = [Point(-3 * HOUR_MS, 1.0, 0.0), Point(3 * HOUR_MS, 0.4, 0.0)]
    found = mark(near, 0)
    assert found is not None
    assert found.m3 == pytest.approx(0.7)
    skewed = mark([Point(-HOUR_MS, 1.0, 0.0), Point(3 * HOUR_MS, 0.4, 0.0)], 0)
    assert skewed is not None
    assert skewed.m3 == pytest.approx(0.85)
    assert found.u_m3 == pytest.approx(0.6 / math.sqrt(12))
    assert mark([Point(-3 * HOUR_MS, 1.0, 0.0), Point(3 * HOUR_MS + 1, 0.4, 0.0)], 0) is None
    assert mark(near[:1], 0) is None
    assert mark(near[1:], 0) is None
    assert mark([], 0) is None


def test_a_day_without_its_midnights_is_unknown_not_zero() -> None:
    """A silent day has no account, and says so."""
    points = readings(
        [], days=4, every_min=10, noise_m=0.001, seed=1, silent=[(START_MS + 20 * HOUR_MS, START_MS + 52 * HOUR_MS)]
    )
    day = account(date(2026, 7, 2), DENVER, points, [])
    assert day.opening is None
    assert day.unexplained_m3 is None
    assert day.gone_m3 is None
    assert not day.is_whole


def test_a_day_with_a_long_gap_is_not_whole() -> None:
    """Known levels, but three hours unheard: what went is known, when is not."""
    silent = [(START_MS + 32 * HOUR_MS, START_MS + 35 * HOUR_MS)]
    points = readings([], days=3, every_min=10, noise_m=0.001, seed=1, silent=silent)
    day = account(date(2026, 7, 2), DENVER, points, [])
    assert day.gone_m3 is not None
    assert day.heard_ms == 24 * HOUR_MS - 190 * MINUTE_MS
    assert not day.is_whole


def test_rejected_readings_do_not_make_the_level() -> None:
    """Only ok readings stand for the midnight level."""
    points = readings([], days=3, every_min=10, noise_m=0.001, seed=1)
    spoilt = [each for p in points for each in (p, Point(p.ts_ms + 1, 0.0, 0.001, ok=False))]
    assert account(date(2026, 7, 2), DENVER, spoilt, []) == account(date(2026, 7, 2), DENVER, points, [])


def test_accounts_of_many_days_are_the_accounts_of_each() -> None:
    """Cutting the season into days changes nothing."""
    points, _, _ = _season(5, 2)
    found = entries(moves(points))
    together = list(accounts(FIRST, FIRST + timedelta(days=4), DENVER, points, found))
    for each in together:
        touching = [one for one in found if one.move.end_ms >= each.start_ms and one.move.start_ms < each.end_ms]
        assert account(each.day, DENVER, points, touching) == each
