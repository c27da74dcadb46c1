"""From readings to the level of a tank: for the live picture one by one, for history over a stretch of record. Pure.

Both ways use the same steps: what surrounds the sensor at that time, the instrument's depth, the filter's verdict, the tank's stand.
They differ in one thing only: at arrival the filter looks back, in history it looks both ways.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from holdwater.tanks.tank import Stand, Tank
from holdwater_sensors.filter import Hampel, Window, judge
from holdwater_sensors.instrument import Depth, Instrument, Surroundings
from holdwater_sensors.quality import OK, Grade, Reason, code, grade_of

AROUND_MS = 2 * 3_600_000
"""How old a temperature beside the sensor may be before the level is measured without it."""

HOLD_MS = 2 * 3_600_000
"""How long the reading of one vessel, or of the first of two sensors, stands beside newer ones of another."""

MARGIN_MS = 3_600_000
"""Neighbours on each side that a stretch of history needs, so that its verdicts are final."""

Points = Sequence[tuple[int, float]]


@dataclass(frozen=True, slots=True)
class LevelPoint:
    """The level of a tank at the time of one reading; depth and volumes are None where nothing can be said.

    `quality` is a code of `holdwater_sensors.quality`; the figures of a suspect reading are there, and not to be trusted.
    """

    ts_ms: int
    depth_m: float | None
    on_hand_m3: float | None
    total_m3: float | None
    u_noise_m3: float
    u_scale_m3: float
    quality: int

    @property
    def ok(self) -> bool:
        """True when the figures may be trusted."""
        return self.on_hand_m3 is not None and grade_of(self.quality) is Grade.OK


class Surrounds:
    """The newest value of each series beside a sensor, by time; the live side."""

    def __init__(self) -> None:
        self._newest: dict[str, tuple[int, float]] = {}

    def note(self, series: str, ts_ms: int, value: float) -> None:
        """Remember a value."""
        self._newest[series] = (ts_ms, value)

    def at(self, series: str | None, ts_ms: int) -> float | None:
        """The value that stood at a time, if it is recent enough."""
        found = None if series is None else self._newest.get(series)
        return found[1] if found is not None and abs(ts_ms - found[0]) <= AROUND_MS else None


class RecordedSurrounds:
    """The same over a stretch of record."""

    def __init__(self, points: Mapping[str, Points]) -> None:
        self._points = points
        self._times: dict[str, list[int]] = {}

    def at(self, series: str | None, ts_ms: int) -> float | None:
        """The value that stood at a time, if it is recent enough."""
        points = None if series is None else self._points.get(series)
        if series is None or not points:
            return None
        times = self._times.get(series)
        if times is None:
            times = self._times[series] = [ts for ts, _ in points]
        found = bisect_right(times, ts_ms) - 1
        if found < 0 or ts_ms - times[found] > AROUND_MS:
            return None
        return points[found][1]


@dataclass(frozen=True, slots=True)
class Place:
    """What all sensors of a site share: the barometer's series and the local gravity, m/s2."""

    barometer_series: str | None = None
    gravity: float = 9.80665


def around(instrument: Instrument, looks: Surrounds | RecordedSurrounds, ts_ms: int, place: Place) -> Surroundings:
    """What surrounds an instrument at a time."""
    return Surroundings(
        air_c=looks.at(instrument.air_series, ts_ms),
        water_c=looks.at(instrument.water_series, ts_ms),
        pressure_pa=looks.at(place.barometer_series, ts_ms),
        rh=looks.at(instrument.rh_series, ts_ms),
        supply_v=looks.at(instrument.supply_series, ts_ms),
        gravity=place.gravity,
    )


def companions(instruments: Iterable[Instrument], place: Place) -> set[str]:
    """Names of the series that instruments need beside their own."""
    named = [(i.air_series, i.water_series, i.rh_series, i.supply_series) for i in instruments]
    found = {name for names in named for name in names if name is not None}
    return found if place.barometer_series is None else found | {place.barometer_series}


def window_of(instrument: Instrument) -> Window:
    """How the filter looks at the depths of an instrument."""
    return Window(floor=instrument.spread_m)


