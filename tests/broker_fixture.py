"""Real brokers for tests: a Mosquitto child process on a free loopback port, and an iotcore one.

A test asks for `broker` (anonymous), `iotcore_broker`, or `make_broker(...)` for one with a password or a window.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
from dataclasses import dataclass, field
from pathlib import Path

from holdwater.demo.broker import iotcore_command
from holdwater.demo.child import LOOPBACK, end_child, free_port, start_child, wait_for_port

SEARCH = os.environ.get("PATH", os.defpath) + ":/usr/sbin"


def program(name: str) -> str | None:
    """Path of a program of the broker's packages, also where an ordinary user's PATH does not look."""
    return shutil.which(name, path=SEARCH)


@dataclass(frozen=True, slots=True)
class BrokerPlan:
    """How a test's Mosquitto is set up.

    Attributes:
        username: name that must log in; empty lets anybody in.
        password: its password.
        window: messages at QoS 1 that may wait for an acknowledgement, per client; 0 is no limit.
        queue: messages kept for a client that is away; 0 is no limit.
        persistent: sessions and retained messages survive a clean stop.
        extra: further lines of mosquitto.conf.
    """

    username: str = ""
    password: str = ""
    window: int = 20
    queue: int = 0
    persistent: bool = True
    extra: tuple[str, ...] = ()


@dataclass(slots=True)
class TestBroker:
    """A broker of a test; `start` after `stop` or `kill` opens the same port again."""

    __test__ = False
    folder: Path
    plan: BrokerPlan = field(default_factory=BrokerPlan)
    kind: str = "mosquitto"
    host: str = LOOPBACK
    port: int = 0
    process: subprocess.Popen[bytes] | None = None

    @property
    def log(self) -> str:
        """What the broker said so far."""
        path = self.folder / "broker.log"
        return path.read_text(encoding="utf-8", errors="replace") if path.exists() else ""

    def start(self) -> TestBroker:
        """Start it and wait until it listens; a first start takes another port when one was snatched away."""
        tries = 1 if self.port else 5
        for _ in range(tries):
            port = self.port or free_port()
            process = start_child(self._command(port), self.folder / "broker.log")
            if wait_for_port(port, process):
                self.port, self.process = port, process
                return self
            end_child(process)
        raise RuntimeError(f"{self.kind} does not start; its log:\n{self.log}")

    def stop(self) -> int | None:
        """End it cleanly (SIGTERM); sessions are kept if the plan says so. Returns its exit code."""
        process, self.process = self.process, None
        return None if process is None else end_child(process)

    def kill(self) -> None:
        """End it as a power cut would: SIGKILL."""
        if self.process is not None:
            self.process.send_signal(signal.SIGKILL)
            self.process.wait()
            self.process = None

    def _command(self, port: int) -> list[str]:
        if self.kind == "iotcore":
            return iotcore_command(port)
        config = self.folder / "mosquitto.conf"
        config.write_text("\n".join(self._lines(port)) + "\n", encoding="utf-8")
        return [str(program("mosquitto")), "-c", str(config)]

    def _lines(self, port: int) -> list[str]:
        plan = self.plan
        lines = [
            f"listener {port} {LOOPBACK}",
            f"allow_anonymous {'false' if plan.username else 'true'}",
            f"max_inflight_messages {plan.window}",
            f"max_queued_messages {plan.queue}",
            "max_queued_bytes 0",
            "log_dest stdout",
        ]
        if plan.persistent:
            lines += [
                "persistence true",
                f"persistence_location {self.folder}/",
                "autosave_interval 1",
                "autosave_on_changes true",
            ]
        if plan.username:
            lines.append(f"password_file {self._password_file()}")
        if os.geteuid() == 0:
            lines.append("user root")
        return [*lines, *plan.extra]

    def _password_file(self) -> Path:
        path = self.folder / "passwords"
        command = [str(program("mosquitto_passwd")), "-b", "-c", str(path), self.plan.username, self.plan.password]
        subprocess.run(command, check=True, capture_output=True)
        path.chmod(0o644)
        return path
