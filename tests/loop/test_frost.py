"""The frost in the service's own loop: notices of a freeze week, however it is batched, over restarts, and without air."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from zoneinfo import ZoneInfo

import pytest

from holdwater.config.exposures import Exposure
from holdwater.config.site import Site
from holdwater.events import Message, Request
from holdwater.freeze.done import Done
from holdwater.frost import FORETOLD, Frost, Told
from holdwater.nights import Nights
from holdwater.recording import Line
from holdwater.replay import Replay
from holdwater.restoring import restored_rules
from holdwater.store.writer import Store
from place import HOUR_MS, make_site, payload, pressure

ZONE = ZoneInfo("America/Denver")
START_MS = round(datetime(2026, 9, 22, 6, tzinfo=UTC).timestamp() * 1000)  # midnight in Denver
LOWS_F = {
    19: 39.0,
    20: 35.0,
    21: 29.0,
    22: 24.0,
    23: 19.0,
    24: 17.0,
    25: 21.0,
    26: 26.0,
    27: 30.0,
}  # mornings of 13 to 19 October
DAYS = 33
DAY_MS = 24 * HOUR_MS
STEP_MS = HOUR_MS
SPIGOTS = {
    "garden-spigot": Exposure("garden-spigot", "spigot", sky="roof"),
    "cabin-spigot": Exposure("cabin-spigot", "spigot", sky="roof"),
}
DRAINED = {21 * 24 + 17: ("drained", "garden-spigot"), 22 * 24 + 16: ("drained", "cabin-spigot")}
OF_FROST = ("freeze-tonight", "icing", "thaw-watch")


def site_of(folder: Path, **changes: object) -> Site:
    site = replace(make_site(folder), latitude=37.6, longitude=-105.0, air_series="a:air", exposures=SPIGOTS)
    return replace(site, **changes)


def low_c(day: int) -> float:
    """Lowest air of a morning: 50F falling to 42F, then the freeze week, then 42F."""
    return ((LOWS_F[day] if day in LOWS_F else max(42.0, 50.0 - day / 2)) - 32) / 1.8


def air(days: int = DAYS, seed: int = 1) -> Iterator[tuple[int, float]]:
    """Hourly air that is lowest at sunrise (6:30), 9 degC warmer in the afternoon."""
    chance = Random(seed)
    for at_ms in range(START_MS, START_MS + days * DAY_MS, STEP_MS):
        hours = (at_ms - START_MS) / HOUR_MS - 6.5
        day, share = math.floor(hours / 24), hours / 24 % 1
        low, after = low_c(day), low_c(day + 1)
        rise = math.sin(math.pi * share / 0.72) if share < 0.36 else 1 - ((share - 0.36) / 0.64) ** 0.5
        base = low if share < 0.36 else after
        yield at_ms, base + rise * (max(low, after) + 9.0 - base) + chance.gauss(0.0, 0.2)


def line(at_ms: int, air_c: float) -> Line:
    text = payload(("pressure", "Pa", pressure(1.0)), ("air", "Cel", round(air_c, 2)), t_s=at_ms / 1000)
    return Line(at_ms, Message("water/node/a/readings", text.encode(), at_ms, 0.0))


def note(at_ms: int, kind: str, exposure: str) -> Line:
    return Line(at_ms, Request("note", {"kind": kind, "exposure": exposure, "at_ms": at_ms}))


def week(notes: dict[int, tuple[str, str]]) -> list[Line]:
    """The recording of a freeze week after three mild ones, with notes by hour since the start."""
    lines = [line(at_ms, air_c) for at_ms, air_c in air()]
    lines += [note(START_MS + hour * HOUR_MS + 1, *said) for hour, said in notes.items()]
    return sorted(lines, key=lambda each: each.at_ms)


def run(site: Site, folder: Path, lines: list[Line], every: int = 0) -> Store:
    """Feed a recording; the store stays open."""
    store = Store(folder)
    running = Replay(site, store, lines[0].at_ms)
    for count, each in enumerate(lines, 1):
        running.feed(each)
        if every and count % every == 0:
            running.loop.commit()
    running.finish()
    assert running.refused == []
    return store


def steps(store: Store, kind: str, subject: str = "air") -> list[tuple[str, datetime, str]]:
    rows = store.connection.execute(
        "SELECT s.state, s.reading_ts, s.short FROM notice_step s JOIN notice n ON n.id = s.notice "
        "WHERE n.kind = ? AND n.subject = ? ORDER BY s.reading_ts",
        (kind, subject),
    ).fetchall()
    return [(state, local(at), short) for state, at, short in rows]


def local(at_ms: int) -> datetime:
    return datetime.fromtimestamp(at_ms / 1000, ZONE)


@pytest.fixture(scope="module")
def freeze_week(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """The store after the freeze week."""
    folder = tmp_path_factory.mktemp("week")
    store = run(site_of(folder), folder / "store", week(DRAINED))
    yield store
    store.close()


@pytest.mark.slow
def test_a_freeze_week_is_one_notice_with_a_line_each_morning(freeze_week: Store) -> None:
    """Called on the evening before the first cold night, seven mornings, ticked off once, over once: not forty."""
    said = steps(freeze_week, "freeze-tonight")
    assert said[0][0] == "active"
    assert "freeze tonight" in said[0][2].lower()
    assert said[0][1].day == 12
    assert 15 <= said[0][1].hour <= 21
    mornings = [at.day for _, at, text in said if text.startswith("Night over")]
    assert mornings == [13, 14, 15, 16, 17, 18, 19]
    assert sum(text.startswith("Ticked off") for _, _, text in said) == 1
    assert [state for state, _, _ in said].count("clear") == 1
    assert said[-1][2].startswith("Cold spell over")
    assert len(said) <= 12
    of_kind = freeze_week.connection.execute("SELECT kind, count(*) FROM notice GROUP BY kind").fetchall()
    assert dict(of_kind)["freeze-tonight"] == 1


@pytest.mark.slow
def test_a_word_of_days_ago_does_not_keep_freezing_quiet(tmp_path: Path) -> None:
    """Told once, then mild nights, then frost that nobody foretold that evening: *freezing* says so when it comes."""
    rules = restored_rules(site_of(tmp_path), Store(tmp_path / "store"), lambda *_: None)
    rules.on_note(FORETOLD, START_MS, {})
    told = [
        change
        for minute in range(60)
        for change in rules.on_air(START_MS + 27 * HOUR_MS + minute * 60_000, -2.0, minute * 60.0)
        if change.step is not None
    ]
    assert [change.notice.kind for change in told] == ["freezing"]


@pytest.mark.slow
def test_what_was_foretold_needs_no_second_notice_when_it_comes(freeze_week: Store) -> None:
    """*Freezing* is quiet while the spell is told; all messages about the frost of seven nights together are few."""
    assert steps(freeze_week, "freezing") == []
    of_frost = sum(len(steps(freeze_week, kind)) for kind in OF_FROST)
    assert of_frost + sum(len(steps(freeze_week, "icing", name)) for name in SPIGOTS) <= 18


@pytest.mark.slow
def test_what_holds_water_is_told_as_iced_and_what_is_drained_is_not(freeze_week: Store) -> None:
    """The first cold night found both full; the cabin's was drained a day later. Each is told once."""
    for name in SPIGOTS:
        said = steps(freeze_week, "icing", name)
        assert [state for state, _, _ in said] == ["active", "clear"], said
        assert said[0][1].day in (13, 14)
        assert "Ice likely" in said[0][2]


