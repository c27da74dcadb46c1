"""Secrets stay where they are: not in the log, not on the page, not in the store, not in what any command prints."""

from __future__ import annotations

import json
import time
import urllib.request
from pathlib import Path

import pytest

from alerts.peers import answers, serving
from holdwater.demo.child import free_port
from place import Daemon, payload, pressure, publisher, run_command

SECRETS = ("hook-path-4711", "hmac-key-4712", "mail-word-4713", "heart-path-4714", "open-word-4715", "broker-word-4716")


def _more(folder: Path, port: int) -> str:
    """Channels that all fail, with secrets in files and in the open."""
    for name, text in (
        ("hook.url", f"http://127.0.0.1:{port}/{SECRETS[0]}"),
        ("hook.key", SECRETS[1]),
        ("mail.word", SECRETS[2]),
        ("heart.url", f"http://127.0.0.1:{port}/{SECRETS[3]}"),
        ("broker.word", SECRETS[5]),
    ):
        (folder / name).write_text(text)
        (folder / name).chmod(0o600)
    return f"""
[channel.hook]
kind = "webhook"
url_file = "hook.url"
secret_file = "hook.key"
allow = ["127.0.0.1"]
[channel.open]
kind = "webhook"
url = "http://127.0.0.1:{port}/{SECRETS[4]}"
secret = "{SECRETS[4]}"
allow = ["127.0.0.1"]
[channel.mail]
kind = "smtp"
host = "127.0.0.1"
port = 9
username = "water"
password_file = "mail.word"
sender = "water@example.org"
to = ["household@example.org"]
[heartbeat]
url_file = "heart.url"
allow = ["127.0.0.1"]
"""


@pytest.mark.slow
def test_no_secret_shows_though_every_channel_fails(make_daemon, broker, tmp_path: Path) -> None:
    """A low tank, refused by all; then log, page, status, store, export, doctor and the channels' test are searched."""
    page = free_port()
    with serving(answers("500 Oops", body=b"you sent: " + SECRETS[1].encode())) as peer:
        listen = f"127.0.0.1:{page}"
        daemon: Daemon = make_daemon(
            "--log-level", "debug", port=broker.port, listen=listen, more=_more(tmp_path, peer.port)
        ).start()
        daemon.wait_for("connected to")
        client = publisher(broker.port)
        now = time.time()
        for minutes in range(12, -1, -1):
            text = payload(("pressure", "Pa", pressure(0.3)), t_s=now - 60 * minutes)
            client.publish("water/node/a/readings", text, qos=1).wait_for_publish(5)
        end = time.monotonic() + 15
        while len(peer.requests) < 3 and time.monotonic() < end:
            time.sleep(0.05)
        sent = b"".join(peer.requests)
        for secret in (SECRETS[0], SECRETS[3], SECRETS[4]):
            assert secret.encode() in sent, "the channels were not really used"
        config = ("--config", str(daemon.config))
        found = {"log": daemon.log}
        for path in ("/", "/notices", "/season", "/api/now", "/nowhere"):
            try:
                with urllib.request.urlopen(f"http://127.0.0.1:{page}{path}", timeout=5) as answer:
                    found[path] = answer.read().decode()
            except urllib.error.HTTPError as error:
                found[path] = error.read().decode()
        for command in (("status",), ("status", "--json"), ("notice", "list"), ("notice", "test"), ("check", str(daemon.config)),
                        ("doctor",), ("export", "notices")):  # fmt: skip
            done = run_command(*command, *(() if command[0] == "check" else config))
            found[" ".join(command)] = done.stdout + done.stderr
        assert daemon.stop() == 0
    found |= {
        each.name: each.read_bytes().decode("latin-1") for each in (tmp_path / "store").iterdir() if each.is_file()
    }
    assert "Main tank low" in found["log"]
    assert json.loads(found["/api/now"])["tanks"]
    for where, text in found.items():
        for secret in SECRETS:
            assert secret not in text, f"{secret} shows in {where}"
