"""A simulated year of outages of every kind on every channel, with crashes: nothing lost, nothing out of order, nothing late."""

from __future__ import annotations

import random
from bisect import bisect_right
from dataclasses import dataclass, field

import pytest

from alerts.test_outbox import DOWN, ZONE, at, out
from holdwater.alerts.outbox import Outbox, OutboxRow, Parcel
from holdwater.alerts.outcome import Accepted, Outcome, Unclear
from holdwater.alerts.rows import Outgoing
from holdwater.config.channels import Channel, LogChannel, MqttChannel, ProgramChannel, SmtpChannel, WebhookChannel

CHANNELS: dict[str, Channel] = {
    "log": LogChannel(),
    "mqtt": MqttChannel(),
    "hook": WebhookChannel(url="https://hook.example/", daily_cap=1000),
    "mail": SmtpChannel(host="mail.example", sender="a@b.example", to=("c@d.example",), daily_cap=1000),
    "radio": ProgramChannel(command=("/bin/true",), daily_cap=1000),
}
KINDS = ("refused", "taken but silent", "silent", "broken off", "mixed")
LATE_S = 900.0
MARK_S = 30.0  # a send that comes to no end takes the whole deadline
CRASH_SHARE = 0.02


@dataclass
class Side:
    """The other side of one channel: its outages, and what it took."""

    outages: list[tuple[float, float, str]]
    took: dict[str, list[float]] = field(default_factory=dict)
    doubtful: dict[str, int] = field(default_factory=dict)

    def at(self, now_s: float) -> str:
        """The kind of outage at a time; empty for none."""
        place = bisect_right(self.outages, now_s, key=lambda each: each[0]) - 1
        return next(
            (kind for start, end, kind in self.outages[max(0, place - 5) : place + 1] if start <= now_s < end), ""
        )

    def send(self, parcel: Parcel, now_s: float, chance: random.Random) -> tuple[Outcome, float]:
        """What becomes of a send, and how long it takes."""
        kind = self.at(now_s)
        if kind == "mixed":
            kind = chance.choice(KINDS[:4])
        if kind in ("", "taken but silent", "broken off"):
            taken = kind != "broken off" or chance.random() < 0.5
            for key in parcel.keys if taken else ():
                self.took.setdefault(key, []).append(now_s)
        if not kind:
            return Accepted(), 0.2
        if kind == "refused":
            return DOWN, 0.1
        for key in parcel.keys:
            self.doubtful[key] = self.doubtful.get(key, 0) + 1
        return Unclear("no answer"), MARK_S if kind != "broken off" else 1.0


class World:
    """A service with a store, five channels, outages, notices and crashes."""

    def __init__(self, seed: int, days: float, outages: int, notices: int, crashes: int) -> None:
        self.chance = chance = random.Random(seed)
        span_s = days * 86_400.0
        self.sides = {
            name: Side(
                sorted(
                    (start, start + chance.expovariate(1 / 14_400), KINDS[number % len(KINDS)])
                    for number, start in enumerate(chance.uniform(0, span_s) for _ in range(outages))
                )
            )
            for name in CHANNELS
        }
        begun = sorted(chance.uniform(0, span_s) for _ in range(notices))
        ends = [start + chance.uniform(60, 86_400) for start in begun]
        self.todo: list[tuple[float, list[Outgoing]]] = sorted(
            [(start, self._step(number, 1, "raise", start)) for number, start in enumerate(begun)]
            + [(end, self._step(number, 2, "clear", end)) for number, end in enumerate(ends)],
            key=lambda each: each[0],
        )
        self.notices = notices
        self.crashes = sorted(chance.uniform(0, span_s) for _ in range(crashes))
        self.rows: dict[str, OutboxRow] = {}
        self.came_s: dict[str, float] = {}
        self.lost_by_crash: dict[str, int] = {}
        self.under_way: list[tuple[float, str, Parcel, Outcome]] = []
        self.outbox = Outbox(CHANNELS, (), ZONE)
        self.sends = 0
        self.summaries = 0

    def _step(self, number: int, n: int, phase: str, at_s: float) -> list[Outgoing]:
        from alerts.rig import T0_MS

        severity = ("know", "act today", "act now")[number % 3]
        return [out(number, n, phase, severity, name, T0_MS + round(at_s * 1000)) for name in CHANNELS]

    def live(self) -> None:
        """Until all is told."""
        now_s = 0.0
        while self.todo or self.outbox.waiting():
            due = self.outbox.next_due_s(at(now_s))
            times = [] if due is None else [due - 100.0]
            times += [each[0] for each in self.under_way] + ([self.todo[0][0]] if self.todo else []) + self.crashes[:1]
            now_s = max(now_s, min(times))
            if self.crashes and self.crashes[0] <= now_s:
                self.crashes.pop(0)
                self._crash()
            while self.todo and self.todo[0][0] <= now_s:
                self._commit(*self.todo.pop(0))
            for done in sorted((each for each in self.under_way if each[0] <= now_s), key=lambda each: each[0]):
                self.under_way.remove(done)
                self._write(self.outbox.report(done[2].key, done[3], at(now_s), self.chance.random()))
            for parcel in self.outbox.ready(at(now_s)):
                self.sends += 1
                self.summaries += len(parcel.notices) > 1
                outcome, took_s = self.sides[parcel.channel].send(parcel, now_s, self.chance)
                self.under_way.append((now_s + took_s, parcel.channel, parcel, outcome))
                if self.chance.random() < CRASH_SHARE:  # the power goes between the send and its report
                    self.crashes.insert(0, now_s + took_s / 2)

    def _commit(self, at_s: float, outgoing: list[Outgoing]) -> None:
        for each in outgoing:
            self.rows[each.key] = OutboxRow.of(each)
            self.came_s[each.key] = at_s
        self.outbox.add(outgoing)

    def _write(self, rows: tuple[OutboxRow, ...]) -> None:
        self.rows |= {row.key: row for row in rows}

    def _crash(self) -> None:
        """What was under way is never reported; the rest comes back out of the store."""
        for _, _, parcel, _ in self.under_way:
            for key in parcel.keys:
                self.lost_by_crash[key] = self.lost_by_crash.get(key, 0) + 1
        self.under_way.clear()
        self.outbox = Outbox(CHANNELS, self.rows.values(), ZONE)


