"""Limits of each exposure, two clocks, the words of tonight, and the watch at the thaw."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from holdwater.config.exposure import ExposureConfig
from holdwater.config.exposures import Exposure, cube_surface_m2
from holdwater.freeze.air import Air, AirSeries, air_series
from holdwater.freeze.body import State
from holdwater.freeze.done import Done
from holdwater.freeze.evening import Issue, evening
from holdwater.freeze.exposure import Holding, Risk, body_of, curve, risk, skin_limit_c, state_now
from holdwater.freeze.night import NightForecast, forecast, fresh
from holdwater.freeze.sun import HOUR_MS, Place, night
from holdwater.freeze.thaw import WATCH_MS, Watch, is_melt
from holdwater.freeze.tonight import Airs, Tonight, clock, tonight

DENVER = Place(37.6, -105.0, ZoneInfo("America/Denver"))
NIGHT = night(date(2026, 1, 10), DENVER)
ISSUED_MS = Issue().at_ms(NIGHT, DENVER)
SPIGOT = ExposureConfig(kind="spigot").build("garden spigot")
PIPE = ExposureConfig(kind="pipe").build("shed pipe")
TANK = ExposureConfig(kind="tank", tank="garden", surface="72 ft2", wind=False).build("garden tank")
CUBE = Holding(0.946, 0.946)
EXPOSURES = [
    ExposureConfig(kind=kind, tank="garden").build(kind)
    for kind in ("spigot", "pipe", "tank", "tank skin", "screen", "sensor")
]


def word(air_c: float) -> NightForecast:
    """The forecast of a clear cooling evening at an air."""
    readings = [Air(ISSUED_MS - hour * HOUR_MS, air_c + hour * 0.8) for hour in range(14)]
    seen = evening(air_series(readings), ISSUED_MS, NIGHT)
    return forecast(fresh(), seen)


def judged(exposure: Exposure, air_c: float, state: State | None = None, holding: Holding | None = CUBE) -> Risk:
    """The risk of an exposure in such a night, from water at 5 degC unless told."""
    return risk(exposure, word(air_c), state or State(5.0), holding)


def test_a_spigot_follows_the_hour_and_a_tank_the_days() -> None:
    """The same evening of 3 degC: the spigot is likely to freeze, the tank of 5 degC cannot."""
    spigot, tank = judged(SPIGOT, 3.0), judged(TANK, 3.0)
    assert spigot.state == "can freeze"
    assert spigot.chance > 0.5
    assert spigot.act
    assert tank.chance < 0.02
    assert not tank.act


def test_a_tank_that_is_cold_already_freezes_sooner() -> None:
    """Lasting state: water of 0.4 degC freezes in a night in which water of 12 degC does not."""
    cold, warm = judged(TANK, -6.0, State(0.4)), judged(TANK, -6.0, State(12.0))
    assert cold.chance > 0.8
    assert warm.chance < 0.05
    assert cold.limit_c > warm.limit_c


def test_the_water_measured_in_the_tank_counts_before_what_was_reckoned() -> None:
    """A sensor in the water says 6 degC: the reckoned 0.2 is not used."""
    measured = judged(TANK, -6.0, State(0.2), replace(CUBE, water_c=6.0))
    assert measured.chance < judged(TANK, -6.0, State(0.2)).chance
    iced = judged(TANK, -6.0, State(0.0, 0.02), replace(CUBE, water_c=0.1))
    assert iced.state == "frozen"


def test_a_tank_of_unknown_level_is_taken_for_a_quarter_full() -> None:
    """The careful side: little water freezes sooner."""
    assert body_of(TANK, replace(CUBE, water_m3=None)) == body_of(TANK, replace(CUBE, water_m3=0.946 / 4))
    assert body_of(TANK, replace(CUBE, water_m3=None)).time_constant_h < body_of(TANK, CUBE).time_constant_h


def test_a_fitted_time_constant_replaces_the_enclosure() -> None:
    """A tank that was seen to follow in 10 h instead of 22 freezes earlier."""
    assert body_of(TANK, replace(CUBE, time_constant_h=10.0)).time_constant_h == pytest.approx(10.0)
    assert (
        judged(TANK, 1.0, State(3.0), replace(CUBE, time_constant_h=10.0)).limit_c
        > judged(TANK, 1.0, State(3.0)).limit_c
    )


def test_open_sky_lifts_the_limit_of_a_bare_spigot_and_insulation_lowers_it() -> None:
    """Bare under open sky freezes in air above 0 degC, under a roof at about 0, in a sleeve well below."""
    still = replace(SPIGOT, wind=False)
    limits = [
        judged(each, 8.0).limit_c
        for each in (
            replace(still, sky="open"),
            replace(still, sky="roof"),
            replace(still, sky="roof", insulation_m2k_w=0.9),
        )
    ]
    assert 1.0 < limits[0] < 5.0
    assert -1.5 < limits[1] < 0.0
    assert limits[2] < limits[1] - 0.5


def test_the_limit_of_the_household_holds_over_the_reckoned_one() -> None:
    """`limit` in the config."""
    assert judged(replace(SPIGOT, limit_c=-2.0), 3.0).limit_c == -2.0


def test_the_limit_is_where_ice_begins() -> None:
    """Chance and hours belong to the limit: nothing below it in a night that stays above."""
    mild = judged(SPIGOT, 25.0)
    assert mild.chance < 0.02
    assert mild.hours_below == 0
    assert mild.from_ms is None
    assert mild.ice == 0
    cold = judged(SPIGOT, 0.5)
    assert cold.hours_below > 5
    assert cold.hours_below_cold >= cold.hours_below
    assert cold.from_ms >= ISSUED_MS
    assert 0 < cold.ice <= 1


def test_an_exposure_that_is_freezing_at_issue_is_certain() -> None:
    """Air of -9 and water at 0: it freezes however the night goes; ice in it is said."""
    assert judged(SPIGOT, -9.0, State(0.0)).chance == 1.0
    frozen = judged(SPIGOT, -9.0, State(0.0, 0.3))
    assert (frozen.state, frozen.chance, frozen.act) == ("frozen", 1.0, True)


def test_what_holds_no_water_cannot_freeze() -> None:
    """Drained for the season, and a tank without water."""
    assert judged(replace(SPIGOT, drained=True), -9.0).state == "drained"
    assert judged(replace(SPIGOT, drained=True), -9.0).chance == 0.0
    assert judged(TANK, -9.0, holding=replace(CUBE, water_m3=0.0)).state == "empty"


def test_what_is_not_known_is_said() -> None:
    """No forecast, no air of the last days, no tank: not known, with the reason; never a chance."""
    for found, why in (
        (risk(SPIGOT, None, State(5.0)), "no forecast of the air"),
        (risk(SPIGOT, word(3.0), None), "no air temperature of the last days"),
        (risk(TANK, word(3.0), State(5.0), None), "its tank is not known"),
    ):
        assert (found.state, found.chance, found.act, found.why) == ("not known", None, False, why)
    assert risk(replace(SPIGOT, limit_c=0.0), word(3.0), None).state == "can freeze"
    assert state_now(body_of(SPIGOT), []) is None


def test_a_well_foamed_tank_never_freezes_in_one_night() -> None:
    """However cold the night: safe, no limit, no chance."""
    foamed = ExposureConfig(kind="tank", tank="garden", box="2 R", insulation="30 R").build("x")
    found = judged(foamed, 4.0, State(12.0))
    assert (found.state, found.limit_c, found.chance) == ("safe", None, 0.0)


def test_the_wall_of_a_tank_freezes_before_the_tank() -> None:
    """The skin's limit rises as the water cools; at 0 degC it is that of the wall itself."""
    skin = ExposureConfig(kind="tank skin", tank="garden", wind=False, sky="roof").build("x")
    assert skin_limit_c(skin, 4.0) < skin_limit_c(skin, 1.0) < skin_limit_c(skin, 0.0) == pytest.approx(0.0, abs=1e-6)
    assert judged(skin, -3.0, State(1.0)).limit_c > judged(TANK, -3.0, State(1.0)).limit_c


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(EXPOSURES), st.floats(-45, 40), st.floats(0, 20), st.floats(0, 1), st.none() | st.floats(0, 0.9))
def test_whatever_the_night_the_answer_is_sane(
    exposure: Exposure, air_c: float, water_c: float, ice: float, water_m3: float | None
) -> None:
    """Any exposure, air and state: a chance from 0 to 1, hours within the night, a known state."""
    found = judged(exposure, air_c, State(0.0, ice) if ice > 0.5 else State(water_c), Holding(water_m3, 0.946))
    assert 0 <= found.chance <= 1
    assert 0 <= found.hours_below <= found.hours_below_cold + 1e-9 <= 30
    assert found.state in {"can freeze", "safe", "frozen", "empty"}
    assert found.limit_c is None or found.limit_c < 60


