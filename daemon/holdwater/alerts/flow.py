"""What a tank's water is doing at each reading, by the balance's own segmenter."""

from __future__ import annotations

import json
import math
from collections import deque
from dataclasses import dataclass, field
from itertools import islice

from holdwater.alerts.facts import FlowFact
from holdwater.balance.middle import median
from holdwater.balance.points import Point
from holdwater.balance.uses import Ongoing, Segmenter

SLOPE = 6  # newest readings that give the rate of a move in full run, and at most so many where noise asks for more
SLOPE_MOST = 20
STEADY_MS = 5 * 60_000  # a level rule looks at the median of so long; readings farther apart are taken as they are
STEADY_MOST = 5
STRAY = 6.0
NEAR_M3 = 0.006  # 1.5 gal: so well what has gone should be known
KEPT = 90  # readings kept to look back to the begin of a fast move: an hour and a half by the minute


@dataclass(slots=True)
class Flow:
    """The moves of one tank.

    Attributes:
        tank: name of the tank.
        segmenter: finds the moves.
        recent: newest readings, time and on hand.
    """

    tank: str
    segmenter: Segmenter = field(default_factory=Segmenter)
    recent: deque[tuple[int, float]] = field(default_factory=lambda: deque(maxlen=KEPT))

    def feed(self, ts_ms: int, on_hand_m3: float, u_noise_m3: float) -> list[FlowFact]:
        """Take a trusted reading; moves that have ended for certain, then the one that goes on, if any."""
        ended = self.segmenter.feed(Point(ts_ms, on_hand_m3, u_noise_m3))
        self.recent.append((ts_ms, on_hand_m3))
        # Over a gap nobody knows how fast it went, but that it went.
        facts = [
            FlowFact(self.tank, ts_ms, on_hand_m3, each.m3, each.u_m3, 0.0, each.duration_s, ended=True)
            for each in ended
        ]
        move = self.segmenter.ongoing()
        return facts if move is None else [*facts, self._ongoing(move, ts_ms, on_hand_m3, u_noise_m3)]

    def _ongoing(self, move: Ongoing, ts_ms: int, on_hand_m3: float, u_noise_m3: float) -> FlowFact:
        whole_s = max((move.last_ms - move.start_ms) / 1000, 1.0)
        if abs(move.rate_m3_s) * 2 < abs(move.m3) / whole_s:  # it has slowed, so it may have ended before
            for_s = max((move.until_ms - move.start_ms) / 1000, 1.0)
            return FlowFact(self.tank, ts_ms, on_hand_m3, move.m3, move.u_m3, move.rate_m3_s, for_s)
        return self._running(move, ts_ms, on_hand_m3, whole_s, u_noise_m3)

    def _running(self, move: Ongoing, ts_ms: int, on_hand_m3: float, whole_s: float, u_noise_m3: float) -> FlowFact:
        """A move in full run: a mean lags behind it, a single reading is noisy; a straight line through the newest is neither."""
        inside = [reading for reading in self.recent if move.start_ms < reading[0] <= move.last_ms]
        inside = _unstrayed(inside, move.noise_m3)[-_enough(move.noise_m3) :]
        if len(inside) >= 3 and move.last_ms != ts_ms and _follows(inside, (ts_ms, on_hand_m3), move.noise_m3):
            inside = [*inside[1:], (ts_ms, on_hand_m3)]  # the segmenter waits for another; on its line it needs none
        if len(inside) < 3 or inside[-1][0] != ts_ms:
            before = next((value for at_ms, value in self.recent if at_ms == move.start_ms), None)
            if before is None or move.last_ms != ts_ms:
                return FlowFact(self.tank, ts_ms, on_hand_m3, move.m3, move.u_m3, move.rate_m3_s, whole_s)
            moved_m3, u_m3 = on_hand_m3 - before, math.sqrt(2) * max(u_noise_m3, move.u_m3)
            return FlowFact(self.tank, ts_ms, on_hand_m3, moved_m3, u_m3, moved_m3 / whole_s, whole_s)
        level_m3, rate_m3_s, share = _line(inside)
        moved_m3 = level_m3 - move.before_m3
        u_m3 = math.hypot(move.u_before_m3, share * move.noise_m3)
        # Where exactly between two readings it began is not known; the slope does not ask.
        for_s = min(whole_s, moved_m3 / rate_m3_s) if rate_m3_s * moved_m3 > 0 else whole_s
        return FlowFact(self.tank, ts_ms, on_hand_m3, moved_m3, u_m3, rate_m3_s, for_s)

    def steady_m3(self, ts_ms: int, on_hand_m3: float) -> float:
        """Median of a trusted reading that has not been fed yet and of those of the minutes before it."""
        near = [
            value
            for at_ms, value in islice(reversed(self.recent), STEADY_MOST - 1)
            if ts_ms - STEADY_MS < at_ms < ts_ms
        ]
        return median([*near, on_hand_m3])

    def as_text(self) -> str:
        """The state as JSON, with the readings that a median of the next one looks back to."""
        return json.dumps([self.segmenter.to_bytes().decode(), list(self.recent)[-STEADY_MOST:]], separators=(",", ":"))

    @classmethod
    def of(cls, tank: str, text: str) -> Flow:
        """The state from JSON; of another version it begins anew, which costs a few readings."""
        try:
            segmenter, recent = json.loads(text)
            made = cls(tank, Segmenter.from_bytes(segmenter.encode()))
            made.recent.extend((int(at_ms), float(value)) for at_ms, value in recent)
        except (AttributeError, ValueError, TypeError, KeyError):
            return cls(tank)
        return made


