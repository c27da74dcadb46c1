"""Tables [tank.NAME] and [transfer.NAME]: what they accept, and how they say what is wrong."""

from __future__ import annotations

import pytest
from pydantic import TypeAdapter, ValidationError
from pydantic_core import PydanticCustomError

from holdwater.config.shape import ShapeConfig
from holdwater.config.tank import TankConfig, TransferConfig
from holdwater.units import M3_PER_GAL, M_PER_IN

SHAPE = TypeAdapter(ShapeConfig)
ROUND = {"kind": "upright cylinder", "diameter": "42 in", "height": "66 in"}
BOX = {"kind": "box", "length": "4 ft", "width": "3 ft", "height": "40 in"}
FULL_M = 1e6


def shape(**keys):
    """A shape of these keys."""
    return SHAPE.validate_python(keys).build()


def said(table, model=TankConfig):
    """What is wrong with a table: its errors as (place, found, expected, fix)."""
    adapter = SHAPE if model is SHAPE else TypeAdapter(model)
    with pytest.raises(ValidationError) as caught:
        adapter.validate_python(table)
    out = []
    for error in caught.value.errors():
        context = error.get("ctx") or {}
        place = ".".join(str(part) for part in error["loc"])
        out.append((place, context.get("found", error["msg"]), context.get("expected", ""), context.get("fix", "")))
    return out


def test_units_may_be_mixed():
    """42 in is 106.68 cm; the overflow in mm; the reserve in litres."""
    tank = TankConfig.model_validate(
        {
            "use": "drinking",
            "shape": {**ROUND, "diameter": "106.68 cm"},
            "overflow": "1574.8 mm",
            "outlet": "0.25 ft",
            "reserve": "340 L",
        }
    ).build("drinking")
    assert tank.full_on_hand_m3 / M3_PER_GAL == pytest.approx(353.9, abs=0.05)
    assert tank.uses == ("drinking",)
    assert tank.is_drinking


@pytest.mark.parametrize("kind", ["upright cylinder", "Upright-Cylinder", "upright_cylinder", " UPRIGHT  CYLINDER "])
def test_kinds_may_be_written_with_spaces_hyphens_or_capitals(kind):
    """A household does not guess our spelling."""
    assert shape(**{**ROUND, "kind": kind}).height_m == pytest.approx(66 * M_PER_IN)


def test_heads_by_name_or_by_table_are_the_same():
    """ "2:1 ellipsoidal" is an ellipsoid a quarter of the diameter deep; ASME F&D is f 1, k 0.06."""
    base = {"kind": "horizontal cylinder", "diameter": "1.2 m", "length": "2.4 m"}
    pairs = [
        ("2:1", {"kind": "ellipsoidal", "depth": "0.3 m"}),
        ("hemispherical", {"kind": "spherical", "depth": "0.6 m"}),
        ("ASME F&D", {"kind": "torispherical", "f": 1.0, "k": 0.06}),
    ]
    for name, table in pairs:
        assert shape(**base, heads=name).volume_m3(0.45) == pytest.approx(
            shape(**base, heads=table).volume_m3(0.45), rel=1e-9
        )


def test_overall_measures_and_straight_measures_meet():
    """A cone-bottom tank by its straight side or by its height; a lying one by its length or its overall length."""
    cone = {"kind": "conical", "depth": "0.5 m"}
    side = shape(kind="upright cylinder", diameter="1.5 m", side="1.8 m", bottom=cone)
    assert shape(kind="upright cylinder", diameter="1.5 m", height="2.3 m", bottom=cone).volume_m3(
        1.0
    ) == side.volume_m3(1.0)
    assert side.volume_m3(1.0) == pytest.approx(1.17809725, rel=1e-6)  # tank-volumes.csv, lib_vcone_1.0
    straight = shape(kind="horizontal cylinder", diameter="1 m", length="2 m", heads="hemispherical")
    overall = shape(kind="horizontal cylinder", diameter="1 m", overall_length="3 m", heads="hemispherical")
    assert overall.volume_m3(0.3) == pytest.approx(straight.volume_m3(0.3))
    assert shape(kind="capsule", diameter="1 m", length="3 m").volume_m3(0.3) == pytest.approx(straight.volume_m3(0.3))
    standing = shape(kind="capsule", diameter="1 m", length="3 m", stands=True)
    assert standing.height_m == pytest.approx(3.0)
    assert standing.volume_m3(FULL_M) == pytest.approx(straight.volume_m3(FULL_M))


def test_the_slope_of_a_cone_gives_its_depth():
    """45 deg on a radius of 0.75 m is 0.75 m deep."""
    by_slope = shape(
        kind="upright cylinder", diameter="1.5 m", side="1 m", bottom={"kind": "conical", "slope": "45 deg"}
    )
    assert by_slope.height_m == pytest.approx(1.75)


