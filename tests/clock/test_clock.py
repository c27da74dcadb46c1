"""The clock seam: steps found, slewing and daylight saving ignored, trust given only for a reason."""

from __future__ import annotations

import ctypes
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwater import clock as seam
from holdwater.clock import BUILD_MS, DAY_MS, Evidence, SetClock, StepWatch, SystemClock, Trusted, Untrusted, judge

NOW_MS = 1_793_000_000_000  # 26 October 2026
GOOD = Evidence(wall_ms=NOW_MS, newest_ms=NOW_MS - 60_000)


def test_the_build_date_is_the_first_of_january_2026() -> None:
    """Readings before 2026-01-01 UTC cannot be."""
    assert int(datetime(2026, 1, 1, tzinfo=UTC).timestamp() * 1000) == BUILD_MS


def test_the_system_clock_runs_and_names_its_boot() -> None:
    """Wall time is now, monotonic time grows, the boot id stays."""
    clock = SystemClock()
    first, wall = clock.mono_s(), clock.wall_ms()
    assert abs(wall - time.time() * 1000) < 2000
    assert clock.mono_s() >= first
    assert clock.boot_id() == SystemClock().boot_id() != ""


@pytest.mark.skipif(not hasattr(time, "CLOCK_BOOTTIME"), reason="no CLOCK_BOOTTIME on this system")
def test_monotonic_time_counts_suspend() -> None:
    """It is CLOCK_BOOTTIME, which goes on while the machine sleeps."""
    assert SystemClock().mono_s() == pytest.approx(time.clock_gettime(time.CLOCK_BOOTTIME), abs=1)


