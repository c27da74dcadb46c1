"""A real MQTT broker for the demo: mosquitto if it is found, else iotcore.

Both listen on the loopback address only and end with this process. The iotcore one is for the demo only: MQTT 3.1.1,
and nothing survives its end. A damaged packet would stop its MQTT 5 listener, so that one stays shut.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

from holdwater.demo.child import LOOPBACK, end_child, free_port, port_taken, start_child, wait_for_port
from holdwater.errors import BusyError, OutsideError

INSTALL = "sudo apt-get install -y mosquitto   (or: pip install 'holdwater[demo]')"


@dataclass(slots=True)
class DemoBroker:
    """A broker that runs: `name` is mosquitto or iotcore, `host` and `port` where it listens."""

    name: str
    host: str
    port: int
    process: subprocess.Popen[bytes]

    def stop(self) -> None:
        """End it; harmless when it has ended."""
        end_child(self.process)


def find_mosquitto() -> str | None:
    """Path of the mosquitto program; Debian keeps it in /usr/sbin, which an ordinary user's PATH lacks."""
    return shutil.which("mosquitto", path=os.environ.get("PATH", os.defpath) + ":/usr/sbin")


def mosquitto_config(port: int, folder: Path) -> str:
    """The demo's mosquitto.conf: loopback, anybody of this machine, durable sessions kept in `folder`."""
    lines = [
        f"listener {port} {LOOPBACK}",
        "allow_anonymous true",
        "persistence true",
        f"persistence_location {folder}/",
        "autosave_interval 1",
        "autosave_on_changes true",
        "max_queued_messages 0",
        "max_queued_bytes 0",
    ]
    if os.geteuid() == 0:
        lines.append("user root")  # else it drops to user mosquitto, who may not write the folder
    return "\n".join(lines) + "\n"


def iotcore_command(port: int) -> list[str]:
    """The command that serves MQTT 3.1.1 on the loopback address; its log would take each packet for an error."""
    options = ["--port", str(port), "--listen", LOOPBACK, "--log-level", "CRITICAL"]
    return [sys.executable, "-P", "-m", "iotcore", *options]


def start_broker(folder: Path, port: int | None = None) -> DemoBroker:
    """Start a broker and wait until it listens.

    Args:
        folder: where it keeps its config, log and sessions; made if missing.
        port: TCP port of the loopback address; None takes a free one.

    Raises:
        BusyError: the port is in use.
        OutsideError: there is no broker to start, or it does not start.
    """
    folder.mkdir(parents=True, exist_ok=True)
    if port is not None and port_taken(port):
        raise BusyError(f"port {port} is in use", do="name another with --broker-port")
    port = port or free_port()
    program = find_mosquitto()
    if program is not None:
        config = folder / "mosquitto.conf"
        config.write_text(mosquitto_config(port, folder), encoding="utf-8")
        name, command = "mosquitto", [program, "-c", str(config)]
    elif find_spec("iotcore") is not None:
        name, command = "iotcore", iotcore_command(port)
    else:
        raise OutsideError("no MQTT broker on this machine", expected="mosquitto or iotcore", do=INSTALL)
    log = folder / "broker.log"
    process = start_child(command, log)
    if not wait_for_port(port, process):
        end_child(process)
        raise OutsideError(f"{name} does not listen on {LOOPBACK}:{port}", where=str(log), do=f"read the end of {log}")
    return DemoBroker(name, LOOPBACK, port, process)
