"""The one door: a bounded inbox, and the way in for page and command line."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Sequence
from concurrent.futures import Future
from concurrent.futures import TimeoutError as FutureTimeout
from typing import Any, Protocol

from holdwater.errors import BusyError
from holdwater.events import Event, Message, Request

INBOX_MESSAGES = 2048
"""Most messages that may wait. At least twice the broker's window (Receive Maximum 200), so that a window never fills it."""

INBOX_OTHERS = 512
"""Most other events that may wait: requests, deliveries, states. Beyond it an asker is told to try again."""


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
            self._ready.notify()
        return True

    def put_messages(self, messages: Sequence[Message]) -> int:
        """Add messages that came together, waking the taker once.

        Returns:
            How many found room; the first ones.
        """
        with self._ready:
            room = messages[: max(0, self._max_messages - self._messages)]
            self._events.extend(room)
            self._messages += len(room)
            self._ready.notify()
        return len(room)

    def take(self, most: int, timeout_s: float) -> list[Event]:
        """Up to `most` events in order of arrival; waits at most `timeout_s` for the first."""
        with self._ready:
            if not self._events and timeout_s > 0:
                self._ready.wait(timeout_s)
            taken = [self._events.popleft() for _ in range(min(most, len(self._events)))]
            self._messages -= sum(isinstance(event, Message) for event in taken)
        return taken

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
