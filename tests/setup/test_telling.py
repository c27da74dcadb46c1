"""Who is told: each way with a real message; secrets in files of their own; a box enrolled and walked within the interview."""

from __future__ import annotations

import http.server
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from holdwater.setting_up.dialog import Dialog
from holdwater.setting_up.interview import Where, interview
from holdwater.setting_up.journal import Journal
from place import payload, publisher
from setup.answering import BEGINNER, Person

pytestmark = pytest.mark.slow


def answers(*changes: tuple[str, str]) -> list[tuple[str, str]]:
    """The beginner's, with others put before them."""
    return [*changes, *BEGINNER]


@pytest.fixture
def hook() -> Iterator[tuple[int, list[bytes]]]:
    """A server in the house that takes what is posted: its port, and what came."""
    came: list[bytes] = []

    class Taker(http.server.BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            came.append(self.rfile.read(int(self.headers["Content-Length"])))
            self.send_response(200)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    server = http.server.HTTPServer(("127.0.0.1", 0), Taker)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield server.server_port, came
    server.shutdown()


def hold(person: Person, folder: Path, journal: Journal | None = None):
    """An interview of that person."""
    where = Where(folder / "site.toml", str(folder / "store"), folder / "passwords")
    return Dialog(person, journal or Journal()).run(lambda dialog: interview(dialog, where))


def test_a_webhook_is_tried_for_real_and_its_address_is_kept_out_of_config_and_answers(tmp_path: Path, hook) -> None:
    """The test arrives at the other side; the address lies in a file for the owner only."""
    port, came = hook
    journal = Journal(tmp_path / "answers")
    seen: list[str] = []
    person = Person(answers(("and how?", "webhook"), ("this way, in one word", "phone"),
                            ("Address to post to", f"http://127.0.0.1:{port}/very-secret"),
                            ("in your own house", "127.0.0.1"), ("sent this way", "act today"),
                            ("Send a test", "yes"), ("Did it arrive", "yes")))  # fmt: skip
    told = person.read

    def read(prompt: str, *, hidden: bool = False) -> str:
        if journal.path is not None and journal.path.exists():
            seen.append(journal.path.read_text())
        return told(prompt, hidden=hidden)

    person.read = read  # type: ignore[method-assign]
    text, site = hold(person, tmp_path, journal)
    assert len(came) == 1
    assert b"TEST from holdwater" in came[0]
    assert "Taken: the other side has it." in person.said
    assert "very-secret" not in text
    assert seen
    assert not any("very-secret" in each for each in seen)
    assert (tmp_path / "phone.url").stat().st_mode & 0o777 == 0o640
    assert site.channels["phone"].severity == "act today"


def test_a_way_that_does_not_work_says_why_and_is_asked_again(tmp_path: Path) -> None:
    """Nobody listens at that port; then the person gives it up."""
    person = Person(answers(("and how?", "webhook"), ("this way, in one word", "phone"),
                            ("Address to post to", "http://127.0.0.1:9/x"),
                            ("in your own house", "127.0.0.1"), ("sent this way", ""), ("Send a test", "yes"),
                            ("Did it arrive", "no"), ("and how?", "none")))  # fmt: skip
    _, site = hold(person, tmp_path)
    assert "NOT taken:" in person.said
    assert site.channels == {}


def test_a_program_gets_the_text_and_one_that_is_not_there_is_refused(tmp_path: Path) -> None:
    """Its whole path, and there."""
    bell = tmp_path / "bell"
    bell.write_text(f"#!/bin/sh\ncat > {tmp_path}/rung\n")
    bell.chmod(0o755)
    person = Person(answers(("and how?", "program"), ("this way, in one word", "bell"),
                            ("Which program", "bell"), ("Which program", str(bell)),
                            ("sent this way", "act now"), ("Send a test", "yes"), ("Did it arrive", "y")))  # fmt: skip
    _, site = hold(person, tmp_path)
    assert "expected: a program by its whole path, that is there" in person.said
    assert "TEST" in (tmp_path / "rung").read_text()
    assert site.channels["bell"].severity == "act now"


def test_within_the_interview_a_box_gets_a_card_and_is_walked_on_a_real_broker(tmp_path: Path, make_broker) -> None:
    """Its card and password line are made, its twenty packs are heard, the tape corrects the height of the face."""
    broker = make_broker(username="holdwater", password="ours")
    (tmp_path / "broker.password").write_text("ours\n")
    (tmp_path / "broker.password").chmod(0o600)
    box = publisher(broker.port, "box", username="holdwater", password="ours")
    person = Person(answers(("Its port", str(broker.port)), ("Our name at the broker", "holdwater"),
                            ("Walk test", "yes"), ("mounted", "yes"),
                            ("how deep is the water", "40"), ("Take the tape", "yes")))  # fmt: skip
    heard = person.say

    def say(text: str) -> None:
        heard(text)
        if text.startswith("Carry drinking"):
            for seq in range(1, 21):
                box.publish("water/node/drinking/readings", payload(("gap", "m", 0.8), run=3, seq=seq), qos=1)

    def read(prompt: str, *, hidden: bool = False) -> str:
        if "how deep" in prompt:
            threading.Timer(0.5, send_level).start()
        return told(prompt, hidden=hidden)

    def send_level() -> None:
        box.publish("water/node/drinking/readings", payload(("gap", "m", (73 - 39) * 0.0254), run=3, seq=21), qos=1)

    told = person.read
    person.say, person.read = say, read  # type: ignore[method-assign]
    _, site = hold(person, tmp_path)
    assert "20 came of 20" in person.said
    assert "Tape says 40 in, sensor says 39" in person.said
    assert site.instruments["drinking-level"].physics.height_m == pytest.approx(74 * 0.0254, abs=0.003)
    card = (tmp_path / "cards" / "drinking.txt").read_text()
    assert "water/node/drinking/readings" in card
    assert (tmp_path / "cards" / "drinking.txt").stat().st_mode & 0o077 == 0
    assert (tmp_path / "passwords").read_text().startswith("drinking:$7$")


def test_a_broker_that_does_not_answer_puts_the_walk_off_and_the_interview_goes_on(tmp_path: Path) -> None:
    """With the command for later."""
    person = Person(answers(("Its port", "9"), ("Walk test", "yes")))
    hold(person, tmp_path)
    assert "cannot be reached" in person.said
    assert "later: holdwater setup walk drinking" in person.said
