"""Seven days without the server, then catching up beside live readings; two hundred households into one server."""

from __future__ import annotations

import json
import shutil
import statistics
import threading
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest

from holdwater.config.mirrors import MirrorSettings
from holdwater.demo.child import free_port
from holdwater.events import Message
from holdwater.mirror.marks import Marks
from holdwater.mirror.run import Mirror
from holdwater.recording import Line
from holdwater.replay import replay
from place import MINUTE_MS, START_MS, Daemon, make_site, payload, publisher, text_of

QUANTITIES = (("pressure", "Pa"), ("air", "Cel"), ("water", "Cel"), ("battery", "V"))


def minute(at_ms: int, n: int) -> list[Line]:
    """A minute of eight series: four of each of two boxes."""
    lines = []
    for node in ("a", "b"):
        level = [("gap", "m", round(1.0 + n % 97 / 1000, 4))] if node == "b" else [("pressure", "Pa", 9000.0 + n % 97)]
        records = [*level, *((name, unit, round(10 + n % 31 / 100, 2)) for name, unit in QUANTITIES[1:])]
        text = payload(*records, t_s=at_ms / 1000)
        lines.append(Line(at_ms, Message(f"water/node/{node}/readings", text.encode(), at_ms, at_ms / 1000)))
    return lines


def rss_kib(pid: int) -> int:
    return int(Path(f"/proc/{pid}/status").read_text().split("VmRSS:")[1].split()[0])


def mirror_of(daemon: Daemon) -> int:
    """Process of the mirror."""
    assert daemon.process is not None
    children = Path(f"/proc/{daemon.process.pid}/task/{daemon.process.pid}/children").read_text().split()
    return next(int(each) for each in children if b"holdwater.mirror" in Path(f"/proc/{each}/cmdline").read_bytes())


class Asking:
    """Sends numbered packs one after the other and times their receipts."""

    def __init__(self, port: int) -> None:
        self._client = publisher(port)
        self._got = threading.Event()
        self._seq = 0
        self._client.on_message = self._receipt
        self._client.subscribe("water/node/a/receipt", 1)

    def _receipt(self, _client: object, _data: object, message: object) -> None:
        if json.loads(message.payload)["upto"] >= self._seq:  # type: ignore[attr-defined]
            self._got.set()

    def one_s(self) -> float:
        """Seconds from a pack's sending to its receipt."""
        self._seq += 1
        self._got.clear()
        began = time.perf_counter()
        text = payload(("pressure", "Pa", 9000.0), t_s=time.time(), run=7, seq=self._seq, keep=1)
        self._client.publish("water/node/a/readings", text, qos=1)
        assert self._got.wait(20), "no receipt"
        return time.perf_counter() - began

    def median_s(self, count: int) -> float:
        """The median of so many."""
        return statistics.median(self.one_s() for _ in range(count))


@pytest.mark.soak
def test_seven_days_are_caught_up_with_none_lost_none_double_and_intake_as_quick_as_before(
    place, make_server, broker, tmp_path
) -> None:
    """80,640 readings wait in a running service whose server was away; a server that keeps doubles ends with each of them once.

    Receipts come as quickly while the mirror catches up as before: median of 300 each, ratio at most 1.1.
    """
    now = time.time_ns() // 1_000_000 // MINUTE_MS * MINUTE_MS
    week = range(now - 7 * 1440 * MINUTE_MS, now, MINUTE_MS)
    replay(place.site, (line for n, at in enumerate(week) for line in minute(at, n)), place.folder)
    before = place.held()
    assert before.total() == 80_640
    port = free_port()
    more = f'[mirror]\nurl = "http://127.0.0.1:{port}"\nbucket = "water"\nevery = "5 s"\nrate = 2000\n'
    daemon = Daemon(tmp_path, text_of(place.folder, port=broker.port, more=more), ("--trust-clock",)).start()
    try:
        daemon.wait_for("wait and are kept", 60)
        child = mirror_of(daemon)
        before_kib = rss_kib(child)
        asking = Asking(broker.port)
        asking.median_s(50)
        away_s = asking.median_s(300)
        server = make_server("victoria-metrics")
        server.stop()
        server.port = port
        server.start()
        daemon.wait_for("the server takes readings again", 120)
        began = time.monotonic()
        during: list[float] = []
        while "caught up" not in daemon.log and time.monotonic() - began < 240:
            during.append(asking.one_s())
        caught_up_s = time.monotonic() - began
        daemon.wait_for("caught up", 60)
        assert rss_kib(child) < before_kib + 10_000
        busy_s = statistics.median(during)
        after_s = asking.median_s(300)
        time.sleep(15)
        daemon.stop()
        place.to(server.url).send()
    finally:
        daemon.end()
    calm_s = statistics.median([away_s, after_s])
    told = " ".join(f"{each * 1e3:.2f}" for each in (away_s, busy_s, after_s))
    print(f"the mirror's memory before catching up {before_kib / 1024:.1f} MiB")
    print(f"receipt while away, catching up, after: {told} ms; caught up in {caught_up_s:.0f} s")
    assert server.points() == place.held()
    assert place.held().total() > 80_640 + 600
    assert set(server.points().values()) == {1}
    assert busy_s <= 1.1 * calm_s


def one_site(folder: str, number: int, url: str) -> int:
    """A household of its own name, with a copy of the store; readings and levels that it sent."""
    target = Path(folder).parent / f"site-{number}"
    shutil.copytree(folder, target)
    settings = MirrorSettings(url, "water", f"site-{number:03}", rate=100_000)
    with Mirror(make_site(target), settings, target, lambda _seconds: False) as mirror:
        while mirror.turn() == 0:
            pass
        assert mirror.why == ""
        return mirror.sent


@pytest.mark.soak
def test_two_hundred_households_share_one_server_and_stay_apart(place, victoria) -> None:
    """Four at a time, each six hours of eight series and two tanks: 576,000 readings, 200 names, the same count for each."""
    span_ms = 360 * MINUTE_MS
    minutes = range(START_MS, START_MS + span_ms, MINUTE_MS)
    replay(place.site, (line for n, at in enumerate(minutes) for line in minute(at, n)), place.folder)
    Marks.open(place.folder).close()
    began = time.monotonic()
    with ProcessPoolExecutor(4) as pool:
        sent = list(pool.map(one_site, [str(place.folder)] * 200, range(200), [victoria.url] * 200))
    took_s = time.monotonic() - began
    assert len(set(sent)) == 1
    assert victoria.tags("site") == {f"site-{n:03}" for n in range(200)}
    from holdwater.mirror.server import Server
    from holdwater.mirror.verify import counter

    for n in (0, 57, 199):
        settings = replace(place.settings, url=victoria.url, site=f"site-{n:03}")
        server = Server(settings)
        assert counter(server, settings)(START_MS, START_MS + span_ms) == 2880
        server.close()
    rss = int(Path(f"/proc/{victoria.process.pid}/status").read_text().split("VmRSS:")[1].split()[0])
    print(f"200 sites, {sum(sent):,} points in {took_s:.0f} s; the server's memory {rss / 1024:.0f} MiB")
