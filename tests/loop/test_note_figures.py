"""What a note may say: figures that can be, in a time that can be; the same answer by every door."""

from __future__ import annotations

import json
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from holdwater.cli.note import command
from holdwater.clock import SetClock
from holdwater.control import SOCKET_NAME, ControlServer
from holdwater.errors import OutsideError
from holdwater.events import Message, Request
from holdwater.loop import Loop
from holdwater.postman import NoPost
from holdwater.replay import Nowhere
from holdwater.store.writer import Store
from holdwater.units import M3_PER_GAL, M_PER_IN
from holdwater.world import Surroundings
from place import PAIR_TEXT, START_MS, make_site, text_of

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS


PAIR = PAIR_TEXT.replace("45 in", "25 in")


class Doors:
    """One loop on a real store, and each way in which a note reaches it."""

    def __init__(self, folder: Path, clock: SetClock | None = None, trusted: bool = True) -> None:
        self.folder = folder
        self.clock = clock or SetClock(START_MS)
        self.store = Store(folder)
        given = Surroundings(self.clock, Nowhere(), NoPost(), trusted=lambda: trusted)
        self.loop = Loop(make_site(folder, more=PAIR), self.store, given)

    def ask(self, what: str, body: dict[str, Any]) -> dict[str, Any]:
        """As the control socket and the page ask."""
        answer: Future[dict[str, Any]] = Future()
        self.loop.handle(Request(what, body, answer))
        self.loop.commit()
        return answer.result(0)

    def send(self, what: str, text: str) -> str:
        """As a device on `water/do/…` asks; the reason for which it was set aside, or nothing."""
        before = self._rows("quarantine")
        self.loop.handle(Message(f"water/do/{what}", text.encode(), self.clock.wall_ms(), 0.0, qos=1, mid=1))
        self.loop.commit()
        if self._rows("quarantine") == before:
            return ""
        sql = "SELECT reason FROM quarantine ORDER BY rowid DESC LIMIT 1"
        return str(self.store.connection.execute(sql).fetchone()[0])

    def notes(self) -> list[tuple[int, dict[str, Any]]]:
        """Every note that is kept."""
        rows = self.store.connection.execute("SELECT at, body FROM note ORDER BY at").fetchall()
        return [(int(at), json.loads(body)) for at, body in rows]

    def _rows(self, table: str) -> int:
        return int(self.store.connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0])


@pytest.fixture(scope="module")
def doors(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Doors]:
    """One place for all: a note that is refused leaves nothing behind."""
    made = Doors(tmp_path_factory.mktemp("place") / "store")
    yield made
    made.store.close()


