"""How the water in one part of a tank grows with its height: area and volume, in closed form.

A curve answers for heights from 0 to its own `height_m`, m above its own lowest point. Curves are put together
(`Pile`: one on the other, `Abreast`: side by side, `Less`: one taken out of another) into whole tanks.
Sources: circular segment and solids of revolution: any handbook of mensuration; heads and their use in tanks:
D. Jones, "Calculating Tank Volume" and "Compute Fluid Volumes in Vertical Tanks", Chemical Processing, 18 Dec 2003.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass, field
from typing import Protocol


class Curve(Protocol):
    """Area and volume by height above the lowest point of a part."""

    @property
    def height_m(self) -> float:
        """Greatest height, m."""
        ...

    def area(self, h_m: float) -> float:
        """Free surface at that height, m2, for 0 <= h_m <= height_m; the derivative of `volume`."""
        ...

    def volume(self, h_m: float) -> float:
        """Volume below that height, m3, for 0 <= h_m <= height_m."""
        ...


@dataclass(frozen=True, slots=True)
class Quadratic:
    """A part whose area is a0 + a1 h + a2 h2: prism, wedge, cone, pyramid frustum, zone of a sphere or an ellipsoid."""

    height_m: float
    a0: float
    a1: float = 0.0
    a2: float = 0.0

    def area(self, h_m: float) -> float:
        """Free surface, m2."""
        return self.a0 + h_m * (self.a1 + h_m * self.a2)

    def volume(self, h_m: float) -> float:
        """Volume, m3: the integral of the area (Simpson's prismoidal rule is exact for it)."""
        return h_m * (self.a0 + h_m * (self.a1 / 2 + h_m * self.a2 / 3))


def segment_m2(radius_m: float, h_m: float) -> float:
    """Area of a circular segment of height h, m2, for 0 <= h <= 2 r.

    r2 acos((r-h)/r) - (r-h) sqrt(2rh - h2), any handbook of mensuration; written with the half angle so that thin
    segments lose no digits: angle - sin(angle) as a series below 0.5 rad.
    """
    if h_m <= 0.0:
        return 0.0
    if h_m >= 2 * radius_m:
        return math.pi * radius_m * radius_m
    angle = 4 * math.asin(math.sqrt(h_m / (2 * radius_m)))
    if angle < 0.5:
        square = angle * angle
        bulge = (
            angle
            * square
            / 6
            * (1 - square / 20 * (1 - square / 42 * (1 - square / 72 * (1 - square / 110 * (1 - square / 156)))))
        )
    else:
        bulge = angle - math.sin(angle)
    return radius_m * radius_m * bulge / 2


@dataclass(frozen=True, slots=True)
class LyingRound:
    """A lying prism of elliptic section (a circle when breadth is 1), flat ends.

    Args:
        radius_m: half of the section's height.
        length_m: length of the prism.
        breadth: width of the section over its height.
    """

    radius_m: float
    length_m: float
    breadth: float = 1.0

    @property
    def height_m(self) -> float:
        """Height of the section, m."""
        return 2 * self.radius_m

    def area(self, h_m: float) -> float:
        """Chord times length, m2."""
        return 2 * math.sqrt(max(0.0, h_m * (2 * self.radius_m - h_m))) * self.length_m * self.breadth

    def volume(self, h_m: float) -> float:
        """Segment times length, m3."""
        return segment_m2(self.radius_m, h_m) * self.length_m * self.breadth


@dataclass(frozen=True, slots=True)
class Pile:
    """Curves one on the other, from the lowest up."""

    parts: tuple[Curve, ...]
    starts: tuple[float, ...] = field(init=False)
    below: tuple[float, ...] = field(init=False)
    height_m: float = field(init=False)

    def __post_init__(self) -> None:
        """Add up once where each part begins and what lies below it."""
        starts, below = [0.0], [0.0]
        for part in self.parts:
            starts.append(starts[-1] + part.height_m)
            below.append(below[-1] + part.volume(part.height_m))
        object.__setattr__(self, "starts", tuple(starts[:-1]))
        object.__setattr__(self, "below", tuple(below[:-1]))
        object.__setattr__(self, "height_m", starts[-1])

    def area(self, h_m: float) -> float:
        """Free surface, m2; at a joint that of the upper part."""
        at = bisect_right(self.starts, h_m) - 1
        part = self.parts[at]
        return part.area(min(h_m - self.starts[at], part.height_m))

    def volume(self, h_m: float) -> float:
        """Volume, m3."""
        at = bisect_right(self.starts, h_m) - 1
        part = self.parts[at]
        return self.below[at] + part.volume(min(h_m - self.starts[at], part.height_m))


@dataclass(frozen=True, slots=True)
class Abreast:
    """Curves side by side: they share floor and height, so areas and volumes add."""

    parts: tuple[Curve, ...]

    @property
    def height_m(self) -> float:
        """Height of the first, m."""
        return self.parts[0].height_m

    def area(self, h_m: float) -> float:
        """Sum of the free surfaces, m2."""
        return sum(part.area(h_m) for part in self.parts)

    def volume(self, h_m: float) -> float:
        """Sum of the volumes, m3."""
        return sum(part.volume(h_m) for part in self.parts)
