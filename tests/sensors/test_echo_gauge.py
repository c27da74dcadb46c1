"""Ultrasonic gauges: compensation, path temperature, dead zone, beam, doubt."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwater_sensors.air import sound_speed
from holdwater_sensors.beam import free_distance, meets_outline_below, meets_wall_below, spot_diameter
from holdwater_sensors.echo import Ultrasonic
from holdwater_sensors.quality import OK, Grade, Reason, code
from holdwater_sensors.surroundings import Surroundings

FACTS = json.loads((Path(__file__).parents[1] / "reference" / "sensing-facts.json").read_text(encoding="utf-8"))
GAUGE = Ultrasonic(height_m=3.0, pressure_pa=101_325.0)
ECHO_ROWS = FACTS["echo"]["rows"]


@pytest.mark.parametrize(("t_c", "rh", "echo_us", "reported_m"), ECHO_ROWS)
def test_an_echo_time_becomes_the_true_distance(t_c: float, rh: float, echo_us: float, reported_m: float) -> None:
    """True distance 1.500 m from -10 to 50 degC (echo times by CoolProp 8.0.0): 1 mm."""
    gauge = replace(GAUGE, sends="echo time")
    gap_m, _ = gauge.gap(echo_us * 1e-6, Surroundings(air_c=t_c, rh=rh))
    assert gap_m == pytest.approx(1.500, abs=0.001)


@pytest.mark.parametrize(("t_c", "rh", "echo_us", "reported_m"), ECHO_ROWS)
def test_a_distance_reckoned_with_a_fixed_speed_is_set_right(
    t_c: float, rh: float, echo_us: float, reported_m: float
) -> None:
    """The worked case: firmware fixed at 343.2 m/s is up to 99 mm off; afterwards 1 mm."""
    assert abs(reported_m - 1.5) > 0.003
    gap_m, _ = GAUGE.gap(reported_m, Surroundings(air_c=t_c, rh=rh))
    assert gap_m == pytest.approx(1.500, abs=0.001)


def test_a_device_that_compensates_itself_is_left_alone() -> None:
    """compensated = true: the distance is the distance, whatever the air; and a missing temperature is no doubt."""
    gauge = replace(GAUGE, assumed_speed=None, expects_air=True)
    assert gauge.gap(1.234, Surroundings(air_c=40.0)) == (1.234, 0.0)
    assert gauge.measure(1.234, Surroundings())[3] == OK


def test_a_probe_at_a_sunny_lid_does_not_stand_for_the_path() -> None:
    """Lid 45, path mean 35 degC, 1.500 m, 50 % rh: over-stated by 28.7 mm; the even share of lid and water takes that out."""
    echo_s = 2 * 1.5 / sound_speed(35.0, 50.0)
    gauge = replace(GAUGE, sends="echo time")
    by_the_lid, _ = gauge.gap(echo_s, Surroundings(air_c=45.0, rh=50.0))
    assert (by_the_lid - 1.5) * 1000 == pytest.approx(28.7, abs=0.3)
    with_water, u_m = gauge.gap(echo_s, Surroundings(air_c=45.0, water_c=25.0, rh=50.0))
    assert with_water == pytest.approx(1.5, abs=1e-9)
    assert 0.005 < u_m < 0.02
    stated, u_stated_m = replace(gauge, share=0.5).gap(echo_s, Surroundings(air_c=45.0, water_c=25.0, rh=50.0))
    assert (stated, u_stated_m < u_m) == (with_water, True)


def test_without_any_temperature_the_doubt_says_so() -> None:
    """No air series: 15 degC with a doubt of 1.5 % of the distance; a configured series that is silent is suspect."""
    depth_m, _, u_scale_m, quality = GAUGE.measure(1.0, Surroundings())
    assert quality == OK
    assert depth_m is not None
    assert u_scale_m > 0.014
    expecting = replace(GAUGE, expects_air=True)
    assert expecting.measure(1.0, Surroundings())[3] == code(Grade.SUSPECT, Reason.NO_AIR)
    assert expecting.measure(1.0, Surroundings(air_c=15.0))[3] == OK
    t_c, u_c = GAUGE.path_temperature(Surroundings(water_c=8.0))
    assert (t_c, u_c) == (8.0, pytest.approx(4.35))


def test_inside_the_dead_zone_there_is_no_depth() -> None:
    """Never "tank overfull"."""
    depth_m, _, _, quality = GAUGE.measure(0.2, Surroundings(air_c=20.0))
    assert (depth_m, quality) == (None, code(Grade.REJECTED, Reason.DEAD_ZONE))
    for nothing_heard in (0.0, -1.0):
        assert GAUGE.measure(nothing_heard, Surroundings())[::3] == (None, code(Grade.REJECTED, Reason.OUT_OF_RANGE))


def test_a_distance_beyond_floor_or_reach_is_refused_and_a_hair_below_the_floor_is_empty() -> None:
    """An echo that went twice, or from elsewhere; noise at the floor is an empty tank."""
    assert GAUGE.measure(3.4, Surroundings(air_c=20.0))[::3] == (None, code(Grade.REJECTED, Reason.OUT_OF_RANGE))
    far = replace(GAUGE, height_m=8.0)
    assert far.measure(5.5, Surroundings(air_c=20.0))[0] is None
    assert GAUGE.measure(3.0, Surroundings(air_c=20.0, rh=50.0))[::3] == (0.0, OK)


def test_accuracy_is_the_larger_of_a_length_and_a_share_and_read_as_uniform() -> None:
    """1 cm or 0.4 % of the distance; u = a / sqrt 3, with a count of 1 mm."""
    near = GAUGE.measure(1.0, Surroundings(air_c=20.0))[1]
    assert near == pytest.approx(math.hypot(0.01 / math.sqrt(3), 0.001 / math.sqrt(12)))
    far = replace(GAUGE, height_m=4.5).measure(4.0, Surroundings(air_c=20.0))[1]
    assert far > 0.016 / math.sqrt(3)


def test_a_tilted_sensor_carries_its_worst_bias_as_doubt() -> None:
    """5 deg on 1.5 m: +5.7 mm at worst (1 / cos), uniform."""
    tilted = replace(GAUGE, tilt_rad=math.radians(5), assumed_speed=None, height_u_m=0.0)
    assert tilted.measure(1.5, Surroundings())[2] * math.sqrt(3) == pytest.approx(0.0057, abs=1e-4)


@given(st.floats(-30, 45), st.floats(-5, 35), st.floats(0.3, 2.9))
def test_depth_falls_as_the_distance_grows(air_c: float, water_c: float, gap_m: float) -> None:
    """For any air and water: a longer distance is never more water."""
    around = Surroundings(air_c=air_c, water_c=water_c)
    near, far = GAUGE.measure(gap_m, around)[0], GAUGE.measure(gap_m + 0.01, around)[0]
    assert near is None or far is None or far <= near


@given(st.floats(-20, 40), st.floats(-20, 40), st.floats(0, 1))
def test_the_mean_temperature_stands_for_the_mean_of_the_path(lid_c: float, water_c: float, rh_share: float) -> None:
    """Even fall from lid to water: the true mean is that of 1 / c; by numerical integration, 0.3 mm for 20 degC."""
    steps = 200
    cells = [water_c + (at + 0.5) / steps * (lid_c - water_c) for at in range(steps)]
    true_speed = steps / sum(1 / sound_speed(t, 95 * rh_share) for t in cells)
    around = Surroundings(air_c=lid_c, water_c=water_c, rh=95 * rh_share)
    gap_m, _ = replace(GAUGE, sends="echo time").gap(2 * 1.5 / true_speed, around)
    # second order in the difference; saturated air bends more with temperature than dry air
    assert gap_m == pytest.approx(1.5, abs=1e-5 + (7e-7 + 4e-6 * rh_share) * (lid_c - water_c) ** 2)


@pytest.mark.parametrize("row", FACTS["spot"]["rows"])
def test_the_spot_of_a_beam_is_met_to_its_last_place(row: list[float]) -> None:
    """2 d tan(angle / 2) at 1.0, 1.5 and 2.5 m."""
    for distance_m, diameter_m in zip((1.0, 1.5, 2.5), row[1:], strict=True):
        assert spot_diameter(distance_m, math.radians(row[0])) == pytest.approx(diameter_m, abs=0.0051)


def test_the_published_clear_circle_is_met() -> None:
    """USGS memo 85.08: 13 ft across at 35 ft is 21.0 deg full angle."""
    case = FACTS["spot_usgs"]
    assert spot_diameter(case["distance_ft"], math.radians(case["degrees"])) == pytest.approx(
        case["diameter_ft"], abs=0.03
    )


def test_a_wide_beam_meets_the_wall_of_a_four_foot_tank() -> None:
    """60 deg from the middle of a 4 ft tank: free for 1.06 m only; 15 deg sees 2 m down to the floor."""
    assert free_distance(0.6096, math.radians(60)) == pytest.approx(1.0559, abs=1e-4)
    assert meets_wall_below(2.0, 0.6096, math.radians(60)) == pytest.approx(0.944, abs=1e-3)
    assert meets_wall_below(2.0, 0.6096, math.radians(15)) is None


BOX = [(0.0, 0.0), (1.2, 0.0), (1.2, 1.5), (0.0, 1.5)]


@given(st.floats(0.1, 1.1), st.floats(0.05, 1.4), st.floats(1.2, 2.5))
def test_an_outline_with_straight_walls_agrees_with_the_straight_rule(x_m: float, angle: float, face_m: float) -> None:
    """A box, the sensor anywhere, from inside it or from a riser above it."""
    expected = meets_wall_below(face_m, min(x_m, 1.2 - x_m), angle)
    found = meets_outline_below((x_m, face_m), angle, BOX)
    if expected is None or expected < 1e-3:
        assert found is None or found < 2e-3
    elif expected < 1.499:  # above the lid the beam meets the riser, not the tank
        assert found == pytest.approx(expected, abs=1e-9)


def test_a_lying_cylinder_narrows_below_its_middle() -> None:
    """Circle of radius 0.6 m, face on its top: any beam edge at angle a meets it at 2 r sin^2(a), all the way down."""
    circle = [(0.6 + 0.6 * math.sin(a), 0.6 - 0.6 * math.cos(a)) for a in (2 * math.pi * k / 3600 for k in range(3600))]
    half = math.radians(10)
    found = meets_outline_below((0.6, 1.2 - 1e-6), 2 * half, circle)
    assert found == pytest.approx(2 * 0.6 * math.sin(half) ** 2, abs=1e-4)


def test_a_beam_that_misses_the_tank_meets_no_wall() -> None:
    """A sensor drawn beside its tank, and a tank that widens downwards just as its beam does."""
    widening = [(0.0, 0.0), (1.2, 0.0), (1.2 - math.tan(0.1), 1.0), (math.tan(0.1), 1.0)]
    assert meets_outline_below((0.6, 1.2), 0.2, widening) is None
    assert meets_outline_below((5.0, 2.0), 0.2, BOX) is None
