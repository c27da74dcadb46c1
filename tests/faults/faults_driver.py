"""The real loop on a real store, driven step by step in a process of its own, for tests that cut its power.

``python faults_driver.py FOLDER COMMITS BACKUP_EVERY FAULT``. What was confirmed to the world is appended to FOLDER/ACK the moment it
goes out: ``a MID`` for an acknowledgement, ``r NODE UPTO`` for a receipt. FAULT plants a fault, to show that the tests would find it.
"""

import json
import math
import os
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from holdwater.clock import SetClock
from holdwater.events import Message
from holdwater.loop import Loop
from holdwater.postman import Postman
from holdwater.store.backup import backup
from holdwater.store.batch import Ack, Batch
from holdwater.store.writer import Store
from holdwater.world import Surroundings
from place import START_MS, make_site, reading

STEP_MS = 600_000
CHANNEL = '\n[channel.log]\nkind = "log"\n'


class World:
    """Writes down what is confirmed, at once, as a broker and a node would have it in their hands."""

    def __init__(self, folder: Path) -> None:
        self._file = os.open(folder / "ACK", os.O_WRONLY | os.O_CREAT | os.O_APPEND)

    def acks(self, owed: Sequence[Ack]) -> None:
        for each in owed:
            os.write(self._file, f"a {each.mid}\n".encode())

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:
        if topic.endswith("/receipt"):
            os.write(self._file, f"r {topic.split('/')[2]} {json.loads(payload)['upto']}\n".encode())
        return True


def plant(fault: str, store: Store, world: World) -> None:
    """Plant a fault into this process's store."""
    write = store.write
    if fault == "ack before commit":

        def acked_first(batch: Batch) -> None:
            world.acks(batch.acks)
            write(batch)

        store.write = acked_first  # type: ignore[method-assign]
    elif fault == "outbox in a second transaction":

        def in_two(batch: Batch) -> None:
            bare = Batch()
            for name in Batch.__slots__:
                setattr(bare, name, getattr(batch, name))
            bare.changes = [replace(change, outbox=()) for change in batch.changes]
            write(bare)
            if batch.changes:
                write(Batch(changes=batch.changes))

        store.write = in_two  # type: ignore[method-assign]
    elif fault == "synchronous normal":
        store.connection.execute("PRAGMA synchronous = NORMAL")
    elif fault:
        raise SystemExit(f"no such fault: {fault}")


def drive(folder: Path, commits: int, backup_every: int, fault: str) -> None:
    """Steps of ten minutes: two nodes report, a commit, slack work; the level goes down and up, so that notices come and go."""
    site = make_site(folder / "store", more=CHANNEL)
    clock, store, world = SetClock(START_MS), Store(folder / "store"), World(folder)
    # A small log, so that checkpoints are part of the run; a board reaches them every few hours.
    store.connection.execute("PRAGMA wal_autocheckpoint = 60")
    plant(fault, store, world)
    post = Postman(site, store.connection, lambda *_: True, lambda _: None)
    loop = Loop(site, store, Surroundings(clock, world, post, trusted=lambda: True))
    loop.commit()
    for step in range(commits):
        clock.advance(STEP_MS / 1000)
        depth = 0.7 + 0.6 * math.cos(step / 9)
        for at, node in enumerate(("a", "b")):
            line = reading(
                START_MS + step * STEP_MS,
                depth,
                node=node,
                air_c=10.0 if node == "a" else None,
                run=7,
                seq=step + 1,
                keep=1,
            )
            message: Message = line.event  # type: ignore[assignment]
            loop.handle(replace(message, qos=1, mid=2 * step + at + 1, connection=1, mono_s=clock.mono_s()))
        loop.tick(loop.now())
        loop.commit()
        while loop.slack.step():
            pass
        if (step + 1) % backup_every == 0:
            backup(folder / "store", folder / "stick", keep=2, now=START_MS / 1000 + step)
    store.close()


if __name__ == "__main__":
    drive(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), sys.argv[4] if len(sys.argv) > 4 else "")