class Combined:
    """The newest depth of each instrument of a tank, and what they make together."""

    def __init__(self, tank: Tank, instruments: Sequence[Instrument]) -> None:
        self._tank = tank
        self._order = {each.name: rank for rank, each in enumerate(instruments)}
        self._vessel = {each.name: each.vessel for each in instruments}
        self._newest: dict[str, tuple[int, Depth]] = {}
        self.shut: tuple[int, ...] = ()
        vessels = {each.vessel for each in instruments}
        self._apart = len(tank.vessels) > 1 and (len(vessels) > 1 or any(link.shut for link in tank.links))

    def take(self, name: str, ts_ms: int, depth: Depth) -> LevelPoint | None:
        """The level after one more depth; None when a better sensor of the same tank speaks for it."""
        self._newest[name] = (ts_ms, depth)
        if self._apart or self.shut:
            return self._joined(ts_ms)
        if not self._speaks(name, ts_ms):
            return None
        return _point(
            ts_ms,
            depth.quality,
            None if depth.depth_m is None else self._tank.stand(depth.depth_m, depth.u_noise_m, depth.u_scale_m),
        )

    def _speaks(self, name: str, ts_ms: int) -> bool:
        """The first sensor in the file speaks, unless its newest is not ok or old and this one's is better."""
        rank, mine = self._order[name], self._newest[name][1]
        for other, (at, depth) in self._newest.items():
            if other == name or ts_ms - at > HOLD_MS:
                continue
            theirs, ours = grade_of(depth.quality), grade_of(mine.quality)
            if theirs < ours or (theirs == ours and self._order[other] < rank):
                return False
        return True

    def _joined(self, ts_ms: int) -> LevelPoint:
        fresh = {n: d for n, (at, d) in self._newest.items() if ts_ms - at <= HOLD_MS}
        good = {
            self._vessel[n]: d
            for n, d in fresh.items()
            if d.depth_m is not None and grade_of(d.quality) < Grade.REJECTED
        }
        worst = max((d.quality for d in fresh.values()), default=0)
        if not good:
            return _point(ts_ms, worst or code(Grade.REJECTED, Reason.LINK), None)
        stand = self._tank.stand_of(good, self.shut)
        if stand.apart:
            worst = max(worst, code(Grade.SUSPECT, Reason.LINK))
        if math.isnan(stand.depth_m):
            return _point(ts_ms, max(worst, code(Grade.REJECTED, Reason.LINK)), None)
        return _point(ts_ms, worst, stand)


def _point(ts_ms: int, quality: int, stand: Stand | None) -> LevelPoint:
    if stand is None:
        return LevelPoint(ts_ms, None, None, None, 0.0, 0.0, quality)
    return LevelPoint(
        ts_ms, stand.depth_m, stand.on_hand_m3, stand.total_m3, stand.u_noise_m3, stand.u_scale_m3, quality
    )


class Gauge:
    """The live level of one tank.

    Args:
        tank: the tank.
        instruments: those that measure its level, first one first.
        looks: newest values beside the sensors, shared by all gauges.
        place: barometer and gravity of the site.
    """

    def __init__(self, tank: Tank, instruments: Sequence[Instrument], looks: Surrounds, place: Place) -> None:
        self.tank = tank
        self.instruments = tuple(instruments)
        self._looks = looks
        self._place = place
        self._by_series: dict[str, list[Instrument]] = {}
        for each in instruments:
            self._by_series.setdefault(each.series, []).append(each)
        self._filters = {each.name: Hampel(window_of(each)) for each in instruments}
        self._last: dict[str, int] = {}
        self._combined = Combined(tank, instruments)

    @property
    def series(self) -> tuple[str, ...]:
        """Series that move this gauge."""
        return tuple(self._by_series)

    def set_shut(self, links: tuple[int, ...]) -> None:
        """Links shut by a note."""
        self._combined.shut = links

    def push(self, series: str, ts_ms: int, value: float) -> LevelPoint | None:
        """The level after one reading; None when it does not speak for the tank.

        Args:
            series: one of `series`.
            ts_ms: later than the reading before of this series; an earlier one is left to history.
            value: in SI.
        """
        point = None
        for instrument in self._by_series.get(series, ()):
            if instrument.counts_at(ts_ms) and ts_ms > self._last.get(instrument.name, -1):
                self._last[instrument.name] = ts_ms
                depth = instrument.depth(value, around(instrument, self._looks, ts_ms, self._place), ts_ms)
                point = self._combined.take(instrument.name, ts_ms, self._judged(instrument, ts_ms, depth)) or point
        return point

    def _judged(self, instrument: Instrument, ts_ms: int, depth: Depth) -> Depth:
        if depth.depth_m is None or grade_of(depth.quality) is Grade.REJECTED:
            return depth
        verdict, _ = self._filters[instrument.name].push(ts_ms, depth.depth_m)
        return depth if verdict.quality <= depth.quality else depth._replace(quality=verdict.quality)


