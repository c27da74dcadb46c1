"""Brokers die with their queues and boards lose power: with receipts nothing is lost, with the broker's word alone it is."""

from __future__ import annotations

import random
import time
from pathlib import Path

import pytest

from faults.reference_node import Box, Wire, turn, until_empty
from holdwater.control import ask
from holdwater.store.reader import open_reader
from place import payload, publisher

RATE = 40


class Bare:
    """The control: a publisher that trusts the broker's acknowledgement and keeps nothing."""

    def __init__(self, port: int) -> None:
        self._client = publisher(port, "bare")
        self._under_way: dict[int, tuple[int, float]] = {}
        self._client.on_publish = self._published
        self.acknowledged: set[tuple[int, float]] = set()

    def _published(self, _client, _data, mid, _reason, _properties) -> None:
        while mid not in self._under_way:  # the broker may be quicker than the return of publish
            time.sleep(0.0005)
        self.acknowledged.add(self._under_way.pop(mid))

    def send(self, at_ms: int, value: float) -> None:
        """Publish, if there is a connection."""
        if self._client.is_connected():
            sent = self._client.publish("water/node/b/readings", payload(("gap", "m", value), t_s=at_ms / 1000), qos=1)
            self._under_way[sent.mid] = (at_ms, value)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def rows(folder: Path, series: str) -> list[tuple[int, float]]:
    with open_reader(folder) as reader:
        return [(row.ts_ms, row.value) for row in reader.readings(series, 0, 1 << 50)]


def power_cuts(kills: int, make_daemon, make_broker, folder: Path) -> None:
    broker = make_broker()
    daemon = make_daemon(port=broker.port, commit_every="0.5 s").start()
    daemon.wait_for("connected to")
    wire, bare, rng = Wire(broker.port, spoil=True), Bare(broker.port), random.Random(5)
    box = Box("a", wire, folder, lambda: round(time.time() * 1000))
    boxes = {"a": box}
    done, next_kill, next_sample = 0, time.monotonic() + 1.0, time.monotonic()
    while done < kills:
        if time.monotonic() >= next_sample:
            next_sample += 1 / RATE
            box.sample()
            bare.send(box.measured[-1][0], 0.5 + len(box.measured) % 100 / 100)
        turn(wire, boxes)
        if time.monotonic() >= next_kill:
            broker.kill()
            daemon.kill()
            for kept in broker.folder.glob("mosquitto.db*"):
                kept.unlink()
            broker.start()
            daemon.start()
            done += 1
            next_kill = time.monotonic() + rng.uniform(1.5, 2.5)
        time.sleep(0.002)
    until_empty(wire, boxes, 60)
    time.sleep(1.5)
    found, plain = rows(folder / "store", "a:pressure"), set(rows(folder / "store", "b:gap"))
    lost_bare = len(bare.acknowledged - plain)
    print(
        f"broker and service killed {kills} times, queue lost: {len(box.measured)} packs with receipts "
        f"({', '.join(f'{n} receipts {what}' for what, n in wire.spoiled.items())}), {len(set(box.measured) - set(found))} lost; "
        f"bare QoS 1: {lost_bare} of {len(bare.acknowledged)} acknowledged lost ({100 * lost_bare / len(bare.acknowledged):.1f} %)"
    )
    wire.close()
    bare.close()
    assert len(found) == len(set(found))
    assert set(found) == set(box.measured)
    assert all(wire.spoiled.values())
    assert lost_bare > 0, "the control lost nothing: this test shows nothing"
    with open_reader(folder / "store") as reader:
        assert reader.counts().get("packs lost by nodes", 0) == 0


@pytest.mark.slow
def test_with_receipts_nothing_is_lost_when_broker_and_service_lose_power(make_daemon, make_broker, tmp_path) -> None:
    """3 kills -9 of both, the broker's queue gone; receipts lost, doubled and late on top."""
    power_cuts(3, make_daemon, make_broker, tmp_path)


@pytest.mark.soak
def test_forty_power_cuts_lose_nothing_with_receipts(make_daemon, make_broker, tmp_path) -> None:
    """The same 40 times."""
    power_cuts(40, make_daemon, make_broker, tmp_path)


def flood(count: int, every_s: int, make_daemon, make_broker, folder: Path, rings: Path) -> None:
    broker = make_broker()
    daemon = make_daemon(port=broker.port, commit_every="2 s").start()
    daemon.wait_for("connected to")
    broker.stop()
    names = ["a", "b", *(f"n{n}" for n in range(count - 2))]
    wire = Wire(broker.port)
    start_ms, at_ms = round(time.time() * 1000) - 86_400_000, [0]
    boxes = {name: Box(name, wire, rings, lambda: at_ms[0]) for name in names}
    for step in range(86_400 // every_s):
        at_ms[0] = start_ms + step * every_s * 1000
        for box in boxes.values():
            box.sample()
            box.node.step()
    for name in names:
        assert ask(folder / "store", "accept", {"node": name})["ok"]
    before_kib = memory_kib(daemon.process.pid)
    began = time.monotonic()
    broker.start()
    until_empty(wire, boxes, 900)
    took_s = time.monotonic() - began
    most_kib = memory_kib(daemon.process.pid, "VmHWM")
    packs = sum(len(box.measured) for box in boxes.values())
    print(
        f"24 h without a broker, then a flood: {count} nodes, {packs} packs stored in {took_s:.0f} s ({packs / took_s:.0f}/s), "
        f"memory {before_kib / 1024:.1f} MiB before, {most_kib / 1024:.1f} MiB at most"
    )
    for name, box in boxes.items():
        assert rows(folder / "store", f"{name}:pressure") == box.measured
    with open_reader(folder / "store") as reader:
        counts = reader.counts()
    assert counts.get("late readings", 0) == 0, "order was not kept"
    assert counts.get("packs lost by nodes", 0) == 0
    assert most_kib - before_kib < 40 * 1024
    wire.close()
    assert daemon.stop() == 0


def memory_kib(pid: int, what: str = "VmRSS") -> int:
    """Resident memory of a process, kB."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(what))


@pytest.mark.slow
def test_a_day_without_a_broker_ends_in_a_flood_that_is_stored_in_order(
    make_daemon, make_broker, tmp_path, memory_folder
) -> None:
    """5 nodes, a reading each five minutes of node time."""
    flood(5, 300, make_daemon, make_broker, tmp_path, memory_folder)


@pytest.mark.soak
def test_a_day_of_a_hundred_nodes_is_stored_in_order_with_bounded_memory(
    make_daemon, make_broker, tmp_path, memory_folder
) -> None:
    """100 nodes, a reading a minute: 144,000 packs at once."""
    flood(100, 60, make_daemon, make_broker, tmp_path, memory_folder)
