"""How noisy a series is, told from the series itself."""

from __future__ import annotations

import math
from collections.abc import Sequence

from holdwater_sensors.filter import MAD_TO_SD, Point

LEAST_TRIPLES = 8  # fewer second differences say nothing about a median
UNEVEN = 1.5  # intervals that differ by more than this factor make no second difference


def noise_sd(points: Sequence[Point], resolution: float = 0.0) -> float | None:
    """Standard deviation of the noise from one reading to the next.

    Second differences take out level and steady change; of white noise with standard deviation s they have s * sqrt(6).
    Their median absolute deviation is not moved by spikes and steps (Gasser, Sroka, Jennen-Steinmetz, "Residual
    variance and residual pattern in nonlinear regression", Biometrika 73 (1986) 625, from memory, use the same
    differences). Serial correlation hides from it: a slow wave counts as water.

    Args:
        points: (time in ms, value) in order of time.
        resolution: smallest step of the values; the answer is never under its own uncertainty, resolution / sqrt(12).

    Returns:
        In the unit of the values; None when there are too few evenly spaced readings.
    """
    seconds = []
    for (ta, a), (tb, b), (tc, c) in zip(points, points[1:], points[2:], strict=False):
        before, after = tb - ta, tc - tb
        if before > 0 and after > 0 and max(before, after) <= UNEVEN * min(before, after):
            seconds.append(abs(a - 2 * b + c))
    if len(seconds) < LEAST_TRIPLES:
        return None
    seconds.sort()
    half, odd = divmod(len(seconds), 2)
    median = seconds[half] if odd else (seconds[half - 1] + seconds[half]) / 2
    return max(median * MAD_TO_SD / math.sqrt(6), resolution / math.sqrt(12))
