"""Bodies of revolution as runs along their axis: what a tilted or lying tank is cut from.

A run knows the radius of the circle at each place t along the axis; its square is a quadratic (cylinder, cone, sphere,
ellipsoid) or, for the knuckle of a torispherical head, a circular arc set off from the axis.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Run:
    """One run: places `start_m` to `end_m` along the axis.

    Attributes:
        start_m: where it begins, m.
        end_m: where it ends, m; above `start_m`.
        square: r2 = q0 + q1 t + q2 t2, m2 (when there is no knuckle).
        ring_m: distance of the knuckle's centre from the axis, m.
        tube_m: radius of the knuckle, m; 0 when there is none.
        centre_m: place of the knuckle's centre, m.
        lean: how far the circle's centre rises square to the axis: rise = lean[0] + lean[1] t, m (guppy heads).
        dent: the run is taken out of the tank, not added.
    """

    start_m: float
    end_m: float
    square: tuple[float, float, float] = (0.0, 0.0, 0.0)
    ring_m: float = 0.0
    tube_m: float = 0.0
    centre_m: float = 0.0
    lean: tuple[float, float] = (0.0, 0.0)
    dent: bool = False

    def radius(self, t: float) -> float:
        """Radius at a place, m."""
        if self.tube_m > 0.0:
            off = t - self.centre_m
            return self.ring_m + math.sqrt(max(0.0, self.tube_m * self.tube_m - off * off))
        q0, q1, q2 = self.square
        return math.sqrt(max(0.0, q0 + t * (q1 + t * q2)))

    def rise(self, t: float) -> float:
        """How far the circle's centre lies above the axis, m."""
        return self.lean[0] + self.lean[1] * t

    def moved(self, by_m: float) -> Run:
        """The run further along the axis."""
        q0, q1, q2 = self.square
        square = (q0 - q1 * by_m + q2 * by_m * by_m, q1 - 2 * q2 * by_m, q2)
        lean = (self.lean[0] - self.lean[1] * by_m, self.lean[1])
        return replace(
            self,
            start_m=self.start_m + by_m,
            end_m=self.end_m + by_m,
            square=square,
            centre_m=self.centre_m + by_m,
            lean=lean,
        )

    def mirrored(self) -> Run:
        """The run turned round about t = 0."""
        q0, q1, q2 = self.square
        return replace(
            self,
            start_m=-self.end_m,
            end_m=-self.start_m,
            square=(q0, -q1, q2),
            centre_m=-self.centre_m,
            lean=(self.lean[0], -self.lean[1]),
        )


def straight(radius_m: float, start_m: float, end_m: float) -> Run:
    """A run of a cylinder."""
    return Run(start_m, end_m, (radius_m * radius_m, 0.0, 0.0))


def tapered(radius_m: float, to_m: float, start_m: float, end_m: float) -> Run:
    """A run of a cone from one radius to another."""
    slope = (to_m - radius_m) / (end_m - start_m)
    first = radius_m - slope * start_m
    return Run(start_m, end_m, (first * first, 2 * first * slope, slope * slope))
