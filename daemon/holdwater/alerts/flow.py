"""What a tank's water is doing at each reading, by the balance's own segmenter."""

from __future__ import annotations

from dataclasses import dataclass, field

from holdwater.alerts.facts import FlowFact
from holdwater.balance.points import Point
from holdwater.balance.uses import Segmenter


@dataclass(slots=True)
class Flow:
    """The moves of one tank.

    Attributes:
        tank: name of the tank.
        segmenter: finds the moves.
    """

    tank: str
    segmenter: Segmenter = field(default_factory=Segmenter)

    def feed(self, ts_ms: int, on_hand_m3: float, u_noise_m3: float) -> FlowFact | None:
        """Take a trusted reading; the move that goes on, or None while the tank stands still."""
        self.segmenter.feed(Point(ts_ms, on_hand_m3, u_noise_m3))
        move = self.segmenter.ongoing()
        if move is None:
            return None
        for_s = max((move.until_ms - move.start_ms) / 1000, 1.0)
        return FlowFact(self.tank, ts_ms, on_hand_m3, move.m3, move.u_m3, move.rate_m3_s, for_s)

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
