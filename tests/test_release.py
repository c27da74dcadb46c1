"""When a commit is due."""

import pytest

from holdwater.intake.turning import GATHER_S
from holdwater.release import DOUBT_WAIT_S, Release


def test_nothing_to_commit_is_never_due() -> None:
    """An idle loop waits for events only."""
    assert Release(60, 20).wait_s(5.0, 0, urgent=False) is None


def test_readings_wait_at_most_commit_every() -> None:
    """A minute on a board."""
    release = Release(60, 200)
    release.came(10.0)
    release.came(30.0)
    assert release.wait_s(30.0, 2, urgent=False) == 40.0
    assert release.wait_s(70.0, 2, urgent=False) == 0.0


def test_a_notice_or_a_person_does_not_wait() -> None:
    """Outbox rows, notes, seen and quiet commit at once."""
    release = Release(60, 200)
    release.came(10.0)
    assert release.wait_s(10.0, 1, urgent=True) == 0.0


def test_a_nearly_full_window_forces_a_commit() -> None:
    """16 of the 20 that a 3.1.1 broker sends; half of what we ask for on MQTT 5."""
    small, large = Release(60, 20), Release(60, 200)
    for release in (small, large):
        release.came(0.0)
    assert small.wait_s(0.0, 15, urgent=False) == 60.0
    assert small.wait_s(0.0, 16, urgent=False) == 0.0
    assert large.wait_s(0.0, 99, urgent=False) == 60.0
    assert large.wait_s(0.0, 100, urgent=False) == 0.0


def test_a_broker_with_a_window_of_one_is_found_out_and_not_kept_waiting() -> None:
    """Each release is followed by exactly one more: after three of them the wait is two milliseconds, not a minute."""
    release, now, waits = Release(60, 20), 0.0, []
    for _ in range(8):
        release.came(now)
        wait = release.wait_s(now, 1, urgent=False)
        assert wait is not None
        waits.append(wait)
        now += wait
        release.released(now, 1)
        now += 0.001
    assert waits[0] == 60.0
    assert waits[1] == pytest.approx(DOUBT_WAIT_S)
    assert waits[-1] == pytest.approx(0.002)


def test_messages_that_are_left_to_gather_are_not_mistaken_for_a_broker_that_waits() -> None:
    """Or each handful would end in a commit of its own."""
    assert DOUBT_WAIT_S > GATHER_S * 1.2


def test_a_steady_stream_is_not_mistaken_for_a_small_window() -> None:
    """At 200 messages a second the pauses are 5 ms: batches stay batches."""
    release, now = Release(60, 200), 0.0
    release.came(now)
    release.released(now, 1)
    for _ in range(50):
        now += 0.005
        release.came(now)
        assert release.wait_s(now + 0.004, 5, urgent=False) != 0.0
