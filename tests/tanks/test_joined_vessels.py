"""Vessels joined into one tank: one level, cut off below floors and sills, shut links, levels that stay apart."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwater.tanks.boxes import box
from holdwater.tanks.section import section
from holdwater.tanks.tank import Tank
from holdwater.tanks.upright import upright_cylinder
from holdwater.tanks.vessels import Level, Link, Vessel
from holdwater.units import Measure

# Floors at 0, 0.2 and 0 m; areas 1, 2 and 0.5 m2; the outlet on the first.
A, B, C = (
    Vessel("a", box(1.0, 1.0, 1.5)),
    Vessel("b", box(2.0, 1.0, 1.0), 0.2),
    Vessel("c", upright_cylinder(math.sqrt(2 / math.pi), 1.5)),
)
TANK = Tank("joined", (A, B, C), 0.1, 1.0, links=(Link(("a", "b"), 0.3), Link(("b", "c"), 0.25)), geometry=0.0)


def test_volumes_add_at_a_common_level():
    """At 0.8 m: 0.8 x 1 + 0.6 x 2 + 0.8 x 0.5 m3; capacity ends at the overflow."""
    assert TANK.stand(0.8).total_m3 == pytest.approx(0.8 + 1.2 + 0.4)
    assert TANK.capacity_m3 == pytest.approx(1.0 + 1.6 + 0.5)
    assert TANK.stand(0.8).area_m2 == pytest.approx(3.5)


def test_a_vessel_is_cut_off_below_its_floor():
    """At 0.15 m the second vessel, whose floor is at 0.2 m, holds nothing."""
    assert TANK.stand(0.15).total_m3 == pytest.approx(0.15 * 1.5)
    assert TANK.stand(0.15).area_m2 == pytest.approx(1.5)


def test_water_below_the_sill_of_a_link_is_not_on_hand():
    """Above the outlet at 0.1 in the first; above 0.3, the highest sill on the way, in the others."""
    assert TANK.on_hand_m3(0.8) == pytest.approx(0.7 + 0.5 * 2 + 0.5 * 0.5)
    assert TANK.on_hand_m3(0.28) == pytest.approx(0.18)
    assert TANK.full_on_hand_m3 == pytest.approx(0.9 + 0.7 * 2.5)


@given(share=st.floats(0.0, 1.0))
def test_joined_depth_and_volume_invert(share):
    """As for a single tank, to 1e-6 of the height."""
    depth = share * TANK.overflow_m
    assert TANK.depth_m(TANK.volume_m3(depth)) == pytest.approx(depth, abs=1e-6 * TANK.height_m)
    if depth > TANK.outlet_m:
        assert TANK.depth_on_hand_m(TANK.on_hand_m3(depth)) == pytest.approx(depth, abs=1e-6 * TANK.height_m)


def test_one_sensor_tells_for_all_over_open_links():
    """The level of the second vessel, over its own floor, is everybody's."""
    stand = TANK.stand_of({"b": Level(0.6, 0.01, 0.0)})
    assert stand.depth_m == pytest.approx(0.8)
    assert stand.on_hand_m3 == pytest.approx(TANK.on_hand_m3(0.8))
    assert stand.u_noise_m3 == pytest.approx(0.01 * 3.5)
    assert stand.unknown == ()


def test_several_sensors_are_weighted_by_their_doubt():
    """0.80(1) and 0.82(2): mean 0.804, doubt 0.0089 m (inverse variances)."""
    stand = TANK.stand_of({"a": Level(0.80, 0.01, 0.0), "c": Level(0.82, 0.02, 0.0)})
    assert stand.depth_m == pytest.approx(0.804)
    assert stand.u_noise_m3 == pytest.approx(3.5 / math.sqrt(1 / 0.01**2 + 1 / 0.02**2))