def test_a_machine_without_a_boot_id_still_names_its_boot(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The second of boot serves as the name."""
    monkeypatch.setattr(seam, "_BOOT_ID", tmp_path / "absent")
    assert SystemClock().boot_id().startswith("boot-")


def test_a_set_clock_moves_as_told() -> None:
    """Both clocks advance together; a step moves the wall only; a reboot begins monotonic time anew."""
    clock = SetClock(NOW_MS, 10.0, "a")
    clock.advance(2.5)
    assert (clock.wall_ms(), clock.mono_s()) == (NOW_MS + 2500, 12.5)
    clock.advance_to(NOW_MS + 3500)
    clock.advance_to(NOW_MS)
    assert (clock.wall_ms(), clock.mono_s()) == (NOW_MS + 3500, 13.5)
    clock.step_wall(-1000)
    assert (clock.wall_ms(), clock.mono_s()) == (NOW_MS + 2500, 13.5)
    clock.reboot("b", off_s=60)
    assert (clock.wall_ms(), clock.mono_s(), clock.boot_id()) == (NOW_MS + 62_500, 0.0, "b")
    clock.advance(0)
    with pytest.raises(ValueError, match="cannot go back"):
        clock.advance(-1)


@pytest.mark.parametrize("step_ms", [6000, -6000, 3_600_000, -86_400_000, 315_360_000_000])
def test_a_step_of_the_wall_clock_is_found_once(step_ms: int) -> None:
    """Forwards, backwards, an hour, ten years: its size to the millisecond, at the next look only."""
    clock, watch = SetClock(NOW_MS, 5.0), StepWatch()
    assert watch.look(clock) == 0
    clock.advance(30)
    clock.step_wall(step_ms)
    assert watch.look(clock) == step_ms
    clock.advance(30)
    assert watch.look(clock) == 0


def test_the_time_that_passes_is_no_step() -> None:
    """A week asleep moves both clocks."""
    clock, watch = SetClock(NOW_MS, 5.0), StepWatch()
    watch.look(clock)
    clock.advance(7 * 86_400)
    assert watch.look(clock) == 0


def test_slewing_is_no_step() -> None:
    """500 ppm for a day (43 s), looked at each minute, is never a step; 5 s at once is not yet one."""
    clock, watch = SetClock(NOW_MS), StepWatch()
    for _ in range(1440):
        clock.advance(60)
        clock.step_wall(30)
        assert watch.look(clock) == 0
    clock.step_wall(5000)
    assert watch.look(clock) == 0


def test_a_new_boot_is_no_step() -> None:
    """Monotonic time begins anew at a boot, so offsets of two boots cannot be compared."""
    clock, watch = SetClock(NOW_MS, 1_000_000.0, "a"), StepWatch()
    watch.look(clock)
    clock.reboot("b", off_s=30)
    assert watch.look(clock) == 0
    clock.step_wall(10_000)
    assert watch.look(clock) == 10_000


@pytest.mark.parametrize("zone", ["America/Denver", "Australia/Lord_Howe", "Europe/London"])
def test_daylight_saving_is_no_step(zone: str) -> None:
    """Through both changes of 2026, looked at each half hour, no step: clocks are UTC and zones only label."""
    start = datetime(2026, 1, 1, tzinfo=ZoneInfo(zone))
    clock, watch = SetClock(int(start.timestamp() * 1000)), StepWatch()
    offsets = set()
    for _ in range(2 * 24 * 365):
        clock.advance(1800)
        assert watch.look(clock) == 0
        offsets.add(datetime.fromtimestamp(clock.wall_ms() / 1000, ZoneInfo(zone)).utcoffset())
    assert len(offsets) == 2


@pytest.mark.parametrize(
    ("evidence", "source"),
    [
        (replace(GOOD, system_sync=True), "time server"),
        (replace(GOOD, chip_ms=NOW_MS + 3000), "clock chip"),
        (replace(GOOD, message_ms=NOW_MS - 3000), "time message"),
        (replace(GOOD, phone_ms=NOW_MS), "phone"),
        (replace(GOOD, owner_said_so=True), "owner"),
    ],
)
def test_one_source_is_enough_for_trust(evidence: Evidence, source: str) -> None:
    """Each of the five, and it is named."""
    assert judge(evidence) == Trusted((source,))


def test_sources_are_named_in_order() -> None:
    """Time server, chip, message, phone, owner."""
    every = replace(GOOD, system_sync=True, chip_ms=NOW_MS, message_ms=NOW_MS, phone_ms=NOW_MS, owner_said_so=True)
    assert judge(every) == Trusted(("time server", "clock chip", "time message", "phone", "owner"))


@pytest.mark.parametrize(
    ("evidence", "words"),
    [
        (GOOD, "no time server, clock chip, time message or phone"),
        (replace(GOOD, chip_ms=BUILD_MS - 1), "never set"),
        (replace(GOOD, chip_ms=BUILD_MS), "contradicts"),
        (replace(GOOD, chip_ms=NOW_MS + 120_001), "contradicts"),
        (replace(GOOD, message_ms=NOW_MS - 121_000), "contradicts"),
        (Evidence(wall_ms=BUILD_MS - 1, system_sync=True), "never set"),
        (Evidence(wall_ms=0, phone_ms=0, owner_said_so=True), "never set"),
        (Evidence(wall_ms=NOW_MS, newest_ms=NOW_MS + DAY_MS + 1, system_sync=True), "behind the newest reading"),
        (replace(GOOD, system_sync=True, forward_ms=DAY_MS + 1), "a second source or your word"),
        (replace(GOOD, chip_ms=NOW_MS, forward_ms=400 * DAY_MS), "400 days and only the clock chip"),
    ],
)
def test_without_a_reason_there_is_no_trust(evidence: Evidence, words: str) -> None:
    """Each refusal says why, in words."""
    trust = judge(evidence)
    assert isinstance(trust, Untrusted)
    assert words in trust.reason


@pytest.mark.parametrize(
    "evidence",
    [
        replace(GOOD, message_ms=NOW_MS + 120_000),
        replace(GOOD, system_sync=True, forward_ms=86_400_000),
        replace(GOOD, system_sync=True, chip_ms=NOW_MS, forward_ms=400 * DAY_MS),
        replace(GOOD, phone_ms=NOW_MS, forward_ms=400 * DAY_MS),
        replace(GOOD, owner_said_so=True, forward_ms=400 * DAY_MS),
        Evidence(wall_ms=NOW_MS, newest_ms=NOW_MS + DAY_MS, system_sync=True),
        Evidence(wall_ms=BUILD_MS, system_sync=True),
    ],
)
def test_the_limits_themselves_are_trusted(evidence: Evidence) -> None:
    """A day forward with one source, more with two or the owner's word, a day behind the record, the build date."""
    assert isinstance(judge(evidence), Trusted)


@given(
    st.builds(
        Evidence,
        wall_ms=st.integers(0, 3 * NOW_MS),
        newest_ms=st.none() | st.integers(BUILD_MS, 2 * NOW_MS),
        system_sync=st.booleans(),
        chip_ms=st.none() | st.integers(0, 2 * NOW_MS),
        message_ms=st.none() | st.integers(0, 2 * NOW_MS),
        phone_ms=st.none() | st.integers(0, 2 * NOW_MS),
        owner_said_so=st.booleans(),
        forward_ms=st.integers(-10 * DAY_MS, 10 * DAY_MS),
    )
)
def test_a_time_before_the_program_or_the_record_is_never_trusted(evidence: Evidence) -> None:
    """Whatever the sources say; and a refusal always has a reason, a trust always a source."""
    trust = judge(evidence)
    if evidence.wall_ms < BUILD_MS or (
        evidence.newest_ms is not None and evidence.wall_ms < evidence.newest_ms - DAY_MS
    ):
        assert isinstance(trust, Untrusted)
    assert trust.reason if isinstance(trust, Untrusted) else trust.sources
    assert judge(evidence) == trust


def test_the_chip_is_read_where_there_is_one(tmp_path: Path) -> None:
    """The first chip that answers counts; one that gives an error is passed over."""
    assert seam.chip_ms(tmp_path) is None
    (tmp_path / "rtc0").mkdir()
    (tmp_path / "rtc0" / "since_epoch").write_text("no time\n")
    assert seam.chip_ms(tmp_path) is None
    (tmp_path / "rtc1").mkdir()
    (tmp_path / "rtc1" / "since_epoch").write_text("1793000000\n")
    assert seam.chip_ms(tmp_path) == NOW_MS


def test_the_time_services_flag_says_synchronised(tmp_path: Path) -> None:
    """With the flag file yes; without it the kernel's own word."""
    flag = tmp_path / "synchronized"
    assert seam.system_synchronised(flag) == seam.kernel_synchronised()
    flag.touch()
    assert seam.system_synchronised(flag)


def test_a_system_without_adjtimex_is_not_synchronised(monkeypatch: pytest.MonkeyPatch) -> None:
    """No word is no trust, and no traceback."""

    def absent(*_: object, **__: object) -> None:
        raise OSError("no C library")

    monkeypatch.setattr(ctypes, "CDLL", absent)
    assert not seam.kernel_synchronised()


def test_the_kernels_answer_is_read_by_its_header() -> None:
    """struct timex of <sys/timex.h>: an int, four longs, then the status (asked of the C layout rules themselves)."""

    class Timex(ctypes.Structure):
        _fields_ = (
            ("modes", ctypes.c_uint),
            ("offset", ctypes.c_long),
            ("freq", ctypes.c_long),
            ("maxerror", ctypes.c_long),
            ("esterror", ctypes.c_long),
            ("status", ctypes.c_int),
        )

    for state, status, well in ((0, 0x2001, True), (4, 0, True), (0, 0x0040, False), (0, 0x2041, False)):
        assert seam._is_synchronised(state, bytes(Timex(status=status)).ljust(512, b"\0")) is well
    for failed in (-1, 5):
        assert not seam._is_synchronised(failed, bytes(Timex(status=0)).ljust(512, b"\0"))
    packed = bytes(Timex(modes=7, offset=-1, freq=-1, maxerror=-1, esterror=-1, status=0x2041))
    assert seam._status_of(packed.ljust(512, b"\xff")) == 0x2041
    assert seam.STA_UNSYNC & 0x2041


def test_evidence_is_gathered_from_the_system_and_from_what_was_told() -> None:
    """The reader fills the system's part and hands the told part through."""
    evidence = seam.read_evidence(SetClock(NOW_MS), NOW_MS - 5, phone_ms=NOW_MS, forward_ms=3)
    assert (evidence.wall_ms, evidence.newest_ms, evidence.phone_ms, evidence.forward_ms) == (
        NOW_MS,
        NOW_MS - 5,
        NOW_MS,
        3,
    )
    assert evidence.system_sync == seam.system_synchronised()
    assert evidence.chip_ms is None or evidence.chip_ms > 0
