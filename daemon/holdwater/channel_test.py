"""A test message through a channel, and what became of it: for `holdwater notice test` and for the first hour."""

from __future__ import annotations

import json
import time
from collections.abc import Collection
from typing import TYPE_CHECKING, Any

from paho.mqtt import MQTTException
from paho.mqtt import publish as once

from holdwater.alerts.channels import senders
from holdwater.alerts.matter import Severity
from holdwater.alerts.outbox import Parcel
from holdwater.alerts.outcome import Accepted
from holdwater.alerts.telling import plain
from holdwater.config.channels import with_defaults

if TYPE_CHECKING:
    from holdwater.config.site import Site

SHORT = "TEST from holdwater: nothing is wrong. If you read this, this way of reaching you works."


def attempt(site: Site, names: Collection[str] = ()) -> dict[str, str]:
    """Send a test message through channels of a site.

    Args:
        site: the site.
        names: which; none for all.

    Returns:
        By name, empty when the other side took it, else why it did not.
    """
    known = with_defaults(site.channels)
    wanted = {name: channel for name, channel in known.items() if name in names or not names}
    said: dict[str, str] = {}
    why: list[str] = []
    for name, sender in senders(wanted, _publisher(site, why), prefix=site.broker.prefix).items():
        outcome = sender.send(message(name, site))
        said[name] = "" if isinstance(outcome, Accepted) else " ".join([outcome.words, *why])
        why.clear()
    return said


def message(channel: str, site: Site) -> Parcel:
    """The message itself."""
    at_ms = time.time_ns() // 1_000_000
    key = f"test-{at_ms}-{channel}"
    row = {
        "site": plain(site.name),
        "notice": "test",
        "step": 1,
        "phase": "test",
        "kind": "test",
        "severity": "know",
        "state": "clear",
        "at_ms": at_ms,
    }
    body = {**row, "short": SHORT, "long": SHORT, "key": key}
    return Parcel(key, channel, (key,), (), Severity.KNOW, SHORT, SHORT, json.dumps(body), (body,))


def _publisher(site: Site, why: list[str]) -> Any:
    """Publishes on the site's broker by a connection of its own; adds to `why` what the broker said."""

    def publish(topic: str, text: str, retain: bool) -> bool:
        broker = site.broker
        auth: Any = None
        if broker.username is not None:
            auth = {"username": broker.username, "password": broker.password.reveal() if broker.password else ""}
        tls: Any = {"ca_certs": str(broker.tls.ca_file) if broker.tls.ca_file else None} if broker.tls else None
        try:
            once.single(
                topic,
                text,
                qos=1,
                retain=retain,
                hostname=broker.host,
                port=broker.port,
                client_id="",
                keepalive=10,
                auth=auth,
                tls=tls,
            )
        except (OSError, ValueError, MQTTException) as error:
            why.append(f"(broker: {error})")
            return False
        return True

    return publish
