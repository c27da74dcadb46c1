"""Float switches: each says that the water stands above or below its height."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class FloatSwitch:
    """One or several float switches on one line; the value is the number of switches that the water has lifted.

    Attributes:
        heights_m: switching heights above the lowest inside floor, rising, m.
        band_m: how far water may stand off a height without contradicting it (float travel, waves); 1 in by default
            (common practice, no source).
        closed_when_up: False for a switch that opens when lifted; only for a single one.
    """

    heights_m: tuple[float, ...]
    band_m: float = 0.0254
    closed_when_up: bool = True

    def between(self, value: float) -> tuple[float, float]:
        """Lowest and highest depth that agree with a value, m; minus or plus infinity where it sets no bound."""
        up = round(value)
        if len(self.heights_m) == 1 and not self.closed_when_up:
            up = 1 - min(max(up, 0), 1)
        up = min(max(up, 0), len(self.heights_m))
        low_m = self.heights_m[up - 1] - self.band_m if up else -math.inf
        high_m = self.heights_m[up] + self.band_m if up < len(self.heights_m) else math.inf
        return low_m, high_m

    def contradicts(self, value: float, depth_m: float, u_m: float) -> bool:
        """Whether a depth with its standard uncertainty lies outside the bounds by more than twice that uncertainty."""
        low_m, high_m = self.between(value)
        return depth_m < low_m - 2 * u_m or depth_m > high_m + 2 * u_m
