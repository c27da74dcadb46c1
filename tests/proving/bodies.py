"""Bodies of water of the invented sites: volume from height and back, by formulas of their own. Metres and cubic metres."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass, field

STEPS = 2000


def frustum(bottom_m: float, top_m: float, height_m: float) -> Callable[[float], float]:
    """Frustum of a cone: pi h / 12 (d0^2 + d0 d + d^2)."""

    def volume(h: float) -> float:
        d = bottom_m + (top_m - bottom_m) * h / height_m
        return math.pi * h / 12 * (bottom_m**2 + bottom_m * d + d * d)

    return volume


def lying(diameter_m: float, length_m: float) -> Callable[[float], float]:
    """Lying cylinder with flat ends: segment of a circle times length."""
    r = diameter_m / 2

    def volume(h: float) -> float:
        h = min(max(h, 0.0), diameter_m)
        return length_m * (r * r * math.acos((r - h) / r) - (r - h) * math.sqrt(max(2 * r * h - h * h, 0.0)))

    return volume


def boxes(count: int, length_m: float, width_m: float) -> Callable[[float], float]:
    """So many boxes side by side on one floor, joined below the water."""
    return lambda h: count * length_m * width_m * h


@dataclass(slots=True)
class Body:
    """One tank.

    Attributes:
        volume: m3 from height, as it truly is.
        top_m: height of its table.
        outlet_m: tap.
        overflow_m: lip.
        scale: true volume over the volume of the nominal measures that the config states.
    """

    volume: Callable[[float], float]
    top_m: float
    outlet_m: float
    overflow_m: float
    scale: float = 1.0
    _table: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._table = [self.volume(i * self.top_m / STEPS) for i in range(STEPS + 1)]

    @property
    def full_m3(self) -> float:
        """True volume on hand when it stands at the lip."""
        return self.scale * (self.volume(self.overflow_m) - self.volume(self.outlet_m))

    def height_m(self, on_hand_m3: float) -> float:
        """True height of the surface."""
        wanted = on_hand_m3 / self.scale + self.volume(self.outlet_m)
        i = min(max(bisect_left(self._table, wanted), 1), STEPS)
        low, high = self._table[i - 1], self._table[i]
        return (i - 1 + (wanted - low) / (high - low)) * self.top_m / STEPS

    def shown_m3(self, height_m: float) -> float:
        """What the nominal measures make of a height: on hand, not under zero."""
        return max(0.0, self.volume(min(max(height_m, 0.0), self.overflow_m)) - self.volume(self.outlet_m))
