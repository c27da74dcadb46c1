"""Tables `shape = { kind = "…", … }` of the config: the inside of a tank, in any units.

Every shape by measures may also be given by outside measures with a `wall`, hold things that take up room (`displaced`),
and stand out of level (`tilt`).
"""

from __future__ import annotations

import itertools
import math
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, PrivateAttr, model_validator

from holdwater.config.model import Area, Length, Model, Volume, problem
from holdwater.tanks import boxes, chart, lying, made, upright
from holdwater.tanks.heads import Head
from holdwater.tanks.shapes import Body
from holdwater.tanks.tilt import Place, tilted
from holdwater.units import M_PER_IN, UnitError, parse

STEEPEST = math.radians(45)


def length_words(m: float) -> str:
    """A length in both systems, for errors: the file may use either."""
    return f"{m / M_PER_IN:.4g} in ({m:.4g} m)"


def _above_zero(value: float) -> float:
    if not value > 0.0:
        raise problem(length_words(value), "a length above zero", 'write a measure such as "42 in"')
    return value


def _tidy_text(value: Any) -> Any:
    """Accept `upright-cylinder` and `Upright_Cylinder` for `upright cylinder`."""
    return " ".join(value.lower().replace("-", " ").replace("_", " ").split()) if isinstance(value, str) else value


def _tidy_kind(value: Any) -> Any:
    return {**value, "kind": _tidy_text(value["kind"])} if isinstance(value, dict) and "kind" in value else value


def _slope(value: Any) -> float:
    """An angle to the horizon, rad, from "1.5 deg", "2 %" or "1 in per 8 ft"."""
    wrong = problem(
        f"{value!r}",
        "a slope: an angle, a share of rise over run, or a rise per run",
        'write "2 %", "1.1 deg" or "1 in per 8 ft"',
    )
    if not isinstance(value, str):
        raise wrong
    try:
        if " per " in value:
            rise, run = value.split(" per ", 1)
            angle = math.atan2(parse(rise, "length"), parse(run, "length"))
        elif value.rstrip().endswith("%"):
            angle = math.atan(parse(value, "ratio"))
        else:
            angle = parse(value, "angle")
    except UnitError:
        raise wrong from None
    if not abs(angle) <= STEEPEST:
        raise problem(f"slope {value}", "at most 45 deg: a steeper tank lies on another side", "describe it as it lies")
    return angle


Size = Annotated[Length, AfterValidator(_above_zero)]
Slope = Annotated[float, BeforeValidator(_slope)]
HeadName = Literal[
    "flat",
    "conical",
    "ellipsoidal",
    "2:1 ellipsoidal",
    "hemispherical",
    "torispherical",
    "asme f&d",
    "spherical",
    "guppy",
]
_HEAD_ALIASES = {
    "cone": "conical",
    "hemisphere": "hemispherical",
    "2:1": "2:1 ellipsoidal",
    "asme": "asme f&d",
    "ellipsoidal 2:1": "2:1 ellipsoidal",
}


def _head(value: Any) -> Any:
    value = {"kind": value} if isinstance(value, str) else value
    value = _tidy_kind(value)
    return (
        {**value, "kind": _HEAD_ALIASES.get(value["kind"], value["kind"])}
        if isinstance(value, dict) and isinstance(value.get("kind"), str)
        else value
    )