def test_the_night_curve_falls_to_its_lowest_at_sunrise_and_stays() -> None:
    """Square root of time; the last two hours are flat, to be careful."""
    told = word(3.0)
    airs = [air_c for _, air_c in curve(told, -5.0)]
    assert airs[0] == told.air_c
    assert airs == sorted(airs, reverse=True)
    assert airs[-1] == airs[-2] == -5.0


def test_the_config_says_what_is_wrong_with_an_exposure() -> None:
    """A tank exposure names its tank; a pipe is not thinner outside than inside; unknown keys are errors."""
    for wrong in (
        {"kind": "tank"},
        {"kind": "pipe", "bore": "2 in", "outside": "1 in"},
        {"kind": "pipe", "bore": "0 in"},
        {"kind": "kettle"},
        {"kind": "pipe", "colour": "red"},
        {"kind": "pipe", "cost": 3},
    ):
        with pytest.raises(ValidationError):
            ExposureConfig.model_validate(wrong)


def test_an_exposure_is_built_in_si_with_the_defaults_of_its_kind() -> None:
    """A 2 in valve stub; a box keeps the wind out; every setting has a description."""
    stub = ExposureConfig(
        kind="spigot", bore="2 in", outside="2.4 in", length="4 in", insulation="3 R", cost="$5", loss="$90"
    ).build("stub")
    assert stub.bore_m == pytest.approx(0.0508)
    assert stub.length_m == pytest.approx(0.1016)
    assert stub.insulation_m2k_w == pytest.approx(0.528, abs=0.001)
    assert (stub.cost, stub.loss) == (5.0, 90.0)
    assert body_of(stub).water_m3 == pytest.approx(0.206e-3, abs=1e-6)
    assert not ExposureConfig(kind="tank", tank="x", box="2 R").build("x").wind
    assert ExposureConfig(kind="pipe").build("x").outside_m == pytest.approx(0.75 * 0.0254 + 0.006)
    assert all(each.description for each in ExposureConfig.model_fields.values())
    assert cube_surface_m2(1.0) == pytest.approx(6.0)


