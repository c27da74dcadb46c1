"""The running service from the outside: a reading changes the page, a recording is written, a notice reaches its channels."""

import http.server
import json
import re
import threading
import time
import urllib.request
from pathlib import Path

import pytest

from holdwater.demo.child import free_port
from holdwater.store.reader import open_reader
from place import START_MS, Daemon, payload, pressure, publisher, run_command

pytestmark = pytest.mark.slow


def page(port: int, path: str = "/") -> str:
    with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=5) as answer:
        return answer.read().decode()


def until(check, most_s: float = 5.0):
    """The first true answer of a check, and how long it took."""
    began = time.monotonic()
    while True:
        found = check()
        if found or time.monotonic() - began > most_s:
            return found, time.monotonic() - began
        time.sleep(0.02)


def test_a_hand_written_reading_changes_the_page_within_two_seconds(make_daemon, broker) -> None:
    """From `mosquitto_pub` to the figure on the page, with a commit every minute."""
    port = free_port()
    daemon: Daemon = make_daemon(port=broker.port, listen=f"127.0.0.1:{port}", commit_every="60 s").start()
    daemon.wait_for("connected to")
    daemon.wait_for("ready")
    client = publisher(broker.port)
    client.publish(
        "water/node/a/readings", payload(("pressure", "Pa", pressure(1.2)), t_s=time.time() - 600), qos=1
    ).wait_for_publish(5)
    first, _ = until(lambda: re.search(r'data-part="figure">(\d+)<', page(port)))
    client.publish("water/node/a/readings", payload(("pressure", "Pa", pressure(1.25))), qos=1).wait_for_publish(5)
    changed, took = until(lambda: (m := re.search(r'data-part="figure">(\d+)<', page(port))) and m[1] != first[1])
    assert changed
    assert took < 2.0


def test_a_jump_is_told_at_once_and_counts_when_the_next_reading_bears_it_out(make_daemon, broker) -> None:
    """After quiet water one reading far away may be an echo: the page says so within two seconds and keeps the figure."""
    port = free_port()
    daemon: Daemon = make_daemon(port=broker.port, listen=f"127.0.0.1:{port}", commit_every="60 s").start()
    daemon.wait_for("connected to")
    daemon.wait_for("ready")
    client = publisher(broker.port)

    def send(depth_m: float, age_s: float) -> None:
        text = payload(("pressure", "Pa", pressure(depth_m)), t_s=time.time() - age_s)
        client.publish("water/node/a/readings", text, qos=1).wait_for_publish(5)

    for minutes in range(30, 0, -1):
        send(1.2 + 0.0005 * (minutes % 2), 60.0 * minutes)
    first, _ = until(lambda: re.search(r'data-part="figure">(\d+)<', page(port)))
    send(0.8, 1.0)
    told, took = until(lambda: re.search(r"newest reading says (\d+) gal, a jump", page(port)))
    assert told
    assert took < 2.0
    assert re.search(r'data-part="figure">(\d+)<', page(port))[1] == first[1]
    send(0.8, 0.0)
    changed, took = until(lambda: (m := re.search(r'data-part="figure">(\d+)<', page(port))) and m[1] == told[1])
    assert changed
    assert took < 2.0
    assert "a jump" not in page(port)


def test_status_says_the_sentence_of_the_page_and_a_table_of_eighty_columns(make_daemon, broker) -> None:
    """Page and command line are one voice; a reading that does not count yet is told by both."""
    port = free_port()
    daemon: Daemon = make_daemon(port=broker.port, listen=f"127.0.0.1:{port}", commit_every="60 s").start()
    daemon.wait_for("connected to")
    daemon.wait_for("ready")
    client = publisher(broker.port)
    for minutes in range(30, -1, -1):
        text = payload(("pressure", "Pa", pressure(1.2 if minutes else 0.8)), t_s=time.time() - 60.0 * minutes)
        client.publish("water/node/a/readings", text, qos=1).wait_for_publish(5)
    until(lambda: "a jump" in page(port))
    shown = page(port)
    sentence = re.search(r'data-part="day"[^>]*>([^<]+)<', shown)
    done = run_command("status", "--config", str(daemon.config))
    assert done.returncode == 0, done.stderr
    said = done.stdout.splitlines()
    assert said[0] == sentence[1].strip()
    assert all(len(line) <= 80 for line in said)
    figure = re.search(r'data-part="figure">(\d+)<', shown)[1]
    row = next(line for line in said if line.startswith("main "))
    assert row.split()[1] == figure
    assert any(line.startswith("main: the newest reading says ") for line in said)