class HeadTable(Model):
    """What closes a round tank at an end: a name in quotes, or a table with measures."""

    kind: HeadName = Field(
        description="flat, conical, ellipsoidal, 2:1 ellipsoidal, hemispherical, torispherical, ASME F&D, spherical (segment of a sphere), "
        "guppy (slanted cone, apex level with the top; lying tanks only)"
    )
    depth: Size | None = Field(
        default=None, description="how far it reaches beyond the straight side (conical, ellipsoidal, spherical, guppy)"
    )
    slope: Slope | None = Field(
        default=None, description="angle of a cone to the plane of its rim, instead of its depth"
    )
    f: float | None = Field(
        default=None, gt=0.0, description="radius of the dish over the diameter (torispherical); default 1"
    )
    k: float | None = Field(
        default=None,
        ge=0.0,
        lt=0.5,
        description="radius of the knuckle over the diameter (torispherical); default 0.06",
    )
    dented: bool = Field(default=False, description="true when it bulges into the tank instead of out of it")

    @model_validator(mode="after")
    def _complete(self) -> Self:
        needs_depth = self.kind in ("conical", "ellipsoidal", "spherical", "guppy")
        by_slope = self.kind == "conical" and self.slope is not None
        if needs_depth and not by_slope and self.depth is None:
            raise problem(
                f"a {self.kind} head without depth",
                "how far it reaches beyond the straight side",
                'add depth = "6 in"',
                "depth",
            )
        if self.depth is not None and (not needs_depth or by_slope):
            raise problem(
                f"a {self.kind} head with depth",
                "no depth: its measures follow from diameter" + (" and slope" if by_slope else ""),
                "remove depth",
                "depth",
            )
        if self.slope is not None and (self.kind != "conical" or self.slope <= 0.0):
            raise problem("slope", "a slope above zero, on a conical head", "remove slope or correct it", "slope")
        if self.kind != "torispherical" and (self.f is not None or self.k is not None):
            raise problem(
                f"f or k on a {self.kind} head",
                "f and k on a torispherical head only",
                'write kind = "torispherical"',
                "f",
            )
        dish, knuckle = self.dish
        if self.kind == "torispherical" and not (dish >= 0.5 and dish > knuckle):
            raise problem(
                f"f = {dish:g}, k = {knuckle:g}",
                "f of at least 0.5 and above k",
                "write the radii of dish and knuckle over the diameter",
                "f",
            )
        return self

    @property
    def dish(self) -> tuple[float, float]:
        """f and k."""
        return 1.0 if self.f is None else self.f, 0.06 if self.k is None else self.k

    def build(self, radius_m: float, wall_m: float) -> Head:
        """The head on a cylinder of that inside radius."""
        if self.kind == "2:1 ellipsoidal":
            return Head("ellipsoidal", radius_m / 2, dented=self.dented)
        if self.kind in ("torispherical", "asme f&d"):
            return Head("torispherical", 0.0, *self.dish, dented=self.dented)
        if self.kind in {"flat", "hemispherical"}:
            return Head(self.kind, dented=self.dented)
        depth = radius_m * math.tan(self.slope) if self.slope is not None else self._inside_depth(wall_m)
        if self.kind == "spherical" and depth > radius_m * (1 + 1e-9):
            raise problem(
                f"spherical head {length_words(depth)} deep",
                f"at most half the diameter, {length_words(radius_m)}",
                'lower depth, or write "hemispherical"',
                "depth",
            )
        return Head(_NAMED[self.kind], depth, dented=self.dented)

    def _inside_depth(self, wall_m: float) -> float:
        depth = (self.depth or 0.0) + (wall_m if self.dented else -wall_m)
        if depth <= 0.0:
            raise problem(
                f"head {length_words(self.depth or 0.0)} deep outside",
                f"more than its wall, {length_words(wall_m)}",
                "correct depth or wall",
                "depth",
            )
        return depth


_NAMED: dict[str, Literal["conical", "ellipsoidal", "spherical", "guppy"]] = {
    "conical": "conical", "ellipsoidal": "ellipsoidal", "spherical": "spherical", "guppy": "guppy",
}  # fmt: skip
HeadConfig = Annotated[HeadTable, BeforeValidator(_head)]
FLAT = HeadTable(kind="flat")


class DisplacedConfig(Model):
    """Something inside that takes up room: `displaced = [{ volume = "3 gal", from = "0 in", to = "40 in" }]`."""

    volume: Volume | None = Field(
        default=None, ge=0.0, description="room that one of them takes up, spread evenly between `from` and `to`"
    )
    area: Area | None = Field(default=None, ge=0.0, description="level cross-section of one of them")
    length: Size | None = Field(default=None, description="one side of a cross-section that is a rectangle")
    width: Size | None = Field(default=None, description="the other side of that rectangle")
    diameter: Size | None = Field(default=None, description="diameter of a cross-section that is round")
    count: int = Field(default=1, ge=1, description="how many of them")
    start: Length = Field(
        default=0.0, ge=0.0, alias="from", description="height of its lower end above the lowest inside floor"
    )
    end: Length | None = Field(
        default=None, alias="to", description="height of its upper end; default: the top of the tank"
    )

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        forms = [
            self.volume is not None,
            self.area is not None,
            self.length is not None or self.width is not None,
            self.diameter is not None,
        ]
        if sum(forms) != 1 or (self.length is None) != (self.width is None):
            raise problem(
                "displaced", "one of: volume; area; length and width; diameter", "keep one way to say how large it is"
            )
        return self

    def build(self, height_m: float) -> made.Displaced:
        """The thing in a tank of that height."""
        end = height_m if self.end is None else self.end
        if not self.start < end <= height_m * (1 + 1e-9):
            raise problem(
                f"displaced from {length_words(self.start)} to {length_words(end)}",
                f"from below to, both within the tank's height, {length_words(height_m)}",
                "correct from and to",
                "displaced",
            )
        end = min(end, height_m)
        if self.volume is not None:
            area = self.volume / (end - self.start)
        elif self.area is not None:
            area = self.area
        elif self.diameter is not None:
            area = math.pi * self.diameter**2 / 4
        else:
            area = (self.length or 0.0) * (self.width or 0.0)
        return made.Displaced(area * self.count, self.start, end)


