"""Tanks that lie: cylinder with any heads, capsule, oval."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import partial

from holdwater.tanks.curves import Abreast, Curve, Less, LyingRound, Pile, Quadratic, Upturned
from holdwater.tanks.heads import Head
from holdwater.tanks.shapes import Body, Outline, ellipse, plain, rectangle
from holdwater.tanks.solids import Part, Rounded, Turned
from holdwater.tanks.turned import straight
from holdwater.tanks.upright import head_words, profile, stadium_size
from holdwater.units import Measure


def horizontal_cylinder(
    diameter_m: float, length_m: float, left: Head | None = None, right: Head | None = None
) -> Body:
    """A lying cylinder: circular segment times length, and what its heads hold.

    Args:
        diameter_m: inside diameter, m.
        length_m: length between the tangent lines of the heads, m; may be 0 when both bulge out.
        left: head at the low x end; flat when None.
        right: head at the other end; flat when None.
    """
    left, right = left or Head(), right or Head()
    radius = diameter_m / 2
    curve = _with_heads(radius, length_m, (left, right))
    runs = [straight(radius, -length_m / 2, length_m / 2)] if length_m > 0.0 else []
    for run in left.runs(radius):
        runs.append((replace(run, dent=True) if left.dented else run.mirrored()).moved(-length_m / 2))
    for run in right.runs(radius):
        runs.append((replace(run, dent=True).mirrored() if right.dented else run).moved(length_m / 2))
    return Body(
        curve,
        ellipse(diameter_m, diameter_m),
        partial(_say_cylinder, diameter_m, length_m, (left, right)),
        (Turned(tuple(runs), upright=False, at=(0.0, radius, 0.0)),),
        _elevation(radius, length_m, left, right),
        lying=True,
        end_m=length_m / 2,
    )


def _say_cylinder(diameter_m: float, length_m: float, heads: tuple[Head, Head], measure: Measure) -> str:
    kinds = sorted({head_words(head) for head in heads} - {"flat"})
    ends = f", {' and '.join(kinds)} ends" if kinds else ""
    return f"lying cylinder, {measure.length_text(diameter_m)} across, {measure.length_text(length_m)} long{ends}"


def _with_heads(radius: float, length_m: float, heads: tuple[Head, Head]) -> Curve:
    curve: Curve = LyingRound(radius, length_m)
    out = []
    alike = heads[0] == heads[1]
    for head in heads[:1] if alike else heads:
        part = head.lying(radius)
        if part is None:
            continue
        if alike:
            part = Abreast((part, part))
        if head.dented:
            curve = Less(curve, part)
        else:
            out.append(part)
    return Abreast((curve, *out)) if out else curve


def _elevation(radius: float, length_m: float, left: Head, right: Head) -> Outline:
    """The side view: straight top and bottom, the heads' profiles at the ends."""
    ends = []
    for head in (right, left):
        way = -1 if head.dented else 1
        points = profile(head, radius) if head.kind != "guppy" else [(radius, 0.0), (-radius, head.depth_m)]
        half = [(length_m / 2 + way * t, radius - r) for r, t in points]
        if head.kind == "guppy":
            # Apex level with the top: the lower edge runs straight from the bottom of the shell to the apex.
            ends.append(
                [(length_m / 2, 0.0), (length_m / 2 + way * head.depth_m, 2 * radius), (length_m / 2, 2 * radius)]
            )
        else:
            ends.append([*half, *((x, 2 * radius - y) for x, y in reversed(half) if abs(y - radius) > 1e-12)])
    right_end, left_end = ends
    return (*right_end, *((-x, y) for x, y in reversed(left_end)))


def capsule(diameter_m: float, overall_m: float) -> Body:
    """A lying cylinder with hemispherical ends.

    Args:
        diameter_m: inside diameter, m.
        overall_m: inside length from apex to apex, m; at least the diameter.
    """
    ball = Head("hemispherical")
    return replace(
        horizontal_cylinder(diameter_m, overall_m - diameter_m, ball, ball),
        say=partial(_say_capsule, diameter_m, overall_m),
    )


def _say_capsule(diameter_m: float, overall_m: float, measure: Measure) -> str:
    return f"capsule, {measure.length_text(diameter_m)} across, {measure.length_text(overall_m)} long"


def horizontal_oval(width_m: float, height_m: float, length_m: float, elliptic: bool) -> Body:
    """A lying tank of oval section, flat ends: an ellipse, or a stadium (two half circles joined by straight walls).

    Args:
        width_m: inside width of the section, m.
        height_m: inside height of the section, m.
        length_m: inside length, m.
        elliptic: an ellipse instead of a stadium.
    """
    part: Part
    if elliptic:
        curve: Curve = LyingRound(height_m / 2, length_m, width_m / height_m)
        run = straight(height_m / 2, -length_m / 2, length_m / 2)
        part = Turned((run,), upright=False, at=(0.0, height_m / 2, 0.0), breadth=width_m / height_m)
        outline = ellipse(width_m, height_m)
    else:
        curve = _stadium(width_m, height_m, length_m)
        part = Rounded(
            -length_m / 2, length_m / 2, stadium_size(height_m, width_m), upright=False, at=(0.0, height_m / 2, 0.0)
        )
        outline = stadium(width_m, height_m)
    form = "ellipse" if elliptic else "oval"
    return Body(
        curve,
        outline,
        partial(_say_oval, form, width_m, height_m, length_m),
        (part,),
        rectangle(length_m, height_m),
        lying=True,
    )


def _say_oval(form: str, width_m: float, height_m: float, length_m: float, measure: Measure) -> str:
    section = f"{plain(measure, width_m)} wide by {measure.length_text(height_m)} high"
    return f"lying {form}, {section}, {measure.length_text(length_m)} long"


def _stadium(width_m: float, height_m: float, length_m: float) -> Curve:
    radius = min(width_m, height_m) / 2
    if width_m >= height_m:
        return Abreast((LyingRound(radius, length_m), Quadratic(height_m, (width_m - height_m) * length_m)))
    bowl = _HalfRound(LyingRound(radius, length_m))
    return Pile((bowl, Quadratic(height_m - width_m, width_m * length_m), Upturned(bowl)))


@dataclass(frozen=True, slots=True)
class _HalfRound:
    """The lower half of a lying round prism."""

    whole: LyingRound

    @property
    def height_m(self) -> float:
        """Height, m."""
        return self.whole.radius_m

    def area(self, h_m: float) -> float:
        """Free surface, m2."""
        return self.whole.area(h_m)

    def volume(self, h_m: float) -> float:
        """Volume, m3."""
        return self.whole.volume(h_m)


def stadium(width_m: float, height_m: float, corners: int = 24) -> Outline:
    """The outline of a stadium resting on y = 0, centred on x = 0."""
    r = min(width_m, height_m) / 2
    a, b = width_m / 2 - r, height_m / 2 - r
    points = []
    for step in range(4 * corners):
        turn = math.pi / 2 * (step + 0.5) / corners
        x, y = math.cos(turn), math.sin(turn)
        points.append((math.copysign(a, x) + r * x, height_m / 2 + math.copysign(b, y) + r * y))
    return tuple(points)
