"""The loop on the real store: what is stored, what goes out and when."""

import json
import random
from collections.abc import Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holdwater.clock import SetClock
from holdwater.events import Message, Request
from holdwater.loop import Loop
from holdwater.postman import NoPost
from holdwater.recording import Line
from holdwater.replay import Replay, replay
from holdwater.store.batch import Ack
from holdwater.store.reader import open_reader
from holdwater.store.rows import DAY_MS
from holdwater.store.writer import Store
from holdwater.world import Surroundings
from place import HOUR_MS, MINUTE_MS, START_MS, make_site, payload, reading


@dataclass
class World:
    """A world that remembers what went out, and in which state the store was at that time."""

    store: Store
    acked: list[tuple[int, int]] = field(default_factory=list)
    published: list[tuple[str, dict[str, object], int]] = field(default_factory=list)

    def acks(self, owed: Sequence[Ack]) -> None:
        self.acked += [(each.mid, self.stored()) for each in owed]

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:
        self.published.append((topic, json.loads(payload), self.stored()))
        return True

    def stored(self) -> int:
        assert not self.store.connection.in_transaction
        return int(self.store.connection.execute("SELECT count(*) FROM reading").fetchone()[0])


@pytest.fixture
def loop(tmp_path: Path):
    store = Store(tmp_path / "store")
    clock = SetClock(START_MS)
    world = World(store)
    made = Loop(make_site(tmp_path / "store"), store, Surroundings(clock, world, NoPost(), trusted=lambda: True))
    made.world, made.clock = world, clock  # type: ignore[attr-defined]
    made.commit()
    yield made
    store.close()


def message(text: str, topic: str = "water/node/a/readings", **flags: object) -> Message:
    return Message(topic, text.encode(), START_MS, 0.0, qos=1, mid=flags.pop("mid", 1), connection=1, **flags)  # type: ignore[arg-type]


def rows(loop: Loop, table: str) -> int:
    return int(loop.store.connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0])


def test_the_broker_is_answered_only_after_the_commit(loop) -> None:
    """An acknowledgement before the reading is on the card would be a lie."""
    loop.handle(message(payload(("pressure", "Pa", 9000.0), t_s=START_MS / 1000), mid=7))
    assert loop.world.acked == []
    loop.commit()
    assert loop.world.acked == [(7, 1)]


def test_a_receipt_says_what_is_stored_and_goes_out_after_the_commit(loop) -> None:
    """Store, run, contiguous number, islands; retained, one for the batch."""
    for seq in (1, 2, 4):
        loop.handle(
            message(payload(("pressure", "Pa", 9000.0 + seq), t_s=START_MS / 1000 + seq, run=5, seq=seq, keep=1))
        )
    loop.commit()
    assert loop.world.published == [
        ("water/node/a/receipt", {"store": loop.store.uuid, "run": 5, "upto": 2, "ahead": [[4, 4]]}, 3)
    ]


def test_a_pack_known_by_its_number_is_receipted_and_stored_once(loop) -> None:
    """Also with relative times, which differ at every sending."""
    for age in (0, -30):
        loop.handle(
            message(json.dumps([{"n": "pressure", "u": "Pa", "v": 9000, "t": age, "run": 5, "seq": 1, "keep": 1}]))
        )
    loop.commit()
    assert rows(loop, "reading") == 1
    assert loop.world.published[-1][1]["upto"] == 1


def test_a_relative_time_out_of_a_backlog_is_not_believed(loop) -> None:
    """It may have waited at the broker for a day: a numbered pack gets no receipt, so its node sends it again; another goes aside."""
    loop.handle(
        message(json.dumps([{"n": "pressure", "u": "Pa", "v": 9000, "run": 5, "seq": 1, "keep": 1}]), backlog=True)
    )
    loop.handle(message(json.dumps([{"n": "pressure", "u": "Pa", "v": 9000}]), backlog=True))
    loop.commit()
    assert rows(loop, "reading") == 0
    assert loop.world.published == []
    assert loop.store.connection.execute("SELECT reason FROM quarantine").fetchall() == [
        ("a backlog or duplicate without a time",)
    ]
    assert len(loop.world.acked) == 2


