"""Dip charts: through every point, never falling, nothing beyond the last; and tables made by filling."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwater.tanks.chart import chart, dip_chart, filled
from holdwater.units import Measure

RISES = st.lists(st.tuples(st.floats(0.01, 1.0), st.floats(0.001, 5.0)), min_size=1, max_size=12)


def points_of(rises, start=(0.0, 0.0)):
    """Points from steps of height and volume."""
    points = [start]
    for h, v in rises:
        points.append((points[-1][0] + h, points[-1][1] + v))
    return points


@given(rises=RISES)
def test_a_chart_goes_through_its_points_and_never_falls(rises):
    """Fritsch and Carlson: monotone data give a monotone curve, whatever the steps."""
    points = points_of(rises)
    body = dip_chart(points)
    whole = points[-1][1]
    for height, volume in points:
        assert body.volume_m3(height) == pytest.approx(volume, abs=1e-12 * whole)
    rungs = [body.volume_m3(points[-1][0] * k / 200) for k in range(201)]
    assert all(b >= a - 1e-12 * whole for a, b in itertools.pairwise(rungs))
    assert all(body.area_m2(points[-1][0] * k / 200) >= 0.0 for k in range(201))


@given(rises=RISES, share=st.floats(0.0, 1.0))
def test_a_chart_inverts(rises, share):
    """volume(depth(v)) gives v back."""
    points = points_of(rises)
    body = dip_chart(points)
    volume = share * points[-1][1]
    assert body.volume_m3(body.depth_m(volume)) == pytest.approx(volume, abs=1e-9 * points[-1][1])


def test_a_chart_agrees_with_published_slopes():
    """Points of h2 at 0, 1, 3 by Fritsch and Butland's formula, by hand: steps 1 and 2, slopes 1 and 4.

    Weights 2 x 2 + 1 = 5 and 2 + 2 x 1 = 4, so the slope at 1 is (5 + 4) / (5/1 + 4/4) = 1.5.
    """
    curve = chart([(0.0, 0.0), (1.0, 1.0), (3.0, 9.0)])
    assert curve.slopes[1] == pytest.approx(1.5)
    assert curve.area(1.0) == pytest.approx(1.5)


def test_a_straight_chart_is_a_straight_line():
    """Two or more points on a line are a box."""
    for points in ([(0.0, 0.0), (2.0, 4.0)], [(0.0, 0.0), (0.5, 1.0), (1.1, 2.2), (2.0, 4.0)]):
        assert dip_chart(points).volume_m3(1.3) == pytest.approx(2.6)
        assert dip_chart(points).area_m2(1.3) == pytest.approx(2.0)


def test_nothing_is_said_beyond_the_last_point():
    """The height of the tank is that of the last point; above it the volume stays, and the stand is flagged."""
    body = dip_chart([(0.0, 0.0), (0.5, 1.0), (1.0, 3.0)])
    assert body.height_m == 1.0
    assert body.volume_m3(1.5) == 3.0


def test_a_chart_that_begins_above_the_floor_is_led_to_no_water():
    """Below the first point it falls to nothing at the floor; a first point without water keeps the floor dry up to it."""
    wet = dip_chart([(0.1, 0.2), (1.0, 3.0)])
    assert 0.0 < wet.volume_m3(0.03) < wet.volume_m3(0.06) < 0.2
    assert wet.volume_m3(0.0) == 0.0
    assert wet.volume_m3(0.1) == pytest.approx(0.2)
    dry = dip_chart([(0.1, 0.0), (1.0, 3.0), (2.0, 7.0)])
    assert dry.volume_m3(0.05) == 0.0
    assert dry.depth_m(0.0) == 0.0


def test_a_chart_may_begin_with_water_at_height_zero():
    """Water below the stick's foot is counted at every depth."""
    body = dip_chart([(0.0, 0.02), (1.0, 1.0)])
    assert body.volume_m3(-0.1) == 0.02
    assert body.depth_m(0.01) == 0.0


def test_a_table_made_by_filling_adds_up_its_amounts():
    """From empty: 0 at 0, then the running sum."""
    body = filled([0.1, 0.2, 0.2], [0.2, 0.5, 0.9], 0.0, 0.0)
    assert body.volume_m3(0.5) == pytest.approx(0.3)
    assert body.volume_m3(0.9) == pytest.approx(0.5)
    assert body.table_u_m3(0.5) == 0.0


def test_the_doubt_of_a_filled_table_grows_with_the_amounts():
    """u2 = n u_added2 + (slope u_depth)2, between points in proportion; GUM equation 10."""
    body = filled([0.1] * 4, [0.1, 0.2, 0.3, 0.4], 0.002, 0.001)
    assert body.table_u_m3(0.4) == pytest.approx(math.hypot(2 * 0.002, 1.0 * 0.001))
    assert body.table_u_m3(0.1) == pytest.approx(math.hypot(0.002, 0.001))
    assert body.table_u_m3(0.35) == pytest.approx((body.table_u_m3(0.3) + body.table_u_m3(0.4)) / 2)
    assert body.table_u_m3(9.0) == body.table_u_m3(0.4)


def test_a_chart_in_words_and_in_a_drawing():
    """It says that it is a chart; the drawing is as wide as its area asks for."""
    body = dip_chart([(0.0, 0.0), (1.0, math.pi)])
    assert body.words(Measure()) == "by its dip chart of 2 points"
    assert max(x for x, _ in body.outline) == pytest.approx(1.0)
