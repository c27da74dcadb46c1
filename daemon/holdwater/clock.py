"""The clocks of the machine, and how far its wall clock may be believed.

A thin seam: the loop is given a `Clock`, so that replay and tests run on a `SetClock`. Monotonic time includes suspend
where the system has CLOCK_BOOTTIME. The wall clock only labels; `judge` decides
from evidence whether the label is trusted.
"""

from __future__ import annotations

import ctypes
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

DAY_MS = 86_400_000
BUILD_MS = 1_767_225_600_000  # 2026-01-01T00:00:00Z: no holdwater existed before, so no reading can be older
STEP_S = 5.0
STA_UNSYNC = 0x0040  # <sys/timex.h>, adjtimex(2)
TIME_ERROR = 5
_TIMEX_BYTES = 512  # struct timex has 208 bytes on 64-bit Linux; the rest is room to spare
_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
_SYNCHRONIZED = Path("/run/systemd/timesync/synchronized")
_RTC = Path("/sys/class/rtc")


class Clock(Protocol):
    """What the loop needs of time."""

    def wall_ms(self) -> int:
        """Wall clock, milliseconds since 1970-01-01 UTC."""
        ...

    def mono_s(self) -> float:
        """Seconds on a clock that never steps and counts suspend; its zero means nothing."""
        ...

    def boot_id(self) -> str:
        """A name that stays the same until the machine starts anew."""
        ...


class SystemClock:
    """The machine's own clocks."""

    def __init__(self) -> None:
        self._boot_id = _boot_id()

    def wall_ms(self) -> int:
        """Wall clock, milliseconds since 1970-01-01 UTC."""
        return time.time_ns() // 1_000_000

    def mono_s(self) -> float:
        """Seconds since boot, suspend counted where the system can (CLOCK_BOOTTIME)."""
        return time.clock_gettime(_MONO)

    def boot_id(self) -> str:
        """The kernel's boot id, or a name made from the time of boot where there is none."""
        return self._boot_id


_MONO: int = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)


def _boot_id() -> str:
    try:
        return _BOOT_ID.read_text(encoding="ascii").strip()
    except OSError:
        # Not Linux: the second of boot names the boot well enough for a desk; boards have the file.
        return f"boot-{int(time.time() - time.clock_gettime(_MONO))}"


class SetClock:
    """A clock that is set by hand, for replay and tests.

    Args:
        wall_ms: wall clock to begin with, milliseconds UTC.
        mono_s: monotonic seconds to begin with.
        boot: boot id.
    """

    def __init__(self, wall_ms: int, mono_s: float = 0.0, boot: str = "replay") -> None:
        self._wall_ms = wall_ms
        self._mono_s = mono_s
        self._boot = boot

    def wall_ms(self) -> int:
        """Wall clock as set."""
        return self._wall_ms

    def mono_s(self) -> float:
        """Monotonic seconds as set."""
        return self._mono_s

    def boot_id(self) -> str:
        """Boot id as set."""
        return self._boot

    def advance(self, seconds: float) -> None:
        """Let time pass on both clocks.

        Raises:
            ValueError: a monotonic clock never goes back.
        """
        if seconds < 0:
            raise ValueError(f"a monotonic clock cannot go back by {-seconds} s; use step_wall for the wall clock")
        self._mono_s += seconds
        self._wall_ms += round(seconds * 1000)

    def advance_to(self, wall_ms: int) -> None:
        """Let time pass until the wall clock shows `wall_ms`, for replay; an earlier time changes nothing."""
        if wall_ms > self._wall_ms:
            self._mono_s += (wall_ms - self._wall_ms) / 1000
            self._wall_ms = wall_ms

    def step_wall(self, by_ms: int) -> None:
        """Step the wall clock only, as a time server or a person does."""
        self._wall_ms += by_ms

    def reboot(self, boot: str, off_s: float = 0.0) -> None:
        """Start anew: monotonic time from zero under another boot id, `off_s` seconds later on the wall."""
        self._boot = boot
        self._mono_s = 0.0
        self._wall_ms += round(off_s * 1000)


class StepWatch:
    """Finds steps of the wall clock: the offset wall - monotonic moved by more than 5 s between two looks.

    Slow slewing (a time server's 500 ppm is 0.03 s a minute) moves the offset a little at each look and is no step.
    Local time and daylight saving do not enter: both clocks are UTC.
    """

    def __init__(self) -> None:
        self._offset_s: float | None = None
        self._boot = ""

    def look(self, clock: Clock) -> int:
        """Compare with the look before.

        Returns:
            The step in ms, negative when the wall clock went back; 0 for none, at the first look, and after a new boot.
        """
        offset_s = clock.wall_ms() / 1000 - clock.mono_s()
        before_s, self._offset_s = self._offset_s, offset_s
        same_boot = clock.boot_id() == self._boot
        self._boot = clock.boot_id()
        if before_s is None or not same_boot or abs(offset_s - before_s) <= STEP_S:
            return 0
        return round((offset_s - before_s) * 1000)


