"""From readings to the level of a tank: for the live picture one by one, for history over a stretch of record. Pure.

Both ways use the same steps: what surrounds the sensor at that time, the instrument's depth, the filter's verdict, the tank's stand.
They differ in one thing only: at arrival the filter looks back, in history it looks both ways.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from holdwater.tanks.tank import Stand, Tank
from holdwater_sensors.agree import Quarrel, Third, compare, likelier_liar
from holdwater_sensors.bounds import FloatSwitch
from holdwater_sensors.filter import Hampel, Window, judge
from holdwater_sensors.instrument import Depth, Instrument, Surroundings
from holdwater_sensors.noise import noise_sd
from holdwater_sensors.quality import OK, Grade, Reason, code, grade_of
from holdwater_sensors.stuck import Facts, Frozen, frozen_quality

HOUR_MS = 3_600_000

AROUND_MS = 2 * HOUR_MS
"""How old a temperature beside the sensor may be before the level is measured without it."""

HOLD_MS = 2 * HOUR_MS
"""How long the reading of one vessel, or of the first of two sensors, stands beside newer ones of another."""

MARGIN_MS = HOUR_MS
"""Neighbours on each side that a stretch of history needs, so that its verdicts are final."""

STUCK_MS = 90 * 60_000
"""How long a value may stand still before it is asked whether it should have moved. At most `AROUND_MS`, so that history sees it whole."""

QUARREL_MS = HOUR_MS
"""How long two sensors of a vessel may disagree before neither is believed without a third fact."""

LEAST_ALIKE = 5
RESOLUTION_M = 0.001
"""Smallest step of a level sensor that counts as a move, when nothing better is known (common practice, no source)."""

SUSPECT, REJECTED = 100, 200
FLOAT = code(Grade.SUSPECT, Reason.FLOAT)
DISAGREES = code(Grade.SUSPECT, Reason.DISAGREES)

Points = Sequence[tuple[int, float]]


class LevelPoint(NamedTuple):
    """The level of a tank at the time of one reading; depth and volumes are None where nothing can be said.

    A named tuple, not a dataclass: it is made for every reading.

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
        return self.on_hand_m3 is not None and self.quality < SUSPECT


class Surrounds:
    """The newest value of each series beside a sensor, by time; the live side."""

    def __init__(self) -> None:
        self._newest: dict[str, tuple[int, float]] = {}

    def note(self, series: str, ts_ms: int, value: float) -> None:
        """Remember a value."""
        self._newest[series] = (ts_ms, value)

    def at(self, series: str, ts_ms: int) -> float | None:
        """The value that stood at a time, if it is recent enough."""
        found = self._newest.get(series)
        return found[1] if found is not None and abs(ts_ms - found[0]) <= AROUND_MS else None


class RecordedSurrounds:
    """The same over a stretch of record."""

    def __init__(self, points: Mapping[str, Points]) -> None:
        self._points = points
        self._times: dict[str, list[int]] = {}

    def at(self, series: str, ts_ms: int) -> float | None:
        """The value that stood at a time, if it is recent enough."""
        times = self._times.get(series)
        points = self._points.get(series, ())
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
    air, water = instrument.air_series, instrument.water_series
    rh, supply = instrument.rh_series, instrument.supply_series
    return Surroundings(
        None if air is None else looks.at(air, ts_ms),
        None if water is None else looks.at(water, ts_ms),
        None if place.barometer_series is None else looks.at(place.barometer_series, ts_ms),
        None if rh is None else looks.at(rh, ts_ms),
        None if supply is None else looks.at(supply, ts_ms),
        place.gravity,
    )


def companions(instruments: Iterable[Instrument], place: Place) -> set[str]:
    """Names of the series that instruments need beside their own."""
    named = [(i.air_series, i.water_series, i.rh_series, i.supply_series) for i in instruments]
    found = {name for names in named for name in names if name is not None}
    return found if place.barometer_series is None else found | {place.barometer_series}


def window_of(instrument: Instrument) -> Window:
    """How the filter looks at the depths of an instrument."""
    return Window(floor=instrument.spread_m)


def is_float(instrument: Instrument) -> bool:
    """Whether an instrument only sets bounds to the depth."""
    return isinstance(instrument.physics, FloatSwitch)


def measures(instruments: Iterable[Instrument]) -> tuple[Instrument, ...]:
    """Those instruments of a tank that a gauge works with: depths, and floats beside them."""
    return tuple(each for each in instruments if each.gives_depth or is_float(each))


