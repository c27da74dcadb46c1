"""The invented household keeps to its plan: the figures of the demo and the manual, computed from the inputs given there."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import islice, pairwise

import pytest

from holdwater.demo.tanks import BODIES, M_PER_IN, Heights
from holdwater.demo.water import END_MS, NAMES, Season, daily_use, flows, watering
from holdwater.demo.weather import FIRST_DAY, FREEZE_WEEK, LAST_DAY, RAIN, Sky, celsius, local, midnight_ms
from season_fixture import Recorded

# The plan of the household (invented for this project): gallons at the start and the end, and what moved in between.
PLAN = {
    "drinking": {"full": 353.9, "end": 70, "caught": 0, "overflowed": 0, "out": 1320},
    "garden": {"full": 878.2, "end": 169, "caught": 2795, "overflowed": 59, "out": 3081 + 126},
    "cabin": {"full": 284.3, "end": 101, "caught": 574, "overflowed": 15, "out": 600 + 28},
}


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_season_balances(recorded: Recorded, name: str) -> None:
    """Start + in - out = end, with the totals of the plan within 2 gal, used within 1 %."""
    plan, season = PLAN[name], recorded.season
    assert recorded.end is not None
    assert BODIES[name].full_gal == pytest.approx(plan["full"], abs=0.05)
    assert recorded.end.on_hand[name] == pytest.approx(plan["end"], abs=0.01)
    assert season.caught[name] == pytest.approx(plan["caught"], abs=0.5)
    assert season.overflowed[name] == pytest.approx(plan["overflowed"], abs=2)
    assert season.used[name] == pytest.approx(plan["out"], rel=0.01)


@pytest.mark.slow
def test_reserve_is_crossed_on_27_october(recorded: Recorded) -> None:
    """Not before the load of 10 October, and not before the 27th after it."""
    assert recorded.first_below is not None
    assert local(recorded.first_below.at_ms).date() == date(2026, 10, 27)


@pytest.mark.slow
def test_freeze_week_freezes_and_no_other_night_does(recorded: Recorded) -> None:
    """Lows of the plan on 13 to 19 October; elsewhere the air stays above freezing."""
    for day, (low_f, _high_f) in FREEZE_WEEK.items():
        assert recorded.lowest_f[day] == pytest.approx(low_f, abs=0.1)
    others = [low_f for day, low_f in recorded.lowest_f.items() if day not in FREEZE_WEEK and day != date(2026, 10, 12)]
    assert min(others) > 33


@pytest.mark.slow
def test_cabin_tank_reaches_the_freezing_point_on_16_october(recorded: Recorded) -> None:
    """About 2 % of it turns to ice in the nights of the 16th and 17th."""
    assert recorded.water_zero == date(2026, 10, 16)
    most, day = recorded.ice
    assert recorded.end is not None
    assert most == pytest.approx(0.02, abs=0.005)
    assert day in (date(2026, 10, 16), date(2026, 10, 17))
    assert recorded.end.ice == 0


def test_rain_adds_up() -> None:
    """Sixteen days, 7.70 in; a storm gives its whole amount and gives it on its day."""
    assert sum(inches for inches, _, _ in RAIN.values()) == pytest.approx(7.70)
    sky = Sky(1)
    for day, (inches, _, _) in RAIN.items():
        assert sky.rain_in(midnight_ms(day), midnight_ms(day + timedelta(days=1)) - 1) == pytest.approx(inches)
    assert sky.rain_in(midnight_ms(date(2026, 7, 10)), midnight_ms(date(2026, 7, 11)) - 1) == 0


def test_known_flows_add_up() -> None:
    """Well 1,035 gal in 12 to 16 Wednesdays, load 125, valve 126, leak 28."""
    found = flows()
    total = {kind: sum(each.gal for each in found if each.kind == kind) for kind in ("well", "load", "valve", "leak")}
    assert total == {"well": pytest.approx(1035), "load": 125, "valve": -126, "leak": -28}
    assert {each.day.weekday() for each in found if each.kind == "well"} == {2}


def test_garden_is_not_watered_on_rainy_days() -> None:
    """22 gal until 14 September, 5 until 12 October, none from 0.20 in of rain on."""
    days = [FIRST_DAY + timedelta(days=n) for n in range(120)]
    assert sum(watering(day) for day in days) == 63 * 22 + 27 * 5
    assert watering(date(2026, 9, 22)) == 5.0  # 0.19 in
    assert watering(date(2026, 8, 3)) == 0.0


@pytest.mark.parametrize("name", NAMES)
def test_use_is_noisy_and_balanced(name: str) -> None:
    """Days differ, but the season's total is the mean's, to a hundredth of a gallon."""
    found = daily_use(name, 7)
    mean = {"drinking": 11, "garden": 13, "cabin": 5}[name]
    assert sum(found) == pytest.approx(120 * mean, abs=0.01)
    assert len({round(each, 3) for each in found}) > 100
    assert min(found[:-3]) > 0


def test_headspace_swings_by_twenty_degrees() -> None:
    """From the low near sunrise to the high in the afternoon of a summer day."""
    sky, day_ms = Sky(1), midnight_ms(date(2026, 7, 4))
    temperatures = [sky.airs(day_ms + minute * 60_000)[1] for minute in range(0, 1440, 5)]
    assert max(temperatures) - min(temperatures) == pytest.approx(20, abs=1)


def test_air_is_continuous_over_midnight() -> None:
    """No jump from one minute to the next, anywhere in the freeze week."""
    sky, start_ms = Sky(1), midnight_ms(date(2026, 10, 12))
    air = [sky.air_c(start_ms + minute * 60_000) for minute in range(8 * 1440)]
    assert max(abs(b - a) for a, b in pairwise(air)) < 0.1
    assert min(air) == pytest.approx(celsius(17), abs=0.05)


def test_a_season_goes_on_where_it_stopped() -> None:
    """Stopped and gone on, or played through: the same truth, over midnights, storms and the leak."""
    whole = list(islice(Season(balanced=False).minutes(), 0, 61_000))
    for stop in (0, 1_439, 1_440, 12_000, 33 * 1440 + 18 * 60 + 40, 60_000):
        after = list(islice(Season(balanced=False).minutes(whole[stop]), 0, 900))
        assert [each.at_ms for each in after] == [each.at_ms for each in whole[stop + 1 : stop + 901]]
        for here, there in zip(after[::99], whole[stop + 1 : stop + 901 : 99], strict=True):
            assert here.on_hand == pytest.approx(there.on_hand, abs=1e-6)
            assert (here.rain_in, here.water_c, here.air_c) == pytest.approx(
                (there.rain_in, there.water_c, there.air_c)
            )


@pytest.mark.parametrize("name", NAMES)
def test_heights_invert_volumes(name: str) -> None:
    """The table of the simulation agrees with bisection on the formula."""
    body, heights = BODIES[name], Heights(BODIES[name])
    for share in (0.0, 0.01, 0.3, 0.77, 1.0):
        gal = share * body.full_gal
        assert heights.metres(gal) == pytest.approx(body.height_in(gal) * M_PER_IN, abs=2e-5)


def test_the_season_has_120_days() -> None:
    """1 July to 28 October 2026; the live part begins at six in the evening of the last day."""
    assert (LAST_DAY - FIRST_DAY).days == 119
    assert local(END_MS).isoformat() == "2026-10-28T18:00:00-06:00"