class TiltConfig(Model):
    """How far a tank stands out of level: `tilt = { along = "2 %", depth_at = "low end" }`."""

    along: Slope = Field(
        default=0.0,
        description="slope along its length (of an upright tank: to one side): 2 %, 1.1 deg or 1 in per 8 ft; below zero when the right end is low",
    )
    across: Slope = Field(default=0.0, description="slope across it, square to `along`")
    depth_at: str | None = Field(
        default=None,
        description="where depth, outlet and overflow are measured: low end, middle, high end, or a distance from the low end such as 10 in, along `along`; "
        "then depth is counted from the inside floor line at that place; default: plumb from the lowest inside point",
    )
    depth_across: Length = Field(
        default=0.0, description="place of `depth_at` across the tank: distance from its middle towards the high side"
    )
    measured: Literal["plumb", "square"] = Field(
        default="plumb",
        description="plumb, or square to the tank (a gauge on its wall, a stick along its diameter); with depth_at",
    )

    @model_validator(mode="after")
    def _possible(self) -> Self:
        if math.sin(self.along) ** 2 + math.sin(self.across) ** 2 > 0.75:
            raise problem("along and across", "together at most 60 deg", "describe the tank as it lies")
        if self.depth_at is None and (self.measured == "square" or self.depth_across):
            raise problem(
                "measured or depth_across without depth_at",
                "the place where depth is measured",
                'add depth_at = "low end"',
                "depth_at",
            )
        self.place(1.0)
        return self

    def place(self, half_m: float) -> Place | None:
        """The place in a tank that reaches so far from its middle."""
        if self.depth_at is None:
            return None
        named = {"low end": -half_m, "middle": 0.0, "high end": half_m}
        along = named.get(_tidy_text(self.depth_at))
        if along is None:
            try:
                along = parse(self.depth_at, "length") - half_m
            except UnitError as error:
                raise problem(
                    f"depth_at {self.depth_at!r}: {error.found}",
                    "low end, middle, high end, or a length from the low end",
                    'write depth_at = "low end" or "10 in"',
                    "depth_at",
                ) from None
        return Place(along, self.depth_across, self.measured == "square")


class _Solid(Model):
    """What every shape by measures may say besides its own measures."""

    wall: Length = Field(
        default=0.0,
        ge=0.0,
        description="thickness of the wall, when the other measures are outside ones: breadths lose two walls, heights one (the floor), "
        "heads that bulge out one; default: the measures are inside ones",
    )
    displaced: list[DisplacedConfig] = Field(
        default_factory=list, description="things inside that take up room: posts, a baffle, a pump"
    )
    tilt: TiltConfig | None = Field(
        default=None, description="how far it stands out of level, and where its depth is read; default: level"
    )

    def level(self, on_floor: bool) -> Body:
        """The level tank, empty. `on_floor`: its height holds a floor's wall; not so for upper layers of a stack."""
        raise NotImplementedError

    _built: Body | None = PrivateAttr(default=None)

    def build(self, on_floor: bool = True) -> Body:
        """The shape itself; made once, as a tilted one takes a while."""
        if not on_floor:
            return self._make(False)
        if self._built is None:
            self._built = self._make(True)
        return self._built

    def _make(self, on_floor: bool) -> Body:
        body = self.level(on_floor)
        if self.tilt is not None:
            body = _tilt(body, self.tilt)
        return (
            made.with_inside(body, [each.build(body.height_m) for each in self.displaced]) if self.displaced else body
        )

    def inside(self, outside_m: float, walls: int = 2) -> float:
        """An inside measure from an outside one."""
        left = outside_m - walls * self.wall
        if left <= 0.0:
            raise problem(
                f"wall {length_words(self.wall)}",
                f"thinner: {length_words(outside_m)} outside leaves no inside",
                "correct wall",
                "wall",
            )
        return left

    @model_validator(mode="after")
    def _possible(self) -> Self:
        body = self.build()
        for at, each in enumerate(self.displaced):
            item = each.build(body.height_m)
            spots = [item.from_m + (item.to_m - item.from_m) * (k + 0.5) / 64 for k in range(64)]
            if min(body.area_m2(h) for h in spots) <= 0.0:
                raise problem(
                    f"displaced {at + 1} takes up all the room at some height",
                    "less than the tank's own cross-section",
                    "lower its volume or area",
                    "displaced",
                )
        return self


