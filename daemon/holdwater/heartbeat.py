"""A sign of life to an address outside, which calls somebody when it stays away: silence is noticed where we cannot speak."""

from __future__ import annotations

import logging
import random
import threading
from collections.abc import Callable
from pathlib import Path
from queue import SimpleQueue
from typing import TYPE_CHECKING

from holdwater.alerts.outcome import Accepted, Outcome, Refused

if TYPE_CHECKING:
    from holdwater.config.outwards import HeartbeatSettings

log = logging.getLogger(__name__)

DEADLINE_S = 30.0
AGAIN_S = 60.0
"""After a failure it is tried again so soon at first, then ever more rarely, but never more rarely than its usual pace."""

Send = Callable[[], Outcome]


def sender_of(settings: HeartbeatSettings, deadline_s: float = DEADLINE_S) -> Send:
    """What sends one sign of life; secrets are read from their files."""
    # urllib3 weighs 3 MiB, for those who have a heartbeat or a webhook only
    from holdwater.alerts.channels.http import Peer, exchange  # noqa: PLC0415
    from holdwater.alerts.channels.webhook import outcome_of  # noqa: PLC0415

    url = settings.url if settings.url_file is None else Path(settings.url_file).read_text("utf-8").strip()
    peer = Peer(url or "", settings.allow, settings.ca_file, deadline_s)

    def send() -> Outcome:
        found = exchange(peer, settings.method, b"" if settings.method == "POST" else None, {})
        return outcome_of(found) if isinstance(found, int) else found

    return send


class Heartbeat:
    """Sends a sign of life at each `every_s`, from a thread of its own; asked by the loop, so a loop that hangs gives none.

    Args:
        every_s: time between two signs, s.
        send: sends one within its deadline and says what became of it.
        fraction: a random number in [0, 1), for the wait after a failure.
    """

    def __init__(self, every_s: float, send: Send, fraction: Callable[[], float] = random.random) -> None:
        self._every_s = every_s
        self._send = send
        self._fraction = fraction
        self._due_s = -1e9
        self._tries = 0
        self._way: SimpleQueue[bool] = SimpleQueue()
        self._back: SimpleQueue[Outcome] = SimpleQueue()
        self._away = False
        self._thread = threading.Thread(target=self._work, name="heartbeat", daemon=True)
        self.words = ""

    def start(self) -> None:
        """Start its thread."""
        self._thread.start()

    def stop(self) -> None:
        """End its thread; what is under way ends by itself."""
        self._way.put(False)

    def tick(self, mono_s: float) -> None:
        """Take in what came back and send what is due; returns at once."""
        while not self._back.empty():
            self._settle(self._back.get(), mono_s)
        if not self._away and mono_s >= self._due_s:
            self._away = True
            self._way.put(True)

    def _settle(self, outcome: Outcome, mono_s: float) -> None:
        self._away = False
        words = "" if isinstance(outcome, Accepted) else outcome.words
        if words and not self.words:
            log.warning("the sign of life does not get out: %s", words)
        elif self.words and not words:
            log.info("the sign of life gets out again")
        self.words = words
        self._tries = self._tries + 1 if words else 0
        if words:
            ceiling_s = min(self._every_s, AGAIN_S * 2.0 ** min(self._tries - 1, 20))
            self._due_s = mono_s + ceiling_s * (0.5 + self._fraction() / 2)
        else:
            self._due_s = mono_s + self._every_s

    def _work(self) -> None:
        while self._way.get():
            try:
                outcome = self._send()
            except Exception:
                log.exception("a fault of our own while sending the sign of life")
                outcome = Refused(False, "a fault in holdwater itself; see the log")
            self._back.put(outcome)