class Bounds:
    """Float switches of a tank: a depth that contradicts one of them is suspect."""

    def __init__(self, instruments: Iterable[Instrument], looks: Surrounds | RecordedSurrounds) -> None:
        self._floats = [each for each in instruments if is_float(each)]
        self._looks = looks

    def judge(self, instrument: Instrument, ts_ms: int, depth: Depth) -> Depth:
        """The depth, suspect when a float switch of the same vessel says that it cannot be."""
        said = self.said(instrument.vessel, ts_ms) if self._floats else None
        if said is None or depth.depth_m is None or not said[0].contradicts(said[1], depth.depth_m, depth.u_m):
            return depth
        return depth._replace(quality=max(depth.quality, FLOAT))

    def said(self, vessel: str, ts_ms: int) -> tuple[FloatSwitch, float] | None:
        """What the float switch of a vessel last said, and which it is."""
        for each in self._floats:
            value = self._looks.at(each.series, ts_ms) if each.vessel == vessel and each.counts_at(ts_ms) else None
            if value is not None and isinstance(each.physics, FloatSwitch):
                return each.physics, value
        return None


class Behaviour:
    """How one instrument behaves: how noisy its depths are, and whether its value has stood still when it should have moved.

    The noise of a clock hour is that of the two hours before it: a function of the readings alone, wherever one begins to read.

    Args:
        instrument: whose values are judged.
        remembers: keep in mind how noisy a value was before it froze, for as long as it stays so. Live only: a stretch of history does
            not see what was before it, and has to come out the same wherever it begins.
    """

    def __init__(self, instrument: Instrument, *, remembers: bool = False) -> None:
        self._instrument = instrument
        self._remembers = remembers
        self._noise_then_m = 0.0
        self._known_noise_m = 0.0
        self._value = math.nan
        self._since_ms = self._latest_ms = self._alike = 0
        self._then: Surroundings | None = None
        self._recent: deque[tuple[int, float]] = deque()
        self._hour = -1
        self._noise_m: float | None = None

    def judge(self, ts_ms: int, value: float, beside: Surroundings, depth: Depth) -> Depth:
        """The depth, with the doubt that its own noise shows, and suspect or rejected when its value is stuck."""
        if self._value != value or ts_ms - self._latest_ms > AROUND_MS:
            self._value, self._since_ms, self._alike, self._then = value, ts_ms, 1, beside
            self._noise_then_m = self._known_noise_m if self._remembers else 0.0
        else:
            self._alike += 1
        self._latest_ms = ts_ms
        if depth.depth_m is None:
            return depth
        noise_m = self._noise(ts_ms)
        # By ten-minute readings two hours with a spike in them say nothing; then what was known before still holds.
        self._known_noise_m = self._known_noise_m if noise_m is None else noise_m
        if depth.quality == OK:  # a spike is no noise: it has its own verdict
            self._recent.append((ts_ms, depth.depth_m))
        if noise_m is not None:
            depth = depth.with_noise(noise_m)
        if self._alike < LEAST_ALIKE or ts_ms - self._since_ms < STUCK_MS:
            return depth
        return self._stuck(ts_ms, value, beside, depth)

    def _noise(self, ts_ms: int) -> float | None:
        """Noise of the two hours before the clock hour, None when they held too few readings."""
        hour = ts_ms - ts_ms % HOUR_MS
        if hour != self._hour:
            self._hour = hour
            while self._recent and self._recent[0][0] < hour - AROUND_MS:
                self._recent.popleft()
            self._noise_m = noise_sd([point for point in self._recent if point[0] < hour])
        return self._noise_m

    def _stuck(self, ts_ms: int, value: float, beside: Surroundings, depth: Depth) -> Depth:
        frozen = Frozen(value, self._since_ms, ts_ms, self._alike)
        moved_m = self._should_have_moved(value, beside, ts_ms)
        before = [point for point in self._recent if point[0] < frozen.since_ms]
        facts = Facts(moved_m, moved_m / 4, noise_sd(before) or self._noise_then_m)
        quality = frozen_quality(frozen, RESOLUTION_M, STUCK_MS, facts)
        return depth if quality <= depth.quality else depth._replace(quality=quality)

    def _should_have_moved(self, value: float, beside: Surroundings, ts_ms: int) -> float:
        """How far the raw value stands for another depth now than when it froze: a working sensor would have followed."""
        if self._then is None or beside == self._then:
            return 0.0
        now, then = (self._instrument.depth(value, each, ts_ms).depth_m for each in (beside, self._then))
        return 0.0 if now is None or then is None else abs(now - then)