def _tilt(body: Body, tilt: TiltConfig) -> Body:
    xs = [x for x, _ in body.elevation or body.outline]
    half_m = body.end_m or (max(xs) - min(xs)) / 2
    return tilted(body, tilt.along, tilt.across, tilt.place(half_m))


class BoxShape(_Solid):
    """A box with upright walls; bottom and upright edges may be rounded."""

    kind: Literal["box"] = Field(description="box")
    length: Size = Field(description="length")
    width: Size = Field(description="width")
    height: Size = Field(description="height, floor to rim")
    bottom_radius: Length = Field(default=0.0, ge=0.0, description="inside radius of the edges round the floor")
    corner_radius: Length = Field(default=0.0, ge=0.0, description="inside radius of the four upright edges")

    def level(self, on_floor: bool) -> Body:
        """The level box."""
        length, width, height = (
            self.inside(self.length),
            self.inside(self.width),
            self.inside(self.height, int(on_floor)),
        )
        most = min(length, width) / 2
        for key, radius in (("bottom_radius", self.bottom_radius), ("corner_radius", self.corner_radius)):
            if radius > most * (1 + 1e-12):
                raise problem(
                    f"{key} {length_words(radius)}",
                    f"at most half the shorter side, {length_words(most)}",
                    f"lower {key}",
                    key,
                )
        if self.bottom_radius > height:
            raise problem(
                f"bottom_radius {length_words(self.bottom_radius)}",
                f"at most the height, {length_words(height)}",
                "lower bottom_radius",
                "bottom_radius",
            )
        if self.bottom_radius > self.corner_radius > 0.0:
            raise problem(
                f"corner_radius {length_words(self.corner_radius)} below bottom_radius",
                f"0, or at least the bottom_radius, {length_words(self.bottom_radius)}",
                "raise corner_radius, or leave it out for sharp upright edges",
                "corner_radius",
            )
        return boxes.box(length, width, height, self.bottom_radius, self.corner_radius)


class _Round(_Solid):
    """A round tank, by its diameter or by a tape round it."""

    diameter: Size | None = Field(default=None, description="diameter")
    circumference: Size | None = Field(
        default=None, description="length of a tape round the outside, instead of the diameter; give wall too"
    )

    def across(self) -> float:
        """Inside diameter, m."""
        if (self.diameter is None) == (self.circumference is None):
            raise problem(
                "diameter and circumference" if self.diameter else "neither diameter nor circumference",
                "one of them",
                'write diameter = "42 in"',
                "diameter",
            )
        return self.inside(self.diameter if self.diameter is not None else (self.circumference or 0.0) / math.pi)


