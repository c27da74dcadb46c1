"""What a tank's water is doing at each reading, by the balance's own segmenter."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

from holdwater.alerts.facts import FlowFact
from holdwater.balance.points import Point
from holdwater.balance.uses import Ongoing, Segmenter

SLOPE = 6  # newest readings that give the rate of a move in full run, and at most so many where noise asks for more
SLOPE_MOST = 20
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
        inside = [reading for reading in self.recent if reading[0] > move.start_ms][-_enough(move.noise_m3) :]
        if len(inside) < 3 or move.last_ms != ts_ms:
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

    def as_text(self) -> str:
        """The state as JSON."""
        return self.segmenter.to_bytes().decode()

    @classmethod
    def of(cls, tank: str, text: str) -> Flow:
        """The state from JSON; of another version it begins anew, which costs a few readings."""
        try:
            return cls(tank, Segmenter.from_bytes(text.encode()))
        except (ValueError, TypeError, KeyError):
            return cls(tank)


def _enough(noise_m3: float) -> int:
    """Readings whose line tells the level at its end to `NEAR_M3`: its standard uncertainty is about 2/sqrt(n) of the noise."""
    return min(max(SLOPE, math.ceil((2 * noise_m3 / NEAR_M3) ** 2)), SLOPE_MOST)


def _line(points: list[tuple[int, float]]) -> tuple[float, float, float]:
    """Least squares line: its value at the last point, its slope a second, and the noise of that value as a share of one reading's."""
    n, last_ms = len(points), points[-1][0]
    times = [(at_ms - last_ms) / 1000 for at_ms, _ in points]
    mean_s, mean_m3 = sum(times) / n, sum(value for _, value in points) / n
    spread = sum((t - mean_s) ** 2 for t in times)
    slope = sum((t - mean_s) * (value - mean_m3) for t, (_, value) in zip(times, points, strict=True)) / spread
    return mean_m3 - slope * mean_s, slope, math.sqrt(1 / n + mean_s**2 / spread)
