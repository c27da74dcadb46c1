"""The inside of a tank as solid parts in the tank's own frame, to be cut by a level plane when the tank is out of level.

Frame: x along the tank, y up when the tank is level, z across; origin at the middle of the lowest floor line, m.
Every part answers two questions for an upward unit vector `up`: how far it reaches, and how large its cut is at a level.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from holdwater.tanks.cut import axis_area, chords_between, highest_of
from holdwater.tanks.turned import Run

Vector = tuple[float, float, float]


def dot(a: Vector, b: Vector) -> float:
    """Scalar product."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


class Part(Protocol):
    """One solid part."""

    def levels(self, up: Vector) -> tuple[float, ...]:
        """Heights over the origin at which the cut begins, ends or has a corner, m, in any order."""
        ...

    def cut(self, up: Vector, level_m: float) -> float:
        """Area of the part's cut with the level plane at that height over the origin, m2; below zero for a dent."""
        ...

    def raised(self, by_m: float) -> Part:
        """The part moved up in the frame."""
        ...


@dataclass(frozen=True, slots=True)
class Turned:
    """A body of revolution, its axis upright or lying along x; stretched across by `breadth` (elliptic oval)."""

    runs: tuple[Run, ...]
    upright: bool
    at: Vector = (0.0, 0.0, 0.0)
    breadth: float = 1.0

    def _frame(self, up: Vector) -> tuple[float, float, float, float]:
        """Along the axis, square to it, share of a rise, and norm, in the frame where the stretched section is round."""
        ux, uy, uz = up[0], up[1], up[2] * self.breadth
        norm = math.sqrt(ux * ux + uy * uy + uz * uz)
        along, other = (uy, ux) if self.upright else (ux, uy)
        square = math.hypot(other, uz) / norm
        return along / norm, square, (other / norm / square if square > 0.0 else 0.0), norm

    def levels(self, up: Vector) -> tuple[float, ...]:
        """Highest and lowest points of each circle where runs meet, and of each run."""
        along, square, share, norm = self._frame(up)
        base = dot(up, self.at)
        out = []
        for run in self.runs:
            for sign in (1.0, -1.0):

                def reach(t: float, run: Run = run, sign: float = sign) -> float:
                    return sign * (t * along + run.rise(t) * share * square) + run.radius(t) * square

                ends = [reach(run.start_m), reach(run.end_m)]
                if run.tube_m > 0.0 or run.square[2] < 0.0:
                    ends.append(reach(highest_of(reach, run.start_m, run.end_m)))
                out += [base + norm * sign * each for each in ends]
        return tuple(out)

    def cut(self, up: Vector, level_m: float) -> float:
        """Area of the cut, m2."""
        along, square, share, norm = self._frame(up)
        area = axis_area(self.runs, (along, square), (level_m - dot(up, self.at)) / norm, share)
        return area * self.breadth / norm

    def raised(self, by_m: float) -> Turned:
        """The part moved up."""
        x, y, z = self.at
        return Turned(self.runs, self.upright, (x, y + by_m, z), self.breadth)


@dataclass(frozen=True, slots=True)
class Hull:
    """A body with flat faces between a rectangle below and one above: box, trough, tapered box."""

    bottom: tuple[float, float]
    top: tuple[float, float]
    height_m: float
    at: Vector = (0.0, 0.0, 0.0)
    corners: tuple[Vector, ...] = field(init=False)

    def __post_init__(self) -> None:
        """Set up the eight corners once: four below, four above, in the same order round."""
        x, y, z = self.at
        corners = tuple(
            (x + sx * size[0] / 2, y + rise, z + sz * size[1] / 2)
            for size, rise in ((self.bottom, 0.0), (self.top, self.height_m))
            for sx, sz in ((-1, -1), (1, -1), (1, 1), (-1, 1))
        )
        object.__setattr__(self, "corners", corners)

    def levels(self, up: Vector) -> tuple[float, ...]:
        """Heights of the corners."""
        return tuple(dot(up, corner) for corner in self.corners)

    def cut(self, up: Vector, level_m: float) -> float:
        """Area of the polygon in which the plane meets the twelve edges, by the shoelace formula."""
        one, two = _across(up)
        points = []
        for a, b in _EDGES:
            p, q = self.corners[a], self.corners[b]
            hp, hq = dot(up, p) - level_m, dot(up, q) - level_m
            if (hp < 0.0) != (hq < 0.0):
                share = hp / (hp - hq)
                spot = (p[0] + share * (q[0] - p[0]), p[1] + share * (q[1] - p[1]), p[2] + share * (q[2] - p[2]))
                points.append((dot(one, spot), dot(two, spot)))
        return _polygon(points)

    def raised(self, by_m: float) -> Hull:
        """The part moved up."""
        x, y, z = self.at
        return Hull(self.bottom, self.top, self.height_m, (x, y + by_m, z))


_EDGES = ((0, 1), (1, 2), (2, 3), (3, 0), (4, 5), (5, 6), (6, 7), (7, 4), (0, 4), (1, 5), (2, 6), (3, 7))


def _across(up: Vector) -> tuple[Vector, Vector]:
    """Two unit vectors square to `up` and to each other."""
    ux, uy, uz = up
    flat = math.hypot(ux, uy)
    one = (uy / flat, -ux / flat, 0.0)
    return one, (-uz * ux / flat, -uz * uy / flat, flat)


