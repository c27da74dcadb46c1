"""What was made quicker gives what it gave before."""

from __future__ import annotations

import sqlite3
import threading
import time
import zlib
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench import truerate
from holdwater.door import GATHER_MESSAGES, GATHER_S, Inbox
from holdwater.events import Message, Request
from holdwater_sensors.filter import Hampel, Window
from holdwater_sensors.quality import Grade, grade_of

SLOW = GATHER_S * 20
"""No wait on an event may come near this, however busy the machine is."""


def message(number: int) -> Message:
    """One message."""
    return Message("water/node/a/readings", b"", number, float(number))


def hurry(inbox: Inbox) -> None:
    """Two takes shortly after each other: what follows is quick."""
    for number in range(2):
        inbox.put(message(number))
        inbox.take(256, 0.0)


@given(
    st.lists(st.tuples(st.integers(1, 5_000_000), st.floats(-10, 10).map(lambda depth: round(depth, 2))), max_size=40)
)
def test_a_glance_says_what_the_provisional_verdict_says(steps) -> None:
    """For any series, also with gaps longer than the window."""
    window, ts_ms = Window(floor=0.01), 0
    push, glance = Hampel(window), Hampel(window)
    for step_ms, value in steps:
        ts_ms += step_ms
        assert glance.glance(ts_ms, value) == push.push(ts_ms, value)[0]


def test_a_glance_refuses_what_is_not_later() -> None:
    """As `push` does."""
    hampel = Hampel(Window(floor=0.01))
    hampel.glance(1000, 1.0)
    with pytest.raises(ValueError, match="in order of time"):
        hampel.glance(1000, 1.0)


def test_every_code_has_its_grade_and_no_other_has_one() -> None:
    """The look-up knows what the enumeration knows."""
    assert [grade_of(each) for each in (0, 20, 100, 199, 200)] == [
        Grade.OK, Grade.OK, Grade.SUSPECT, Grade.SUSPECT, Grade.REJECTED,
    ]  # fmt: skip
    with pytest.raises(ValueError, match="3"):
        grade_of(300)


def test_a_handful_that_comes_quickly_is_taken_at_once_and_in_order() -> None:
    """A handful is there before the gathering has lasted its time, so it ends then."""
    inbox = Inbox()
    hurry(inbox)
    inbox.put(message(2))

    def more() -> None:
        for number in range(3, 2 + GATHER_MESSAGES):
            inbox.put(message(number))

    threading.Timer(GATHER_S / 4, more).start()
    taken = inbox.take(256, 1.0)
    while len(taken) < GATHER_MESSAGES:  # on a machine that was held up the rest comes with the next take
        taken += inbox.take(256, 1.0)
    assert [each.at_ms for each in taken] == list(range(2, 2 + GATHER_MESSAGES))


def test_a_wish_ends_the_gathering() -> None:
    """Somebody waits for its answer."""
    inbox = Inbox()
    hurry(inbox)
    inbox.put(message(2))
    wish = Request("seen", {"notice": 1})
    threading.Timer(GATHER_S / 4, inbox.put, [wish]).start()
    taken = inbox.take(256, 1.0)
    while wish not in taken:
        taken += inbox.take(256, 1.0)
    assert taken[-1] is wish


def test_a_sender_that_waits_for_us_is_not_kept_waiting() -> None:
    """A broker with a window of one: after two rounds in vain nothing is gathered for a while."""
    inbox = Inbox()
    hurry(inbox)
    begin = time.monotonic()
    for number in range(100):
        inbox.put(message(number))
        assert len(inbox.take(256, 1.0)) == 1
    assert time.monotonic() - begin < SLOW


def test_seldom_messages_are_not_gathered(monkeypatch) -> None:
    """At eight a minute there is nothing to wait for; waiting would be a wake-up more for each."""
    inbox = Inbox()
    waits: list[float] = []
    monkeypatch.setattr(inbox._ready, "wait", waits.append)
    inbox.put(message(1))
    assert len(inbox.take(256, 1.0)) == 1
    assert waits == []


@pytest.mark.slow
def test_the_kept_memory_of_the_rules_fits_a_page_and_is_read_again(tmp_path: Path) -> None:
    """Six hours of the invented household, then another hour after a start on the same store."""
    truerate.ours(tmp_path, 0, 360, 60.0)
    truerate.ours(tmp_path, 360, 60, 60.0)
    with closing(sqlite3.connect(tmp_path / "store" / "store.db")) as database:
        (body,) = database.execute("SELECT body FROM model WHERE kind = 'alerts'").fetchone()
        (count,) = database.execute("SELECT count(*) FROM reading").fetchone()
    assert len(body) < 1000
    assert b'"heard":420' in zlib.decompress(body).replace(b"\\", b"")
    assert count == 420 * 8
