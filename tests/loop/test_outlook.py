"""What lies ahead, in the service's own loop: by which day to haul, and water that runs short, told in time and once."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import pytest

from holdwater.errors import ConfigError
from holdwater.events import Message, Request
from holdwater.recording import Line
from holdwater.replay import Replay
from holdwater.sitefile import site_of
from holdwater.store.reader import open_reader
from holdwater.store.rows import DAY_MS, HOUR_MS, NoticeStepRow
from holdwater.store.writer import Store
from holdwater.units import M3_PER_GAL
from place import make_site, payload, pressure, text_of

START_MS = round(datetime(2026, 9, 10, 6, tzinfo=UTC).timestamp() * 1000)  # midnight in Denver
HAUL = '\n[tank.main.haul]\nload = "125 gal"\nusual_wait = "2 days"\nworst_wait = "5 days"\n'
A_DAY_GAL = 12.0
BEGIN_GAL = 320.0  # 230 above the reserve of 90: nineteen days
STEP_MS = HOUR_MS // 2


def level_gal(at_ms: int, loads: dict[int, float]) -> float:
    """Half a day's use at seven in the morning and in the evening; loads run in from noon to two of their days."""
    hours = (at_ms - START_MS) / HOUR_MS
    draws = sum(1 for day in range(60) for hour in (7, 19) if day * 24 + hour <= hours)
    return (
        BEGIN_GAL
        - draws * A_DAY_GAL / 2
        + sum(gal * min(max((hours - day * 24 - 11.5) / 2, 0.0), 1.0) for day, gal in loads.items())
    )


def lines(folder: Path, days: int, loads: dict[int, float]) -> Iterator[Line]:
    tank = make_site(folder).tanks["main"]
    for at_ms in range(START_MS, START_MS + days * DAY_MS, STEP_MS):
        hours = (at_ms - START_MS) / HOUR_MS
        if hours % 24 == 12 and hours // 24 in loads:
            body = {"kind": "load", "tank": "main", "volume_m3": loads[int(hours // 24)] * M3_PER_GAL, "at_ms": at_ms}
            yield Line(at_ms, Request("note", body))
        on_hand_m3 = level_gal(at_ms, loads) * M3_PER_GAL
        depth_m = tank.outlet_m + on_hand_m3 / (tank.full_on_hand_m3 / (tank.overflow_m - tank.outlet_m))
        text = payload(("pressure", "Pa", pressure(depth_m)), t_s=at_ms / 1000)
        yield Line(at_ms, Message("water/node/a/readings", text.encode(), at_ms, 0.0))


@dataclass
class Told:
    """What came of a replay."""

    steps: list[NoticeStepRow]
    haul_by: dict[int, tuple[str, bool]] = field(default_factory=dict)

    def of(self, kind: str) -> list[tuple[int, str, str, str]]:
        """Day, state, severity and short text of each step of a kind."""
        return [
            ((each.at_ms - START_MS) // DAY_MS, each.state, each.severity, each.short)
            for each in self.steps
            if each.kind == kind and each.state != "watching"
        ]


def played(folder: Path, days: int, loads: dict[int, float], more: str = HAUL) -> Told:
    """The household's weeks; the page's *haul by* as of each midnight."""
    told = Told([])
    with closing(Store(folder / "store")) as store:
        made = Replay(make_site(folder / "store", more=more), store, START_MS)
        for line in lines(folder / "store", days, loads):
            made.feed(line)
            if (line.at_ms - START_MS) % DAY_MS == 0:
                (tank,) = (each for each in made.loop.picture.tanks(line.at_ms) if each.name == "main")
                told.haul_by[(line.at_ms - START_MS) // DAY_MS] = (tank.haul_by, tank.haul_late)
        made.commit()
    with open_reader(folder / "store") as reader:
        told.steps = list(reader.notices(0, START_MS * 2))
    return told


@pytest.mark.slow
def test_a_haul_is_told_days_ahead_and_again_on_the_day_before_the_last_and_clears_with_the_load(
    tmp_path: Path,
) -> None:
    """Told half as long ahead as a load lasts, five days here; by the day of the reserve at heavy use less a worst wait of five."""
    told = played(tmp_path, 18, {14: 125.0})
    know, today, clear = told.of("haul-by")
    assert know[1:3] == ("active", "know")
    assert 5 <= know[0] <= 8
    assert "Haul drinking water to Main by" in know[3]
    assert "reserve 90. Only 1" in know[3]  # of 125 gal
    assert "reserve 90. Your 125 gal load fits." in today[3]
    assert today[1:3] == ("active", "act today")
    assert 11 <= today[0] <= 13
    assert clear[:2] == (14, "clear")
    assert told.of("short") == []


@pytest.mark.slow
def test_a_load_too_small_to_end_the_matter_tells_the_new_day_once(tmp_path: Path) -> None:
    """Forty gallons last three days: the notice goes on, and says by which day the next one is due."""
    told = played(tmp_path, 17, {14: 40.0}).of("haul-by")
    assert [each[1] for each in told] == ["active"] * 3
    assert told[2][0] == 14
    assert told[2][3] != told[1][3]
    assert "Haul drinking water to Main by" in told[2][3]


@pytest.mark.slow
def test_the_page_names_the_day_and_says_when_it_is_past(tmp_path: Path) -> None:
    """No day while the use is unknown; then one that hardly moves; *late* when nobody hauled."""
    told = played(tmp_path, 18, {})
    assert told.haul_by[3] == ("", False)
    days = {told.haul_by[day][0] for day in range(8, 12)}
    assert days <= {"2026-09-22", "2026-09-23", "2026-09-24"}
    assert told.haul_by[17] == ("2026-09-27", True)


@pytest.mark.slow
def test_water_that_runs_short_is_told_where_nobody_hauls(tmp_path: Path) -> None:
    """`[notice.short] raise_at`: told when the cautious figure is under it, held back once the tank is low."""
    told = played(tmp_path, 22, {}, '\n[notice.short]\nraise_at = "6 days"\n')
    (short, *rest) = told.of("short")
    assert short[1:3] == ("active", "act today")
    assert 12 <= short[0] <= 14
    assert "against a worst wait of 6 days" in short[3]
    assert [each[1] for each in rest] in ([], ["clear"])
    assert [each[1] for each in told.of("low")] == ["active"]


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ('load = "125 gal"\nusual_wait = "6 days"\nworst_wait = "2 days"', "at least the usual wait, 6 days"),
        ('load = "500 gal"\nusual_wait = "1 day"\nworst_wait = "2 days"', "at most what is on hand when full"),
        ('load = "0 gal"\nusual_wait = "1 day"\nworst_wait = "2 days"', "more than 0"),
        ('load = "1 in"\nusual_wait = "1 day"\nworst_wait = "200 days"', "volume"),
        ('load = "125 gal"\nusual_wait = "1 day"', "worst_wait"),
    ],
)
def test_a_haul_that_cannot_be_is_refused_with_the_fix(tmp_path: Path, table: str, words: str) -> None:
    """Found, expected, where, what to do."""
    with pytest.raises(ConfigError) as refused:
        site_of(text_of(tmp_path, more=f"\n[tank.main.haul]\n{table}\n"), "test.toml", {})
    said = refused.value.words()
    assert "tank.main.haul" in said
    assert words in said
