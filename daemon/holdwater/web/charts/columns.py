"""From thousands of rows to about one point per pixel, gaps kept as gaps. Plain loops: a page's cost is here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import hypot

from holdwater.store.rows import LevelRow

COVER = 2.0
"""Standard uncertainties in the band on each side: about 95 % for a normal distribution (JCGM 100:2008, 6.3.3)."""


@dataclass(slots=True)
class Run:
    """Neighbouring columns without a gap: on hand, m3.

    Attributes:
        first: number of its first column, from the left.
        mid: mean of each column.
        low: lowest in each column less its doubt, not below zero.
        high: highest in each column with its doubt.
    """

    first: int
    mid: list[float] = field(default_factory=list)
    low: list[float] = field(default_factory=list)
    high: list[float] = field(default_factory=list)


def column_count(start_ms: int, end_ms: int, span_ms: int, most: int) -> int:
    """How many columns: about one a pixel, but none narrower than a row, so that an empty one is a real gap."""
    return max(1, min(most, round((end_ms - start_ms) / span_ms)))


def runs_of(rows: Sequence[LevelRow], start_ms: int, end_ms: int, span_ms: int, count: int) -> list[Run]:
    """Unbroken runs of columns, oldest first; a spike inside a column stays visible in its low and high.

    Args:
        rows: hours or days, oldest first; unknown levels and missing rows break a run.
        start_ms: left end.
        end_ms: right end.
        span_ms: length of a row, ms.
        count: number of columns, see `column_count`.
    """
    per_ms = count / (end_ms - start_ms)
    base = start_ms - span_ms / 2
    runs: list[Run] = []
    at, number = -1, 0
    total = low = high = noise = scale = 0.0
    for row in rows:
        value = row.on_hand_m3
        if value is None:
            continue
        index = int((row.start_ms - base) * per_ms)
        if index != at:
            if number:
                _add(runs, at, total / number, (low, high), COVER * hypot(noise, scale))
            at, number, total, low, high, noise, scale = index, 0, 0.0, value, value, 0.0, 0.0
        number += 1
        total += value
        if value < low:
            low = value
        elif value > high:
            high = value
        noise = max(noise, row.u_noise_m3)
        scale = max(scale, row.u_scale_m3)
    if number:
        _add(runs, at, total / number, (low, high), COVER * hypot(noise, scale))
    return runs


def _add(runs: list[Run], at: int, mid: float, edges: tuple[float, float], doubt: float) -> None:
    if not runs or runs[-1].first + len(runs[-1].mid) != at:
        runs.append(Run(at))
    run = runs[-1]
    run.mid.append(mid)
    run.low.append(max(0.0, edges[0] - doubt))
    run.high.append(edges[1] + doubt)
