"""Rows 4 and 10: memory after a season and a hundred season graphs, and how fast the page is."""

from __future__ import annotations

import time
from http.client import HTTPConnection

from bench.bench_run import Bench
from bench.figures import Bound, Figure, middle
from bench.live import SETTLE_S
from bench.measured import ours
from holdwater.demo.child import free_port

GRAPHS = 100


def rows_4_10(bench: Bench) -> list[Figure]:
    """Serve the season's store."""
    season = bench.season()
    broker = bench.broker("page")
    try:
        off_mib, off_ready = _without_page(bench, broker.port)
        with_page = _with_page(bench, broker.port)
    finally:
        broker.stop()
    idle_mib, served_mib, first_ms, cold, warm, cpu_ms, ready = with_page
    note = f"store of {season['readings']:,} readings; floor: imports alone, from the budgets"
    drawn = (
        f"another number of days each time; first page after the start {first_ms:.0f} ms; "
        f"processor time of the service {cpu_ms:.0f} ms a graph"
    )
    on, off, ready_at = (Bound(60), Bound(54)), (Bound(40), Bound(36)), (Bound(1.5), Bound(0.8))
    told = "from request to last byte on one open loopback connection, drawn before"
    return [
        Figure("4", "memory with page, idle", "MiB", idle_mib, None, 47.0, *on, note=note),
        Figure("4", f"memory after {GRAPHS} season graphs", "MiB", served_mib, None, 47.0, *on),
        Figure("4", "memory without page", "MiB", off_mib, None, 33.0, *off),
        Figure("10", "season page of one tank, warm", "ms", warm[0], None, None, Bound(50), Bound(15), warm[1], told),
        Figure("10", "season page of one tank, drawn anew", "ms", cold[0], None, None, Bound(50), None, cold[1], drawn),
        Figure(
            "12", "start to ready on the season's store", "s", ready, None, None, *ready_at, note=f"with page; without {off_ready:.2f} s"
        ),
    ]  # fmt: skip


def _without_page(bench: Bench, port: int) -> tuple[float, float]:
    child = ours(bench.sub("page-off"), port, store=bench.season()["store"]).start()
    try:
        ready_s = child.wait_for("ready: ")
        child.wait_for("connected to")
        time.sleep(SETTLE_S)
        return child.rss_mib(), ready_s
    finally:
        child.end()


def _with_page(
    bench: Bench, port: int
) -> tuple[float, float, float, tuple[float, float], tuple[float, float], float, float]:
    web = free_port()
    child = ours(bench.sub("page-on"), port, listen=f"127.0.0.1:{web}", store=bench.season()["store"]).start()
    connection = HTTPConnection("127.0.0.1", web, timeout=30)
    try:
        ready_s = child.wait_for("ready: ")
        time.sleep(SETTLE_S)
        idle = child.rss_mib()
        first_ms = fetch(connection, f"/season?days={bench.days}&tank=drinking")
        warm = middle([fetch(connection, f"/season?days={bench.days}&tank=drinking") for _ in range(9)])
        before = child.cpu_s()
        drawn = [
            fetch(connection, f"/season?days={bench.pick(120 + turn, 120 - turn)}&tank={tank}")
            for turn in range(GRAPHS // 2)
            for tank in ("drinking", "garden")
        ]
        cpu_ms = (child.cpu_s() - before) / len(drawn) * 1000
        return idle, child.rss_mib(), first_ms, middle(drawn), warm, cpu_ms, ready_s
    finally:
        connection.close()
        child.end()


def fetch(connection: HTTPConnection, path: str) -> float:
    """Milliseconds until the last byte of a page is here."""
    begin = time.perf_counter()
    connection.request("GET", path, headers={"Accept-Encoding": "gzip"})
    answer = connection.getresponse()
    body = answer.read()
    if answer.status != 200 or not body:
        raise RuntimeError(f"{path}: status {answer.status}")
    return (time.perf_counter() - begin) * 1000