class UprightCylinderShape(_Round):
    """A standing round tank: flat, cone, dome or dished bottom and top."""

    kind: Literal["upright cylinder"] = Field(description="upright cylinder")
    height: Size | None = Field(
        default=None, description="overall height inside, from the lowest point of the bottom to the highest of the top"
    )
    side: Size | None = Field(default=None, description="height of the straight side, instead of the overall height")
    bottom: HeadConfig = Field(
        default=FLAT,
        description="what closes it below: a name such as hemispherical, or a table { kind, depth, … }; default: flat",
    )
    top: HeadConfig = Field(default=FLAT, description="what closes it above; default: flat or open")

    def level(self, on_floor: bool) -> Body:
        """The level tank."""
        diameter = self.across()
        radius = diameter / 2
        bottom, top = self.bottom.build(radius, self.wall), self.top.build(radius, self.wall)
        if "guppy" in (bottom.kind, top.kind):
            raise problem(
                "a guppy end", "another head: guppy is for lying tanks", 'write { kind = "conical", … }', "bottom"
            )
        if (self.height is None) == (self.side is None):
            raise problem(
                "height and side" if self.height else "neither height nor side",
                "one of them",
                'write height = "66 in"',
                "height",
            )
        bulge = sum(head.reach_m(radius) for head in (bottom, top) if not head.dented)
        dents = sum(head.reach_m(radius) for head in (bottom, top) if head.dented)
        # A flat floor's wall is part of the outside height; a bulging head's own depth has lost its wall already.
        floor = int(on_floor and (self.height is not None or bottom.kind == "flat"))
        side = (
            self.inside(self.height, floor) - bulge
            if self.height is not None
            else self.inside(self.side or 0.0, floor if bottom.kind == "flat" else 0)
        )
        if side < -1e-12 or side + bulge <= 0.0:
            raise problem(
                f"height {length_words(self.height or 0.0)}",
                f"at least what bottom and top take, {length_words(bulge)}",
                "raise height, or give the straight side",
                "height",
            )
        if dents > side:
            raise problem(
                f"dents {length_words(dents)} deep",
                f"at most the straight side, {length_words(side)}",
                "lower their depth or raise height",
                "bottom",
            )
        return upright.upright_cylinder(diameter, max(0.0, side), bottom, top)


class HorizontalCylinderShape(_Round):
    """A lying round tank with ends of any kind."""

    kind: Literal["horizontal cylinder"] = Field(description="horizontal cylinder")
    length: Size | None = Field(default=None, description="length of the straight part, without the heads")
    overall_length: Size | None = Field(default=None, description="length with both heads, instead of `length`")
    heads: HeadConfig | None = Field(
        default=None,
        description="both ends: a name such as hemispherical, or a table { kind, depth, … }; default: flat",
    )
    left: HeadConfig | None = Field(default=None, description="left end, when the ends differ")
    right: HeadConfig | None = Field(default=None, description="right end, when the ends differ")

    def level(self, on_floor: bool) -> Body:  # noqa: ARG002  a lying tank's floor is part of its diameter
        """The level tank."""
        diameter = self.across()
        if self.heads is not None and (self.left is not None or self.right is not None):
            raise problem(
                "heads together with left or right", "heads for both, or left and right", "keep one way", "heads"
            )
        left, right = ((each or self.heads or FLAT).build(diameter / 2, self.wall) for each in (self.left, self.right))
        if (self.length is None) == (self.overall_length is None):
            raise problem(
                "length and overall_length" if self.length else "neither length nor overall_length",
                "one of them",
                'write length = "120 in"',
                "length",
            )
        bulge = sum(head.reach_m(diameter / 2) for head in (left, right) if not head.dented)
        dents = sum(head.reach_m(diameter / 2) for head in (left, right) if head.dented)
        flat_walls = sum(head.kind == "flat" for head in (left, right))
        length = (
            self.inside(self.length, flat_walls)
            if self.length is not None
            else self.inside(self.overall_length or 0.0) - bulge
        )
        if length < -1e-12 or length < dents or length + bulge <= 0.0:
            raise problem(
                f"{length_words(length)} between the heads",
                f"at least {length_words(dents)}",
                "raise the length or correct the heads",
                "length",
            )
        return lying.horizontal_cylinder(diameter, max(0.0, length), left, right)


class SphereShape(_Round):
    """A sphere."""

    kind: Literal["sphere"] = Field(description="sphere")

    def level(self, on_floor: bool) -> Body:  # noqa: ARG002
        """The sphere."""
        return upright.sphere(self.across())


class CapsuleShape(_Round):
    """A cylinder with hemispherical ends, lying or standing."""

    kind: Literal["capsule"] = Field(description="capsule")
    length: Size = Field(description="overall length, end to end")
    stands: bool = Field(default=False, description="true when it stands on end; default: it lies")

    def level(self, on_floor: bool) -> Body:  # noqa: ARG002
        """The level capsule."""
        diameter, length = self.across(), self.inside(self.length)
        if length < diameter:
            raise problem(
                f"length {length_words(length)}",
                f"at least the diameter, {length_words(diameter)}",
                "write the length from end to end",
                "length",
            )
        ball = Head("hemispherical")
        return (
            upright.upright_cylinder(diameter, length - diameter, ball, ball)
            if self.stands
            else lying.capsule(diameter, length)
        )


