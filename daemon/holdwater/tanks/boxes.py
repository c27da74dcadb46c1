"""Tanks with flat walls: box (also with rounded edges), tapered box, trough."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial

from holdwater.tanks.curves import Curve, Pile, Quadratic, RoundedEdge
from holdwater.tanks.shapes import Body, Outline, plain, rectangle
from holdwater.tanks.solids import Hull, Part, Rounded, Steady
from holdwater.units import Measure

QUARTER = 8  # straight pieces that a drawn quarter circle is made of


def box(
    length_m: float, width_m: float, height_m: float, bottom_radius_m: float = 0.0, corner_radius_m: float = 0.0
) -> Body:
    """A box with upright walls: length times width times depth.

    Args:
        length_m: inside length, m.
        width_m: inside width, m.
        height_m: inside height, m.
        bottom_radius_m: radius of the four edges at the floor, m; at most half the shorter side.
        corner_radius_m: radius of the four upright edges, m; with rounded bottom edges at least as large as those, or 0.
    """
    r, c = bottom_radius_m, corner_radius_m
    straight = Quadratic(height_m - r, length_m * width_m - (4 - math.pi) * c * c)
    curve: Curve = straight
    if r > 0.0:
        curve = Pile((RoundedEdge(r, length_m - 2 * r, width_m - 2 * r, max(0.0, c - r), c == 0.0), straight))
    return Body(
        curve,
        _rounded_rectangle(length_m, height_m, r),
        partial(_say_box, length_m, width_m, bool(r or c)),
        _box_solid(length_m, width_m, height_m, r, c),
    )


def _say_box(length_m: float, width_m: float, rounded: bool, measure: Measure) -> str:
    sides = f"{plain(measure, length_m)} by {measure.length_text(width_m)}"
    return f"box, {sides}" + (", rounded edges" if rounded else "")


@dataclass(frozen=True, slots=True)
class _Edge:
    """The slice of a box at a height within its rounded bottom edges: half sides of the core and corner radius, m."""

    length_m: float
    width_m: float
    r: float
    c: float

    def __call__(self, t: float) -> tuple[float, float, float]:
        back = self.r - math.sqrt(max(0.0, t * (2 * self.r - t)))
        corner = self.c - back if self.c > 0.0 else 0.0
        return self.length_m / 2 - back - corner, self.width_m / 2 - back - corner, corner


def _box_solid(length_m: float, width_m: float, height_m: float, r: float, c: float) -> tuple[Part, ...]:
    if r == 0.0 and c == 0.0:
        return (Hull((length_m, width_m), (length_m, width_m), height_m),)
    upper = Rounded(r, height_m, Steady((length_m / 2 - c, width_m / 2 - c, c)), upright=True)
    return (Rounded(0.0, r, _Edge(length_m, width_m, r, c), upright=True, steady=False), upper) if r > 0.0 else (upper,)


def _rounded_rectangle(width_m: float, height_m: float, r: float) -> Outline:
    if r <= 0.0:
        return rectangle(width_m, height_m)
    half = width_m / 2
    turn = [math.pi / 2 * k / QUARTER for k in range(QUARTER + 1)]
    right = [(half - r + r * math.sin(a), r - r * math.cos(a)) for a in turn]
    left = [(-x, y) for x, y in reversed(right)]
    return (*right, (half, height_m), (-half, height_m), *left)


def tapered_box(bottom_m: tuple[float, float], top_m: tuple[float, float], height_m: float) -> Body:
    """A tapered box (a pond with sloping sides): a prismoid, whose area is a quadratic of the height.

    Args:
        bottom_m: inside length and width at the floor, m.
        top_m: inside length and width at the top, m.
        height_m: inside height, m.
    """
    (l0, w0), (l1, w1) = bottom_m, top_m
    dl, dw = (l1 - l0) / height_m, (w1 - w0) / height_m
    return Body(
        Quadratic(height_m, l0 * w0, l0 * dw + w0 * dl, dl * dw),
        trapezium(l0, l1, height_m),
        partial(_say_tapered, bottom_m, top_m),
        (Hull(bottom_m, top_m, height_m),),
    )


def _say_tapered(bottom_m: tuple[float, float], top_m: tuple[float, float], measure: Measure) -> str:
    (l0, w0), (l1, w1) = bottom_m, top_m
    below = f"{plain(measure, l0)} by {measure.length_text(w0)} below"
    return f"tapered box, {below}, {plain(measure, l1)} by {measure.length_text(w1)} above"


def trough(bottom_m: float, top_m: float, height_m: float, length_m: float) -> Body:
    """A trough: a trapezium of the two widths, the height and one length.

    Args:
        bottom_m: inside width at the floor, m; 0 for a V.
        top_m: inside width at the top, m.
        height_m: inside height, m.
        length_m: inside length, m.
    """
    slope = (top_m - bottom_m) / height_m
    return Body(
        Quadratic(height_m, bottom_m * length_m, slope * length_m),
        trapezium(bottom_m, top_m, height_m),
        partial(_say_trough, bottom_m, top_m, length_m),
        (Hull((length_m, bottom_m), (length_m, top_m), height_m),),
        rectangle(length_m, height_m),
    )


def _say_trough(bottom_m: float, top_m: float, length_m: float, measure: Measure) -> str:
    wide = f"{plain(measure, bottom_m)} to {measure.length_text(top_m)} wide"
    return f"trough, {wide}, {measure.length_text(length_m)} long"


def trapezium(below_m: float, above_m: float, height_m: float) -> Outline:
    """The outline of a trapezium standing on y = 0, centred on x = 0."""
    return ((-below_m / 2, 0.0), (below_m / 2, 0.0), (above_m / 2, height_m), (-above_m / 2, height_m))