def history(
    tank: Tank,
    instruments: Sequence[Instrument],
    place: Place,
    points: Mapping[str, Points],
    start_ms: int,
    end_ms: int,
) -> list[LevelPoint]:
    """The level of a tank over a stretch of record: a pure function of the readings, whatever order they came in.

    Args:
        tank: the tank.
        instruments: those that measure its level, first one first.
        place: barometer and gravity of the site.
        points: readings by series in SI, each in time order, from `MARGIN_MS` (temperatures: `AROUND_MS`) before the stretch to
            `MARGIN_MS` after it.
        start_ms: begin of the stretch.
        end_ms: its end, not included.
    """
    looks = RecordedSurrounds(points)
    judged: list[tuple[int, int, str, Depth]] = []
    for rank, instrument in enumerate(instruments):
        judged += [
            (ts, rank, instrument.name, depth)
            for ts, depth in _depths(instrument, place, points.get(instrument.series, ()), looks)
        ]
    judged.sort(key=lambda each: (each[0], each[1]))
    combined = Combined(tank, instruments)
    found = ((ts, combined.take(name, ts, depth)) for ts, _, name, depth in judged)
    return [point for ts, point in found if point is not None and start_ms <= ts < end_ms]


def _depths(
    instrument: Instrument, place: Place, points: Points, looks: RecordedSurrounds
) -> Iterator[tuple[int, Depth]]:
    """Depths with their final verdicts."""
    measured = [
        (ts, instrument.depth(value, around(instrument, looks, ts, place), ts))
        for ts, value in points
        if instrument.counts_at(ts)
    ]
    usable = [
        (ts, depth.depth_m)
        for ts, depth in measured
        if depth.depth_m is not None and grade_of(depth.quality) is not Grade.REJECTED
    ]
    at, window = 0, window_of(instrument)
    for ts, depth in measured:
        if depth.depth_m is None or grade_of(depth.quality) is Grade.REJECTED:
            yield ts, depth
            continue
        verdict = judge(usable, at, window)
        at += 1
        yield ts, depth if verdict.quality <= depth.quality else depth._replace(quality=verdict.quality)


@dataclass(frozen=True, slots=True)
class Summary:
    """A span of level points in one row: means over the trusted ones, and the last trusted one.

    `worst` is ok while at least half of the points could be trusted (a single spike spoils no hour), else the worst quality of all.
    """

    depth_m: float | None
    on_hand_m3: float | None
    closing_m3: float | None
    u_noise_m3: float
    u_scale_m3: float
    n: int
    worst: int


def summary(points: Sequence[LevelPoint]) -> Summary | None:
    """Points of one span as one row; None where there is no point at all."""
    if not points:
        return None
    good = [each for each in points if each.ok]
    worst = max(each.quality for each in points)
    if not good:
        return Summary(None, None, None, 0.0, 0.0, 0, worst)
    n = len(good)
    worst = OK if 2 * n >= len(points) else worst
    return Summary(
        depth_m=sum(p.depth_m for p in good if p.depth_m is not None) / n,
        on_hand_m3=sum(p.on_hand_m3 for p in good if p.on_hand_m3 is not None) / n,
        closing_m3=good[-1].on_hand_m3,
        u_noise_m3=sum(p.u_noise_m3 for p in good) / n,
        u_scale_m3=sum(p.u_scale_m3 for p in good) / n,
        n=n,
        worst=worst,
    )
