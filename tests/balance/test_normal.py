"""What is normal: the usual draw near an hour, the usual use of an hour, and one wild draw that changes neither."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from balance.invented import START_MS
from holdwater.balance.kinds import USED, Entry
from holdwater.balance.normal import KEEP_MS, Normal
from holdwater.balance.points import DAY_MS, HOUR_MS, MINUTE_MS
from holdwater.balance.uses import Move
from holdwater.units import M3_PER_GAL

DENVER = ZoneInfo("America/Denver")


def _draw(day: int, hour: float, gal: float, minutes: float, *, usual: bool = True) -> Entry:
    start = START_MS + day * DAY_MS + round(hour * HOUR_MS)
    return Entry(Move(start, start + round(minutes * MINUTE_MS), -gal * M3_PER_GAL, 1e-4), USED, usual)


def _learned(days: int) -> Normal:
    """Two gallons in 2 min each morning at 7:30, twenty in 30 min each evening at 19:00."""
    model = Normal(DENVER)
    for day in range(days):
        model.add(_draw(day, 7.5, 2.0 + 0.01 * (day % 5), 2))
        model.add(_draw(day, 19.0, 20.0 + 0.1 * (day % 5), 30))
    return model


def test_the_usual_draw_depends_on_the_hour() -> None:
    """Small in the morning, large in the evening, unknown at night."""
    model = _learned(28)
    morning, evening, night = (model.usual_draw(START_MS + 28 * DAY_MS + h * HOUR_MS) for h in (8, 19, 2))
    assert morning.enough
    assert evening.enough
    assert morning.largest_m3 / M3_PER_GAL == pytest.approx(2.04, abs=0.01)
    assert morning.longest_s == 120
    assert evening.largest_m3 / M3_PER_GAL == pytest.approx(20.4, abs=0.1)
    assert evening.longest_s == 1800
    assert not night.enough
    assert night.draws == 0


@pytest.mark.parametrize("days", [10, 28, 56])
def test_one_open_valve_is_never_usual(days: int) -> None:
    """126 gal in 19 min once leaves the usual draw as it was."""
    model, plain = _learned(days), _learned(days)
    model.add(_draw(days, 18.7, 126, 19))
    plain.advance(START_MS + days * DAY_MS + round(18.7 * HOUR_MS) + 19 * MINUTE_MS)
    at_ms = START_MS + (days + 1) * DAY_MS + 19 * HOUR_MS
    assert model.usual_draw(at_ms).largest_m3 == pytest.approx(plain.usual_draw(at_ms).largest_m3, rel=0.01)
    assert model.usual_draw(at_ms).largest_m3 / M3_PER_GAL < 21
    assert model.usual_draw(at_ms).longest_s == 1800


def test_a_habit_becomes_usual() -> None:
    """A new evening habit of 40 gal counts as usual within two weeks."""
    model = _learned(28)
    at_ms = START_MS + 42 * DAY_MS + 19 * HOUR_MS
    for day in range(28, 42):
        model.add(_draw(day, 19, 40, 60))
    assert model.usual_draw(at_ms).largest_m3 / M3_PER_GAL == pytest.approx(40)


def test_old_habits_are_forgotten() -> None:
    """After eight weeks without, nothing is known any more; nothing grows without bound."""
    model = _learned(28)
    model.advance(START_MS + 28 * DAY_MS + KEEP_MS)
    assert model.usual_draw(START_MS + 19 * HOUR_MS).draws == 0
    assert len(_learned(200).to_bytes()) < len(_learned(57).to_bytes()) + 200


def test_draws_that_notes_or_gaps_explain_teach_nothing() -> None:
    """A watering is not usual; a rise is no draw."""
    model, plain = _learned(20), _learned(20)
    model.add(_draw(19, 19.6, 80, 40, usual=False))
    rise = Move(START_MS + 20 * DAY_MS, START_MS + 20 * DAY_MS + HOUR_MS, 0.4, 0.001)
    model.add(Entry(rise, "load"))
    plain.advance(rise.end_ms)
    assert model.to_bytes() == plain.to_bytes()


def test_few_days_or_draws_are_not_enough() -> None:
    """Six days are too few; seven with eight draws near the hour are enough."""
    assert not _learned(6).usual_draw(START_MS + 19 * HOUR_MS).enough
    assert _learned(9).usual_draw(START_MS + 19 * HOUR_MS).enough
    assert not Normal(DENVER).usual_draw(START_MS).enough


def test_midnight_is_near_eleven_and_one() -> None:
    """Hours are compared the short way round the clock."""
    model = Normal(DENVER)
    for day in range(10):
        model.add(_draw(day, 23.5, 3, 3))
    assert model.usual_draw(START_MS + 11 * DAY_MS + HOUR_MS // 2).draws == 10
    assert model.usual_draw(START_MS + 11 * DAY_MS + 12 * HOUR_MS).draws == 0


def test_usual_use_of_all_hours_is_the_daily_use() -> None:
    """28 days of 22.2 gal: the hours of a week sum to seven days' use."""
    model = _learned(28)
    model.advance(START_MS + 28 * DAY_MS)
    week = sum(model.usual_use(hour, weekday).m3 for hour in range(24) for weekday in range(7)) / M3_PER_GAL
    assert week == pytest.approx(7 * 22.2, rel=0.05)
    assert model.usual_use(19, 0).m3 / M3_PER_GAL == pytest.approx(20.2, rel=0.05)
    assert model.usual_use(3, 0).m3 == 0
    assert model.usual_use(19, 0).enough
    assert not Normal(DENVER).usual_use(19, 0).enough