class HorizontalOvalShape(_Solid):
    """A lying tank of oval section with flat ends."""

    kind: Literal["horizontal oval"] = Field(description="horizontal oval")
    section: Literal["elliptic", "stadium"] = Field(
        description="elliptic: an ellipse; stadium: two half circles joined by straight walls"
    )
    width: Size = Field(description="width of the section")
    height: Size = Field(description="height of the section")
    length: Size = Field(description="length of the tank")

    def level(self, on_floor: bool) -> Body:  # noqa: ARG002
        """The level tank."""
        return lying.horizontal_oval(
            self.inside(self.width), self.inside(self.height), self.inside(self.length), self.section == "elliptic"
        )


class UprightOvalShape(_Solid):
    """A standing tank of oval plan."""

    kind: Literal["upright oval"] = Field(description="upright oval")
    section: Literal["elliptic", "stadium"] = Field(
        description="plan: elliptic, or stadium (two half circles joined by straight walls)"
    )
    length: Size = Field(description="longer measure of the plan")
    width: Size = Field(description="shorter measure of the plan")
    height: Size = Field(description="height, floor to rim")

    def level(self, on_floor: bool) -> Body:
        """The level tank."""
        return upright.upright_oval(
            self.inside(self.length),
            self.inside(self.width),
            self.inside(self.height, int(on_floor)),
            self.section == "elliptic",
        )


class FrustumShape(_Solid):
    """A round tank that tapers, such as a stock tank or a bucket."""

    kind: Literal["frustum"] = Field(description="frustum")
    bottom_diameter: Length = Field(ge=0.0, description="diameter at the floor; 0 for a cone")
    top_diameter: Length = Field(ge=0.0, description="diameter at the rim")
    height: Size = Field(description="height, floor to rim")

    def level(self, on_floor: bool) -> Body:
        """The level tank."""
        low, high = (self.inside(each) if each > 0.0 else 0.0 for each in (self.bottom_diameter, self.top_diameter))
        if low + high <= 0.0:
            raise problem(
                "both diameters 0", "one of them above zero", "write the diameters at floor and rim", "top_diameter"
            )
        return upright.frustum(low, high, self.inside(self.height, int(on_floor)))


class TaperedBoxShape(_Solid):
    """A box or pond with sloping sides."""

    kind: Literal["tapered box"] = Field(description="tapered box")
    bottom_length: Length = Field(ge=0.0, description="length at the floor")
    bottom_width: Length = Field(ge=0.0, description="width at the floor")
    top_length: Size = Field(description="length at the rim")
    top_width: Size = Field(description="width at the rim")
    height: Size = Field(description="height, floor to rim")

    def level(self, on_floor: bool) -> Body:
        """The level tank."""
        below = tuple(self.inside(each) if each > 0.0 else 0.0 for each in (self.bottom_length, self.bottom_width))
        above = (self.inside(self.top_length), self.inside(self.top_width))
        return boxes.tapered_box((below[0], below[1]), above, self.inside(self.height, int(on_floor)))


class TroughShape(_Solid):
    """A trough whose section is a trapezium."""

    kind: Literal["trough"] = Field(description="trough")
    bottom_width: Length = Field(ge=0.0, description="width at the floor; 0 for a V")
    top_width: Length = Field(ge=0.0, description="width at the rim")
    height: Size = Field(description="height, floor to rim")
    length: Size = Field(description="length")

    def level(self, on_floor: bool) -> Body:
        """The level trough."""
        low, high = (self.inside(each) if each > 0.0 else 0.0 for each in (self.bottom_width, self.top_width))
        if low + high <= 0.0:
            raise problem("both widths 0", "one of them above zero", "write the widths at floor and rim", "top_width")
        return boxes.trough(low, high, self.inside(self.height, int(on_floor)), self.inside(self.length))


class StackShape(_Solid):
    """Shapes one on the other, from the lowest up."""

    kind: Literal["stack"] = Field(description="stack")
    layers: list[Layer] = Field(min_length=1, description="the shapes, from the lowest up; each with its own measures")

    def level(self, on_floor: bool) -> Body:
        """The level stack."""
        if self.wall:
            raise problem("wall on a stack", "wall on each layer", "move wall into the layers", "wall")
        if any(each.tilt is not None for each in self.layers):
            raise problem("a tilted layer", "tilt on the stack as a whole", "move tilt out of the layer", "tilt")
        return made.stack([each.build(on_floor and at == 0) for at, each in enumerate(self.layers)])


