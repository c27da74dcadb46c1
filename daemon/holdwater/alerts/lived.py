"""The time that the service has lived: monotonic time, kept over restarts. The wall clock only labels."""

from __future__ import annotations

from dataclasses import dataclass

from holdwater.alerts.facts import Moment


@dataclass(slots=True)
class Lived:
    """Both clocks as the rules last heard of them.

    Attributes:
        now: newest moment; None before the first tick.
        ms: time lived since the very first start, ms.
    """

    now: Moment | None = None
    ms: float = 0.0

    def up_to(self, mono_s: float) -> float:
        """Let monotonic time pass; by how much it did, s."""
        if self.now is None or mono_s <= self.now.mono_s:
            return 0.0
        step_s = mono_s - self.now.mono_s
        self.ms += step_s * 1000
        self.now = Moment(self.now.wall_ms + round(step_s * 1000), mono_s, self.now.clock_trusted)
        return step_s

    def wall_ms(self, ts_ms: int) -> int:
        """What the wall clock says; before the first tick the time of the reading stands for it."""
        return ts_ms if self.now is None else self.now.wall_ms