WRONG: list[tuple[dict[str, Any], tuple[str, ...]]] = [
    ({"kind": "load", "volume": "-5 gal"}, ("volume '-5 gal'", "not more than nothing", '"125 gal"')),
    ({"kind": "load", "volume": "0 L"}, ("volume '0 L'", "more than nothing")),
    ({"kind": "load", "volume": 125}, ("volume 125", "with its unit", '"125 gal"')),
    ({"kind": "load", "volume": "1e999 gal"}, ("not a finite number",)),
    ({"kind": "load", "volume_m3": -0.1}, ("volume_m3 -0.1", "more than nothing")),
    ({"kind": "load", "volume_m3": float("nan")}, ("volume_m3 nan", "no ordinary number")),
    ({"kind": "load", "volume_m3": float("inf")}, ("volume_m3 inf", "no ordinary number")),
    ({"kind": "load", "volume_m3": True}, ("volume_m3 True", "no ordinary number")),
    ({"kind": "load", "volume_m3": "1"}, ("volume_m3 '1'", "no ordinary number")),
    ({"kind": "load", "tank": "main", "volume": "600 gal"}, ("600 gal", "at most 372 gal, what main holds")),
    ({"kind": "moved", "tank": "shed", "volume": "400 gal"}, ("400 gal", "what shed holds")),
    ({"kind": "load", "volume": "9999 gal"}, ("9999 gal", "more than any tank holds", "372 gal, what main holds")),
    ({"kind": "well run", "tank": "main", "volume": "1e6 gal"}, ("1e6 gal", "more than ten times", "at most ten times 372 gal")),
    ({"kind": "dip", "tank": "main", "depth": "-1 in"}, ("depth '-1 in'", "below the floor", "0 or more")),
    ({"kind": "dip", "tank": "main", "depth": "67 in"}, ("67 in", "at most 66 in, the height of main")),
    ({"kind": "dip", "depth": "9 ft"}, ("9 ft", "higher than any tank", "at most 66 in, the height of main")),
    ({"kind": "dip", "tank": "main", "depth_m": -0.01}, ("depth_m -0.01", "0 or more")),
    ({"kind": "watering", "for": "0 min"}, ("for '0 min'", "not more than nothing", "at most 60 days", '"3 h"')),
    ({"kind": "watering", "for": "-2 h"}, ("for '-2 h'", "at most 60 days")),
    ({"kind": "away", "for": "61 days"}, ("for '61 days'", "at most 60 days")),
    ({"kind": "away", "for": "9 weeks"}, ("for '9 weeks'", "at most 60 days")),
    ({"kind": "away", "for_s": float("nan")}, ("for_s nan", "no ordinary number")),
    ({"kind": "away", "for_s": 0}, ("for_s 0", "more than nothing")),
    ({"kind": "away", "until_ms": START_MS - HOUR_MS}, ("until_ms", "not more than nothing", "at most 60 days")),
    ({"kind": "away", "until_ms": START_MS + 61 * DAY_MS}, ("until_ms", "at most 60 days")),
    ({"kind": "load", "at": "2026-10-21T16:20:00-06:00"}, ("2026-10-21", "at most a day ahead of now", "2026-09-21")),
    ({"kind": "load", "at": "2019-12-31T10:00:00-07:00"}, ("2019-12-31", "2020 or later")),
    ({"kind": "load", "at": "noon"}, ("at 'noon'", "2026-10-10T16:20:00-06:00")),
    ({"kind": "load", "at": "0001-01-01T00:00:00+14:00"}, ("0001-01-01", "2020 or later")),
    ({"kind": "load", "at_ms": 10**30}, ("at_ms", "at most a day ahead of now")),
    ({"kind": "load", "at_ms": -5}, ("at_ms -5", "2020 or later")),
    ({"kind": "other", "stars": float("-inf")}, ("stars -inf", "no ordinary number")),
    ({"kind": "load", "volume": "9" * 9_000}, ("is not a number with a unit",)),
    ({"kind": "load", "tank": ["main"]}, ("There is no tank", "main, shed, pair")),
    ({"kind": "link shut", "link": 0}, ("without its tank",)),
    ({"kind": "link shut", "tank": "main", "link": 0}, ("link 0 of main", "main has no links")),
    ({"kind": "link open", "tank": "pair", "link": 1}, ("link 1 of pair", "0, its only link")),
    ({"kind": "link shut", "tank": "pair"}, ("link None of pair", "0, its only link")),
    ({"kind": "other", "text": ["a"]}, ("text", "a text or a number")),
]  # fmt: skip


@pytest.mark.parametrize(("body", "words"), WRONG, ids=[json.dumps(body)[:60] for body, _ in WRONG])
def test_a_note_that_cannot_be_is_refused_in_the_same_words_by_socket_and_by_message(
    doors: Doors, body: dict[str, Any], words: tuple[str, ...]
) -> None:
    """Found, expected, next; nothing is kept of it but the message itself."""
    said = doors.ask("note", body)["error"]
    assert all(each in said for each in words), said
    assert "\n  expected: " in said or "Choose one of" in said
    assert "\n  next: " in said or "Choose one of" in said
    assert doors.send("note", json.dumps(body)).split() == said.replace("\n", " ").split()
    assert doors.notes() == []


def test_a_message_with_broken_letters_is_set_aside_like_any_other(doors: Doors) -> None:
    """Half a surrogate pair cannot be written into the store; it must not take the batch with it."""
    assert "is not a number with a unit" in doors.send("note", r'{"kind": "load", "volume": "\ud800"}')


def test_the_command_says_the_same_words(doors: Doors, tmp_path: Path) -> None:
    """The command line asks by the control socket and shows what it is told."""
    (tmp_path / "site.toml").write_text(text_of(doors.folder, more=PAIR))
    said = doors.ask("note", {"kind": "load", "volume": "-5 gal"})  # the loop's store belongs to this thread
    server = ControlServer(doors.folder / SOCKET_NAME, lambda _what, _body: said)
    server.start()
    try:
        arguments = ["load", "--volume", "-5 gal", "--config", str(tmp_path / "site.toml")]
        with pytest.raises(OutsideError) as refused:
            CliRunner().invoke(command, arguments, catch_exceptions=False)
    finally:
        server.stop()
    words = refused.value.words()
    assert "volume '-5 gal'" in words
    assert 'next: write it like "125 gal"' in words


