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


@dataclass(frozen=True, slots=True)
class Upturned:
    """A curve turned over, top down."""

    part: Curve

    @property
    def height_m(self) -> float:
        """Height of the part, m."""
        return self.part.height_m

    def area(self, h_m: float) -> float:
        """Free surface, m2."""
        return self.part.area(self.part.height_m - h_m)

    def volume(self, h_m: float) -> float:
        """Volume, m3: the whole less what is above."""
        return self.part.volume(self.part.height_m) - self.part.volume(self.part.height_m - h_m)


@dataclass(frozen=True, slots=True)
class Less:
    """A curve with another taken out of it, from a height on: a dent, posts, a baffle."""

    whole: Curve
    out: Curve
    from_m: float = 0.0

    @property
    def height_m(self) -> float:
        """Height of the whole, m."""
        return self.whole.height_m

    def area(self, h_m: float) -> float:
        """Free surface, m2."""
        inside = self.from_m <= h_m <= self.from_m + self.out.height_m
        return self.whole.area(h_m) - (self.out.area(h_m - self.from_m) if inside else 0.0)

    def volume(self, h_m: float) -> float:
        """Volume, m3."""
        return self.whole.volume(h_m) - self.out.volume(min(max(h_m - self.from_m, 0.0), self.out.height_m))


@dataclass(frozen=True, slots=True)
class RoundedEdge:
    """The lowest part of a box whose bottom edges are rounded by quarter circles, `radius_m` high.

    With s = sqrt(2 r h - h2) the box is cut back by r - s on each side, so the area is
    (l + 2 s)(w + 2 s) less the rounded plan corners; every term integrates in closed form.

    Args:
        radius_m: radius of the bottom edges.
        length_m: length of the flat floor (inside length less two radii).
        width_m: width of the flat floor.
        corner_m: radius of the upright edges less `radius_m`: their radius in plan at the flat floor; 0 with `sharp`.
        sharp: upright edges are sharp.
    """

    radius_m: float
    length_m: float
    width_m: float
    corner_m: float = 0.0
    sharp: bool = True

    @property
    def height_m(self) -> float:
        """Height of the rounding, m."""
        return self.radius_m

    def _terms(self) -> tuple[float, float, float]:
        lost = 0.0 if self.sharp else 4 - math.pi
        base = self.length_m * self.width_m - lost * self.corner_m**2
        return base, 2 * (self.length_m + self.width_m) - 2 * lost * self.corner_m, 4 - lost

    def area(self, h_m: float) -> float:
        """Free surface, m2."""
        base, first, second = self._terms()
        square = h_m * (2 * self.radius_m - h_m)
        return base + first * math.sqrt(max(0.0, square)) + second * square

    def volume(self, h_m: float) -> float:
        """Volume, m3."""
        base, first, second = self._terms()
        return base * h_m + first * segment_m2(self.radius_m, h_m) / 2 + second * h_m * h_m * (self.radius_m - h_m / 3)


@dataclass(frozen=True, slots=True)
class Knuckle:
    """Part of an upright torispherical head: a turned circular arc, r(t) = ring + sqrt(tube2 - t2), t falling from `from_m`.

    pi r2 integrates to pi [(ring2 + tube2) t + ring (t sqrt(tube2 - t2) + tube2 asin(t/tube)) - t3/3].
    """

    ring_m: float
    tube_m: float
    from_m: float

    @property
    def height_m(self) -> float:
        """Height of the knuckle, m."""
        return self.from_m

    def area(self, h_m: float) -> float:
        """Free surface, m2."""
        t = self.from_m - h_m
        return math.pi * (self.ring_m + math.sqrt(max(0.0, self.tube_m**2 - t * t))) ** 2

    def volume(self, h_m: float) -> float:
        """Volume, m3."""
        return self._to(self.from_m) - self._to(self.from_m - h_m)

    def _to(self, t: float) -> float:
        ring, tube = self.ring_m, self.tube_m
        bow = t * math.sqrt(max(0.0, tube * tube - t * t)) + tube * tube * math.asin(min(1.0, t / tube))
        return math.pi * ((ring * ring + tube * tube) * t + ring * bow - t**3 / 3)


@dataclass(frozen=True, slots=True)
class LyingCone:
    """One conical head of a lying cylinder (D. Jones, "Calculating Tank Volume"): volume a R2 K / 3."""

    radius_m: float
    length_m: float

    @property
    def height_m(self) -> float:
        """Height, m."""
        return 2 * self.radius_m

    def area(self, h_m: float) -> float:
        """Free surface, m2: the cone cut parallel to its axis, a hyperbola."""
        off = abs(self.radius_m - h_m)
        chord = math.sqrt(max(0.0, h_m * (2 * self.radius_m - h_m)))
        bow = off * off / self.radius_m * math.log((chord + self.radius_m) / off) if off > 0.0 else 0.0
        return self.length_m * (chord - bow)

    def volume(self, h_m: float) -> float:
        """Volume, m3."""
        off = min(1.0, abs(self.radius_m - h_m) / self.radius_m)
        arc = math.acos(off) - 2 * off * math.sqrt(1 - off * off) + (off**3 * math.acosh(1 / off) if off > 0.0 else 0.0)
        return self.length_m * self.radius_m**2 / 3 * (arc if h_m <= self.radius_m else math.pi - arc)


@dataclass(frozen=True, slots=True)
class LyingGuppy:
    """One guppy head of a lying cylinder: an oblique cone whose apex is level with the top (D. Jones, same)."""

    radius_m: float
    length_m: float

    @property
    def height_m(self) -> float:
        """Height, m."""
        return 2 * self.radius_m

    def area(self, h_m: float) -> float:
        """Free surface, m2: derivative of the volume, 2 a h sqrt(2Rh - h2) / 3R."""
        chord = math.sqrt(max(0.0, h_m * (2 * self.radius_m - h_m)))
        return 2 * self.length_m * h_m * chord / (3 * self.radius_m)

    def volume(self, h_m: float) -> float:
        """Volume, m3."""
        radius = self.radius_m
        chord = math.sqrt(max(0.0, h_m * (2 * radius - h_m)))
        arc = math.acos(max(-1.0, 1 - h_m / radius))
        return self.length_m * (radius**2 * arc / 3 + chord * (2 * h_m - 3 * radius) * (h_m + radius) / (9 * radius))
