"""Somebody tells the time: what is taken, and every refusal in words."""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from holdwater import trust as trusting
from holdwater.clock import BUILD_MS, SetClock
from holdwater.telltime import take_time
from holdwater.trust import ClockTrust, GuidedClock

ZONE = ZoneInfo("America/Denver")
NOW_MS = round(datetime(2026, 10, 10, 16, 20, tzinfo=ZONE).timestamp() * 1000)
DAY_MS = 86_400_000


@pytest.fixture(autouse=True)
def board(monkeypatch: pytest.MonkeyPatch) -> None:
    """A board: no time server, no clock chip. (What the machine says is the world outside, not our code.)"""
    monkeypatch.setattr(trusting, "keeps_time_when_off", lambda: False)
    monkeypatch.setattr(trusting, "system_synchronised", lambda: False)
    monkeypatch.setattr("holdwater.clock.system_synchronised", lambda: False)
    monkeypatch.setattr("holdwater.clock.chip_ms", lambda: None)


class Board:
    """A board that woke in 1970, with readings of a while ago."""

    def __init__(self, newest_ms: int = NOW_MS - 2 * DAY_MS) -> None:
        self.clock = GuidedClock(SetClock(60_000))
        self.newest_ms = newest_ms
        self.trust = ClockTrust(self.clock, newest_ms if newest_ms >= 0 else None)

    def tell(self, **body: object) -> dict[str, object]:
        return take_time(self.trust, self.clock, self.newest_ms, ZONE, body)


@pytest.mark.parametrize("source", ["phone", "owner"])
@pytest.mark.parametrize("newest_ms", [-1, NOW_MS - 2 * DAY_MS])
def test_a_told_time_is_taken_and_the_clock_is_trusted(source: str, newest_ms: int) -> None:
    """By a phone on the page or by the owner's command; from then on the clock runs on."""
    board = Board(newest_ms)
    assert board.tell(source=source, wall_ms=NOW_MS) == {"ok": True, "clock": "trusted", "wall_ms": NOW_MS}
    assert board.trust()


def test_the_time_shown_can_be_confirmed() -> None:
    """`holdwater clock --right`: no time is told."""
    board = Board()
    board.clock.guide(NOW_MS)
    assert board.tell(source="owner")["clock"] == "trusted"


@pytest.mark.parametrize(
    ("wall_ms", "words"),
    [
        (BUILD_MS - 1, "that would be Wed 31 Dec 2025, before this program was made"),
        (0, "that would be Wed 31 Dec 1969"),
        (4_200_000_000_000, "in another century"),
        (10**18, "a time that no calendar has"),
        (NOW_MS - 4 * DAY_MS, "that would be Tue 6 Oct 2026, but the newest reading is from Thu 8 Oct 2026"),
        ("16:20", "expected whole milliseconds"),
        (1.5, "expected whole milliseconds"),
        (True, "expected whole milliseconds"),
    ],
)
def test_a_time_that_cannot_be_is_refused_in_words_and_moves_nothing(wall_ms: object, words: str) -> None:
    """The clock is as it was."""
    board = Board()
    assert words in str(board.tell(source="phone", wall_ms=wall_ms)["error"])
    assert board.clock.wall_ms() == 60_000
    assert not board.trust()


def test_a_clock_that_is_trusted_is_not_moved_and_the_refusal_says_by_what() -> None:
    """Whoever may open the page must not be able to shift it; the machine's own clock can be set."""
    board = Board()
    board.tell(source="phone", wall_ms=NOW_MS)
    answer = board.tell(source="owner", wall_ms=NOW_MS + 3_600_000)
    assert "trusted already (by: phone)" in str(answer["error"])
    assert "sudo date -s" in str(answer["error"])
    assert board.clock.wall_ms() == NOW_MS
    assert board.tell(source="owner", wall_ms=NOW_MS + 60_000)["ok"] is True


def test_a_time_far_past_the_newest_reading_is_asked_for_once_more() -> None:
    """A phone with a wrong year would make the whole record old; a board that lay in a drawer says yes."""
    board = Board()
    answer = board.tell(source="phone", wall_ms=NOW_MS + 3650 * DAY_MS)
    assert answer["ask"] == "sure"
    assert "3652 days after the newest reading of Thu 8 Oct 2026" in str(answer["error"])
    assert not board.trust()
    assert board.tell(source="phone", wall_ms=NOW_MS + 90 * DAY_MS, sure=True)["clock"] == "trusted"


def test_only_a_phone_or_the_owner_tells_the_time_here() -> None:
    """Messages come another way."""
    assert "expected one of: owner, phone" in str(Board().tell(source="moon", wall_ms=NOW_MS)["error"])
