"""Tanks out of level: exact, whatever their shape, the place where depth is read, and which end is low."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holdwater.tanks.boxes import box, tapered_box, trough
from holdwater.tanks.chart import dip_chart
from holdwater.tanks.heads import Head
from holdwater.tanks.lying import capsule, horizontal_cylinder, horizontal_oval
from holdwater.tanks.made import stack
from holdwater.tanks.tilt import Place, tilted
from holdwater.tanks.upright import frustum, sphere, upright_cylinder, upright_oval

FULL_M = 1e6
SHAPES = {
    "box": box(1.2, 0.9, 1.0),
    "box with rounded bottom": box(1.2, 0.9, 1.0, 0.1),
    "box with rounded edges": box(1.2, 0.9, 1.0, 0.0, 0.12),
    "tapered box": tapered_box((2.0, 1.0), (3.0, 2.0), 1.0),
    "trough": trough(0.6, 1.2, 0.7, 2.5),
    "upright cylinder": upright_cylinder(2.0, 1.5),
    "cone bottom and dome top": upright_cylinder(2.0, 1.5, Head("conical", 0.5), Head("ellipsoidal", 0.4)),
    "dished and dented bottom": upright_cylinder(2.0, 1.5, Head("torispherical", dented=True)),
    "frustum": frustum(1.6, 2.0, 0.8),
    "sphere": sphere(2.0),
    "upright oval": upright_oval(2.0, 1.0, 0.8, elliptic=True),
    "upright stadium": upright_oval(2.0, 1.0, 0.8, elliptic=False),
    "lying cylinder": horizontal_cylinder(1.2, 2.4),
    "lying with dished and slanted ends": horizontal_cylinder(1.2, 2.4, Head("torispherical"), Head("guppy", 0.4)),
    "lying with dented ends": horizontal_cylinder(
        1.2, 2.4, Head("spherical", 0.2, dented=True), Head("conical", 0.2, dented=True)
    ),
    "capsule": capsule(1.0, 3.0),
    "lying ellipse": horizontal_oval(1.4, 0.9, 2.5, elliptic=True),
    "lying stadium": horizontal_oval(1.4, 0.9, 2.5, elliptic=False),
    "stack": stack([frustum(1.0, 1.4, 0.5), upright_cylinder(1.4, 0.8)]),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", SHAPES)
def test_a_tilted_tank_holds_as_much_as_a_level_one(name):
    """Tipping a closed tank changes where the water stands, not how much fits."""
    level = SHAPES[name]
    tipped = tilted(level, 0.06, 0.04)
    assert tipped.volume_m3(FULL_M) == pytest.approx(level.volume_m3(FULL_M), rel=1e-8)


@pytest.mark.slow
@pytest.mark.parametrize("name", SHAPES)
def test_a_tank_hardly_out_of_level_reads_as_a_level_one(name):
    """As the tilt goes to nothing the tilted volume goes to the level one: two ways of computing meet."""
    level = SHAPES[name]
    tipped = tilted(level, 2e-5)
    for share in (0.1, 0.37, 0.5, 0.81):
        depth = share * level.height_m
        start = (tipped.height_m - level.height_m) / 2
        assert tipped.volume_m3(depth + start) == pytest.approx(
            level.volume_m3(depth), abs=2e-4 * level.volume_m3(FULL_M)
        )


@pytest.mark.parametrize(
    ("slope", "depth", "volume"),
    [(0.01, 0.6, 1.32261264), (0.02, 0.6, 1.28808491), (0.02, 0.04, 0.00928071588), (0.02, 1.19, 2.69120819)],
)
def test_a_sensor_at_the_low_end_of_a_sloping_cylinder(slope, depth, volume):
    """D 1.2 m, L 2.4 m, depth square to the axis at the low end: own computation by two quadratures (tank-volumes.csv)."""
    tank = tilted(horizontal_cylinder(1.2, 2.4), math.atan(slope), 0.0, Place(-1.2, square=True))
    assert tank.volume_m3(depth) == pytest.approx(volume, rel=1e-6)


def test_the_level_formula_would_overstate_by_five_percent():
    """Sensing facts, section 3: true 1.28808 m3, level formula 1.35717 m3."""
    level = horizontal_cylinder(1.2, 2.4)
    tank = tilted(level, math.atan(0.02), 0.0, Place(-1.2, square=True))
    assert level.volume_m3(0.6) / tank.volume_m3(0.6) == pytest.approx(1.054, abs=0.0005)


@pytest.mark.parametrize(("depth", "error"), [(0.6, 0.0), (0.2, 0.0014)])
def test_a_sensor_at_mid_length_hardly_minds_the_slope(depth, error):
    """Sensing facts, section 3: error 0 at half full, 0.14 % at 0.2 m."""
    level = horizontal_cylinder(1.2, 2.4)
    tank = tilted(level, math.atan(0.02), 0.0, Place(0.0, square=True))
    assert abs(level.volume_m3(depth) / tank.volume_m3(depth) - 1) == pytest.approx(error, abs=5e-5)


@given(along=st.floats(-1.2, 1.2), depth=st.floats(0.15, 1.0), slope=st.floats(0.005, 0.05))
@settings(max_examples=8, deadline=None)
def test_the_same_surface_read_at_two_places_is_one_volume(along, depth, slope):
    """A reading at one place and the reading there would be at mid length give the same gallons."""
    cylinder, angle = horizontal_cylinder(1.2, 2.4), math.atan(slope)
    here = tilted(cylinder, angle, 0.0, Place(along, square=True))
    middle = tilted(cylinder, angle, 0.0, Place(0.0, square=True))
    assert here.volume_m3(depth) == pytest.approx(middle.volume_m3(depth + slope * along), rel=1e-9, abs=1e-9)


def test_plumb_and_square_readings_differ_by_the_cosine():
    """A plumb reading h is h / cos(angle) square to the axis."""
    cylinder, angle = horizontal_cylinder(1.2, 2.4), 0.2
    square = tilted(cylinder, angle, 0.0, Place(-1.2, square=True))
    plumb = tilted(cylinder, angle, 0.0, Place(-1.2))
    assert plumb.volume_m3(0.5) == pytest.approx(square.volume_m3(0.5 / math.cos(angle)), rel=1e-9)


def test_a_half_full_tilted_upright_cylinder_keeps_its_mean_depth():
    """While neither floor nor rim is cut, volume is floor area times depth at the middle (a cut cylinder, mensuration)."""
    tank = tilted(upright_cylinder(2.0, 1.5), 0.1, 0.05, Place(0.0, square=True))
    assert tank.volume_m3(0.7) == pytest.approx(math.pi * 0.7, rel=1e-9)


def test_water_lies_below_a_reading_of_zero_when_depth_is_read_at_the_high_end():
    """The wedge that the sensor cannot see is counted: a box, 2 m long, 10 % up: a prism 2 m by 0.2 m by half."""
    tank = tilted(box(2.0, 1.0, 1.0), math.atan(0.1), 0.0, Place(1.0, square=True))
    assert tank.volume_m3(0.0) == pytest.approx(0.2, rel=1e-9)
    assert tank.volume_m3(-0.05) == tank.volume_m3(0.0)


def test_the_low_end_is_where_the_slope_says():
    """With one rounded end the two slopes differ; with two alike ends they do not."""
    one = horizontal_cylinder(1.2, 2.4, Head("hemispherical"), Head())
    both = horizontal_cylinder(1.2, 2.4)
    assert tilted(one, 0.1).volume_m3(0.3) != pytest.approx(tilted(one, -0.1).volume_m3(0.3), rel=1e-3)
    assert tilted(both, 0.1).volume_m3(0.3) == pytest.approx(tilted(both, -0.1).volume_m3(0.3), rel=1e-9)


def test_rolling_a_cylinder_about_its_axis_changes_nothing():
    """A lying cylinder is round: its tilt across does not show."""
    level = horizontal_cylinder(1.2, 2.4)
    assert tilted(level, 0.0, 0.1).volume_m3(0.4) == pytest.approx(level.volume_m3(0.4), rel=1e-9)


def test_a_level_tilt_is_the_level_tank_itself():
    """Nothing is fitted where nothing is tilted."""
    level = box(1.0, 1.0, 1.0)
    assert tilted(level, 0.0, 1e-9) is level


def test_a_dip_chart_cannot_be_tilted():
    """Its form in space is not known; the chart already holds the tilt."""
    with pytest.raises(ValueError, match="dip chart"):
        tilted(dip_chart([(0.0, 0.0), (1.0, 2.0)]), 0.1)
