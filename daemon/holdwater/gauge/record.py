"""What was before a stretch of record: asked for only where a stretch cannot be judged by itself."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple, Protocol

from holdwater.gauge.beside import AROUND_MS, HOUR_MS, Place, Points, RecordedSurrounds, around, companions
from holdwater_sensors.filter import Window, judge
from holdwater_sensors.instrument import Depth, Instrument, Surroundings
from holdwater_sensors.noise import noise_sd
from holdwater_sensors.quality import OK, Grade, code

REJECTED = code(Grade.REJECTED)

BEFORE_MS = 4 * HOUR_MS
"""The noise that a value had before it stood still is that of so long a time. By ten-minute readings two hours with a spike in them
say nothing."""


class Hour(NamedTuple):
    """One rolled-up hour of a series, in SI."""

    start_ms: int
    lo: float
    hi: float
    n: int


class Record(Protocol):
    """The stored readings of all series, in SI."""

    def points(self, series: str, start_ms: int, end_ms: int) -> Points:
        """Readings with start <= time < end, in time order."""
        ...

    def hours(self, series: str, before_ms: int) -> Iterator[Hour]:
        """Rolled-up hours that began before a time, newest first."""
        ...


class Run(NamedTuple):
    """A value that has stood still.

    Attributes:
        since_ms: time of the first reading that showed it.
        n: readings that showed it, up to a given one.
        noise_m: noise of the depths before it stood still, m; 0 when not known.
        then: what surrounded the sensor at that first reading.
    """

    since_ms: int
    n: int
    noise_m: float
    then: Surroundings


def is_new_run(latest_ms: int, ts_ms: int) -> bool:
    """Whether a silence of more than two clock hours lies between two readings: nobody knows what the value did meanwhile."""
    return ts_ms - ts_ms % HOUR_MS - (latest_ms - latest_ms % HOUR_MS) > AROUND_MS


class Measured(NamedTuple):
    """One reading with what surrounded it and the depth that it stands for, judged by its neighbours on both sides."""

    ts_ms: int
    value: float
    beside: Surroundings
    depth: Depth


def measured(
    instrument: Instrument, place: Place, points: Points, looks: RecordedSurrounds, window: Window
) -> Iterable[Measured]:
    """Depths of one instrument over a stretch of record, with the filter's final verdicts."""
    beside = [(ts, value, around(instrument, looks, ts, place)) for ts, value in points if instrument.counts_at(ts)]
    found = [(ts, value, each, instrument.depth(value, each, ts)) for ts, value, each in beside]
    usable = [
        (ts, depth.depth_m) for ts, _, _, depth in found if depth.depth_m is not None and depth.quality < REJECTED
    ]
    at = 0
    for ts, value, each, depth in found:
        judged = depth
        if depth.depth_m is not None and depth.quality < REJECTED:
            verdict = judge(usable, at, window)
            at += 1
            judged = depth if verdict.quality <= depth.quality else depth._replace(quality=verdict.quality)
        yield Measured(ts, value, each, judged)


def run_before(
    instrument: Instrument, place: Place, record: Record, window: Window, first: tuple[int, float]
) -> Run | None:
    """The run of equal values that a stretch of record begins in; None when it begins with its first reading.

    Args:
        instrument: whose readings.
        place: barometer and gravity of the site.
        record: what is stored.
        window: how its filter looks.
        first: the first reading of the stretch, (time, value).
    """
    begin = _begin(instrument.series, record, first)
    if begin is None:
        return None
    since_ms, n = begin
    names = companions([instrument], place)
    looks = RecordedSurrounds({name: record.points(name, since_ms - AROUND_MS, since_ms + 1) for name in names})
    noise_m = noise_before(instrument, place, record, window, since_ms)
    return Run(since_ms, n, noise_m, around(instrument, looks, since_ms, place))


def noise_before(instrument: Instrument, place: Place, record: Record, window: Window, since_ms: int) -> float:
    """Noise of the depths of the hours before a time, m; 0 when there were too few."""
    start_ms, end_ms = since_ms - BEFORE_MS - HOUR_MS, since_ms + HOUR_MS
    looks = RecordedSurrounds(
        {name: record.points(name, start_ms - AROUND_MS, end_ms) for name in companions([instrument], place)}
    )
    judged = measured(instrument, place, record.points(instrument.series, start_ms, end_ms), looks, window)
    before = [
        (each.ts_ms, each.depth.depth_m)
        for each in judged
        if each.depth.depth_m is not None and each.depth.quality == OK and since_ms - BEFORE_MS <= each.ts_ms < since_ms
    ]
    return noise_sd(before) or 0.0


def _begin(series: str, record: Record, first: tuple[int, float]) -> tuple[int, int] | None:
    """Time of the first reading of a run, and how many readings it had before the first one of the stretch."""
    first_ms, value = first
    start = first_ms - first_ms % HOUR_MS
    inside = record.points(series, start, first_ms)
    n = 0
    if all(each == value for _, each in inside):
        n, latest_ms = len(inside), inside[0][0] if inside else first_ms
        for each in record.hours(series, start):
            if is_new_run(each.start_ms, latest_ms):
                break
            start = latest_ms = each.start_ms
            if each.lo != value or each.hi != value:
                break
            n += each.n
    # the run begins in the hour where the search ended, or with the first reading after it: no silence lies between
    near = record.points(series, start, min(start + AROUND_MS + 2 * HOUR_MS, first_ms))
    last = max((at for at, (_, each) in enumerate(near) if each != value), default=-1)
    alike = near[last + 1 :]
    if not alike:
        return None
    return alike[0][0], n + sum(ts < start + HOUR_MS for ts, _ in alike) * (last >= 0)
