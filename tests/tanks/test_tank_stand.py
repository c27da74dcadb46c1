"""What a tank answers at a depth: total, on hand, room, doubt with its parts, and flags outside floor and overflow."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwater.tanks.boxes import box
from holdwater.tanks.chart import filled
from holdwater.tanks.hauling import Hauling
from holdwater.tanks.lying import horizontal_cylinder
from holdwater.tanks.section import section
from holdwater.tanks.shapes import Shape
from holdwater.tanks.tank import Tank
from holdwater.tanks.upright import upright_cylinder
from holdwater.tanks.vessels import Vessel
from holdwater.tanks.words import hauled
from holdwater.units import M3_PER_GAL, M_PER_IN, Measure


def tank_of(shape: Shape, outlet_in: float, overflow_in: float, **more) -> Tank:
    """A single tank with heights in inches."""
    return Tank("tank", (Vessel("", shape),), outlet_in * M_PER_IN, overflow_in * M_PER_IN, **more)


DRINKING = tank_of(
    upright_cylinder(42 * M_PER_IN, 66 * M_PER_IN), 3, 62, uses=("drinking",), reserve_m3=90 * M3_PER_GAL
)
GARDEN = tank_of(horizontal_cylinder(48 * M_PER_IN, 120 * M_PER_IN), 4, 45, uses=("garden", "washing"))
CABIN = tank_of(
    box(48 * M_PER_IN, 36 * M_PER_IN, 44 * M_PER_IN), 2, 40, uses=("washing", "fire"), floor_m3=80 * M3_PER_GAL
)


@pytest.mark.parametrize(("tank", "gal"), [(DRINKING, 353.9), (GARDEN, 878.2), (CABIN, 284.3)])
def test_full_on_hand_of_the_invented_household(tank, gal):
    """The three tanks of the demo: pi r2 h, circular segment, box, between outlet and overflow (hand computed)."""
    assert round(tank.full_on_hand_m3 / M3_PER_GAL, 1) == gal


@pytest.mark.parametrize(
    ("usual", "worst", "words"),
    [
        (2.0, 8.0, "wait 2 days, at worst 8 days"),
        (0.5, 1.0, "wait 12 h, at worst 1 day"),
        (1.5, 2.5, "wait 1.5 days, at worst 2.5 days"),
    ],
)
def test_hauling_in_words(usual, worst, words):
    """The load in household units, waits as one says them."""
    said = hauled(Hauling(125 * 0.003785411784, usual, worst), Measure("US"))
    assert said == f"hauled by loads of 125 gal, {words}"


def test_a_tank_in_words():
    """The sentence of `check`, after the name."""
    assert (
        DRINKING.describe(Measure())
        == "upright, 42 in across, 353.9 gal on hand when full, 6.0 gal per inch, reserve 90 gal"
    )
    assert (
        GARDEN.describe(Measure())
        == "lying cylinder, 48 in across, 120 in long, 878.2 gal on hand when full, 24.9 gal per inch at half depth"
    )
    assert (
        CABIN.describe(Measure())
        == "box, 48 by 36 in, 284.3 gal on hand when full, 7.5 gal per inch, fire water 80 gal"
    )
    assert "L per cm" in DRINKING.describe(Measure("metric"))


def test_uncertainty_of_the_worked_case_with_its_parts():
    """Sensing facts, section 4, own case: r 1.2192(50), sensor at 2.400(5), gap 1.000(10) m: 1727.1 gal, u 19.8; 14.2, 12.3, 6.2."""
    tank = Tank(
        "case", (Vessel("", upright_cylinder(2 * 1.2192, 2.4)),), 0.0, 2.4, geometry=2 * 0.005 / 1.2192, u_mount_m=0.005
    )
    stand = tank.stand(1.4, u_noise_m=0.010)
    parts = {name: round(u / M3_PER_GAL, 1) for name, u in stand.parts}
    assert stand.on_hand_m3 / M3_PER_GAL == pytest.approx(1727.1, abs=0.05)
    assert stand.u_m3 / M3_PER_GAL == pytest.approx(19.8, abs=0.05)
    assert (parts["geometry"], parts["level noise"], parts["mount"]) == (14.2, 12.3, 6.2)
    assert stand.u_scale_m3 / M3_PER_GAL == pytest.approx(math.hypot(14.2, 6.2), abs=0.05)


def test_the_gum_cylinder_example():
    """r 15(0.1) m, L 50(0.5) m: V 35342.917, u 589.049 m3 (Liberzon, course notes; GUM equation 10): geometry from both measures."""
    share = math.hypot(2 * 0.1 / 15, 0.5 / 50)
    tank = Tank("case", (Vessel("", upright_cylinder(30.0, 50.0)),), 0.0, 50.0, geometry=share)
    stand = tank.stand(50.0)
    assert stand.total_m3 == pytest.approx(35342.917, abs=0.001)
    assert stand.u_m3 == pytest.approx(589.049, abs=0.001)


@given(depth=st.floats(-1.0, 3.0), noise=st.floats(0.0, 0.05), scale=st.floats(0.0, 0.05))
def test_noise_and_scale_are_kept_apart_and_add_as_squares(depth, noise, scale):
    """u2 is the sum of the squares of the parts; noise holds the first, scale the others."""
    stand = GARDEN.stand(depth, noise, scale)
    parts = dict(stand.parts)
    assert stand.u_noise_m3 == parts["level noise"]
    assert stand.u_m3**2 == pytest.approx(sum(u * u for u in parts.values()), rel=1e-9, abs=1e-30)
    assert stand.u_scale_m3**2 == pytest.approx(stand.u_m3**2 - stand.u_noise_m3**2, rel=1e-6, abs=1e-12)


def test_level_noise_is_the_free_surface_times_the_doubt_of_the_depth():
    """GUM equation 10 with dV/dh = A, between floor and overflow."""
    stand = GARDEN.stand(0.5, u_noise_m=0.01)
    assert stand.u_noise_m3 == pytest.approx(stand.area_m2 * 0.01, rel=1e-12)


def test_doubt_does_not_vanish_at_the_bottom_of_a_round_tank():
    """At the floor of a lying cylinder the surface is nothing, but a depth of 0 +- 10 mm is not sure to be no water."""
    stand = GARDEN.stand(0.0, u_noise_m=0.01)
    assert stand.area_m2 == 0.0
    assert stand.u_noise_m3 > 0.0


@given(depth=st.floats(-5.0, 5.0))
def test_every_depth_has_an_answer_and_a_flag(depth):
    """Below the floor nothing, above the overflow the capacity; on hand never below zero; room and total make the capacity."""
    stand = DRINKING.stand(depth)
    assert 0.0 <= stand.on_hand_m3 <= DRINKING.full_on_hand_m3
    assert stand.total_m3 + stand.room_m3 == pytest.approx(DRINKING.capacity_m3)
    expected = "below floor" if depth < 0 else "above overflow" if depth > DRINKING.overflow_m else ""
    assert stand.flag == expected


def test_dead_storage_is_never_on_hand():
    """Below the outlet there is water but none to draw."""
    stand = CABIN.stand(1.5 * M_PER_IN)
    assert stand.on_hand_m3 == 0.0
    assert stand.total_m3 == pytest.approx(48 * 36 * 1.5 * M_PER_IN**3)


@given(share=st.floats(0.0, 1.0))
def test_depth_and_volume_invert(share):
    """depth_m(volume_m3(h)) is h, and depth_on_hand_m likewise above the outlet."""
    for tank in (DRINKING, GARDEN, CABIN):
        depth = share * tank.overflow_m
        assert tank.depth_m(tank.volume_m3(depth)) == pytest.approx(depth, abs=1e-6 * tank.height_m)
        above = max(depth, tank.outlet_m)
        assert tank.depth_on_hand_m(tank.on_hand_m3(above)) == pytest.approx(above, abs=1e-6 * tank.height_m)


def test_a_filled_table_brings_its_own_doubt():
    """After four amounts of 20 gal +- 0.5 each, the table's part is sqrt(4) times 0.5 gal."""
    gal = M3_PER_GAL
    shape = filled([20 * gal] * 4, [0.1, 0.2, 0.3, 0.4], 0.5 * gal, 0.0)
    stand = Tank("filled", (Vessel("", shape),), 0.0, 0.4, geometry=0.0).stand(0.4)
    assert dict(stand.parts)["table"] == pytest.approx(1.0 * gal)


def test_the_section_is_drawn_from_the_same_geometry():
    """A lying cylinder is a circle of its own size; its water reaches up to the depth; a dry tank has none."""
    drawn = section(GARDEN)
    (water,) = drawn.water(0.3)
    assert drawn.width_m == pytest.approx(48 * M_PER_IN, rel=1e-3)
    assert max(y for _, y in water) == pytest.approx(0.3)
    assert min(y for _, y in water) == pytest.approx(0.0, abs=1e-9)
    assert drawn.water(0.0) == ((),)
    area = abs(sum(x0 * y1 - x1 * y0 for (x0, y0), (x1, y1) in zip(water, (*water[1:], water[0]), strict=True))) / 2
    assert area * 120 * M_PER_IN == pytest.approx(GARDEN.volume_m3(0.3), rel=5e-3)
