"""The three invented tanks as bodies of water: volume from height and back.

Its own few formulas, so that the simulation does not measure the service with the service's own rule. Gallons and
inches, as the household would say: lengths inside the tank, heights above its floor.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass

IN3_PER_GAL = 231.0
M_PER_IN = 0.0254


@dataclass(frozen=True, slots=True)
class Body:
    """One tank: `volume` gives gallons from inches of water; heights in inches; roof in square feet."""

    name: str
    volume: Callable[[float], float]
    top_in: float
    outlet_in: float
    overflow_in: float
    roof_ft2: float = 0.0

    @property
    def dead_gal(self) -> float:
        """Gallons below the outlet."""
        return self.volume(self.outlet_in)

    @property
    def full_gal(self) -> float:
        """Gallons on hand when full to the overflow."""
        return self.volume(self.overflow_in) - self.dead_gal

    def height_in(self, on_hand_gal: float) -> float:
        """Water height of so many gallons on hand, by bisection."""
        wanted, low, high = on_hand_gal + self.dead_gal, 0.0, self.top_in
        for _ in range(40):
            middle = (low + high) / 2
            low, high = (middle, high) if self.volume(middle) < wanted else (low, middle)
        return (low + high) / 2


def upright(diameter_in: float) -> Callable[[float], float]:
    """Upright cylinder."""
    return lambda h: math.pi * diameter_in**2 / 4 * h / IN3_PER_GAL


def box(length_in: float, width_in: float) -> Callable[[float], float]:
    """Box with a flat floor."""
    return lambda h: length_in * width_in * h / IN3_PER_GAL


def lying(diameter_in: float, length_in: float) -> Callable[[float], float]:
    """Lying cylinder with flat ends: segment of a circle times length."""
    r = diameter_in / 2

    def volume(h: float) -> float:
        h = min(max(h, 0.0), diameter_in)
        segment = r * r * math.acos((r - h) / r) - (r - h) * math.sqrt(max(2 * r * h - h * h, 0.0))
        return segment * length_in / IN3_PER_GAL

    return volume


DRINKING = Body("drinking", upright(42), 66, 3, 62)
GARDEN = Body("garden", lying(48, 120), 48, 4, 45, 780)
CABIN = Body("cabin", box(48, 36), 44, 2, 40, 150)
BODIES = {each.name: each for each in (DRINKING, GARDEN, CABIN)}
FULL_GAL = {each.name: each.full_gal for each in BODIES.values()}


class Heights:
    """Water heights of one tank from a table of 2,000 steps: a season asks 60,000 times."""

    def __init__(self, body: Body) -> None:
        self._step = body.top_in / 2000
        self._volumes = [body.volume(i * self._step) - body.dead_gal for i in range(2001)]

    def metres(self, on_hand_gal: float) -> float:
        """Water height in metres of so many gallons on hand."""
        i = min(max(bisect_left(self._volumes, on_hand_gal), 1), 2000)
        low, high = self._volumes[i - 1], self._volumes[i]
        return (i - 1 + (on_hand_gal - low) / (high - low)) * self._step * M_PER_IN
