"""Days above reserve: robust daily use, an honest range, and unknown with its reason."""

from __future__ import annotations

import math
import random
from datetime import date, timedelta
from statistics import NormalDist
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from balance.invented import fills, household_draws, readings
from holdwater.balance.days import Account, Mark, accounts
from holdwater.balance.kinds import entries
from holdwater.balance.supply import (
    HORIZON_DAYS,
    Days,
    Supply,
    Unknown,
    Use,
    days_above_reserve,
    use_of_days,
    variance_factor,
)
from holdwater.balance.uses import moves
from holdwater.units import M3_PER_GAL

DENVER = ZoneInfo("America/Denver")
TODAY = date(2026, 9, 1)


def _day(back: int, gal: float, *, came_gal: float = 0.0, whole: bool = True) -> Account:
    """The account of a day so many days before TODAY."""
    day, gone = TODAY - timedelta(days=back), gal * M3_PER_GAL
    came = came_gal * M3_PER_GAL
    inflow = (("well", came),) if came else ()
    heard = 86_400_000 if whole else 3_600_000
    return Account(day, 0, 86_400_000, Mark(1.0, 0.0), Mark(1.0 + came - gone, 0.0), gone, inflow, 0.001, heard)


def _supply(*days: Account) -> Supply:
    model = Supply()
    for day in days:
        model.add(day)
    return model


def _use_gal(model: Supply) -> float:
    use = model.use(TODAY)
    assert isinstance(use, Use)
    return use.mean_m3 / M3_PER_GAL


def test_days_of_supply_are_as_published() -> None:
    """The reference household: 470 gal, reserve 160, 14 gal a day: 22.1 days (household-water.md, section 7)."""
    found = days_above_reserve(310.0, Use(14.0, 4.0))
    assert found.mid == pytest.approx(22.1, abs=0.05)


@pytest.mark.parametrize(("r", "first", "last"), [(0.0, 21, 25), (0.7, 18, 28)])
def test_the_range_of_days_is_as_simulated_there(r: float, first: int, last: int) -> None:
    """Same household, SD 4, 5 to 95 %: crossing on day 21 to 25 for independent days, 18 to 28 at lag-1 0.7."""
    z = NormalDist().inv_cdf(0.95)
    use = Use(14.0, 4.0, r)

    def crossing(deviate: float) -> int:
        return next(day for day in range(1, 90) if use_of_days(day, use, deviate) >= 310)

    assert (crossing(z), crossing(-z)) == (first, last)


def test_the_variance_factor_is_as_published() -> None:
    """L 4, r 0.5 gives 2.06 (household-water.md, section 7)."""
    assert variance_factor(4, 0.5) == pytest.approx(2.06, abs=0.005)


def test_two_days_vary_by_their_correlation() -> None:
    """Variance of two days over that of two independent ones: 1 + r."""
    assert variance_factor(2, 0.5) == pytest.approx(1.5)
    assert variance_factor(1, 0.5) == 1


@pytest.mark.parametrize(
    ("pattern", "r"), [((8, 8, 8, 8, 8, 8, 8, 14, 14, 14, 14, 14, 14, 14), 0.7625), ((8, 14) * 7, 0.0)]
)
def test_days_alike_their_neighbours_widen_the_range(pattern: tuple[float, ...], r: float) -> None:
    """A week of 8 after a week of 14 gal is correlated, turn by turn is not; with a prior of 0.3 worth ten days."""
    use = _supply(*[_day(k + 1, gal) for k, gal in enumerate(pattern)]).use(TODAY)
    assert isinstance(use, Use)
    # By hand: 12 of 13 pairs alike, 11/13; (13 x 11/13 + 1 + 3 x 11/13 + 10 x 0.3)/23.
    assert use.r == pytest.approx(r, abs=0.001)


def test_days_apart_say_nothing_of_correlation() -> None:
    """Every other day known: the prior of 0.3 stays."""
    use = _supply(*[_day(2 * k + 1, 8 if k < 4 else 14) for k in range(9)]).use(TODAY)
    assert isinstance(use, Use)
    assert use.r == pytest.approx(0.3)


