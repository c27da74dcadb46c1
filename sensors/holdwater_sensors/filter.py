"""Hampel filter: which readings jump away from their neighbours.

A reading is an outlier when it lies more than `n` scaled median absolute deviations from the median of the `2k + 1`
readings around it (F. R. Hampel; R. K. Pearson, "Data cleaning for dynamic modeling and control", European Control
Conference 1999; 1.4826 makes the deviation the standard deviation of a normal distribution). Three things are added for
water:

- A floor under the scale. Quantised steady water has a deviation of zero, and one count of change would be "an
outlier".
- The window ends in time too, so that a reading after a silent night is not judged by those before it.
- The final verdict on reading i depends on readings i-k to i+k and nothing else: history comes out equal for any order
of arrival, a
  real step (a delivered load) passes with its true time, and quiet water has no lag. At arrival, before the k later
  readings are there, the verdict is provisional and looks back only.

At both ends of a record the window is truncated. No reading is ever changed: a verdict is a quality and the median.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from holdwater_sensors.quality import OK, Grade, Reason, code

MAD_TO_SD = 1.482602218505602  # 1 / (sqrt(2) erfinv(1/2))
SPIKE = code(Grade.SUSPECT, Reason.SPIKE)


@dataclass(frozen=True, slots=True)
class Window:
    """How a filter looks at a series.

    Attributes:
        floor: smallest standard deviation to assume, in the unit of the series: resolution or known noise; above 0.
        k: readings looked at on each side.
        n: how many standard deviations make an outlier.
        span_ms: neighbours farther away in time than this are not looked at.
    """

    floor: float
    k: int = 3
    n: float = 3.0
    span_ms: int = 3_600_000


class Verdict(NamedTuple):
    """What the filter says of one reading: `quality` is ok or suspect (spike); `median` is what its neighbours show."""

    ts_ms: int
    value: float
    quality: int
    median: float


Point = tuple[int, float]


def judge(points: Sequence[Point], at: int, window: Window) -> Verdict:
    """The verdict on one reading from those around it.

    Args:
        points: (time in ms, value) in order of time; only those within `window.k` of `at` are looked at.
        at: index of the reading to judge.
        window: how to look.
    """
    ts_ms, value = points[at]
    first, last = ts_ms - window.span_ms, ts_ms + window.span_ms
    around = points[max(0, at - window.k) : at + window.k + 1]
    if first <= around[0][0] and around[-1][0] <= last:
        values = sorted([x for _, x in around])
    else:
        values = sorted([x for t, x in around if first <= t <= last])
    # the usual case in a few steps: all within the floor, no deviation needed
    limit = window.n * window.floor
    median = _median(values)
    if -limit <= value - median <= limit:
        return Verdict(ts_ms, value, OK, median)
    spread = _median(sorted([abs(x - median) for x in values])) * MAD_TO_SD
    outlier = abs(value - median) > window.n * max(spread, window.floor)
    return Verdict(ts_ms, value, SPIKE if outlier else OK, median)


def _median(values: list[float]) -> float:
    half, odd = divmod(len(values), 2)
    return values[half] if odd else (values[half - 1] + values[half]) / 2


def verdicts(points: Sequence[Point], window: Window) -> Iterator[Verdict]:
    """The verdict on every reading of a record in order of time."""
    return (judge(points, at, window) for at in range(len(points)))


class Hampel:
    """The filter on a live series, given one reading after the other in order of time.

    Holds at most 2k + 1 readings. The final verdicts are those of `verdicts` over the whole record.
    """

    __slots__ = ("_fresh", "_points", "window")

    def __init__(self, window: Window, points: Iterable[Point] = (), fresh: int = 0) -> None:
        self.window = window
        self._points = list(points)
        self._fresh = fresh  # how many at the end have had no final verdict

    def push(self, ts_ms: int, value: float) -> tuple[Verdict, tuple[Verdict, ...]]:
        """Takes one reading.

        Args:
            ts_ms: time of the reading, ms; later than the one before.
            value: finite.

        Returns:
            The provisional verdict on it, and final verdicts on earlier readings that now have all their neighbours.

        Raises:
            ValueError: not later than the reading before; late readings belong to history, not to a live filter.
        """
        points, k = self._points, self.window.k
        if points and ts_ms <= points[-1][0]:
            raise ValueError("a live filter takes readings in order of time")
        points.append((ts_ms, value))
        self._fresh += 1
        # a reading is final when k later ones are there, or when the newest is out of its sight
        final: list[Verdict] = []
        while self._fresh > k or points[-self._fresh][0] + self.window.span_ms < ts_ms:
            final.append(judge(points, len(points) - self._fresh, self.window))
            self._fresh -= 1
        provisional = judge(points, len(points) - 1, self.window)
        del points[: max(0, len(points) - self._fresh - k)]
        return provisional, tuple(final)

    def glance(self, ts_ms: int, value: float) -> Verdict:
        """Takes one reading as `push` does, for those who ask for the provisional verdict only: at half the cost.

        Args:
            ts_ms: time of the reading, ms; later than the one before.
            value: finite.

        Raises:
            ValueError: not later than the reading before.
        """
        points = self._points
        if points and ts_ms <= points[-1][0]:
            raise ValueError("a live filter takes readings in order of time")
        points.append((ts_ms, value))
        del points[: -self.window.k - 1]
        self._fresh = 0
        return judge(points, len(points) - 1, self.window)

    def flush(self) -> tuple[Verdict, ...]:
        """Verdicts on the readings at the end of a record, with the window truncated; the filter stays as it is."""
        points = self._points
        return tuple(judge(points, at, self.window) for at in range(len(points) - self._fresh, len(points)))

    def saved(self) -> tuple[tuple[Point, ...], int]:
        """What `Hampel(window, *saved)` goes on from after a restart."""
        return tuple(self._points), self._fresh
