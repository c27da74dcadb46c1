"""The service is killed at the very call: while it writes, syncs, acknowledges. What the broker gave it is in the store once."""

from __future__ import annotations

import subprocess

import pytest

from faults.sender import Sender
from faults.tracer import Tracer

CALLS = ("sendto", "pwrite64", "fdatasync")


def killed_at(call: str, number: int, daemon, sender: Sender, folder) -> None:
    """Start, kill at the n-th call from the moment the broker delivers, and see it gone."""
    daemon.log_path.unlink(missing_ok=True)
    daemon.start()
    daemon.wait_for("connected to")
    tracer = Tracer(daemon.process.pid, f"{call}:signal=KILL:when={number}", folder)
    sender.send(24)
    for _ in range(40):
        try:
            daemon.process.wait(0.5)
            break
        except subprocess.TimeoutExpired:
            sender.send(4)  # still alive: give it something to do
    tracer.end()
    assert daemon.process.poll() is not None, f"the {number}th {call} never came"


def kill_and_compare(kills: list[tuple[str, int]], make_daemon, make_broker, folder) -> None:
    broker = make_broker()
    daemon = make_daemon(port=broker.port, commit_every="0.2 s")
    sender = Sender(broker.port)
    for call, number in kills:
        killed_at(call, number, daemon, sender, folder)
    daemon.log_path.unlink()
    daemon.start()
    daemon.wait_for("connected to")
    rows = sender.found(folder / "store")
    assert daemon.stop() == 0
    sender.close()
    print(
        f"exact kills: {len(kills)}, {sender.sent} readings, {len(sender.expected() - set(rows))} lost, "
        f"{len(rows) - len(set(rows))} doubled"
    )
    assert len(rows) == len(set(rows))
    assert set(rows) == sender.expected()


@pytest.mark.slow
def test_kills_at_exact_calls_lose_and_double_nothing(make_daemon, make_broker, tmp_path) -> None:
    """20 kills: at sends round the acknowledgement, at writes and syncs round the commit."""
    kills = [("sendto", n) for n in range(1, 9)] + [("pwrite64", n) for n in (1, 2, 3, 5, 8, 13, 21, 34)]
    kill_and_compare(kills + [("fdatasync", n) for n in (1, 2, 3, 4)], make_daemon, make_broker, tmp_path)


@pytest.mark.soak
def test_two_hundred_kills_at_exact_calls_lose_and_double_nothing(make_daemon, make_broker, tmp_path) -> None:
    """The same at each of the first calls of all three kinds."""
    kills = [("sendto", n) for n in range(1, 61)] + [("pwrite64", n) for n in range(1, 101)]
    kill_and_compare(kills + [("fdatasync", n) for n in range(1, 41)], make_daemon, make_broker, tmp_path)
