"""A look at the broker from outside the session: can it be reached, does it let anybody in, are readings retained?"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

if TYPE_CHECKING:
    from holdwater.config.site import BrokerSettings

PATIENCE_S = 3.0
LISTEN_S = 0.5
MOST = 20


@dataclass(frozen=True, slots=True)
class Found:
    """What a probe found: reached with our login, anonymous login taken, topics of retained readings."""

    reached: bool
    words: str
    anonymous: bool = False
    retained: tuple[str, ...] = ()


def probe(broker: BrokerSettings) -> Found:
    """Connect with our login, listen for retained readings, then try without a login. Changes nothing at the broker."""
    retained: list[str] = []
    ours = _Visit(broker, login=True)
    words = ours.connect()
    if words:
        return Found(False, words)
    ours.listen(f"{broker.prefix}/node/+/readings", retained)
    ours.leave()
    stranger = _Visit(broker, login=False)
    anonymous = broker.username is None or not stranger.connect()
    stranger.leave()
    return Found(True, f"{broker.host}:{broker.port} answers", anonymous, tuple(retained[:MOST]))


class _Visit:
    """One short clean session."""

    def __init__(self, broker: BrokerSettings, *, login: bool) -> None:
        self._broker = broker
        self._answered = threading.Event()
        self._words = "no answer"
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="", clean_session=True)
        if login and broker.username is not None:
            self._client.username_pw_set(broker.username, broker.password.reveal() if broker.password else None)
        if broker.tls is not None:
            self._client.tls_set(ca_certs=str(broker.tls.ca_file) if broker.tls.ca_file else None)
        self._client.on_connect = self._on_connect

    def connect(self) -> str:
        """Connect; empty, or why not."""
        try:
            self._client.connect(self._broker.host, self._broker.port, keepalive=10)
        except OSError as error:
            return f"{self._broker.host}:{self._broker.port} cannot be reached: {error}"
        self._client.loop_start()
        self._answered.wait(PATIENCE_S)
        return self._words

    def listen(self, topic: str, retained: list[str]) -> None:
        """Collect topics of retained messages for a moment."""
        self._client.on_message = lambda _client, _data, came: retained.append(came.topic) if came.retain else None
        self._client.subscribe(topic)
        threading.Event().wait(LISTEN_S)

    def leave(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(self, _client: Any, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        self._words = f"refused: {reason}" if reason.is_failure else ""
        self._answered.set()
