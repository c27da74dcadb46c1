"""The connection to the broker against its known traps: each one made to happen, with a real broker or a peer that plays it."""

from __future__ import annotations

import inspect
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest

from holdwater.config.site import BrokerSettings
from holdwater.door import Inbox
from holdwater.events import BrokerState, Event, Message
from holdwater.intake import connection as module
from holdwater.intake.connection import Connection, Outward
from holdwater.intake.decode import Decoder
from holdwater.store.reader import open_reader
from holdwater_sensors.errors import PayloadError
from intake.fake_peer import Link, Peer
from place import Daemon, payload, publisher, text_of

pytestmark = pytest.mark.slow
TOPIC = "water/node/a/readings"


@dataclass
class Ear:
    """A connection and what it put into the inbox."""

    put: Callable[[Event], bool] | None = None
    events: list[Event] = field(default_factory=list)
    connection: Connection = field(init=False)

    def take(self, event: Event) -> bool:
        if self.put is not None and not self.put(event):
            return False
        self.events.append(event)
        return True

    def take_messages(self, messages: Sequence[Message]) -> int:
        for count, each in enumerate(messages):
            if not self.take(each):
                return count
        return len(messages)

    @property
    def messages(self) -> list[Message]:
        return [event for event in self.events if isinstance(event, Message)]

    @property
    def states(self) -> list[BrokerState]:
        return [event for event in self.events if isinstance(event, BrokerState)]

    def wait(self, wanted: Callable[[Ear], object], most_s: float = 15.0) -> None:
        """Until something holds."""
        end = time.monotonic() + most_s
        while not wanted(self):
            assert time.monotonic() < end, [each.words for each in self.states]
            time.sleep(0.01)

    def ack_all(self) -> None:
        """As the loop does after its commit: in order of arrival."""
        self.connection.acks(self.messages)


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Seconds of waiting become hundredths."""
    monkeypatch.setattr(module, "FIRST_WAIT_S", 0.03)
    monkeypatch.setattr(module, "LONGEST_WAIT_S", 0.4)
    monkeypatch.setattr(module, "FULL_S", 0.4)


@pytest.fixture
def listen() -> Iterator[Callable[..., Ear]]:
    """`listen(port, version=…, put=…, client_id=…)`: a started connection; all end with the test."""
    made: list[Ear] = []

    def make(
        port: int, version: str = "auto", put: Callable[[Event], bool] | None = None, client_id: str = "ear"
    ) -> Ear:
        ear = Ear(put)
        outward = Outward(ear.take, ear.take_messages, lambda: round(time.time() * 1000), time.monotonic)
        settings = BrokerSettings(port=port, client_id=client_id, keepalive_s=5)
        ear.connection = Connection(settings, [("water/node/+/readings", 1), ("water/do/#", 1)], outward, version)
        made.append(ear)
        ear.connection.start()
        return ear

    yield make
    for ear in made:
        ear.connection.stop()


@pytest.fixture
def make_peer() -> Iterator[Callable[[Callable[[Link], None]], Peer]]:
    """A peer that plays a broker."""
    made: list[Peer] = []

    def make(talk: Callable[[Link], None]) -> Peer:
        made.append(Peer(talk))
        return made[-1]

    yield make
    for peer in made:
        peer.close()


def up(ear: Ear) -> bool:
    return ear.connection.connected


def send(port: int, *texts: str, retain: bool = False) -> None:
    client = publisher(port, f"send-{time.monotonic_ns()}")
    for text in texts:
        client.publish(TOPIC, text, qos=1, retain=retain).wait_for_publish(5)
    client.disconnect()
    client.loop_stop()


def test_p1_an_exception_in_a_callback_ends_one_connection_not_the_service(broker, listen) -> None:
    """The message comes again after it, and the next ones too."""
    fails = [2]

    def put(event: Event) -> bool:
        if isinstance(event, Message) and fails[0]:
            fails[0] -= 1
            raise RuntimeError("planted")
        return True

    ear = listen(broker.port, put=put)
    ear.wait(up)
    send(broker.port, "one", "two", "three")
    ear.wait(lambda e: {m.payload for m in e.messages} >= {b"one", b"two", b"three"})
    assert ear.connection.alive


def test_p1_an_exception_when_a_connection_begins_ends_that_one_only(broker, listen) -> None:
    """The thread turns on."""
    fails = [1]

    def put(event: Event) -> bool:
        if isinstance(event, BrokerState) and event.up and fails[0]:
            fails[0] -= 1
            raise RuntimeError("planted")
        return True

    ear = listen(broker.port, put=put)
    ear.wait(lambda e: any(state.up for state in e.states))
    send(broker.port, "one")
    ear.wait(lambda e: e.messages)


def test_p1_a_thread_that_stands_still_is_seen_and_replaced(broker, listen, monkeypatch) -> None:
    """By its iterations: paho itself believes that it is connected. What the old thread finds when it wakes is left alone."""
    monkeypatch.setattr(module, "TURN_S", 0.1)
    hold, held = threading.Event(), threading.Event()

    def put(event: Event) -> bool:
        if isinstance(event, Message) and event.payload == b"hang":
            held.set()
            hold.wait(20)
        return True

    ear = listen(broker.port, put=put)
    ear.wait(up)
    assert ear.connection.alive
    send(broker.port, "hang")
    assert held.wait(5)
    ear.wait(lambda e: not e.connection.alive)
    ear.put = None
    ear.connection.restart()
    send(broker.port, "next")
    ear.wait(lambda e: any(m.payload == b"next" for m in e.messages))
    assert ear.connection.alive
    hold.set()
    time.sleep(0.3)
    send(broker.port, "last")
    ear.wait(lambda e: any(m.payload == b"last" for m in e.messages))
    assert sum(m.payload == b"last" for m in ear.messages) == 1


def test_p2_what_the_loop_has_not_acknowledged_comes_again(broker, listen) -> None:
    """No automatic acknowledgement: after a connection was dropped on purpose the message is there a second time, marked so (P6)."""
    ear = listen(broker.port)
    ear.wait(up)
    send(broker.port, "one")
    ear.wait(lambda e: e.messages)
    time.sleep(0.5)
    assert len(ear.messages) == 1, "nothing is sent again on a living connection"
    ear.connection.drop("test")
    ear.wait(lambda e: len(e.messages) == 2)
    assert ear.messages[1].duplicate
    assert ear.messages[1].connection == ear.messages[0].connection + 1


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_p3_p4_what_came_while_we_were_away_is_kept_for_us(broker, listen, version) -> None:
    """A durable session in both versions, over a new process; what waited is marked as backlog, what comes later is not."""
    first = listen(broker.port, version)
    first.wait(up)
    first.connection.stop()
    send(broker.port, "one", "two", "three")
    second = listen(broker.port, version)
    second.wait(lambda e: len(e.messages) == 3)
    assert [m.payload for m in second.messages] == [b"one", b"two", b"three"]
    assert all(m.backlog for m in second.messages)
    second.ack_all()
    time.sleep(module.CALM_S + 0.1)
    send(broker.port, "four")
    second.wait(lambda e: len(e.messages) == 4)
    assert not second.messages[3].backlog


def test_p5_a_session_lost_by_the_broker_is_subscribed_anew(broker, listen) -> None:
    """Killed, its memory gone: the next reading arrives."""
    ear = listen(broker.port)
    ear.wait(up)
    broker.kill()
    for kept in broker.folder.glob("mosquitto.db*"):
        kept.unlink()
    ear.wait(lambda e: not up(e))
    broker.start()
    ear.wait(up)
    send(broker.port, "one")
    ear.wait(lambda e: e.messages)


def test_p5_a_refused_subscription_is_said_with_its_topic(make_peer, listen) -> None:
    """It arrives nowhere else than in the answer to the subscription."""

    def talk(link: Link) -> None:
        link.connack()
        link.suback(1, 0x87 if link.level == 5 else 0x80)
        link.pubacks(10)

    ear = listen(make_peer(talk).port)
    ear.wait(lambda e: any("refused our subscription" in state.words for state in e.states))
    words = ear.states[-1].words
    assert "water/do/#" in words
    assert "water/node" not in words
    assert not ear.states[-1].up


def test_p7_acknowledgements_leave_in_the_order_of_the_messages(make_peer, listen) -> None:
    """A hundred at once, from another thread, while the network thread writes too (MQTT-4.6.0-2)."""
    order: list[int] = []

    def talk(link: Link) -> None:
        link.connack()
        link.suback(1, 1)
        for mid in range(1, 101):
            link.publish(TOPIC.encode(), b"x", mid)
        order.extend(link.pubacks(3))

    ear = listen(make_peer(talk).port)
    ear.wait(lambda e: len(e.messages) == 100)
    for each in ear.messages:
        ear.connection.acks([each])
        ear.connection.publish("water/state/test", b"beside", retain=False, qos=0)
    ear.wait(lambda e: len(order) == 100)
    assert order == list(range(1, 101))


def test_p8_an_acknowledgement_of_an_older_connection_is_dropped(make_peer, listen) -> None:
    """Numbers begin anew when a session is lost: the old one would confirm another message. Also between two connections."""
    second: list[int] = []
    go, count = threading.Event(), [0]

    def talk(link: Link) -> None:
        count[0] += 1
        if count[0] == 1:
            link.connack()
            link.suback(1, 1)
            link.publish(TOPIC.encode(), b"old", 1)
            time.sleep(0.3)
            return
        go.wait(5)
        link.connack()
        link.suback(1, 1)
        link.publish(TOPIC.encode(), b"new", 1)
        second.extend(link.pubacks(1.5))
        second.append(-1)

    ear = listen(make_peer(talk).port)
    ear.wait(lambda e: e.messages)
    old = ear.messages[0]
    ear.wait(lambda _: count[0] == 2)
    ear.connection.acks([old])
    go.set()
    ear.wait(lambda e: len(e.messages) == 2)
    ear.connection.acks([old])
    ear.wait(lambda _: second)
    assert second == [-1]


def test_p9_what_is_published_offline_is_queued_once_and_bounded(make_broker, listen, monkeypatch) -> None:
    """Queued is not refused; past the bound it is. With the broker back, each is there once."""
    most = 150
    monkeypatch.setattr(module, "MOST_QUEUED", most)
    broker = make_broker()
    ear = listen(broker.port)
    ear.wait(up)
    heard: list[bytes] = []
    # A durable listener from before the stop: what comes while it is away is kept for it.
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="listener", clean_session=False)
    client.reconnect_delay_set(1, 1)
    client.on_message = lambda _client, _data, came: heard.append(came.payload)
    client.on_connect = lambda each, *_: each.subscribe("water/state/t", 1)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    time.sleep(0.5)
    broker.stop()
    ear.wait(lambda e: not up(e))
    taken = [ear.connection.publish("water/state/t", str(n).encode(), retain=False) for n in range(most + 50)]
    assert taken.count(True) >= most - 2
    assert not any(taken[-40:])
    broker.start()
    ear.wait(lambda _: len(heard) >= taken.count(True), 20)
    time.sleep(0.3)
    client.loop_stop()
    assert sorted(set(map(int, heard))) == list(range(taken.count(True)))


def test_p10_no_callback_waits_for_a_publication() -> None:
    """The thread that would see the answer is the one that would wait."""
    assert "wait_for_publish" not in inspect.getsource(module)


def test_p11_two_clients_with_one_name_are_said_to_be_that(broker, listen) -> None:
    """No reason code says so on 3.1.1: they throw each other out, again and again."""
    ears = [listen(broker.port, "3.1.1", client_id="twin") for _ in range(2)]
    for ear in ears[:1]:
        ear.wait(lambda e: any("another program use the client id 'twin'" in state.words for state in e.states), 20)


def test_p12_a_topic_that_is_no_text_is_set_aside(make_peer, listen) -> None:
    """It reaches the inbox as bytes; the decoder refuses it with a reason, and the next message arrives."""

    def talk(link: Link) -> None:
        link.connack()
        link.suback(1, 1)
        link.publish(b"water/node/\xff\xfe/readings", b"x", 1)
        link.publish(TOPIC.encode(), b"y", 2)
        link.pubacks(10)

    ear = listen(make_peer(talk).port)
    ear.wait(lambda e: len(e.messages) == 2)
    assert ear.messages[0].topic == b"water/node/\xff\xfe/readings"
    with pytest.raises(PayloadError, match="UTF-8"):
        Decoder("water", ()).decode(ear.messages[0])


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_p13_a_message_that_is_too_long_disturbs_nothing(broker, listen, version) -> None:
    """MQTT 5: the broker keeps it back, as asked. 3.1.1: it comes and is refused by its size. The next one arrives."""
    ear = listen(broker.port, version)
    ear.wait(up)
    send(broker.port, "x" * 200_000, "small")
    ear.wait(lambda e: any(m.payload == b"small" for m in e.messages))
    long = [m for m in ear.messages if m.payload != b"small"]
    assert len(long) == (version == "3.1.1")
    for message in long:
        with pytest.raises(PayloadError, match="200000 bytes"):
            Decoder("water", ()).decode(message)


def test_what_the_broker_kept_is_marked_at_each_connect(broker, listen) -> None:
    """A retained message is never new: not at the first connect, not at the next; and it is no backlog."""
    send(broker.port, "old", retain=True)
    ear = listen(broker.port)
    ear.wait(lambda e: len(e.messages) == 1)
    ear.ack_all()
    ear.connection.drop("test")
    ear.wait(lambda e: len(e.messages) == 2)
    assert all(m.retain and not m.backlog for m in ear.messages)


def test_a_full_inbox_closes_the_connection_and_loses_nothing(broker, listen) -> None:
    """What found no room comes again when there is some, in its order; also when a whole inbox comes at once after each connect."""
    inbox = Inbox(messages=20)
    ear = listen(broker.port, put=inbox.put)
    ear.wait(up)
    texts = [str(n) for n in range(120)]
    threading.Thread(target=send, args=(broker.port, *texts), daemon=True).start()
    seen: list[bytes] = []
    end = time.monotonic() + 20
    while len(seen) < 120 and time.monotonic() < end:
        time.sleep(0.05)
        for event in inbox.take(15, 0):
            if isinstance(event, Message):
                seen += [event.payload] if event.payload not in seen else []
                ear.connection.acks([event])
    assert seen == [text.encode() for text in texts]


@pytest.mark.parametrize("code", [0x84, 0x01])
def test_mqtt_5_gives_way_to_3_1_1_only_when_the_version_is_refused(make_peer, listen, code) -> None:
    """0x84 by a broker that knows 5, 1 in the old short form by one that does not."""

    def talk(link: Link) -> None:
        if link.level == 5:
            link.send(0x20, bytes([0, code, 0]) if code == 0x84 else bytes([0, code]))
            return
        link.connack()
        link.suback(1, 1)
        link.pubacks(10)

    peer = make_peer(talk)
    ear = listen(peer.port)
    ear.wait(up)
    assert peer.connects == [5, 4]
    assert "MQTT 3.1.1" in ear.states[-1].words
    assert ear.connection.window == module.ASSUMED_WINDOW


@pytest.mark.parametrize(("code", "words"), [(0x87, "Not authorized"), (0x88, "Server unavailable"), (None, "")])
def test_any_other_refusal_or_silence_does_not_lower_the_version(make_peer, listen, code, words) -> None:
    """Not authorized, busy, or just closed: the same version again."""

    def talk(link: Link) -> None:
        if code is not None:
            link.connack(code)

    peer = make_peer(talk)
    ear = listen(peer.port)
    ear.wait(lambda _: len(peer.connects) >= 3)
    assert set(peer.connects) == {5}
    assert code is None or any(words in state.words for state in ear.states)


@pytest.mark.parametrize("version", ["5", "3.1.1"])
@pytest.mark.parametrize("window", [1, 20, 0])
def test_brokers_with_any_window_are_served_without_a_standstill(make_broker, tmp_path: Path, window, version) -> None:
    """A window of 1, 20 and none; the service acknowledges before the broker would wait in vain."""
    broker = make_broker(window=window)
    daemon = Daemon(
        tmp_path, text_of(tmp_path / "store", port=broker.port, commit_every="1 s", more=f'version = "{version}"\n')
    )
    daemon.start()
    try:
        daemon.wait_for("connected to")
        client, first_ms = publisher(broker.port), round(time.time() * 1000)
        for n in range(100):
            client.publish(TOPIC, payload(("pressure", "Pa", 100.0 + n), t_s=(first_ms + n) / 1000), qos=1)
        count, end = 0, time.monotonic() + 25
        while count < 100 and time.monotonic() < end:
            time.sleep(0.1)
            with open_reader(tmp_path / "store") as reader:
                count = sum(1 for _ in reader.readings("a:pressure", 0, first_ms * 2))
        assert count == 100
        client.loop_stop()
    finally:
        daemon.end()
