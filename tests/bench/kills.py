"""Row 13: what is lost or repeated when the process is killed while messages come."""

from __future__ import annotations

import random
import sqlite3
import threading
import time
from contextlib import closing
from pathlib import Path

from bench.bench_run import Bench
from bench.figures import Bound, Figure
from bench.live import stream
from bench.measured import Child, Publisher, naive, ours, wait_until

RATE = 200


def row_13(bench: Bench) -> list[Figure]:
    """Both, each alone, with the same number of kills."""
    kills = bench.pick(2, 20)
    (naive_lost, naive_again), (lost, again) = (_killed(bench, who, kills) for who in ("naive", "holdwater"))
    note = f"{kills} kills at random moments at {RATE} messages a second; the power-cut test of every write is in tests/faults"
    return [
        Figure("13", "readings lost after SIGKILL", "", lost, naive_lost, must=Bound(0), aim=Bound(0), note=note),
        Figure("13", "readings stored twice after SIGKILL", "", again, naive_again, must=Bound(0), aim=Bound(0)),
    ]


def _killed(bench: Bench, who: str, kills: int) -> tuple[float, float]:
    broker = bench.broker(f"kills-{who}")
    folder = bench.sub(f"kills-{who}")
    child = naive(folder, broker.port) if who == "naive" else ours(folder, broker.port)
    path = folder / ("naive.db" if who == "naive" else "store/store.db")
    words = "ready" if who == "naive" else "connected to"
    publisher, stopping, chance = Publisher(broker.port), threading.Event(), random.Random(13)
    sent = [0]

    def publish() -> None:
        while not stopping.is_set():
            base_ms = round(time.time() * 1000)
            sent[0] += publisher.send(stream(20, lambda number, base_ms=base_ms: base_ms + number), RATE)

    sender = threading.Thread(target=publish, daemon=True)
    try:
        child.start().wait_for(words)
        sender.start()
        for _ in range(kills):
            time.sleep(chance.uniform(0.1, 0.6))
            child.kill()
            child.start().wait_for(words)
        stopping.set()
        sender.join()
        _settled(child, path, sent[0])
        return _counted(path, sent[0])
    finally:
        stopping.set()
        child.end()
        publisher.end()
        broker.stop()


def _settled(child: Child, path: Path, sent: int) -> None:
    """Wait for the last ones; those that never come are what is counted."""
    until = time.monotonic() + 10
    wait_until(
        lambda: _counted(path, sent)[0] == 0 or time.monotonic() > until, f"{child.name} stores what was sent", 30, 0.3
    )


def _counted(path: Path, sent: int) -> tuple[float, float]:
    """How many of the sent readings are missing, how many are there twice."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=10)) as connection:
        rows, distinct = connection.execute(
            "SELECT count(*), count(DISTINCT CAST(series AS TEXT) || ' ' || ts) FROM reading"
        ).fetchone()
    return float(sent - distinct), float(rows - distinct)
