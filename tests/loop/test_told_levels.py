"""What the household tells of a level: hand dips and shut links, live, in history, after a restart, in any order."""

import random
from pathlib import Path

import pytest
from click.testing import CliRunner

from holdwater.alerts.engine import Alerts
from holdwater.alerts.facts import Moment
from holdwater.cli.export import command as export
from holdwater.clock import SetClock
from holdwater.events import Message, Request
from holdwater.loop import Loop
from holdwater.postman import NoPost
from holdwater.recording import Line
from holdwater.replay import Nowhere, recompute, replay
from holdwater.sitefile import site_of
from holdwater.store.reader import open_reader
from holdwater.store.rows import DAY_MS
from holdwater.store.writer import Store
from holdwater.world import Surroundings
from place import HOUR_MS, MINUTE_MS, PAIR_TEXT, START_MS, payload, pressure, reading, text_of

START = START_MS - START_MS % HOUR_MS
BUTT = """
[tank.butt]
use = "garden"
shape = { kind = "upright cylinder", diameter = "24 in", height = "36 in" }
outlet = "2 in"
"""
PAIR = (
    PAIR_TEXT
    + """\
[sensor.pair-level]
tank = "pair"
vessel = "near"
kind = "pressure"
series = "p:pressure"
height = "0 in"
"""
)


def note(at_ms: int, kind: str, **body: object) -> Line:
    return Line(at_ms, Request("note", {"kind": kind, "at_ms": at_ms, **body}))


def dip(at_ms: int, depth: str, **body: object) -> Line:
    return note(at_ms, "dip", tank="butt", depth=depth, **body)


def of_pair(at_ms: int, depth_m: float) -> Line:
    text = payload(("pressure", "Pa", pressure(depth_m)), t_s=at_ms / 1000)
    return Line(at_ms, Message("water/node/p/readings", text.encode(), at_ms, at_ms / 1000))


def site(folder: Path, more: str = BUTT):
    return site_of(text_of(folder, more=more), "test.toml", {})


def levels(folder: Path, tank: str, span: int = HOUR_MS) -> list[tuple[int, float | None]]:
    with open_reader(folder) as reader:
        return [(row.start_ms, row.on_hand_m3) for row in reader.levels(tank, span, 0, START * 2)]


def loop_of(folder: Path, store: Store, clock: SetClock, more: str = BUTT) -> Loop:
    return Loop(site(folder, more), store, Surroundings(clock, Nowhere(), NoPost(), trusted=lambda: True))


def test_a_noted_dip_is_the_level_of_a_tank_without_a_sensor(tmp_path: Path) -> None:
    """At once, with its doubt, for a day and a half; also after a restart."""
    store, clock = Store(tmp_path), SetClock(START)
    loop = loop_of(tmp_path, store, clock)
    loop.commit()
    assert loop.picture.tanks(START)[2].reason == "no level sensor, and no hand dip yet"
    loop.handle(Request("note", {"kind": "dip", "tank": "butt", "depth": "21 in"}))
    loop.commit()
    for each in (loop, loop_of(tmp_path, store, clock)):
        now = each.picture.tanks(START + HOUR_MS)[2]
        assert now.on_hand_m3 == pytest.approx(0.0254**3 * 19 * 24**2 * 3.14159265 / 4, rel=1e-6)
        assert now.depth_m == pytest.approx(21 * 0.0254)
        assert now.u_noise_m3 == pytest.approx(0.0127 / 3**0.5 * 0.0254**2 * 24**2 * 3.14159265 / 4, rel=1e-3)
        assert each.picture.tanks(START + 35 * HOUR_MS)[2].on_hand_m3 is not None
        late = each.picture.tanks(START + 37 * HOUR_MS)[2]
        assert (late.on_hand_m3, late.reason) == (None, "not dipped for a day and a half")
        assert late.trusted_m3 is not None
    store.close()