def _polygon(points: Sequence[tuple[float, float]]) -> float:
    """Area of a convex polygon whose corners come in any order."""
    if len(points) < 3:
        return 0.0
    cx, cy = sum(x for x, _ in points) / len(points), sum(y for _, y in points) / len(points)
    ring = sorted(((x - cx, y - cy) for x, y in points), key=lambda p: math.atan2(p[1], p[0]))
    return abs(sum(x0 * y1 - x1 * y0 for (x0, y0), (x1, y1) in zip(ring, (*ring[1:], ring[0]), strict=True))) / 2


@dataclass(frozen=True, slots=True)
class Steady:
    """The same slice everywhere along the axis: half sides of the core rectangle and corner radius, m."""

    size: tuple[float, float, float]

    def __call__(self, _: float) -> tuple[float, float, float]:
        """The slice at a place along the axis."""
        return self.size


@dataclass(frozen=True, slots=True)
class Rounded:
    """A body whose slices are rectangles with rounded corners: a stadium prism, a box with rounded edges.

    Slices are square to the axis: upright (slices in x, z) or lying along x (slices in y, z).

    Attributes:
        start_m: where it begins along the axis, m.
        end_m: where it ends, m.
        size: by place along the axis: half sides of the core rectangle (first and second direction) and corner radius, m.
        upright: the axis is upright.
        at: origin of the axis in the frame, m.
        steady: the slices are all alike.
    """

    start_m: float
    end_m: float
    size: Callable[[float], tuple[float, float, float]]
    upright: bool
    at: Vector = (0.0, 0.0, 0.0)
    steady: bool = True

    def _frame(self, up: Vector) -> tuple[float, float, float, float]:
        along, first = (up[1], up[0]) if self.upright else (up[0], up[1])
        square = math.hypot(first, up[2])
        return along, square, (first / square if square > 0.0 else 1.0), (up[2] / square if square > 0.0 else 0.0)

    def levels(self, up: Vector) -> tuple[float, ...]:
        """Heights of the extreme points and corners of the first and the last slice, and between them where it bulges."""
        along, square, first, second = self._frame(up)
        base = dot(up, self.at)
        out = []
        for t in (self.start_m, self.end_m):
            for off in _corners(self.size(t), first, second):
                out += [base + t * along + off * square, base + t * along - off * square]
        if not self.steady:
            for sign in (1.0, -1.0):

                def reach(t: float, sign: float = sign) -> float:
                    return sign * t * along + _corners(self.size(t), first, second)[0] * square

                out.append(base + sign * reach(highest_of(reach, self.start_m, self.end_m)))
        return tuple(out)

    def cut(self, up: Vector, level_m: float) -> float:
        """Area of the cut, m2."""
        along, square, first, second = self._frame(up)
        level = level_m - dot(up, self.at)

        def off(t: float) -> float:
            return (level - t * along) / square

        def chord(t: float) -> float:
            return _chord(self.size(t), first, second, off(t))

        def corner(which: int) -> Callable[[float], float]:
            return lambda t: _corners(self.size(t), first, second)[which]

        widest = square * max(corner(0)(self.start_m), corner(0)(self.end_m))
        start, end = self.start_m, self.end_m
        if along != 0.0:
            one, two = (level - widest) / along, (level + widest) / along
            start, end = max(start, min(one, two)), min(end, max(one, two))
        if start >= end:
            return 0.0
        return chords_between(chord, off, [corner(which) for which in range(5)], start, end) / square

    def raised(self, by_m: float) -> Rounded:
        """The part moved up."""
        x, y, z = self.at
        return Rounded(self.start_m, self.end_m, self.size, self.upright, (x, y + by_m, z), self.steady)


def _corners(size: tuple[float, float, float], first: float, second: float) -> tuple[float, ...]:
    """Distances from the middle at which a line of that normal leaves the slice, and passes the ends of its arcs."""
    a, b, r = size
    p, q = abs(first), abs(second)
    one, two = (a + r) * p, (b + r) * q
    return a * p + b * q + r, abs(one - b * q), abs(a * p - two), one + b * q, a * p + two


def _chord(size: tuple[float, float, float], first: float, second: float, off: float) -> float:
    """Length of a line's part inside a rectangle with rounded corners: the hull of its parts in two rectangles and four discs."""
    a, b, r = size
    low, high = math.inf, -math.inf
    foot, run = (off * first, off * second), (-second, first)
    for half in ((a + r, b), (a, b + r)):
        start, end = -math.inf, math.inf
        for place, step, side in zip(foot, run, half, strict=True):
            if abs(step) < 1e-15:
                if abs(place) > side:
                    start, end = 1.0, 0.0
                continue
            one, two = (-side - place) / step, (side - place) / step
            start, end = max(start, min(one, two)), min(end, max(one, two))
        if start < end:
            low, high = min(low, start), max(high, end)
    if r > 0.0:
        for sx in (-a, a):
            for sz in (-b, b):
                far = sx * first + sz * second - off
                if abs(far) < r:
                    middle = sx * run[0] + sz * run[1]
                    half_chord = math.sqrt(r * r - far * far)
                    low, high = min(low, middle - half_chord), max(high, middle + half_chord)
    return max(0.0, high - low)