def test_a_retained_message_is_never_a_reading(loop) -> None:
    """The broker repeats it at every connect; it is counted and acknowledged."""
    loop.handle(message(payload(("pressure", "Pa", 9000.0), t_s=START_MS / 1000), retain=True))
    loop.commit()
    assert rows(loop, "reading") == 0
    assert loop.store.connection.execute("SELECT n FROM count WHERE name = 'retained, not taken'").fetchone() == (1,)
    assert len(loop.world.acked) == 1


@pytest.mark.parametrize(
    "text",
    [
        "",
        "nonsense",
        "[]",
        "{}",
        '[{"n":"pressure","u":"Pa","v":NaN}]',
        '[{"n":"pressure","u":"Pa","v":1e999}]',
        '[{"n":"p p","v":1}]',
        "[" * 5000,
    ],
)
def test_garbage_is_kept_aside_acknowledged_and_stops_nothing(loop, text: str) -> None:
    """A poison message that is never acknowledged would come for ever."""
    loop.handle(message(text, mid=3))
    loop.handle(message(payload(("pressure", "Pa", 9000.0), t_s=START_MS / 1000), mid=4))
    loop.commit()
    assert rows(loop, "quarantine") == (0 if text == "[]" else 1) or text == "[]"
    assert rows(loop, "reading") == 1
    assert [mid for mid, _ in loop.world.acked] == [3, 4]


def test_a_reading_stamped_ahead_of_the_clock_moves_nothing(loop) -> None:
    """One reading from 2099 must not make all later ones late."""
    loop.handle(message(payload(("pressure", "Pa", 100.0), t_s=4_070_908_800)))
    loop.handle(message(payload(("pressure", "Pa", 9000.0), t_s=START_MS / 1000)))
    loop.commit()
    assert loop.newest_ms == START_MS
    assert loop.store.connection.execute("SELECT reason FROM quarantine").fetchall() == [
        ("stamped ahead of the clock",)
    ]


def test_an_unknown_sensor_box_waits_until_it_is_accepted(loop) -> None:
    """No rows, no receipt; after `accept` its packs are stored."""
    pack = payload(("gap", "m", 1.0), t_s=START_MS / 1000, run=1, seq=1, keep=1)
    loop.clock.advance(1.0)
    loop.handle(message(pack, "water/node/stranger/readings"))
    loop.commit()
    assert rows(loop, "reading") == 0
    assert loop.world.published == []
    assert [(node.name, node.state) for node in loop.snapshot.nodes] == [("stranger", "waiting")]
    answer: Future = Future()
    loop.handle(Request("accept", {"node": "stranger"}, answer))
    loop.commit()
    assert answer.result(0)["state"] == "accepted"
    loop.handle(message(pack, "water/node/stranger/readings"))
    loop.commit()
    assert rows(loop, "reading") == 1


def test_ten_thousand_strangers_stay_a_short_list(loop) -> None:
    """Endless new names fill neither memory nor store."""
    for n in range(10_000):
        loop.handle(message('[{"n":"gap","u":"m","v":1}]', f"water/node/n{n}/readings"))
    loop.commit()
    assert rows(loop, "node") == 64
    assert rows(loop, "reading") == 0


def test_a_bad_topic_is_kept_aside(loop) -> None:
    """The topic decides who speaks; a name that is none is nobody."""
    for topic in (
        "water/node/../readings",
        "water/node/a b/readings",
        "water/node//readings",
        "water/node/a/other",
        b"\xff\xfe",
        "else",
    ):
        loop.handle(Message(topic, b"[]", START_MS, 0.0))
    loop.commit()
    assert rows(loop, "quarantine") == 6


def test_a_wish_is_answered_after_its_commit(loop) -> None:
    """A person who is told "noted" may pull the plug."""
    answer: Future = Future()
    loop.handle(Request("note", {"kind": "load", "tank": "main", "volume": "125 gal"}, answer))
    assert not answer.done()
    loop.commit()
    assert answer.result(0)["ok"] is True
    (body,) = loop.store.connection.execute("SELECT body FROM note").fetchone()
    assert json.loads(body) == {"tank": "main", "volume_m3": pytest.approx(125 * 231 * 0.0254**3)}


