"""Rows 1, 2, 3, 5 and 12: the naive script, the floor and holdwater beside each other, at a real broker."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from bench.bench_run import Bench
from bench.figures import Bound, Figure, middle
from bench.measured import Child, Publisher, floor, naive, ours, wait_until
from bench.season import singles, still_values
from broker_fixture import TestBroker
from holdwater.demo.child import free_port

SETTLE_S = 2.0
RATE = 200


def stored(path: Path) -> int:
    """Rows of a child's database."""
    try:
        connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=10)
        try:
            return int(connection.execute("SELECT count(*) FROM reading").fetchone()[0])
        finally:
            connection.close()
    except sqlite3.Error:
        return 0


def stream(count: int, at_ms: Callable[[int], int]) -> Iterator[tuple[str, str]]:
    """So many messages of one reading, at times that grow."""
    turns = still_values(count // 8 + 1)
    for number in range(count):
        if number % 8 == 0:
            values = next(turns)
        yield list(singles(at_ms(number), values))[number % 8]


class Rivals:
    """The three at one broker, each with its database."""

    def __init__(self, bench: Bench, name: str) -> None:
        self.folder = bench.sub(name)
        self.broker: TestBroker = bench.broker(name)
        port = self.broker.port
        self.naive = naive(self.folder, port).start()
        self.floor = floor(self.folder, port).start()
        self.ours = ours(self.folder, port, listen=f"127.0.0.1:{free_port()}").start()
        self.files = {
            "naive": self.folder / "naive.db", "floor": self.folder / "floor.db", "holdwater": self.folder / "store" / "store.db",
        }  # fmt: skip
        self.naive.wait_for("ready")
        self.floor.wait_for("ready")
        self.ours.wait_for("connected to")
        self.publisher = Publisher(port)
        self.sent = 0
        time.sleep(SETTLE_S)

    @property
    def children(self) -> tuple[Child, Child, Child]:
        """Naive, floor, ours."""
        return self.naive, self.floor, self.ours

    def send(self, count: int, per_second: float | None) -> None:
        """Publish so many readings of now, and wait until all three have stored them."""
        self.sent += self.publisher.send(stream(count, lambda _: round(time.time() * 1000)), per_second)
        self.all_stored()

    def all_stored(self, who: Child | None = None) -> None:
        """Wait until all three, or one, have stored everything sent so far."""
        for child in self.children if who is None else (who,):
            wait_until(
                lambda child=child: stored(self.files[child.name]) >= self.sent,
                f"{child.name} stores all that was sent",
            )

    def end(self) -> None:
        """End everything."""
        self.publisher.end()
        for child in self.children:
            child.end()
        self.broker.stop()


def rows_1_2_3_5(bench: Bench) -> list[Figure]:
    """All figures that need the three at once."""
    found: list[Figure] = []
    # Those of true load begin on empty stores: an hour with the thousands of readings of the others costs its roll-ups so much more.
    for name, measures in (("calm", (_wakeups, _true_load)), ("busy", (_per_reading, _burst))):
        rivals = Rivals(bench, name)
        try:
            found += [measure(bench, rivals) for measure in measures]
        finally:
            rivals.end()
    return sorted(found, key=lambda each: int(each.row))


def _wakeups(bench: Bench, rivals: Rivals) -> Figure:
    seconds = bench.pick(11.0, 40.0)
    before = [child.wakeups() for child in rivals.children]
    time.sleep(seconds)
    rates = [(child.wakeups() - at) / seconds for child, at in zip(rivals.children, before, strict=True)]
    return Figure(
        "3", "wake-ups a second, no message, page on", "/s", rates[2], rates[0], rates[1], Bound(1.5), Bound(0.3),
        note=f"voluntary context switches of all threads over {seconds:g} s",
    )  # fmt: skip


def _per_reading(bench: Bench, rivals: Rivals) -> Figure:
    rounds, count = bench.pick((3, 600), (5, 2000))
    costs: list[list[float]] = []
    rivals.send(200, RATE)
    for _ in range(rounds):
        before = [child.cpu_s() for child in rivals.children]
        rivals.send(count, RATE)
        costs.append([(child.cpu_s() - at) / count * 1000 for child, at in zip(rivals.children, before, strict=True)])
    (naive_ms, _), (floor_ms, _), (ours_ms, spread) = (middle([each[who] for each in costs]) for who in range(3))
    return Figure(
        "2", f"processor time a reading at {RATE}/s", "ms", ours_ms, naive_ms, floor_ms, Bound(0.40, "ratio"), Bound(0.25, "ratio"), spread,
        "one reading a message; validation, conversion, rules, roll-ups, page on; all three fed by the same messages; "
        f"median of {rounds} x {count} readings",
    )  # fmt: skip


def _burst(bench: Bench, rivals: Rivals) -> Figure:
    rounds, count = bench.pick((2, 1500), (5, 3000))
    rates: dict[str, list[float]] = {child.name: [] for child in rivals.children}
    for _ in range(rounds):
        for child in rivals.children:
            child.freeze()
        base_ms = round(time.time() * 1000) - count
        rivals.sent += rivals.publisher.send(stream(count, lambda number, base=base_ms: base + number))
        for child in rivals.children:
            rates[child.name].append(_drain(rivals, child, count))
    naive_rate, floor_rate = middle(rates["naive"])[0], middle(rates["floor"])[0]
    rate, spread = middle(rates["holdwater"])
    return Figure(
        "5", "burst at QoS 1 until durable", "/s", rate, naive_rate, floor_rate, Bound(6, "ratio", at_least=True),
        Bound(12, "ratio", at_least=True), spread,
        f"{count} messages of one reading wait at the broker for a stopped process; it goes on alone; median of {rounds}",
    )  # fmt: skip


def _drain(rivals: Rivals, child: Child, count: int) -> float:
    """Readings a second. The naive script's commits are held up by anybody who reads its file, so it is watched from outside."""
    begin = time.monotonic()
    child.thaw()
    if child is rivals.naive:
        return count / (_until_calm(child) - begin)
    wait_until(lambda: stored(rivals.files[child.name]) >= rivals.sent, f"{child.name} stores the burst", every_s=0.01)
    return count / (time.monotonic() - begin)


def _until_calm(child: Child) -> float:
    """When a child last used the processor, once it has rested for half a second."""
    used, last = child.cpu_s(), time.monotonic()
    while time.monotonic() - last < 0.5:
        time.sleep(0.01)
        now = child.cpu_s()
        if now > used:
            used, last = now, time.monotonic()
    return last


def _true_load(bench: Bench, rivals: Rivals) -> Figure:
    seconds = bench.pick(8, 180)
    count = max(1, round(seconds * 8 / 60))
    before = [child.cpu_s() for child in rivals.children]
    begin = time.monotonic()
    rivals.sent += rivals.publisher.send(stream(count, lambda _: round(time.time() * 1000)), 8 / 60)
    time.sleep(max(0.0, begin + seconds - time.monotonic()))
    rates = [(child.cpu_s() - at) / seconds * 3600 for child, at in zip(rivals.children, before, strict=True)]
    return Figure(
        "1", "processor time at true load", "s/h", rates[2], rates[0], rates[1], Bound(1.0, "ratio"), Bound(0.6, "ratio"),
        note=f"{count} messages over {seconds} s (8 a minute), everything on, page not open, scaled to an hour"
        + ("; too short to hold a commit of each minute, see the full run" if bench.quick else ""),
    )  # fmt: skip


def row_12(bench: Bench) -> list[Figure]:
    """Start to ready, and to the first stored reading: one message waits at the broker."""
    rounds = bench.pick(3, 5)
    broker = bench.broker("start")
    folder = bench.sub("start")
    try:
        ready = [_first_stored(broker, folder, turn) for turn in range(rounds)]
    finally:
        broker.stop()
    (ours_ready, spread), (naive_ready, _) = middle([each[1] for each in ready]), middle([each[0] for each in ready])
    (ours_first, first_spread), (naive_first, _) = (
        middle([each[3] for each in ready]),
        middle([each[2] for each in ready]),
    )
    must, aim = Bound(1.5), Bound(0.8)
    return [
        Figure("12", "start to ready", "s", ours_ready, naive_ready, None, must, aim, spread, f"page on, median of {rounds}"),
        Figure(
            "12", "start to first stored reading", "s", ours_first, naive_first, None, must, aim, first_spread,
            f"commit_every 0.1 s; it waits at the broker; median of {rounds}",
        ),
    ]  # fmt: skip


def _first_stored(broker: TestBroker, folder: Path, turn: int) -> list[float]:
    """Seconds to ready (naive, ours), then to the first stored reading (naive, ours)."""
    found: list[list[float]] = []
    page = f"127.0.0.1:{free_port()}"
    for make in (
        lambda: (naive(folder, broker.port), folder / "naive.db", "ready"),
        lambda: (
            ours(folder, broker.port, listen=page, commit_every="0.1 s"),
            folder / "store" / "store.db",
            "ready: ",
        ),
    ):
        child, path, words = make()
        if turn == 0:  # a first life, so that the broker knows the session
            child.start().wait_for("connected to" if child.name == "holdwater" else "ready")
            time.sleep(0.5)
            child.end()
        publisher = Publisher(broker.port)
        publisher.send(stream(1, lambda _: round(time.time() * 1000)))
        publisher.end()
        before = stored(path)
        child.start()
        ready_s = child.wait_for(words)
        wait_until(
            lambda path=path, before=before: stored(path) > before, "the waiting reading is stored", every_s=0.005
        )
        found.append([ready_s, time.monotonic() - child.began_s])
        child.end()
    return [found[0][0], found[1][0], found[0][1], found[1][1]]
