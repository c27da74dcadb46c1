"""Faults of the system's calls, put into a running process by strace: an error, a kill, a delay at the n-th call from now on."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import time
from pathlib import Path

from conftest import need


class Tracer:
    """Injects a fault into a process that runs already.

    Args:
        pid: the process; all its threads are traced.
        inject: strace's words: ``fdatasync:error=EIO:when=1+``, ``sendto:signal=KILL:when=3``, ``fdatasync:delay_exit=300000``.
        folder: for strace's own messages.
    """

    def __init__(self, pid: int, inject: str, folder: Path) -> None:
        need(shutil.which("strace") is not None, "strace is missing: sudo apt-get install -y strace")
        need(os.geteuid() == 0, "only root may trace a process that runs already")
        self._log = folder / f"strace-{time.monotonic_ns()}"
        call = inject.partition(":")[0]
        command = [
            "strace",
            "-f",
            "-qq",
            "-o",
            str(self._log),
            "-e",
            f"trace={call}",
            "-e",
            f"inject={inject}",
            "-p",
            str(pid),
        ]
        self._process = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
        )
        self._wait_until_attached(pid)

    def _wait_until_attached(self, pid: int) -> None:
        end = time.monotonic() + 10
        while time.monotonic() < end:
            if _all_traced(pid):
                return
            if self._process.poll() is not None:
                assert self._process.stderr is not None
                need(False, f"strace cannot trace here: {self._process.stderr.read().decode()}")
            time.sleep(0.01)
        raise AssertionError("strace did not attach in 10 s")

    @property
    def hits(self) -> int:
        """Calls that got the fault so far."""
        return self._log.read_text(errors="replace").count("(INJECTED)") if self._log.exists() else 0

    def end(self) -> None:
        """Let go of the process: from now on its calls work."""
        if self._process.poll() is None:
            self._process.send_signal(signal.SIGTERM)
            self._process.wait(10)


def _all_traced(pid: int) -> bool:
    """Also true for a process that met its fault already and is gone."""
    try:
        states = [each.read_text() for each in Path(f"/proc/{pid}/task").glob("*/status")]
    except OSError:
        return False
    return any("State:\tZ" in each for each in states) or all("TracerPid:\t0\n" not in each for each in states)
