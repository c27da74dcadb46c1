"""Talking to the service manager: ready, still alive, stopping (sd_notify(3)). Does nothing where there is none."""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Mapping


class Supervisor:
    """Sends states to the socket named in NOTIFY_SOCKET.

    Args:
        environ: the process environment.
    """

    def __init__(self, environ: Mapping[str, str] | None = None) -> None:
        environ = os.environ if environ is None else environ
        self._address = environ.get("NOTIFY_SOCKET", "")
        period_us = environ.get("WATCHDOG_USEC", "")
        self.watchdog_s = int(period_us) / 1e6 if period_us.isdigit() else None

    def say(self, state: str) -> None:
        """Send a state such as ``READY=1`` or ``WATCHDOG=1``; a manager that is gone is no reason to fail."""
        if not self._address:
            return
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
            out.connect(address)
            out.sendall(state.encode())
