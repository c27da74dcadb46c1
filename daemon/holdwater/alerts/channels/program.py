"""A command of the household's own, without a shell: text on its standard input. A modem, a radio, a bell."""

from __future__ import annotations

import os
import signal
import subprocess
from contextlib import suppress

from holdwater.alerts.outbox import Parcel
from holdwater.alerts.outcome import Accepted, Outcome, Refused, Unclear


class ProgramSender:
    """Runs the command once a message: the short text on standard input, the key and severity in its environment.

    Args:
        command: program by its whole path, and its arguments.
        deadline_s: it and all it started are ended after so long, s.
    """

    def __init__(self, command: tuple[str, ...], deadline_s: float) -> None:
        self._command = command
        self._deadline_s = deadline_s

    def send(self, parcel: Parcel) -> Outcome:
        """Run it; exit code 0 is taken, anything else is tried again."""
        environ = {**os.environ, "HOLDWATER_KEY": parcel.key, "HOLDWATER_SEVERITY": parcel.severity.value}
        try:
            process = subprocess.Popen(  # noqa: S603  the command is the owner's own, from the config
                self._command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
                env=environ, start_new_session=True,
            )  # fmt: skip
        except OSError as error:
            return Refused(False, f"{self._command[0]}: {error.strerror or 'cannot be started'}")
        try:
            process.communicate(f"{parcel.short}\n".encode("ascii", "replace"), self._deadline_s)
        except subprocess.TimeoutExpired:
            with suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()
            return Unclear(f"{self._command[0]} was not done after {self._deadline_s:.0f} s and was ended")
        except BrokenPipeError:
            process.wait()
        code = process.returncode
        return Accepted() if code == 0 else Refused(False, f"{self._command[0]} ended with exit code {code}")
