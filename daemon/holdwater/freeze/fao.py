"""The two-step regression of the frost-protection handbook, its falling curve, and errors learned beside: the
yardstick.

Snyder and de Melo-Abreu, Frost Protection: fundamentals, practice and economics, FAO Environment and Natural
Resources Series 10, 2005, volume 1, chapter 5: Tn = b T0 + a is fitted to past nights, then its residuals are fitted
to the dew point, R = d Td0 + c; T0 and Td0 are taken two hours after sunset. From then on the air follows the square
root of time down to Tn at sunrise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

FEWEST = 3  # nights from which a line may be fitted


@dataclass(frozen=True, slots=True)
class Fit:
    """Tn = slope T0 + intercept + dew_slope Td0 + dew_intercept; the dew part is zero where it was not fitted."""

    slope: float
    intercept: float
    dew_slope: float = 0.0
    dew_intercept: float = 0.0

    def lowest_c(self, air_c: float, dew_c: float | None = None) -> float:
        """The night's lowest air from air and dew point two hours after sunset, degC; without dew point by the first
        step alone."""
        first = self.slope * air_c + self.intercept
        return first if dew_c is None else first + self.dew_slope * dew_c + self.dew_intercept


def fit(nights: Sequence[tuple[float, float | None, float]]) -> Fit | None:
    """The regression of past nights.

    Args:
        nights: air and dew point two hours after sunset, lowest air; degC. Dew point None where unknown.

    Returns:
        None for fewer than three nights or when all evenings were equally warm: there is no line through them.
    """
    first = line([(air_c, came_c) for air_c, _, came_c in nights])
    if first is None:
        return None
    slope, intercept = first
    second = line([(dew_c, came_c - slope * air_c - intercept) for air_c, dew_c, came_c in nights if dew_c is not None])
    return Fit(slope, intercept, *(second or (0.0, 0.0)))


def line(points: Sequence[tuple[float, float]]) -> tuple[float, float] | None:
    """Slope and intercept of the least-squares line; None for fewer than three points or no spread in the first."""
    count = len(points)
    if count < FEWEST:
        return None
    mean_x, mean_y = sum(x for x, _ in points) / count, sum(y for _, y in points) / count
    spread = sum((x - mean_x) ** 2 for x, _ in points)
    if spread <= 1e-12 * count:
        return None
    slope = sum((x - mean_x) * (y - mean_y) for x, y in points) / spread
    return slope, mean_y - slope * mean_x


def falling_c(start_c: float, lowest_c: float, share: float) -> float:
    """The air on its way down (the handbook's trend): square root of the time passed.

    Args:
        start_c: air two hours after sunset.
        lowest_c: air at sunrise.
        share: of the time between the two that has passed; outside 0 to 1 it counts as the nearer end.
    """
    return start_c + (lowest_c - start_c) * sqrt(min(1.0, max(0.0, share)))
