"""The workers that send: one thread a channel, so that one hanging peer delays nobody else. They never touch the store."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from queue import SimpleQueue
from threading import Thread
from typing import Protocol

from holdwater.alerts.outbox import Parcel
from holdwater.alerts.outcome import Outcome, Refused

log = logging.getLogger(__name__)
DEADLINE_S = 30.0  # one send, from resolving the name to the last byte of the answer


class Sender(Protocol):
    """One channel: sends a parcel and says what became of it, within the deadline."""

    def send(self, parcel: Parcel) -> Outcome:
        """Send it; never raises for what the world does."""


Report = Callable[[str, Outcome], None]


class Delivery:
    """Hands parcels to the workers.

    Args:
        senders: one a channel, by name.
        report: called from the worker's thread with the parcel's key and what became of it; the service turns it
            into an event of the loop.
    """

    def __init__(self, senders: Mapping[str, Sender], report: Report) -> None:
        self._report = report
        self._queues: dict[str, SimpleQueue[Parcel | None]] = {name: SimpleQueue() for name in senders}
        self._threads = [
            Thread(target=self._work, args=(sender, self._queues[name]), name=f"deliver-{name}", daemon=True)
            for name, sender in senders.items()
        ]

    def start(self) -> None:
        """Start the workers."""
        for thread in self._threads:
            thread.start()

    def post(self, parcel: Parcel) -> None:
        """Hand over a parcel; returns at once. A parcel for a channel that is not there is refused for good."""
        queue = self._queues.get(parcel.channel)
        if queue is None:
            self._report(parcel.key, Refused(True, f"there is no channel {parcel.channel}"))
        else:
            queue.put(parcel)

    def stop(self, timeout_s: float = 1.0) -> None:
        """Tell the workers to end and wait a moment; what is under way is reported or is sent again after the start."""
        for queue in self._queues.values():
            queue.put(None)
        for thread in self._threads:
            if thread.is_alive():
                thread.join(timeout_s / max(1, len(self._threads)))

    def _work(self, sender: Sender, queue: SimpleQueue[Parcel | None]) -> None:
        while (parcel := queue.get()) is not None:
            try:
                outcome = sender.send(parcel)
            except Exception:
                log.exception("channel %s: a fault of our own while sending", parcel.channel)
                outcome = Refused(False, "a fault in holdwater itself; see the log")
            self._report(parcel.key, outcome)
