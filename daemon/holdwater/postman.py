"""The outbox at work: keeps the open rows in memory, hands due parcels to the channels' workers, settles what came of them."""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING

from holdwater.alerts.channels import senders
from holdwater.alerts.delivery import Delivery
from holdwater.alerts.facts import Moment as AlertMoment
from holdwater.alerts.outbox import Outbox, OutboxRow
from holdwater.alerts.outcome import Outcome
from holdwater.alerts.states import State
from holdwater.config.channels import with_defaults
from holdwater.events import Delivered

if TYPE_CHECKING:
    from holdwater.alerts.rows import Change
    from holdwater.config.channels import Channel
    from holdwater.config.site import Site
    from holdwater.reception import Moment

Sent = list[tuple[str, str, int, int]]

TOLD = (
    "SELECT DISTINCT o.notice, o.channel FROM outbox o JOIN notice n ON n.id = o.notice "
    "WHERE o.state IN ('sent', 'joined') AND n.state <> 'clear'"
)
"""Notices that are on and the channels that took something of them; asked only where a second channel is configured."""


def _moment(now: Moment) -> AlertMoment:
    return AlertMoment(now.wall_ms, now.mono_s, now.trusted)


def _settled(rows: Iterable[OutboxRow]) -> Sent:
    return [(row.key, row.state, row.tries, row.due) for row in rows]


class Postman:
    """Sends notices through the site's channels.

    Args:
        site: channels and time zone.
        connection: the store, for the rows that were open at the start.
        publish: publishes on the broker, for the channel of that kind.
        report: takes what became of a sending as an event; called from a worker's thread.
    """

    sends = True

    def __init__(
        self,
        site: Site,
        connection: sqlite3.Connection,
        publish: Callable[[str, str, bool], bool],
        report: Callable[[Delivered], object],
    ) -> None:
        channels: Mapping[str, Channel] = with_defaults(site.channels)
        rows = [
            OutboxRow(*row)
            for row in connection.execute("SELECT * FROM outbox WHERE state = 'waiting' ORDER BY due, key")
        ]
        seconds = any(config.after_s for config in channels.values())
        told = connection.execute(TOLD).fetchall() if seconds else ()
        self._outbox = Outbox(channels, rows, site.timezone, told)

        def settle(key: str, outcome: Outcome) -> None:
            report(Delivered(key, outcome))

        self._delivery = Delivery(senders(channels, publish, prefix=site.broker.prefix), settle)

    def start(self) -> None:
        """Start the workers."""
        self._delivery.start()

    def stop(self) -> None:
        """End the workers; what is under way is sent again after the next start."""
        self._delivery.stop()

    def committed(self, changes: Iterable[Change]) -> None:
        """Take in the outbox rows of committed changes."""
        for change in changes:
            self._outbox.add(change.outbox)
            notice = change.notice
            if notice.state == State.CLEAR or notice.seen is not None or notice.quiet_left > 0:
                self._outbox.spare(notice.id)

    def delivered(self, event: Delivered, now: Moment) -> Sent:
        """Settle a sending."""
        return _settled(self._outbox.report(event.key, event.outcome, _moment(now), random.random()))  # noqa: S311 -- jitter, no secret

    def send_due(self, now: Moment) -> Sent:
        """Hand due parcels to the workers."""
        for parcel in self._outbox.ready(_moment(now)):
            self._delivery.post(parcel)
        return _settled(self._outbox.orphans())

    def next_due_s(self, now: Moment) -> float | None:
        """Seconds until the next parcel is due."""
        due = self._outbox.next_due_s(_moment(now))
        return None if due is None else max(0.0, due - now.mono_s)

    def failing(self, now: Moment) -> tuple[tuple[str, float, str], ...]:
        """Channels that are failing: name, seconds, why."""
        return self._outbox.failing(_moment(now))


class NoPost:
    """A post that sends nothing: for replay, where what is told stays in the store."""

    sends = False

    def committed(self, changes: Iterable[Change]) -> None:
        """Nothing goes out."""

    def delivered(self, event: Delivered, now: Moment) -> Sent:  # noqa: ARG002
        """Nothing was sent."""
        return []

    def send_due(self, now: Moment) -> Sent:  # noqa: ARG002
        """Nothing is due."""
        return []

    def next_due_s(self, now: Moment) -> float | None:  # noqa: ARG002
        """Never."""
        return None

    def failing(self, now: Moment) -> tuple[tuple[str, float, str], ...]:  # noqa: ARG002
        """None: nothing is sent."""
        return ()
