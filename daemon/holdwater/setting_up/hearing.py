"""Listening at the broker for what sensor boxes send: a visit of its own, beside the service, that changes nothing there."""

from __future__ import annotations

import queue
import threading
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from holdwater.errors import OutsideError
from holdwater.events import Message
from holdwater.intake.decode import Decoder, Pack
from holdwater_sensors.errors import PayloadError

if TYPE_CHECKING:
    from holdwater.config.site import Site

PATIENCE_S = 5.0


@dataclass(frozen=True, slots=True)
class Heard:
    """One pack of a box, when it came, and what is wrong with it if it cannot be read."""

    node: str
    at_s: float
    pack: Pack | None
    wrong: str = ""


class Ear:
    """A connection that hears the readings of one site's boxes, oldest first; a context manager."""

    def __init__(self, site: Site) -> None:
        self._broker = site.broker
        self._decoder = Decoder(site.broker.prefix, site.routes)
        self._topics = [
            topic
            for topic, _ in self._decoder.subscriptions()
            if not topic.endswith("/#") and not topic.endswith("/presence")
        ]
        self._heard: queue.SimpleQueue[Heard] = queue.SimpleQueue()
        self._ready = threading.Event()
        self._words = "no answer"
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="", clean_session=True)

    def __enter__(self) -> Self:
        """Connect and subscribe.

        Raises:
            OutsideError: the broker cannot be reached or refuses us.
        """
        broker, client = self._broker, self._client
        if broker.username is not None:
            client.username_pw_set(broker.username, broker.password.reveal() if broker.password else None)
        if broker.tls is not None:
            client.tls_set(ca_certs=str(broker.tls.ca_file) if broker.tls.ca_file else None)
        client.on_connect = self._on_connect
        client.on_subscribe = lambda *_: self._ready.set()
        client.on_message = self._on_message
        where = f"broker {broker.host}:{broker.port}"
        try:
            client.connect(broker.host, broker.port, keepalive=30)
        except (OSError, ValueError) as error:
            raise OutsideError(f"cannot be reached: {error}", where=where, do="see that the broker runs") from None
        client.loop_start()
        if not self._ready.wait(PATIENCE_S) or self._words:
            self.__exit__()
            raise OutsideError(self._words, where=where, do="check our name and password at the broker")
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def next(self, wait_s: float) -> Heard | None:
        """The next pack, waiting for it; None when nothing came in that time."""
        try:
            return self._heard.get(timeout=max(0.0, wait_s))
        except queue.Empty:
            return None

    def _on_connect(self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._words = f"refused: {reason}"
            self._ready.set()
            return
        self._words = ""
        client.subscribe([(topic, 1) for topic in self._topics])

    def _on_message(self, _client: mqtt.Client, _data: Any, came: mqtt.MQTTMessage) -> None:
        if came.retain:
            return  # the broker's memory, not a sign of life
        at_s = time.monotonic()
        message = Message(came.topic, bytes(came.payload), time.time_ns() // 1_000_000, at_s)
        try:
            found = self._decoder.decode(message)
        except PayloadError as error:
            self._heard.put(
                Heard(came.topic.rsplit("/", 2)[-2] if "/" in came.topic else came.topic, at_s, None, str(error))
            )
            return
        if isinstance(found, Pack):
            self._heard.put(Heard(found.node, at_s, found))
