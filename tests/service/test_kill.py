"""Kill -9 of the daemon at random moments while a broker delivers: nothing acknowledged is lost, nothing is there twice."""

import os
import random
import time

import pytest

from holdwater.store.reader import open_reader
from place import Daemon, payload, publisher

RATE = 200
CYCLES = int(os.environ.get("HOLDWATER_KILLS", "20"))


@pytest.mark.slow
def test_twenty_kills_at_two_hundred_messages_a_second_lose_and_double_nothing(
    make_daemon, make_broker, tmp_path
) -> None:
    """The broker keeps what was not acknowledged; the store has each reading once."""
    broker = make_broker()
    daemon: Daemon = make_daemon(port=broker.port, commit_every="0.5 s")
    client = publisher(broker.port)
    rng = random.Random(7)
    sent, begin, first_ms = 0, time.monotonic(), round(time.time() * 1000)
    daemon.start()
    daemon.wait_for("connected to")
    kills, next_kill = 0, time.monotonic() + 0.3
    while kills < CYCLES:
        while sent < (time.monotonic() - begin) * RATE:
            client.publish(
                "water/node/a/readings", payload(("pressure", "Pa", 100.0 + sent), t_s=(first_ms + sent) / 1000), qos=1
            )
            sent += 1
        if time.monotonic() >= next_kill:
            daemon.kill()
            kills += 1
            daemon.start()
            next_kill = time.monotonic() + 0.5 + rng.random() * 0.5
        time.sleep(0.002)
    client.publish("water/node/a/readings", payload(("air", "Cel", 1.0), t_s=time.time()), qos=1).wait_for_publish(10)
    expected = {(first_ms + n, 100.0 + n) for n in range(sent)}
    found: list[tuple[int, float]] = []
    end = time.monotonic() + 30
    while time.monotonic() < end and len(found) < sent:
        time.sleep(0.5)
        with open_reader(tmp_path / "store") as reader:
            found = [(row.ts_ms, row.value) for row in reader.readings("a:pressure", 0, first_ms * 2)]
    daemon.stop()
    print(
        f"{kills} kills, {sent} messages acknowledged by the broker, {sent - len(found)} lost, {len(found) - len(set(found))} doubled"
    )
    assert len(found) == len(set(found))
    assert set(found) == expected
    with open_reader(tmp_path / "store") as reader:
        assert reader.quarantine(10) == []
