"""Whatever comes in on whatever topic: stored or set aside with a reason, acknowledged once, never an exception, never a stall."""

from __future__ import annotations

import json
import random
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

import cbor2
import pytest
from hypothesis import strategies as st

from holdwater.clock import SetClock
from holdwater.events import Message
from holdwater.loop import Loop, Surroundings
from holdwater.postman import NoPost
from holdwater.store.batch import Ack
from holdwater.store.writer import Store
from place import START_MS, make_site, payload

ROUTES = """
[route.number]
topic = "shed/level"
payload = "number"
unit = "in"
series = "f:gap"

[route.json]
topic = "shed/json"
payload = "json"
pointer = "/level"
unit = "in"
series = "f:depth"

[route.text]
topic = "shed/text"
payload = "text"
field = 2
delimiter = ","
unit = "in"
series = "f:other"
"""

HOSTILE: tuple[bytes, ...] = (
    b"",
    b"\0",
    b"\xff\xfe",
    b"null",
    b"true",
    b"[]",
    b"{}",
    b"[[]]",
    b"[{}]",
    b"[1]",
    b'"x"',
    b"NaN",
    b"-Infinity",
    b"1e400",
    b"-0",
    b"1" * 5000,
    b'[{"n":"p","u":"Pa","v":NaN}]',
    b'[{"n":"p","u":"Pa","v":1e400}]',
    b'[{"n":"p","u":"Pa","v":true}]',
    b'[{"n":"p","u":"Pa","v":"1"}]',
    b'[{"n":"p","u":"Pa","v":' + b"9" * 4300 + b"}]",
    b'[{"n":"p","u":"Pa","v":1,"t":1e308}]',
    b'[{"n":"p","u":"Pa","v":1,"bt":-1e308}]',
    b'[{"n":"p","u":"Pa","v":1,"t":9223372036854775808}]',
    b'[{"n":"\\ud800","u":"Pa","v":1}]',
    b'[{"n":"a\\u0000b","u":"Pa","v":1}]',
    b'[{"n":"p","u":"Pa","v":1,"v":2}]',
    b'[{"n":"../x","u":"Pa","v":1}]',
    b'[{"n":"p\\u202e","u":"Pa","v":1}]',
    b"[" * 100_000,
    b'{"a":' * 50_000,
    '[{"n":"p","u":"Pa","v":1}]'.encode("utf-16"),
    b"\xef\xbb\xbf[]",
    b'[{"n":"p","u":"' + b"u" * 9000 + b'","v":1}]',
    b'[{"bver":99,"n":"p","v":1}]',
    b'[{"n":"p","u":"Pa","v":1,"run":-1,"seq":-1,"keep":-1}]',
    b'[{"n":"p","u":"Pa","v":1,"run":1e30,"seq":1e30,"keep":1e30}]',
    b'[{"n":"p","u":"Pa","v":1,"run":9223372036854775808,"seq":1}]',
    b'[{"n":"p","u":"Pa","v":1,"run":1,"seq":9223372036854775807}]',
    b'[{"n":"p","u":"Pa","v":1,"run":1,"seq":5,"keep":9000000000000000000}]',
    b'[{"n":"p","u":"Pa","v":1,"run":"x","seq":[]}]',
    b"\x80",
    b"\x9f",
    b"\x9f\xff",
    b"\x81\xa0",
    b"\x9b\xff\xff\xff\xff\xff\xff\xff\xff",
    b"\x81" * 5000,
    cbor2.dumps([{0: "p", 1: "Pa", 2: float("nan")}]),
    cbor2.dumps([{0: "p", 1: "Pa", 2: 2**70}]),
    cbor2.dumps([{0: "p", 1: "Pa", 2: 1.5, 6: 2**63}]),
    cbor2.dumps([{-2: "p", 1: "Pa", 2: 1}]),
    b"'; DROP TABLE reading; --",
    b"<script>alert(1)</script>",
    b"%s%n%x",
    b"\x1b[2J",
    b"1,2,3",
    b"1," + b"9" * 400 + b",",
    b'{"level": {}}',
    b'{"level": 1e999}',
)

TOPICS: tuple[str | bytes, ...] = (
    "water/node/a/readings",
    "water/node/a/presence",
    "water/node/b/readings",
    "water/do/seen",
    "water/do/note",
    "water/do/time",
    "water/do/quiet",
    "water/do/",
    "water/do/recompute",
    "water/do/accept",
    "water/do/commit",
    "shed/level",
    "shed/json",
    "shed/text",
    "",
    "/",
    "$SYS/x",
    "water",
    "water/node",
    "water/node//readings",
    "water/node/../readings",
    "water/node/a/../b/readings",
    "water/node/a/readings/x",
    "water/node/" + "x" * 65_000 + "/readings",
    "water/node/a\0/readings",
    "water/node/a\u202e/readings",
    "water/node/\ud83d\ude00/readings".encode("utf-8", "surrogatepass"),
    b"water/node/\xff/readings",
    "water/+/#",
)