def test_wash_day_shows_in_its_weekday() -> None:
    """50 gal each Monday at ten: Monday stands out, and more with more weeks."""
    shares = []
    for weeks in (2, 7):
        model = Normal(DENVER)
        model.advance(START_MS)
        for day in range(7 * weeks):
            if day % 7 == 5:  # 1 July 2026 is a Wednesday
                model.add(_draw(day, 10, 50, 25))
                model.add(_draw(day, 10.2, 50, 25))
        model.advance(START_MS + 7 * weeks * DAY_MS)
        monday, tuesday = model.usual_use(10, 0), model.usual_use(10, 1)
        assert monday.m3 > 3 * tuesday.m3
        shares.append(monday.m3 / M3_PER_GAL)
    assert shares[0] < shares[1] < 105


def test_hours_are_those_of_the_clock_on_the_wall() -> None:
    """After the change of November the seven o'clock draw is still at seven, an hour later by UTC."""
    model = Normal(DENVER)
    first = 120  # 29 October; clocks go back on 1 November
    for day in range(first, first + 20):
        shift = 1 if day >= first + 3 else 0
        model.add(_draw(day, 7.2 + shift, 2, 2))
    at_ms = START_MS + (first + 21) * DAY_MS + round(8.2 * HOUR_MS)
    assert model.usual_draw(at_ms).draws == 20
    model.advance(START_MS + (first + 20) * DAY_MS)
    assert sum(model.usual_use(7, weekday).m3 for weekday in range(7)) > 0
    assert sum(model.usual_use(6, weekday).m3 + model.usual_use(8, weekday).m3 for weekday in range(7)) == 0


def test_stored_models_of_another_version_are_refused() -> None:
    """The words say to fold again."""
    with pytest.raises(ValueError, match=r"version 7.*fold again"):
        Normal.from_bytes(b"[7,0,0,[]]", DENVER)


@settings(max_examples=30, deadline=None)
@given(
    draws=st.lists(
        st.tuples(st.integers(0, 80), st.floats(0, 23.9), st.floats(0.1, 100), st.floats(1, 90)), max_size=60
    ),
    cut=st.integers(0, 60),
)
def test_batches_and_restarts_change_nothing(draws: list[tuple[int, float, float, float]], cut: int) -> None:
    """Stored and loaded anywhere, the model stays the same to the byte and in its answers."""
    entries = [_draw(*draw) for draw in sorted(draws)]
    whole, parts = Normal(DENVER), Normal(DENVER)
    for k, entry in enumerate(entries):
        whole.add(entry)
        if k == cut:
            parts = Normal.from_bytes(parts.to_bytes(), DENVER)
        parts.add(entry)
    assert parts.to_bytes() == whole.to_bytes()
    assert Normal.from_bytes(parts.to_bytes(), DENVER).usual_draw(START_MS) == whole.usual_draw(START_MS)
    assert parts.through_ms == whole.through_ms
