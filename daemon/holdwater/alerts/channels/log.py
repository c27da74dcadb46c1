"""The log: one line a message."""

from __future__ import annotations

import logging

from holdwater.alerts.outbox import Parcel
from holdwater.alerts.outcome import Accepted, Outcome

log = logging.getLogger("holdwater.notice")


class LogSender:
    """Writes one line; the text is plain ASCII without control characters already."""

    def send(self, parcel: Parcel) -> Outcome:
        """Write it."""
        log.warning("%s: %s", parcel.severity.value, parcel.short)
        return Accepted()