class Point(Model):
    """One point of a dip chart."""

    height: Length = Field(ge=0.0, description="height of the surface above the lowest inside floor")
    volume: Volume = Field(ge=0.0, description="volume at that height")


class Filling(Model):
    """One filling with a known amount."""

    added: Volume = Field(ge=0.0, description="amount added")
    depth: Length = Field(ge=0.0, description="depth read when it had settled")


def _points(value: Any) -> Any:
    if isinstance(value, list):
        return [
            dict(zip(("height", "volume"), each, strict=True))
            if isinstance(each, list | tuple) and len(each) == 2
            else each
            for each in value
        ]
    return value


def _rising(points: list[tuple[float, float]], key: str) -> None:
    for at, ((h0, v0), (h1, v1)) in enumerate(itertools.pairwise(points), start=2):
        if not h1 > h0:
            raise problem(
                f"point {at}: height {length_words(h1)} after {length_words(h0)}",
                "heights that rise from point to point",
                "put the points in order and correct the height",
                key,
            )
        if not v1 > v0:
            raise problem(
                f"point {at}: volume {v1 * 1000:.6g} L after {v0 * 1000:.6g} L",
                "volumes that rise from point to point",
                "correct the volume; no water can be lost by filling",
                key,
            )


class DipChartShape(Model):
    """A tank known by a table of heights and volumes only."""

    kind: Literal["dip chart"] = Field(description="dip chart")
    points: Annotated[list[Point], BeforeValidator(_points)] = Field(
        min_length=2,
        description='[height, volume] pairs, both rising: [["1 in", "5.2 gal"], …]; nothing is said beyond the last',
    )
    u_volume: Volume = Field(
        default=0.0,
        ge=0.0,
        description="standard uncertainty of each volume; for a share of it see `table` of the tank",
    )

    def build(self, on_floor: bool = True) -> Body:  # noqa: ARG002
        """The shape itself."""
        points = [(each.height, each.volume) for each in self.points]
        return chart.dip_chart(points, [self.u_volume] * len(points) if self.u_volume else ())

    @model_validator(mode="after")
    def _possible(self) -> Self:
        _rising([(each.height, each.volume) for each in self.points], "points")
        return self


class FilledShape(Model):
    """A tank measured by filling it, from empty, with known amounts and reading the depth after each."""

    kind: Literal["filled"] = Field(description="filled")
    fillings: list[Filling] = Field(
        min_length=2, description='amount added and depth after it: [{ added = "20 gal", depth = "4.1 in" }, …]'
    )
    u_added: Volume = Field(default=0.0, ge=0.0, description="standard uncertainty of each amount")
    u_depth: Length = Field(default=0.0, ge=0.0, description="standard uncertainty of each depth reading")

    def build(self, on_floor: bool = True) -> Body:  # noqa: ARG002
        """The shape itself."""
        return chart.filled(
            [each.added for each in self.fillings], [each.depth for each in self.fillings], self.u_added, self.u_depth
        )

    @model_validator(mode="after")
    def _possible(self) -> Self:
        total, points = 0.0, []
        for each in self.fillings:
            total += each.added
            points.append((each.depth, total))
        _rising(points, "fillings")
        return self


Layer = Annotated[
    Annotated[
        BoxShape
        | UprightCylinderShape
        | HorizontalCylinderShape
        | SphereShape
        | CapsuleShape
        | HorizontalOvalShape
        | UprightOvalShape
        | FrustumShape
        | TaperedBoxShape
        | TroughShape,
        Field(discriminator="kind"),
    ],
    BeforeValidator(_tidy_kind),
]
StackShape.model_rebuild()
AnyShape = (
    BoxShape
    | UprightCylinderShape
    | HorizontalCylinderShape
    | SphereShape
    | CapsuleShape
    | HorizontalOvalShape
    | UprightOvalShape
    | FrustumShape
    | TaperedBoxShape
    | TroughShape
    | StackShape
    | DipChartShape
    | FilledShape
)
ShapeConfig = Annotated[Annotated[AnyShape, Field(discriminator="kind")], BeforeValidator(_tidy_kind)]
