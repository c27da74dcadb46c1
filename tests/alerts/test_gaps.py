"""What counts as a gap: outages make no box slower than it is."""

from holdwater.alerts.heard import Heard

MINUTE_MS = 60_000


def after(*gaps_min: float) -> Heard:
    heard = Heard(0.0, 0)
    at_ms = 0
    for gap in gaps_min:
        at_ms += round(gap * MINUTE_MS)
        heard = heard.again(at_ms, at_ms / 1000, None)
    return heard


def test_a_run_of_outages_does_not_make_ten_hours_usual() -> None:
    """A box of ten minutes that was off again and again is still a box of ten minutes: its gaps never count towards clearing."""
    assert after(10, 600, 2, 605, 600, 9, 600, 605, 605).pace_s == 600.0


def test_a_slow_box_keeps_its_pace() -> None:
    """One that speaks every four hours may clear by readings four hours apart."""
    assert after(*[240] * 9).pace_s == 14_400.0


def test_a_pace_needs_three_gaps() -> None:
    """Before that nothing is known."""
    assert after(10, 10).pace_s is None
