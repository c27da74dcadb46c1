"""*link shut*, *disagree*, *warm* and *old water*: each told once, for what it is, and never beside a notice that says the same."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from alerts.rig import Rig, household, phases, told
from holdwater.alerts.rows import Change
from holdwater.config.site import Site
from holdwater.tanks.vessels import Link, Vessel
from holdwater_sensors.quality import Grade, Reason, code

APART = code(Grade.SUSPECT, Reason.LINK)
STUCK = code(Grade.SUSPECT, Reason.STUCK)
HOUR_S = 3600.0
DAY_S = 86400.0


def joined(*, shut: bool = False) -> Site:
    """The drinking tank as two like vessels with a link."""
    site = household()
    tank = site.tanks["drinking"]
    shape = tank.vessels[0].shape
    pair = replace(
        tank, vessels=(Vessel("near", shape), Vessel("far", shape)), links=(Link(("near", "far"), 0.0, shut),)
    )
    return replace(site, tanks={**site.tanks, "drinking": pair})


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    made = Rig(str(tmp_path / "rig.db"), joined())
    yield made
    made.db.close()


def readings(rig: Rig, minutes: int, quality: int = 0, every: int = 10) -> list[Change]:
    changes: list[Change] = []
    for _ in range(0, minutes, every):
        rig.pass_time(every * 60.0)
        rig.heard()
        rig.heard(tank="garden")
        changes += rig.level(300.0, quality=quality) + rig.tick()
    return changes


def test_vessels_that_stand_apart_are_told_as_link_shut_and_not_as_in_doubt(rig: Rig) -> None:
    """*act today*, once; a stuck sensor is still told as in doubt."""
    changes = readings(rig, 90, APART)
    assert phases(changes) == ["raise"]
    assert told(changes, "link-shut")[0].severity == "act today"
    assert phases(readings(rig, 40), "link-shut") == ["clear"]
    assert phases(readings(rig, 60, STUCK), "in-doubt") == ["raise"]


def test_a_link_shut_by_a_note_is_known_until_it_is_opened_over_a_restart(rig: Rig) -> None:
    """*know*: the household shut it; what is cut off does not count. A sensor in doubt is told all the same."""
    assert phases(readings(rig, 60)) == []
    rig.alerts.on_note("link shut", rig.ts_ms, {"tank": "drinking", "link": 0})
    changes = readings(rig, 60)
    assert [each.severity for each in told(changes, "link-shut")] == ["know"]
    rig.restart(60.0)
    assert phases(readings(rig, 60)) == []
    assert phases(readings(rig, 60, STUCK), "in-doubt") == ["raise"]
    rig.alerts.on_note("link open", rig.ts_ms, {"tank": "drinking", "link": 0})
    assert phases(readings(rig, 60), "link-shut") == ["clear"]


def test_a_link_shut_in_the_config_is_known_from_the_first_readings(tmp_path: Path) -> None:
    """Level, not edge."""
    rig = Rig(str(tmp_path / "rig.db"), joined(shut=True))
    assert phases(readings(rig, 60), "link-shut") == ["raise"]


def test_disagree_is_told_in_place_of_in_doubt_and_what_holds_after_it_is_told_then(rig: Rig) -> None:
    """One notice for one matter; when they agree again and one is stuck, that is said."""
    rig.pass_time(60)
    words = "deep says 38.2 in, sight 31.0 in. Dip the tank to tell which of them is wrong."
    first = rig.keep(rig.alerts.on_fact("disagree", "drinking", "beyond", rig.ts_ms, words))
    assert phases(first, "disagree") == ["raise"]
    assert "38.2 in" in told(first, "disagree")[0].short
    assert phases(readings(rig, 60, STUCK)) == []
    rig.pass_time(60)
    ended = rig.keep(rig.alerts.on_fact("disagree", "drinking", "back", rig.ts_ms))
    assert phases(ended, "disagree") == ["clear"]
    assert "raise" in phases(ended + readings(rig, 20, STUCK), "in-doubt")


def warm(rig: Rig, water_f: float, hours: float) -> list[Change]:
    changes: list[Change] = []
    for _ in range(round(hours * 6)):
        rig.pass_time(600.0)
        changes += rig.keep(
            rig.alerts.on_fact("warm", "garden", "unknown", rig.ts_ms, numbers={"water_c": (water_f - 32) / 1.8})
        )
    return changes


def test_warm_water_is_told_after_six_hours_with_the_mist_caution_and_ends_after_a_cool_day(rig: Rig) -> None:
    """A warm noon is nothing; a warm day is; a cool night does not end it."""
    assert phases(warm(rig, 79.0, 5) + warm(rig, 74.0, 3)) == []
    changes = warm(rig, 79.0, 7)
    assert phases(changes, "warm") == ["raise"]
    assert "mist" in told(changes, "warm")[0].short
    assert phases(warm(rig, 70.0, 12) + warm(rig, 78.0, 6)) == []
    assert phases(warm(rig, 70.0, 25), "warm") == ["clear"]


def test_drinking_water_that_stands_half_a_year_is_told_after_three_days(rig: Rig) -> None:
    """And ends when it is turned over in under five months."""
    found: list[str] = []
    for days, hours in ((100, 48), (200, 96), (160, 48), (120, 48)):
        for _ in range(hours):
            rig.pass_time(HOUR_S)
            numbers = {"turnover_s": days * DAY_S}
            changes = rig.alerts.on_fact(
                "old-water", "drinking", "unknown", rig.ts_ms, numbers=numbers, named={"drinking": "yes"}
            )
            found += [f"{days} {each}" for each in phases(rig.keep(changes), "old-water")]
    assert found == ["200 raise", "120 clear"]