@pytest.mark.slow
def test_the_thaw_is_watched_in_one_notice(freeze_week: Store) -> None:
    """From the first hour above 34F; daily thaws do not repeat it."""
    said = steps(freeze_week, "thaw-watch")
    assert [state for state, _, _ in said] == ["active", "clear"], said
    assert said[0][1].day == 13
    assert 8 <= said[0][1].hour <= 13


@pytest.mark.slow
def test_what_came_is_stored_when_the_night_is_over_beside_what_was_told(freeze_week: Store) -> None:
    """One row a night; never two; the words of afternoon and evening say what they mean for each exposure."""
    rows = freeze_week.connection.execute
    nights = [body for (body,) in rows("SELECT body FROM forecast WHERE kind = 'night came' ORDER BY id")]
    assert len(nights) == len(set(nights)) == DAYS
    spots = [json.loads(body) for (body,) in rows("SELECT body FROM forecast WHERE body LIKE '%\"spots\"%'")]
    assert {each["issue"] for each in spots} == {"afternoon", "2"}
    assert {each["spots"]["garden-spigot"].get("done") for each in spots} == {None, "drained"}


@pytest.mark.slow
def test_neither_batches_nor_a_restart_change_a_word_or_a_notice(tmp_path: Path, freeze_week: Store) -> None:
    """Committed every 7 events, and stopped and started in the middle of the coldest night: the same rows."""

    def rows(store: Store) -> list[object]:
        run = store.connection.execute
        return [
            run("SELECT kind, subject, issued, target, body FROM forecast ORDER BY id").fetchall(),
            run(
                "SELECT n.kind, n.subject, s.n, s.reading_ts, s.short FROM notice_step s JOIN notice n ON n.id = s.notice "
                "WHERE n.kind IN ('freeze-tonight', 'icing', 'thaw-watch') ORDER BY s.reading_ts, n.kind, n.subject"
            ).fetchall(),
            run(
                "SELECT subject, through, body FROM model WHERE kind IN ('night', 'frost') ORDER BY kind, subject"
            ).fetchall(),
        ]

    lines = week(DRAINED)
    cut = next(at for at, each in enumerate(lines) if each.at_ms > START_MS + 24 * DAY_MS + 3 * HOUR_MS)
    site = site_of(tmp_path)
    run(site, tmp_path / "store", lines[:cut], every=7).close()
    store = run(site, tmp_path / "store", lines[cut:], every=7)
    found, whole = rows(store), rows(freeze_week)
    store.close()
    assert found == whole