def test_what_comes_in_is_recorded_and_replays_to_the_same_readings(make_daemon, broker, tmp_path: Path) -> None:
    """`record`, then `replay` into another store."""
    daemon: Daemon = make_daemon(port=broker.port).start()
    daemon.wait_for("connected to")
    done = run_command("record", str(tmp_path / "heard.jsonl"), "--for", "1 min", "--config", str(daemon.config))
    assert done.returncode == 0, done.stderr
    client = publisher(broker.port)
    for age_s, depth in ((60, 1.0), (0, 1.1)):
        text = payload(("pressure", "Pa", pressure(depth)), t_s=time.time() - age_s)
        client.publish("water/node/a/readings", text, qos=1).wait_for_publish(5)
    client.publish("water/node/a/readings", b"\xff\x00", qos=1).wait_for_publish(5)
    until(lambda: (tmp_path / "heard.jsonl").read_text().count("\n") == 3)
    assert daemon.stop() == 0
    again = run_command(
        "replay",
        str(tmp_path / "heard.jsonl"),
        "--config",
        str(daemon.config),
        "--store",
        str(tmp_path / "other"),
        "--quiet",
    )
    assert again.returncode == 0, again.stderr
    stores = []
    for folder in ("store", "other"):
        with open_reader(tmp_path / folder) as reader:
            stores.append([(row.ts_ms, row.value) for row in reader.readings("a:pressure", 0, START_MS * 2)])
            assert len(reader.quarantine(5)) == 1
    assert stores[0] == stores[1]
    assert len(stores[0]) == 2


def told_by(daemon: Daemon) -> set[str]:
    """Channels of which the store knows that they took the one notice."""
    with open_reader(daemon.config.parent / "store") as reader:
        return {channel for life in reader.lives(0) for channel, state in life.told if state == "sent"}


def test_a_low_tank_reaches_log_mqtt_and_webhook_within_two_seconds_and_once(make_daemon, broker) -> None:
    """From the reading that makes it due to the accepted webhook; a restart sends nothing again."""
    posts: list[dict[str, object]] = []

    class Hook(http.server.BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            posts.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))) | {"at": time.monotonic()})
            self.send_response(204)
            self.end_headers()

        def log_message(self, *args: object) -> None:
            pass

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Hook)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    more = (
        f'\n[channel.hook]\nkind = "webhook"\nurl = "http://127.0.0.1:{server.server_port}/"\nallow = ["127.0.0.1"]\n'
    )
    heard: list[str] = []
    listener = publisher(broker.port, "listener")
    listener.on_message = lambda _client, _data, message: heard.append(message.topic)
    listener.subscribe("water/notices/#", 1)
    daemon: Daemon = make_daemon(port=broker.port, more=more, commit_every="60 s").start()
    daemon.wait_for("connected to")
    client = publisher(broker.port)
    now = time.time()
    for minutes in range(12, -1, -1):
        text = payload(("pressure", "Pa", pressure(0.3)), t_s=now - 60 * minutes)
        client.publish("water/node/a/readings", text, qos=1).wait_for_publish(5)
    sent = time.monotonic()
    until(lambda: posts and heard)
    server_port = server.server_port
    assert len(posts) == 1
    assert posts[0]["kind"] == "low"
    assert float(str(posts[0]["at"])) - sent < 2.0
    assert heard[0].startswith("water/notices/")
    assert "low" in daemon.wait_for("Main tank low")
    known, _ = until(lambda: told_by(daemon) >= {"hook", "log", "mqtt"})
    assert known  # a kill before this is known may send once more
    daemon.kill()
    daemon.start()
    time.sleep(3.0)
    assert len(posts) == 1
    assert server_port
    server.shutdown()
