"""The sign of life: sent while the loop turns, tried again when it does not get out, never in anybody's way."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import pytest

from alerts.peers import answers, dripping, endless, serving, silent
from holdwater.alerts.outcome import Accepted, Outcome, Refused, Unclear
from holdwater.config.load import loads
from holdwater.config.outwards import HeartbeatSettings
from holdwater.errors import ConfigError
from holdwater.heartbeat import AGAIN_S, Heartbeat, sender_of
from place import text_of

HERE = ("127.0.0.1",)


class Way:
    """A sender whose outcome the test sets; says when it was used."""

    def __init__(self) -> None:
        self.outcome: Outcome = Accepted()
        self.used = threading.Semaphore(0)
        self.heart = Heartbeat(3600.0, self._send, lambda: 0.0)
        self.heart.start()

    def _send(self) -> Outcome:
        outcome = self.outcome
        self.used.release()
        return outcome

    def beats(self, at_s: float) -> bool:
        """Whether a sign goes out at a tick."""
        self.heart.tick(at_s)
        beat = self.used.acquire(timeout=0.05)
        if beat:
            end = time.monotonic() + 2
            while self.heart._back.empty() and time.monotonic() < end:
                time.sleep(0.001)
        self.heart.tick(at_s)
        return beat


def test_a_sign_goes_out_at_the_start_and_then_at_its_pace() -> None:
    """Not at each tick."""
    way = Way()
    assert way.beats(0.0)
    assert not way.beats(10.0)
    assert not way.beats(3599.0)
    assert way.beats(3600.0)
    way.heart.stop()


def test_one_that_did_not_get_out_is_tried_again_soon_and_then_more_rarely() -> None:
    """Within a minute, then after two; when it gets out the pace is the usual one."""
    way = Way()
    way.outcome = Refused(False, "no answer")
    assert way.beats(0.0)
    assert way.heart.words == "no answer"
    assert not way.beats(AGAIN_S / 2 - 1)
    assert way.beats(AGAIN_S / 2)
    way.outcome = Accepted()
    assert not way.beats(AGAIN_S / 2 + AGAIN_S - 1)
    assert way.beats(AGAIN_S / 2 + AGAIN_S)
    assert way.heart.words == ""
    assert not way.beats(AGAIN_S / 2 + AGAIN_S + 3599)
    way.heart.stop()


@pytest.mark.parametrize("method", ["GET", "POST"])
def test_it_asks_the_address_out_of_its_file_and_sends_nothing_of_the_household(tmp_path: Path, method: str) -> None:
    """No body, no name, no figure."""
    with serving(answers("200 OK")) as peer:
        (tmp_path / "url").write_text(peer.url("/ping/abc?x=1") + "\n")
        send = sender_of(HeartbeatSettings(url_file=str(tmp_path / "url"), method=method, allow=HERE), 5.0)
        assert send() == Accepted()
        assert peer.requests[0].startswith(f"{method} /ping/abc?x=1 HTTP/1.1\r\n".encode())
        assert peer.body() == b""
        assert set(peer.headers()) <= {"host", "user-agent", "connection", "content-length", "accept-encoding"}


def test_a_redirect_an_error_and_an_address_inside_the_house_are_no_sign_of_life() -> None:
    """In words that do not show the address's path."""
    with serving(answers("302 Found", "Location: /x")) as peer:
        assert "redirect" in str(sender_of(HeartbeatSettings(peer.url("/secret"), allow=HERE), 5.0)())
        refused = sender_of(HeartbeatSettings(peer.url("/secret")), 5.0)()
        assert "inside this house" in str(refused)
        assert "secret" not in str(refused)
    with serving(answers("500 Oops")) as peer:
        assert sender_of(HeartbeatSettings(peer.url(), allow=HERE), 5.0)() == Refused(False, "it answered 500")


@pytest.mark.slow
@pytest.mark.parametrize("answer", [silent, dripping, endless])
def test_a_peer_that_never_ends_is_left_at_the_deadline_and_holds_no_tick(answer) -> None:
    """The loop's own call returns at once; nothing queues up behind the one on its way."""
    with serving(answer) as peer:
        heart = Heartbeat(60.0, sender_of(HeartbeatSettings(peer.url(), allow=HERE), 1.0))
        heart.start()
        began = time.monotonic()
        for second in range(200):
            heart.tick(second)
        assert time.monotonic() - began < 0.1
        end = time.monotonic() + 3
        while heart._back.empty() and time.monotonic() < end:
            time.sleep(0.01)
        assert not heart._back.empty()
        outcome = heart._back.get()
        assert isinstance(outcome, Unclear | Accepted)
        assert len(peer.requests) == 1
        heart.stop()


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ('url = "ftp://example.org/x"', "not an http or https address"),
        ("", "neither url nor url_file"),
        ('url = "https://example.org/x"\nurl_file = "x"', "both url and url_file"),
        ('url = "https://example.org/x"\nevery = "1 s"', "1 min to 7 days"),
        ('url_file = "nowhere"', "nowhere"),
        ('url = "https://example.org/x"\nallow = ["home"]', "'home'"),
    ],
)
def test_a_wrong_heartbeat_is_said_with_the_fix(tmp_path: Path, lines: str, words: str) -> None:
    """Found when the config is read, not in the storm."""
    with pytest.raises(ConfigError) as caught:
        loads(text_of(tmp_path, more=f"\n[heartbeat]\n{lines}\n"), str(tmp_path / "site.toml"), {})
    assert words in caught.value.words()


def test_the_address_of_the_heartbeat_is_shown_nowhere(tmp_path: Path) -> None:
    """Not in the text that the store keeps, not in the site's repr, not in the words of `check`."""
    from holdwater.config.words import site_words

    more = '\n[heartbeat]\nurl = "https://example.org/ping/hunter2"\nevery = "30 min"\n'
    site = loads(text_of(tmp_path, more=more), str(tmp_path / "site.toml"), {})
    assert site.heartbeat is not None
    assert site.heartbeat.every_s == 1800
    for text in (site.text, repr(site), "\n".join(site_words(site))):
        assert "hunter2" not in text
    assert "Sign of life: GET every 30 min" in "\n".join(site_words(site))


@pytest.mark.slow
def test_a_running_service_gives_signs_of_life(make_daemon) -> None:
    """Also without a broker."""
    with serving(answers("200 OK")) as peer:
        more = f'\n[heartbeat]\nurl = "{peer.url("/alive")}"\nallow = ["127.0.0.1"]\n'
        daemon = make_daemon(port=1, more=more).start()
        daemon.wait_for("ready: ")
        end = time.monotonic() + 15
        while not peer.requests and time.monotonic() < end:
            time.sleep(0.02)
        assert peer.requests[0].startswith(b"GET /alive ")
        assert "alive" not in daemon.log
