"""How one instrument behaves: its noise, a value that stands still when it should move, an echo that is none of the water's."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable

from holdwater.gauge.beside import AROUND_MS, HOUR_MS
from holdwater.gauge.record import BEFORE_MS, Run, is_new_run
from holdwater_sensors.beam import USUAL_BEAM_RAD
from holdwater_sensors.echo import Ultrasonic
from holdwater_sensors.filter import Window
from holdwater_sensors.instrument import Depth, Instrument, Surroundings
from holdwater_sensors.noise import noise_sd
from holdwater_sensors.quality import OK
from holdwater_sensors.stuck import Facts, Frozen, echo_quality, frozen_quality

STUCK_MS = 90 * 60_000
"""How long a value may stand still before it is asked whether it should have moved."""

ECHO_MS = 30 * 60_000
"""How long a distance that looks like a false echo is not believed while no trusted one comes: water may really stand there."""

LEAST_ALIKE = 5
RESOLUTION_M = 0.001
"""Smallest step of a level sensor that counts as a move, when nothing better is known (common practice, no source)."""


def window_of(instrument: Instrument) -> Window:
    """How the filter looks at the depths of an instrument."""
    return Window(floor=instrument.spread_m)


class Behaviour:
    """Judges the values of one instrument, one after the other in order of time.

    A verdict is a function of the readings before it alone, wherever one begins to read: the noise of a clock hour is that of the two
    hours before it; a run of equal values is judged by what was before the run.

    Args:
        instrument: whose values are judged.
        noise_before: tells the noise of the depths before a time, m, where that is more than what was read here; None: nothing was.
    """

    def __init__(self, instrument: Instrument, noise_before: Callable[[int], float] | None = None) -> None:
        self._instrument = instrument
        self._noise_before = noise_before
        self._first_ms: int | None = None
        self._value = math.nan
        self._since_ms = self._latest_ms = self._alike = 0
        self._then: Surroundings | None = None
        self._noise_before_m: float | None = None
        self._recent: deque[tuple[int, float]] = deque()
        self._hour = -1
        self._noise_m: float | None = None
        self._gauge = instrument.physics if isinstance(instrument.physics, Ultrasonic) else None
        self._wall_gap_m = _wall_gap_m(self._gauge)
        self._trusted_ms, self._trusted_gap_m = -ECHO_MS, 0.0

    def resume(self, value: float, run: Run) -> None:
        """Go on in a run of equal values whose begin was not read here."""
        self._value, self._since_ms, self._alike, self._then = value, run.since_ms, run.n, run.then
        self._latest_ms, self._noise_before_m = -1, run.noise_m

    def judge(self, ts_ms: int, value: float, beside: Surroundings, depth: Depth) -> Depth:
        """The depth, with the doubt that its own noise shows, and suspect or rejected when its value is stuck or no echo of the water."""
        if self._value != value or (self._latest_ms >= 0 and is_new_run(self._latest_ms, ts_ms)):
            self._value, self._since_ms, self._alike, self._then = value, ts_ms, 1, beside
            self._noise_before_m = None
        else:
            self._alike += 1
        self._latest_ms = ts_ms
        if self._first_ms is None:
            self._first_ms = ts_ms
        if depth.depth_m is None:
            return depth
        if self._gauge is not None:
            depth = self._echo(ts_ms, self._gauge, depth.depth_m, depth)
        noise_m = self._noise(ts_ms)
        if depth.quality == OK:  # a spike is no noise: it has its own verdict
            self._recent.append((ts_ms, depth.depth_m or 0.0))
        if noise_m is not None:
            depth = depth.with_noise(noise_m)
        if self._alike < LEAST_ALIKE or ts_ms - self._since_ms < STUCK_MS:
            return depth
        return self._stuck(ts_ms, value, beside, depth)

    def _echo(self, ts_ms: int, gauge: Ultrasonic, depth_m: float, depth: Depth) -> Depth:
        """The depth, rejected when its distance is twice the one just trusted, suspect when it is that of the wall."""
        gap_m = gauge.height_m - depth_m
        fresh = ts_ms - self._trusted_ms < ECHO_MS
        if fresh and abs(gap_m - self._trusted_gap_m) > 0.02:
            quality = echo_quality(gap_m, self._trusted_gap_m, gauge, self._wall_gap_m)
            if quality > depth.quality:
                return depth._replace(quality=quality)
        if depth.quality == OK:
            self._trusted_ms, self._trusted_gap_m = ts_ms, gap_m
        return depth

    def _noise(self, ts_ms: int) -> float | None:
        """Noise of the two hours before the clock hour, None when they held too few readings."""
        hour = ts_ms - ts_ms % HOUR_MS
        if hour != self._hour:
            self._hour = hour
            begin = hour - AROUND_MS
            keep = begin if self._noise_before_m is not None else min(begin, self._since_ms - BEFORE_MS)
            while self._recent and self._recent[0][0] < keep:
                self._recent.popleft()
            self._noise_m = noise_sd([point for point in self._recent if begin <= point[0] < hour])
        return self._noise_m

    def _stuck(self, ts_ms: int, value: float, beside: Surroundings, depth: Depth) -> Depth:
        frozen = Frozen(value, self._since_ms, ts_ms, self._alike)
        moved_m = self._should_have_moved(value, beside, ts_ms)
        if self._noise_before_m is None:
            self._noise_before_m = self._before(frozen.since_ms)
        facts = Facts(moved_m, moved_m / 4, self._noise_before_m)
        quality = frozen_quality(frozen, RESOLUTION_M, STUCK_MS, facts)
        return depth if quality <= depth.quality else depth._replace(quality=quality)

    def _before(self, since_ms: int) -> float:
        """Noise of the depths before a run of equal values; of all that there are, though the reading began in the midst of them."""
        begin = since_ms - BEFORE_MS
        if self._noise_before is not None and (self._first_ms is None or self._first_ms > begin - HOUR_MS):
            return self._noise_before(since_ms)
        return noise_sd([point for point in self._recent if begin <= point[0] < since_ms]) or 0.0

    def _should_have_moved(self, value: float, beside: Surroundings, ts_ms: int) -> float:
        """How far the raw value stands for another depth now than when it froze: a working sensor would have followed."""
        if self._then is None or beside == self._then:
            return 0.0
        now, then = (self._instrument.depth(value, each, ts_ms).depth_m for each in (beside, self._then))
        return 0.0 if now is None or then is None else abs(now - then)


def _wall_gap_m(gauge: Ultrasonic | None) -> float | None:
    """Distance, along the edge of its beam, from a face to the wall beside it."""
    if gauge is None or gauge.wall_m is None:
        return None
    return gauge.wall_m / math.sin((gauge.beam_rad or USUAL_BEAM_RAD) / 2)
