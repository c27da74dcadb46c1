"""A tank's inside as one thing that answers: volume, depth, free surface; defined also below the floor and above the rim."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from holdwater.tanks.curves import Curve
from holdwater.tanks.solids import Part
from holdwater.units import Measure

Point = tuple[float, float]
Outline = tuple[Point, ...]


class Shape(Protocol):
    """What the rest of the house knows of a shape. Depths in m above the lowest inside floor."""

    @property
    def height_m(self) -> float:
        """Inside height, m."""
        ...

    def volume_m3(self, depth_m: float) -> float:
        """Volume at a depth, m3; 0 below the floor, the whole above the top."""
        ...

    def area_m2(self, depth_m: float) -> float:
        """Free surface at a depth, m2: the derivative of the volume."""
        ...

    def depth_m(self, volume_m3: float) -> float:
        """Depth at a volume, m; 0 for less than nothing, the height for more than the whole."""
        ...

    def table_u_m3(self, depth_m: float) -> float:
        """Standard uncertainty at a depth that comes with a dip chart, m3; 0 for a shape by measures."""
        ...

    @property
    def outline(self) -> Outline:
        """Closed section, m: x to the right, y up from the lowest inside floor."""
        ...

    def words(self, measure: Measure) -> str:
        """The shape in words, with its main size."""
        ...

    @property
    def lying(self) -> bool:
        """True when gallons per inch depend so much on depth that they are told at half depth."""
        ...


@dataclass(frozen=True, slots=True)
class Body:
    """A shape made of a curve, the section to draw, and words for it.

    Attributes:
        curve: volume and area by depth.
        outline: section to draw, m.
        say: words for it in a household's measure.
        solid: its parts in space, for a tank out of level; empty when its form in space is not known (a dip chart).
        elevation: section along the tank, m; empty when the outline is that already.
        lying: see `Shape.lying`.
        end_m: distance from the middle to an end along the tank, m; 0: half of what is drawn.
        doubt: standard uncertainty by depth that comes with a table, m3; None when there is none.
    """

    curve: Curve
    outline: Outline
    say: Callable[[Measure], str]
    solid: tuple[Part, ...] = ()
    elevation: Outline = ()
    lying: bool = False
    end_m: float = 0.0
    doubt: Callable[[float], float] | None = None

    @property
    def height_m(self) -> float:
        """Inside height, m."""
        return self.curve.height_m

    def volume_m3(self, depth_m: float) -> float:
        """Volume at a depth, m3."""
        if depth_m <= 0.0:
            return self.curve.volume(0.0)
        return self.curve.volume(min(depth_m, self.curve.height_m))

    def area_m2(self, depth_m: float) -> float:
        """Free surface at a depth, m2; that of floor or top beyond them."""
        return max(0.0, self.curve.area(min(max(depth_m, 0.0), self.curve.height_m)))

    def depth_m(self, volume_m3: float) -> float:
        """Depth at a volume, m."""
        return invert(self.curve, volume_m3)

    def table_u_m3(self, depth_m: float) -> float:
        """Standard uncertainty of a table at a depth, m3; 0 for a shape by measures."""
        return 0.0 if self.doubt is None else self.doubt(min(max(depth_m, 0.0), self.height_m))

    def words(self, measure: Measure) -> str:
        """The shape in words."""
        return self.say(measure)


PATIENCE = 40
"""Newton's steps tried before only halving is left, which always ends; an ordinary shape takes four to six."""


def invert(curve: Curve, volume_m3: float) -> float:
    """Height at which a curve holds a volume, m, to about 1e-12 of its height.

    Newton's step with the area as slope, kept inside a bracket that shrinks each time, halving where the step leaves it.

    Args:
        curve: what to invert; its volume never falls.
        volume_m3: volume sought; below 0 gives 0, above the whole gives the height.
    """
    low, high = 0.0, curve.height_m
    whole = curve.volume(high)
    if volume_m3 <= curve.volume(0.0):
        return 0.0
    if volume_m3 >= whole:
        return high
    h, turn = high * volume_m3 / whole, 0
    while high - low > 1e-14 * curve.height_m:
        miss = curve.volume(h) - volume_m3
        if miss > 0.0:
            high = h
        else:
            low = h
        if miss == 0.0:
            break
        area = curve.area(h)
        step = h - miss / area if area > 0.0 else low
        turn += 1
        if not low < step < high or turn > PATIENCE:
            step = (low + high) / 2
        if abs(step - h) <= 1e-15 * curve.height_m:
            break
        h = step
    return h


def rectangle(width_m: float, height_m: float) -> Outline:
    """The outline of a rectangle standing on y = 0, centred on x = 0."""
    half = width_m / 2
    return ((-half, 0.0), (half, 0.0), (half, height_m), (-half, height_m))


def ellipse(width_m: float, height_m: float, corners: int = 96) -> Outline:
    """The outline of an ellipse resting on y = 0, centred on x = 0."""
    turn = [2 * math.pi * step / corners - math.pi / 2 for step in range(corners)]
    return tuple((width_m / 2 * math.cos(a), height_m / 2 * (1 + math.sin(a))) for a in turn)


def plain(measure: Measure, length_m: float) -> str:
    """A length without its unit, for "48 by 36 in"."""
    return measure.length_text(length_m).rsplit(" ", 1)[0]