def test_a_day_four_weeks_back_counts_and_one_more_does_not() -> None:
    """Five days are needed: the fifth 28 days back makes them, 29 days back it does not."""
    recent = [_day(k, 11) for k in range(1, 5)]
    assert isinstance(_supply(*recent, _day(28, 11)).use(TODAY), Use)
    assert isinstance(_supply(*recent, _day(29, 11)).use(TODAY), Unknown)


def test_a_little_more_than_a_gallon_is_inflow() -> None:
    """1.2 gal that came make a day with inflow."""
    model = _supply(*[_day(k, 11) for k in range(1, 7)], *[_day(k, 40, came_gal=1.2) for k in range(7, 15)])
    assert _use_gal(model) == pytest.approx(11)


@given(days=st.integers(1, 60), r=st.floats(0, 0.8))
def test_the_closed_form_is_the_sum(days: int, r: float) -> None:
    """1 + 2 sum (1 - j/L) r^j, term by term."""
    by_terms = 1 + 2 * math.fsum((1 - j / days) * r**j for j in range(1, days))
    assert variance_factor(days, r) == pytest.approx(by_terms, abs=1e-9)


@pytest.mark.parametrize(
    ("use", "wait", "z", "printed"),
    [(Use(30, 5), 10, 1.65, 326.1), (Use(50, 3), 2, 1.28, 105.4), (Use(2.5, 1.2), 25, 1.28, 70.2)],
)
def test_use_over_a_known_wait_is_the_published_order_point(use: Use, wait: float, z: float, printed: float) -> None:
    """d L + z sd sqrt(L): the printed textbook examples with a fixed lead time (household-water.md, section 7)."""
    assert use_of_days(wait, use, z) == pytest.approx(printed, abs=0.05)


def test_recent_use_is_the_mean_of_quiet_days() -> None:
    """Fourteen days of 10 to 12 gal."""
    assert _use_gal(_supply(*[_day(k, 10 + k % 3) for k in range(1, 15)])) == pytest.approx(11, abs=0.2)


def test_days_with_inflow_are_left_out() -> None:
    """A fill hides what was drawn meanwhile; less than a gallon of noise is no inflow."""
    model = _supply(*[_day(k, 11, came_gal=0.5) if k % 7 else _day(k, 3, came_gal=77) for k in range(1, 21)])
    assert _use_gal(model) == pytest.approx(11)


def test_an_unseen_inflow_is_not_a_day_without_use() -> None:
    """A day on which more water was there at the end than at the begin without a rise found is left out."""
    model = _supply(*[_day(k, 11) for k in range(1, 11)], _day(11, -30))
    assert _use_gal(model) == pytest.approx(11)


def test_two_wild_days_in_a_fortnight_change_little() -> None:
    """An open valve of 126 gal and a day of guests: mean and spread stay those of the household."""
    plain = _supply(*[_day(k, 10 + k % 3) for k in range(1, 15)])
    wild = _supply(*[_day(k, {4: 126.0, 9: 60.0}.get(k, 10.0 + k % 3)) for k in range(1, 15)])
    assert _use_gal(wild) == pytest.approx(_use_gal(plain), rel=0.05)
    use, other = plain.use(TODAY), wild.use(TODAY)
    assert isinstance(use, Use)
    assert isinstance(other, Use)
    # By hand: median 11.5, median distance 0.5, so both are pulled in to 11.5 + 3 x 1.4826 x 0.5 = 13.72 gal.
    assert other.sd_m3 / M3_PER_GAL == pytest.approx(1.31, abs=0.005)
    assert use.sd_m3 / M3_PER_GAL == pytest.approx(0.9, abs=0.1)


def test_the_newest_fortnight_counts() -> None:
    """When use doubles, the figure follows within two weeks."""
    model = _supply(*[_day(k, 22 if k <= 14 else 11) for k in range(1, 29)])
    assert _use_gal(model) == pytest.approx(22)