def check(world: World) -> None:
    """Everything that is promised of a delivery."""
    for name, side in world.sides.items():
        keys = {key for key in world.came_s if key.endswith(f":{name}")}
        assert set(side.took) == keys, f"{name}: not everything was accepted"
        for key, times in side.took.items():
            assert len(times) <= 1 + side.doubtful.get(key, 0) + world.lost_by_crash.get(key, 0), (
                f"{key}: too many copies"
            )
            late_s = times[0] - _free_from(side, world.came_s[key])
            assert late_s <= LATE_S, f"{key}: {late_s:.0f} s after the other side was back"
        for number in range(world.notices):
            assert side.took[f"s:{number}:1:{name}"][0] <= side.took[f"s:{number}:2:{name}"][0], (
                "an end before its beginning"
            )
    assert all(row.state in ("sent", "joined") for row in world.rows.values())


def _free_from(side: Side, at_s: float) -> float:
    """When the other side could first be reached for a quarter of an hour on end; what begins again sooner is one outage."""
    free_s = at_s
    for start, end, _ in side.outages:
        if start < free_s + LATE_S and end > free_s:
            free_s = max(free_s, end)
    return free_s


@pytest.mark.slow
def test_six_weeks_of_outages_of_every_kind_on_every_channel_lose_nothing() -> None:
    """A slice of the year: as many outages a week, all kinds, five channels, crashes in between."""
    world = World(seed=1, days=42, outages=24, notices=40, crashes=10)
    world.live()
    check(world)
    assert world.summaries > 0
    assert sum(len(side.doubtful) for side in world.sides.values()) > 10
    assert world.lost_by_crash


@pytest.mark.soak
@pytest.mark.parametrize("seed", range(10))
def test_a_year_with_two_hundred_outages_on_every_channel_loses_nothing(seed: int) -> None:
    """Each notice accepted at least once by each channel, copies only for crashes and unclear ends, raise before clear, all in 15 min."""
    world = World(seed, days=365, outages=200, notices=300, crashes=50)
    world.live()
    check(world)


@pytest.mark.slow
def test_forty_eight_hours_without_a_link_cost_little_and_give_one_summary() -> None:
    """Fewer than 900 tries of one message, none of which grows; then one message of all."""
    chance = random.Random(3)
    outbox, now_s, tries = Outbox({"hook": CHANNELS["hook"]}, (), ZONE), 0.0, 0
    sizes = set()
    for number in range(40):
        outbox.add([out(number, channel="hook", severity="know")])
    while now_s < 48 * 3600:
        for parcel in outbox.ready(at(now_s)):
            tries += 1
            sizes.add(len(parcel.body))
            outbox.report(parcel.key, DOWN, at(now_s), chance.random())
        due = outbox.next_due_s(at(now_s))
        assert due is not None
        now_s = max(now_s + 0.01, due - 100.0)
    assert tries < 900
    assert len(sizes) == 1
    (parcel,) = outbox.ready(at(now_s))
    outbox.report(parcel.key, Accepted(), at(now_s), 0.5)
    assert len(parcel.notices) == 40
    assert (outbox.waiting(), outbox.ready(at(now_s + 1))) == (0, ())
