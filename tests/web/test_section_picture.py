"""The picture of a tank: its true section, water, doubt, marks."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holdwater.tanks.boxes import box
from holdwater.tanks.tank import Tank
from holdwater.tanks.upright import upright_cylinder
from holdwater.tanks.vessels import Link, Vessel
from holdwater.units import Measure
from holdwater.web.charts.section import reserve_depth_m, section_svg, wrapped
from holdwater.web.charts.svg import LOOKS, spread
from web.drawings import Drawing, area_of
from web.household import gallons, inches, tanks

US = Measure("US")
TANKS = tanks()


def joined() -> Tank:
    """Two vessels side by side, the second on a step."""
    low, high = upright_cylinder(inches(48), inches(60)), box(inches(40), inches(40), inches(50))
    vessels = (Vessel("north barrel", low), Vessel("south barrel with a long name", high, inches(6)))
    return Tank(
        "pair",
        vessels,
        inches(2),
        inches(54),
        links=(Link(("north barrel", vessels[1].name), inches(7)),),
        uses=("garden",),
    )


def test_the_water_fills_the_share_of_the_circle_that_a_segment_has() -> None:
    """Area of a circular segment, r2 acos((r-h)/r) - (r-h) sqrt(2rh-h2) (Gieck, Technical Formulae; any table of the circle)."""
    tank = TANKS["garden"]
    radius, depth = inches(24), inches(14)
    drawing = Drawing(section_svg(tank, tank.stand(depth), US))
    segment = radius**2 * math.acos((radius - depth) / radius) - (radius - depth) * math.sqrt(
        2 * radius * depth - depth**2
    )
    share = area_of(drawing.points("water")[0]) / area_of(drawing.points("wall")[0])
    assert share == pytest.approx(segment / (math.pi * radius**2), abs=0.005)


def test_a_box_is_a_box_and_keeps_its_proportions() -> None:
    """48 in wide, 42 in tall."""
    drawing = Drawing(section_svg(TANKS["cabin"], TANKS["cabin"].stand(inches(20)), US))
    wall = drawing.points("wall")[0]
    wide, tall = (max(p[i] for p in wall) - min(p[i] for p in wall) for i in (0, 1))
    assert wide / tall == pytest.approx(48 / 42, rel=0.01)


def test_the_surface_is_as_thick_as_the_doubt() -> None:
    """Two standard uncertainties of volume each way, over the free surface there."""
    tank = TANKS["drinking"]
    stand = replace(tank.stand(inches(30)), u_noise_m3=gallons(6), u_scale_m3=gallons(8))
    drawing = Drawing(section_svg(tank, stand, US))
    wall, surface = drawing.points("wall")[0], drawing.points("surface")[0]
    per_m = (max(y for _, y in wall) - min(y for _, y in wall)) / inches(66)
    thick = max(y for _, y in surface) - min(y for _, y in surface)
    assert thick / per_m == pytest.approx(4 * gallons(10) / stand.area_m2, rel=0.02)


def test_a_doubt_too_small_to_see_is_still_drawn() -> None:
    """Never thinner than two pixels; never outside the tank."""
    tank = TANKS["drinking"]
    for depth in (0.0, inches(66)):
        drawing = Drawing(section_svg(tank, replace(tank.stand(depth), u_noise_m3=0.0, u_scale_m3=0.0), US))
        wall, surface = drawing.points("wall")[0], drawing.points("surface")[0]
        assert max(y for _, y in surface) - min(y for _, y in surface) >= 0.9
        assert min(y for _, y in wall) - 0.11 <= min(y for _, y in surface)
        assert max(y for _, y in surface) <= max(y for _, y in wall) + 0.11


def test_dead_storage_is_hatched_up_to_the_tap_or_the_water() -> None:
    """Water below the tap is in the tank but not on hand."""
    tank = TANKS["drinking"]
    full, little = (Drawing(section_svg(tank, tank.stand(inches(d)), US)).points("dead")[0] for d in (30, 1))
    tall = [max(y for _, y in each) - min(y for _, y in each) for each in (full, little)]
    assert tall[0] / tall[1] == pytest.approx(3, rel=0.07)
    svg = section_svg(tank, tank.stand(inches(30)), US)
    assert f"url(#{Drawing(svg).root.find('.//{*}pattern').attrib['id']})" in svg  # type: ignore[union-attr]


def test_marks_stand_at_their_true_height_on_the_outside_wall() -> None:
    """Overflow lip, reserve, surface, tap."""
    tank = TANKS["drinking"]
    drawing = Drawing(section_svg(tank, tank.stand(inches(38)), US))
    floor = max(y for _, y in drawing.points("wall")[0])
    per_m = (floor - min(y for _, y in drawing.points("wall")[0])) / inches(66)
    heights = [(floor - float(each.attrib["d"].split()[1].split("h")[0])) / per_m for each in drawing.looks("tick")]
    wanted = [inches(62), inches(38), reserve_depth_m(tank, gallons(90)), inches(3)]
    assert heights == pytest.approx(wanted, abs=0.002)
    assert [each.text for each in drawing.texts] == ["overflow lip 62 in", "38 in deep", "reserve 90 gal", "tap 3 in"]


def test_an_unknown_level_is_an_empty_outline_with_the_reason_in_words() -> None:
    """Never a guess."""
    svg = section_svg(TANKS["cabin"], None, US, "ice at the sensor is likely")
    drawing = Drawing(svg)
    assert not drawing.looks("water") + drawing.looks("surface") + drawing.looks("dead")
    said = " ".join(each.text for each in drawing.texts)
    assert "level unknown ice at the sensor is likely" in said
    assert "level unknown, ice at the sensor is likely" in drawing.root.attrib["aria-label"]


def test_a_stand_without_a_level_counts_as_unknown() -> None:
    """The vessel with the tap has no sensor."""
    stand = replace(TANKS["cabin"].stand(0.2), depth_m=math.nan)
    assert not Drawing(section_svg(TANKS["cabin"], stand, US)).looks("water")


def test_joined_vessels_stand_side_by_side_at_one_level() -> None:
    """Both surfaces at one height; the second floor a step up; long names cut."""
    drawing = Drawing(section_svg(joined(), joined().stand(inches(30)), US))
    walls, water = drawing.points("wall"), drawing.points("water")
    assert len(walls) == len(water) == 2
    assert max(x for x, _ in walls[0]) < min(x for x, _ in walls[1])
    assert min(y for _, y in water[0]) == pytest.approx(min(y for _, y in water[1]), abs=0.11)
    assert max(y for _, y in walls[1]) < max(y for _, y in walls[0])
    assert drawing.overlaps() == []


def test_a_mark_below_a_raised_vessel_stands_on_the_wall_of_the_one_that_reaches_it() -> None:
    """The tap at 2 in is not on the vessel whose floor is at 6 in."""
    drawing = Drawing(section_svg(joined(), joined().stand(inches(30)), US))
    tap = float(drawing.looks("tick")[-1].attrib["d"].split()[0][1:])
    walls = drawing.points("wall")
    assert tap == pytest.approx(max(x for x, _ in walls[0]) - 1, abs=0.2)
    assert tap < min(x for x, _ in walls[1])


@settings(max_examples=60)
@given(
    st.sampled_from(sorted(TANKS)),
    st.floats(-0.2, 2.0),
    st.floats(0, 1),
    st.floats(0, 1),
    st.booleans(),
    st.sampled_from(("US", "metric")),
)
def test_labels_never_overlap_and_stay_inside_the_picture(
    name: str, depth: float, keep: float, floor: float, known: bool, system: str
) -> None:
    """Whatever the level, reserve and fire water are."""
    tank = TANKS[name]
    tank = replace(tank, reserve_m3=keep * tank.full_on_hand_m3, floor_m3=floor * tank.full_on_hand_m3)
    drawing = Drawing(section_svg(tank, tank.stand(depth) if known else None, Measure(system), "a double echo"))  # type: ignore[arg-type]
    assert drawing.overlaps() == []
    for each in drawing.texts:
        assert each.left >= -0.5
        assert each.right <= drawing.width + 0.5
        assert each.top >= -1
        assert each.bottom <= drawing.height + 1


def test_every_shape_is_coloured_by_a_class_and_by_attributes_and_never_by_style() -> None:
    """So that it works under the strict policy, and saved without a stylesheet."""
    svg = section_svg(TANKS["drinking"], TANKS["drinking"].stand(0.9), US)
    assert "style" not in svg
    for each in Drawing(svg).root.iter():
        look = each.attrib.get("class", "")
        assert look in LOOKS or look in {"", "section", "dead"}
        for key, value in LOOKS.get(look, {}).items():
            assert each.attrib[key] == value


@given(st.lists(st.floats(-100, 400), max_size=8).map(sorted), st.floats(1, 30))
def test_spread_keeps_order_and_distance(wanted: list[float], gap: float) -> None:
    """Labels keep the order of what they name."""
    placed = spread(wanted, gap, 0.0, 300.0)
    assert len(placed) == len(wanted)
    assert all(b - a >= gap - 1e-6 for a, b in itertools.pairwise(placed))


def test_long_reasons_are_wrapped_and_end_in_time() -> None:
    """At most five lines."""
    assert wrapped("one two three", 7) == ["one two", "three"]
    assert len(wrapped("word " * 50, 10)) == 5
    assert wrapped("word " * 50, 10)[-1].endswith("…")
    assert wrapped("", 10) == []
