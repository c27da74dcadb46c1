"""Child processes that end with their parent, and loopback ports for them."""

from __future__ import annotations

import contextlib
import ctypes
import signal
import socket
import subprocess
import time
from collections.abc import Sequence
from pathlib import Path
from typing import IO

LOOPBACK = "127.0.0.1"
_PR_SET_PDEATHSIG = 1  # linux/prctl.h


def free_port() -> int:
    """A TCP port of the loopback address that nothing listens on just now."""
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        return int(probe.getsockname()[1])


def port_taken(port: int) -> bool:
    """Whether something answers on that port of the loopback address."""
    with contextlib.closing(socket.socket()) as probe:
        probe.settimeout(1.0)
        return probe.connect_ex((LOOPBACK, port)) == 0


def start_child(command: Sequence[str], log: Path | None = None, out: int | None = None) -> subprocess.Popen[bytes]:
    """Start a program that is ended by the kernel when this process ends, however it ends.

    Args:
        command: program and arguments.
        log: file that its output is added to; None drops it.
        out: where its standard output goes instead, such as `subprocess.PIPE`; its errors are then ours.
    """
    libc = ctypes.CDLL(None)

    def die_with_parent() -> None:
        libc.prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)

    with contextlib.ExitStack() as stack:
        target: IO[bytes] | int = subprocess.DEVNULL if log is None else stack.enter_context(log.open("ab"))
        return subprocess.Popen(  # noqa: S603 - the command is ours
            list(command),
            stdin=subprocess.DEVNULL,
            stdout=target if out is None else out,
            stderr=target if out is None else None,
            preexec_fn=die_with_parent,  # noqa: PLW1509 - prctl only, no lock is taken
            start_new_session=True,  # Ctrl-C goes to the parent, which ends its children in order
        )


def end_child(process: subprocess.Popen[bytes], wait_s: float = 5.0) -> int:
    """End a child: SIGTERM, then SIGKILL after `wait_s`. Returns its exit code; harmless when it has ended."""
    if process.poll() is None:
        process.terminate()
        try:
            process.wait(wait_s)
        except subprocess.TimeoutExpired:
            process.kill()
    return process.wait()


def wait_for_port(port: int, process: subprocess.Popen[bytes], wait_s: float = 5.0) -> bool:
    """Wait until the child listens on the port. False when it ended first or the time is over."""
    until = time.monotonic() + wait_s
    while time.monotonic() < until:
        if port_taken(port):
            return process.poll() is None
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(0.01)
            return False
    return False
