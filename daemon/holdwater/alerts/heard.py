"""When each series was last heard, and how often it speaks. Pure: monotonic seconds come in as values."""

from __future__ import annotations

from dataclasses import dataclass, replace

from holdwater.balance.middle import median

LIMIT_FLOOR_S = 1800.0  # a box that sends each minute may miss half an hour before anybody is called
LIMIT_UNKNOWN_S = 3600.0  # before its interval is known
LIMIT_MOST_S = 2 * 86400.0
INTERVALS = 3  # so many of its intervals without a word are silence
LEARN_FROM = 9  # the median of so many gaps is its interval


@dataclass(frozen=True, slots=True)
class Heard:
    """One series.

    Attributes:
        mono_s: monotonic time at which it was last heard, or at which waiting for it began, s.
        last_ms: time of its newest reading, ms UTC; None before the first.
        gaps_s: its last gaps between readings, reading time, s.
        announced_s: interval that the sensor box itself announced, s.
    """

    mono_s: float
    last_ms: int | None = None
    gaps_s: tuple[float, ...] = ()
    announced_s: float | None = None

    @property
    def interval_s(self) -> float | None:
        """Announced interval, else the learned one, s."""
        if self.announced_s is not None:
            return self.announced_s
        return median(self.gaps_s) if len(self.gaps_s) >= 3 else None

    @property
    def pace_s(self) -> float | None:
        """How quickly it speaks when it speaks, s: the lower quartile of its gaps, which outages only make longer.

        What is longer than a few of these is a gap. The median would learn a run of outages as the usual interval, and a
        notice would clear over hours that nobody has seen.
        """
        if self.announced_s is not None:
            return self.announced_s
        return sorted(self.gaps_s)[len(self.gaps_s) // 4] if len(self.gaps_s) >= 3 else None

    @property
    def limit_s(self) -> float:
        """Silence starts after so many seconds without a word."""
        interval_s = self.interval_s
        if interval_s is None:
            return LIMIT_UNKNOWN_S
        return min(max(INTERVALS * interval_s, LIMIT_FLOOR_S), LIMIT_MOST_S)

    def again(self, ts_ms: int, mono_s: float, announced_s: float | None) -> Heard:
        """After one more reading; an old one still shows that the box lives, but teaches no interval."""
        last_ms, gaps_s = self.last_ms, self.gaps_s
        if last_ms is not None and ts_ms > last_ms:
            gaps_s = (*gaps_s, (ts_ms - last_ms) / 1000)[-LEARN_FROM:]
        newest_ms = ts_ms if last_ms is None else max(ts_ms, last_ms)
        said = self.announced_s if announced_s is None else announced_s
        return Heard(mono_s, newest_ms, gaps_s, said)

    def from_now(self, mono_s: float) -> Heard:
        """The same series after a restart: nothing is silent before its limit has passed since the start."""
        return replace(self, mono_s=mono_s)
