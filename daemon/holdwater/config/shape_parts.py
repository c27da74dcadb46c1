"""What tables of shapes are made of: lengths above zero, slopes, heads, things inside, tilt, and what all may say.

Every shape by measures may also be given by outside measures with a `wall`, hold things that take up room (`displaced`),
and stand out of level (`tilt`).
"""

from __future__ import annotations

import math
from abc import abstractmethod
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, PrivateAttr, model_validator

from holdwater.config.model import Area, Length, Model, Volume, problem
from holdwater.tanks import made
from holdwater.tanks.heads import Head
from holdwater.tanks.shapes import Body
from holdwater.tanks.tilt import Place, tilted
from holdwater.units import M3_PER_GAL, M_PER_IN, UnitError, parse

STEEPEST = math.radians(45)


def volume_words(m3: float) -> str:
    """A volume in both units, for messages: ``50 gal (189.3 L)``."""
    return f"{m3 / M3_PER_GAL:.5g} gal ({m3 * 1000:.4g} L)"


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


def tidy_kind(value: Any) -> Any:
    """The same for the `kind` of a table."""
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
    value = tidy_kind(value)
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
        description="slope along its length (of an upright tank: to one side): 2 %, 1.1 deg or 1 in per 8 ft; "
        "below zero when the right end is low",
    )
    across: Slope = Field(default=0.0, description="slope across it, square to `along`")
    depth_at: str | None = Field(
        default=None,
        description="where depth, outlet and overflow are measured: low end, middle, high end, or a distance from the low end "
        "such as 10 in; then depth is counted from the inside floor line at that place; default: plumb from the lowest inside point",
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


class Solid(Model):
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

    @abstractmethod
    def level(self, on_floor: bool) -> Body:
        """The level tank, empty. `on_floor`: its height holds a floor's wall; not so for upper layers of a stack."""

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


class RoundSolid(Solid):
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
