"""A level transmitter whose current or voltage is already a depth or a distance (radar, guided wave, ultrasonic)."""

from __future__ import annotations

import math
from dataclasses import dataclass

from holdwater_sensors.quality import Grade, Reason, code
from holdwater_sensors.signals import Signal
from holdwater_sensors.surroundings import Surroundings

OUT_OF_RANGE = code(Grade.REJECTED, Reason.OUT_OF_RANGE)
REJECTED = code(Grade.REJECTED)


@dataclass(frozen=True, slots=True)
class LevelTransmitter:
    """A transmitter with a range in metres.

    Attributes:
        height_m: where its zero is, above the lowest inside floor: that of the depth, or the face of a distance.
        signal: current loop or voltage.
        low_m: value at the low end of the range.
        high_m: value at the high end; below `low_m` for one set the other way round.
        down: it measures the distance down to the water; else the depth above its zero.
        accuracy_m: limit of error; 0.5 % of the range is usual (common practice, no source).
        resolution_m: smallest step of its output.
        height_u_m: standard uncertainty of the height.
    """

    height_m: float
    signal: Signal
    low_m: float
    high_m: float
    down: bool
    accuracy_m: float
    resolution_m: float = 0.0
    height_u_m: float = 0.003

    def measure(self, value: float, around: Surroundings) -> tuple[float | None, float, float, int]:
        """Depth, noise part and scale part of its uncertainty in m, and quality, from one current or voltage."""
        share, quality = self.signal.share(value, around.supply_v)
        if quality >= REJECTED:
            return None, 0.0, 0.0, quality
        found_m = self.low_m + share * (self.high_m - self.low_m)
        depth_m = self.height_m - found_m if self.down else self.height_m + found_m
        u_noise_m = math.sqrt(self.accuracy_m**2 / 3 + self.resolution_m**2 / 12)
        if depth_m < -3 * (u_noise_m + self.height_u_m):
            return None, u_noise_m, self.height_u_m, OUT_OF_RANGE
        return max(depth_m, 0.0), u_noise_m, self.height_u_m, quality
