"""A power cut at every point of a recorded run: which disks may be left, and whether each of them keeps the promises.

From a log of `oplog.c`. After each record three kinds of disk are built: **kill** (all writes so far), **unsynced lost** (what each
file held at its last sync; names as of the last sync of their folder), **torn** (that, plus a random part of the later writes, cut
at 512 bytes). Names that were made, changed or removed since then are kept or lost at random in the torn kind.
"""

from __future__ import annotations

import random
import shutil
import sqlite3
import struct
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from holdwater.errors import StoreError
from holdwater.store.writer import Store
from place import START_MS

SECTOR = 512
HEAD = struct.Struct("<cHqI")
STEP_MS = 600_000


@dataclass(frozen=True, slots=True)
class Op:
    """One record: kind, path below the folder, offset, data."""

    kind: str
    path: str
    offset: int
    data: bytes


def read_log(log: Path, folder: Path) -> list[Op]:
    """All records, paths relative to the recorded folder; the ballast is left out, nothing depends on its bytes."""
    raw, at, ops, root = log.read_bytes(), 0, [], f"{folder}/"
    while at < len(raw):
        kind, name_bytes, offset, size = HEAD.unpack_from(raw, at)
        at += HEAD.size
        path = raw[at : at + name_bytes].decode()
        data = raw[at + name_bytes : at + name_bytes + size]
        at += name_bytes + size
        path = path.removeprefix(root)
        if not path.endswith(("ballast", "store.lock")):
            ops.append(Op(kind.decode(), path, offset, data))
    return ops


@dataclass(slots=True)
class File:
    """One file: what it holds, what it held at its last sync, and the writes since."""

    now: bytearray = field(default_factory=bytearray)
    synced: bytearray = field(default_factory=bytearray)
    since: list[Op] = field(default_factory=list)

    def take(self, op: Op) -> None:
        apply(self.now, op)
        self.since.append(op)

    def sync(self) -> None:
        for op in self.since:
            apply(self.synced, op)
        self.since.clear()

    def torn(self, rng: random.Random) -> bytes:
        """The last synced bytes, and of the writes since a random part, each whole or cut at a sector."""
        if not self.since:
            return bytes(self.synced)
        data = bytearray(self.synced)
        share = rng.choice((0.3, 0.6, 0.9))
        for op in self.since:
            if rng.random() > share:
                continue
            if op.kind == "w" and rng.random() < 0.5:
                cut = rng.randrange(0, len(op.data) + 1, SECTOR)
                op = Op("w", op.path, op.offset, op.data[:cut])  # noqa: PLW2901
            apply(data, op)
        return bytes(data)


def apply(data: bytearray, op: Op) -> None:
    if op.kind == "t":
        del data[op.offset :]
        data.extend(bytes(op.offset - len(data)))
        return
    end = op.offset + len(op.data)
    if len(data) < end:
        data.extend(bytes(end - len(data)))
    data[op.offset : end] = op.data


class Disk:
    """Files and names as a process sees them, and as they would be found after a cut."""

    def __init__(self) -> None:
        self.names: dict[str, File] = {}
        self.kept: dict[str, File] = {}

    def take(self, op: Op) -> None:
        if op.kind == "c":
            self.names[op.path] = File()
        elif op.kind == "u":
            self.names.pop(op.path, None)
        elif op.kind == "r":
            new = op.data.decode()
            self.names[new] = self.names.pop(op.path)
        elif op.kind == "s" and op.path not in self.names:
            self._sync_folder(op.path)
        elif op.kind == "s":
            self.names[op.path].sync()
            self.kept.setdefault(op.path, self.names[op.path])
        else:
            self.names.setdefault(op.path, File()).take(op)

    def _sync_folder(self, folder: str) -> None:
        def inside(path: str) -> bool:
            return path.rpartition("/")[0] == folder

        for path in [path for path in self.kept if inside(path) and path not in self.names]:
            del self.kept[path]
        self.kept |= {path: file for path, file in self.names.items() if inside(path)}

    def killed(self) -> dict[str, bytes]:
        return {path: bytes(file.now) for path, file in self.names.items()}

    def unsynced_lost(self) -> dict[str, bytes]:
        return {path: bytes(file.synced) for path, file in self.kept.items()}

    def torn(self, rng: random.Random) -> dict[str, bytes]:
        names = {}
        for path in {*self.names, *self.kept}:
            found = rng.choice((self.names, self.kept)).get(path)
            if found is not None:
                names[path] = found.torn(rng)
        return names