def _enough(noise_m3: float) -> int:
    """Readings whose line tells the level at its end to `NEAR_M3`: its standard uncertainty is about 2/sqrt(n) of the noise."""
    return min(max(SLOPE, math.ceil((2 * noise_m3 / NEAR_M3) ** 2)), SLOPE_MOST)


def _unstrayed(points: list[tuple[int, float]], noise_m3: float) -> list[tuple[int, float]]:
    """Without stray echoes that a look back alone had let pass: readings far outside the two beside them."""
    if len(points) < 3:
        return points
    reach = STRAY * noise_m3
    kept = [
        here
        for before, here, after in zip(points, points[1:], points[2:], strict=False)
        if min(before[1], after[1]) - reach <= here[1] <= max(before[1], after[1]) + reach
    ]
    first_fits = (
        abs(points[0][1] - 2 * points[1][1] + points[2][1]) <= 2.5 * reach
    )  # sqrt(6) noises of a second difference
    return [*points[: int(first_fits)], *kept, points[-1]]


def _follows(points: list[tuple[int, float]], reading: tuple[int, float], noise_m3: float) -> bool:
    """Whether a reading lies where the line through those before it leads, within four standard uncertainties."""
    level_m3, slope, share = _line(points)
    step_s = (reading[0] - points[-1][0]) / 1000
    led_m3 = level_m3 + slope * step_s
    spread = sum(((at_ms - points[-1][0]) / 1000) ** 2 for at_ms, _ in points) or 1.0
    return abs(reading[1] - led_m3) <= 4 * noise_m3 * math.sqrt(1 + share**2 + step_s**2 / spread)


def _line(points: list[tuple[int, float]]) -> tuple[float, float, float]:
    """Least squares line: its value at the last point, its slope a second, and the noise of that value as a share of one reading's."""
    n, last_ms = len(points), points[-1][0]
    times = [(at_ms - last_ms) / 1000 for at_ms, _ in points]
    mean_s, mean_m3 = sum(times) / n, sum(value for _, value in points) / n
    spread = sum((t - mean_s) ** 2 for t in times)
    slope = sum((t - mean_s) * (value - mean_m3) for t, (_, value) in zip(times, points, strict=True)) / spread
    return mean_m3 - slope * mean_s, slope, math.sqrt(1 / n + mean_s**2 / spread)
