"""A notice read back with all that became of it: steps, seen, and what each channel took."""

from __future__ import annotations

from pathlib import Path

from holdwater.alerts.rows import Change, Outgoing, SavedNotice, Step
from holdwater.store.batch import Batch
from holdwater.store.reader import open_reader
from holdwater.store.writer import Store


def change(store: Store, notice: int, n: int, state: str, at_ms: int, channels: tuple[str, ...]) -> Change:
    saved = SavedNotice(notice, "low", "drinking", state, 1000, 5000 if n > 1 else None, 0, "{}")
    step = Step(notice, n, at_ms, at_ms, state, "act today", f"Step {n}", f"Step {n} at length")
    out = tuple(Outgoing(f"{store.uuid}:{notice}:{n}:{name}", notice, name, at_ms, "{}") for name in channels)
    return Change(saved, step, out)


def test_a_life_holds_all_steps_and_the_worst_of_each_channel(tmp_path: Path) -> None:
    """Waiting counts before refused, refused before sent; notice 11 is not taken for notice 1."""
    store = Store(tmp_path)
    batch = Batch()
    batch.changes += [change(store, 1, 1, "active", 10_000, ("log", "phone", "radio"))]
    batch.changes += [change(store, 1, 2, "clear", 90_000, ("log", "phone", "radio"))]
    batch.changes += [change(store, 11, 1, "active", 95_000, ("mail",))]
    store.write(batch)
    settled = Batch()
    key = f"{store.uuid}:1"
    settled.sent += [(f"{key}:1:log", "sent", 1, 0), (f"{key}:2:log", "joined", 1, 0)]
    settled.sent += [
        (f"{key}:1:phone", "sent", 1, 0),
        (f"{key}:1:radio", "refused", 1, 0),
        (f"{key}:2:radio", "sent", 1, 0),
    ]
    store.write(settled)
    with open_reader(tmp_path) as reader:
        newest, life = reader.lives(0)
        assert (newest.id, newest.told) == (11, (("mail", "waiting"),))
        assert [(step.n, step.state, step.at_ms) for step in life.steps] == [
            (1, "active", 10_000),
            (2, "clear", 90_000),
        ]
        assert life.told == (("log", "sent"), ("phone", "waiting"), ("radio", "refused"))
        assert (life.kind, life.subject, life.state, life.since_ms, life.seen_ms) == (
            "low",
            "drinking",
            "clear",
            1000,
            5000,
        )
        assert [each.id for each in reader.lives(90_001)] == [11]
    store.close()
