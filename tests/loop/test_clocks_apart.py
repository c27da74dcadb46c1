"""A box and the board do not agree on the time: nothing that was confirmed is lost for it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import pytest

from holdwater.clock import SetClock
from holdwater.events import Message
from holdwater.loop import Loop
from holdwater.postman import NoPost
from holdwater.store.batch import Ack
from holdwater.store.rows import DAY_MS
from holdwater.store.writer import Store
from holdwater.world import Surroundings
from place import MINUTE_MS, START_MS, make_site, payload


class World:
    """Receipts that went out."""

    def __init__(self) -> None:
        self.upto: list[int] = []

    def acks(self, owed: Sequence[Ack]) -> None:
        """No broker."""

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:
        """Keeps the number of each receipt."""
        if topic.endswith("/receipt"):
            self.upto.append(json.loads(payload)["upto"])
        return True


@pytest.fixture
def board(tmp_path: Path):
    """`say(ahead_ms, seq)` sends a numbered pack stamped so far ahead; the loop, its clock and its world."""
    clock, world, store = SetClock(START_MS), World(), Store(tmp_path)
    loop = Loop(make_site(tmp_path), store, Surroundings(clock, world, NoPost(), trusted=lambda: True))

    def say(at_ms: int, seq: int | None) -> None:
        numbers = {} if seq is None else {"run": 1, "seq": seq, "keep": 1}
        text = payload(("pressure", "Pa", 9000.0), t_s=at_ms / 1000, **numbers)
        loop.handle(Message("water/node/a/readings", text.encode(), clock.wall_ms(), clock.mono_s(), qos=1, mid=1))
        loop.commit()

    def count(table: str) -> int:
        return int(store.connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0])

    yield say, count, clock, world
    store.close()


def test_a_pack_a_little_ahead_of_a_slow_clock_gets_no_receipt_until_the_clock_has_come_so_far(board) -> None:
    """Confirmed and set aside it was lost: its box would not have sent it again."""
    say, count, clock, world = board
    stamp = START_MS + 12 * MINUTE_MS
    say(stamp, 1)
    assert (world.upto, count("reading"), count("quarantine")) == ([], 0, 0)
    clock.advance(8 * 60)
    say(stamp, 1)  # its box sends it again
    assert (world.upto, count("reading"), count("quarantine")) == ([1], 1, 0)


@pytest.mark.parametrize(("ahead_ms", "seq"), [(2 * DAY_MS, 1), (12 * MINUTE_MS, None)])
def test_what_is_stamped_far_ahead_or_has_no_number_is_set_aside(board, ahead_ms, seq) -> None:
    """A box with a mad clock must not send the same pack for ever; one without numbers would not send it again at all."""
    say, count, _, _ = board
    say(START_MS + ahead_ms, seq)
    assert (count("reading"), count("quarantine")) == (0, 1)


def test_what_is_too_old_is_told_by_the_newest_reading_not_by_the_clock(board) -> None:
    """A clock set two years ahead refused the whole record of the boxes; now they are stored, and only what is old beside them is not."""
    say, count, clock, _ = board
    clock.step_wall(800 * DAY_MS)
    say(START_MS, 1)
    assert (count("reading"), count("quarantine")) == (1, 0)
    say(START_MS - 500 * DAY_MS, 2)
    assert (count("reading"), count("quarantine")) == (1, 1)
