"""The power is cut at every point of a run's write log: nothing confirmed is lost, every store opens, every transaction is whole."""

from __future__ import annotations

import multiprocessing
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from faults.power_cut import Outcome, cut_everywhere, read_log

DRIVER = Path(__file__).with_name("faults_driver.py")


@pytest.fixture
def record(preload, memory_folder):
    """`record(commits, backup_every, fault)`: the write log of a driven run."""
    library = preload("oplog")

    def run(commits: int, backup_every: int, fault: str = ""):
        folder, log = memory_folder / "run", memory_folder / "log"
        folder.mkdir()
        environment = {**os.environ, "LD_PRELOAD": str(library), "OPLOG_DIR": str(folder), "OPLOG_OUT": str(log)}
        command = [sys.executable, str(DRIVER), str(folder), str(commits), str(backup_every), fault]
        subprocess.run(command, check=True, env=environment, timeout=600)
        return read_log(log, folder)

    return run


def in_parts(ops, work: Path, torn: int, parts: int) -> Outcome:
    """All points, judged by several processes."""
    step = -(-len(ops) // (8 * parts))
    jobs = []
    for number in range(8 * parts):
        folder = work / f"part-{number}"
        folder.mkdir()
        jobs.append((ops, folder, torn, range(number * step, (number + 1) * step)))
    whole = Outcome()
    with multiprocessing.get_context("fork").Pool(parts) as pool:
        for part in pool.imap_unordered(_part, jobs):
            whole.points += part.points
            whole.images += part.images
            whole.faults += part.faults
            whole.commits = max(whole.commits, part.commits)
    return whole


def _part(job) -> Outcome:
    ops, folder, torn, only = job
    return cut_everywhere(ops, folder, torn=torn, only=only)


def told(outcome: Outcome, records: int, seconds: float) -> None:
    print(
        f"power cut: {outcome.commits} commits, {records} records, cut at {outcome.points} points, {outcome.images} disks, "
        f"{sum(outcome.faults.values())} broken promises, {seconds:.0f} s"
    )


@pytest.mark.slow
def test_no_power_cut_loses_what_was_confirmed_or_leaves_a_store_that_does_not_open(record, memory_folder) -> None:
    """200 commits with notices, roll-ups, checkpoints and two backups: each sync and transaction end, and a choice between."""
    ops = record(200, 90)
    assert {"store/store.db", "store/store.db-wal", "ACK"} <= {op.path for op in ops}
    assert sum(op.kind == "r" for op in ops) == 2, "no copy was made"
    assert sum(op.path == "store/store.db" and op.kind == "w" for op in ops) > 100, "no checkpoint was made"
    work = memory_folder / "work"
    work.mkdir()
    began = time.monotonic()
    outcome = cut_everywhere(ops, work, every=30)
    told(outcome, len(ops), time.monotonic() - began)
    assert outcome.faults == {}
    assert outcome.commits == 200


@pytest.mark.soak
def test_no_power_cut_at_any_record_of_a_long_run_breaks_a_promise(record, memory_folder) -> None:
    """2,000 commits, every record, two torn disks each."""
    ops = record(2000, 500)
    work = memory_folder / "work"
    work.mkdir()
    began = time.monotonic()
    outcome = in_parts(ops, work, torn=2, parts=os.cpu_count() or 1)
    told(outcome, len(ops), time.monotonic() - began)
    assert outcome.faults == {}
    assert outcome.commits == 2000


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fault", "kind", "found"),
    [
        ("ack before commit", "kill", "a confirmed reading is lost"),
        ("outbox in a second transaction", "kill", "a transaction is torn: a notice without its outbox row"),
        ("synchronous normal", "unsynced lost", "a confirmed reading is lost"),
    ],
)
def test_a_planted_fault_is_found(record, memory_folder, fault, kind, found) -> None:
    """A test that cannot fail proves nothing: three ways to break the promise, each of them is seen."""
    ops = record(26, 1000, fault)
    work = memory_folder / "work"
    work.mkdir()
    outcome = cut_everywhere(ops, work, every=40)
    assert outcome.faults[kind, found] > 0, outcome.faults
