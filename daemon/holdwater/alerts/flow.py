"""What a tank's water is doing at each reading, by the balance's own segmenter."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

from holdwater.alerts.facts import FlowFact
from holdwater.balance.points import Point
from holdwater.balance.uses import Ongoing, Segmenter

SLOPE = 6  # newest readings that give the rate of a move in full run
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
        """A move in full run: a mean lags behind it, so the newest reading is set against the one before it began."""
        before = next((value for at_ms, value in self.recent if at_ms == move.start_ms), None)
        if before is None or move.last_ms != ts_ms:
            return FlowFact(self.tank, ts_ms, on_hand_m3, move.m3, move.u_m3, move.rate_m3_s, whole_s)
        moved_m3 = on_hand_m3 - before
        u_m3 = math.sqrt(2) * max(u_noise_m3, move.u_m3)
        inside = [reading for reading in self.recent if reading[0] > move.start_ms][-SLOPE:]
        rate_m3_s = moved_m3 / whole_s
        if len(inside) >= 3:
            # Where exactly between two readings it began is not known; the slope inside it does not ask.
            (first_ms, first_m3), (last_ms, last_m3) = inside[0], inside[-1]
            rate_m3_s = (last_m3 - first_m3) / ((last_ms - first_ms) / 1000)
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