def test_a_time_message_reaches_who_judges_the_clock(tmp_path: Path) -> None:
    """`water/do/time` with an RFC 3339 time; one without a time is kept aside."""
    told: list[tuple[str, int]] = []
    store = Store(tmp_path / "store")
    given = Surroundings(
        SetClock(START_MS),
        World(store),
        NoPost(),
        trusted=lambda: False,
        told_time=lambda source, ms: told.append((source, ms)),
    )
    loop = Loop(make_site(tmp_path / "store"), store, given)
    loop.handle(message('{"at": "2026-10-10T16:20:00-06:00"}', "water/do/time"))
    loop.handle(message('{"at": "noon"}', "water/do/time"))
    loop.commit()
    assert told == [("message", 1_791_670_800_000)]
    assert rows(loop, "quarantine") == 1
    store.close()


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ({"kind": "feast"}, "unknown kind of note"),
        ({"kind": "load", "tank": "moon"}, "no tank 'moon'"),
        ({"kind": "load", "volume": "12 in"}, "is a unit of length"),
        ({"kind": "load", "at": "2026-10-10T10:00"}, "has no offset"),
        (
            {"kind": "drained", "exposure": "moon-spigot"},
            "Nothing that can freeze is called 'moon-spigot'. Listed: nothing yet",
        ),
    ],
)
def test_a_wrong_note_is_refused_in_words(loop, body: dict[str, str], words: str) -> None:
    """Found, expected, and nothing is written."""
    answer: Future = Future()
    loop.handle(Request("note", body, answer))
    loop.commit()
    assert words in answer.result(0)["error"]
    assert rows(loop, "note") == 0


def test_the_same_note_twice_is_one_note(loop) -> None:
    """A wish by MQTT may come twice; its content names it."""
    for _ in range(2):
        loop.handle(message('{"kind": "load", "tank": "main", "at": "2026-09-21T08:00:00-06:00"}', "water/do/note"))
    loop.commit()
    assert rows(loop, "note") == 1


def test_a_level_in_the_snapshot_carries_its_doubt_and_its_time(loop) -> None:
    """What the page shows comes from here."""
    loop.clock.advance(1.0)
    loop.handle(message(payload(("pressure", "Pa", 999.1 * 9.80665 * 1.0), ("air", "Cel", 15.0), t_s=START_MS / 1000)))
    loop.commit()
    tank = loop.snapshot.tank("main")
    assert tank.depth_m == pytest.approx(1.0, abs=0.003)
    assert tank.on_hand_m3 == pytest.approx(3.14159265 / 4 * (42 * 0.0254) ** 2 * (1.0 - 3 * 0.0254), rel=0.01)
    assert tank.at_ms == START_MS
    assert tank.u_m3 > 0
    assert loop.snapshot.tank("shed").on_hand_m3 is None
    assert loop.snapshot.tank("shed").reason == "no reading yet"


def season(hours: float, every_min: int = 10) -> list[Line]:
    lines = []
    for n in range(int(hours * 60 / every_min)):
        at = START_MS + n * every_min * MINUTE_MS
        depth = 1.4 - 1.1 * n * every_min / (hours * 60)
        lines += [
            reading(at, depth, air_c=10.0),
            reading(at, 0.8 - 0.3 * n * every_min / (hours * 60), node="b", air_c=None),
        ]
    return lines


def tables(folder: Path) -> tuple[list[object], ...]:
    with open_reader(folder) as reader:
        run = reader._connection.execute
        ids = dict(run("SELECT s.id, n.name || ':' || s.quantity FROM series s JOIN node n ON n.id = s.node"))
        named = [
            sorted((ids[row[at]], *row[:at], *row[at + 1 :]) for row in run(f"SELECT * FROM {table}"))
            for table, at in (("reading", 1), ("roll", 1))
        ]
        return (*named, run("SELECT * FROM level ORDER BY 1, 2, 3, 4").fetchall())


@pytest.mark.slow
def test_replaying_a_recording_twice_changes_nothing(tmp_path: Path) -> None:
    """Every duplicate is known."""
    site, lines = make_site(tmp_path / "s"), season(30)
    replay(site, lines, tmp_path / "s")
    before = tables(tmp_path / "s")
    replay(site, lines, tmp_path / "s")
    assert tables(tmp_path / "s") == before


@pytest.mark.slow
def test_two_replays_of_one_recording_are_equal_to_the_byte(tmp_path: Path) -> None:
    """Same machine, same version: every table that matters."""
    digests = []
    for name in ("one", "two"):
        replay(make_site(tmp_path / name), season(30), tmp_path / name)
        with open_reader(tmp_path / name) as reader:
            digests.append(reader.digest())
    assert digests[0] == digests[1]


