"""Logs: one event a line whatever is in it, plain, for the journal, or JSON; no secret in them at any level."""

from __future__ import annotations

import json
import logging
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from holdwater.logs import formatter
from place import Daemon, payload, publisher

EVIL = 'a\nb\x1b[31m"\u2028c'


def record(level: int, *, trace: bool = False) -> logging.LogRecord:
    """A record with what should not break a line, from a fixed time."""
    fault = None
    if trace:
        try:
            raise ValueError(EVIL)
        except ValueError:
            fault = sys.exc_info()
    made = logging.LogRecord("holdwater.x", level, "x.py", 1, "topic %s", (EVIL,), fault)
    made.created = 1_790_000_000.25
    return made


@pytest.mark.parametrize("journal", [False, True])
@pytest.mark.parametrize("trace", [False, True])
def test_an_event_is_one_line_whatever_is_in_it(journal: bool, trace: bool) -> None:
    """Line ends, colours and separators of a topic or a traceback are written out."""
    text = formatter("plain", journal=journal).format(record(logging.WARNING, trace=trace))
    assert len(text.splitlines()) == 1
    assert "\x1b" not in text


@pytest.mark.parametrize(
    ("level", "severity"), [(logging.ERROR, 3), (logging.WARNING, 4), (logging.INFO, 6), (logging.DEBUG, 7)]
)
def test_the_journal_gets_the_severity_and_no_time_of_ours(level: int, severity: int) -> None:
    """Severity numbers of RFC 5424, table 2."""
    text = formatter("plain", journal=True).format(record(level))
    assert text.startswith(f"<{severity}>holdwater.x: ")


def test_a_json_line_has_time_level_place_and_words() -> None:
    """RFC 3339 in UTC; the trace apart."""
    body = json.loads(formatter("json", journal=True).format(record(logging.ERROR, trace=True)))
    assert body["at"] == "2026-09-21T14:13:20.250Z"
    assert (body["level"], body["from"], body["words"]) == ("error", "holdwater.x", f"topic {EVIL}")
    assert "ValueError" in body["trace"]


@pytest.mark.slow
def test_the_service_logs_json_and_no_secret_at_any_level(make_daemon, make_broker) -> None:
    """Debug, a broker with a password, a secret address, a message that is no reading: every line is JSON, none holds a secret."""
    broker = make_broker(username="holdwater", password="pass-word-of-ours")
    more = '\n[channel.phone]\nkind = "webhook"\nurl_file = "phone.url"\n'
    daemon: Daemon = make_daemon("--log", "json", "--log-level", "debug", port=broker.port, more=more)
    daemon.text = daemon.text.replace(
        "[broker]\n", '[broker]\nusername = "holdwater"\npassword_file = "broker.password"\n'
    )
    for name, secret in (
        ("broker.password", "pass-word-of-ours"),
        ("phone.url", "http://127.0.0.1:9/very-secret-path"),
    ):
        (daemon.folder / name).write_text(secret + "\n")
        (daemon.folder / name).chmod(0o600)
    daemon.start().wait_for("connected to")
    client = publisher(broker.port, username="holdwater", password="pass-word-of-ours")
    client.publish("water/node/a/readings", "no reading", qos=1).wait_for_publish(5)
    client.publish("water/node/a/readings", payload(("pressure", "Pa", 100.0)), qos=1).wait_for_publish(5)
    assert daemon.stop() == 0
    rows = [json.loads(line) for line in daemon.log.splitlines()]
    assert {"at", "level", "from", "words"} <= set(rows[0])
    assert any(row["words"].startswith("ready:") for row in rows)
    assert "pass-word-of-ours" not in daemon.log
    assert "very-secret-path" not in daemon.log


@pytest.mark.slow
def test_under_a_service_manager_the_journal_is_known_by_its_inode(tmp_path: Path) -> None:
    """JOURNAL_STREAM of another file counts for nothing: a redirected log keeps its times."""
    program = (
        "from holdwater.logs import set_up; import logging; set_up('info'); logging.getLogger('holdwater').info('here')"
    )
    said = []
    for own in (True, False):
        with (tmp_path / f"{own}.log").open("w+") as log:
            found = os.fstat(log.fileno())
            stream = f"{found.st_dev}:{found.st_ino + (not own)}"
            subprocess.run(
                [sys.executable, "-c", program], stderr=log, check=True, env={**os.environ, "JOURNAL_STREAM": stream}
            )
        said.append((tmp_path / f"{own}.log").read_text())
    assert said[0] == "<6>holdwater: here\n"
    assert re.match(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d I holdwater: here\n", said[1])
