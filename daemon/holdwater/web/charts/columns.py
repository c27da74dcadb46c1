"""From thousands of rows to about one point per pixel, with gaps kept as gaps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

from holdwater.store.rows import LevelRow
from holdwater.web.charts.svg import Point

COVER = 2.0
"""Standard uncertainties in the band on each side: about 95 % for a normal distribution (JCGM 100:2008, 6.3.3)."""


@dataclass(frozen=True, slots=True)
class Column:
    """One upright strip of the picture.

    Attributes:
        at: place along the axis, 0 to 1: the strip's middle.
        mid: mean on hand, m3.
        low: lowest on hand less its doubt, not below zero, m3.
        high: highest on hand with its doubt, m3.
    """

    at: float
    mid: float
    low: float
    high: float


def runs_of(rows: Sequence[LevelRow], start_ms: int, end_ms: int, span_ms: int, most: int) -> list[list[Column]]:
    """Unbroken runs of columns.

    Args:
        rows: hours or days, oldest first; unknown levels and missing rows break a run.
        start_ms: left end.
        end_ms: right end.
        span_ms: length of a row, ms.
        most: number of columns allowed, about one a pixel. No column is narrower than a row, so an empty one is a real gap.

    Returns:
        Runs, oldest first; spikes inside a column stay visible in its low and high.
    """
    length = end_ms - start_ms
    count = max(1, min(most, round(length / span_ms)))
    sums = [0.0] * count
    numbers = [0] * count
    lows = [float("inf")] * count
    highs = [float("-inf")] * count
    doubts = [0.0] * count
    offset = span_ms / 2 - start_ms
    for row in rows:
        value = row.on_hand_m3
        index = int((row.start_ms + offset) * count / length)
        if value is None or not 0 <= index < count:
            continue
        sums[index] += value
        numbers[index] += 1
        lows[index] = min(lows[index], value)
        highs[index] = max(highs[index], value)
        doubts[index] = max(doubts[index], row.u_noise_m3 * row.u_noise_m3 + row.u_scale_m3 * row.u_scale_m3)
    runs: list[list[Column]] = []
    open_run = False
    for index, number in enumerate(numbers):
        if number:
            doubt = COVER * sqrt(doubts[index])
            column = Column(
                (index + 0.5) / count, sums[index] / number, max(0.0, lows[index] - doubt), highs[index] + doubt
            )
            if not open_run:
                runs.append([])
            runs[-1].append(column)
        open_run = bool(number)
    return _widened(runs, 0.5 / count)


def _widened(runs: list[list[Column]], half: float) -> list[list[Column]]:
    """Each run drawn to the edges of its first and last column, so that a single one can be seen."""
    wide = []
    for run in runs:
        first, last = run[0], run[-1]
        head = Column(first.at - half, first.mid, first.low, first.high)
        tail = Column(last.at + half, last.mid, last.low, last.high)
        wide.append([head, *run, tail])
    return wide


def mid_line(run: Sequence[Column]) -> list[Point]:
    """The level itself, as (0 to 1, m3)."""
    return [(column.at, column.mid) for column in run]


def band_edge(run: Sequence[Column]) -> list[Point]:
    """Closed edge of the doubt: along the top, back along the bottom."""
    top = [(column.at, column.high) for column in run]
    return top + [(column.at, column.low) for column in reversed(run)]
