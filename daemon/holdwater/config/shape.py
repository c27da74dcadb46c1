"""Tables `shape = { kind = "…", … }` of the config: the inside of a tank, in any units."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from holdwater.config.model import Length, Model, Volume, problem
from holdwater.config.shape_parts import (
    FLAT,
    HeadConfig,
    RoundSolid,
    Size,
    Solid,
    length_words,
    tidy_kind,
    volume_words,
)
from holdwater.tanks import boxes, chart, lying, made, upright
from holdwater.tanks.heads import Head
from holdwater.tanks.shapes import Body


class BoxShape(Solid):
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


class UprightCylinderShape(RoundSolid):
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


class HorizontalCylinderShape(RoundSolid):
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


class SphereShape(RoundSolid):
    """A sphere."""

    kind: Literal["sphere"] = Field(description="sphere")

    def level(self, on_floor: bool) -> Body:  # noqa: ARG002
        """The sphere."""
        return upright.sphere(self.across())


class CapsuleShape(RoundSolid):
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


class HorizontalOvalShape(Solid):
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


class UprightOvalShape(Solid):
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


class FrustumShape(Solid):
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


class TaperedBoxShape(Solid):
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


class TroughShape(Solid):
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


class StackShape(Solid):
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
    for at, ((h0, v0), (h1, v1)) in enumerate(pairwise(points), start=2):
        if not h1 > h0:
            raise problem(
                f"point {at}: height {length_words(h1)} after {length_words(h0)}",
                "heights that rise from point to point",
                "put the points in order and correct the height",
                key,
            )
        if not v1 > v0:
            raise problem(
                f"point {at}: volume {volume_words(v1)} after {volume_words(v0)}",
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
    BeforeValidator(tidy_kind),
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
ShapeConfig = Annotated[Annotated[AnyShape, Field(discriminator="kind")], BeforeValidator(tidy_kind)]