def test_outside_measures_lose_the_wall():
    """A tape round the outside, pi D long, with a 10 mm wall: inside D - 20 mm, height less the floor's 10 mm."""
    tape = shape(kind="upright cylinder", circumference="3.141592653589793 m", height="1.01 m", wall="10 mm")
    assert tape.height_m == pytest.approx(1.0)
    assert tape.volume_m3(FULL_M) == pytest.approx(
        shape(kind="upright cylinder", diameter="0.98 m", height="1 m").volume_m3(FULL_M)
    )
    case = shape(kind="box", length="1.02 m", width="0.52 m", height="0.51 m", wall="1 cm")
    assert case.volume_m3(FULL_M) == pytest.approx(0.25)
    ball = shape(kind="sphere", diameter="1.02 m", wall="1 cm")
    assert ball.height_m == pytest.approx(1.0)


def test_things_inside_take_up_room():
    """Four posts 10 cm square up to half height, and 20 L spread over the whole height."""
    body = shape(
        kind="box", length="1 m", width="1 m", height="1 m",
        displaced=[{"length": "10 cm", "width": "10 cm", "count": 4, "to": "50 cm"}, {"volume": "20 L"}],
    )  # fmt: skip
    assert body.volume_m3(0.5) == pytest.approx(0.5 - 4 * 0.01 * 0.5 - 0.01)
    assert body.volume_m3(1.0) == pytest.approx(1.0 - 0.02 - 0.02)
    assert body.area_m2(0.25) == pytest.approx(1.0 - 0.04 - 0.02)
    round_post = shape(
        kind="box", length="1 m", width="1 m", height="1 m", displaced=[{"diameter": "20 cm", "from": "10 cm"}]
    )
    assert round_post.volume_m3(0.1) == pytest.approx(0.1)


def test_rounded_bottom_edges_by_hand():
    """Half radius up: a 1 m cube with r = 0.2: area (1 - 2 (r - s))2, s = sqrt(2 r h - h2)."""
    body = shape(kind="box", length="1 m", width="1 m", height="1 m", bottom_radius="0.2 m")
    s = (2 * 0.2 * 0.1 - 0.1**2) ** 0.5
    assert body.area_m2(0.1) == pytest.approx((0.6 + 2 * s) ** 2)
    assert body.area_m2(0.5) == pytest.approx(1.0)


def test_stacked_shapes_add_up():
    """A cone frustum, then a cylinder: volumes of both, areas by height."""
    body = shape(
        kind="stack",
        layers=[{"kind": "frustum", "bottom_diameter": "1.6 m", "top_diameter": "2 m", "height": "2 m"},
                {"kind": "upright cylinder", "diameter": "2 m", "height": "1 m"}],
    )  # fmt: skip
    assert body.volume_m3(1.5) == pytest.approx(3.61675854, rel=1e-8)  # tank-volumes.csv, own_conefrustum_1.5
    assert body.volume_m3(2.5) - body.volume_m3(2.0) == pytest.approx(3.14159265 * 0.5)
    assert body.height_m == pytest.approx(3.0)


@pytest.mark.parametrize("slope", ["2 %", "1.145762838 deg", "0.0199973340 rad", "2 in per 100 in", "2 cm per 1 m"])
def test_a_slope_may_be_said_in_many_ways(slope):
    """A share of rise over run, an angle, or a rise per run."""
    body = shape(
        kind="horizontal cylinder",
        diameter="1.2 m",
        length="2.4 m",
        tilt={"along": slope, "depth_at": "low end", "measured": "square"},
    )
    assert body.volume_m3(0.6) == pytest.approx(1.28808491, rel=1e-6)


@pytest.mark.parametrize(
    ("spot", "depth"), [("low end", 0.6), ("middle", 0.576), ("high end", 0.552), ("60 cm", 0.588), ("2.4 m", 0.552)]
)
def test_depth_may_be_read_at_any_place_along_the_tank(spot, depth):
    """The surface of the row own_tilt_0.02_0.6, read elsewhere: 2 % lower each metre up the slope."""
    body = shape(
        kind="horizontal cylinder",
        diameter="1.2 m",
        length="2.4 m",
        tilt={"along": "2 %", "depth_at": spot, "measured": "square"},
    )
    assert body.volume_m3(depth) == pytest.approx(1.28808491, rel=1e-6)


def test_all_wrong_keys_of_a_tank_are_said_at_once():
    """Overflow above the rim and outlet below the floor: two errors, each at its key, with a fix."""
    errors = said({"shape": ROUND, "overflow": "70 in", "outlet": "-1 in"})
    assert [error[0] for error in errors] == ["overflow", "outlet"]
    assert "70 in" in errors[0][1]
    assert "66 in" in errors[0][2]
    assert errors[0][3]


