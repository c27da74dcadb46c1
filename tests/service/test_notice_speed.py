"""From a reading to an accepted webhook on loopback, with default settings, measured on the running service."""

from __future__ import annotations

import json
import statistics
import time

import pytest

from alerts.peers import answers, serving
from place import payload, pressure, publisher

SAMPLES = 3
STEP_MIN = 6


@pytest.mark.slow
def test_from_the_reading_to_the_accepted_webhook_takes_at_most_two_seconds_at_the_median(make_daemon, broker) -> None:
    """A tank falls below its reserve and is filled again, three times; a minute between commits, as by default."""
    with serving(answers("204 No Content", body=b"")) as peer:
        more = f'\n[channel.hook]\nkind = "webhook"\nurl = "{peer.url()}"\nallow = ["127.0.0.1"]\n'
        daemon = make_daemon(port=broker.port, more=more, commit_every="60 s").start()
        daemon.wait_for("connected to")
        client = publisher(broker.port)
        at_s = time.time() - 2 * SAMPLES * 60 * 60

        def phases() -> list[str]:
            bodies = [json.loads(peer.body(number)) for number in range(len(peer.requests))]
            return [each["phase"] for each in bodies if each["kind"] == "low"]

        def until_told(depth_m: float, phase: str, count: int) -> float:
            """Readings at one depth until the notice moves; how long after the last of them it was told, s."""
            nonlocal at_s
            for _ in range(30):
                at_s += STEP_MIN * 60
                client.publish(
                    "water/node/a/readings", payload(("pressure", "Pa", pressure(depth_m)), t_s=at_s), qos=1
                ).wait_for_publish(5)
                sent_s = time.monotonic()
                while time.monotonic() - sent_s < 0.08:
                    if phases().count(phase) == count:
                        return time.monotonic() - sent_s
                    time.sleep(0.005)
            sent_s = time.monotonic()
            while phases().count(phase) < count and time.monotonic() - sent_s < 10:
                time.sleep(0.01)
            return time.monotonic() - sent_s

        took = []
        for number in range(1, SAMPLES + 1):
            took.append(until_told(0.30, "raise", number))
            took.append(until_told(1.20, "clear", number))
        assert phases() == ["raise", "clear"] * SAMPLES
        assert statistics.median(took) <= 2.0, took
