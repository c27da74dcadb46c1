"""Whether the wall clock of this machine is believed, asked again every so often."""

from __future__ import annotations

import platform
from pathlib import Path

from holdwater.clock import (
    AGREE_MS,
    BUILD_MS,
    Clock,
    StepWatch,
    SystemClock,
    Trust,
    Trusted,
    judge,
    read_evidence,
    system_synchronised,
)

ASK_S = 20.0
"""How long an answer holds: reading the evidence costs a few file accesses."""

_DEVICE_TREE = Path("/proc/device-tree/model")


def keeps_time_when_off() -> bool:
    """Whether this kind of machine always has a clock chip with a battery, even where a container hides it: a PC does, a board need not."""
    return platform.machine() in ("x86_64", "AMD64", "i686") and not _DEVICE_TREE.exists()


class GuidedClock:
    """The machine's clocks, with the wall clock put right by what a person told where the machine cannot know better.

    The service may not set the system's clock (and need not): it adds what is missing.
    """

    def __init__(self, under: Clock | None = None) -> None:
        self._under = under or SystemClock()
        self._offset_ms = 0

    def wall_ms(self) -> int:
        """Wall clock, ms UTC, put right."""
        return self._under.wall_ms() + self._offset_ms

    def mono_s(self) -> float:
        """Monotonic seconds of the machine."""
        return self._under.mono_s()

    def boot_id(self) -> str:
        """The machine's boot."""
        return self._under.boot_id()

    def guide(self, wall_ms: int) -> None:
        """From now on show this time, running on."""
        self._offset_ms = wall_ms - self._under.wall_ms()

    def release(self) -> None:
        """Go by the machine's own clock again."""
        self._offset_ms = 0


class ClockTrust:
    """Judges the machine's clock and remembers what people and messages told.

    Args:
        clock: the machine's clocks; a `GuidedClock` is put right by what people tell.
        newest_ms: time of the newest accepted reading at the start, None for none.
        believed: True when the config says that this machine's clock is always right.
    """

    def __init__(self, clock: Clock, newest_ms: int | None, *, believed: bool = False) -> None:
        self._clock = clock
        self._newest_ms = newest_ms
        self._believed = believed
        self._steps = StepWatch()
        self._forward_ms = 0
        self._told: dict[str, tuple[int, float]] = {}
        self._asked_s = -1e9
        self._answer: Trust = Trusted(("config",))

    def __call__(self) -> bool:
        """True while the wall clock is believed."""
        return isinstance(self.answer(), Trusted)

    def answer(self) -> Trust:
        """The judgement, with its sources or its reason."""
        step_ms = self._steps.look(self._clock)
        if step_ms:
            self._forward_ms = self._forward_after(step_ms)
            self._asked_s = -1e9
        now_s = self._clock.mono_s()
        if now_s - self._asked_s >= ASK_S:
            self._asked_s = now_s
            self._answer = self._judge(now_s)
        return self._answer

    def _forward_after(self, step_ms: int) -> int:
        """How far the clock is ahead of what was confirmed. A step out of a time that cannot be counts from the newest reading."""
        wall_ms = self._clock.wall_ms()
        if wall_ms - step_ms < BUILD_MS:
            return 0 if self._newest_ms is None else max(0, wall_ms - self._newest_ms)
        return max(0, self._forward_ms + step_ms)

    def tell(self, source: str, wall_ms: int) -> Trust:
        """Somebody told the time: ``message``, ``phone`` or ``owner``. A clock that is not trusted goes by it.

        One that is trusted already does not: whoever may publish a time message must not be able to shift it.
        """
        apart = abs(wall_ms - self._clock.wall_ms()) > AGREE_MS
        if apart and isinstance(self.answer(), Trusted):
            return self.answer()
        self._told[source] = (wall_ms, self._clock.mono_s())
        if apart and isinstance(self._clock, GuidedClock) and not system_synchronised():
            self._clock.guide(wall_ms)
        if source == "owner":
            self._forward_ms = 0
        self._asked_s = -1e9
        return self.answer()

    def _judge(self, now_s: float) -> Trust:
        if self._believed:
            return Trusted(("config",))
        if isinstance(self._clock, GuidedClock) and system_synchronised():
            self._clock.release()
        evidence = read_evidence(
            self._clock,
            self._newest_ms,
            message_ms=self._told_ms("message", now_s),
            phone_ms=self._told_ms("phone", now_s),
            owner_said_so="owner" in self._told,
            forward_ms=self._forward_ms,
        )
        if evidence.chip_ms is None and keeps_time_when_off():
            evidence = read_evidence(
                self._clock,
                self._newest_ms,
                chip_ms=evidence.wall_ms,
                owner_said_so="owner" in self._told,
                forward_ms=self._forward_ms,
            )
        return judge(evidence)

    def _told_ms(self, source: str, now_s: float) -> int | None:
        told = self._told.get(source)
        return None if told is None else told[0] + round((now_s - told[1]) * 1000)
