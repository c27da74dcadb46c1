"""Child processes that are measured from outside: processor time, wake-ups, memory; and a publisher that keeps a pace."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from bench.season import SAMPLE
from holdwater.demo.child import end_child

TESTS = Path(__file__).parents[1]
PATHS = os.pathsep.join(str(each) for each in (TESTS, TESTS.parent / "daemon", TESTS.parent / "sensors"))
"""Where a child looks first: the tree that this bench stands in, wherever another one is installed."""
TICK_S = 1 / os.sysconf("SC_CLK_TCK")


@dataclass(slots=True)
class Child:
    """A program under measurement."""

    name: str
    command: list[str]
    log: Path
    environment: dict[str, str] = field(default_factory=dict)
    process: subprocess.Popen[bytes] | None = None
    began_s: float = 0.0

    def start(self) -> Child:
        """Start it, without waiting."""
        environment = {**os.environ, "PYTHONPATH": PATHS, **self.environment}
        with self.log.open("wb") as log:
            self.began_s = time.monotonic()
            self.process = subprocess.Popen(self.command, stdout=log, stderr=log, env=environment)
        return self

    def wait_for(self, words: str, timeout_s: float = 30.0) -> float:
        """Wait until its log says something; seconds since its start."""
        until = time.monotonic() + timeout_s
        while words not in self.said:
            if time.monotonic() > until or self._process.poll() is not None:
                raise RuntimeError(f"{self.name} did not say {words!r}; its log:\n{self.said}")
            time.sleep(0.005)
        return time.monotonic() - self.began_s

    @property
    def said(self) -> str:
        """Its log so far."""
        return self.log.read_text(encoding="utf-8", errors="replace") if self.log.exists() else ""

    @property
    def _process(self) -> subprocess.Popen[bytes]:
        assert self.process is not None
        return self.process

    def cpu_s(self) -> float:
        """Processor time of all its threads, s: from the scheduler (nanoseconds) where the kernel tells, else from ticks."""
        found = 0
        for task in Path(f"/proc/{self._process.pid}/task").iterdir():
            with contextlib.suppress(OSError, ValueError):
                found += int((task / "schedstat").read_text().split()[0])
        return found / 1e9 if found else self._ticks_s()

    def _ticks_s(self) -> float:
        fields = Path(f"/proc/{self._process.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) * TICK_S

    def wakeups(self) -> int:
        """How often its threads have gone to sleep by themselves, that is, have been woken."""
        found = 0
        for task in Path(f"/proc/{self._process.pid}/task").iterdir():
            with contextlib.suppress(OSError):
                found += _status(task / "status", "voluntary_ctxt_switches")
        return found

    def rss_mib(self) -> float:
        """Resident memory, MiB."""
        return _status(Path(f"/proc/{self._process.pid}/status"), "VmRSS") / 1024

    def freeze(self) -> None:
        """Stop it where it stands."""
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it go on."""
        self._process.send_signal(signal.SIGCONT)

    def kill(self) -> None:
        """End it as a power cut would."""
        self._process.kill()
        self._process.wait()

    def end(self) -> None:
        """End it."""
        if self.process is not None:
            with contextlib.suppress(ProcessLookupError):
                self.thaw()
            end_child(self.process)


def _status(path: Path, name: str) -> int:
    for line in path.read_text().splitlines():
        if line.startswith(f"{name}:"):
            return int(line.split()[1])
    raise RuntimeError(f"{path} has no {name}")


def naive(folder: Path, port: int) -> Child:
    """The naive script as a child."""
    return Child(
        "naive", [sys.executable, "-m", "bench.naive", str(port), str(folder / "naive.db")], folder / "naive.log"
    )


def floor(folder: Path, port: int, *, drop: bool = False) -> Child:
    """The floor as a child."""
    command = [sys.executable, "-m", "bench.floor", str(port), str(folder / "floor.db"), *(["drop"] if drop else [])]
    return Child("floor", command, folder / "floor.log")


def ours(
    folder: Path,
    port: int,
    *,
    listen: str = "off",
    commit_every: str = "60 s",
    store: Path | None = None,
    more: Callable[[str], str] = str,
) -> Child:
    """`holdwater run` for the invented household as a child; `more` may change its config."""
    config = folder / "site.toml"
    config.write_text(more(site_text(store or folder / "store", port, listen, commit_every)), encoding="utf-8")
    command = [sys.executable, "-m", "holdwater", "run", "--config", str(config), "--trust-clock"]
    return Child("holdwater", command, folder / "holdwater.log")


def site_text(store: Path, port: int = 1883, listen: str = "off", commit_every: str = "60 s") -> str:
    """The sample config of the invented household, with its store, broker and page here; its webhook is left out."""
    text = SAMPLE.read_text(encoding="utf-8").partition("[channel.phone]")[0]
    changes = {
        'folder = "/var/lib/holdwater"': f'folder = "{store}"',
        'commit_every = "60 s"': f'commit_every = "{commit_every}"',
        'listen = "127.0.0.1:8080"': f'listen = "{listen}"',
        "port = 1883": f"port = {port}",
    }
    for before, after in changes.items():
        if before not in text:
            raise RuntimeError(f"{SAMPLE.name} no longer says {before}")
        text = text.replace(before, after)
    return text


class Publisher:
    """Publishes at QoS 1, at a pace."""

    def __init__(self, port: int) -> None:
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="bench-publisher")
        self._client.max_inflight_messages_set(1000)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def send(self, messages: Iterable[tuple[str, str]], per_second: float | None = None) -> int:
        """Publish all of them and wait until the broker has the last; how many."""
        begin, count = time.monotonic(), 0
        last: Any = None
        for topic, payload in messages:
            if per_second is not None:
                time.sleep(max(0.0, begin + count / per_second - time.monotonic()))
            last = self._client.publish(topic, payload, qos=1)
            count += 1
        if last is not None:
            last.wait_for_publish(60)
        return count

    def end(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()


def wait_until(reached: Callable[[], bool], what: str, timeout_s: float = 120.0, every_s: float = 0.02) -> None:
    """Wait for something that a child does."""
    until = time.monotonic() + timeout_s
    while not reached():
        if time.monotonic() > until:
            raise RuntimeError(f"not within {timeout_s:g} s: {what}")
        time.sleep(every_s)
