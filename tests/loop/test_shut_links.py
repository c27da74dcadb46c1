"""A link shut by a note stays shut until a note opens it, also over a restart: water that cannot reach the tap is not on hand."""

from pathlib import Path

from holdwater.clock import SetClock
from holdwater.events import Request
from holdwater.loop import Loop
from holdwater.postman import NoPost
from holdwater.replay import Nowhere
from holdwater.sitefile import site_of
from holdwater.store.writer import Store
from holdwater.world import Surroundings
from place import PAIR_TEXT, START_MS, reading, text_of

VESSELS = (
    PAIR_TEXT
    + """\
[sensor.pair-level]
tank = "pair"
vessel = "near"
kind = "pressure"
series = "p:pressure"
height = "0 in"
"""
)


def on_hand(folder: Path, store: Store, clock: SetClock, *notes: str) -> float:
    """On hand of the pair after some notes and one reading, by a loop that has just been started."""
    site = site_of(text_of(folder, more=VESSELS), "test.toml", {})
    loop = Loop(site, store, Surroundings(clock, Nowhere(), NoPost(), trusted=lambda: True))
    for kind in notes:
        clock.advance(60.0)
        loop.handle(Request("note", {"kind": kind, "tank": "pair", "link": 0}))
    clock.advance(60.0)
    message = reading(clock.wall_ms(), 0.5, air_c=None).event
    object.__setattr__(message, "topic", "water/node/p/readings")
    loop.handle(message)  # type: ignore[arg-type]
    clock.advance(1.0)
    loop.commit()
    found = loop.snapshot.tank("pair")
    assert found is not None
    assert found.on_hand_m3 is not None
    return found.on_hand_m3


def test_a_link_shut_by_a_note_stays_shut_over_a_restart_until_it_is_opened(tmp_path: Path) -> None:
    """Half of the pair is cut off; forgetting that would promise water that does not come."""
    store, clock = Store(tmp_path), SetClock(START_MS)
    both = on_hand(tmp_path, store, clock)
    shut = on_hand(tmp_path, store, clock, "link shut")
    assert shut < 0.6 * both
    assert abs(on_hand(tmp_path, store, clock) - shut) < 0.02 * both
    assert abs(on_hand(tmp_path, store, clock, "link open") - both) < 0.02 * both
    assert abs(on_hand(tmp_path, store, clock) - both) < 0.02 * both
    store.close()
