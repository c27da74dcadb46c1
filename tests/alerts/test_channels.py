"""Log, broker, program and mail, each against the real thing; the workers that drive them; and the way from a reading to a peer."""

from __future__ import annotations

import json
import logging
import os
import socket
import stat
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from email import message_from_bytes
from email.policy import default
from pathlib import Path
from queue import Queue
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from aiosmtpd.controller import Controller

from alerts.peers import answers, parcel, serving
from alerts.rig import T0_MS, Rig, household
from alerts.test_outbox import out
from holdwater.alerts.channels import senders
from holdwater.alerts.channels.log import LogSender
from holdwater.alerts.channels.mqtt import MqttSender
from holdwater.alerts.channels.program import ProgramSender
from holdwater.alerts.channels.smtp import SmtpSender
from holdwater.alerts.channels.webhook import WebhookSender
from holdwater.alerts.delivery import Delivery
from holdwater.alerts.facts import Moment
from holdwater.alerts.outbox import Outbox
from holdwater.alerts.outcome import Accepted, Outcome, Refused, Unclear
from holdwater.config.channels import (
    LogChannel,
    MqttChannel,
    ProgramChannel,
    SmtpChannel,
    WebhookChannel,
    with_defaults,
)


def test_log_writes_one_line(caplog: pytest.LogCaptureFixture) -> None:
    """Severity and short text, one line."""
    with caplog.at_level(logging.WARNING, "holdwater.notice"):
        assert LogSender().send(parcel()) == Accepted()
    assert caplog.messages == ["act today: Drinking tank low: 81 gal, reserve 90 gal."]


def test_log_writes_a_line_for_each_notice_of_a_summary(caplog: pytest.LogCaptureFixture) -> None:
    """Nothing is cut out of the log because several came at once."""
    outbox = Outbox({"log": LogChannel(kind="log")}, (), ZoneInfo("UTC"))
    outbox.add(out(number, channel="log") for number in range(30))
    (summary,) = outbox.ready(Moment(T0_MS, 0.0))
    with caplog.at_level(logging.WARNING, "holdwater.notice"):
        assert LogSender().send(summary) == Accepted()
    assert caplog.messages == [f"act today: Notice {number} raise" for number in range(30)]
    assert LogChannel(kind="log").daily_cap == 1000


def test_broker_keeps_a_notice_while_it_is_on_and_drops_it_when_it_is_over() -> None:
    """Retained while on; the end is said once, and the retained message is taken away."""
    said: list[tuple[str, str, bool]] = []

    def publish(topic: str, text: str, retain: bool) -> bool:
        said.append((topic, text, retain))
        return True

    sender = MqttSender(publish, "water")
    assert sender.send(parcel()) == Accepted()
    assert sender.send(parcel(state="clear", phase="clear")) == Accepted()
    assert [(topic, retain, bool(text)) for topic, text, retain in said] == [
        ("water/notices/1", True, True), ("water/notices/1", False, True), ("water/notices/1", True, False),
    ]  # fmt: skip
    assert json.loads(said[0][1])["notice"] == 1


def test_broker_that_does_not_take_it_is_tried_again() -> None:
    """The service says whether the broker took it."""
    assert MqttSender(lambda topic, text, retain: False).send(parcel()) == Refused(False, "the broker did not take it")


def _script(folder: Path, text: str) -> str:
    path = folder / "send"
    path.write_text(f"#!/bin/sh\n{text}\n")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return str(path)


def test_program_gets_text_on_standard_input_and_the_key_in_its_environment(tmp_path: Path) -> None:
    """No shell, no text in its arguments."""
    command = _script(
        tmp_path,
        f'cat > {tmp_path}/got; printf "%s|%s|%s" "$1" "$HOLDWATER_KEY" "$HOLDWATER_SEVERITY" > {tmp_path}/how',
    )
    assert ProgramSender((command, "a;b $HOME"), 5).send(parcel()) == Accepted()
    assert (tmp_path / "got").read_text() == "Drinking tank low: 81 gal, reserve 90 gal.\n"
    assert (tmp_path / "how").read_text() == "a;b $HOME|site:1:1:phone|act today"


def test_program_that_fails_is_tried_again(tmp_path: Path) -> None:
    """Any exit code but 0; also when it does not read its input."""
    assert ProgramSender((_script(tmp_path, "exit 3"),), 5).send(parcel()) == Refused(
        False, f"{tmp_path}/send ended with exit code 3"
    )


