"""What deploy/ gives a board: a unit that is tight, a broker that lets each box write its own topics only."""

import re
import shutil
import subprocess
import time
from pathlib import Path

import pytest

from conftest import need
from place import publisher

DEPLOY = Path(__file__).parents[2] / "deploy"


def test_every_directive_of_the_unit_stands_under_a_reason() -> None:
    """A line without a comment in its paragraph is a line nobody dares to change."""
    for paragraph in (DEPLOY / "holdwater.service").read_text().split("\n\n"):
        assert paragraph.lstrip().startswith(("#", "[")), paragraph


def test_the_unit_starts_the_command_that_there_is() -> None:
    """`holdwater run --config`, notified readiness, watchdog, restart without limit."""
    unit = (DEPLOY / "holdwater.service").read_text()
    for line in ("Type=notify", "Restart=always", "StartLimitIntervalSec=0", "WatchdogSec=90"):
        assert line in unit
    assert re.search(r"^ExecStart=\S+/holdwater run --config \S+$", unit, re.M)


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd-analyze is missing")
def test_the_units_exposure_is_low() -> None:
    """At most 1.5 of 10 by systemd's own count."""
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--threshold=15", str(DEPLOY / "holdwater.service")],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-500:]


@pytest.mark.slow
def test_a_sensor_box_may_write_its_own_topics_only(make_broker, tmp_path: Path) -> None:
    """The shipped access list and limits on a real broker: what box a writes as box b never arrives, and box a stays connected."""
    need(shutil.which("mosquitto_passwd") is not None, "mosquitto_passwd is missing: sudo apt-get install -y mosquitto")
    shipped = (DEPLOY / "mosquitto" / "holdwater.conf").read_text()
    limits = dict(line.split() for line in shipped.splitlines() if line.startswith("max_"))
    passwords = tmp_path / "passwords"
    for n, name in enumerate(("holdwater", "a")):
        flags = ["-b", *(["-c"] if n == 0 else [])]
        subprocess.run(["mosquitto_passwd", *flags, str(passwords), name, "x"], check=True, capture_output=True)
    broker = make_broker(
        queue=int(limits["max_queued_messages"]),
        window=int(limits["max_inflight_messages"]),
        extra=(
            f"max_packet_size {limits['max_packet_size']}",
            "allow_anonymous false",
            f"password_file {passwords}",
            f"acl_file {DEPLOY / 'mosquitto' / 'holdwater.acl'}",
        ),
    )
    heard: list[str] = []
    service = publisher(broker.port, "service", username="holdwater", password="x")
    service.on_message = lambda _client, _data, message: heard.append(message.topic)
    service.subscribe("water/node/#", 1)
    time.sleep(0.3)
    box = publisher(broker.port, "box", username="a", password="x")
    lost: list[object] = []
    box.on_disconnect = lambda *found: lost.append(found[3])
    for topic in ("water/node/b/readings", "water/node/a/receipt", "water/do/seen", "water/node/a/readings"):
        box.publish(topic, "[]", qos=1).wait_for_publish(5)
    end = time.monotonic() + 5
    while not heard and time.monotonic() < end:
        time.sleep(0.05)
    time.sleep(0.3)
    assert heard == ["water/node/a/readings"]
    assert lost == []