@dataclass(slots=True)
class Confirmed:
    """What the world was told: the highest acknowledged message and the receipts."""

    mid: int = 0
    upto: Counter[str] = field(default_factory=Counter)

    def take(self, data: bytes) -> None:
        for line in data.decode().splitlines():
            kind, *rest = line.split()
            if kind == "a":
                self.mid = max(self.mid, int(rest[0]))
            else:
                self.upto[rest[0]] = max(self.upto[rest[0]], int(rest[1]))


@dataclass(slots=True)
class Outcome:
    """What the cuts of a run showed.

    Attributes:
        points: places of the log at which the power was cut.
        images: disks that were judged.
        faults: what was wrong, counted by (kind of disk, fault).
        commits: packs confirmed at the end.
    """

    points: int = 0
    images: int = 0
    faults: Counter[tuple[str, str]] = field(default_factory=Counter)
    commits: int = 0


def cut_everywhere(
    ops: Sequence[Op], work: Path, *, every: int = 1, torn: int = 1, seed: int = 1, only: range | None = None
) -> Outcome:
    """Cut the power after every record, judge every disk that may be left.

    With `every` above 1 a quick choice of the same points: each end of a transaction and each sync, where disks differ most, and each
    n-th record between.

    Args:
        ops: the log.
        work: an empty folder, best in memory.
        every: cut after each n-th record.
        torn: torn disks a point.
        seed: of the torn ones.
        only: records at which to cut; the ones before are only played.
    """
    disk, confirmed, outcome = Disk(), Confirmed(), Outcome()
    outbox_of = _told(ops, work)
    lost_before: dict[str, bytes] | None = None
    for at, op in enumerate(ops):
        following = ops[at + 1] if at + 1 < len(ops) else None
        if op.path == "ACK":
            confirmed.take(op.data)
            if following is not None and following.path == "ACK":
                continue  # nothing reaches the disk between them, and what holds for more confirmations holds for fewer
        else:
            disk.take(op)
        if only is not None and at not in only:
            continue
        told, chosen = op.path == "ACK", at % every == 0
        images: list[tuple[str, dict[str, bytes]]] = []
        if chosen or told:
            images.append(("kill", disk.killed()))
        if chosen or told or op.kind in "sru":
            lost = disk.unsynced_lost()
            if told or lost != lost_before:
                images.append(("unsynced lost", lost))
            lost_before = lost
        if chosen or (following is not None and following.kind == "s"):
            rng = random.Random(seed * 1_000_003 + at)
            images += [("torn", disk.torn(rng)) for _ in range(torn)]
        outcome.points += bool(images)
        for kind, image in images:
            outcome.images += 1
            for fault in judge(image, confirmed, outbox_of, work):
                outcome.faults[kind, fault] += 1
    outcome.commits = confirmed.mid // 2
    return outcome


def _told(ops: Sequence[Op], work: Path) -> dict[tuple[int, int], set[str]]:
    """Of each step of a notice the outbox rows that belong to it, from the end of the run."""
    disk = Disk()
    for op in ops:
        if op.path != "ACK":
            disk.take(op)
    with _laid_out(disk.killed(), work) as folder:
        store = Store(folder / "store")
        found = _outbox_of(store.connection)
        store.close()
    return found


def _outbox_of(connection: sqlite3.Connection) -> dict[tuple[int, int], set[str]]:
    """Channels by (notice, step): an outbox key is installation, notice, step and channel."""
    found: dict[tuple[int, int], set[str]] = {
        (notice, n): set() for notice, n in connection.execute("SELECT notice, n FROM notice_step")
    }
    for (key,) in connection.execute("SELECT key FROM outbox"):
        _, notice, step, channel = key.split(":")
        found.setdefault((int(notice), int(step)), set()).add(channel)
    return found