def test_program_that_is_not_there_is_said_in_words() -> None:
    """No traceback, tried again: it may be installed later."""
    assert ProgramSender(("/nowhere/send",), 5).send(parcel()) == Refused(
        False, "/nowhere/send: No such file or directory"
    )


@pytest.mark.slow
def test_program_that_hangs_is_ended_with_all_it_started(tmp_path: Path) -> None:
    """At the total deadline; its children too."""
    command = _script(tmp_path, f"sleep 30 & echo $! > {tmp_path}/child; wait")
    start_s = time.monotonic()
    assert isinstance(ProgramSender((command,), 0.5).send(parcel()), Unclear)
    assert time.monotonic() - start_s < 3
    child = int((tmp_path / "child").read_text())
    for _ in range(100):
        if not _alive(child):
            break
        time.sleep(0.02)
    assert not _alive(child)


def _alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return "Z" not in Path(f"/proc/{pid}/stat").read_text().split(")")[1][:4]


class Post:
    """A mail handler that takes, refuses or dawdles."""

    def __init__(self, answer: str = "250 OK", rcpt: str = "250 OK", wait_s: float = 0.0) -> None:
        self.answer, self.rcpt, self.wait = answer, rcpt, wait_s
        self.mails: list[bytes] = []
        self.over = threading.Event()

    async def handle_RCPT(self, server: Any, session: Any, envelope: Any, address: str, options: Any) -> str:
        if self.rcpt.startswith("250"):
            envelope.rcpt_tos.append(address)
        return self.rcpt

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        if self.wait:
            import asyncio

            await asyncio.sleep(self.wait)
        self.mails.append(envelope.content)
        return self.answer


@pytest.fixture
def post() -> Iterator[Any]:
    """Starts mail servers on loopback."""
    running: list[Controller] = []

    def start(handler: Post) -> SmtpChannel:
        with socket.create_server(("127.0.0.1", 0)) as free:
            port = free.getsockname()[1]
        controller = Controller(handler, hostname="127.0.0.1", port=port)
        controller.start()
        running.append(controller)
        return SmtpChannel(
            kind="smtp",
            host="127.0.0.1",
            port=port,
            security="plain",
            sender="water@house.example",
            to=("me@house.example",),
        )

    yield start
    for each in running:
        each.stop()


@pytest.mark.slow
def test_mail_arrives_with_the_short_text_as_subject(post: Any) -> None:
    """RFC 5322 message; the same key gives the same Message-ID; no machine answers it."""
    handler = Post()
    config = post(handler)
    assert SmtpSender(config, "", 5).send(parcel()) == Accepted()
    assert SmtpSender(config, "", 5).send(parcel()) == Accepted()
    first, second = (message_from_bytes(each, policy=default) for each in handler.mails)
    assert first["Subject"] == "Drinking tank low: 81 gal, reserve 90 gal."
    assert first["From"] == "water@house.example"
    assert first["Auto-Submitted"] == "auto-generated"
    assert first["Message-ID"] == second["Message-ID"]
    assert first.get_content().strip().endswith("At length.")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("handler", "outcome"),
    [
        (Post("451 try later"), Refused(False, "the server answered 451")),
        (Post("554 no"), Refused(True, "the server answered 554")),
        (Post(rcpt="550 nobody here"), Refused(True, "the server refused the addresses")),
        (Post(rcpt="450 busy"), Refused(False, "the server refused the addresses")),
    ],
    ids=["451", "554", "550", "450"],
)
def test_mail_server_that_refuses_is_taken_at_its_word(post: Any, handler: Post, outcome: Outcome) -> None:
    """4yz is tried again, 5yz is final (RFC 5321, 4.2.1)."""
    assert SmtpSender(post(handler), "", 5).send(parcel()) == outcome


@pytest.mark.slow
def test_mail_server_that_dawdles_is_left_at_the_deadline(post: Any) -> None:
    """It may have taken it: unclear."""
    start_s = time.monotonic()
    outcome = SmtpSender(post(Post(wait_s=3)), "", 0.5).send(parcel())
    assert time.monotonic() - start_s < 2
    assert isinstance(outcome, Unclear)


@pytest.mark.slow
def test_mail_is_never_sent_in_the_clear_when_starttls_is_asked_for(post: Any) -> None:
    """A server that does not offer it gets nothing."""
    handler = Post()
    config = replace(post(handler), security="starttls")
    outcome = SmtpSender(config, "", 5).send(parcel())
    assert outcome == Refused(False, "the server does not offer STARTTLS: nothing was sent in the clear")
    assert handler.mails == []


