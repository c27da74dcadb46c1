"""Brokers of the tests and of the demo are real, local and end with whoever started them."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from broker_fixture import TestBroker
from holdwater.demo import broker as demo_broker
from holdwater.demo.child import port_taken
from holdwater.errors import BusyError, OutsideError


def round_trip(port: int, protocol: int, username: str = "", password: str = "") -> str:
    """What became of one QoS 1 message to oneself: its text, or the reason that the connection was refused."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=protocol)
    if username:
        client.username_pw_set(username, password)
    answer: list[str] = []
    done = threading.Event()

    def connected(_client: object, _data: object, _flags: object, reason: object, _properties: object) -> None:
        if str(reason) != "Success":
            answer.append(str(reason))
            done.set()
        client.subscribe("water/echo", qos=1)

    def subscribed(*_: object) -> None:
        client.publish("water/echo", "hello", qos=1)

    def arrived(_client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        answer.append(message.payload.decode())
        done.set()

    client.on_connect, client.on_subscribe, client.on_message = connected, subscribed, arrived
    client.connect("127.0.0.1", port)
    client.loop_start()
    assert done.wait(5)
    client.disconnect()
    client.loop_stop()
    return answer[0]


@pytest.mark.parametrize("protocol", [mqtt.MQTTv311, mqtt.MQTTv5])
def test_mosquitto_serves_both_protocol_versions(broker: TestBroker, protocol: int) -> None:
    """One port for MQTT 3.1.1 and 5."""
    assert round_trip(broker.port, protocol) == "hello"


@pytest.mark.slow
def test_iotcore_serves_3_1_1(iotcore_broker: TestBroker) -> None:
    """The broker for a machine without mosquitto carries QoS 1."""
    assert round_trip(iotcore_broker.port, mqtt.MQTTv311) == "hello"


def test_password_is_asked_for(make_broker: Callable[..., TestBroker]) -> None:
    """Right password in, wrong one out."""
    broker = make_broker(username="board", password="right")
    assert round_trip(broker.port, mqtt.MQTTv5, "board", "right") == "hello"
    assert round_trip(broker.port, mqtt.MQTTv5, "board", "wrong") == "Not authorized"


def test_broker_opens_the_same_port_again(broker: TestBroker) -> None:
    """After stop and after kill."""
    port = broker.port
    assert broker.stop() == 0
    assert not port_taken(port)
    broker.start()
    broker.kill()
    broker.start()
    assert broker.port == port
    assert port_taken(port)


def test_demo_takes_mosquitto_when_it_is_there(tmp_path: Path, broker: TestBroker) -> None:
    """The demo's own choice, on a port of its own."""
    found = demo_broker.start_broker(tmp_path / "broker")
    try:
        assert found.name == "mosquitto"
        assert round_trip(found.port, mqtt.MQTTv5) == "hello"
    finally:
        found.stop()
    assert not port_taken(found.port)


@pytest.mark.slow
def test_demo_falls_back_to_iotcore(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without mosquitto the pip-installed broker serves."""
    monkeypatch.setattr(demo_broker, "find_mosquitto", lambda: None)
    found = demo_broker.start_broker(tmp_path)
    try:
        assert found.name == "iotcore"
        assert round_trip(found.port, mqtt.MQTTv311) == "hello"
    finally:
        found.stop()
    assert not port_taken(found.port)


def test_demo_names_both_brokers_when_none_is_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One sentence says what to install."""
    monkeypatch.setattr(demo_broker, "find_mosquitto", lambda: None)
    monkeypatch.setattr(demo_broker, "find_spec", lambda name: None)
    with pytest.raises(OutsideError) as caught:
        demo_broker.start_broker(tmp_path)
    assert "mosquitto" in caught.value.words()
    assert "holdwater[demo]" in caught.value.words()


def test_port_in_use_is_told(tmp_path: Path, broker: TestBroker) -> None:
    """Which one, and what to do."""
    with pytest.raises(BusyError) as caught:
        demo_broker.start_broker(tmp_path, broker.port)
    assert str(broker.port) in caught.value.words()


def test_broker_that_ends_at_once_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A program that is no broker: the log to read is named."""
    monkeypatch.setattr(demo_broker, "find_mosquitto", lambda: "/bin/false")
    with pytest.raises(OutsideError) as caught:
        demo_broker.start_broker(tmp_path)
    assert str(tmp_path / "broker.log") in caught.value.words()


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["mosquitto", "iotcore"])
def test_broker_ends_with_a_killed_parent(tmp_path: Path, broker: TestBroker, kind: str) -> None:
    """kill -9 of the demo leaves no broker behind."""
    code = (
        "import sys, time; from pathlib import Path; from holdwater.demo import broker\n"
        f"if {kind!r} == 'iotcore': broker.find_mosquitto = lambda: None\n"
        "b = broker.start_broker(Path(sys.argv[1])); print(b.process.pid, b.port, flush=True); time.sleep(60)"
    )
    parent = subprocess.Popen([sys.executable, "-c", code, str(tmp_path)], stdout=subprocess.PIPE)
    assert parent.stdout is not None
    pid, port = (int(each) for each in parent.stdout.readline().split())
    watch = os.pidfd_open(pid)
    parent.send_signal(signal.SIGKILL)
    parent.wait()
    parent.stdout.close()
    assert select.select([watch], [], [], 5)[0], "the broker outlived its parent"
    os.close(watch)
    assert not port_taken(port)
