"""How far below the air a clear night takes a bare thing, from what is known of the night."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holdwater.config.exposures import Exposure
from holdwater.freeze.air import Air, air_series
from holdwater.freeze.felt import MIDDLING, Darkness, below_c, clear_share, felt_hours
from holdwater.freeze.sun import HOUR_MS, Place

DENVER = Place(37.6, -105.0, ZoneInfo("America/Denver"))
NOON_MS = round(datetime(2026, 1, 10, 19, tzinfo=UTC).timestamp() * 1000)
SPIGOT = Exposure("spigot", "spigot", sky="open")


@pytest.mark.parametrize(
    ("range_c", "share"), [(0.0, 0.0), (5.0, 0.25), (10.0, 0.78), (15.0, 0.98), (20.0, 1.0), (None, MIDDLING)]
)
def test_the_range_of_the_day_tells_how_clear_the_night_is(range_c: float | None, share: float) -> None:
    """1 - exp(-B range^C) with B 0.006 and C 2.4 (Bristow and Campbell 1984, from memory); half without a range."""
    assert clear_share(range_c) == pytest.approx(share, abs=0.01)


def test_a_bare_spigot_falls_one_to_four_degrees_on_a_clear_night() -> None:
    """Open sky, at a wall, under a roof; a leaf screen looks up and falls farther."""
    open_c, wall_c, roof_c = (below_c(Exposure("x", "spigot", sky=sky), 1.0) for sky in ("open", "part", "roof"))
    assert 2.5 < open_c < 3.2
    assert 1.3 < wall_c < 1.8
    assert roof_c == pytest.approx(0.0, abs=1e-6)
    assert below_c(Exposure("x", "screen", sky="open"), 1.0) == pytest.approx(5.0, abs=0.3)


def test_what_is_boxed_sleeved_or_a_tank_does_not_follow_its_skin() -> None:
    """Nor does anything by day."""
    for each in (
        Exposure("x", "tank", tank="t", sky="open"),
        Exposure("x", "pipe", sky="open", insulation_m2k_w=0.5),
        Exposure("x", "pipe", sky="open", box_m2k_w=0.3),
    ):
        assert below_c(each, 1.0) == 0.0
    assert below_c(SPIGOT, 0.0) == 0.0


def test_rime_slows_the_fall_below_the_dew_point() -> None:
    """Saturated air takes it less far than dry air; where the dew point is far below, it changes nothing."""
    assert below_c(SPIGOT, 1.0, 0.0) == pytest.approx(below_c(SPIGOT, 1.0) / (1 + 0.44 / 0.66), rel=0.01)
    assert below_c(SPIGOT, 1.0, 15.0) == below_c(SPIGOT, 1.0)


@settings(max_examples=50, deadline=None)
@given(st.floats(0, 1), st.none() | st.floats(0, 30), st.none() | st.floats(-30, 15))
def test_the_fall_is_never_negative_and_grows_with_clearness(
    clear: float, depression_c: float | None, dew_c: float | None
) -> None:
    """Whatever is known of the air."""
    fall_c = below_c(SPIGOT, clear, depression_c, dew_c)
    assert 0 <= fall_c <= below_c(SPIGOT, 1.0, depression_c, dew_c) + 1e-9 <= 8


def test_the_sun_warms_nothing_and_only_darkness_cools() -> None:
    """Noon: the air itself. Midnight after a day with a range of 12 degC: below it. No darkness in polar day."""
    readings = [
        Air(NOON_MS - hour * HOUR_MS, 6.0 if (NOON_MS // HOUR_MS - hour) % 24 in range(14, 24) else -6.0)
        for hour in range(60)
    ]
    noon, midnight = NOON_MS, NOON_MS - 12 * HOUR_MS
    series, darkness = air_series(readings), Darkness(DENVER)
    assert felt_hours(SPIGOT, series, noon, noon, darkness) == [6.0]
    felt = felt_hours(SPIGOT, series, midnight, midnight, darkness)[0]
    assert -6.0 - 3.0 < felt < -6.0 - 2.0
    assert not Darkness(Place(70.0, 25.0, ZoneInfo("Europe/Oslo"))).is_dark(
        round(datetime(2026, 6, 21, 22, 20, tzinfo=UTC).timestamp() * 1000)
    )


def test_hours_without_air_stay_unknown() -> None:
    """No figure is made up for a hole."""
    series = air_series([Air(NOON_MS - hour * HOUR_MS, 1.0) for hour in range(60) if hour not in (3, 4)])
    felt = felt_hours(SPIGOT, series, NOON_MS - 5 * HOUR_MS, NOON_MS, Darkness(DENVER))
    assert [each is None for each in felt] == [False, True, True, False, False, False]
