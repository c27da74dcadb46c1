"""The monthly test of a channel: heard and answered, or the channel is undelivered."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from holdwater.alerts.rows import Change
from holdwater.clock import SetClock
from holdwater.drill import ANSWER_MS, MONTH_MS, Drill
from holdwater.events import BrokerState, Delivered, Request, Tick
from holdwater.loop import Loop
from holdwater.reception import Moment
from holdwater.snapshot import NoticeNow
from holdwater.store.writer import Store
from holdwater.world import Surroundings
from place import START_MS, make_site

DAY_S = 86_400.0
MORE = """
[channel.phone]
kind = "program"
command = ["/bin/true"]
severity = "act now"
[channel.radio]
kind = "program"
command = ["/bin/true"]
test = "off"
"""


def moment(at_ms: int, *, trusted: bool = True) -> Moment:
    return Moment(at_ms, at_ms / 1000, trusted, "boot")


@dataclass
class Pile:
    """A post that takes everything and remembers what it was given, as the postman of a service with workers would."""

    sends: bool = True
    out: list[tuple[str, str, str]] = field(default_factory=list)

    def committed(self, changes: list[Change]) -> None:
        """Remember channel, phase and short text."""
        for change in changes:
            self.out += [
                (each.channel, json.loads(each.body)["kind"], json.loads(each.body)["phase"]) for each in change.outbox
            ]

    def delivered(self, event: Delivered, now: Moment) -> list[tuple[str, str, int, int]]:
        """Nothing comes back."""
        return []

    def send_due(self, now: Moment) -> list[tuple[str, str, int, int]]:
        """Nothing to update."""
        return []

    def next_due_s(self, now: Moment) -> None:
        """Nothing waits."""

    def failing(self, now: Moment) -> tuple[tuple[str, float, str], ...]:
        """Nothing fails."""
        return ()


class Deaf:
    """A world to which nothing goes out."""

    def acks(self, owed: object) -> None:
        """Nothing."""

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:
        """Nothing."""
        return True


class House:
    """A loop on a real store, with time in the test's hand."""

    def __init__(self, folder: Path) -> None:
        self.site = make_site(folder, more=MORE)
        self.clock = SetClock(START_MS)
        self.store = Store(folder)
        self.start()

    def start(self) -> None:
        """A service begins."""
        self.post = Pile()
        self.loop = Loop(self.site, self.store, Surroundings(self.clock, Deaf(), self.post, trusted=lambda: True))
        self.loop.handle(BrokerState(True, "connected"))

    def live(self, days: float, step_s: float = 1800.0) -> None:
        """Let days pass, tick by tick."""
        for _ in range(round(days * DAY_S / step_s)):
            self.clock.advance(step_s)
            self.loop.handle(Tick())
            self.loop.commit()

    def on(self) -> list[tuple[str, str]]:
        """Notices that are on, without the silence of sensors that this house does not have."""
        return [(each.kind, each.subject) for each in self.loop._alerts.active() if each.kind != "silent"]

    def told(self) -> list[tuple[str, str, str]]:
        """What was told of tests and channels."""
        return [each for each in self.post.out if each[1] in ("test", "undelivered")]


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    """A house with a phone that is tested and a radio that is not."""
    made = House(tmp_path / "store")
    yield made
    made.store.close()


@pytest.mark.slow
def test_a_test_comes_after_a_month_to_its_channel_only_and_goes_when_it_is_seen(house: House) -> None:
    """Also to one that takes the worst only; by day; the answer is confirmed by the same way."""
    house.live(29)
    assert house.on() == []
    house.live(2)
    assert house.on() == [("test", "phone")]
    assert house.told() == [("phone", "test", "raise")]
    number = next(each.id for each in house.loop._alerts.active() if each.kind == "test")
    house.loop.handle(Request("seen", {"notice": number}))
    house.live(0.1)
    assert house.on() == []
    assert house.told()[1:] == [("phone", "test", "clear")]
    house.live(25)
    assert len(house.told()) == 2
    house.live(8)
    assert len(house.told()) == 3