@pytest.mark.slow
@settings(max_examples=6)
@given(seed=st.integers(0, 2**32 - 1))
def test_rows_roll_ups_and_levels_are_equal_for_any_order_of_arrival(
    tmp_path_factory: pytest.TempPathFactory, seed: int
) -> None:
    """Late, shuffled and doubled readings end in the same history; only what was told may differ."""
    folder = tmp_path_factory.mktemp("order")
    lines = season(9)
    at_ms = lines[-1].at_ms
    shuffled = [Line(at_ms, line.event) for line in [*lines, *lines[::3]]]
    random.Random(seed).shuffle(shuffled)
    replay(make_site(folder / "straight"), [Line(at_ms, line.event) for line in lines], folder / "straight")
    replay(make_site(folder / "shuffled"), shuffled, folder / "shuffled")
    assert tables(folder / "straight") == tables(folder / "shuffled")


@pytest.mark.slow
def test_notices_are_told_once_and_survive_a_restart_in_the_middle(tmp_path: Path) -> None:
    """A loop that is closed and opened anew at any point tells the same as one that was not."""
    lines = season(30)
    told = []
    for name, cuts in (("whole", ()), ("cut", (60, 200, 290))):
        folder = tmp_path / name
        for begin, end in zip((0, *cuts), (*cuts, len(lines)), strict=True):
            replay(make_site(folder), lines[begin:end], folder)
        with open_reader(folder) as reader:
            told.append([(row.kind, row.subject, row.state, row.at_ms) for row in reader.notices(0, START_MS * 2)])
    assert [row[:3] for row in told[0]][:1] == [("low", "main", "active")]
    assert told[0] == told[1]


def test_a_day_of_levels_is_the_mean_of_its_hours_between_local_midnights(tmp_path: Path) -> None:
    """Roll-ups of a day are those of its raw readings."""
    folder = tmp_path / "s"
    lines = [reading(START_MS + n * 10 * MINUTE_MS, 1.0) for n in range(6 * 48)]
    replay(make_site(folder), lines, folder)
    with open_reader(folder) as reader:
        days = reader.levels("main", DAY_MS, 0, START_MS * 2)
        rolled = reader.rolls("a:air", DAY_MS, 0, START_MS * 2)
    assert len(days) == 3
    assert all(day.depth_m == pytest.approx(1.0, abs=0.003) for day in days)
    assert sum(day.n for day in rolled) == len(lines)
    assert all(day.start_ms % HOUR_MS == 0 for day in days)


def test_a_spike_is_suspect_and_moves_neither_level_nor_notice(tmp_path: Path) -> None:
    """One empty reading out of a full tank raises nothing."""
    folder = tmp_path / "s"
    depths = [1.2] * 30
    depths[15] = 0.1
    replay(make_site(folder), [reading(START_MS + n * 10 * MINUTE_MS, d) for n, d in enumerate(depths)], folder)
    with open_reader(folder) as reader:
        assert [row for row in reader.notices(0, START_MS * 2) if row.subject == "main"] == []
        levels = reader.levels("main", HOUR_MS, 0, START_MS * 2)
    assert min(level.depth_m for level in levels) == pytest.approx(1.2, abs=0.01)


def test_a_silent_sensor_is_noticed_by_time_alone(tmp_path: Path) -> None:
    """No event comes from a dead box: the passing of time tells."""
    folder = tmp_path / "s"
    at = [START_MS + n * 10 * MINUTE_MS for n in range(70)]
    lines = [each for ms in at[:30] for each in (reading(ms, 1.2), reading(ms, 0.5, node="b", air_c=None))]
    other = [reading(ms, 0.5, node="b", air_c=None) for ms in at[30:]]
    store = Store(folder)
    running = Replay(make_site(folder), store, START_MS)
    for line in [*lines, *other]:
        running.feed(line)
    running.finish()
    tank = running.loop.snapshot.tank("main")
    store.close()
    with open_reader(folder) as reader:
        assert [(row.kind, row.subject) for row in reader.notices(0, START_MS * 2)] == [("silent", "a:pressure")]
    assert tank.on_hand_m3 is None
    assert tank.reason == "nothing heard from its sensor"
    assert tank.trusted_m3 is not None
