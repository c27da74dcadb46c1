"""The sensor boxes of Quern Bench, live: real nodes that publish over real MQTT. Started by the demo as a child process.

They run the modules that a board runs (`sensors/node/core`): samples go into a ring file, packs go out at QoS 1, and the ring
lets go of what the daemon's receipts name. Time is the demo's.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import queue
import random
import signal
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from holdwater.demo.boxes import Box, boxes
from holdwater.demo.child import LOOPBACK
from holdwater.demo.files import node_core
from holdwater.demo.times import DemoClock, Stand, read_stand
from holdwater.demo.water import NAMES, SEED, Season, Truth
from holdwater.demo.weather import MINUTE_MS

EVERY_S = 5.0
PATIENCE_MS = 20_000  # the demo's store commits every two seconds
RING_SLOTS = 512
KEEP_STAND_S = 15.0


@dataclass(frozen=True, slots=True)
class Arrived:
    """A message for a node, or a new connection when the topic is empty."""

    node: str
    topic: str
    payload: bytes


class Wire:
    """A node's connection to the broker; what arrives goes into the queue of the one thread that owns the nodes."""

    def __init__(self, name: str, port: int, arrived: queue.SimpleQueue[Arrived | None]) -> None:
        self._name = name
        self._arrived = arrived
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=f"demo-node-{name}", clean_session=True)
        self._client.will_set(f"water/node/{name}/presence", "gone", qos=1, retain=True)
        self._client.reconnect_delay_set(1, 30)
        self._client.on_connect = self._connected
        self._client.on_message = self._message
        self._client.connect_async(LOOPBACK, port, keepalive=30)
        self._client.loop_start()

    def publish(self, topic: str, payload: bytes) -> bool:
        """Hand a message to the broker at QoS 1; False while there is no connection."""
        if not self._client.is_connected():
            return False
        return self._client.publish(topic, payload, qos=1).rc == mqtt.MQTT_ERR_SUCCESS

    def close(self) -> None:
        """Say good-bye, and end."""
        with contextlib.suppress(ValueError, RuntimeError):
            self._client.publish(f"water/node/{self._name}/presence", "gone", qos=1, retain=True).wait_for_publish(1.0)
        self._client.disconnect()
        self._client.loop_stop()

    def _connected(self, client: mqtt.Client, _data: object, _flags: object, reason: Any, _properties: object) -> None:
        if not reason.is_failure:
            client.subscribe(f"water/node/{self._name}/receipt", qos=1)
            client.publish(f"water/node/{self._name}/presence", "here", qos=1, retain=True)
            self._arrived.put(Arrived(self._name, "", b""))

    def _message(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        self._arrived.put(Arrived(self._name, message.topic, bytes(message.payload)))


class LiveNode:
    """One box with the node that carries its readings."""

    def __init__(self, box: Box, wire: Wire, folder: Path, clock: DemoClock) -> None:
        core = node_core()
        self.box = box
        self._wire = wire
        folder.mkdir(parents=True, exist_ok=True)
        self._ring = core.ring.Ring(core.ring.open_file(str(folder / f"{box.name}.ring")), RING_SLOTS, 512)
        self.node = core.node.Node(
            box.name,
            self._ring,
            wire,
            run=core.node.new_run(os.urandom),
            mono_ms=lambda: int(clock.mono_s() * 1000),
            fraction=random.random,
            wall_ms=clock.wall_ms if box.clock else None,
            patience=core.receipts.Patience(random.random, PATIENCE_MS, 8 * PATIENCE_MS),
        )

    def sample(self, truth: Truth) -> None:
        """Measure, keep, send."""
        readings = self.box.readings(truth)
        if readings is not None:
            self.node.sample(readings)
        self.node.step()

    def take(self, arrived: Arrived) -> None:
        """Take what came from the broker."""
        if arrived.topic:
            self.node.on_message(arrived.topic, arrived.payload)
        else:
            self.node.connected()
        self.node.step()

    def close(self) -> None:
        """End connection and ring."""
        self._wire.close()
        self._ring.close()


class Now:
    """The truth at the present moment of the demo, between two whole minutes."""

    def __init__(self, season: Season, truth: Truth) -> None:
        self.truth = truth
        self._minutes: Iterator[Truth] = season.minutes(truth)
        self._next = next(self._minutes)

    def at(self, now_ms: int) -> Truth:
        """The truth at a time not before the last one asked for."""
        while self._next.at_ms <= now_ms:
            self.truth, self._next = self._next, next(self._minutes)
        share = (now_ms - self.truth.at_ms) / MINUTE_MS
        before, after = self.truth.on_hand, self._next.on_hand
        on_hand = {name: before[name] + share * (after[name] - before[name]) for name in NAMES}
        return replace(self.truth, at_ms=now_ms, on_hand=on_hand)


def play(folder: Path, port: int, stand: Stand, clock: DemoClock, ended: queue.SimpleQueue[Arrived | None]) -> None:
    """Play the boxes until None comes into the queue.

    Args:
        folder: for ring files and the stand.
        port: of the broker, on the loopback address.
        stand: where to go on.
        clock: the demo's clock.
        ended: the queue that the connections fill.
    """
    now = Now(Season(SEED, balanced=False), stand.truth)
    found = boxes(SEED + int(clock.wall_ms() // 1000))
    nodes = {box.name: LiveNode(box, Wire(box.name, port, ended), folder / "nodes", clock) for box in found}
    due_s = kept_s = time.monotonic()
    try:
        while True:
            if time.monotonic() >= due_s:
                truth = now.at(clock.wall_ms())
                for node in nodes.values():
                    node.sample(truth)
                due_s = max(due_s + EVERY_S, time.monotonic())
            if time.monotonic() >= kept_s + KEEP_STAND_S:
                Stand(clock.wall_ms(), now.truth).write(folder / "stand.json")
                kept_s = time.monotonic()
            try:
                arrived = ended.get(timeout=max(due_s - time.monotonic(), 0.001))
            except queue.Empty:
                continue
            if arrived is None:
                return
            nodes[arrived.node].take(arrived)
    finally:
        Stand(clock.wall_ms(), now.truth).write(folder / "stand.json")
        for node in nodes.values():
            node.close()


def main() -> None:
    """Entry point of the child process."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, required=True)
    parser.add_argument("--port", type=int, required=True)
    parser.add_argument("--offset-ms", type=int, required=True)
    given = parser.parse_args()
    stand = read_stand(given.folder / "stand.json")
    if stand is None:
        parser.error(f"no stand in {given.folder}: start it with `holdwater demo`")
    ended: queue.SimpleQueue[Arrived | None] = queue.SimpleQueue()
    for each in (signal.SIGTERM, signal.SIGINT):
        signal.signal(each, lambda *_: ended.put(None))
    play(given.folder, given.port, stand, DemoClock(given.offset_ms), ended)


if __name__ == "__main__":
    main()