@pytest.mark.parametrize(
    ("table", "key", "found"),
    [
        ({"shape": ROUND, "overflow": "62 in", "outlet": "63 in"}, "outlet", "63 in"),
        ({"shape": ROUND, "overflow": "0 in"}, "overflow", "0 in"),
        ({"shape": ROUND, "overflow": "62 in", "reserve": "400 gal"}, "reserve", "400 gal"),
        ({"shape": ROUND, "floor": "-5 gal"}, "floor", "-5 gal"),
        ({"shape": ROUND, "overflow": "62 gal"}, "overflow", "'gal' is a unit of volume"),
        ({"shape": ROUND, "outlet": 3}, "outlet", "3 has no unit"),
        ({}, "vessel", "neither shape nor vessel"),
        ({"shape": ROUND, "vessel": [{"name": "a", "shape": BOX}]}, "vessel", "shape and vessel together"),
        ({"vessel": [{"name": "a", "shape": BOX}, {"name": "a", "shape": BOX}]}, "vessel", "vessel a twice"),
        ({"vessel": [{"name": "a", "shape": BOX}], "link": [{"between": ["a", "z"]}]}, "link", "link 1 joins 'z'"),
        ({"vessel": [{"name": "a", "shape": BOX}], "link": [{"between": ["a", "a"]}]}, "link", "link 1 joins 'a' to itself"),
        ({"vessel": [{"name": "a", "shape": BOX}], "outlet_vessel": "b"}, "outlet_vessel", "outlet_vessel 'b'"),
        ({"use": "drinking", "vessel": [{"name": "a", "shape": BOX}, {"name": "b", "shape": BOX, "use": "garden"}]},
         "vessel", "vessel b for garden"),
    ],
)  # fmt: skip
def test_a_wrong_tank_says_key_found_expected_and_fix(table, key, found):
    """Each at its own key."""
    errors = said(table)
    at_key = [error for error in errors if error[0] == key]
    assert at_key, errors
    assert found in at_key[0][1]
    assert at_key[0][2]
    assert at_key[0][3]


@pytest.mark.parametrize(
    ("table", "found"),
    [
        ({**ROUND, "diameter": "0 in"}, "0 in"),
        ({**ROUND, "side": "3 ft"}, "height and side"),
        ({"kind": "upright cylinder", "height": "3 ft"}, "neither diameter nor circumference"),
        ({"kind": "upright cylinder", "diameter": "3 ft"}, "neither height nor side"),
        ({**ROUND, "circumference": "9 ft"}, "diameter and circumference"),
        ({**ROUND, "wall": "21 in"}, "wall 21 in"),
        ({**ROUND, "height": "10 in", "bottom": "hemispherical"}, "height 10 in"),
        ({**ROUND, "bottom": "conical"}, "conical head without depth"),
        ({**ROUND, "bottom": {"kind": "hemispherical", "depth": "3 in"}}, "hemispherical head with depth"),
        ({**ROUND, "bottom": {"kind": "flat", "f": 1.0}}, "f or k on a flat head"),
        ({**ROUND, "bottom": {"kind": "torispherical", "f": 0.3}}, "f = 0.3"),
        ({**ROUND, "bottom": {"kind": "ellipsoidal", "depth": "3 in", "slope": "3 deg"}}, "slope"),
        ({**ROUND, "bottom": {"kind": "spherical", "depth": "30 in"}}, "spherical head 30 in"),
        ({**ROUND, "bottom": {"kind": "guppy", "depth": "3 in"}}, "a guppy end"),
        ({**ROUND, "bottom": {"kind": "conical", "depth": "3 in"}, "wall": "4 in"}, "head 3 in"),
        ({**ROUND, "height": "20 in", "bottom": {"kind": "hemispherical", "dented": True}}, "dents 21 in"),
        ({**ROUND, "tilt": {"along": "50 deg"}}, "slope 50 deg"),
        ({**ROUND, "tilt": {"along": "2 gal"}}, "'2 gal'"),
        ({**ROUND, "tilt": {"along": 2}}, "2"),
        ({**ROUND, "tilt": {"along": "44 deg", "across": "44 deg"}}, "along and across"),
        ({**ROUND, "tilt": {"along": "2 %", "measured": "square"}}, "without depth_at"),
        ({**ROUND, "tilt": {"along": "2 %", "depth_at": "left"}}, "depth_at 'left'"),
        ({**BOX, "bottom_radius": "20 in"}, "bottom_radius 20 in"),
        ({**BOX, "length": "9 ft", "width": "9 ft", "bottom_radius": "50 in"}, "bottom_radius 50 in"),
        ({**BOX, "bottom_radius": "4 in", "corner_radius": "2 in"}, "corner_radius 2 in"),
        ({**BOX, "displaced": [{"volume": "2 gal", "area": "1 ft2"}]}, "displaced"),
        ({**BOX, "displaced": [{"area": "40 ft2"}]}, "takes up all the room"),
        ({**BOX, "displaced": [{"volume": "2 gal", "from": "9 in", "to": "8 in"}]}, "from 9 in"),
        ({"kind": "capsule", "diameter": "1 m", "length": "0.9 m"}, "length"),
        ({"kind": "horizontal cylinder", "diameter": "1 m"}, "neither length nor overall_length"),
        ({"kind": "horizontal cylinder", "diameter": "1 m", "length": "1 m", "heads": "flat", "left": "flat"}, "heads together"),
        ({"kind": "horizontal cylinder", "diameter": "1 m", "overall_length": "0.5 m", "heads": "hemispherical"}, "between the heads"),
        ({"kind": "frustum", "bottom_diameter": "0 m", "top_diameter": "0 m", "height": "1 m"}, "both diameters 0"),
        ({"kind": "trough", "bottom_width": "0 m", "top_width": "0 m", "height": "1 m", "length": "1 m"}, "both widths 0"),
        ({"kind": "stack", "layers": [BOX], "wall": "1 in"}, "wall on a stack"),
        ({"kind": "stack", "layers": [{**BOX, "tilt": {"along": "2 %"}}]}, "a tilted layer"),
        ({"kind": "dip chart", "points": [["1 in", "5 gal"], ["2 in", "5 gal"]]}, "point 2: volume"),
        ({"kind": "dip chart", "points": [["2 in", "5 gal"], ["2 in", "6 gal"]]}, "point 2: height"),
        ({"kind": "filled", "fillings": [{"added": "5 gal", "depth": "3 in"}, {"added": "0 gal", "depth": "4 in"}]}, "point 2: volume"),
    ],
)  # fmt: skip
def test_a_wrong_shape_says_found_expected_and_fix(table, found):
    """In words a household can act on."""
    place, was, expected, fix = said(table, SHAPE)[0]
    assert found in was, (place, was)
    assert expected
    assert fix


