"""The live sensor boxes: child process, real broker, receipts, and where it stopped."""

from __future__ import annotations

import json
import queue
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from broker_fixture import TestBroker
from holdwater.demo.files import node_core
from holdwater.demo.live import Now
from holdwater.demo.times import DemoClock, Stand, read_stand
from holdwater.demo.water import END_MS, START_GAL, Season, Truth
from holdwater.demo.weather import MINUTE_MS

TRUTH = Truth(END_MS, dict(START_GAL), 12.0, 16.0, 7.7, 9.0, 0.0)


class Listener:
    """A client that hears all and gives receipts when asked to."""

    def __init__(self, port: int) -> None:
        self.heard: queue.SimpleQueue[tuple[str, bytes]] = queue.SimpleQueue()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.on_connect = lambda client, *_: client.subscribe("water/#", qos=1)
        self._client.on_message = lambda _client, _data, message: self.heard.put((message.topic, message.payload))
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def until(self, wanted: Any, wait_s: float = 10.0) -> list[tuple[str, bytes]]:
        """All messages until one for which `wanted(topic, payload)` holds."""
        found: list[tuple[str, bytes]] = []
        end_s = time.monotonic() + wait_s
        while True:
            found.append(self.heard.get(timeout=max(end_s - time.monotonic(), 0.01)))
            if wanted(*found[-1]):
                return found

    def receipt(self, node: str, run: int, upto: int) -> None:
        """Say what is stored."""
        body = json.dumps({"store": "test", "run": run, "upto": upto, "ahead": []})
        self._client.publish(f"water/node/{node}/receipt", body, qos=1, retain=True).wait_for_publish(5)

    def close(self) -> None:
        """End."""
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def listener(broker: TestBroker) -> Iterator[Listener]:
    """A listener on the test's broker."""
    found = Listener(broker.port)
    yield found
    found.close()


def start(folder: Path, port: int) -> subprocess.Popen[bytes]:
    """The boxes' process, with the demo's clock at the end of the season."""
    offset_ms = END_MS - time.time_ns() // 1_000_000
    given = ["--folder", str(folder), "--port", str(port), "--offset-ms", str(offset_ms)]
    return subprocess.Popen([sys.executable, "-m", "holdwater.demo.live", *given])


@pytest.mark.slow
def test_boxes_publish_take_receipts_and_stop_in_order(tmp_path: Path, broker: TestBroker, listener: Listener) -> None:
    """Three boxes say *here*, send numbered packs, let go of what was stored; at SIGTERM they say *gone* and keep their stand."""
    Stand(END_MS, TRUTH).write(tmp_path / "stand.json")
    process = start(tmp_path, broker.port)
    packs: dict[str, list[dict[str, Any]]] = {}
    presence: dict[str, bytes] = {}

    def note(topic: str, payload: bytes) -> bool:
        _, _, node, leaf = topic.split("/")
        if leaf == "readings":
            packs[node] = json.loads(payload)
        elif leaf == "presence":
            presence[node] = payload
        return len(packs) == len(presence) == 3

    listener.until(note)
    assert set(presence.values()) == {b"here"}
    assert packs["drinking"][0]["bt"] <= 0
    assert abs(packs["garden"][0]["bt"] * 1000 - END_MS) < 60_000
    assert [each["n"] for each in packs["cabin"]] == ["gap", "air", "water"]
    first = packs["cabin"][0]
    listener.receipt("cabin", first["run"], first["seq"])
    listener.until(
        lambda topic, payload: topic.endswith("cabin/readings") and json.loads(payload)[0]["keep"] > first["seq"]
    )
    process.send_signal(signal.SIGTERM)
    listener.until(lambda topic, payload: topic.endswith("presence") and payload == b"gone")
    assert process.wait(10) == 0
    stand = read_stand(tmp_path / "stand.json")
    assert stand is not None
    assert stand.now_ms > END_MS
    ring = node_core().ring
    held = ring.Ring(ring.open_file(str(tmp_path / "nodes" / "cabin.ring")), 512, 512)
    assert held.oldest >= 1
    held.close()


@pytest.mark.slow
def test_killed_boxes_are_missed(tmp_path: Path, broker: TestBroker, listener: Listener) -> None:
    """kill -9: the broker says *gone* for them, and the ring file still opens."""
    Stand(END_MS, TRUTH).write(tmp_path / "stand.json")
    process = start(tmp_path, broker.port)
    listener.until(lambda topic, _: topic.endswith("garden/readings"))
    process.kill()
    process.wait()
    listener.until(lambda topic, payload: topic.endswith("presence") and payload == b"gone")
    ring = node_core().ring
    held = ring.Ring(ring.open_file(str(tmp_path / "nodes" / "garden.ring")), 512, 512)
    assert held.head >= 1
    assert held.read(held.oldest).records.startswith(b'"n":"gap"')
    held.close()


def test_boxes_without_a_stand_say_how_to_start(tmp_path: Path) -> None:
    """The child is not meant to be started by hand."""
    done = subprocess.run(
        [sys.executable, "-m", "holdwater.demo.live", "--folder", str(tmp_path), "--port", "1", "--offset-ms", "0"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert "holdwater demo" in done.stderr


def test_levels_move_between_whole_minutes() -> None:
    """The truth runs straight from one minute to the next, and never backwards."""
    whole = Now(Season(balanced=False), TRUTH)
    season = Season(balanced=False).minutes(TRUTH)
    minutes = [TRUTH, *(next(season) for _ in range(40))]
    falls = max(range(40), key=lambda n: minutes[n].on_hand["garden"] - minutes[n + 1].on_hand["garden"])
    before, after = minutes[falls].on_hand["garden"], minutes[falls + 1].on_hand["garden"]
    assert before > after
    half = whole.at(minutes[falls].at_ms + MINUTE_MS // 2)
    assert half.on_hand["garden"] == pytest.approx((before + after) / 2)
    assert whole.at(minutes[falls + 1].at_ms).on_hand["garden"] == pytest.approx(after)


def test_demo_clock_stands_beside_the_machines() -> None:
    """The wall clock is moved, monotonic time is not."""
    moved, plain = DemoClock(-86_400_000), DemoClock(0)
    assert plain.wall_ms() - moved.wall_ms() == pytest.approx(86_400_000, abs=1000)
    assert moved.mono_s() == pytest.approx(plain.mono_s(), abs=1)
    assert moved.boot_id() == plain.boot_id()


@pytest.mark.parametrize("text", ["", "{", "[]", '{"now_ms": 1}', '{"now_ms": 1, "truth": {"x": 1}}', "null"])
def test_damaged_stand_is_no_stand(tmp_path: Path, text: str) -> None:
    """It is then replayed anew."""
    path = tmp_path / "stand.json"
    assert read_stand(path) is None
    path.write_text(text, encoding="utf-8")
    assert read_stand(path) is None


def test_stand_comes_back_as_it_was(tmp_path: Path) -> None:
    """To the last bit of each float."""
    stand = Stand(END_MS + 5, TRUTH)
    stand.write(tmp_path / "stand.json")
    assert read_stand(tmp_path / "stand.json") == stand
