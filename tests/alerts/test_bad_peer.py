"""One peer that is silent, drips, is slow or never ends: everything else is delivered within a second, and nothing waits for ever."""

from __future__ import annotations

import inspect
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from queue import Queue

import pytest
from aiosmtpd.controller import Controller

from alerts.peers import Peer, answers, closing, dripping, endless, garbage, parcel, serving, silent
from holdwater.alerts.channels import senders
from holdwater.alerts.delivery import DEADLINE_S, Delivery
from holdwater.alerts.outcome import Accepted, Outcome
from holdwater.config.channels import Channel, LogChannel, MqttChannel, ProgramChannel, SmtpChannel, WebhookChannel

DEADLINE = 1.2


def slow(conn: socket.socket, peer: Peer) -> None:
    """A good answer, after most of the deadline."""
    peer.over.wait(DEADLINE * 0.75)
    answers("200 OK")(conn, peer)


class Takes:
    """A mail server that takes everything."""

    async def handle_DATA(self, server: object, session: object, envelope: object) -> str:
        """Take it."""
        return "250 taken"


@contextmanager
def mail_that(how: str) -> Iterator[int]:
    """A mail server that is silent, drips its greeting, or never ends it."""
    listener, over = socket.create_server(("127.0.0.1", 0)), threading.Event()

    def one(conn: socket.socket) -> None:
        with conn, suppress(OSError):
            while not over.is_set():
                if how == "silent":
                    over.wait(30)
                elif how == "dripping":
                    conn.sendall(b"2")
                    over.wait(0.1)
                else:
                    conn.sendall(b"220-welcome\r\n" * 1000)

    def serve() -> None:
        with suppress(OSError):
            while True:
                threading.Thread(target=one, args=(listener.accept()[0],), daemon=True).start()

    threading.Thread(target=serve, daemon=True).start()
    yield listener.getsockname()[1]
    over.set()
    listener.close()


def _script(folder: Path, name: str, text: str) -> tuple[str, ...]:
    path = folder / name
    path.write_text(f"#!/bin/sh\n{text}\n")
    path.chmod(0o755)
    return (str(path),)


def _mail(port: int) -> SmtpChannel:
    return SmtpChannel(host="127.0.0.1", port=port, security="plain", sender="a@b.example", to=("c@d.example",))


def _hook(url: str) -> WebhookChannel:
    return WebhookChannel(url=url, allow=("127.0.0.1",))


BAD_HOOKS: dict[str, Callable[[socket.socket, Peer], None]] = {
    "silent": silent, "dripping": dripping, "endless": endless, "slow": slow, "closing": closing, "garbage": garbage,
}  # fmt: skip
BAD = [
    *(f"hook {name}" for name in BAD_HOOKS),
    "mail silent",
    "mail dripping",
    "mail endless",
    "program hanging",
    "program endless",
]


@contextmanager
def bad_channel(kind: str, folder: Path) -> Iterator[Channel]:
    """One channel whose other side behaves that way."""
    what, _, how = kind.partition(" ")
    if what == "hook":
        with serving(BAD_HOOKS[how]) as peer:
            yield _hook(peer.url())
    elif what == "mail":
        with mail_that(how) as port:
            yield _mail(port)
    else:
        yield ProgramChannel(command=_script(folder, "bad", "sleep 60" if how == "hanging" else "yes"))


@pytest.mark.slow
@pytest.mark.parametrize("kind", BAD)
def test_everything_else_is_delivered_within_a_second_and_the_bad_one_ends_at_its_deadline(
    kind: str, tmp_path: Path
) -> None:
    """All five kinds of channel, each against a real other side; the loop's own call returns at once."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    controller = Controller(Takes(), hostname="127.0.0.1", port=port)
    controller.start()
    reports: Queue[tuple[str, Outcome, float]] = Queue()
    try:
        with serving(answers("200 OK")) as good, bad_channel(kind, tmp_path) as bad:
            channels = {
                "bad": bad,
                "log": LogChannel(),
                "mqtt": MqttChannel(),
                "hook": _hook(good.url()),
                "mail": _mail(port),
                "radio": ProgramChannel(command=_script(tmp_path, "good", "cat > /dev/null")),
            }
            workers = Delivery(
                senders(channels, lambda *_: True, deadline_s=DEADLINE),
                lambda key, outcome: reports.put((key, outcome, time.monotonic())),
            )
            workers.start()
            began_s = time.monotonic()
            for name in channels:
                workers.post(parcel(f"one:{name}", channel=name))
                if name != "bad":
                    workers.post(parcel(f"two:{name}", channel=name))
            assert time.monotonic() - began_s < 0.05
            came: dict[str, tuple[Outcome, float]] = {}
            while len(came) < 2 * len(channels) - 1:
                key, outcome, at_s = reports.get(timeout=3 * DEADLINE + 5)
                came[key] = (outcome, at_s - began_s)
            workers.stop()
    finally:
        controller.stop()
    for name in list(channels)[1:]:
        for key in (f"one:{name}", f"two:{name}"):
            assert came[key][0] == Accepted(), key
            assert came[key][1] <= 1.0, f"{key} took {came[key][1]:.2f} s"
    assert came["one:bad"][1] <= DEADLINE + 1.0
    if kind == "mail endless":  # nobody keeps what it says for as long as it says it
        assert came["one:bad"][1] < DEADLINE / 2


def test_the_deadline_of_a_send_is_thirty_seconds() -> None:
    """The default that the service uses."""
    assert DEADLINE_S == 30.0
    assert inspect.signature(senders).parameters["deadline_s"].default == DEADLINE_S