# ------------------------------------------------------------------------------------------- the fold by itself


def frost_of(site: Site) -> Frost:
    """The fold without a loop: no tank has a level, no series a value beside it."""
    return Frost(site, Nights(site), {}, lambda _tank: None, lambda _series, _at: None)


def fed(frost: Frost, readings: Iterable[tuple[int, float]]) -> list[Told]:
    return [told for at_ms, air_c in readings for told in frost.on_reading("a:air", at_ms, air_c)]


def told_of(found: list[Told], kind: str = "freeze-tonight") -> list[Told]:
    return [each for each in found if each.kind == kind]


def test_in_mild_weeks_nobody_is_called(tmp_path: Path) -> None:
    """From the very first night on, while the forecast has learned nothing yet: nights of 42F and more."""
    found = fed(frost_of(site_of(tmp_path)), air(20))
    assert told_of(found) == []
    assert {each.verdict for each in found} <= {"back"}


def test_without_air_in_the_afternoon_it_is_said_once_that_nothing_can_be_told(tmp_path: Path) -> None:
    """The sensor dies on a cold morning: after the first word is overdue a line, once however long it lasts."""
    frost, dead_ms = frost_of(site_of(tmp_path)), START_MS + 24 * DAY_MS + 10 * HOUR_MS
    fed(frost, (each for each in air() if each[0] < dead_ms))
    found = [
        (now_ms, told)
        for now_ms in range(dead_ms, dead_ms + 60 * HOUR_MS, HOUR_MS // 4)
        for told in frost.on_time(now_ms)
    ]
    blind = [(at, each) for at, each in found if each.named.get("step") == "blind"]
    assert len(blind) == 1
    assert (local(blind[0][0]).hour, local(int(blind[0][1].numbers["last_ms"])).hour) == (15, 9)


def test_a_word_is_due_although_the_air_came_late(tmp_path: Path) -> None:
    """Half an hour after the hour the word is made from what there is; the late reading makes no second one."""
    frost = frost_of(site_of(tmp_path))
    fed(frost, air(10))
    last_ms = START_MS + 10 * DAY_MS + 14 * HOUR_MS
    fed(frost, [(START_MS + 10 * DAY_MS + hour * HOUR_MS, 12.0) for hour in range(15)])
    frost.on_time(last_ms + HOUR_MS + 20 * 60_000)
    assert frost.rows == []
    frost.on_time(last_ms + HOUR_MS + 31 * 60_000)
    assert [row[2] for row in frost.rows] == [last_ms + HOUR_MS]
    frost.on_reading("a:air", last_ms + 2 * HOUR_MS, 12.0)
    assert frost.rows == []


def test_a_power_failure_at_night_leaves_what_came_unknown(tmp_path: Path) -> None:
    """Dark from ten to eight: no line of a morning that nobody saw, no false figure, and the spell goes on."""
    frost = frost_of(site_of(tmp_path))
    dark = range(START_MS + 22 * DAY_MS + 22 * HOUR_MS, START_MS + 23 * DAY_MS + 8 * HOUR_MS)
    found, rows = [], []
    for at_ms, air_c in air():
        if at_ms not in dark:
            found += frost.on_reading("a:air", at_ms, air_c)
            rows += frost.rows
    came = {json.loads(row[4])["night"]: json.loads(row[4])["came_c"] for row in rows if row[0] == "night came"}
    assert not {"afternoon", "2"} & came["2026-10-14"].keys()
    assert {"afternoon", "2"} <= came["2026-10-15"].keys()
    mornings = {each.edition for each in told_of(found) if each.named.get("step") == "morning"}
    assert "2026-10-14 morning" not in mornings
    assert "2026-10-15 morning" in mornings


def test_ticking_off_is_told_once_all_is_done_and_opening_calls_again(tmp_path: Path) -> None:
    """One of two: no line. Both: one. Opened again in the spell: called with the next word."""
    frost = frost_of(site_of(tmp_path))
    readings = list(air())
    noon = next(at for at, each in enumerate(readings) if each[0] >= START_MS + 22 * DAY_MS + 12 * HOUR_MS)
    fed(frost, readings[:noon])
    at_ms = readings[noon][0]
    one = {"garden-spigot": Done("drained", at_ms)}
    assert told_of(frost.on_done(one, at_ms)) == []
    both = one | {"cabin-spigot": Done("drained", at_ms)}
    assert [each.named["step"] for each in told_of(frost.on_done(both, at_ms))] == ["done"]
    assert frost.on_done(both, at_ms) == []
    fed(frost, readings[noon : noon + 6])
    assert told_of(frost.on_done(one, at_ms)) == []
    again = told_of(fed(frost, readings[noon + 6 : noon + 14]))
    assert any(each.named["step"] == "more" and each.named["names"] == "cabin-spigot" for each in again)


def test_an_iced_level_sensor_puts_its_tank_in_doubt(tmp_path: Path) -> None:
    """While ice is reckoned in it; no icing notice besides; known again after the thaw."""
    sensor = Exposure("s", "sensor", tank="main", bore_m=0.006, outside_m=0.012, length_m=0.03)
    frost, iced, found = frost_of(site_of(tmp_path, exposures={"s": sensor})), [], []
    for at_ms, air_c in air():
        found += frost.on_reading("a:air", at_ms, air_c)
        iced.append((local(at_ms), frost.iced_tanks))
    assert {at.day for at, tanks in iced if tanks == {"main"}} >= {14, 15, 16, 17, 18}
    assert iced[-1][1] == frozenset()
    assert told_of(found, "icing") == []


@pytest.mark.parametrize(("latitude", "zone"), [(78.2, "Arctic/Longyearbyen"), (-78.0, "UTC")])
def test_polar_day_and_night_have_words_too(tmp_path: Path, latitude: float, zone: str) -> None:
    """The night is the twelve hours around solar midnight where the sun does not set or does not rise."""
    site = site_of(tmp_path, latitude=latitude, longitude=15.0, timezone=ZoneInfo(zone))
    for start in (datetime(2026, 6, 15, tzinfo=UTC), datetime(2026, 12, 10, tzinfo=UTC)):
        frost, rows = frost_of(site), []
        for hour in range(5 * 24):
            frost.on_reading("a:air", round(start.timestamp() * 1000) + hour * HOUR_MS, -5.0 + hour % 7)
            rows += frost.rows
        assert sum(row[0] == "night came" for row in rows) >= 4
        assert sum(json.loads(row[4]).get("issue") == "afternoon" for row in rows) >= 3


def test_humidity_is_used_from_the_reading_on_that_brings_it(tmp_path: Path) -> None:
    """In percent; the word is made with the dew point of its hour; without humidity it is made all the same."""
    site = site_of(tmp_path, humidity_series="a:rh")
    frost, humid = frost_of(site), []
    assert "a:rh" in frost.series
    for at_ms, air_c in air(8):
        if at_ms >= START_MS + 4 * DAY_MS:
            frost.on_reading("a:rh", at_ms, 55.0)
        frost.on_reading("a:air", at_ms, air_c)
        if frost._word is not None:
            humid.append((at_ms, frost._word.forecast.humid))
    assert not any(wet for at_ms, wet in humid if at_ms < START_MS + 4 * DAY_MS)
    assert all(wet for at_ms, wet in humid if at_ms > START_MS + 5 * DAY_MS)


def test_without_a_place_or_an_air_sensor_nothing_is_told_and_nothing_fails(tmp_path: Path) -> None:
    """No coordinates; no series."""
    for changes in ({"latitude": None, "longitude": None}, {"air_series": None}):
        frost = frost_of(site_of(tmp_path, **changes))
        assert fed(frost, air(2)) == []
        assert frost.on_time(START_MS + 3 * DAY_MS) == []
        assert frost.on_done({"garden-spigot": Done("drained", 1)}, 5) == []
        assert frost.iced_tanks == frozenset()


def test_a_state_that_cannot_be_read_begins_anew(tmp_path: Path) -> None:
    """Of another version, or damaged: no failure, no spell."""
    site = site_of(tmp_path)
    for saved in (
        b"\x00",
        b"[]",
        b'{"version": 99}',
        b'{"version": 1, "spell": {"x": 1}, "spots": {"garden-spigot": {}}}',
    ):
        frost = Frost(site, Nights(site), {}, lambda _tank: None, lambda _series, _at: None, saved)
        assert told_of(fed(frost, air(2))) == []
