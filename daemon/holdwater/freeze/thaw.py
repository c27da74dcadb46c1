"""The watch at the thaw: a pipe that split in the frost leaks when its ice melts.

After a night below an exposure's limit the first 24 h from the first hour above 34 degF are watched with a tighter
loss limit (own rule; that splits show at the thaw is trade knowledge).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from holdwater.freeze.sun import HOUR_MS

THAW_C = 10 / 9  # 34 degF
WATCH_MS = 24 * HOUR_MS
MELT_MS = 10 * 24 * HOUR_MS  # for so long after snow a catch without rain may be melt


@dataclass(frozen=True, slots=True)
class Watch:
    """The state of the watch.

    Attributes:
        armed_ms: hour at which the air was last below the lowest limit; None when it is not armed.
        until_ms: end of the watch once it runs; None while the frost lasts or nothing is armed.
    """

    armed_ms: int | None = None
    until_ms: int | None = None

    def is_on(self, at_ms: int) -> bool:
        """Whether the tighter loss limit holds at a time."""
        return self.until_ms is not None and at_ms < self.until_ms

    def hour(self, end_ms: int, air_c: float | None, limit_c: float) -> Watch:
        """The watch after one more hour.

        Args:
            end_ms: end of the hour.
            air_c: its air, degC; None when not known, which changes nothing.
            limit_c: highest limit of the exposures that held water.
        """
        if air_c is None:
            return self
        if air_c < limit_c and air_c <= THAW_C:
            return Watch(end_ms, None)
        if self.armed_ms is not None and self.until_ms is None and air_c > THAW_C:
            return Watch(self.armed_ms, end_ms + WATCH_MS)
        if self.until_ms is not None and end_ms >= self.until_ms:
            return Watch()
        return self


def is_melt(caught_ms: int, snow_ms: int | None, airs_c: Sequence[float | None]) -> bool:
    """Whether water that a roof gave is snow melt: it came above freezing, without rain, within ten days of snow.

    Args:
        caught_ms: when it came.
        snow_ms: when it last snowed (precipitation at or below 0 degC); None when it did not.
        airs_c: air of the hours of the catch; None where unknown.
    """
    if snow_ms is None or not 0 <= caught_ms - snow_ms <= MELT_MS:
        return False
    known = [air_c for air_c in airs_c if air_c is not None]
    return bool(known) and max(known) > 0