@pytest.mark.parametrize(
    ("days", "words"),
    [
        ([], "no full day"),
        ([_day(k, 11) for k in range(1, 5)], "only 4 days without inflow"),
        ([_day(1, 11), *[_day(k, 11, came_gal=50) for k in range(2, 20)]], "only 1 day without inflow"),
        ([_day(k, 11, came_gal=50) for k in range(1, 20)], "only 0 days without inflow"),
        ([_day(k, 11) for k in range(8, 28)], "since 24 Aug 2026"),
        ([_day(k, 11) for k in range(29, 50)], "no full day"),
        ([_day(k, 11, whole=False) for k in range(1, 20)], "no full day"),
    ],
)
def test_without_history_it_is_unknown_and_says_why(days: list[Account], words: str) -> None:
    """Never a number, never zero."""
    model = _supply(*days)
    use = model.use(TODAY)
    assert isinstance(use, Unknown)
    assert words in use.reason
    found = model.days_above(TODAY, 1.0, 0.3)
    assert (found.low, found.mid, found.high) == (None, None, None)
    assert found.words() == f"unknown: {use.reason}"


def test_five_days_are_enough_for_a_wide_range() -> None:
    """Fewer days, wider range, same middle."""
    values = (9.0, 13.0, 11.0, 10.0, 12.0)
    few = _supply(*[_day(k, values[k % 5]) for k in range(1, 6)]).days_above(TODAY, 1.0, 0.3)
    many = _supply(*[_day(k, values[k % 5]) for k in range(1, 15)]).days_above(TODAY, 1.0, 0.3)
    assert few.mid == pytest.approx(many.mid, rel=0.05)
    assert few.low is not None
    assert few.high is not None
    assert many.low is not None
    assert many.high is not None
    assert few.high - few.low > many.high - many.low


def test_today_and_later_days_do_not_count() -> None:
    """A day that is not over says nothing about a day's use."""
    model = _supply(*[_day(k, 11) for k in range(1, 11)], _day(0, 90), _day(-1, 90))
    assert _use_gal(model) == pytest.approx(11)


def test_a_day_that_lost_its_readings_is_forgotten() -> None:
    """The account of a day replaces the one before; one that is not whole takes it away."""
    model = _supply(*[_day(k, 11) for k in range(1, 6)])
    model.add(_day(3, 11, whole=False))
    assert isinstance(model.use(TODAY), Unknown)


def test_no_use_lasts_more_than_ninety_days() -> None:
    """And is written so."""
    found = _supply(*[_day(k, 0) for k in range(1, 15)]).days_above(TODAY, 1.0, 0.3)
    assert (found.low, found.mid, found.high) == (HORIZON_DAYS, HORIZON_DAYS, HORIZON_DAYS)
    assert found.words() == "more than 90 days"


@pytest.mark.parametrize(
    ("days", "words"),
    [
        (Days(9.4, 12.2, 15.8), "12 days (9-16)"),
        (Days(40.0, 88.0, 90.0), "88 days (40-90+)"),
        (Days(40.0, 90.0, 90.0), "more than 90 days (40-90+)"),
        (Days(0.0, 0.0, 0.0), "0 days: at or under the reserve"),
    ],
)
def test_days_in_words(days: Days, words: str) -> None:
    """ASCII, no finer than a day."""
    assert days.words() == words


def test_at_or_under_the_reserve_it_is_zero() -> None:
    """Never negative."""
    for margin in (0.0, -1.0):
        assert days_above_reserve(margin, Use(0.04, 0.01)) == Days(0.0, 0.0, 0.0)


def test_a_doubtful_level_widens_the_range() -> None:
    """A margin smaller than its doubt may be gone now."""
    sure, unsure = days_above_reserve(0.4, Use(0.04, 0.0)), days_above_reserve(0.4, Use(0.04, 0.0), 0.08)
    assert sure == Days(pytest.approx(10), pytest.approx(10), pytest.approx(10))  # type: ignore[arg-type]
    assert unsure.low == pytest.approx((0.4 - 1.2816 * 0.08) / 0.04, abs=0.01)
    assert days_above_reserve(0.05, Use(0.04, 0.0), 0.08).low == 0


