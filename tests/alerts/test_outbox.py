"""What waits to be sent: order, waits, summaries, quiet hours, caps. The simulated year of outages is in `test_year_of_outages`."""

from __future__ import annotations

import json
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.rig import T0_MS
from holdwater.alerts.facts import Moment
from holdwater.alerts.outbox import LONGEST_WAIT_S, Outbox, OutboxRow, Parcel, quiet_left_s, wait_s
from holdwater.alerts.outcome import Accepted, Refused, Unclear
from holdwater.alerts.rows import Outgoing
from holdwater.config.channels import LogChannel, MqttChannel

ZONE = ZoneInfo("America/Denver")
DOWN = Refused(False, "no answer")


def out(
    notice: int,
    step: int = 1,
    phase: str = "raise",
    severity: str = "act today",
    channel: str = "phone",
    at_ms: int = T0_MS,
) -> Outgoing:
    body = {
        "site": "Quern Bench", "notice": notice, "step": step, "phase": phase, "kind": "low", "subject": "drinking", "severity": severity,
        "state": "clear" if phase == "clear" else "active", "since_ms": at_ms, "at_ms": at_ms,
        "short": f"Notice {notice} {phase}", "long": f"Notice {notice} {phase}, at length.",
    }  # fmt: skip
    return Outgoing(f"s:{notice}:{step}:{channel}", notice, channel, at_ms, json.dumps(body))


def at(seconds: float, *, trusted: bool = True) -> Moment:
    return Moment(T0_MS + round(seconds * 1000), 100.0 + seconds, trusted)


def box(**settings: object) -> Outbox:
    return Outbox({"phone": LogChannel(**settings)}, (), ZONE)


def send_all(outbox: Outbox, now: Moment) -> list[Parcel]:
    """Everything that may go now, one after the other, all accepted."""
    sent: list[Parcel] = []
    while parcels := outbox.ready(now):
        for parcel in parcels:
            sent.append(parcel)
            outbox.report(parcel.key, Accepted(), now, 0.5)
    return sent


def test_a_new_row_is_ready_at_once_and_its_key_is_the_idempotency_key() -> None:
    """One row, one parcel, one key."""
    outbox = box()
    outbox.add([out(1)])
    (parcel,) = outbox.ready(at(0))
    assert parcel.key == "s:1:1:phone"
    assert json.loads(parcel.body)["key"] == parcel.key
    assert (parcel.short, parcel.notices) == ("Notice 1 raise", (1,))
    (row,) = outbox.report(parcel.key, Accepted(), at(1), 0.5)
    assert (row.state, row.tries) == ("sent", 1)
    assert outbox.waiting() == 0
    assert outbox.next_due_s(at(1)) is None


def test_a_key_is_taken_in_once() -> None:
    """The same commit told twice makes no second row."""
    outbox = box()
    outbox.add([out(1), out(1)])
    assert outbox.waiting() == 1


def test_one_parcel_at_a_time_on_a_channel() -> None:
    """While one is on its way nothing else goes, so nothing overtakes it."""
    outbox = box()
    outbox.add([out(1), out(2)])
    assert len(outbox.ready(at(0))) == 1
    assert outbox.ready(at(1)) == ()


def test_a_channel_that_fails_does_not_hold_another() -> None:
    """Each channel has its own lane."""
    outbox = Outbox({"phone": LogChannel(kind="log"), "lamp": MqttChannel(kind="mqtt")}, (), ZONE)
    outbox.add([out(1), out(1, channel="lamp")])
    phone, lamp = outbox.ready(at(0))
    outbox.report(phone.key, DOWN, at(1), 0.9)
    outbox.report(lamp.key, Accepted(), at(1), 0.9)
    assert outbox.waiting() == 1


@given(st.integers(1, 10_000), st.floats(0, 1, exclude_max=True))
def test_a_wait_is_full_jitter_under_a_doubling_ceiling_of_ten_minutes(tries: int, fraction: float) -> None:
    """Between half a second and 10 min, never above the ceiling of its try."""
    seconds = wait_s(tries, fraction)
    assert 0.5 <= seconds <= min(LONGEST_WAIT_S, max(0.5, 2.0 * 2 ** min(tries - 1, 30)))


