"""A tank out of level: exact volumes by cutting its parts with the level surface, and where its depth is read."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

from holdwater.tanks.curves import Curve
from holdwater.tanks.fitted import fit
from holdwater.tanks.shapes import Body, Outline
from holdwater.tanks.solids import Vector, dot
from holdwater.units import Measure

LEVEL = 1e-6  # rad; a thousandth of a millimetre in a metre is level


@dataclass(frozen=True, slots=True)
class Place:
    """Where and how the depth of a tilted tank is read.

    Attributes:
        along_m: place along the tank from its middle, m; below zero towards the low end.
        across_m: place across the tank from its middle, m; below zero towards the low side.
        square: read square to the tank (a gauge on its wall, a stick along its diameter) instead of plumb.
    """

    along_m: float
    across_m: float = 0.0
    square: bool = False


@dataclass(frozen=True, slots=True)
class Read:
    """A curve by readings r at a place, height = start + per r; at r = 0 there may still be water further down."""

    part: Curve
    start_m: float
    per: float

    @property
    def height_m(self) -> float:
        """Greatest reading, m."""
        return (self.part.height_m - self.start_m) / self.per

    def area(self, h_m: float) -> float:
        """Change of volume by reading, m2."""
        return self.part.area(self._height(h_m)) * self.per

    def volume(self, h_m: float) -> float:
        """Volume, m3."""
        return self.part.volume(self._height(h_m))

    def _height(self, h_m: float) -> float:
        return min(self.start_m + self.per * h_m, self.part.height_m)


def upward(along_rad: float, across_rad: float) -> Vector:
    """The upward unit vector in the frame of a tank whose x and z axes rise by these angles against the horizon."""
    x, z = math.sin(along_rad), math.sin(across_rad)
    return x, math.sqrt(1 - x * x - z * z), z


def tilted(body: Body, along_rad: float, across_rad: float = 0.0, place: Place | None = None) -> Body:
    """The tank out of level.

    Args:
        body: the level tank; must have its solid parts.
        along_rad: rise of its right end (positive x) against the horizon, rad; below zero when that end is low.
        across_rad: rise of its far side (positive z), rad.
        place: where its depth is read; None: plumb above its lowest inside point.

    Raises:
        ValueError: the form of the tank in space is not known (a dip chart).
    """
    if not body.solid:
        raise ValueError("a tank known by its dip chart only cannot be tilted: make the chart as it stands")
    if abs(along_rad) < LEVEL and abs(across_rad) < LEVEL:
        return body
    up = upward(along_rad, across_rad)
    levels = [level for part in body.solid for level in part.levels(up)]
    low, high = min(levels), max(levels)

    def area(h_m: float) -> float:
        return sum(part.cut(up, low + h_m) for part in body.solid)

    curve: Curve = fit(area, high - low, [level - low for level in levels])
    outline = _turned(body, up, low)
    if place is not None:
        # Signs of the place count from the low end, so they follow the sign of the slope.
        x = math.copysign(1.0, along_rad) * place.along_m
        z = math.copysign(1.0, across_rad) * place.across_m
        read = Read(curve, dot(up, (x, 0.0, z)) - low, up[1] if place.square else 1.0)
        outline = tuple((px, (py - read.start_m) / read.per) for px, py in outline)
        curve = read
    steep = math.hypot(math.tan(along_rad), math.tan(across_rad))
    return replace(body, curve=curve, outline=outline, elevation=(), solid=(), say=partial(_say, body.say, steep))


def _say(level: Callable[[Measure], str], steep: float, measure: Measure) -> str:
    return f"{level(measure)}, {steep * 100:.2g} % out of level"


def _turned(body: Body, up: Vector, low: float) -> Outline:
    """The side view turned by the tilt, its lowest point at y = 0; the end view when it is tilted across more than along."""
    along = abs(up[0]) >= abs(up[2]) or not body.lying
    view = (body.elevation or body.outline) if along else body.outline
    lean = up[0] if along else up[2]
    angle = math.atan2(lean, up[1])
    turned = [(x * math.cos(angle) - y * math.sin(angle), x * math.sin(angle) + y * math.cos(angle)) for x, y in view]
    bottom, top = min(y for _, y in turned), max(y for _, y in turned)
    # A slope the other way lifts or lowers the view as a whole; the drawing keeps the true height.
    height = max(level for part in body.solid for level in part.levels(up)) - low
    return tuple((x, (y - bottom) * height / (top - bottom)) for x, y in turned)
