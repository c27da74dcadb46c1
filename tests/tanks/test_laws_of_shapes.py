"""Laws that hold for every shape, also for the rare ones: the surface is the slope of the volume, words say the measures."""

from __future__ import annotations

import math

import pytest

from holdwater.tanks.boxes import box, tapered_box, trough
from holdwater.tanks.curves import Quadratic
from holdwater.tanks.cut import axis_area
from holdwater.tanks.heads import Head
from holdwater.tanks.lying import capsule, horizontal_cylinder, horizontal_oval
from holdwater.tanks.made import stack
from holdwater.tanks.shapes import Body, invert
from holdwater.tanks.tilt import Place, tilted
from holdwater.tanks.turned import Run
from holdwater.tanks.upright import frustum, sphere, upright_cylinder, upright_oval
from holdwater.units import Measure

GUPPY = Head("guppy", 0.4)
DENTED = Head("ellipsoidal", 0.3, dented=True)
LEANING = Place(0.5, square=True)

RARE: dict[str, Body] = {
    "lying with slanted ends": horizontal_cylinder(1.2, 2.4, GUPPY, GUPPY),
    "read square to its wall at a place": tilted(horizontal_cylinder(1.2, 2.4), 0.05, 0.0, LEANING),
    "lying stadium rolled about its axis": tilted(horizontal_oval(1.4, 0.9, 2.5, elliptic=False), 0.0, 0.1),
    "upright with a dented top": upright_cylinder(1.2, 1.0, Head("flat"), DENTED),
    "two boxes on one another, tilted": tilted(stack([box(1.0, 0.8, 0.5), box(1.0, 0.8, 0.5)]), 0.05, 0.03),
}


@pytest.mark.parametrize("name", RARE)
def test_the_free_surface_is_the_slope_of_the_volume_for_rare_shapes_too(name: str) -> None:
    """Definition of both: dV = A dh."""
    body = RARE[name]
    for share in (0.2, 0.45, 0.72, 0.9):
        h, step = share * body.height_m, 1e-5 * body.height_m
        slope = (body.volume_m3(h + step) - body.volume_m3(h - step)) / (2 * step)
        assert body.area_m2(h) == pytest.approx(slope, rel=1e-5)


WORDS = [
    (box(1.0, 0.8, 0.5), "box, 100 by 80 cm"),
    (tapered_box((2.0, 1.0), (3.0, 2.0), 1.0), "tapered box, 200 by 100 cm below, 300 by 200 cm above"),
    (trough(0.6, 1.2, 0.7, 2.5), "trough, 60 to 120 cm wide, 250 cm long"),
    (frustum(1.6, 2.0, 0.8), "tapered, 160 to 200 cm across"),
    (upright_oval(2.0, 1.0, 0.8, elliptic=True), "upright oval, 200 by 100 cm"),
    (sphere(2.0), "sphere, 200 cm across"),
    (capsule(1.0, 3.0), "capsule, 100 cm across, 300 cm long"),
    (horizontal_oval(1.4, 0.9, 2.5, elliptic=True), "lying ellipse, 140 wide by 90 cm high, 250 cm long"),
    (horizontal_oval(1.4, 0.9, 2.5, elliptic=False), "lying oval, 140 wide by 90 cm high, 250 cm long"),
    (horizontal_cylinder(1.2, 2.4, GUPPY, GUPPY), "lying cylinder, 120 cm across, 240 cm long, slanted ends"),
    (upright_cylinder(1.2, 1.0, Head("conical", 0.3), DENTED), "120 cm across, cone bottom, dented ellipsoidal top"),
    (stack([frustum(1.0, 1.4, 0.5), upright_cylinder(1.4, 0.8)]), "tapered, 100 to 140 cm across, then upright, 140 cm"),
    (tilted(box(1.0, 0.8, 0.5), 0.05), "box, 100 by 80 cm, 5 % out of level"),
]  # fmt: skip


@pytest.mark.parametrize(("body", "words"), WORDS, ids=[words for _, words in WORDS])
def test_every_shape_says_its_measures(body: Body, words: str) -> None:
    """What `check` reads back, so that a slip of the tape or the pen is seen."""
    assert words in body.words(Measure("metric"))


