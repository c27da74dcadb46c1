"""Fixtures for all tests. Real programs only: brokers are child processes on free loopback ports."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from importlib.util import find_spec
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from broker_fixture import BrokerPlan, TestBroker, program

settings.register_profile("holdwater", deadline=None, max_examples=100, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("holdwater")


def need(found: bool, words: str) -> None:
    """Skip a test that needs what this machine lacks; where CI is set, that is a failure."""
    if not found:
        if os.environ.get("CI"):
            pytest.fail(f"{words} (CI is set, so nothing may be skipped)", pytrace=False)
        pytest.skip(words)


@pytest.fixture
def make_broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[..., TestBroker]]:
    """Start a Mosquitto: `make_broker()`, `make_broker(username=…, password=…)`, `make_broker(window=1)`, …

    Arguments are those of `BrokerPlan`. All of them end with the test.
    """
    need(program("mosquitto") is not None, "mosquitto is missing: sudo apt-get install -y mosquitto")
    started: list[TestBroker] = []

    def make(**plan: object) -> TestBroker:
        broker = TestBroker(tmp_path_factory.mktemp("broker"), BrokerPlan(**plan))  # type: ignore[arg-type]
        started.append(broker)
        return broker.start()

    yield make
    for broker in started:
        broker.stop()


@pytest.fixture
def broker(make_broker: Callable[..., TestBroker]) -> TestBroker:
    """A fresh Mosquitto that lets anybody in; MQTT 3.1.1 and 5 on one port."""
    return make_broker()


@pytest.fixture
def iotcore_broker(tmp_path: Path) -> Iterator[TestBroker]:
    """A fresh iotcore broker: MQTT 3.1.1 only, keeps nothing over its end."""
    need(find_spec("iotcore") is not None, "iotcore is missing: pip install 'holdwater[demo]'")
    broker = TestBroker(tmp_path, kind="iotcore")
    yield broker.start()
    broker.stop()