@dataclass(frozen=True, slots=True)
class Evidence:
    """What is known about the wall clock.

    Attributes:
        wall_ms: what the wall clock shows, ms UTC.
        newest_ms: time of the newest accepted reading; None when the store holds none.
        system_sync: the system says that it is synchronised with a time server.
        chip_ms: time of the clock chip; None when there is no chip or it cannot be read.
        message_ms: what the wall clock should show by a time message on the broker; None when none came.
        phone_ms: the same by the owner's phone; None when it was not asked.
        owner_said_so: the owner confirmed the time shown.
        forward_ms: size of a forward step that nothing has confirmed yet; 0 for none.
        build_ms: time before which no reading can be.
    """

    wall_ms: int
    newest_ms: int | None = None
    system_sync: bool = False
    chip_ms: int | None = None
    message_ms: int | None = None
    phone_ms: int | None = None
    owner_said_so: bool = False
    forward_ms: int = 0
    build_ms: int = BUILD_MS


@dataclass(frozen=True, slots=True)
class Trusted:
    """The wall clock is trusted; `sources` names what vouches for it, best first."""

    sources: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Untrusted:
    """The wall clock is not trusted; `reason` is in words for the household."""

    reason: str


Trust = Trusted | Untrusted
AGREE_MS = 120_000  # chips lose some seconds a week and a phone's time is typed by a person at worst; own choice


def judge(evidence: Evidence) -> Trust:
    """Decide whether the wall clock is trusted.

    A source vouches when its time agrees with the wall clock within 2 min. One is enough, but a forward step of more
    than a day needs two or the owner's word, because a wrong year would let retention eat the record.
    """
    too_early = _too_early(evidence)
    if too_early:
        return Untrusted(too_early)
    sources = _sources(evidence)
    if not sources:
        return Untrusted(_why_none(evidence))
    owner = evidence.owner_said_so or "phone" in sources
    if evidence.forward_ms > DAY_MS and not owner and len(sources) < 2:
        days = evidence.forward_ms / DAY_MS
        return Untrusted(
            f"the clock went forward by {days:.0f} days and only the {sources[0]} says so; "
            "a second source or your word is needed"
        )
    return Trusted(sources)


def _too_early(evidence: Evidence) -> str:
    if evidence.wall_ms < max(BUILD_MS, evidence.build_ms):
        return "the clock shows a time before this program was made; it was never set"
    if evidence.newest_ms is not None and evidence.wall_ms < evidence.newest_ms - DAY_MS:
        return "the clock is more than a day behind the newest reading"
    return ""


def _sources(evidence: Evidence) -> tuple[str, ...]:
    vouching = ["time server"] if evidence.system_sync else []
    dated = (("clock chip", evidence.chip_ms), ("time message", evidence.message_ms), ("phone", evidence.phone_ms))
    vouching += [name for name, at_ms in dated if at_ms is not None and _agrees(at_ms, evidence)]
    if evidence.owner_said_so:
        vouching.append("owner")
    return tuple(vouching)


def _agrees(at_ms: int, evidence: Evidence) -> bool:
    return at_ms >= evidence.build_ms and abs(at_ms - evidence.wall_ms) <= AGREE_MS


def _why_none(evidence: Evidence) -> str:
    stated = [at_ms for at_ms in (evidence.chip_ms, evidence.message_ms, evidence.phone_ms) if at_ms is not None]
    if not stated:
        return "no time server, clock chip, time message or phone has confirmed the time"
    if all(at_ms < evidence.build_ms for at_ms in stated):
        return "the clock chip was never set; its battery may be flat"
    return "the time on hand contradicts the clock by more than 2 min"


def read_evidence(clock: Clock, newest_ms: int | None, **told: int | bool | None) -> Evidence:
    """The system's evidence of this moment, with what the household and the broker told.

    Args:
        clock: the machine's clock.
        newest_ms: time of the newest accepted reading, None for none.
        told: further fields of `Evidence`: message_ms, phone_ms, owner_said_so, forward_ms.
    """
    fields: dict[str, int | bool | None] = {"system_sync": system_synchronised(), "chip_ms": chip_ms(), **told}
    return Evidence(wall_ms=clock.wall_ms(), newest_ms=newest_ms, **fields)  # type: ignore[arg-type]


def system_synchronised(flag: Path = _SYNCHRONIZED) -> bool:
    """Whether the system says it is synchronised: the flag file of its time service, else the kernel (adjtimex(2))."""
    return flag.exists() or kernel_synchronised()


def kernel_synchronised() -> bool:
    """The kernel's word: adjtimex(2) without modes reads only; no STA_UNSYNC in the status and no TIME_ERROR."""
    try:
        adjtimex = ctypes.CDLL(None, use_errno=True).adjtimex
    except (OSError, AttributeError):
        return False
    buffer = ctypes.create_string_buffer(_TIMEX_BYTES)
    return _is_synchronised(adjtimex(buffer), buffer.raw)


def _is_synchronised(state: int, timex: bytes) -> bool:
    """Judge the answer of adjtimex(2): -1 is a failure, 5 is TIME_ERROR, 0 to 4 are well unless STA_UNSYNC is set."""
    return 0 <= state < TIME_ERROR and not _status_of(timex) & STA_UNSYNC


def _status_of(timex: bytes) -> int:
    """Status of struct timex, behind modes (an int padded to a long), offset, freq, maxerror, esterror (longs)."""
    at = 5 * ctypes.sizeof(ctypes.c_long)
    return ctypes.c_int.from_buffer_copy(timex, at).value


def chip_ms(folder: Path = _RTC) -> int | None:
    """Time of the clock chip, ms UTC, by the kernel's rtc*/since_epoch; None without one that can be read."""
    for chip in sorted(folder.glob("rtc*/since_epoch")):
        try:
            return int(chip.read_text(encoding="ascii")) * 1000
        except (OSError, ValueError):
            continue  # a chip without a battery answers with an input error
    return None
