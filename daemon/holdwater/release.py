"""When to commit. Pure: the loop tells what happened and when, this answers how long it may wait.

A commit costs the card about four kilobytes whatever is in it, so readings are gathered; but a broker stops sending when its window of
unacknowledged messages is full, and the acknowledgement waits for the commit.
"""

from __future__ import annotations

FOLLOWED_S = 1.0
"""A release followed by more within this time may have been what the broker was waiting for."""

DOUBT_WAIT_S = 0.15
"""How long an empty inbox with owed acknowledgements is watched before we believe that the broker is waiting; longer than the intake
lets messages gather (0.1 s), or each handful would end in a commit."""

SURE_WAIT_S = 0.002
"""The same once it has happened three times running with the same number owed: then that number is the broker's window."""


class Release:
    """Decides on the next commit.

    Args:
        every_s: longest time a reading waits for its commit, s.
        window: unacknowledged messages the broker sends (20 assumed on MQTT 3.1.1).
    """

    def __init__(self, every_s: float, window: int) -> None:
        self.every_s = every_s
        self.window = window
        self._first_s: float | None = None
        self._last_came_s = 0.0
        self._released_s = -1e9
        self._followed = False
        self._alike = 0
        self._released = 0

    @property
    def limit(self) -> int:
        """Owed acknowledgements that force a commit: most of a small window, half of a large one."""
        return max(1, self.window * 4 // 5 if self.window <= 20 else self.window // 2)

    def came(self, now_s: float) -> None:
        """Something that waits for a commit arrived."""
        if self._first_s is None:
            self._first_s = now_s
        self._followed = self._followed or now_s - self._released_s < FOLLOWED_S
        self._last_came_s = now_s

    def wait_s(self, now_s: float, owed: int, *, urgent: bool) -> float | None:
        """Seconds until the commit is due: 0 for now, None while there is nothing to commit."""
        if self._first_s is None:
            return 0.0 if urgent else None
        if urgent or owed >= self.limit:
            return 0.0
        wait = self._first_s + self.every_s - now_s
        if owed and self._followed:
            watch = SURE_WAIT_S if self._alike >= 3 and owed == self._released else DOUBT_WAIT_S
            wait = min(wait, self._last_came_s + watch - now_s)
        return max(0.0, wait)

    def released(self, now_s: float, owed: int) -> None:
        """A commit was made and `owed` acknowledgements went out."""
        waited = self._first_s is not None and owed < self.limit and now_s - self._first_s < self.every_s
        self._alike = self._alike + 1 if waited and owed and owed == self._released else 0
        self._released = owed
        self._released_s = now_s
        self._first_s = None
        self._followed = False
