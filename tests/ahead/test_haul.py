"""Haul by: the published order points, the day counted back, room, closed roads, and unknown with its reason."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwater.ahead.haul import Stock, Trip, haul_by, haul_level_m3
from holdwater.balance.days import day_of
from holdwater.balance.supply import Unknown, Use, days_above_reserve
from holdwater.units import M3_PER_GAL

DENVER = ZoneInfo("America/Denver")
NOON_MS = 1_790_100_000_000 - 1_790_100_000_000 % 86_400_000 + 18 * 3_600_000  # noon in Denver, 22 September 2026
TODAY = date(2026, 9, 22)
SEEN_WAITS = (2, 2, 3, 3, 3, 4, 4, 5, 7, 14)


def _gal(gal: float) -> float:
    return gal * M3_PER_GAL


HOUSE = Use(_gal(14), _gal(4))  # the reference household: 14 gal a day, SD 4
STEADY = Use(_gal(10), 0.0)
STOCK = Stock(_gal(200), _gal(100), _gal(150))
TRIP = Trip(_gal(125), 2.0)


def test_the_tests_stand_at_noon() -> None:
    """22 September 2026 in Denver."""
    assert day_of(NOON_MS, DENVER) == TODAY
    assert day_of(NOON_MS + 12 * 3_600_000, DENVER) == TODAY + timedelta(days=1)
    assert day_of(NOON_MS + 12 * 3_600_000 - 1, DENVER) == TODAY


@pytest.mark.parametrize(("chance", "printed"), [(0.95, 196), (0.99, 215)])
def test_the_level_for_seen_waits_is_as_simulated_in_print(chance: float, printed: float) -> None:
    """Ten past waits of 2 to 14 days, use 14 (SD 4): 196 gal at 95 %, 215 at 99 % (household-water.md, section 7)."""
    assert haul_level_m3(HOUSE, SEEN_WAITS, chance) / M3_PER_GAL == pytest.approx(printed, abs=0.5)


@pytest.mark.parametrize(
    ("use", "wait", "z", "printed"),
    [(Use(30, 5), 10, 1.65, 326.1), (Use(50, 3), 2, 1.28, 105.4), (Use(2.5, 1.2), 25, 1.28, 70.2)],
)
def test_the_level_for_a_fixed_wait_is_the_published_order_point(
    use: Use, wait: float, z: float, printed: float
) -> None:
    """d L + z sd sqrt(L): printed textbook examples (household-water.md, section 7)."""
    chance = 0.5 * (1 + math.erf(z / math.sqrt(2)))
    assert haul_level_m3(use, (wait,), chance) == pytest.approx(printed, abs=0.05)


def test_a_level_without_waits_or_with_an_odd_chance_is_refused() -> None:
    """The words say what was found."""
    for waits, chance in (((), 0.9), ((2,), 1.0), ((2,), 0.4)):
        with pytest.raises(ValueError, match="needs waits and a chance"):
            haul_level_m3(HOUSE, waits, chance)


def test_the_day_is_the_reserve_day_less_the_wait() -> None:
    """100 gal above the reserve at exactly 10 a day from noon, wait 2: noon of the eighth day on, so by the seventh."""
    found = haul_by(NOON_MS, DENVER, STOCK, STEADY, TRIP)
    assert found.by == TODAY + timedelta(days=7)
    assert found.reserve_on == TODAY + timedelta(days=10)
    assert not found.late
    assert found.fits_in_time
    assert found.fits_m3 == TRIP.load_m3
    assert found.gained_days == pytest.approx(12.5)
    assert found.level_m3 == pytest.approx(_gal(120))
    assert found.reason == ""


def test_the_reference_household_hauls_a_week_on() -> None:
    """470 gal, reserve 160, worst wait 14: reserve at 90 % of use after 20.5 days, so in 6.5 days at the latest."""
    low = days_above_reserve(_gal(310), HOUSE).low
    assert low == pytest.approx(20.5, abs=0.1)
    found = haul_by(NOON_MS, DENVER, Stock(_gal(470), _gal(160), _gal(80)), HOUSE, Trip(_gal(155), 14))
    assert found.by == TODAY + timedelta(days=5)


def test_a_longer_wait_that_was_seen_counts() -> None:
    """The household said 2 days, but 5 were seen once."""
    assert Trip(1.0, 2.0, (1.0, 5.0)).wait_days == 5
    found = haul_by(NOON_MS, DENVER, STOCK, STEADY, replace(TRIP, observed_days=(1.0, 5.0)))
    assert found.by == TODAY + timedelta(days=4)


def test_a_closed_road_moves_the_day_earlier() -> None:
    """A storm over the last day and the one before."""
    storm = {TODAY + timedelta(days=7), TODAY + timedelta(days=6)}
    assert haul_by(NOON_MS, DENVER, STOCK, STEADY, TRIP, storm).by == TODAY + timedelta(days=5)
    assert haul_by(NOON_MS, DENVER, STOCK, STEADY, TRIP, {max(storm)}).by == TODAY + timedelta(days=6)
    always = {TODAY + timedelta(days=k) for k in range(30)}
    closed = haul_by(NOON_MS, DENVER, STOCK, STEADY, TRIP, always)
    assert (closed.by, closed.late) == (TODAY, True)


@pytest.mark.parametrize("on_hand_gal", [120, 100, 60, 0])
def test_past_the_day_it_is_late_and_the_day_is_today(on_hand_gal: float) -> None:
    """With 20 gal or less above the reserve and a wait of 2 days."""
    found = haul_by(NOON_MS, DENVER, replace(STOCK, on_hand_m3=_gal(on_hand_gal)), STEADY, TRIP)
    assert (found.by, found.late) == (TODAY, True)


def test_on_the_last_day_itself_it_is_not_late() -> None:
    """26 gal above the reserve at noon: 2.6 days, less 2: early tomorrow, so by today, and the load fits today."""
    found = haul_by(NOON_MS, DENVER, replace(STOCK, on_hand_m3=_gal(126)), STEADY, TRIP)
    assert (found.by, found.late, found.fits_on, found.fits_in_time) == (TODAY, False, TODAY, True)


def test_a_doubtful_mean_raises_the_level() -> None:
    """Ten days at 10 gal, the mean known to 1 gal: 12.8 gal more at 90 %; at even chance nothing more."""
    doubtful = replace(STEADY, u_mean_m3=_gal(1))
    assert haul_level_m3(doubtful, (10,), 0.9) / M3_PER_GAL == pytest.approx(112.8, abs=0.05)
    assert haul_level_m3(doubtful, (10,), 0.5) / M3_PER_GAL == pytest.approx(100, abs=0.01)


def test_a_load_too_large_for_the_tank_fits_later() -> None:
    """25 gal too large at 10 a day: from the third day on; 20 gal of room can be filled now."""
    found = haul_by(NOON_MS, DENVER, replace(STOCK, room_m3=_gal(100)), STEADY, TRIP)
    assert found.fits_on == TODAY + timedelta(days=3)
    assert found.fits_m3 == pytest.approx(_gal(100))
    assert found.fits_in_time
    tight = haul_by(NOON_MS, DENVER, replace(STOCK, room_m3=_gal(20)), STEADY, TRIP)
    assert tight.fits_on == TODAY + timedelta(days=11)
    assert not tight.fits_in_time


def test_a_load_that_never_fits_says_so() -> None:
    """Larger than tank and use of 90 days."""
    found = haul_by(NOON_MS, DENVER, STOCK, STEADY, Trip(_gal(5000), 2))
    assert found.fits_on is None
    assert not found.fits_in_time


def test_the_doubt_of_the_level_takes_from_the_room_and_from_the_days() -> None:
    """10 gal of doubt: 10 gal less room, and an earlier day."""
    found = haul_by(NOON_MS, DENVER, replace(STOCK, room_m3=_gal(125), u_m3=_gal(10)), STEADY, TRIP)
    assert found.fits_m3 == pytest.approx(_gal(115))
    assert found.by == TODAY + timedelta(days=6)
    assert found.fits_on == TODAY + timedelta(days=1)  # 10 gal are used by noon of tomorrow
    assert haul_by(NOON_MS, DENVER, replace(STOCK, room_m3=0, u_m3=_gal(10)), STEADY, TRIP).fits_m3 == 0


def test_without_a_known_use_there_is_no_day() -> None:
    """The reason is handed on; what fits is still known."""
    found = haul_by(NOON_MS, DENVER, STOCK, Unknown("only 2 days"), TRIP)
    assert (found.by, found.reason, found.fits_m3, found.fits_in_time) == (None, "only 2 days", TRIP.load_m3, False)


@pytest.mark.parametrize("use", [Use(0.0, 0.0), Use(_gal(0.5), 0.0)])
def test_beyond_ninety_days_there_is_no_day(use: Use) -> None:
    """Nothing or next to nothing used."""
    found = haul_by(NOON_MS, DENVER, STOCK, use, TRIP)
    assert found.by is None
    assert found.reason == "lasts more than 90 days"
    assert (found.gained_days is None) == (use.mean_m3 == 0)


@given(
    above=st.floats(0.01, 400),
    use=st.builds(Use, st.floats(1, 40).map(_gal), st.floats(0, 10).map(_gal), st.floats(0, 0.8)),
    wait=st.floats(0, 14),
)
def test_who_hauls_in_time_keeps_the_reserve(above: float, use: Use, wait: float) -> None:
    """A day that is not late ends at least a wait before the reserve day; level and day agree on lateness."""
    stock = Stock(_gal(100 + above), _gal(100), _gal(400))
    found = haul_by(NOON_MS, DENVER, stock, use, Trip(_gal(125), wait))
    low = days_above_reserve(_gal(above), use).low
    assert low is not None
    if found.by is not None and not found.late:
        end_days = (found.by - TODAY).days + 0.5  # from noon to the end of that day
        assert end_days + wait <= low + 1e-6
        assert found.level_m3 is not None
        assert stock.on_hand_m3 >= found.level_m3 - 1e-6


@given(gal=st.floats(0, 60), wait=st.floats(0, 14), more=st.floats(0, 100))
def test_more_water_never_means_an_earlier_day(gal: float, wait: float, more: float) -> None:
    """And a longer wait never a later one."""
    trip, stock = Trip(_gal(125), wait), Stock(_gal(100 + gal), _gal(100), _gal(400))
    base = haul_by(NOON_MS, DENVER, stock, HOUSE, trip).by
    fuller = haul_by(NOON_MS, DENVER, replace(stock, on_hand_m3=stock.on_hand_m3 + _gal(more)), HOUSE, trip).by
    slower = haul_by(NOON_MS, DENVER, stock, HOUSE, replace(trip, worst_wait_days=wait + more)).by
    assert base is not None
    assert fuller is not None
    assert slower is not None
    assert slower <= base <= fuller