def test_a_low_dip_is_a_notice(tmp_path: Path) -> None:
    """A level is a level, whoever measured it."""
    more = BUTT.replace('outlet = "2 in"', 'outlet = "2 in"\nreserve = "30 gal"')
    store, clock = Store(tmp_path), SetClock(START)
    loop = loop_of(tmp_path, store, clock, more)
    for minute in range(40):
        clock.advance(60.0)
        loop.handle(Request("note", {"kind": "dip", "tank": "butt", "depth": f"{6 - minute / 100} in"}))
    loop.commit()
    assert [(each.kind, each.subject) for each in loop.snapshot.notices] == [("low", "butt")]
    store.close()


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ({"depth": "21 in"}, "a dip of which tank? tanks: main, shed, butt"),
        ({"tank": "butt"}, 'a dip without a depth; write it like: holdwater note dip --tank butt --depth "21 in"'),
        ({"tank": "butt", "depth": "50 in"}, "higher than this tank"),
        ({"tank": "butt", "depth": "-1 in"}, "below the floor"),
        ({"tank": "butt", "depth": "9 in", "doubt": "0 in"}, "is no doubt of a dip"),
        ({"tank": "butt", "depth": "9 in", "vessel": "x"}, "vessels of butt: none: it is one vessel"),
    ],
)
def test_a_dip_that_says_nothing_is_refused(tmp_path: Path, body: dict[str, object], words: str) -> None:
    """Found, expected, what to do; nothing is stored."""
    store, clock = Store(tmp_path), SetClock(START)
    loop = loop_of(tmp_path, store, clock)
    loop.handle(Request("note", {"kind": "dip", **body}))
    assert words in loop.errors()[0]
    loop.commit()
    store.close()
    with open_reader(tmp_path) as reader:
        assert reader.notes(0, START * 2) == []


def test_dips_are_hours_and_days_in_history_and_in_any_recompute(tmp_path: Path) -> None:
    """A tank with nothing but dips has a curve of them."""
    lines = [dip(START + n * 5 * HOUR_MS, f"{30 - n} in") for n in range(6)]
    replay(site(tmp_path), [*lines, reading(START + 40 * HOUR_MS, 1.0)], tmp_path)
    before = levels(tmp_path, "butt")
    assert [ts for ts, _ in before] == [START + n * 5 * HOUR_MS for n in range(6)]
    assert before[0][1] == pytest.approx(28 / 34 * site(tmp_path).tanks["butt"].full_on_hand_m3)
    assert len(levels(tmp_path, "butt", DAY_MS)) == 2
    recompute(site(tmp_path), tmp_path)
    assert levels(tmp_path, "butt") == before


def test_a_dip_of_yesterday_noted_today_is_history(tmp_path: Path) -> None:
    """It moves no live level that a later dip gave."""
    lines = [dip(START + 30 * HOUR_MS, "20 in"), Line(START + 31 * HOUR_MS, dip(START, "25 in").event)]
    replay(site(tmp_path), [*lines, reading(START + 40 * HOUR_MS, 1.0)], tmp_path)
    assert [ts for ts, _ in levels(tmp_path, "butt")] == [START, START + 30 * HOUR_MS]
    store = Store(tmp_path)
    loop = loop_of(tmp_path, store, SetClock(START + 40 * HOUR_MS))
    depth_m = loop.picture.tanks(START + 40 * HOUR_MS)[2].depth_m
    store.close()
    assert depth_m == pytest.approx(20 * 0.0254)


def test_a_link_shut_by_a_note_was_shut_in_history_too(tmp_path: Path) -> None:
    """From the note on half of the pair cannot reach the tap, until it is opened; also when the note comes late."""
    rows = [of_pair(START + n * 10 * MINUTE_MS, 0.5) for n in range(6 * 12)]
    shut = note(START + 3 * HOUR_MS, "link shut", tank="pair", link=0)
    opened = note(START + 8 * HOUR_MS, "link open", tank="pair", link=0)
    in_time = [*rows[:18], shut, *rows[18:48], opened, *rows[48:]]
    for name, lines in (
        ("told", in_time),
        ("late", [*rows, Line(rows[-1].at_ms, shut.event), Line(rows[-1].at_ms, opened.event)]),
    ):
        folder = tmp_path / name
        folder.mkdir()
        replay(site(folder, PAIR), lines, folder)
        found = [on_hand for _, on_hand in levels(folder, "pair")]
        assert all(each is not None for each in found)
        both = found[0]
        assert found[:3] == pytest.approx([both] * 3, rel=0.01)
        assert found[3:8] == pytest.approx([both / 2] * 5, rel=0.06)
        assert found[8:] == pytest.approx([both] * 4, rel=0.01)
        recompute(site(folder, PAIR), folder)
        assert [on_hand for _, on_hand in levels(folder, "pair")] == found


def test_a_note_on_a_link_that_is_not_there_is_refused(tmp_path: Path) -> None:
    """Links are counted from 0, as in the config."""
    store, clock = Store(tmp_path), SetClock(START)
    loop = loop_of(tmp_path, store, clock, PAIR)
    loop.handle(Request("note", {"kind": "link shut", "tank": "pair", "link": 4}))
    assert "link 4 of pair" in loop.errors()[0]
    store.close()