@pytest.mark.slow
def test_a_test_that_nobody_answers_makes_its_channel_undelivered_until_it_is_seen(house: House) -> None:
    """After a week, once, by the other ways; over a restart it is neither told again nor forgotten."""
    house.live(31)
    house.live(6)
    assert house.on() == [("test", "phone")]
    house.start()
    house.live(2)
    assert sorted(house.on()) == [("test", "phone"), ("undelivered", "phone")]
    assert sorted(house.told()) == [
        ("log", "undelivered", "raise"),
        ("mqtt", "undelivered", "raise"),
        ("radio", "undelivered", "raise"),
    ]
    text = next(each.short for each in house.loop._alerts.active() if each.kind == "undelivered")
    assert text.startswith("Nobody answered the monthly test of phone")
    number = next(each.id for each in house.loop._alerts.active() if each.kind == "test")
    house.loop.handle(Request("seen", {"notice": number}))
    house.loop.commit()
    house.start()
    house.live(0.1)
    assert house.on() == []


def _test(name: str, since_ms: int, *, seen: bool = False) -> NoticeNow:
    return NoticeNow(1, "test", name, "know", "active", since_ms, seen, None, "", "")


def test_the_first_test_is_a_month_after_the_first_start_and_the_mark_is_kept(house: House) -> None:
    """A restart does not begin the month anew."""
    drill = Drill(house.site, {})
    assert drill.facts(moment(START_MS), ()) == []
    marks = drill.marks()
    assert marks == {"test:phone": str(START_MS)}
    assert drill.marks() == {}
    again = Drill(house.site, marks)
    assert again.facts(moment(START_MS + MONTH_MS - 1), ()) == []
    noon_ms = START_MS + MONTH_MS + 4 * 3_600_000  # 12:13 in Denver
    assert again.facts(moment(noon_ms), ()) == [("test", "phone", False, "")]


@pytest.mark.parametrize(("hour", "due"), [(0, False), (9, False), (10, True), (17, True), (18, False), (23, False)])
def test_a_test_wakes_nobody(house: House, hour: int, due: bool) -> None:
    """Between ten and six by the household's clock."""
    drill = Drill(house.site, {"test:phone": str(START_MS - 2 * MONTH_MS)})
    at_ms = START_MS - 8 * 3_600_000 - 13 * 60_000 + hour * 3_600_000  # START is 8:13 in Denver
    assert bool(drill.facts(moment(at_ms), ())) == due


def test_without_a_trusted_clock_no_test_begins_and_none_is_unanswered(house: House) -> None:
    """Nobody knows how long it has been."""
    drill = Drill(house.site, {"test:phone": "0"})
    noon_ms = START_MS + 4 * 3_600_000
    assert drill.facts(moment(noon_ms, trusted=False), ()) == []
    told = drill.facts(moment(noon_ms, trusted=False), (_test("phone", noon_ms - 2 * ANSWER_MS),))
    assert told == [("test", "phone", False, "")]


def test_a_clock_that_was_far_ahead_does_not_end_all_tests(house: House) -> None:
    """A mark from the future is begun anew."""
    drill = Drill(house.site, {"test:phone": str(START_MS + 400 * MONTH_MS)})
    assert drill.facts(moment(START_MS), ()) == []
    assert drill.marks() == {"test:phone": str(START_MS)}


def test_a_test_of_a_channel_that_is_no_longer_tested_goes(house: House) -> None:
    """It was switched off while it waited for its answer."""
    drill = Drill(house.site, {})
    assert ("test", "radio", True, "") in drill.facts(moment(START_MS), (_test("radio", START_MS - 5),))


def test_a_broker_that_comes_back_says_nothing_about_tests_and_channels(house: House) -> None:
    """Only a tick knows about those; a reconnect must not make a channel well."""
    house.loop._drill = Drill(house.site, {"test:phone": "0"})
    house.live(0.5)
    assert house.on() == [("test", "phone")]
    for up in (False, True):
        house.loop.handle(BrokerState(up, "words"))
    house.loop.commit()
    assert ("test", "phone") in house.on()
