"""A small real site for tests: its config text, its payloads, its service as a child process."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from holdwater.config.site import Site
from holdwater.recording import Line, at_text
from holdwater.sitefile import site_of

START_MS = 1_790_000_000_000  # 2026-09-21T14:13:20Z
MINUTE_MS = 60_000
HOUR_MS = 3_600_000
FACE_M = 2.0

TEXT = """
[site]
name = "Test place"
timezone = "America/Denver"

[tank.main]
use = "drinking"
shape = {{ kind = "upright cylinder", diameter = "42 in", height = "66 in" }}
outlet = "3 in"
overflow = "62 in"
reserve = "90 gal"

[tank.shed]
use = "garden"
shape = {{ kind = "box", length = "48 in", width = "36 in", height = "44 in" }}
overflow = "40 in"

[sensor.main-level]
tank = "main"
kind = "pressure"
series = "a:pressure"
height = "0 in"

[sensor.shed-level]
tank = "shed"
kind = "ultrasonic"
series = "b:gap"
height = "2 m"
compensated = true

[weather]
air = "a:air"

[store]
folder = "{folder}"
commit_every = "{commit_every}"

[page]
listen = "{listen}"

[broker]
port = {port}
"""

PAIR_TEXT = """
[tank.pair]
use = "washing"
overflow = "38 in"
[[tank.pair.vessel]]
name = "near"
shape = { kind = "box", length = "45 in", width = "37 in", height = "40 in" }
[[tank.pair.vessel]]
name = "far"
shape = { kind = "box", length = "45 in", width = "37 in", height = "40 in" }
[[tank.pair.link]]
between = ["near", "far"]
height = "2 in"
"""
"""Two joined vessels, to be added to a config's text."""


def text_of(folder: Path, *, port: int = 1883, listen: str = "off", commit_every: str = "1 s", more: str = "") -> str:
    """The config text of the test site."""
    return TEXT.format(folder=folder, port=port, listen=listen, commit_every=commit_every) + more


def make_site(folder: Path, **settings: Any) -> Site:
    """The test site."""
    return site_of(text_of(folder, **settings), "test.toml", {})


def payload(*records: tuple[str, str, float], t_s: float | None = None, **labels: int) -> str:
    """A SenML pack: records as (name, unit, value), one time for all."""
    pack: list[dict[str, Any]] = [{"n": name, "u": unit, "v": value} for name, unit, value in records]
    if t_s is not None:
        pack[0]["bt"] = t_s
    pack[0] |= labels
    return json.dumps(pack)


def pressure(depth_m: float) -> float:
    """Gauge pressure of so much water near 15 degC, Pa."""
    return round(999.1 * 9.80665 * depth_m, 1)


def reading(at_ms: int, depth_m: float, *, node: str = "a", air_c: float | None = 15.0, **labels: int) -> Line:
    """One message of a node with a level (pressure for a, gap for b) and the air temperature."""
    from holdwater.events import Message

    level = ("pressure", "Pa", pressure(depth_m)) if node == "a" else ("gap", "m", round(FACE_M - depth_m, 4))
    records = [level] if air_c is None else [level, ("air", "Cel", air_c)]
    text = payload(*records, t_s=at_ms / 1000, **labels)
    return Line(at_ms, Message(f"water/node/{node}/readings", text.encode(), at_ms, at_ms / 1000))


def line_text(line: Line) -> str:
    """A message line as a recording holds it."""
    message: Any = line.event
    return json.dumps({"at": at_text(line.at_ms), "topic": message.topic, "payload": message.payload.decode()})


@dataclass
class Daemon:
    """`holdwater run` as a child process, with its log in a file."""

    folder: Path
    text: str
    arguments: tuple[str, ...] = ()
    environment: dict[str, str] = field(default_factory=dict)
    process: subprocess.Popen[bytes] | None = None

    @property
    def log_path(self) -> Path:
        """Where the log goes."""
        return self.folder / "run.log"

    @property
    def log(self) -> str:
        """The log so far."""
        return self.log_path.read_text() if self.log_path.exists() else ""

    @property
    def config(self) -> Path:
        """The config file."""
        path = self.folder / "site.toml"
        path.write_text(self.text)
        return path

    def start(self) -> Daemon:
        """Start it, without waiting."""
        command = [sys.executable, "-m", "holdwater", "run", "--config", str(self.config), *self.arguments]
        with self.log_path.open("ab") as log:
            self.process = subprocess.Popen(command, stdout=log, stderr=log, env={**os.environ, **self.environment})
        return self

    def wait_for(self, words: str, timeout_s: float = 20.0) -> str:
        """Wait until the log says something; returns the log."""
        import time

        end = time.monotonic() + timeout_s
        while time.monotonic() < end:
            if words in self.log:
                return self.log
            assert self.process is not None
            if self.process.poll() is not None and words not in self.log:
                raise AssertionError(
                    f"the daemon ended with {self.process.returncode} before it said {words!r}:\n{self.log}"
                )
            time.sleep(0.02)
        raise AssertionError(f"the daemon did not say {words!r} in {timeout_s} s:\n{self.log}")

    def stop(self, timeout_s: float = 10.0) -> int:
        """End it by SIGTERM; its exit code."""
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(timeout_s)

    def kill(self) -> None:
        """End it as a power cut would."""
        assert self.process is not None
        self.process.kill()
        self.process.wait()

    def end(self) -> None:
        """Make sure that it is gone."""
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait()


def run_command(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """`holdwater …` as a user would call it."""
    return subprocess.run(
        [sys.executable, "-m", "holdwater", *arguments],
        capture_output=True,
        text=True,
        env={**os.environ, **environment},
        timeout=120,
        check=False,
    )


def publisher(port: int, name: str = "publisher", **login: str) -> mqtt.Client:
    """A connected client that publishes."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name)
    if login:
        client.username_pw_set(login["username"], login["password"])
    answered = threading.Event()
    said: list[str] = []

    def on_connect(_client: object, _data: object, _flags: object, reason: object, _properties: object) -> None:
        said.append(str(reason))
        answered.set()

    client.on_connect = on_connect
    client.connect("127.0.0.1", port)
    client.loop_start()
    assert answered.wait(5), "the broker did not answer"
    assert said == ["Success"]
    return client
