"""Calibration: a straight line through measured and true depths, with the doubt of its gain and offset.

Ordinary least squares with covariance as in JCGM 100:2008 (GUM), annex H.3. A calibration corrects depths from a date
on; readings stay as they were received.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from holdwater_sensors.doubt import combined


@dataclass(frozen=True, slots=True)
class Correction:
    """True depth = gain * measured depth + offset, from a time on.

    Attributes:
        gain: without unit.
        offset_m: m.
        u_gain: standard uncertainty of the gain.
        u_offset_m: standard uncertainty of the offset, m.
        correlation: correlation of gain and offset, -1 to 1; strongly negative for a line fitted away from zero.
        from_ms: counts from this time on, ms UTC; None: always did.
    """

    gain: float = 1.0
    offset_m: float = 0.0
    u_gain: float = 0.0
    u_offset_m: float = 0.0
    correlation: float = 0.0
    from_ms: int | None = None

    def apply(self, measured_m: float) -> tuple[float, float]:
        """The true depth and the standard uncertainty that the correction brings, m."""
        u_m = combined((measured_m, 1.0), (self.u_gain, self.u_offset_m), {(0, 1): self.correlation})
        return self.gain * measured_m + self.offset_m, u_m

    @property
    def keeps_scale(self) -> float:
        """How much of the sensor's own scale uncertainty is left: none once the offset was measured with its doubt."""
        return 0.0 if self.u_offset_m > 0 else abs(self.gain)


@dataclass(frozen=True, slots=True)
class Fit:
    """A line y = gain * x + offset through points.

    Attributes:
        gain: slope.
        offset: intercept.
        u_gain: standard uncertainty of the slope.
        u_offset: standard uncertainty of the intercept.
        correlation: of slope and intercept.
        residual_sd: standard deviation of the residuals; 0 when the line goes through all points by force.
        residuals: y minus the line, in the order of the points.
        n: number of points.
    """

    gain: float
    offset: float
    u_gain: float
    u_offset: float
    correlation: float
    residual_sd: float
    residuals: tuple[float, ...]
    n: int

    def predict(self, x: float) -> tuple[float, float]:
        """The value of the line at `x` and its standard uncertainty (GUM H.3, with the correlation)."""
        u = combined((x, 1.0), (self.u_gain, self.u_offset), {(0, 1): self.correlation})
        return self.gain * x + self.offset, u


class FitError(ValueError):
    """Points through which no line can be laid; the words say why."""


def line(points: Sequence[tuple[float, float]], u_point: float = 0.0) -> Fit:
    """The straight line through points (x measured, y true).

    Args:
        points: one: offset only, the gain is taken as 1; two: the line through both; more: least squares.
        u_point: standard uncertainty of one point, in the unit of y. With one or two points nothing else tells the
            doubt; with more it is the least that is believed, so that three points in a row by luck do not make a
            perfect sensor.

    Raises:
        FitError: no points, or all x the same.
    """
    n = len(points)
    if n == 0:
        raise FitError("no points")
    if n == 1:
        ((x, y),) = points
        return Fit(1.0, y - x, 0.0, u_point, 0.0, 0.0, (0.0,), 1)
    mean_x = math.fsum(x for x, _ in points) / n
    mean_y = math.fsum(y for _, y in points) / n
    sxx = math.fsum((x - mean_x) ** 2 for x, _ in points)
    if sxx <= 1e-12 * max(1.0, mean_x**2):
        raise FitError(f"all {n} points at the same measured value")
    gain = math.fsum((x - mean_x) * (y - mean_y) for x, y in points) / sxx
    offset = mean_y - gain * mean_x
    residuals = tuple(y - (gain * x + offset) for x, y in points)
    sd = math.sqrt(math.fsum(r * r for r in residuals) / (n - 2)) if n > 2 else 0.0
    s = max(sd, u_point)
    sum_x2 = math.fsum(x * x for x, _ in points)
    correlation = -mean_x * math.sqrt(n / sum_x2)
    return Fit(gain, offset, s / math.sqrt(sxx), s * math.sqrt(sum_x2 / (n * sxx)), correlation, sd, residuals, n)


def line_through_zero(points: Sequence[tuple[float, float]]) -> Fit:
    """The line y = gain * x through points, for a quantity whose zero is certain (a load cell after tare).

    Raises:
        FitError: no points, or all at zero.
    """
    sum_x2 = math.fsum(x * x for x, _ in points)
    if sum_x2 == 0:
        raise FitError("no points away from zero")
    gain = math.fsum(x * y for x, y in points) / sum_x2
    residuals = tuple(y - gain * x for x, y in points)
    n = len(points)
    sd = math.sqrt(math.fsum(r * r for r in residuals) / (n - 1)) if n > 1 else 0.0
    return Fit(gain, 0.0, sd / math.sqrt(sum_x2), 0.0, 0.0, sd, residuals, n)
