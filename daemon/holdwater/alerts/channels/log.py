"""The log: one line a notice, also where several go out together."""

from __future__ import annotations

import logging

from holdwater.alerts.outbox import Parcel
from holdwater.alerts.outcome import Accepted, Outcome

log = logging.getLogger("holdwater.notice")


class LogSender:
    """Writes a line for each notice; the texts are plain ASCII without control characters already."""

    def send(self, parcel: Parcel) -> Outcome:
        """Write it."""
        for row in parcel.rows:
            log.warning("%s: %s", row["severity"], row["short"])
        return Accepted()
