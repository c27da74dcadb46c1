"""The board's battery is low: the page goes off, readings are written less often, nothing is lost; then all comes back."""

from __future__ import annotations

import time
import urllib.error
import urllib.request

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwater.demo.child import free_port, port_taken
from holdwater.errors import ConfigError
from holdwater.power import Sparing
from holdwater.sitefile import site_of
from holdwater.store.reader import open_reader
from place import Daemon, make_site, payload, pressure, publisher, run_command, text_of

POWER = '\n[power]\nboard = "board:supply"\nsparing_below = "12.0 V"\nafter = "0 s"\n'
MINUTE_MS = 60_000


def fed(sparing: Sparing, *volts: float) -> list[bool]:
    """Whether it spares after each reading, one a minute."""
    return [(sparing.take(at * MINUTE_MS, each), sparing.on)[1] for at, each in enumerate(volts)]


def test_a_dip_while_a_radio_sends_counts_for_nothing() -> None:
    """Three minutes below, then well again: not sparing; ten minutes below: sparing."""
    sparing = Sparing(12.0, 12.3, 10 * MINUTE_MS)
    assert not any(fed(sparing, 12.6, 11.8, 11.9, 11.8, 12.4))
    sparing = Sparing(12.0, 12.3, 10 * MINUTE_MS)
    assert fed(sparing, 12.6, *[11.9] * 11)[-2:] == [False, True]


def test_a_battery_that_rises_by_being_relieved_is_still_spared() -> None:
    """Between the two lines nothing changes; above the upper one for ten minutes it does."""
    sparing = Sparing(12.0, 12.3, 10 * MINUTE_MS)
    assert all(fed(sparing, 11.9, *[12.2] * 30))
    assert [sparing.take((40 + at) * MINUTE_MS, 12.5) for at in range(11)][-1]
    assert not sparing.on


def test_the_first_reading_after_a_start_decides_at_once() -> None:
    """A board that starts on an empty battery does not wait ten minutes to spare it."""
    assert fed(Sparing(12.0, 12.3, 10 * MINUTE_MS), 11.7) == [True]


@given(st.lists(st.tuples(st.integers(0, 10**7), st.floats(-50, 50)), max_size=60))
def test_whatever_the_voltages_it_changes_only_across_its_lines(readings: list[tuple[int, float]]) -> None:
    """Late readings and those that no battery gives never change it; a change needs a reading beyond the line."""
    sparing = Sparing(12.0, 12.3, MINUTE_MS)
    newest = -1
    for at_ms, volts in readings:
        before = sparing.on
        if sparing.take(at_ms, volts):
            assert at_ms >= newest
            assert volts >= 12.3 if before else 0 < volts <= 12.0
            assert sparing.on is not before
        newest = max(newest, at_ms) if volts > 0 else newest


def test_lines_out_of_order_are_refused(tmp_path) -> None:
    """back_above at or below sparing_below would flap."""
    with pytest.raises(ConfigError) as caught:
        site_of(text_of(tmp_path, more=POWER + 'back_above = "11.9 V"\n'), "t.toml", {})
    assert "power.back_above" in caught.value.words()
    site = make_site(tmp_path, more=POWER)
    assert site.power is not None
    assert site.power.back_above_v == pytest.approx(12.3)


def eventually(check, most_s: float = 8.0) -> bool:
    """Whether a check comes true in time."""
    end = time.monotonic() + most_s
    while time.monotonic() < end:
        if check():
            return True
        time.sleep(0.05)
    return False


@pytest.mark.slow
def test_on_a_low_battery_the_page_goes_off_and_comes_back_and_no_reading_is_lost(make_daemon, broker) -> None:
    """From the voltage on the wire to the closed port; status says why; a stop while sparing keeps what came."""
    port = free_port()
    daemon: Daemon = make_daemon(
        "--trust-clock", port=broker.port, listen=f"127.0.0.1:{port}", commit_every="1 s", more=POWER
    )
    daemon.start().wait_for("ready")
    daemon.wait_for("connected to")
    client = publisher(broker.port)

    def send(node: str, *records: tuple[str, str, float]) -> None:
        client.publish(f"water/node/{node}/readings", payload(*records), qos=1).wait_for_publish(5)

    assert port_taken(port)
    send("board", ("supply", "V", 11.8))
    daemon.wait_for("sparing, written less often")
    assert eventually(lambda: not port_taken(port))
    said = run_command("status", "--config", str(daemon.config))
    assert "power: the board's battery is low" in said.stdout
    time.sleep(1.2)  # a reading right after a commit may be what the broker waited to send: it is not kept waiting
    send("a", ("pressure", "Pa", pressure(1.0)))
    time.sleep(2.5)  # longer than the usual second: nothing may have been written
    with open_reader(daemon.folder / "store") as reader:
        assert list(reader.readings("a:pressure", 0, 2**62)) == []
    send("board", ("supply", "V", 12.6))
    daemon.wait_for("no longer sparing")
    assert eventually(lambda: port_taken(port))
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=5) as answer:
        assert answer.status == 200
    assert daemon.stop() == 0
    with open_reader(daemon.folder / "store") as reader:
        assert len(list(reader.readings("a:pressure", 0, 2**62))) == 1
