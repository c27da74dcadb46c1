"""Waiting that ends at once when the process is asked to end: by a signal, or because the service that started it is gone."""

from __future__ import annotations

import contextlib
import os
import select
import signal
from types import FrameType

SIGNALS = (signal.SIGTERM, signal.SIGINT)


class Leave:
    """Knows whether it is time to go.

    Args:
        lifeline: a pipe whose other end the parent holds; its end is our end. None for a process of its own.
    """

    def __init__(self, lifeline: int | None = None) -> None:
        self._lifeline = lifeline
        self._out, self._into = os.pipe()
        os.set_blocking(self._into, False)
        self._before = {each: signal.signal(each, self._asked) for each in SIGNALS}
        self.now = False

    def _asked(self, _signal: int, _frame: FrameType | None) -> None:
        self.now = True
        with contextlib.suppress(OSError):
            os.write(self._into, b"x")

    def wait(self, seconds: float) -> bool:
        """Wait so long, or until it is time to go; True then."""
        if not self.now:
            watched = [self._out] if self._lifeline is None else [self._out, self._lifeline]
            ready, _, _ = select.select(watched, [], [], max(0.0, seconds))
            self.now = self.now or bool(ready)
        return self.now

    def close(self) -> None:
        """Put the signals back as they were."""
        for each, handler in self._before.items():
            signal.signal(each, handler)
        os.close(self._out)
        os.close(self._into)
