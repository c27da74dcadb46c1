"""Reference nodes on a real broker: the modules that boards run, one client for all of them, a wire that may spoil receipts."""

from __future__ import annotations

import json
import queue
import random
import time
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from holdwater.demo.files import node_core


class Wire:
    """A connection that carries nodes; what arrives waits for the thread that owns them.

    Args:
        port: of the broker.
        spoil: whether receipts are lost, doubled and delayed.
    """

    def __init__(self, port: int, *, spoil: bool = False, seed: int = 3) -> None:
        self._arrived: queue.SimpleQueue[tuple[str, bytes]] = queue.SimpleQueue()
        self._late: list[tuple[float, str, bytes]] = []
        self._rng = random.Random(seed) if spoil else None
        self.spoiled = {"lost": 0, "doubled": 0, "late": 0}
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=f"wire-{port}-{seed}", clean_session=True)
        self.client.reconnect_delay_set(1, 1)
        self.client.on_connect = lambda client, *_: (
            client.subscribe("water/node/+/receipt", 1),
            self._arrived.put(("", b"")),
        )
        self.client.on_message = lambda _client, _data, came: self._arrived.put((came.topic, bytes(came.payload)))
        self.client.max_inflight_messages_set(0)
        self.client.connect_async("127.0.0.1", port, keepalive=5)
        self.client.loop_start()

    def publish(self, topic: str, payload: bytes) -> bool:
        """As a node's transport: True when the message was taken for sending."""
        return self.client.is_connected() and self.client.publish(topic, payload, qos=1).rc == mqtt.MQTT_ERR_SUCCESS

    def take(self) -> list[tuple[str, bytes]]:
        """What has arrived, after the spoiling; an empty topic is a new connection."""
        found = []
        while not self._arrived.empty():
            topic, payload = self._arrived.get()
            found += [(topic, payload)] * self._copies(topic, payload)
        now_s = time.monotonic()
        found += [(topic, payload) for due_s, topic, payload in self._late if due_s <= now_s]
        self._late = [late for late in self._late if late[0] > now_s]
        return found

    def _copies(self, topic: str, payload: bytes) -> int:
        if self._rng is None or not topic:
            return 1
        fate = self._rng.random()
        if fate < 0.3:
            self.spoiled["lost"] += 1
            return 0
        if fate < 0.5:
            self.spoiled["late"] += 1
            self._late.append((time.monotonic() + self._rng.uniform(0.1, 1.5), topic, payload))
            return 0
        self.spoiled["doubled"] += fate < 0.7
        return 2 if fate < 0.7 else 1

    def close(self) -> None:
        """Disconnect."""
        self.client.disconnect()
        self.client.loop_stop()


class Box:
    """One node with its ring file, and the list of what it measured.

    Args:
        name: of the node.
        wire: its connection.
        folder: of its ring file.
        wall_ms: its clock.
        slots: of its ring.
    """

    def __init__(self, name: str, wire: Wire, folder: Path, wall_ms: Callable[[], int], slots: int = 4096) -> None:
        core = node_core()
        self.name = name
        self.measured: list[tuple[int, float]] = []
        self._wall_ms = wall_ms
        self.ring = core.ring.Ring(core.ring.open_file(str(folder / f"{name}.ring")), slots, 128)
        self.node = core.node.Node(
            name, self.ring, wire, run=core.node.new_run(random.Random(name).randbytes),
            mono_ms=lambda: time.monotonic_ns() // 1_000_000, fraction=random.random, wall_ms=lambda: self._now_ms,
            patience=core.receipts.Patience(random.random, 700, 1500),
        )  # fmt: skip
        self._now_ms = 0

    def sample(self) -> None:
        """Measure once; times never repeat."""
        self._now_ms = max(self._wall_ms(), self._now_ms + 1)
        value = 9000.0 + len(self.measured) % 100
        self.measured.append((self._now_ms, value))
        self.node.sample([("pressure", "Pa", value)])

    @property
    def empty(self) -> bool:
        """True when everything was receipted."""
        return self.ring.oldest == self.ring.head


def turn(wire: Wire, boxes: dict[str, Box]) -> None:
    """Let nodes take what arrived and send what is due."""
    touched = set()
    for topic, payload in wire.take():
        if not topic:
            for box in boxes.values():
                box.node.connected()
            touched |= set(boxes)
        elif (name := topic.split("/")[2]) in boxes:
            assert json.loads(payload)["run"] is not None
            boxes[name].node.on_message(topic, payload)
            touched.add(name)
    for name in touched or boxes:
        boxes[name].node.step()


def until_empty(wire: Wire, boxes: dict[str, Box], most_s: float) -> None:
    """Turn until every node has its receipts."""
    end = time.monotonic() + most_s
    stepped = 0.0
    while not all(box.empty for box in boxes.values()):
        assert time.monotonic() < end, {
            name: box.ring.head - box.ring.oldest for name, box in boxes.items() if not box.empty
        }
        turn(wire, boxes)
        if time.monotonic() - stepped > 0.2:  # those that wait for their patience
            stepped = time.monotonic()
            for box in boxes.values():
                box.node.step()
        time.sleep(0.002)
