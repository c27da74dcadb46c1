"""The mirror's process, as the service sees it: started, looked at with each tick, ended. Nothing of the mirror is loaded here."""

from __future__ import annotations

import logging
import os
import sys
from typing import TYPE_CHECKING, Any

from holdwater.config.apart import packed
from holdwater.logs import as_arguments

if TYPE_CHECKING:
    from subprocess import Popen

    from holdwater.config.site import Site

log = logging.getLogger(__name__)

FIRST_WAIT_S, LONGEST_WAIT_S = 10.0, 600.0
WELL_S = 600.0
"""A process that lived so long was well: the wait before the next start is short again."""

END_S = 2.0


class MirrorChild:
    """One process, started anew when it ends; longer waits while it keeps ending.

    Args:
        site: handed over through memory that only the two share; the token goes with it.
    """

    def __init__(self, site: Site) -> None:
        self._site = site
        self._process: Popen[bytes] | None = None
        self._started_s = 0.0
        self._due_s: float | None = None
        self._wait_s = FIRST_WAIT_S

    def start(self, now_s: float) -> None:
        """Start it; a machine that cannot is tried again later.

        Args:
            now_s: monotonic time, s.
        """
        import subprocess  # noqa: PLC0415 -- a service without a mirror does not carry it

        self._due_s, self._started_s = None, now_s
        try:
            memory = os.memfd_create("holdwater-site")
            with os.fdopen(memory, "wb", closefd=False) as file:
                file.write(packed(self._site))
            command = [sys.executable, "-m", "holdwater.mirror", str(memory), *as_arguments()]
            self._process = subprocess.Popen(  # noqa: S603 -- the command is ours
                command, stdin=subprocess.PIPE, pass_fds=(memory,), start_new_session=True
            )
            os.close(memory)
        except OSError as error:
            log.warning("the mirror cannot be started: %s", error.strerror or error)
            self._again(now_s)

    def look(self, now_s: float) -> None:
        """Start it anew if it ended and the wait is over."""
        if self._process is not None and (code := self._process.poll()) is not None:
            how = f"by signal {-code}" if code < 0 else f"with exit code {code}"
            self._close()
            if now_s - self._started_s >= WELL_S:
                self._wait_s = FIRST_WAIT_S
            log.warning("the mirror's process ended %s; started anew in %.0f s", how, self._wait_s)
            self._again(now_s)
        elif self._due_s is not None and now_s >= self._due_s:
            self.start(now_s)

    def stop(self) -> None:
        """End it; what it was about to send is sent after the next start."""
        process = self._process
        if process is None:
            return
        process.terminate()
        try:
            process.wait(END_S)
        except Exception:  # noqa: BLE001 -- subprocess.TimeoutExpired, without importing it for those who have no mirror
            process.kill()
            process.wait()
        self._close()

    @property
    def pid(self) -> int | None:
        """Its process, while it runs."""
        return None if self._process is None else self._process.pid

    def status(self) -> dict[str, Any]:
        """How it stands, for whoever asks the service."""
        from holdwater.mirror.standing import standing  # noqa: PLC0415

        found = standing(self._site.store.folder)
        return {"running": self._process is not None, **found.plain()}

    def _again(self, now_s: float) -> None:
        self._due_s = now_s + self._wait_s
        self._wait_s = min(self._wait_s * 2, LONGEST_WAIT_S)

    def _close(self) -> None:
        if self._process is not None and self._process.stdin is not None:
            self._process.stdin.close()
        self._process = None
