"""Round and oval tanks that stand: cylinder with any bottom and top, sphere, frustum, oval."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import partial

from holdwater.tanks.curves import Curve, Less, Pile, Quadratic, Upturned
from holdwater.tanks.heads import Head, upright_top
from holdwater.tanks.shapes import Body, Outline, Point, plain, rectangle
from holdwater.tanks.solids import Part, Rounded, Steady, Turned
from holdwater.tanks.turned import Run, straight, tapered
from holdwater.units import Measure

ARC = 16  # straight pieces that a drawn head is made of, on each side


def upright_cylinder(diameter_m: float, side_m: float, bottom: Head | None = None, top: Head | None = None) -> Body:
    """A standing round tank; depth counts from its lowest inside point, which is the apex of a bottom that bulges out.

    Args:
        diameter_m: inside diameter, m.
        side_m: height of the straight side, m; may be 0 when bottom and top bulge out.
        bottom: what closes it below; flat when None. A dented one rises into the side.
        top: what closes it above; flat when None.
    """
    bottom, top = bottom or Head(), top or Head()
    radius = diameter_m / 2
    low, high = _bottom(bottom, radius), _top(top, radius)
    taken = sum(head.reach_m(radius) for head in (bottom, top) if head.dented)
    parts: list[Curve] = [low] if low else []
    if side_m - taken > 0.0:
        parts.append(Quadratic(side_m - taken, math.pi * radius * radius))
    if high:
        parts.append(high)
    runs = upright_runs(radius, side_m, bottom, top)
    return Body(
        parts[0] if len(parts) == 1 else Pile(tuple(parts)),
        upright_outline(radius, side_m, bottom, top),
        partial(_say_upright, diameter_m, bottom, top),
        (Turned(runs, upright=True),),
    )


def _say_upright(diameter_m: float, bottom: Head, top: Head, measure: Measure) -> str:
    return f"upright, {measure.length_text(diameter_m)} across" + closed_words(bottom, top)


def closed_words(bottom: Head, top: Head) -> str:
    """What closes an upright tank, in words; nothing for flat ends."""
    said = ""
    for head, end in ((bottom, "bottom"), (top, "top")):
        if head.kind != "flat":
            said += f", {'dented ' if head.dented else ''}{head_words(head)} {end}"
    return said


def head_words(head: Head) -> str:
    """The kind of a head, in words."""
    return {"conical": "cone", "guppy": "slanted", "spherical": "dished", "torispherical": "dished with knuckle"}.get(
        head.kind, head.kind
    )


def _bottom(head: Head, radius: float) -> Curve | None:
    curve = head.standing(radius)
    if curve is None or not head.dented:
        return curve
    return Less(Quadratic(curve.height_m, math.pi * radius * radius), Upturned(curve))


def _top(head: Head, radius: float) -> Curve | None:
    if not head.dented:
        return upright_top(head, radius)
    curve = head.standing(radius)
    return None if curve is None else Less(Quadratic(curve.height_m, math.pi * radius * radius), curve)


def upright_runs(radius: float, side_m: float, bottom: Head, top: Head) -> tuple[Run, ...]:
    """The runs of an upright tank, t = 0 at its lowest point."""
    floor = 0.0 if bottom.dented else bottom.reach_m(radius)
    runs = [straight(radius, floor, floor + side_m)] if side_m > 0.0 else []
    for run in bottom.runs(radius):
        runs.append(replace(run, dent=True).moved(floor) if bottom.dented else run.mirrored().moved(floor))
    for run in top.runs(radius):
        runs.append(
            replace(run, dent=True).mirrored().moved(floor + side_m) if top.dented else run.moved(floor + side_m)
        )
    return tuple(runs)


def profile(head: Head, radius: float) -> list[Point]:
    """Radius and place along the axis of a head from the tangent line to its apex."""
    points = [(radius, 0.0)]
    for run in head.runs(radius):
        for step in range(1, ARC + 1):
            # Denser towards the end, where a round head turns.
            t = run.start_m + (run.end_m - run.start_m) * math.sin(math.pi / 2 * step / ARC)
            points.append((run.radius(t), t))
    return points


def upright_outline(radius: float, side_m: float, bottom: Head, top: Head) -> Outline:
    """The section of an upright tank through its axis, y = 0 at its lowest point."""
    floor = 0.0 if bottom.dented else bottom.reach_m(radius)
    low = [(r, floor + t * (1 if bottom.dented else -1)) for r, t in profile(bottom, radius)]
    high = [(r, floor + side_m + t * (-1 if top.dented else 1)) for r, t in profile(top, radius)]
    right = [*reversed(low), *high] if side_m > 0.0 else [*reversed(low), *high[1:]]
    left = [(-r, y) for r, y in reversed(right) if r > 1e-12]
    return (*right, *left)


def sphere(diameter_m: float) -> Body:
    """A sphere: the cap pi h2 (3 r - h) / 3."""
    ball = Head("hemispherical")
    return replace(
        upright_cylinder(diameter_m, 0.0, ball, ball),
        curve=Quadratic(diameter_m, 0.0, math.pi * diameter_m, -math.pi),
        say=partial(_say_sphere, diameter_m),
        lying=True,
    )


def _say_sphere(diameter_m: float, measure: Measure) -> str:
    return f"sphere, {measure.length_text(diameter_m)} across"


def frustum(bottom_m: float, top_m: float, height_m: float) -> Body:
    """A round tank that tapers: the frustum of a cone.

    Args:
        bottom_m: inside diameter at the floor, m.
        top_m: inside diameter at the top, m.
        height_m: inside height, m.
    """
    first, slope = bottom_m / 2, (top_m - bottom_m) / 2 / height_m
    run = tapered(first, top_m / 2, 0.0, height_m)
    return Body(
        Quadratic(height_m, math.pi * first * first, 2 * math.pi * first * slope, math.pi * slope * slope),
        ((first, 0.0), (top_m / 2, height_m), (-top_m / 2, height_m), (-first, 0.0)),
        partial(_say_tapered, bottom_m, top_m),
        (Turned((run,), upright=True),),
    )


def _say_tapered(bottom_m: float, top_m: float, measure: Measure) -> str:
    return f"tapered, {plain(measure, bottom_m)} to {measure.length_text(top_m)} across"


def upright_oval(length_m: float, width_m: float, height_m: float, elliptic: bool) -> Body:
    """A standing tank of oval plan: an ellipse, or a stadium (two half circles joined by straight walls).

    Args:
        length_m: longer inside measure of the plan, m.
        width_m: shorter inside measure of the plan, m.
        height_m: inside height, m.
        elliptic: an ellipse instead of a stadium.
    """
    small, large = min(length_m, width_m), max(length_m, width_m)
    plan = math.pi * small * large / 4 if elliptic else math.pi * small * small / 4 + (large - small) * small
    part: Part
    if elliptic:
        part = Turned((straight(length_m / 2, 0.0, height_m),), upright=True, breadth=width_m / length_m)
    else:
        part = Rounded(0.0, height_m, stadium_size(length_m, width_m), upright=True)
    say = partial(_say_oval, length_m, width_m)
    return Body(Quadratic(height_m, plan), rectangle(length_m, height_m), say, (part,))


def _say_oval(length_m: float, width_m: float, measure: Measure) -> str:
    return f"upright oval, {plain(measure, length_m)} by {measure.length_text(width_m)}"


def stadium_size(first_m: float, second_m: float) -> Steady:
    """Half sides of the core and radius of a stadium of these two outer measures, as a slice for `Rounded`."""
    r = min(first_m, second_m) / 2
    return Steady((first_m / 2 - r, second_m / 2 - r, r))