def test_a_rolled_stadium_is_half_full_at_half_its_height() -> None:
    """It looks the same from below as from above, so the level through its middle halves it."""
    body = RARE["lying stadium rolled about its axis"]
    assert body.volume_m3(body.height_m / 2) == pytest.approx(body.volume_m3(body.height_m) / 2, rel=1e-9)


@pytest.mark.parametrize(
    ("whole", "half"),
    [
        (box(1.0, 0.8, 1.0), box(1.0, 0.8, 0.5)),
        (upright_oval(2.0, 1.0, 1.0, elliptic=False), upright_oval(2.0, 1.0, 0.5, elliptic=False)),
    ],
    ids=["box", "stadium"],
)
def test_a_tilted_tank_of_two_halves_is_the_tilted_tank(whole: Body, half: Body) -> None:
    """A seam between two halves holds no water."""
    one, two = tilted(whole, 0.07, 0.04), tilted(stack([half, half]), 0.07, 0.04)
    for share in (0.03, 0.3, 0.5, 0.8, 1.0):
        h = share * one.height_m
        assert two.volume_m3(h) == pytest.approx(one.volume_m3(h), rel=1e-6, abs=1e-7)


def test_a_dented_top_takes_away_what_a_bulging_one_adds() -> None:
    """An ellipsoidal head of depth d holds 2/3 pi r2 d (half an ellipsoid; any handbook of mensuration)."""
    flat = upright_cylinder(1.2, 1.0)
    share = 2 / 3 * math.pi * 0.6**2 * 0.3
    dented = RARE["upright with a dented top"]
    bulging = upright_cylinder(1.2, 1.0, Head("flat"), Head("ellipsoidal", 0.3))
    assert dented.volume_m3(9.0) == pytest.approx(flat.volume_m3(9.0) - share, rel=1e-9)
    assert bulging.volume_m3(9.0) == pytest.approx(flat.volume_m3(9.0) + share, rel=1e-9)


def test_a_dented_slanted_end_takes_away_what_a_bulging_one_adds() -> None:
    """The two together are the plain cylinder."""
    dented = horizontal_cylinder(1.2, 2.4, GUPPY, Head("guppy", 0.4, dented=True))
    plain = horizontal_cylinder(1.2, 2.4)
    for h in (0.2, 0.6, 1.0, 1.2):
        assert dented.volume_m3(h) == pytest.approx(plain.volume_m3(h), rel=1e-9)


def test_a_dished_head_without_a_knuckle_is_a_spherical_one() -> None:
    """With k = 0 the dish of radius f D meets the wall: depth f D - sqrt((f D)2 - R2)."""
    depth = 1.2 - math.sqrt(1.2**2 - 0.6**2)
    dished = upright_cylinder(1.2, 1.0, Head("torispherical", 0.0, 1.0, 0.0))
    spherical = upright_cylinder(1.2, 1.0, Head("spherical", depth))
    for h in (0.05, 0.3, 1.0):
        assert dished.volume_m3(h) == pytest.approx(spherical.volume_m3(h), rel=1e-9)


def test_a_cone_cut_parallel_to_its_side_shows_a_parabola() -> None:
    """Archimedes, Quadrature of the Parabola: two thirds of base times height."""
    even = math.sqrt(0.5)
    cone = Run(0.0, 1.0, (1.0, -2.0, 1.0))
    for c in (0.1, 0.5, 0.8):
        base, height = 2 * math.sqrt(1 - c * c), math.sqrt(2) * (1 + c) / 2
        assert axis_area([cone], (even, even), c * even) == pytest.approx(2 / 3 * base * height, rel=1e-9)


def test_a_depth_is_found_where_the_slope_misleads() -> None:
    """A curve whose stated surface is a thousand times too large makes every step too short; halving still ends it."""

    class Misleading(Quadratic):
        def area(self, h_m: float) -> float:
            return 1000.0 * super().area(h_m)

    assert invert(Misleading(2.0, 1.5), 0.75) == pytest.approx(0.5, rel=1e-9)
