"""What was set aside is read again when it can be, once, with the time at which it came."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest

from holdwater.clock import SetClock
from holdwater.events import Message, Request
from holdwater.loop import Loop
from holdwater.postman import NoPost
from holdwater.replay import Nowhere
from holdwater.store.writer import Store
from holdwater.world import Surroundings
from place import MINUTE_MS, START_MS, make_site

ROUTE = """
[route.shed]
topic = "shed/level"
payload = "text"
field = 2
delimiter = " "
unit = "in"
series = "f:gap"
"""


@contextmanager
def running(folder: Path, at_ms: int, more: str = "") -> Iterator[tuple[Loop, Callable[[str, bytes], None]]]:
    """A loop on the folder's store at a time, and how a message reaches it."""
    clock = SetClock(at_ms, mono_s=1000.0)
    with closing(Store(folder)) as store:
        loop = Loop(make_site(folder, more=more), store, Surroundings(clock, Nowhere(), NoPost(), trusted=lambda: True))

        def say(topic: str, payload: bytes) -> None:
            loop.handle(Message(topic, payload, clock.wall_ms(), clock.mono_s()))

        yield loop, say
        loop.commit()


def read_again(loop: Loop) -> dict[str, Any]:
    """Ask for it, and commit."""
    answer: Future[dict[str, Any]] = Future()
    loop.handle(Request("read again", {}, answer))
    loop.commit()
    return answer.result(0)


def stored(loop: Loop) -> list[tuple[str, int]]:
    """Series and time of all readings."""
    query = (
        "SELECT n.name || ':' || s.quantity, r.ts FROM reading r JOIN series s ON s.id = r.series "
        "JOIN node n ON n.id = s.node ORDER BY r.ts, 1"
    )
    return loop.store.connection.execute(query).fetchall()


def aside(loop: Loop) -> int:
    """Rows of the quarantine."""
    return int(loop.store.connection.execute("SELECT count(*) FROM quarantine").fetchone()[0])


def test_after_a_route_was_added_its_messages_are_stored_with_the_time_they_came(tmp_path: Path) -> None:
    """Garbage stays; asking twice changes nothing more, also after a restart."""
    with running(tmp_path, START_MS) as (loop, say):
        say("shed/level", b"L 31.5")
        say("shed/level", b"L ?")
    later = START_MS + 30 * MINUTE_MS
    with running(tmp_path, later, ROUTE) as (loop, _):
        assert aside(loop) == 2
        assert read_again(loop) == {"ok": True, "read": 1, "left": 1}
        assert stored(loop) == [("f:gap", START_MS)]
        assert aside(loop) == 1
        assert read_again(loop) == {"ok": True, "read": 0, "left": 1}
    with running(tmp_path, later, ROUTE) as (loop, _):
        assert read_again(loop)["read"] == 0
        assert stored(loop) == [("f:gap", START_MS)]


def test_a_line_about_one_reading_is_no_message(tmp_path: Path) -> None:
    """A reading stamped far ahead is set aside as a line; though a route by fields could read a number out of it, it stays."""
    with running(tmp_path, START_MS, ROUTE) as (loop, say):
        pack = [{"bt": START_MS / 1000 + 10 * 86_400, "n": "pressure", "u": "Pa", "v": 9000.0}]
        say("water/node/a/readings", json.dumps(pack).encode())
        loop.commit()
        loop.store.connection.execute("UPDATE quarantine SET topic = CAST('shed/level' AS BLOB)")
        assert aside(loop) == 1
        assert read_again(loop) == {"ok": True, "read": 0, "left": 0}
        assert aside(loop) == 1
        assert stored(loop) == []


@pytest.mark.parametrize("numbered", [False, True])
def test_a_pack_that_was_refused_whole_is_stored_once_it_can_be_read(tmp_path: Path, numbered) -> None:
    """Its number was counted as handled, so its box will not send it again: only this brings it back."""
    with running(tmp_path, START_MS) as (loop, say):
        head = {"bt": START_MS / 1000, "n": "pressure", "u": "Pa", "v": 9000.0}
        say("shed/a/readings", json.dumps([{**head, **({"run": 3, "seq": 1, "keep": 1} if numbered else {})}]).encode())
        loop.commit()
        # as if the prefix had been wrong at the time
        loop.store.connection.execute("UPDATE quarantine SET topic = CAST('water/node/a/readings' AS BLOB)")
        assert read_again(loop) == {"ok": True, "read": 1, "left": 0}
        assert stored(loop) == [("a:pressure", START_MS)]
