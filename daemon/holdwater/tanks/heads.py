"""Heads: what closes a cylinder, bulging out or dented in; lying, standing and as runs to be cut by a tilted surface.

Shapes of heads: D. Jones, "Calculating Tank Volume"; the ASME flanged and dished head is torispherical with f = 1 and
k = 0.06 of the diameter. Straight flanges belong to the cylinder's length.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from holdwater.tanks.curves import Curve, Knuckle, LyingCone, LyingGuppy, Pile, Quadratic, Upturned
from holdwater.tanks.cut import axis_area
from holdwater.tanks.fitted import fit
from holdwater.tanks.turned import Run

HeadKind = Literal["flat", "conical", "ellipsoidal", "hemispherical", "torispherical", "spherical", "guppy"]


@dataclass(frozen=True, slots=True)
class Head:
    """One head.

    Attributes:
        kind: flat, conical, ellipsoidal, hemispherical, torispherical, spherical (a segment of a sphere), guppy.
        depth_m: how far it reaches beyond the tangent line, m (conical, ellipsoidal, spherical, guppy).
        dish: radius of the dish over the diameter, f (torispherical).
        knuckle: radius of the knuckle over the diameter, k (torispherical).
        dented: it bulges into the tank instead of out of it.
    """

    kind: HeadKind = "flat"
    depth_m: float = 0.0
    dish: float = 1.0
    knuckle: float = 0.06
    dented: bool = False

    def reach_m(self, radius_m: float) -> float:
        """How far it reaches along the axis on a cylinder of that radius, m."""
        if self.kind == "flat":
            return 0.0
        if self.kind == "hemispherical":
            return radius_m
        if self.kind == "torispherical":
            return 2 * radius_m * (self.dish - (self.dish - self.knuckle) * self._cos())
        return self.depth_m

    def _cos(self) -> float:
        """Cosine of the angle, seen from the dish's centre, at which dish and knuckle meet."""
        sine = (1 - 2 * self.knuckle) / (2 * (self.dish - self.knuckle))
        return math.sqrt(max(0.0, 1 - sine * sine))

    def runs(self, radius_m: float) -> tuple[Run, ...]:
        """Runs from the tangent line at t = 0 outwards (towards positive t)."""
        reach = self.reach_m(radius_m)
        square = radius_m * radius_m
        if reach <= 0.0:
            return ()
        if self.kind == "conical":
            return (Run(0.0, reach, (square, -2 * square / reach, square / reach**2)),)
        if self.kind == "guppy":
            return (Run(0.0, reach, (square, -2 * square / reach, square / reach**2), lean=(0.0, radius_m / reach)),)
        if self.kind == "spherical":
            ball = (square + reach * reach) / (2 * reach)
            centre = reach - ball
            return (Run(0.0, reach, (ball * ball - centre * centre, 2 * centre, -1.0)),)
        if self.kind == "torispherical":
            return self._torispherical(radius_m, reach)
        return (Run(0.0, reach, (square, 0.0, -square / reach**2)),)

    def _torispherical(self, radius_m: float, reach: float) -> tuple[Run, ...]:
        tube = 2 * radius_m * self.knuckle
        ball = 2 * radius_m * self.dish
        centre = reach - ball
        joint = tube * self._cos()
        dish = Run(joint, reach, (ball * ball - centre * centre, 2 * centre, -1.0))
        if joint <= 1e-12 * reach:
            return (dish,)
        return (Run(0.0, joint, ring_m=radius_m - tube, tube_m=tube), dish)

    def standing(self, radius_m: float) -> Curve | None:
        """The head as the lowest part of an upright tank, apex down; None when flat."""
        reach = self.reach_m(radius_m)
        if reach <= 0.0:
            return None
        parts: list[Curve] = []
        for run in reversed(self.runs(radius_m)):
            if run.tube_m > 0.0:
                parts.append(Knuckle(run.ring_m, run.tube_m, run.end_m))
                continue
            # r2 along h = end - t.
            q0, q1, q2 = run.square
            end = run.end_m
            a0 = q0 + end * (q1 + end * q2) if run.end_m < reach else 0.0
            parts.append(Quadratic(run.end_m - run.start_m, math.pi * a0, math.pi * -(q1 + 2 * q2 * end), math.pi * q2))
        return parts[0] if len(parts) == 1 else Pile(tuple(parts))

    def lying(self, radius_m: float) -> Curve | None:
        """The head as one end of a lying tank: what it adds (or, dented, takes) by height; None when flat."""
        reach = self.reach_m(radius_m)
        if reach <= 0.0:
            return None
        if self.kind == "conical":
            return LyingCone(radius_m, reach)
        if self.kind == "guppy":
            return LyingGuppy(radius_m, reach)
        if self.kind in ("ellipsoidal", "hemispherical"):
            return Quadratic(2 * radius_m, 0.0, math.pi * reach, -math.pi * reach / (2 * radius_m))
        return _cut_flat(self.runs(radius_m), radius_m)


def upright_top(head: Head, radius_m: float) -> Curve | None:
    """The head as the uppermost part of an upright tank, apex up; None when flat."""
    low = head.standing(radius_m)
    return None if low is None else Upturned(low)


def _cut_flat(runs: tuple[Run, ...], radius_m: float) -> Curve:
    """A lying head of a sphere's segment or torispherical: no short closed form, so the cut's area is integrated and fitted.

    The dish gives a circular segment in closed form; the knuckle's share is a quadrature.
    """
    breaks = [radius_m + sign * run.radius(run.end_m) for run in runs for sign in (-1, 1)]
    return fit(lambda h: axis_area(runs, (0.0, 1.0), h - radius_m), 2 * radius_m, [*breaks, radius_m])