class Combined:
    """The newest depth of each instrument of a tank, and what they make together."""

    def __init__(self, tank: Tank, instruments: Sequence[Instrument], bounds: Bounds) -> None:
        self._tank = tank
        self._order = {each.name: rank for rank, each in enumerate(instruments)}
        self._vessel = {each.name: each.vessel or tank.vessels[0].name for each in instruments}
        self._bare = {each.name: each.vessel for each in instruments}
        self._newest: dict[str, tuple[int, Depth]] = {}
        self._quarrels: dict[tuple[str, str], Quarrel] = {}
        self._bounds = bounds
        self.shut: tuple[int, ...] = ()

    def take(self, name: str, ts_ms: int, depth: Depth) -> LevelPoint | None:
        """The level after one more depth; None when a better sensor of the same tank speaks for it."""
        if len(self._order) > 1:
            depth = self._argued(name, ts_ms, depth)
        self._newest[name] = (ts_ms, depth)
        if len(self._tank.vessels) > 1:
            return self._joined(ts_ms)
        if not self._speaks(name, ts_ms):
            return None
        return _point(
            ts_ms,
            depth.quality,
            None if depth.depth_m is None else self._tank.stand(depth.depth_m, depth.u_noise_m, depth.u_scale_m),
        )

    def _argued(self, name: str, ts_ms: int, depth: Depth) -> Depth:
        """The depth, suspect when it has disagreed with another sensor of the vessel for long and no float switch clears it."""
        for other, (at, theirs) in self._newest.items():
            if other == name or self._vessel[other] != self._vessel[name] or ts_ms - at > HOLD_MS:
                continue
            comparison = compare(depth, theirs)
            if comparison is None or SUSPECT <= max(depth.quality, theirs.quality) != DISAGREES:
                continue
            key = (min(name, other), max(name, other))
            self._quarrels[key] = quarrel = self._quarrels.get(key, Quarrel()).then(ts_ms, comparison)
            said = self._bounds.said(self._bare[name], ts_ms)
            third = (
                Third(None, *said, overflow_m=self._tank.overflow_m)
                if said
                else Third(overflow_m=self._tank.overflow_m)
            )
            if quarrel.lasting(QUARREL_MS) and likelier_liar(depth, theirs, third).which != 2:
                return depth._replace(quality=max(depth.quality, DISAGREES))
        return depth

    def _speaks(self, name: str, ts_ms: int) -> bool:
        """The first sensor in the file speaks, unless its newest is not ok or old and this one's is better."""
        if len(self._newest) == 1:
            return True
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
        self._ways = {each.name: Behaviour(each, remembers=True) for each in instruments}
        self._last: dict[str, int] = {}
        self._bounds = Bounds(instruments, looks)
        self._combined = Combined(tank, [each for each in instruments if not is_float(each)], self._bounds)

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
            if is_float(instrument) or not instrument.counts_at(ts_ms) or ts_ms <= self._last.get(instrument.name, -1):
                continue
            self._last[instrument.name] = ts_ms
            beside = around(instrument, self._looks, ts_ms, self._place)
            depth = self._judged(instrument, ts_ms, instrument.depth(value, beside, ts_ms))
            depth = self._ways[instrument.name].judge(ts_ms, value, beside, depth)
            point = self._combined.take(instrument.name, ts_ms, self._bounds.judge(instrument, ts_ms, depth)) or point
        return point

    def _judged(self, instrument: Instrument, ts_ms: int, depth: Depth) -> Depth:
        if depth.depth_m is None or depth.quality >= REJECTED:
            return depth
        verdict = self._filters[instrument.name].glance(ts_ms, depth.depth_m)
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
    bounds = Bounds(instruments, looks)
    gauges = [each for each in instruments if not is_float(each)]
    judged: list[tuple[int, int, str, Depth]] = []
    for rank, instrument in enumerate(gauges):
        judged += [
            (ts, rank, instrument.name, bounds.judge(instrument, ts, depth))
            for ts, depth in _depths(instrument, place, points.get(instrument.series, ()), looks)
        ]
    judged.sort(key=lambda each: (each[0], each[1]))
    combined = Combined(tank, gauges, bounds)
    found = ((ts, combined.take(name, ts, depth)) for ts, _, name, depth in judged)
    return [point for ts, point in found if point is not None and start_ms <= ts < end_ms]


def _depths(
    instrument: Instrument, place: Place, points: Points, looks: RecordedSurrounds
) -> Iterator[tuple[int, Depth]]:
    """Depths with their final verdicts."""
    beside = [(ts, value, around(instrument, looks, ts, place)) for ts, value in points if instrument.counts_at(ts)]
    measured = [(ts, value, each, instrument.depth(value, each, ts)) for ts, value, each in beside]
    usable = [
        (ts, depth.depth_m) for ts, _, _, depth in measured if depth.depth_m is not None and depth.quality < REJECTED
    ]
    at, window, ways = 0, window_of(instrument), Behaviour(instrument)
    for ts, value, each, depth in measured:
        found = depth
        if depth.depth_m is not None and depth.quality < REJECTED:
            verdict = judge(usable, at, window)
            at += 1
            found = depth if verdict.quality <= depth.quality else depth._replace(quality=verdict.quality)
        yield ts, ways.judge(ts, value, each, found)


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
