"""A notice that goes on may have more to say: each edition of it is told once, as a step of the same notice."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest

from alerts.rig import Rig, household, phases, told
from holdwater.alerts import system
from holdwater.alerts.engine import Alerts
from holdwater.alerts.facts import SystemFact
from holdwater.alerts.kind import Defaults, Kind
from holdwater.alerts.kinds import KINDS
from holdwater.alerts.matter import Severity, Timing
from holdwater.alerts.rows import Change

SPELL = Kind(
    name="spell", title="spell", severity=Severity.TODAY, upper=Severity.NOW, listens=(SystemFact,), judge=system.judge,
    defaults=Defaults(timing=Timing(raise_after_ms=0, clear_after_ms=0, clear_count=1)),
    short=lambda told: f"Drain {told.words.get('what', '')}." if not told.is_over else "Look at it.",
    long=lambda told: f"Drain {told.words.get('what', '')} before dark.", manual="", samples=({},),
)  # fmt: skip


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    """A household with a kind that has editions."""
    made = Rig(str(tmp_path / "rig.db"), household(), partial(Alerts, kinds={**KINDS, "spell": SPELL}))
    yield made
    made.db.close()


def say(rig: Rig, edition: str, verdict: str = "beyond", minutes: float = 10.0, upper: str = "unknown") -> list[Change]:
    rig.pass_time(minutes * 60)
    repeats = rig.tick()
    told = rig.alerts.on_fact(
        "spell", "site", verdict, rig.wall_ms, edition=edition, named={"what": edition}, upper=upper
    )
    return [each for each in repeats + rig.keep(told) if each.notice.kind == "spell"]


def test_another_edition_of_what_goes_on_is_told_once_as_a_step_of_the_same_notice(rig: Rig) -> None:
    """Raised on Monday, one line on Tuesday however often it is said, one end."""
    changes = [change for day in ("Mon", "Mon", "Tue", "Tue", "Tue") for change in say(rig, day)]
    changes += say(rig, "", "back")
    assert phases(changes) == ["raise", "update", "clear"]
    assert len({each.notice.id for each in changes}) == 1
    assert [each.n for each in told(changes)] == [1, 2, 3]
    assert [each.short for each in told(changes)][:2] == ["Drain Mon.", "Drain Tue."]


def test_an_update_outlasts_a_restart_without_being_told_again(rig: Rig) -> None:
    """The edition is in the row of the notice."""
    say(rig, "Mon")
    say(rig, "Tue")
    rig.restart(60.0)
    assert phases(say(rig, "Tue")) == []
    assert next(each for each in rig.alerts.active() if each.kind == "spell").short == "Drain Tue."
    assert phases(say(rig, "Wed")) == ["update"]


def test_without_an_edition_nothing_is_new(rig: Rig) -> None:
    """A fact that names none never updates what an edition has said."""
    say(rig, "Mon")
    assert phases(say(rig, "") + say(rig, "Mon")) == []


def test_quiet_keeps_an_update_until_it_ends_and_then_the_newest_is_told(rig: Rig) -> None:
    """Not lost, and not an old one."""
    notice = say(rig, "Mon")[0].notice.id
    rig.keep(rig.alerts.quiet(notice, 3600.0))
    assert phases(say(rig, "Tue") + say(rig, "Wed")) == []
    told_later = say(rig, "Wed", minutes=60)
    assert [json.loads(each.outbox[0].body)["short"] for each in told_later if each.outbox] == ["Drain Wed."]


def test_an_update_leaves_seen_and_the_next_repeat_as_they_were(rig: Rig) -> None:
    """It is no new raise: what was seen stays seen, and the repeat comes when it was due."""
    say(rig, "Mon", upper="beyond")
    assert phases(say(rig, "Tue", upper="beyond", minutes=20)) == ["update"]
    assert phases(say(rig, "Tue", upper="beyond", minutes=11)) == ["repeat"]
    rig.keep(rig.alerts.seen(next(each for each in rig.alerts.active() if each.kind == "spell").id))
    assert phases(say(rig, "Wed", upper="beyond")) == ["update"]
    assert next(each for each in rig.alerts.active() if each.kind == "spell").seen


def test_editions_without_end_flood_nobody(rig: Rig) -> None:
    """A kind that names another edition every ten minutes is heard six times a day."""
    changes = [change for number in range(100) for change in say(rig, str(number))]
    assert len(phases(changes)) == 6
    told_next_day = [change for number in range(100, 150) for change in say(rig, str(number))]
    assert len(phases(told_next_day)) >= 1


def test_while_it_eases_there_is_nothing_new(rig: Rig) -> None:
    """What is nearly over says no more."""
    slow = replace(SPELL, defaults=Defaults(timing=Timing(raise_after_ms=0, clear_after_ms=3_600_000)))
    rig.make = partial(Alerts, kinds={**KINDS, "spell": slow})
    rig.restart()
    say(rig, "Mon")
    assert phases(say(rig, "Tue", "back")) == []
    assert phases(say(rig, "Tue")) == ["update"]