def cooling(hours: int = 400, low_c: float = -4.0) -> AirSeries:
    """Air up to the issue of the night, colder by the day."""
    readings = [
        Air(
            ISSUED_MS - hour * HOUR_MS,
            low_c + hour * 0.03 + (3 if 12 <= (ISSUED_MS // HOUR_MS - hour) % 24 <= 23 else 0),
        )
        for hour in range(hours)
    ]
    return air_series(readings)


def told_now(series: AirSeries, now_ms: int = ISSUED_MS, exposures: tuple[Exposure, ...] = (SPIGOT, PIPE)) -> Tonight:
    """Tonight for some exposures."""
    return tonight(
        Airs(series), DENVER, now_ms, lambda _name, _series, _issue: fresh(), [(each, None) for each in exposures]
    )


def test_tonight_lists_what_to_see_to_the_most_at_stake_first() -> None:
    """Both are likely; the pipe costs more."""
    assert [each.exposure.name for each in told_now(cooling()).to_do] == ["shed pipe", "garden spigot"]


def test_what_is_drained_or_covered_by_a_note_is_off_the_list() -> None:
    """Drained: it cannot freeze. Covered: it can, and there is nothing more to do about it."""
    done = {"garden spigot": Done("drained", 1), "shed pipe": Done("covered", 1)}
    exposures = [(each, None) for each in (SPIGOT, PIPE)]
    told = tonight(Airs(cooling(low_c=3.0)), DENVER, ISSUED_MS, lambda _name, _series, _issue: fresh(), exposures, done)
    assert told.to_do == ()
    assert [(each.state, each.done) for each in told.risks] == [("drained", "drained"), ("can freeze", "covered")]
    assert told.risks[1].chance > 0.3


def test_without_air_or_before_the_first_word_there_is_a_reason() -> None:
    """A silent sensor, no sensor, and noon."""
    silent = told_now(air_series([Air(ISSUED_MS - 9 * HOUR_MS, 1.0)]))
    assert silent.forecast is None
    assert "no air temperature" in silent.why
    assert silent.risks[0].state == "not known"
    noon = told_now(cooling(), round(datetime(2026, 1, 10, 19, tzinfo=UTC).timestamp() * 1000))
    assert "15:00" in noon.why
    assert told_now(air_series([])).forecast is None


def test_an_exposure_with_its_own_air_is_judged_by_it() -> None:
    """A pump house at 8 degC does not freeze while the garden does; a series that is missing is not known."""
    house = replace(PIPE, name="pump house", air_series="house:air")
    airs = Airs(cooling(), {"house:air": cooling(low_c=9.0)})
    told = tonight(airs, DENVER, ISSUED_MS, lambda _name, _series, _issue: fresh(), [(SPIGOT, None), (house, None)])
    assert told.risks[0].chance > 0.9
    assert told.risks[1].chance < 0.1
    gone = tonight(Airs(cooling()), DENVER, ISSUED_MS, lambda _name, _series, _issue: fresh(), [(house, None)])
    assert gone.risks[0].state == "not known"


@pytest.mark.parametrize(("hour", "text"), [(0, "12am"), (6, "6am"), (12, "12pm"), (15, "3pm"), (23, "11pm")])
def test_hours_are_told_as_people_say_them(hour: int, text: str) -> None:
    """Midnight and noon are twelve."""
    assert clock(round(datetime(2026, 1, 10, hour, tzinfo=UTC).timestamp() * 1000), ZoneInfo("UTC")) == text


def test_the_thaw_is_watched_for_a_day_after_frost() -> None:
    """Armed below the limit, running from the first hour above 34 degF for 24 h, armed again by new frost."""
    watch = Watch()
    assert not watch.is_on(0)
    watch = watch.hour(1, -3.0, 0.0)
    assert watch == Watch(1, None)
    assert watch.hour(2, None, 0.0) == watch
    assert watch.hour(2, 0.5, 0.0) == watch
    running = watch.hour(HOUR_MS, 2.0, 0.0)
    assert running.is_on(HOUR_MS)
    assert running.until_ms == HOUR_MS + WATCH_MS
    assert running.hour(2 * HOUR_MS, 5.0, 0.0) == running
    assert running.hour(HOUR_MS + WATCH_MS, 5.0, 0.0) == Watch()
    assert running.hour(3 * HOUR_MS, -1.0, 0.0) == Watch(3 * HOUR_MS, None)
    assert Watch().hour(1, 5.0, 0.0) == Watch()


def test_a_catch_above_freezing_after_snow_is_melt() -> None:
    """Within ten days of snow, in air above 0 degC."""
    day = 24 * HOUR_MS
    assert is_melt(3 * day, day, [None, 2.0])
    assert not is_melt(13 * day, day, [2.0])
    assert not is_melt(3 * day, None, [2.0])
    assert not is_melt(3 * day, day, [-2.0])
    assert not is_melt(3 * day, day, [None])
    assert not is_melt(day, 3 * day, [2.0])