def test_ceiling_doubles() -> None:
    """2, 4, 8 … 600 s."""
    assert [round(wait_s(tries, 1.0)) for tries in range(1, 12)] == [2, 4, 8, 16, 32, 64, 128, 256, 512, 600, 600]


def test_a_refused_try_waits_and_is_tried_again() -> None:
    """Not before its time, then again with the same key."""
    outbox = box()
    outbox.add([out(1)])
    (parcel,) = outbox.ready(at(0))
    (row,) = outbox.report(parcel.key, DOWN, at(0), 0.5)
    assert (row.state, row.tries, row.due) == ("waiting", 1, T0_MS + 1000)
    assert outbox.next_due_s(at(0)) == 101.0
    assert outbox.ready(at(0.9)) == ()
    (again,) = outbox.ready(at(1.0))
    assert again.key == parcel.key


def test_a_final_refusal_ends_the_row_and_lets_the_next_one_go() -> None:
    """A message that will never be taken does not block the channel."""
    outbox = box()
    outbox.add([out(1), out(2)])
    (parcel,) = outbox.ready(at(0))
    (row,) = outbox.report(parcel.key, Refused(True, "it answered 400"), at(0), 0.5)
    assert row.state == "refused"
    assert outbox.ready(at(0))[0].key == "s:2:1:phone"


def test_a_copy_after_an_unclear_end_is_the_same_to_the_letter() -> None:
    """The other side may have it: what gathered meanwhile must not change the copy."""
    outbox = box()
    outbox.add([out(1)])
    (parcel,) = outbox.ready(at(0))
    outbox.report(parcel.key, Unclear("timed out"), at(0), 0.5)
    outbox.add([out(1, 2, "clear"), out(2)])
    (again,) = outbox.ready(at(60))
    assert again == parcel


def test_a_report_that_comes_twice_changes_nothing() -> None:
    """The second report of a parcel is no news."""
    outbox = box()
    outbox.add([out(1)])
    (parcel,) = outbox.ready(at(0))
    outbox.report(parcel.key, Accepted(), at(0), 0.5)
    assert outbox.report(parcel.key, Accepted(), at(0), 0.5) == ()


def test_an_end_never_overtakes_its_beginning() -> None:
    """Both unsent: one line that says that it came and went; both rows settled."""
    outbox = box()
    outbox.add([out(1), out(1, 2, "clear")])
    (parcel,) = outbox.ready(at(0))
    assert parcel.short == "Came and went: Notice 1 raise"
    rows = outbox.report(parcel.key, Accepted(), at(0), 0.5)
    assert sorted((row.key, row.state) for row in rows) == [("s:1:1:phone", "joined"), ("s:1:2:phone", "sent")]


def test_an_end_after_a_told_beginning_is_told_by_itself() -> None:
    """The raise went out, so the clear is no joined line."""
    outbox = box()
    outbox.add([out(1)])
    send_all(outbox, at(0))
    outbox.add([out(1, 2, "clear")])
    (parcel,) = outbox.ready(at(5))
    assert parcel.short == "Notice 1 clear"


def test_of_several_repeats_only_the_newest_is_told() -> None:
    """An hour without a link gives one message of a notice, not three."""
    outbox = box()
    outbox.add([out(1), out(1, 2, "rise", "act now"), out(1, 3, "repeat", "act now")])
    (parcel,) = outbox.ready(at(0))
    assert parcel.short == "Notice 1 repeat"
    assert len(parcel.keys) == 3


def test_after_an_outage_everything_is_told_in_one_summary_worst_first() -> None:
    """48 h without a link, forty notices: one message."""
    outbox = box()
    outbox.add([out(1)])
    now = 0.0
    while now < 48 * 3600:
        for parcel in outbox.ready(at(now)):
            outbox.report(parcel.key, DOWN, at(now), 0.99)
        now += 300
    outbox.add([out(number, severity="act now" if number == 17 else "know") for number in range(2, 41)])
    sent = send_all(outbox, at(now + 600))
    assert len(sent) == 1
    assert sent[0].short.startswith("40 notices: Notice 17 raise")
    assert len(sent[0].short) <= 160
    assert sent[0].severity == "act now"
    assert sent[0].long.count("\n") == 40
    assert outbox.waiting() == 0