@pytest.mark.slow
def test_readings_that_come_late_end_in_the_same_levels(tmp_path: Path) -> None:
    """Noise, a night of one value, dips: any order of arrival ends in the same hours."""
    wiggle = (0.0, 0.0014, -0.0009, 0.0005, -0.0012, 0.0009, -0.0004)
    depths = [1.0 + wiggle[n % 7] for n in range(60)] + [1.0] * 90 + [1.0 + wiggle[n % 7] for n in range(40)]
    rows = [reading(START + n * 10 * MINUTE_MS, depth) for n, depth in enumerate(depths)]
    lines = [*rows, dip(START + 5 * HOUR_MS, "20 in")]
    in_order, shuffled = tmp_path / "in order", tmp_path / "shuffled"
    for folder in (in_order, shuffled):
        folder.mkdir()
    replay(site(in_order), sorted(lines, key=lambda each: each.at_ms), in_order)
    late = lines[24:54]
    now = [each for each in lines if each not in late]
    random.Random(7).shuffle(late)
    replay(site(shuffled), now[:1], shuffled)
    replay(site(shuffled), now, shuffled)
    replay(site(shuffled), late, shuffled)
    assert levels(shuffled, "main") == levels(in_order, "main")
    assert levels(shuffled, "butt") == levels(in_order, "butt")
    assert any(each is None for _, each in levels(in_order, "main"))


def test_what_disagrees_is_said_once_and_again_when_it_changes(tmp_path: Path) -> None:
    """A fact for the rules: nothing while it is the same, all of it when it is another matter."""
    store, clock = Store(tmp_path), SetClock(START)
    loop = loop_of(tmp_path, store, clock)
    assert loop.picture.argued("main", START) == ()
    assert loop.picture.argued("main", START) is None
    for n in range(6):
        loop.handle(reading(START + n * MINUTE_MS, 1.0).event)
    clock.advance(600.0)
    loop.handle(Request("note", {"kind": "dip", "tank": "main", "depth": "20 in"}))
    (found,) = loop.picture.argued("main", clock.wall_ms()) or ()
    assert (found.first, found.second, found.liar) == ("main-level", "", "")
    assert loop.picture.argued("main", clock.wall_ms()) is None
    assert loop.picture.argued("main", clock.wall_ms() + 2 * DAY_MS) == ()
    store.close()


def test_dips_are_exported_by_reading_also_where_there_are_no_readings(tmp_path: Path) -> None:
    """A household with a stick and nothing else."""
    config = tmp_path / "site.toml"
    config.write_text(text_of(tmp_path, more=BUTT))
    replay(site(tmp_path), [dip(START + n * HOUR_MS, f"{30 - n} in") for n in range(3)], tmp_path)
    said = CliRunner().invoke(export, ["levels", "--config", str(config), "--tank", "butt", "--span", "reading"]).output
    rows = said.splitlines()
    assert len(rows) == 4
    assert [row.split(",")[2] for row in rows[1:]] == ["30.0", "29.0", "28.0"]
    assert all(",ok," in row for row in rows[1:])


def test_a_stick_that_nobody_reads_is_not_silent(tmp_path: Path) -> None:
    """A series of dips is watched by no clock."""
    more = BUTT + '[sensor.stick]\ntank = "butt"\nkind = "dip"\nseries = "hand:butt"\n'
    alerts = Alerts(site(tmp_path, more))
    alerts.on_heard("", "hand:butt", START, 0.0)
    for hours in range(200):
        changes = alerts.tick(Moment(START + hours * HOUR_MS, hours * 3600.0, True))
        assert not any(each.notice is not None and each.notice.subject == "hand:butt" for each in changes)


def test_a_dip_that_contradicts_the_sensor_is_a_notice_until_one_agrees(tmp_path: Path) -> None:
    """Both depths in one line; the next dip ends it."""
    store, clock = Store(tmp_path), SetClock(START)
    loop = loop_of(tmp_path, store, clock)
    said = []
    for depth in ("20 in", "39.4 in"):
        for n in range(12):
            clock.advance(60.0)
            loop.handle(reading(clock.wall_ms(), 1.0).event)
            if n == 6:
                loop.handle(Request("note", {"kind": "dip", "tank": "main", "depth": depth}))
        loop.commit()
        said.append({each.kind: each.short for each in loop.snapshot.notices if each.state == "active"})
    assert "main-level says 39.4 in, the hand dip 20 in" in said[0]["disagree"]
    assert "disagree" not in said[1]
    store.close()