class _laid_out:
    """An image as files in a folder, gone afterwards."""

    def __init__(self, image: dict[str, bytes], work: Path) -> None:
        self._folder = work / "image"
        self._image = image

    def __enter__(self) -> Path:
        for path, data in self._image.items():
            target = self._folder / path
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(data)
        (self._folder / "store").mkdir(parents=True, exist_ok=True)
        return self._folder

    def __exit__(self, *_: object) -> None:
        shutil.rmtree(self._folder)


def judge(
    image: dict[str, bytes], confirmed: Confirmed, outbox_of: dict[tuple[int, int], set[str]], work: Path
) -> Iterator[str]:
    """Open what is left as the service does, and look for broken promises."""
    with _laid_out(image, work) as folder:
        try:
            store = Store(folder / "store")
        except (StoreError, sqlite3.Error):
            yield "the store does not open"
            return
        try:
            if store.salvaged is not None:
                yield "the store was set aside as damaged"
            yield from _promises(store.connection, confirmed, outbox_of)
        except sqlite3.Error:
            yield "the store cannot be read"
        finally:
            store.close()
        yield from _copies(folder / "stick", confirmed)


def _promises(
    connection: sqlite3.Connection, confirmed: Confirmed, outbox_of: dict[tuple[int, int], set[str]]
) -> Iterator[str]:
    run = connection.execute
    if run("PRAGMA integrity_check").fetchone() != ("ok",):
        yield "the integrity check fails"
    upto = dict(run("SELECT n.name, r.upto FROM run r JOIN node n ON n.id = r.node"))
    stored = {
        name: (n, first, last)
        for name, n, first, last in run(
            "SELECT n.name || ':' || s.quantity, count(*), min(ts), max(ts) FROM reading r JOIN series s ON s.id = r.series "
            "JOIN node n ON n.id = s.node GROUP BY r.series"
        )
    }
    if confirmed.mid > 2 * min(upto.get("a", 0), upto.get("b", 0)) or any(
        upto.get(node, 0) < most for node, most in confirmed.upto.items()
    ):
        yield "a confirmed reading is lost"
    for series in ("a:pressure", "a:air", "b:gap"):
        n, first, last = stored.get(series, (0, START_MS, START_MS - STEP_MS))
        if n != upto.get(series[0], 0):
            yield "a transaction is torn: readings without their number"
        if first != START_MS or last != START_MS + (n - 1) * STEP_MS:
            yield "what is stored is no prefix of what was written"
    told = _outbox_of(connection)
    if any(keys != outbox_of.get(step) for step, keys in told.items()):
        yield "a transaction is torn: a notice without its outbox row"
    if run("SELECT 1 FROM notice_step s WHERE NOT EXISTS (SELECT 1 FROM notice WHERE id = s.notice)").fetchone():
        yield "a transaction is torn: a step without its notice"
    rolled = (
        "SELECT 1 FROM roll WHERE span = 3600000 AND NOT EXISTS (SELECT 1 FROM dirty WHERE dirty.series = roll.series AND hour = start) "
        "AND n <> (SELECT count(*) FROM reading WHERE reading.series = roll.series AND ts >= start AND ts < start + 3600000)"
    )
    if run(rolled).fetchone():
        yield "a roll-up counts as done that is not"


def _copies(stick: Path, confirmed: Confirmed) -> Iterator[str]:
    """Copies under their final name are whole; once one was made there is always one."""
    for copy in stick.glob("*.holdwater.db") if stick.exists() else ():
        connection = sqlite3.connect(copy)
        try:
            if connection.execute("PRAGMA integrity_check").fetchone() != ("ok",) or not connection.execute(
                "SELECT count(*) FROM reading"
            ).fetchone() > (0,):
                yield "a copy under its final name is not whole"
        except sqlite3.Error:
            yield "a copy under its final name is not whole"
        finally:
            connection.close()