def test_three_lines_at_once_go_one_by_one_and_four_as_a_summary() -> None:
    """A summary is for many."""
    few, many = box(), box()
    few.add([out(number) for number in range(3)])
    many.add([out(number) for number in range(4)])
    assert len(send_all(few, at(0))) == 3
    assert len(send_all(many, at(0))) == 1


def test_quiet_hours_hold_all_but_act_now() -> None:
    """It is 8:00 local time; quiet until 8:40."""
    outbox = box(quiet="07:00-08:40")
    outbox.add([out(1), out(2, severity="act now")])
    assert [parcel.notices for parcel in send_all(outbox, at(0))] == [(2,)]
    assert outbox.next_due_s(at(0)) == 100.0 + 40 * 60
    assert outbox.ready(at(39 * 60)) == ()
    assert [parcel.notices for parcel in send_all(outbox, at(41 * 60))] == [(1,)]


@pytest.mark.parametrize(
    ("hours", "minutes"),
    [
        ("07:00-08:40", 40),
        ("22:00-08:10", 10),
        ("22:00-08:00", 0),
        ("08:01-09:00", 0),
        ("08:00-08:01", 1),
        ("20:00-08:01", 1),
    ],
)
def test_quiet_hours_may_go_over_midnight(hours: str, minutes: int) -> None:
    """Minutes left at 8:00 local time."""
    config = LogChannel(quiet=hours)
    assert quiet_left_s(config, at(0), ZONE) == minutes * 60


def test_without_a_trusted_clock_there_are_no_quiet_hours() -> None:
    """Nobody knows what time it is: rather wake somebody than be silent for ever."""
    config = LogChannel(quiet="07:00-09:00")
    assert quiet_left_s(config, at(0, trusted=False), ZONE) == 0


def test_daily_cap_holds_all_but_act_now_and_then_sums_up() -> None:
    """Two a day: the third waits a day, *act now* does not."""
    outbox = box(daily_cap=2)
    for number in (1, 2, 3):
        outbox.add([out(number)])
        send_all(outbox, at(number))
    assert outbox.waiting() == 1
    outbox.add([out(4, severity="act now")])
    assert [parcel.notices for parcel in send_all(outbox, at(10))] == [(4,)]
    assert len(send_all(outbox, at(86_400 + 11))) == 1
    assert outbox.waiting() == 0


def test_rows_come_back_in_order_after_a_restart() -> None:
    """Read in any order, sent in the order in which they were told; tried channels sum up."""
    rows = [OutboxRow.of(out(2, 2, "clear", at_ms=T0_MS + 5)), OutboxRow.of(out(2)), OutboxRow.of(out(1))]
    outbox = Outbox({"phone": LogChannel(kind="log")}, rows, ZONE)
    assert [parcel.short for parcel in send_all(outbox, at(0))] == ["Notice 1 raise", "Came and went: Notice 2 raise"]


def test_rows_of_a_channel_that_is_gone_are_refused_once() -> None:
    """A channel taken out of the config does not leave rows for ever."""
    outbox = Outbox({"phone": LogChannel(kind="log")}, [OutboxRow.of(out(1, channel="old"))], ZONE)
    assert [row.state for row in outbox.orphans()] == ["refused"]
    assert outbox.orphans() == ()


def test_a_failing_channel_says_since_when_and_why() -> None:
    """What *undelivered* is judged by."""
    outbox = box()
    outbox.add([out(1)])
    (parcel,) = outbox.ready(at(0))
    outbox.report(parcel.key, DOWN, at(0), 0.5)
    assert outbox.failing(at(60)) == (("phone", 60.0, "no answer"),)
    (parcel,) = outbox.ready(at(60))
    outbox.report(parcel.key, Accepted(), at(61), 0.5)
    assert outbox.failing(at(61)) == ()


def test_a_channel_that_failed_before_a_restart_still_fails_until_it_took_something() -> None:
    """A restart by itself delivers nothing."""
    row = OutboxRow("s:1:1:phone", 1, "phone", T0_MS, 3, "waiting", out(1).body)
    outbox = Outbox({"phone": LogChannel()}, (row,), ZONE)
    assert [name for name, _, _ in outbox.failing(at(0))] == ["phone"]
    send_all(outbox, at(0))
    assert outbox.failing(at(0)) == ()
