"""Dip charts: volume from a table of heights and volumes, or from fillings with known amounts.

Between the points a piecewise cubic that never falls: F. N. Fritsch and R. E. Carlson, "Monotone piecewise cubic
interpolation", SIAM J. Numer. Anal. 17 (1980) 238, with the slopes of F. N. Fritsch and J. Butland, "A method for constructing
local monotone piecewise cubic interpolants", SIAM J. Sci. Stat. Comput. 5 (1984) 300. Beyond the last point nothing is said.
"""

from __future__ import annotations

import itertools
import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

from holdwater.tanks.shapes import Body, Outline, Point
from holdwater.units import Measure


@dataclass(frozen=True, slots=True)
class Chart:
    """A monotone cubic through points; heights rise from 0."""

    heights: tuple[float, ...]
    volumes: tuple[float, ...]
    slopes: tuple[float, ...]

    @property
    def height_m(self) -> float:
        """Height of the last point, m."""
        return self.heights[-1]

    def _piece(self, h_m: float) -> tuple[int, float, float]:
        at = min(max(bisect_right(self.heights, h_m) - 1, 0), len(self.heights) - 2)
        width = self.heights[at + 1] - self.heights[at]
        return at, width, min(1.0, max(0.0, (h_m - self.heights[at]) / width))

    def area(self, h_m: float) -> float:
        """Slope of the chart, m2."""
        at, width, s = self._piece(h_m)
        rise = (self.volumes[at + 1] - self.volumes[at]) / width
        return max(
            0.0,
            6 * s * (1 - s) * rise + (1 - s) * (1 - 3 * s) * self.slopes[at] + s * (3 * s - 2) * self.slopes[at + 1],
        )

    def volume(self, h_m: float) -> float:
        """Volume, m3."""
        at, width, s = self._piece(h_m)
        v0, v1 = self.volumes[at], self.volumes[at + 1]
        bend = (1 - s) * self.slopes[at] - s * self.slopes[at + 1]
        return v0 + s * s * (3 - 2 * s) * (v1 - v0) + s * (1 - s) * width * bend


def chart(points: Sequence[Point]) -> Chart:
    """The curve through (height, volume) points, m and m3; both must rise.

    A chart that begins above height 0 is led down to no water at the floor, the one thing known there.
    """
    known = [*points] if points[0][0] <= 0.0 else [(0.0, 0.0), *points]
    heights, volumes = [h for h, _ in known], [v for _, v in known]
    return Chart(tuple(heights), tuple(volumes), tuple(_slopes(heights, volumes)))


def _slopes(heights: Sequence[float], volumes: Sequence[float]) -> list[float]:
    """Slopes at the points: weighted harmonic means inside, a one-sided three-point rule kept in bounds at the ends."""
    width = [b - a for a, b in itertools.pairwise(heights)]
    rise = [(b - a) / w for a, b, w in zip(volumes, volumes[1:], width, strict=False)]
    if len(rise) == 1:
        return [rise[0], rise[0]]
    inner = []
    for k in range(1, len(rise)):
        if rise[k - 1] <= 0.0 or rise[k] <= 0.0:
            inner.append(0.0)
            continue
        one, two = 2 * width[k] + width[k - 1], width[k] + 2 * width[k - 1]
        inner.append((one + two) / (one / rise[k - 1] + two / rise[k]))
    return [_end(width[0], width[1], rise[0], rise[1]), *inner, _end(width[-1], width[-2], rise[-1], rise[-2])]


def _end(w0: float, w1: float, r0: float, r1: float) -> float:
    slope = ((2 * w0 + w1) * r0 - w0 * r1) / (w0 + w1)
    return min(max(slope, 0.0), 3 * r0)


def dip_chart(points: Sequence[Point], u_points: Sequence[float] = ()) -> Body:
    """A tank known by its dip chart only.

    Args:
        points: heights, m, and volumes, m3, both rising; at least two.
        u_points: standard uncertainty of the volume at each point, m3; empty when none is known.
    """
    curve = chart(points)
    doubt = _Doubt(tuple(h for h, _ in points), tuple(u_points)) if u_points else None
    return Body(curve, _likeness(curve), partial(_say, len(points)), doubt=doubt)


@dataclass(frozen=True, slots=True)
class _Doubt:
    """The uncertainty of a chart by depth: straight between the points.

    Attributes:
        heights_m: of the points, m, rising.
        u_m3: standard uncertainty of the volume at each, m3.
    """

    heights_m: tuple[float, ...]
    u_m3: tuple[float, ...]

    def __call__(self, depth_m: float) -> float:
        at = min(max(bisect_right(self.heights_m, depth_m) - 1, 0), len(self.heights_m) - 2)
        h0, h1 = self.heights_m[at : at + 2]
        share = min(1.0, max(0.0, (depth_m - h0) / (h1 - h0)))
        return (1 - share) * self.u_m3[at] + share * self.u_m3[at + 1]


def filled(added_m3: Sequence[float], depths_m: Sequence[float], u_added_m3: float, u_depth_m: float) -> Body:
    """A dip chart made by filling an empty tank with known amounts and reading the depth after each.

    The doubt grows with the number of amounts added: u2 at reading i is i u_added2 + (slope u_depth)2 (GUM equation 10).

    Args:
        added_m3: amounts, m3, each above zero.
        depths_m: depth after each, m, rising.
        u_added_m3: standard uncertainty of each amount, m3.
        u_depth_m: standard uncertainty of each depth reading, m.
    """
    points: list[Point] = [] if depths_m[0] <= 0.0 else [(0.0, 0.0)]
    total = 0.0
    for amount, depth in zip(added_m3, depths_m, strict=True):
        total += amount
        points.append((depth, total))
    curve = chart(points)
    first = len(points) - len(added_m3)
    u = [
        math.hypot(math.sqrt(max(0, k - first + 1)) * u_added_m3, curve.area(h) * u_depth_m)
        for k, (h, _) in enumerate(points)
    ]
    return dip_chart(points, u if any(u) else ())


def _say(count: int, _: Measure) -> str:
    return f"by its dip chart of {count} points"


def _likeness(curve: Chart) -> Outline:
    """What to draw for a tank whose form is not known: a round one of the same area at each height."""
    steps = 48
    right = []
    for k in range(steps + 1):
        h = curve.height_m * k / steps
        right.append((math.sqrt(curve.area(h) / math.pi), h))
    return (*right, *((-x, y) for x, y in reversed(right)))