def test_a_shut_link_counts_but_is_not_on_hand():
    """What the shut link cuts off is in the total; the cut off vessels keep their own level."""
    stand = TANK.stand_of({"a": Level(0.5, 0.0, 0.0), "b": Level(0.7, 0.0, 0.0)}, shut_links=(0,))
    assert stand.on_hand_m3 == pytest.approx(0.4)
    assert stand.cut_off_m3 == pytest.approx(0.7 * 2 + 0.9 * 0.5)
    assert stand.total_m3 == pytest.approx(0.5 + 0.7 * 2 + 0.9 * 0.5)
    assert stand.apart == ()


def test_a_vessel_behind_a_shut_link_without_a_sensor_is_unknown():
    """It is named; neither total nor on hand guesses at it."""
    stand = TANK.stand_of({"a": Level(0.5, 0.0, 0.0)}, shut_links=(0,))
    assert stand.unknown == ("b", "c")
    assert stand.total_m3 == pytest.approx(0.5)


def test_a_link_shut_in_the_config_is_shut():
    """As by a note; and what is on hand when full leaves out what is behind it."""
    tank = Tank("joined", (A, C), 0.1, 1.0, links=(Link(("a", "c"), 0.0, shut=True),))
    assert tank.full_on_hand_m3 == pytest.approx(0.9)
    assert tank.stand_of({"a": Level(0.5, 0.0, 0.0)}).unknown == ("c",)


def test_without_a_level_at_the_outlet_on_hand_is_unknown():
    """Not zero: NaN, with what is behind the shut link still counted."""
    stand = TANK.stand_of({"c": Level(0.5, 0.0, 0.0)}, shut_links=(0,))
    assert math.isnan(stand.depth_m)
    assert math.isnan(stand.on_hand_m3)
    assert math.isnan(stand.u_m3)
    assert stand.cut_off_m3 == pytest.approx(0.5 * 0.5 + 0.3 * 2)
    assert stand.unknown == ("a",)


def test_levels_apart_over_an_open_link_are_found_out():
    """0.8 and 0.6 m with 1 cm doubt each are not one water: named, and each vessel counts by its own level."""
    stand = TANK.stand_of({"a": Level(0.8, 0.01, 0.0), "b": Level(0.4, 0.01, 0.0)})
    (apart,) = stand.apart
    assert apart.between == ("a", "b")
    assert apart.difference_m == pytest.approx(0.2)
    assert apart.u_m == pytest.approx(0.01 * math.sqrt(2))
    assert stand.total_m3 >= 0.8 + 0.4 * 2


@pytest.mark.parametrize("levels", [(0.80, 0.61), (0.29, 0.01), (0.25, 0.05)])
def test_levels_are_not_apart_within_their_doubt_or_below_the_sill(levels):
    """One centimetre apart with 1 cm doubt each is one water; below the sill at 0.3 m levels may differ in peace."""
    stand = TANK.stand_of({"a": Level(levels[0], 0.01, 0.0), "b": Level(levels[1], 0.01, 0.0)})
    assert stand.apart == ()


def test_a_sensor_without_a_reading_tells_nothing():
    """A depth of None is no level."""

    class Silent:
        depth_m = None
        u_noise_m = 0.0
        u_scale_m = 0.0

    assert TANK.stand_of({"a": Silent(), "b": Level(0.6, 0.0, 0.0)}).depth_m == pytest.approx(0.8)
    assert TANK.stand_of({"a": Silent()}).unknown == ("a", "b", "c")


def test_joined_vessels_stand_side_by_side_in_the_section():
    """Each over its own floor; one water level through all."""
    drawn = section(TANK)
    assert [each.floor_m for each in drawn.vessels] == [0.0, 0.2, 0.0]
    lefts = [each.left_m for each in drawn.vessels]
    assert lefts == sorted(lefts)
    assert drawn.vessels[0].right_m < drawn.vessels[1].left_m
    first, second, _ = drawn.water(0.1)
    assert max(y for _, y in first) == pytest.approx(0.1)
    assert second == ()


def test_joined_vessels_in_words():
    """All of them, by name."""
    assert TANK.describe(Measure("metric")).startswith(
        "3 joined vessels (a: box, 100 by 100 cm; b: box, 200 by 100 cm; c: upright, "
    )
