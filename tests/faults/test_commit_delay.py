"""How long a reading waits for its receipt at 200 messages a second: idle, and beside everything else that the service does."""

from __future__ import annotations

import contextlib
import json
import threading
import time
import urllib.request
from collections.abc import Callable
from pathlib import Path

import pytest

from faults.test_long_run import season
from holdwater.control import ask
from holdwater.demo.child import free_port
from holdwater.replay import replay
from holdwater.store.backup import backup
from place import make_site, payload, publisher

RATE = 200


class Meter:
    """Sends numbered packs and takes the time until the receipt that covers each."""

    def __init__(self, port: int) -> None:
        self._client = publisher(port, "meter")
        self._sent: dict[int, float] = {}
        self._seq = self._upto = 0
        self._delays: list[float] = []
        self._client.on_message = self._receipt
        self._client.subscribe("water/node/a/receipt", 1)

    def _receipt(self, _client, _data, came) -> None:
        body, now = json.loads(came.payload), time.monotonic()
        if body["run"] == 9:
            self._delays += [now - self._sent[seq] for seq in range(self._upto + 1, body["upto"] + 1)]
            self._upto = max(self._upto, body["upto"])

    def measure(self, seconds: float) -> tuple[float, float]:
        """Median and 99th percentile over so long, s."""
        self._delays = []
        began, first = time.monotonic(), self._seq
        while (passed := time.monotonic() - began) < seconds:
            while self._seq - first < passed * RATE:
                self._seq += 1
                self._sent[self._seq] = time.monotonic()
                text = payload(
                    ("pressure", "Pa", 9000.0 + self._seq % 9), t_s=time.time(), run=9, seq=self._seq, keep=1
                )
                self._client.publish("water/node/a/readings", text, qos=1)
            time.sleep(0.002)
        end = time.monotonic() + 10
        while self._upto < self._seq:
            assert time.monotonic() < end, f"{self._seq - self._upto} packs without a receipt"
            time.sleep(0.01)
        ordered = sorted(self._delays)
        return ordered[len(ordered) // 2], ordered[len(ordered) * 99 // 100]


def repeated(act: Callable[[], object], stop: threading.Event, done: list[int]) -> threading.Thread:
    """A thread that does something again and again; `done` counts."""

    def run() -> None:
        while not stop.is_set():
            with contextlib.suppress(threading.BrokenBarrierError):
                act()
                done.append(1)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    return thread


@pytest.mark.soak
def test_commits_are_not_held_up_by_backup_recompute_and_ten_graphs_at_once(
    make_daemon, broker, tmp_path: Path
) -> None:
    """Both figures are printed; beside all of it the 99th percentile rises by less than a second; nothing is missing."""
    store = tmp_path / "store"
    replay(make_site(store), season(10), store)
    page = free_port()
    daemon = make_daemon(port=broker.port, commit_every="0.1 s", listen=f"127.0.0.1:{page}").start()
    daemon.wait_for("connected to")
    meter = Meter(broker.port)
    meter.measure(3)
    idle = meter.measure(15)
    stop, burst = threading.Event(), threading.Barrier(10, timeout=30)
    copies: list[int] = []
    graphs: list[int] = []
    anew: list[int] = []

    def graph() -> None:
        burst.wait()  # ten at once, once a second: more than a household does
        with (
            contextlib.suppress(OSError),
            urllib.request.urlopen(f"http://127.0.0.1:{page}/season", timeout=30) as answer,
        ):
            answer.read()  # the page may refuse the ninth of one address: that is its right
            graphs.append(1)
        stop.wait(1)

    def recompute() -> None:
        ask(store, "recompute", {})
        stop.wait(2)

    threads = [repeated(graph, stop, []) for _ in range(10)]
    threads += [
        repeated(lambda: backup(store, tmp_path / "stick", keep=2), stop, copies),
        repeated(recompute, stop, anew),
    ]
    busy = meter.measure(15)
    stop.set()
    burst.abort()
    for thread in threads:
        thread.join(60)
    print(
        f"commit delay at {RATE} messages/s (commit_every 0.1 s): idle median {idle[0] * 1000:.0f} ms, p99 {idle[1] * 1000:.0f} ms; "
        f"beside {len(copies)} backups, {len(anew)} recomputations, {len(graphs)} graphs: "
        f"median {busy[0] * 1000:.0f} ms, p99 {busy[1] * 1000:.0f} ms"
    )
    assert copies
    assert graphs
    assert anew
    assert busy[1] < idle[1] + 1.0
    assert daemon.stop() == 0