def test_an_unknown_kind_is_refused():
    """The kinds are named."""
    assert "upright cylinder" in said({"kind": "barrel"}, SHAPE)[0][1]


def test_a_transfer_into_drinking_from_another_use_is_refused():
    """Uses never mix into drinking; the other way is allowed, and from drinking to drinking."""
    tanks = {
        name: TankConfig.model_validate({"use": use, "shape": ROUND}).build(name)
        for name, use in (("kitchen", "drinking"), ("spare", "drinking"), ("yard", ["garden", "stock"]))
    }
    transfer = TransferConfig.model_validate
    transfer({"from": "kitchen", "to": "yard"}).check(tanks)
    transfer({"from": "spare", "to": "kitchen"}).check(tanks)
    for table, key, found in (
        ({"from": "yard", "to": "kitchen"}, "to", "for garden, stock"),
        ({"from": "well", "to": "kitchen"}, "from", "'well'"),
        ({"from": "kitchen", "to": "kitchen"}, "to", "both 'kitchen'"),
    ):
        with pytest.raises(PydanticCustomError) as caught:
            transfer(table).check(tanks)
        assert caught.value.context["key"] == key
        assert found in caught.value.context["found"]


def test_joined_vessels_from_the_config():
    """Vessels, floors, links and the vessel with the outlet."""
    tank = TankConfig.model_validate({
        "use": ["garden"],
        "vessel": [{"name": "a", "shape": BOX}, {"name": "b", "shape": ROUND, "floor": "6 in", "use": "garden"}],
        "link": [{"between": ["a", "b"], "height": "8 in", "shut": True}],
        "outlet_vessel": "b", "outlet": "9 in", "filled_by": "roof", "roof": "780 ft2",
    }).build("garden")  # fmt: skip
    assert tank.tap_vessel == "b"
    assert tank.links[0].shut
    assert tank.overflow_m == pytest.approx(72 * M_PER_IN)
    assert tank.filled_by == ("roof",)
    assert tank.roof_m2 == pytest.approx(72.46, abs=0.01)


def test_every_setting_is_described():
    """The manual of settings is made from the descriptions."""
    for definition in (
        *SHAPE.json_schema()["$defs"].values(),
        TankConfig.model_json_schema(),
        TransferConfig.model_json_schema(),
    ):
        for name, field in definition["properties"].items():
            assert field.get("description"), name
