"""Whether the battery of a sensor box or of the board is low, by its voltage. Pure.

The kind is told by the voltage: one lithium cell or a few dry cells below 5.5 V, a 12 V battery from 9 V to 16 V. A lead battery at
rest stands at 12.1 V with 40 % left and at 11.9 V with 20 % (an inverter maker's manual); the other lines are common practice, no source.
"""

from __future__ import annotations

from holdwater.alerts.states import Verdict

QUANTITY = "battery"
"""Name of the quantity, in V, that a sensor box sends for its battery."""

LINES: tuple[tuple[float, float, float, float], ...] = (
    # from, below; low at or under, well at or over (V)
    (2.0, 5.5, 3.3, 3.5),
    (9.0, 16.0, 11.9, 12.3),
    (18.0, 32.0, 23.8, 24.6),
)


class Sparing:
    """Whether the board's battery is to be spared, by its voltage over time; the first reading decides at once.

    Args:
        below_v: at or below it, for `after_ms`, it is.
        back_v: at or above it, for `after_ms`, it no longer is.
        after_ms: by the readings' own time, so that a dip while a radio sends counts for nothing, ms.
    """

    def __init__(self, below_v: float, back_v: float, after_ms: int) -> None:
        self._below_v, self._back_v, self._after_ms = below_v, back_v, after_ms
        self._since_ms: int | None = None
        self._newest_ms: int | None = None
        self.on = False

    def take(self, at_ms: int, volts: float) -> bool:
        """Take one reading; True when `on` changed. A late one, or one that no battery gives, is passed over."""
        if not volts > 0.0 or (self._newest_ms is not None and at_ms < self._newest_ms):
            return False
        first, self._newest_ms = self._newest_ms is None, at_ms
        crossed = volts >= self._back_v if self.on else volts <= self._below_v
        if not crossed:
            self._since_ms = None
            return False
        if self._since_ms is None:
            self._since_ms = at_ms
        if not first and at_ms - self._since_ms < self._after_ms:
            return False
        self.on, self._since_ms = not self.on, None
        return True


def verdict(volts: float) -> Verdict:
    """Whether a battery at that voltage is low, well, between, or of a kind that is not known."""
    for least, below, low, well in LINES:
        if least <= volts < below:
            return Verdict.BEYOND if volts <= low else Verdict.BACK if volts >= well else Verdict.BETWEEN
    return Verdict.UNKNOWN
