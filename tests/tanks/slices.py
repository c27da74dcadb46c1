"""Volumes by slice integration, written apart from the product: each tank is cut into slices whose areas are summed.

A round tank is given by its radius along the axis, and cut square to its axis; the area of each slice below the surface
is a circular segment. Everything else is cut into upright columns. NumPy only; nothing of holdwater.tanks is used.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence

import numpy as np

NODES, WEIGHTS = np.polynomial.legendre.leggauss(12)


def spots(joints: Sequence[float], panels: int = 24) -> tuple[np.ndarray, np.ndarray]:
    """Places and weights from the first to the last joint, closer at each joint, where radii turn sharply."""
    places, weights = [], []
    edges = (1 - np.cos(np.linspace(0, math.pi, panels + 1))) / 2
    for a, b in itertools.pairwise(joints):
        cuts = a + (b - a) * edges
        half = np.diff(cuts) / 2
        places.append((cuts[:-1] + half)[:, None] + half[:, None] * NODES[None, :])
        weights.append(half[:, None] * WEIGHTS[None, :])
    return np.concatenate([p.ravel() for p in places]), np.concatenate([w.ravel() for w in weights])


def segment(radius: np.ndarray, height: np.ndarray) -> np.ndarray:
    """Area of a circle's part up to a height over its middle, both arrays."""
    share = np.clip(height / np.maximum(radius, 1e-300), -1.0, 1.0)
    return radius**2 * (np.arccos(-share) + share * np.sqrt(1 - share**2))


def turned(
    radius: Callable[[np.ndarray], np.ndarray],
    joints: Sequence[float],
    up: tuple[float, float],
    level: float,
    steps: int = 24,
) -> float:
    """Volume of a body of revolution below a level.

    Args:
        radius: by place along the axis.
        joints: places where it begins, changes its form, ends.
        up: parts of the upward unit vector along the axis and square to it.
        level: height of the surface over the place 0 on the axis.
    """
    along, square = up
    cuts = list(joints)
    if abs(along) > 1e-9:
        # The surface crosses the axis within this range; more cuts there.
        widest = float(np.max(radius(np.linspace(joints[0], joints[-1], 400))))
        for sign in (-1, -0.5, 0, 0.5, 1):
            spot = (level + sign * square * widest) / along
            if joints[0] < spot < joints[-1]:
                cuts.append(spot)
    t, w = spots(sorted(cuts), steps)
    r = radius(t)
    if square < 1e-12:
        return float(np.sum(w * np.where(t * along <= level, math.pi * r**2, 0.0)))
    return float(np.sum(w * segment(r, (level - t * along) / square)))


def upright(radius: Callable[[np.ndarray], np.ndarray], joints: Sequence[float], depth: float) -> float:
    """Volume of a standing body of revolution up to a depth over its lowest place."""
    top = joints[0] + depth
    if depth <= 0:
        return 0.0
    t, w = spots([*(j for j in joints if j < top), min(top, joints[-1])])
    return float(np.sum(w * math.pi * radius(t) ** 2))


def columns(
    length: float, width: float, height: float, up: tuple[float, float, float], level: float, count: int = 300
) -> float:
    """Volume of a box below a level over its lowest corner, in upright columns of the box's own frame."""
    ux, uy, uz = up
    x = (np.arange(count) + 0.5) / count * length - length / 2
    z = (np.arange(count) + 0.5) / count * width - width / 2
    low = -abs(ux) * length / 2 - abs(uz) * width / 2
    top = (level + low - ux * x[:, None] - uz * z[None, :]) / uy
    return float(np.mean(np.clip(top, 0.0, height)) * length * width)


def head_radius(
    kind: str, radius: float, reach: float, f: float = 1.0, k: float = 0.06
) -> Callable[[np.ndarray], np.ndarray]:
    """Radius of a head by distance from its tangent line, from the definition of each kind."""
    if kind == "conical":
        return lambda t: radius * (1 - t / reach)
    if kind == "spherical":
        ball = (radius**2 + reach**2) / (2 * reach)
        return lambda t: np.sqrt(np.maximum(0.0, ball**2 - (t + ball - reach) ** 2))
    if kind == "torispherical":
        tube, ball = 2 * radius * k, 2 * radius * f
        apex = reach - ball
        joint = tube * math.sqrt(1 - ((radius - tube) / (ball - tube)) ** 2)

        def dished(t: np.ndarray) -> np.ndarray:
            knuckle = radius - tube + np.sqrt(np.maximum(0.0, tube**2 - t**2))
            dish = np.sqrt(np.maximum(0.0, ball**2 - (t - apex) ** 2))
            return np.where(t < joint, knuckle, dish)

        return dished
    return lambda t: radius * np.sqrt(np.maximum(0.0, 1 - (t / reach) ** 2))


def head_joints(kind: str, radius: float, reach: float, f: float = 1.0, k: float = 0.06) -> list[float]:
    """Distances from the tangent line at which a head changes its form or ends."""
    if kind == "torispherical":
        tube = 2 * radius * k
        return [tube * math.sqrt(1 - ((radius - tube) / (2 * radius * f - tube)) ** 2), reach]
    return [reach]


def reach_of(kind: str, radius: float, depth: float, f: float = 1.0, k: float = 0.06) -> float:
    """How far a head reaches: its depth, or by geometry."""
    if kind == "hemispherical":
        return radius
    if kind == "2:1 ellipsoidal":
        return radius / 2
    if kind == "torispherical":
        return 2 * radius * (f - math.sqrt((f - k) ** 2 - (0.5 - k) ** 2))
    return depth