def leaf() -> st.SearchStrategy[object]:
    return st.one_of(
        st.none(),
        st.booleans(),
        st.integers(-(2**70), 2**70),
        st.floats(),
        st.text(max_size=12),
        st.sampled_from(
            ["n", "pressure", "Pa", "m", "air", "Cel", "a:pressure", 1e308, -1e308, 2**63, START_MS / 1000, 0, 1]
        ),
    )


def records() -> st.SearchStrategy[object]:
    keys = st.sampled_from(
        [
            "n",
            "u",
            "v",
            "t",
            "bn",
            "bt",
            "bu",
            "bv",
            "vs",
            "vb",
            "vd",
            "s",
            "ut",
            "bver",
            "run",
            "seq",
            "keep",
            "x_",
            "kind",
            "at",
            "for",
        ]
    )
    return st.one_of(
        st.lists(st.dictionaries(keys, leaf(), max_size=7), max_size=4),
        st.dictionaries(keys, leaf(), max_size=6),
        st.recursive(
            leaf(),
            lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
            max_leaves=8,
        ),
    )


def payloads() -> st.SearchStrategy[bytes]:
    def as_json(value: object) -> bytes:
        return json.dumps(value).encode("utf-8", "surrogatepass")

    return st.one_of(
        records().map(as_json),
        st.binary(max_size=200),
        st.text(max_size=60).map(lambda t: t.encode("utf-8", "surrogatepass")),
    )


def mutated(rng: random.Random) -> bytes:
    """A good payload with some bytes changed, cut, doubled: quick to make by the million."""
    good = rng.choice(
        (
            payload(
                ("pressure", "Pa", 9000.0 + rng.random()),
                ("air", "Cel", 12.5),
                t_s=START_MS / 1000 + rng.randrange(86_400),
                run=rng.randrange(3),
                seq=rng.randrange(1, 50_000),
                keep=1,
            ).encode(),
            payload(("gap", "m", rng.random() * 3), t_s=rng.choice((0, -60, START_MS / 1000))).encode(),
            cbor2.dumps([{0: "pressure", 1: "Pa", 2: 9000 + rng.random(), 6: -rng.randrange(100)}]),
            b'{"kind": "load", "volume": "100 gal"}',
            b'{"level": 12.5}',
            b"1,12.5,x",
            b"12.5",
            rng.choice(HOSTILE)[:2000],
        )
    )
    data = bytearray(good)
    for _ in range(rng.choice((0, 1, 1, 2, 5))):
        at = rng.randrange(len(data) + 1)
        act = rng.randrange(4)
        if act == 0 and at < len(data):
            data[at] = rng.randrange(256)
        elif act == 1:
            data[at:at] = rng.choice((b"-", b"e99", b"NaN", b"\\u0000", b'"', b"[", b"}", b"\xff", b"9" * 30))
        elif act == 2:
            del data[at : at + rng.randrange(9)]
        else:
            data[at:at] = data[: rng.randrange(40)]
    return bytes(data)


