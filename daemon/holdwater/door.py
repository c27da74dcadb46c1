"""The one door: a bounded inbox, and the way in for page and command line."""

from __future__ import annotations

import threading
import time
from collections import deque
from concurrent.futures import Future
from concurrent.futures import TimeoutError as FutureTimeout
from typing import Any, Protocol

from holdwater.errors import BusyError
from holdwater.events import Event, Message, Request

INBOX_MESSAGES = 2048
"""Most messages that may wait. At least twice the broker's window (Receive Maximum 200), so that a window never fills it."""

INBOX_OTHERS = 512
"""Most other events that may wait: requests, deliveries, states. Beyond it an asker is told to try again."""


GATHER_S = 0.04
"""How long messages that come quickly are gathered, so that the loop turns once for a handful, not once for each."""

GATHER_MESSAGES = 16
"""So many are a handful: a broker with the usual window of 20 sends them without waiting for an acknowledgement."""

CALM_S = 1.0
"""A sender that paused twice while its messages were gathered may wait for us: nothing is gathered for this long."""


class Door(Protocol):
    """How page, command line and MQTT wishes reach the loop."""

    def ask(self, what: str, body: dict[str, Any], timeout_s: float = 5.0) -> dict[str, Any]:
        """Post a wish and wait until it is committed.

        Args:
            what: kind of wish: seen, quiet, note, accept, ….
            body: its figures.
            timeout_s: longest wait.

        Returns:
            The loop's answer; ``{"error": …}`` when the wish could not be carried out.

        Raises:
            BusyError: the loop did not answer in time; the wish may still be carried out.
        """
        ...


class Inbox:
    """Bounded queue of events. Putting never blocks and never raises; taking waits on a condition."""

    def __init__(self, messages: int = INBOX_MESSAGES, others: int = INBOX_OTHERS) -> None:
        self._max_messages = messages
        self._max_others = others
        self._events: deque[Event] = deque()
        self._messages = 0
        self._ready = threading.Condition()
        self._gathering, self._in_vain = False, 0
        self._came_s = self._calm_until_s = -1e9

    def put(self, event: Event) -> bool:
        """Add an event.

        Returns:
            False when the inbox is full: the caller closes the connection or tells the asker.
        """
        with self._ready:
            if isinstance(event, Message):
                if self._messages >= self._max_messages:
                    return False
                self._messages += 1
            elif len(self._events) - self._messages >= self._max_others:
                return False
            self._events.append(event)
            if not (self._gathering and isinstance(event, Message) and self._messages < GATHER_MESSAGES):
                self._ready.notify()
        return True

    def take(self, most: int, timeout_s: float) -> list[Event]:
        """Up to `most` events in order of arrival; waits at most `timeout_s` for the first, a little more where they come quickly."""
        with self._ready:
            if not self._events and timeout_s > 0:
                self._ready.wait(timeout_s)
            if most and 0 < self._messages < GATHER_MESSAGES and self._messages == len(self._events):
                self._gather(min(GATHER_S, timeout_s))
            taken = [self._events.popleft() for _ in range(min(most, len(self._events)))]
            self._messages -= sum(isinstance(event, Message) for event in taken)
        return taken

    def _gather(self, wait_s: float) -> None:
        """Wait for more of a quick sender; anything but a message, or a handful of them, ends it."""
        now_s = time.monotonic()
        quick, self._came_s = now_s - self._came_s < GATHER_S, now_s
        if not quick or now_s < self._calm_until_s or wait_s < GATHER_S / 2:
            return
        before = self._messages
        self._gathering = True
        self._ready.wait(wait_s)
        self._gathering = False
        self._came_s = time.monotonic()
        self._in_vain = self._in_vain + 1 if self._messages == before else 0
        if self._in_vain > 1:
            self._calm_until_s, self._in_vain = self._came_s + CALM_S, 0

    def wake(self) -> None:
        """End a wait of `take` without an event: something else is due."""
        with self._ready:
            self._ready.notify()

    def __len__(self) -> int:
        return len(self._events)


class LoopDoor:
    """The door of a running loop: posts into its inbox, waits for the answer."""

    def __init__(self, inbox: Inbox) -> None:
        self._inbox = inbox

    def ask(self, what: str, body: dict[str, Any], timeout_s: float = 5.0) -> dict[str, Any]:
        """See `Door.ask`."""
        answer: Future[dict[str, Any]] = Future()
        if not self._inbox.put(Request(what, body, answer)):
            raise BusyError("the service has more to do than it can take", do="try again in a minute")
        try:
            return answer.result(timeout_s)
        except FutureTimeout:
            raise BusyError(
                f"no answer within {timeout_s:g} s",
                where=what,
                do="look at it again in a minute: it may have been done",
            ) from None
