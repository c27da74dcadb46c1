"""A second channel: used only for what nobody has marked as seen after a while."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from alerts.rig import T0_MS
from alerts.test_outbox import DOWN, ZONE, at, out, send_all
from holdwater.alerts.outbox import Outbox, OutboxRow
from holdwater.alerts.outcome import Accepted
from holdwater.alerts.rows import Change, SavedNotice
from holdwater.clock import SetClock
from holdwater.config.channels import LogChannel
from holdwater.postman import Postman
from holdwater.reception import Moment
from holdwater.store.batch import Batch
from holdwater.store.writer import Store
from place import make_site

AFTER_S = 1800.0


def second(rows: tuple[OutboxRow, ...] = (), told: tuple[tuple[int, str], ...] = ()) -> Outbox:
    return Outbox({"phone": LogChannel(after_s=AFTER_S), "log": LogChannel()}, rows, ZONE, told)


def phone(outbox: Outbox, seconds: float) -> list[str]:
    """What goes out by the second channel at a time."""
    return [parcel.short for parcel in send_all(outbox, at(seconds)) if parcel.channel == "phone"]


def test_it_stays_silent_until_its_time_and_then_tells_the_newest() -> None:
    """The first channel is used at once; the repeat of the meantime is one message with the raise."""
    outbox = second()
    outbox.add([out(1, severity="act now"), out(1, severity="act now", channel="log")])
    assert [parcel.channel for parcel in send_all(outbox, at(0))] == ["log"]
    assert outbox.next_due_s(at(0)) == pytest.approx(100.0 + AFTER_S)
    outbox.add([out(1, 2, "repeat", "act now")])
    assert phone(outbox, AFTER_S - 1) == []
    assert phone(outbox, AFTER_S) == ["Notice 1 repeat"]


def test_what_was_seen_in_time_never_goes_there_nor_does_its_end() -> None:
    """Its rows are settled as spared."""
    outbox = second()
    outbox.add([out(1)])
    phone(outbox, 0)
    outbox.spare(1)
    assert [(row.key, row.state) for row in outbox.orphans()] == [("s:1:1:phone", "spared")]
    assert phone(outbox, AFTER_S + 1) == []
    outbox.add([out(1, 2, "clear")])
    outbox.spare(1)
    assert phone(outbox, 2 * AFTER_S) == []
    assert outbox.waiting() == 0


def test_what_is_over_in_time_never_goes_there() -> None:
    """Nobody is called about what has gone."""
    outbox = second()
    outbox.add([out(1), out(1, 2, "clear")])
    phone(outbox, 0)
    outbox.spare(1)
    assert phone(outbox, 3 * AFTER_S) == []
    assert [row.state for row in outbox.orphans()] == ["spared", "spared"]


def test_who_was_told_is_told_of_the_end_at_once() -> None:
    """Also when it was marked as seen afterwards."""
    outbox = second()
    outbox.add([out(1)])
    phone(outbox, 0)
    assert phone(outbox, AFTER_S) == ["Notice 1 raise"]
    outbox.spare(1)
    outbox.add([out(1, 2, "clear")])
    outbox.spare(1)
    assert phone(outbox, AFTER_S + 60) == ["Notice 1 clear"]


def test_a_worse_stage_after_seen_is_a_new_matter_for_it() -> None:
    """Seen was said of the milder one; it waits its time again."""
    outbox = second()
    outbox.add([out(1)])
    phone(outbox, 0)
    outbox.spare(1)
    outbox.add([out(1, 2, "rise", "act now")])
    assert phone(outbox, 100) == []
    assert phone(outbox, 100 + AFTER_S) == ["Notice 1 rise"]


def test_its_own_back_off_begins_only_when_it_is_used() -> None:
    """Waiting for its time is no failure."""
    outbox = second()
    outbox.add([out(1)])
    phone(outbox, 0)
    assert outbox.failing(at(AFTER_S - 1)) == ()
    (parcel,) = outbox.ready(at(AFTER_S))
    outbox.report(parcel.key, DOWN, at(AFTER_S), 0.5)
    assert outbox.failing(at(AFTER_S + 60)) == (("phone", 60.0, "no answer"),)
    assert phone(outbox, AFTER_S + 60) == ["Notice 1 raise"]


@pytest.mark.parametrize(("waited_s", "left_s"), [(0.0, AFTER_S), (1200.0, 600.0), (7200.0, 0.0)])
def test_a_restart_goes_on_waiting_where_it_was(waited_s: float, left_s: float) -> None:
    """By the wall clock, as long as that is trusted."""
    outbox = second((OutboxRow.of(out(1)),))
    assert (phone(outbox, waited_s) != []) == (left_s == 0)
    assert (phone(outbox, waited_s + left_s - 1) != []) == (left_s == 1)
    if left_s:
        assert phone(outbox, waited_s + left_s) == ["Notice 1 raise"]


def test_after_a_restart_without_a_trusted_clock_it_waits_its_whole_time() -> None:
    """Rather late than at three in the morning for nothing."""
    outbox = second((OutboxRow.of(out(1)),))
    outbox.ready(at(90_000, trusted=False))
    assert phone(outbox, 90_000 + AFTER_S - 1) == []
    assert phone(outbox, 90_000 + AFTER_S) == ["Notice 1 raise"]


@pytest.mark.parametrize("told", [True, False])
def test_a_restart_remembers_whom_it_told(told: bool) -> None:
    """Who was told of it is told of its end, at once; nobody else."""
    outbox = second(told=((1, "phone"),) if told else ())
    outbox.add([out(1, 2, "clear")])
    outbox.spare(1)
    assert phone(outbox, 0) == (["Notice 1 clear"] if told else [])


def test_the_postman_spares_what_the_household_has_seen_and_the_store_keeps_it(tmp_path: Path) -> None:
    """From a change with *seen* to the row; another start still knows."""
    site = make_site(
        tmp_path / "store", more='\n[channel.radio]\nkind = "program"\ncommand = ["/bin/false"]\nafter = "30 min"\n'
    )
    store = Store(site.store.folder)
    clock = SetClock(T0_MS)
    saved = SavedNotice(1, "low", "main", "active", T0_MS, None, 0, "{}")
    raised = Change(saved, None, (out(1, channel="radio"),))
    store.write(_batch(raised))
    post = Postman(site, store.connection, lambda *_: True, lambda _: True)
    now = Moment(clock.wall_ms(), clock.mono_s(), True, clock.boot_id())
    post.committed([raised])
    post.send_due(now)
    seen = Change(SavedNotice(1, "low", "main", "active", T0_MS, T0_MS + 1, 0, "{}"))
    batch = _batch(seen)
    post.committed([seen])
    batch.sent += post.send_due(now)
    store.write(batch)
    assert store.connection.execute("SELECT key, state FROM outbox").fetchall() == [("s:1:1:radio", "spared")]
    again = Postman(site, store.connection, lambda *_: True, lambda _: True)
    again.committed(
        [
            Change(
                SavedNotice(1, "low", "main", "clear", T0_MS, T0_MS + 1, 0, "{}"),
                None,
                (out(1, 2, "clear", channel="radio"),),
            )
        ]
    )
    assert [state for _, state, _, _ in again.send_due(now)] == ["spared"]
    store.close()


def _batch(change: Change) -> Batch:
    batch = Batch()
    batch.changes.append(change)
    return batch


def test_accepted_and_body_are_those_of_any_channel() -> None:
    """Same message, same key."""
    outbox = second()
    outbox.add([out(1)])
    phone(outbox, 0)
    (parcel,) = outbox.ready(at(AFTER_S))
    assert json.loads(parcel.body)["key"] == "s:1:1:phone"
    assert [row.state for row in outbox.report(parcel.key, Accepted(), at(AFTER_S), 0.5)] == ["sent"]