@given(
    margin=st.floats(-1, 20),
    use=st.builds(Use, st.floats(0, 0.5), st.floats(0, 0.3), st.floats(0, 0.8), st.floats(0, 0.1)),
    u=st.floats(0, 0.3),
)
def test_days_are_ordered_and_between_zero_and_ninety(margin: float, use: Use, u: float) -> None:
    """Low, middle, high; more water never lasts shorter."""
    found = days_above_reserve(margin, use, u)
    assert found.low is not None
    assert found.mid is not None
    assert found.high is not None
    assert 0 <= found.low <= found.mid <= found.high <= HORIZON_DAYS
    more = days_above_reserve(margin + 0.1, use, u)
    assert more.low is not None
    assert more.mid is not None
    assert more.low >= found.low - 1e-6
    assert more.mid >= found.mid - 1e-6


@pytest.mark.slow
def test_the_range_holds_eight_times_of_ten() -> None:
    """Simulated correlated households: the crossing falls between the 10 and 90 % figures in 73 to 90 of 100."""
    rng, inside, below = random.Random(5), 0, 0
    for _ in range(200):
        use_gal, level = [], 0.0
        for _ in range(75):
            level = 0.3 * level + rng.gauss(0, 4 * math.sqrt(1 - 0.3**2))
            use_gal.append(max(0.0, 14 + level))
        model = _supply(*[_day(14 - k, use_gal[k]) for k in range(14)])
        found = model.days_above(TODAY, 310 * M3_PER_GAL, 0.0)
        assert found.low is not None
        assert found.high is not None
        gone, day = 0.0, 0
        while gone + use_gal[14 + day] < 310:
            gone += use_gal[14 + day]
            day += 1
        crossing = day + (310 - gone) / use_gal[14 + day]
        inside += found.low <= crossing <= found.high
        below += crossing < found.low
    assert 146 <= inside <= 180
    assert below <= 30


@pytest.mark.slow
def test_days_above_reserve_from_raw_readings() -> None:
    """From ten-minute readings to the figure: within 6 % of margin over true use on a household with weekly fills."""
    draws, filled = household_draws(40, 8), fills(40, 7, 77)
    points = readings(draws + filled, days=40, every_min=10, noise_m=0.002, seed=3)
    first = date(2026, 7, 1)
    model = Supply()
    for day in accounts(first, first + timedelta(days=38), DENVER, points, entries(moves(points))):
        model.add(day)
    found = model.days_above(first + timedelta(days=39), 200 * M3_PER_GAL, 90 * M3_PER_GAL)
    assert found.mid == pytest.approx(110 / 11, rel=0.1)
    use = model.use(first + timedelta(days=39))
    assert isinstance(use, Use)
    assert use.days == 14


def test_stored_models_of_another_version_are_refused() -> None:
    """The words say to fold again."""
    with pytest.raises(ValueError, match=r"version 3.*fold again"):
        Supply.from_bytes(b"[3,[]]")


@settings(max_examples=50)
@given(
    st.lists(st.tuples(st.integers(1, 80), st.floats(0, 50), st.sampled_from([0.0, 30.0])), max_size=50),
    st.integers(0, 50),
)
def test_restarts_and_repeats_change_nothing(days: list[tuple[int, float, float]], cut: int) -> None:
    """Stored and loaded anywhere, the same day told twice: the same model to the byte."""
    told = [_day(back, gal, came_gal=came) for back, gal, came in sorted(days, key=lambda day: -day[0])]
    parts = Supply()
    for k, each in enumerate(told):
        if k == cut:
            parts = Supply.from_bytes(parts.to_bytes())
        parts.add(each)
        parts.add(each)
    assert parts.to_bytes() == _supply(*told).to_bytes()
