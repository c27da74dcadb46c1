"""*short* and *haul by*: what lies ahead of a tank becomes a notice in time, and one only."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from alerts.rig import MIN_MS, Rig, gal, household, phases, told
from holdwater.alerts.rows import Change
from holdwater.balance.supply import Supply
from holdwater.books import Learned
from holdwater.config.notice import NoticeConfig
from holdwater.config.site import Site
from holdwater.gauge import LevelPoint
from holdwater.outlook import Outlook
from holdwater.tanks.hauling import Hauling

TODAY = date(2026, 9, 28)  # of the rig
DAY_MS = 86_400_000


def hauled(load_gal: float = 125.0, worst_days: float = 6.0, **notices: NoticeConfig) -> Site:
    """The household, with hauling to its drinking tank."""
    site = household({name.replace("_", "-"): each.build() for name, each in notices.items()})
    drinking = replace(site.tanks["drinking"], haul=Hauling(gal(load_gal), 2.0, worst_days))
    return replace(site, tanks={**site.tanks, "drinking": drinking})


def learned(site: Site, use_gal: float = 10.0, fed_gal: float = 0.0) -> Learned:
    """Thirty days of the same use, without inflow on most of them; a well on every fourth day."""
    rows = []
    for back in range(1, 31):
        day, fed = TODAY - timedelta(days=back), back % 4 == 0 and fed_gal > 0
        gone_m3 = gal(use_gal + (0.5 if back % 2 else -0.5))
        rows.append([day.toordinal(), gone_m3, not fed, gal(4 * fed_gal) if fed else 0.0])
    body = json.dumps([2, rows]).encode()
    assert Supply.from_bytes(body).to_bytes()
    made = Learned(site)
    made._supply["drinking"] = Supply.from_bytes(body)
    return made


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    made = Rig(str(tmp_path / "rig.db"), hauled())
    yield made
    made.db.close()


def run(rig: Rig, on_hand_gal: float, hours: float, known: Learned | None = None) -> list[Change]:
    """Readings every ten minutes, looked ahead from."""
    outlook = Outlook(rig.site, known or learned(rig.site), rig.alerts)  # type: ignore[arg-type]
    changes: list[Change] = []
    total_m3 = gal(on_hand_gal) + rig.site.tanks["drinking"].capacity_m3 - rig.site.tanks["drinking"].full_on_hand_m3
    for _ in range(round(hours * 6)):
        rig.pass_time(600)
        rig.tick()
        point = LevelPoint(rig.ts_ms, 0.5, gal(on_hand_gal), total_m3, gal(0.5), gal(0.5), 0)
        changes += rig.keep(outlook.on_level("drinking", point))
    return changes


def test_haul_by_is_told_a_week_ahead_once_and_rises_on_the_day_before(rig: Rig) -> None:
    """220 gal, reserve 90, 10 a day: 13 days less 6, so by the sixth day; then as the water goes, *act today*; a load ends it."""
    assert phases(run(rig, 320.0, 3), "haul-by") == []
    first = run(rig, 220.0, 24)
    assert phases(first, "haul-by") == ["raise"]
    short = told(first, "haul-by")[0].short
    assert short.startswith(("Haul drinking water by Sat 3 Oct", "Haul drinking water by Sun 4 Oct")), short
    assert "220 gal now, reserve 90. Your 125 gal load fits." in short
    last = run(rig, 165.0, 3)
    assert phases(last, "haul-by") == ["rise"]
    assert phases(run(rig, 290.0, 3), "haul-by") == ["clear"]


def test_a_load_without_room_says_how_much_fits_and_when_it_all_does(rig: Rig) -> None:
    """354 gal when full: beside 250 there is room for about 104 of 125."""
    far = Rig(rig.path + "2", hauled(worst_days=12.0))
    words = told(run(far, 250.0, 3), "haul-by")[0]
    assert "Only 103 gal of your 125 gal load fits now, all from" in words.short or "Only 102 gal" in words.short, (
        words.short
    )
    assert "baffles" in words.long
    assert "surges" in words.long


def test_while_a_well_keeps_up_nobody_is_sent_for_water(rig: Rig) -> None:
    """What came by itself over two weeks is as much as was used: no haul, not short; when it stops, both come."""
    keeps = learned(rig.site, fed_gal=13.0)
    assert phases(run(rig, 140.0, 6, keeps)) == []
    assert set(phases(run(rig, 140.0, 6))) == {"raise"}


def test_a_well_that_just_keeps_up_tells_and_untells_nothing(rig: Rig) -> None:
    """Three quarters of the use: nothing is raised, and what is on stays on."""
    just = learned(rig.site, fed_gal=9.3)
    assert phases(run(rig, 140.0, 6, just)) == []
    assert set(phases(run(rig, 140.0, 6))) == {"raise"}
    assert phases(run(rig, 140.0, 6, just)) == []
    assert set(phases(run(rig, 140.0, 6, learned(rig.site, fed_gal=13.0)))) == {"clear"}


def test_short_is_told_under_the_worst_wait_and_ends_well_above_it(tmp_path: Path) -> None:
    """5 days above the reserve against a worst wait of 6; gone at 15."""
    rig = Rig(str(tmp_path / "rig.db"), hauled(haul_by=NoticeConfig(off=True)))
    changes = run(rig, 140.0, 3)
    assert phases(changes, "short") == ["raise"]
    words = told(changes, "short")[0].short
    assert words.startswith("Drinking water short: 5 days")
    assert "worst wait of 6 days" in words
    assert phases(run(rig, 150.0, 6), "short") == []
    assert phases(run(rig, 240.0, 3), "short") == ["clear"]


def test_low_holds_short_back(rig: Rig) -> None:
    """Who has been told that the reserve is gone need not hear that it will be."""
    rig.levels(80.0, 30)
    assert phases(run(rig, 80.0, 3), "short") == []


def test_a_restart_tells_nothing_twice(rig: Rig) -> None:
    """Both go on over a restart."""
    assert set(phases(run(rig, 140.0, 3))) == {"raise"}
    rig.restart(600.0)
    assert phases(run(rig, 140.0, 3), "short") + phases(run(rig, 140.0, 3), "haul-by") == []


def test_without_a_known_use_nobody_is_told_anything(rig: Rig) -> None:
    """The first days: no figure, no notice."""
    assert phases(run(rig, 100.0, 6, Learned(rig.site))) == []  # type: ignore[arg-type]


def test_it_is_looked_ahead_every_hour_and_when_much_water_came(rig: Rig) -> None:
    """Not with each reading: that would cost more than the reading."""
    outlook = Outlook(rig.site, learned(rig.site), rig.alerts)  # type: ignore[arg-type]
    at_ms = rig.ts_ms - rig.ts_ms % (60 * MIN_MS)
    point = LevelPoint(at_ms, 0.5, gal(200), gal(220), gal(0.5), gal(0.5), 0)
    assert outlook._is_due("drinking", point)
    outlook.on_level("drinking", point)
    assert not outlook._is_due("drinking", point._replace(ts_ms=at_ms + MIN_MS))
    assert outlook._is_due("drinking", point._replace(ts_ms=at_ms + MIN_MS, on_hand_m3=gal(320)))
    assert outlook._is_due("drinking", point._replace(ts_ms=at_ms + 60 * MIN_MS))
    found = outlook.haul("drinking", point)
    assert found is not None
    assert found.by is not None


def test_short_is_neither_told_nor_shown_while_haul_by_says_the_same(rig: Rig) -> None:
    """One matter, one notice: both lines are passed, and the one with the day to act on is heard and seen."""
    changes = run(rig, 130.0, 24)
    assert phases(changes, "haul-by")[:1] == ["raise"]
    assert phases(changes, "short") == []
    assert "short" not in {each.kind for each in rig.alerts.active()}