@pytest.mark.slow
def test_mail_server_that_says_nothing_is_left_at_the_deadline() -> None:
    """A peer that accepts and is silent."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        config = SmtpChannel(
            kind="smtp",
            host="127.0.0.1",
            port=listener.getsockname()[1],
            security="plain",
            sender="a@b.example",
            to=("c@d.example",),
        )
        start_s = time.monotonic()
        outcome = SmtpSender(config, "", 0.5).send(parcel())
        assert time.monotonic() - start_s < 2
        assert isinstance(outcome, Refused)
        assert not outcome.final


def test_every_channel_of_a_config_gets_its_sender(tmp_path: Path) -> None:
    """Secrets come out of their files."""
    secret, url = tmp_path / "secret", tmp_path / "url"
    secret.write_text("spring\n")
    url.write_text("http://127.0.0.1:9/x\n")
    made = senders(
        {
            "log": LogChannel(kind="log"),
            "mqtt": MqttChannel(kind="mqtt"),
            "phone": WebhookChannel(kind="webhook", url_file=str(url), secret_file=str(secret)),
            "mail": SmtpChannel(
                kind="smtp", host="h", sender="a@b.c", to=("d@e.f",), username="u", password_file=str(secret)
            ),
            "bell": ProgramChannel(kind="program", command=("/bin/true",)),
        },
        lambda topic, text, retain: True,
    )
    hook, mail = made["phone"], made["mail"]
    assert isinstance(hook, WebhookSender)
    assert (hook.url, hook.secret) == ("http://127.0.0.1:9/x", "spring")
    assert isinstance(mail, SmtpSender)
    assert mail.password == "spring"
    assert [type(each).__name__ for each in made.values()] == [
        "LogSender",
        "MqttSender",
        "WebhookSender",
        "SmtpSender",
        "ProgramSender",
    ]


# The workers


class Faulty:
    """A sender with a fault of its own."""

    def send(self, parcel: Any) -> Outcome:
        raise ZeroDivisionError


def test_a_fault_of_our_own_is_reported_and_the_worker_lives(caplog: pytest.LogCaptureFixture) -> None:
    """Logged with its traceback, tried again later, the next message is still sent."""
    reports: Queue[tuple[str, Outcome]] = Queue()
    delivery = Delivery({"phone": Faulty()}, lambda key, outcome: reports.put((key, outcome)))
    delivery.start()
    for key in ("one", "two"):
        delivery.post(parcel(key))
        found, outcome = reports.get(timeout=5)
        assert found == key
        assert outcome == Refused(False, "a fault in holdwater itself; see the log")
    delivery.stop()
    assert "ZeroDivisionError" in caplog.text


def test_a_parcel_for_no_channel_is_refused_for_good() -> None:
    """It would wait for ever."""
    reports: Queue[tuple[str, Outcome]] = Queue()
    Delivery({}, lambda key, outcome: reports.put((key, outcome))).post(parcel())
    assert reports.get_nowait() == ("site:1:1:phone", Refused(True, "there is no channel phone"))


@pytest.mark.slow
def test_from_a_reading_to_an_accepted_webhook_in_two_seconds(tmp_path: Path) -> None:
    """The reading that makes it low, the commit, the outbox, the worker, the peer."""
    with serving(answers("200 OK")) as peer:
        channels = {"phone": WebhookChannel(kind="webhook", url=peer.url(), allow=("127.0.0.1",))}
        rig = Rig(str(tmp_path / "store.db"), household(channels=channels))
        full = with_defaults(channels)
        reports: Queue[tuple[str, Outcome]] = Queue()
        delivery = Delivery(
            senders(full, lambda topic, text, retain: True), lambda key, outcome: reports.put((key, outcome))
        )
        delivery.start()
        outbox = Outbox(full, (), rig.site.timezone)
        start_s = time.monotonic()
        changes = rig.levels(60.0, 11)
        for change in changes:
            outbox.add(change.outbox)
        now = Moment(rig.wall_ms, rig.mono_s)
        for each in outbox.ready(now):
            delivery.post(each)
        done = {reports.get(timeout=5)[0] for _ in range(3)}
        for key in done:
            outbox.report(key, Accepted(), now, 0.5)
        assert time.monotonic() - start_s < 2
        assert outbox.waiting() == 0
        assert peer.headers()["idempotency-key"] in done
        assert "low" in json.loads(peer.body())["short"]
        delivery.stop()
        rig.db.close()
