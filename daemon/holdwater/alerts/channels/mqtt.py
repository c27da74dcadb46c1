"""The household's own broker: a retained message for each notice that is on; whoever comes later sees what is on."""

from __future__ import annotations

import json
from collections.abc import Callable

from holdwater.alerts.outbox import Parcel
from holdwater.alerts.outcome import Accepted, Outcome, Refused
from holdwater.alerts.states import State

Publish = Callable[[str, str, bool], bool]


class MqttSender:
    """Publishes the newest step of each notice on `water/notices/NUMBER`, retained while it is on.

    Its end is published without the retain flag, then the retained message is taken away (an empty one, MQTT 5.0, 3.3.1.3).

    Args:
        publish: topic, payload, retain -> whether the broker took it; waits no longer than the deadline.
        prefix: first part of every topic.
    """

    def __init__(self, publish: Publish, prefix: str = "water") -> None:
        self._publish = publish
        self._prefix = prefix

    def send(self, parcel: Parcel) -> Outcome:
        """Publish the newest step of each notice in the parcel; each has its own place."""
        for row in parcel.rows:
            topic, text = f"{self._prefix}/notices/{row['notice']}", json.dumps(row, separators=(",", ":"))
            over = row["state"] == State.CLEAR
            taken = self._publish(topic, text, not over) and (not over or self._publish(topic, "", True))
            if not taken:
                return Refused(False, "the broker did not take it")
        return Accepted()
