"""The two-step regression of the frost-protection handbook, its falling curve, and errors learned beside: the
yardstick.

Snyder and de Melo-Abreu, Frost Protection: fundamentals, practice and economics, FAO Environment and Natural
Resources Series 10, 2005, volume 1, chapter 5: Tn = b T0 + a is fitted to past nights, then its residuals are fitted
to the dew point, R = d Td0 + c; T0 and Td0 are taken two hours after sunset. From then on the air follows the square
root of time down to Tn at sunrise.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
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


@dataclass(slots=True)
class Line:
    """A least-squares line that is built point by point."""

    count: int = 0
    x: float = 0.0
    y: float = 0.0
    xx: float = 0.0
    xy: float = 0.0

    def add(self, x: float, y: float) -> None:
        """One more point."""
        self.count += 1
        self.x += x
        self.y += y
        self.xx += x * x
        self.xy += x * y

    def solve(self) -> tuple[float, float] | None:
        """Slope and intercept; None for fewer than three points or no spread in x."""
        if self.count < FEWEST:
            return None
        spread = self.xx - self.x * self.x / self.count
        if spread <= 1e-9 * self.count:
            return None
        slope = (self.xy - self.x * self.y / self.count) / spread
        return slope, (self.y - slope * self.x) / self.count


@dataclass(slots=True)
class Nights:
    """The regression of past nights, built night by night.

    The second step needs the line of the residuals y - b x - a on the dew point d; its sums follow from those of (d,
    y) and (d, x).
    """

    first: Line = field(default_factory=Line)
    dew_came: Line = field(default_factory=Line)
    dew_air: Line = field(default_factory=Line)

    def add(self, air_c: float, dew_c: float | None, came_c: float) -> None:
        """One more night: air and dew point two hours after sunset, lowest air; degC. Dew point None where unknown."""
        self.first.add(air_c, came_c)
        if dew_c is not None:
            self.dew_came.add(dew_c, came_c)
            self.dew_air.add(dew_c, air_c)

    def fit(self) -> Fit | None:
        """The regression; None for fewer than three nights or when all evenings were equally warm."""
        first = self.first.solve()
        if first is None:
            return None
        slope, intercept = first
        came, air = self.dew_came, self.dew_air
        residuals = Line(
            came.count,
            came.x,
            came.y - slope * air.y - intercept * came.count,
            came.xx,
            came.xy - slope * air.xy - intercept * came.x,
        )
        return Fit(slope, intercept, *(residuals.solve() or (0.0, 0.0)))


def fit(nights: Iterable[tuple[float, float | None, float]]) -> Fit | None:
    """The regression of past nights (air, dew point, lowest air), as `Nights.fit`."""
    past = Nights()
    for air_c, dew_c, came_c in nights:
        past.add(air_c, dew_c, came_c)
    return past.fit()


def falling_c(start_c: float, lowest_c: float, share: float) -> float:
    """The air on its way down (the handbook's trend): square root of the time passed.

    Args:
        start_c: air two hours after sunset.
        lowest_c: air at sunrise.
        share: of the time between the two that has passed; outside 0 to 1 it counts as the nearer end.
    """
    return start_c + (lowest_c - start_c) * sqrt(min(1.0, max(0.0, share)))
