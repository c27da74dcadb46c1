"""JSON by HTTP POST, with a key by which a copy is known and a signature where there is a secret."""

from __future__ import annotations

import hashlib
import hmac
from dataclasses import dataclass
from typing import Any

from holdwater.alerts.channels.address import Resolve, resolve
from holdwater.alerts.channels.http import Peer, exchange
from holdwater.alerts.outbox import Parcel
from holdwater.alerts.outcome import Accepted, Outcome, Refused
from holdwater.config.channels import WebhookChannel

# The message itself is not wanted: no retry will help. Everything else may be mended on the other side.
FINAL = frozenset({400, 410, 413, 415, 422})


def signature(secret: str, key: str, body: bytes) -> str:
    """HMAC-SHA256 (RFC 2104) of key, a full stop and the body, in hex: the key is signed too, so that no copy passes as new."""
    return hmac.new(secret.encode(), key.encode() + b"." + body, hashlib.sha256).hexdigest()


@dataclass(frozen=True, slots=True)
class WebhookSender:
    """Posts to one address.

    Attributes:
        url: http or https.
        secret: key of the signature; empty for none.
        allow: loopback or private addresses it may connect to.
        ca_file: certificate authority of the other side; None for the system's.
        deadline_s: longest time for one send, s.
        resolver: from a name to addresses.
    """

    url: str
    secret: str = ""
    allow: tuple[str, ...] = ()
    ca_file: str | None = None
    deadline_s: float = 30.0
    resolver: Resolve = resolve

    @classmethod
    def of(cls, config: WebhookChannel, read: Any, deadline_s: float) -> WebhookSender:
        """From the config; secrets are read from their files."""
        url = config.url if config.url_file is None else read(config.url_file)
        secret = config.secret if config.secret_file is None else read(config.secret_file)
        return cls(url or "", secret or "", config.allow, config.ca_file, deadline_s)

    def send(self, parcel: Parcel) -> Outcome:
        """Post it."""
        body = parcel.body.encode()
        headers = {"Content-Type": "application/json", "Idempotency-Key": parcel.key}
        if self.secret:
            headers["Holdwater-Signature"] = f"sha256={signature(self.secret, parcel.key, body)}"
        peer = Peer(self.url, self.allow, self.ca_file, self.deadline_s, self.resolver)
        found = exchange(peer, "POST", body, headers)
        return outcome_of(found) if isinstance(found, int) else found


def outcome_of(status: int) -> Outcome:
    """What an answer means for the message."""
    if 200 <= status < 300:
        return Accepted()
    if 300 <= status < 400:
        return Refused(
            False, f"it answered {status}, a redirect, which is not followed: put the final address in the config"
        )
    return Refused(status in FINAL, f"it answered {status}")
