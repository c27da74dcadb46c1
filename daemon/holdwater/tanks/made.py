"""Tanks made of others: stacked on one another, or with something inside that takes up room."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

from holdwater.tanks.curves import Curve, Less, Pile, Quadratic
from holdwater.tanks.shapes import Body, Point
from holdwater.units import Measure


@dataclass(frozen=True, slots=True)
class Displaced:
    """Something inside a tank: posts, a baffle, a pump; of even cross-section between two heights.

    Attributes:
        area_m2: level cross-section, m2.
        from_m: height of its lower end above the inside floor, m.
        to_m: height of its upper end, m.
    """

    area_m2: float
    from_m: float
    to_m: float


def stack(bodies: Sequence[Body]) -> Body:
    """Shapes one on the other, from the lowest up."""
    solid = []
    right: list[Point] = []
    left: list[Point] = []
    lift = 0.0
    for body in bodies:
        solid += [part.raised(lift) for part in body.solid]
        right += _side([(x, y + lift) for x, y in body.outline], 1)
        left += _side([(x, y + lift) for x, y in body.outline], -1)
        lift += body.height_m
    return Body(
        Pile(tuple(body.curve for body in bodies)),
        (*right, *reversed(left)),
        partial(_say, tuple(body.say for body in bodies)),
        tuple(solid) if all(body.solid for body in bodies) else (),
        lying=any(body.lying for body in bodies),
    )


def _say(parts: Sequence[Callable[[Measure], str]], measure: Measure) -> str:
    return "stacked: " + ", then ".join(each(measure) for each in parts)


def _side(outline: Sequence[Point], way: int) -> list[Point]:
    """The points of one side of an outline, from the bottom up."""
    half = [(x, y) for x, y in outline if x * way >= -1e-12]
    return sorted(half, key=lambda p: (p[1], p[0] * way if p[1] <= outline[0][1] else -p[0] * way))


def with_inside(body: Body, items: Sequence[Displaced]) -> Body:
    """A tank less what stands or lies in it; depth and height stay those of the tank."""
    curve: Curve = body.curve
    for item in items:
        curve = Less(curve, Quadratic(item.to_m - item.from_m, item.area_m2), item.from_m)
    return replace(body, curve=curve, solid=())