RIGHT: list[dict[str, Any]] = [
    {"kind": "load", "tank": "main", "volume": "371 gal"},
    {"kind": "load", "volume_m3": 0.5},
    {"kind": "dip", "tank": "main", "depth": "0 in"},
    {"kind": "dip", "tank": "main", "depth": "66 in"},
    {"kind": "away", "for": "60 days"},
    {"kind": "watering", "until_ms": START_MS + HOUR_MS},
    {"kind": "load", "at_ms": START_MS + DAY_MS},
    {"kind": "load", "at": "2020-01-01T00:00:00Z"},
    {"kind": "other", "uid": "\ud800", "text": "\ud800"},
    {"kind": "link shut", "tank": "pair", "link": 0},
    {"kind": "other", "text": "rim cracked", "stars": 3, "nothing": None, "yes": True},
]


@pytest.mark.parametrize("body", RIGHT, ids=[json.dumps(body) for body in RIGHT])
def test_a_note_at_the_edge_of_what_can_be_is_kept(tmp_path: Path, body: dict[str, Any]) -> None:
    """A bound that cuts off a true figure would be worse than none."""
    doors = Doors(tmp_path)
    assert doors.ask("note", body).get("ok") is True
    assert len(doors.notes()) == 1
    doors.store.close()


def test_a_note_on_a_board_without_the_time_is_kept_with_the_time_it_has(tmp_path: Path) -> None:
    """A clock in 1970 must not refuse what its household writes now; nor can it judge what is far ahead."""
    doors = Doors(tmp_path, SetClock(90_000_000), trusted=False)
    assert doors.ask("note", {"kind": "load", "volume": "125 gal"})["ok"] is True
    assert doors.ask("note", {"kind": "load", "at_ms": 90_000_000})["ok"] is True
    assert doors.ask("note", {"kind": "load", "at": "2026-10-10T16:20:00-06:00"})["ok"] is True
    assert "before the year 2100" in doors.ask("note", {"kind": "load", "at_ms": 10**30})["error"]
    doors.store.close()


@pytest.mark.parametrize("body", [{"for": "-1 h"}, {"for_s": float("nan")}, {"for_s": []}, {"for": "8 days"}])
def test_a_quiet_time_that_cannot_be_is_refused(doors: Doors, body: dict[str, Any]) -> None:
    """A notice kept quiet for ever would be a notice lost."""
    assert "at most 7 days" in doors.ask("quiet", {"notice": 1, **body})["error"]


FIGURES = st.one_of(
    st.floats(), st.integers(-(10**30), 10**30), st.booleans(), st.none(), st.text(max_size=8),
    st.builds("{} {}".format, st.floats(), st.sampled_from(["gal", "in", "h", "days", "m3", "L"])),
)  # fmt: skip
KEYS = ["volume", "depth", "for", "volume_m3", "depth_m", "for_s", "until_ms", "at", "at_ms", "link", "x"]


@settings(max_examples=60)
@given(
    kind=st.sampled_from(["load", "dip", "away", "link shut"]),
    figures=st.dictionaries(st.sampled_from(KEYS), FIGURES, max_size=4),
)
def test_whatever_a_note_says_it_is_kept_as_finite_figures_or_refused_in_words(
    doors: Doors, kind: str, figures: dict[str, Any]
) -> None:
    """No figure reaches the store that a sum could choke on."""
    answer = doors.ask("note", {"kind": kind, "tank": "main", **figures})
    assert ("error" in answer) != (answer.get("ok") is True)
    for at_ms, body in doors.notes():
        assert 1_577_836_800_000 <= at_ms <= START_MS + DAY_MS
        assert 0.0 < body.get("volume_m3", 1.0) <= 10 * 372 * M3_PER_GAL
        assert 0.0 <= body.get("depth_m", 0.0) <= 66.001 * M_PER_IN
        assert 0.0 < body.get("for_s", 1.0) <= 60 * 86400
    doors.store.connection.execute("DELETE FROM note")
