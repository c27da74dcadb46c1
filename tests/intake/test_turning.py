"""The network thread takes and sends by the handful, and keeps nobody waiting for it."""

from __future__ import annotations

import inspect
import select
import socket
import threading
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwater.config.site import BrokerSettings
from holdwater.door import Inbox
from holdwater.events import BrokerState, Message, Request
from holdwater.intake import turning
from holdwater.intake.connection import Connection, Outward
from holdwater.intake.turning import CALM_S, GATHER_MESSAGES, GATHER_S, Bell, Pace
from intake.fake_peer import Link, Peer
from place import publisher

TOPIC = b"water/node/a/readings"


def message(number: int) -> Message:
    """One message."""
    return Message("water/node/a/readings", b"", number, float(number))


def test_seldom_messages_are_read_at_once() -> None:
    """At eight a minute there is nothing to gather; a pause would be a wake-up more for each."""
    pace = Pace()
    for at_s in range(0, 600, 7):
        assert not pace.gathers(float(at_s))
        pace.read(float(at_s), stood_still=False)


def test_messages_that_come_quickly_are_left_to_gather() -> None:
    """From the second one on."""
    pace = Pace()
    pace.read(10.0, stood_still=False)
    assert pace.gathers(10.0 + GATHER_S / 2)
    assert not pace.gathers(10.0 + GATHER_S * 1.1)


def test_a_sender_that_stood_still_twice_is_not_kept_waiting() -> None:
    """It may wait for an acknowledgement; once may be chance. After a while it is tried again."""
    pace = Pace()
    pace.read(10.0, stood_still=True)
    assert pace.gathers(10.05)
    pace.read(10.05, stood_still=True)
    assert not pace.gathers(10.1)
    pace.read(10.05 + CALM_S, stood_still=False)
    assert pace.gathers(10.1 + CALM_S)


def test_a_bell_rung_many_times_is_heard_once_and_again_after_that() -> None:
    """One byte for a hundred acknowledgements."""
    bell = Bell()
    try:
        for _ in range(100):
            bell.ring()
        assert select.select([bell.ear], [], [], 0)[0]
        bell.heard()
        assert not select.select([bell.ear], [], [], 0)[0]
        bell.ring()
        assert select.select([bell.ear], [], [], 0)[0]
    finally:
        bell.close()


@given(st.lists(st.integers(0, 9), max_size=12), st.integers(0, 30))
def test_an_inbox_takes_the_first_of_those_that_came_together_and_no_more_than_it_holds(sizes, room) -> None:
    """Their order stays; those left out are the last ones."""
    inbox, sent, kept = Inbox(messages=room), 0, 0
    for size in sizes:
        kept += inbox.put_messages([message(sent + each) for each in range(size)])
        sent += size
    assert kept == min(room, sent)
    assert len(inbox.take(1000, 0)) == kept


def test_the_machine_is_turned_through_its_documented_interface_only() -> None:
    """So that a newer paho may change what is inside it."""
    source = inspect.getsource(turning)
    assert "client._" not in source
    assert ".loop(" not in source


class Listener:
    """A connection to a peer, with its inbox."""

    def __init__(self, port: int) -> None:
        self.inbox = Inbox()
        self.sizes: list[int] = []
        outward = Outward(self.inbox.put, self.put, lambda: round(time.time() * 1000), time.monotonic)
        settings = BrokerSettings(port=port, client_id="turner", keepalive_s=5)
        self.connection = Connection(settings, [("water/node/+/readings", 1)], outward)
        self.connection.start()

    def put(self, messages: list[Message]) -> int:
        self.sizes.append(len(messages))
        return self.inbox.put_messages(messages)

    def messages(self, count: int, most_s: float = 10.0) -> list[Message]:
        found: list[Message] = []
        end = time.monotonic() + most_s
        while len(found) < count and time.monotonic() < end:
            found += [each for each in self.inbox.take(1000, 0.2) if isinstance(each, Message)]
        assert len(found) >= count
        return found


@pytest.mark.slow
def test_a_hundred_acknowledgements_leave_in_one_piece() -> None:
    """Not in a hundred sendings that wake the broker a hundred times."""
    pieces: list[bytes] = []
    done = threading.Event()

    def talk(link: Link) -> None:
        link.connack()
        link.suback(1)
        time.sleep(0.1)  # our own state topic goes out first
        for mid in range(1, 101):
            link.publish(TOPIC, b"x", mid)
        link.pubacks(0.3)
        listener.connection.acks(listener.messages(100))
        while sum(map(len, pieces)) < 400:
            pieces.append(link.receive(4096))
        done.set()

    peer = Peer(talk)
    listener = Listener(peer.port)
    try:
        assert done.wait(10)
        assert len(pieces) <= 3
        assert b"".join(pieces) == b"".join(bytes((0x40, 2, 0, mid)) for mid in range(1, 101))
    finally:
        listener.connection.stop()
        peer.close()


@pytest.mark.slow
def test_a_quick_sender_is_read_by_the_handful_and_in_order(broker) -> None:
    """Two hundred a second: far fewer handfuls than messages, and nobody waits longer than the gathering."""
    listener = Listener(broker.port)
    client = publisher(broker.port)
    try:
        end = time.monotonic() + 10
        while not listener.connection.connected and time.monotonic() < end:
            time.sleep(0.01)
        time.sleep(0.3)
        for number in range(200):
            client.publish(TOPIC.decode(), str(number).encode(), qos=1)
            time.sleep(0.005)
        found = listener.messages(200)
        assert [each.payload for each in found] == [str(number).encode() for number in range(200)]
        assert len(listener.sizes) < 200 / GATHER_MESSAGES * 4
    finally:
        client.loop_stop()
        listener.connection.stop()


def test_a_wish_is_answered_while_messages_are_taken() -> None:
    """Order of arrival is kept over the kinds of events."""
    inbox, wish = Inbox(), Request("seen", {"notice": 1})
    inbox.put_messages([message(1), message(2)])
    inbox.put(wish)
    inbox.put_messages([message(3)])
    inbox.put(BrokerState(False, ""))
    assert inbox.take(10, 0) == [message(1), message(2), wish, message(3), BrokerState(False, "")]


def test_unread_bytes_of_a_socket_are_counted_without_reading_them() -> None:
    """By them a sender is seen to stand still."""
    ours, theirs = socket.socketpair()
    try:
        theirs.send(b"12345")
        assert turning._unread(ours) == 5
    finally:
        ours.close()
        theirs.close()