class Fed:
    """A loop that is fed, and its count of what went out."""

    def __init__(self, folder: Path) -> None:
        self.acked: list[int] = []
        self.store = Store(folder)
        self.clock = SetClock(START_MS + 86_400_000)
        self.loop = Loop(
            make_site(folder, more=ROUTES), self.store, Surroundings(self.clock, self, NoPost(), trusted=lambda: True)
        )
        self.loop.commit()
        self.slowest_s = 0.0

    def acks(self, owed: Sequence[Ack]) -> None:
        self.acked += [each.mid for each in owed]

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:
        json.loads(payload)
        return True

    def feed(self, messages: Iterator[tuple[str | bytes, bytes]], rng: random.Random, commit_every: int) -> int:
        count = 0
        for topic, body in messages:
            count += 1
            began = time.perf_counter()
            self.clock.advance(0.05)
            self.loop.handle(
                Message(
                    topic,
                    body,
                    self.clock.wall_ms(),
                    self.clock.mono_s(),
                    qos=1,
                    mid=count,
                    connection=1,
                    retain=rng.random() < 0.05,
                    duplicate=rng.random() < 0.1,
                    backlog=rng.random() < 0.1,
                )
            )
            if count % commit_every == 0:
                self.loop.tick(self.loop.now())
                self.loop.commit()
                self.loop.slack.step()
            self.slowest_s = max(self.slowest_s, time.perf_counter() - began)
        self.loop.commit()
        return count

    def judge(self, count: int) -> dict[str, int]:
        """Each acknowledged once, in order; the store sound and bounded; a good reading still goes in."""
        assert self.acked == list(range(1, count + 1))
        run = self.store.connection.execute
        assert run("PRAGMA integrity_check").fetchone() == ("ok",)
        kept, size = run(
            "SELECT count(*), coalesce(sum(length(topic) + length(payload)), 0) FROM quarantine"
        ).fetchone()
        assert kept <= 1000
        assert size <= 1_000_000
        before = run("SELECT count(*) FROM reading").fetchone()[0]
        at = self.clock.wall_ms()
        self.loop.handle(
            Message(
                "water/node/b/readings",
                payload(("gap", "m", 1.25), t_s=at / 1000).encode(),
                at,
                self.clock.mono_s(),
                qos=1,
                mid=0,
            )
        )
        self.loop.commit()
        assert run("SELECT count(*) FROM reading").fetchone()[0] == before + 1
        self.store.close()
        return {"stored": before, "quarantined": kept}


def hostile_pairs() -> Iterator[tuple[str | bytes, bytes]]:
    for topic in TOPICS:
        for body in HOSTILE:
            yield topic, body


@pytest.mark.slow
def test_every_hostile_payload_on_every_hostile_topic_is_stored_or_set_aside(tmp_path: Path) -> None:
    """The fixed list first: it does most of the work."""
    fed = Fed(tmp_path)
    count = fed.feed(hostile_pairs(), random.Random(1), 97)
    found = fed.judge(count)
    print(f"hostile list: {count} messages, {found}, slowest {fed.slowest_s * 1000:.0f} ms")
    assert fed.slowest_s < 1.0


@pytest.mark.slow
def test_five_thousand_fuzzed_messages_are_stored_or_set_aside(tmp_path: Path) -> None:
    """Bytes of good payloads changed, cut, doubled, on any topic."""
    fuzz(5_000, tmp_path)


@pytest.mark.soak
def test_a_million_fuzzed_messages_are_stored_or_set_aside(tmp_path: Path) -> None:
    """The same, a million times."""
    fuzz(1_000_000, tmp_path)


def fuzz(total: int, folder: Path) -> None:
    rng = random.Random(11)
    fed = Fed(folder)
    began = time.monotonic()
    count = fed.feed(
        ((rng.choice(TOPICS[:16] if rng.random() < 0.9 else TOPICS), mutated(rng)) for _ in range(total)), rng, 200
    )
    took_s = time.monotonic() - began
    found = fed.judge(count)
    print(f"fuzz: {count} messages in {took_s:.0f} s, {found}, slowest {fed.slowest_s * 1000:.0f} ms")
    assert found["stored"] > 0
    assert fed.slowest_s < 2.0


@pytest.mark.slow
def test_any_structure_on_any_topic_is_stored_or_set_aside(tmp_path: Path) -> None:
    """Structures that look nearly right, drawn by Hypothesis."""
    from hypothesis import given, settings

    fed = Fed(tmp_path)
    count = [0]

    @settings(max_examples=600)
    @given(topic=st.sampled_from(TOPICS) | st.text(max_size=40), body=payloads())
    def feed(topic: str | bytes, body: bytes) -> None:
        count[0] += 1
        fed.clock.advance(0.05)
        fed.loop.handle(
            Message(topic, body, fed.clock.wall_ms(), fed.clock.mono_s(), qos=1, mid=count[0], connection=1)
        )
        if count[0] % 20 == 0:
            fed.loop.commit()

    feed()
    fed.loop.commit()
    fed.judge(count[0])


def test_a_node_that_says_it_lost_more_than_can_be_counted_stops_nothing(tmp_path: Path) -> None:
    """Found by the long fuzz: the count of lost packs left the range of the store's whole numbers, and no commit worked any more."""
    fed = Fed(tmp_path)
    bodies = [payload(("pressure", "Pa", 1.0), t_s=START_MS / 1000 + run, run=run, seq=seq, keep=keep).encode()
              for run in range(1, 6) for seq, keep in ((1, 1), (9 * 10**18, 9 * 10**18))]  # fmt: skip
    count = fed.feed((("water/node/a/readings", body) for body in bodies), random.Random(1), 2)
    fed.judge(count)
