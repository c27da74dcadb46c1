"""Whether a board's clock is believed, and how a person puts it right."""

import pytest

from holdwater import trust as trusting
from holdwater.clock import SetClock, Trusted, Untrusted
from holdwater.trust import ClockTrust, GuidedClock

NOW_MS = 1_795_000_000_000


@pytest.fixture
def board(monkeypatch: pytest.MonkeyPatch) -> None:
    """A board: no time server, no clock chip. (What the machine says is the world outside, not our code.)"""
    monkeypatch.setattr(trusting, "keeps_time_when_off", lambda: False)
    monkeypatch.setattr(trusting, "system_synchronised", lambda: False)
    monkeypatch.setattr("holdwater.clock.system_synchronised", lambda: False)
    monkeypatch.setattr("holdwater.clock.chip_ms", lambda: None)


def test_a_board_that_woke_in_1970_is_not_believed_until_a_phone_tells_the_time(board: None) -> None:
    """Then the service goes by the phone's time, running on."""
    under = SetClock(60_000)
    clock = GuidedClock(under)
    trust = ClockTrust(clock, None)
    assert not trust()
    answer = trust.answer()
    assert isinstance(answer, Untrusted)
    assert "never set" in answer.reason
    assert isinstance(trust.tell("phone", NOW_MS), Trusted)
    under.advance(30.0)
    assert clock.wall_ms() == NOW_MS + 30_000
    assert trust()


def test_the_owners_word_for_the_time_shown_is_enough(board: None) -> None:
    """`holdwater clock --right`."""
    clock = GuidedClock(SetClock(NOW_MS))
    trust = ClockTrust(clock, None)
    assert not trust()
    trust.tell("owner", clock.wall_ms())
    assert trust()


def test_a_time_server_ends_the_guidance(board: None, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a person told yields to a source that runs on."""
    under = SetClock(60_000)
    clock = GuidedClock(under)
    trust = ClockTrust(clock, None)
    trust.tell("phone", NOW_MS)
    under.step_wall(NOW_MS + 5_000 - 60_000)
    monkeypatch.setattr(trusting, "system_synchronised", lambda: True)
    monkeypatch.setattr("holdwater.clock.system_synchronised", lambda: True)
    under.advance(60.0)
    assert trust()
    assert clock.wall_ms() == under.wall_ms()


def test_a_clock_far_behind_the_newest_reading_is_not_believed(board: None) -> None:
    """A board without a battery wakes where it went to sleep, or earlier."""
    trust = ClockTrust(GuidedClock(SetClock(NOW_MS)), NOW_MS + 30 * 86_400_000)
    answer = trust.answer()
    assert isinstance(answer, Untrusted)
    assert "behind the newest reading" in answer.reason


def test_a_config_may_say_that_the_clock_is_right(board: None) -> None:
    """`run --trust-clock`, for a machine that hides its clock chip."""
    assert ClockTrust(GuidedClock(SetClock(NOW_MS)), None, believed=True)()


def test_a_pc_is_believed_and_a_forward_jump_of_a_month_is_not() -> None:
    """One source is not enough for a jump that would let retention eat the record."""
    if not trusting.keeps_time_when_off():
        pytest.skip("this machine is a board")
    under = SetClock(NOW_MS)
    trust = ClockTrust(GuidedClock(under), None)
    if not trust():
        pytest.skip("this machine's clock is not believed at all")
    under.step_wall(30 * 86_400_000)
    under.advance(60.0)
    if isinstance(trust.answer(), Trusted):
        pytest.skip("a time server stands beside the clock chip here")
    assert "30 days" in trust.answer().reason  # type: ignore[union-attr]
    trust.tell("owner", under.wall_ms())
    assert trust()


def test_a_told_time_moves_no_clock_that_is_trusted_already(board: None) -> None:
    """Whoever may publish a time message must not be able to shift a clock that is right."""
    clock = GuidedClock(SetClock(NOW_MS))
    trust = ClockTrust(clock, None)
    trust.tell("owner", clock.wall_ms())
    assert trust()
    for source in ("message", "phone"):
        trust.tell(source, NOW_MS + 5 * 86_400_000)
    assert clock.wall_ms() == NOW_MS
    assert trust()
