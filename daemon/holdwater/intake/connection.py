"""The connection to the broker: durable session, QoS 1, acknowledged by the loop after its commit.

One thread turns paho's network loop by hand, so that it can be supervised by its iterations, and so that an error in a callback ends
one connection, not the service. The callbacks parse nothing: they put what came into the inbox. MQTT 5 is tried first; 3.1.1 only when
the broker refuses the version in so many words.
"""

from __future__ import annotations

import contextlib
import logging
import random
import ssl
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from holdwater.events import BrokerState, Event, Message
from holdwater.intake.turning import Owed, Turner

if TYPE_CHECKING:
    from paho.mqtt.client import ConnectFlags, DisconnectFlags, MQTTMessage
    from paho.mqtt.reasoncodes import ReasonCode

    from holdwater.config.site import BrokerSettings

log = logging.getLogger(__name__)

RECEIVE_MAXIMUM = 200
"""Unacknowledged messages we ask for on MQTT 5. Half of it forces a commit; the inbox holds ten times as many."""

ASSUMED_WINDOW = 20
"""What a 3.1.1 broker gives an unacknowledged consumer (Mosquitto's default)."""

MAXIMUM_PACKET = 32_768
SESSION_EXPIRY_S = 7 * 86_400
MOST_QUEUED = 2_000
"""Publications kept while offline; receipts are retained and made anew, so the oldest may go."""

CALM_S = 1.0
"""The burst after a reconnect is over when nothing came for this long; until then a message may have waited at the broker."""

FULL_S = 2.0
"""How long a connection goes on after the inbox was full, so that what was taken is committed and acknowledged on it. Closed at once, a
broker without a window would send the same first messages for ever."""

FIRST_WAIT_S = 1.0
LONGEST_WAIT_S = 60.0
LAST_WORDS_S = 1.0
"""How long a stop waits for the last words to be written: the lamp dark, the service off."""

TURN_S = 15.0
"""Longest turn of the network loop: how old `iterated_s` may be while all is well."""


@dataclass(frozen=True, slots=True)
class Outward:
    """What the connection needs of the outside: where events go (messages by the handful; how many found room), and both clocks."""

    put: Callable[[Event], bool]
    put_messages: Callable[[Sequence[Message]], int]
    wall_ms: Callable[[], int]
    mono_s: Callable[[], float]


class Connection:
    """Keeps one session with the broker alive until stopped."""

    def __init__(
        self, broker: BrokerSettings, subscriptions: Sequence[tuple[str, int]], outward: Outward, version: str = "auto"
    ) -> None:
        self._broker = broker
        self._subscriptions = list(subscriptions)
        self._out = outward
        self._v5 = version != "3.1.1"
        self._may_fall_back = version == "auto"
        self._stopping = threading.Event()
        self._turner: Turner | None = None
        self._thread: threading.Thread | None = None
        self.number = 0
        self.connected = False
        self.iterated_s = 0.0
        self._calm_since: float | None = None
        self._full_since: float | None = None
        self._words = ""
        self._quick_ends = 0
        self._fall_back = False
        self._came: list[Message] = []
        self._count = 0

    # -- for the service -----------------------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin connecting, in a thread of its own; returns at once, also when there is no broker yet."""
        self.iterated_s = time.monotonic()
        self._thread = threading.Thread(target=self._run, name="broker", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Disconnect and end the thread."""
        turner = self._turner
        if turner is not None and self.connected:
            # A clean end sends no will: without this word the retained "up" would stay. Its acknowledgement is waited for, because a
            # socket that is closed with something unread is reset, and the broker then throws away what it had not read itself.
            said = turner.client.publish(f"{self._broker.prefix}/state/service", b"off", qos=1, retain=True)
            end = time.monotonic() + LAST_WORDS_S
            with contextlib.suppress(RuntimeError, ValueError):
                while not said.is_published() and time.monotonic() < end:
                    self._stopping.wait(0.01)
        self._stopping.set()
        if turner is not None:
            turner.bell.ring()
        if self._thread is not None:
            self._thread.join(3.0)

    def restart(self) -> None:
        """Leave a thread that stands still behind, and begin with a new client."""
        self._turner = None
        self.start()

    @property
    def alive(self) -> bool:
        """True while the thread turns: by its iterations, not by what paho believes about the connection."""
        turning = self._thread is not None and self._thread.is_alive()
        return turning and time.monotonic() - self.iterated_s < LONGEST_WAIT_S + 3 * TURN_S

    @property
    def expires(self) -> bool:
        """Whether the broker forgets messages by itself."""
        return self._v5

    @property
    def window(self) -> int:
        """Messages the broker sends before it waits for an acknowledgement."""
        return RECEIVE_MAXIMUM if self._v5 else ASSUMED_WINDOW

    @property
    def words(self) -> str:
        """State of the connection in words."""
        return self._words

    def acks(self, owed: Iterable[Owed]) -> None:
        """Acknowledge messages that are on the card, in this order; one of an older connection is dropped, the broker sends it again."""
        turner = self._turner
        # Between two connections the number is still the old one: an ack kept for the new one could confirm another message.
        if turner is not None and self.connected:
            turner.acknowledge(owed)

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1, expiry_s: int | None = None) -> bool:
        """Publish, or queue while offline. Returns False when the queue is full (rc 4 at QoS 1 means queued, not refused).

        Args:
            topic: where to.
            payload: what.
            retain: whether the broker keeps it for whoever comes later.
            qos: 0 or 1.
            expiry_s: seconds after which the broker forgets it; only MQTT 5 can.
        """
        turner = self._turner
        if turner is None:
            return False
        properties = None
        if expiry_s is not None and self._v5:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.MessageExpiryInterval = expiry_s
        sent = turner.client.publish(topic, payload, qos=qos, retain=retain, properties=properties)
        return sent.rc in (mqtt.MQTT_ERR_SUCCESS, mqtt.MQTT_ERR_NO_CONN)

    def drop(self, why: str) -> None:
        """Close the connection on purpose: what was not acknowledged comes again."""
        log.warning("closing the broker connection: %s", why)
        if (turner := self._turner) is not None:
            turner.leave()

    # -- the thread ----------------------------------------------------------------------------------------------------------------

    def _run(self) -> None:
        wait = FIRST_WAIT_S
        me = threading.current_thread()
        while not self._stopping.is_set() and self._thread is me:
            began = time.monotonic()
            try:
                self._one_connection()
            except (OSError, ValueError) as error:
                self._say(up=False, words=self._reach_words(error))
            except Exception:
                log.exception("the network loop failed; connecting anew")
                self._say(up=False, words="the network loop failed; connecting anew")
            if self._stopping.is_set() or self._thread is not me:
                return  # another thread has taken over
            self.connected = False
            lasted = time.monotonic() - began
            wait = FIRST_WAIT_S if lasted > LONGEST_WAIT_S else min(wait * 2, LONGEST_WAIT_S)
            self._note_quick_end(lasted)
            if self._fall_back:
                self._fall_back, self._v5, self._turner, wait = False, False, None, FIRST_WAIT_S
                continue
            self.iterated_s = time.monotonic()
            self._stopping.wait(wait * random.uniform(0.5, 1.0))  # noqa: S311 -- jitter, no secret

    def _note_quick_end(self, lasted_s: float) -> None:
        """Two clients with one id throw each other out for ever: say so, since no reason code does on 3.1.1."""
        self._quick_ends = self._quick_ends + 1 if self.number and lasted_s < 10 else 0
        if self._quick_ends == 4:
            words = f"the broker ends the connection again and again: does another program use the client id {self._broker.client_id!r}?"
            self._say(up=False, words=words)

    def _one_connection(self) -> None:
        broker = self._broker
        if self._turner is None:
            turner = self._turner = Turner(self._make(), lambda: self._count, time.monotonic)
            extra: dict[str, Any] = {"clean_start": False, "properties": self._properties()} if self._v5 else {}
            turner.client.connect(broker.host, broker.port, keepalive=broker.keepalive_s, **extra)
        else:
            turner = self._turner
            turner.begin()
            turner.client.reconnect()
        turn = min(TURN_S, broker.keepalive_s / 2)
        while not self._stopping.is_set() and self._turner is turner:
            code = turner.write(self.number) or turner.turn(turn if self._full_since is None else FULL_S / 4)
            self._hand_over()
            if self._full_since is not None and time.monotonic() - self._full_since >= FULL_S:
                self._full_since = None
                self.drop("the inbox was full; what was not taken comes again")
            if self._turner is turner:
                self.iterated_s = time.monotonic()
            if code != mqtt.MQTT_ERR_SUCCESS:
                break
        if self._stopping.is_set():
            turner.part(self.number)

    def _make(self) -> mqtt.Client:
        broker = self._broker
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=broker.client_id,
            protocol=mqtt.MQTTv5 if self._v5 else mqtt.MQTTv311,
            clean_session=None if self._v5 else False,
            manual_ack=True,
        )
        client.max_queued_messages_set(MOST_QUEUED)
        if broker.username is not None:
            client.username_pw_set(broker.username, broker.password.reveal() if broker.password else None)
        if broker.tls is not None:
            tls = broker.tls
            client.tls_set(
                ca_certs=str(tls.ca_file) if tls.ca_file else None,
                certfile=str(tls.cert_file) if tls.cert_file else None,
                keyfile=str(tls.key_file) if tls.key_file else None,
                tls_version=ssl.PROTOCOL_TLS_CLIENT,
            )
        client.will_set(f"{broker.prefix}/state/service", b"lost", qos=1, retain=True)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        client.on_subscribe = self._on_subscribe
        return client

    def _properties(self) -> Properties:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = SESSION_EXPIRY_S
        properties.ReceiveMaximum = RECEIVE_MAXIMUM
        properties.MaximumPacketSize = MAXIMUM_PACKET
        return properties

    # -- callbacks: they put things into the inbox and never raise --------------------------------------------------------------------

    def _on_connect(
        self, client: mqtt.Client, _data: Any, flags: ConnectFlags, reason: ReasonCode, _properties: Any
    ) -> None:
        if reason.is_failure:
            self._refused(reason)
            return
        self.number += 1
        self.connected = True
        self._full_since = None
        self._calm_since = self._out.mono_s() if flags.session_present else None
        client.subscribe([(topic, qos) for topic, qos in self._subscriptions])
        client.publish(f"{self._broker.prefix}/state/service", b"up", qos=1, retain=True)
        self._say(
            up=True,
            words=f"connected to {self._broker.host}:{self._broker.port} by MQTT {'5' if self._v5 else '3.1.1'}",
        )

    def _refused(self, reason: ReasonCode) -> None:
        name = str(reason)
        if self._v5 and self._may_fall_back and "version" in name.lower():
            self._fall_back = True
            log.info("the broker refuses MQTT 5; trying 3.1.1")
            return
        user = f"user {self._broker.username!r}" if self._broker.username else "no user name"
        do = (
            "check broker.username and broker.password_file"
            if "auth" in name.lower() or "password" in name.lower()
            else "see the broker's log"
        )
        self._say(
            up=False, words=f"the broker at {self._broker.host}:{self._broker.port} refused us ({user}): {name}; {do}"
        )

    def _on_disconnect(
        self, client: mqtt.Client, _data: Any, _flags: DisconnectFlags, reason: ReasonCode, _properties: Any
    ) -> None:
        if self._left_behind(client):
            return
        was, self.connected = self.connected, False
        if was and not self._stopping.is_set():
            self._say(up=False, words=f"the connection to the broker ended: {reason}")

    def _on_subscribe(
        self, _client: mqtt.Client, _data: Any, _mid: int, reasons: list[ReasonCode], _properties: Any
    ) -> None:
        refused = [topic for (topic, _), reason in zip(self._subscriptions, reasons, strict=False) if reason.is_failure]
        if refused:
            self._say(
                up=False,
                words=f"the broker refused our subscription to {', '.join(refused)}; allow it in the broker's access list",
            )

    def _left_behind(self, client: mqtt.Client) -> bool:
        """Whether another client has taken over from this one."""
        return self._turner is None or client is not self._turner.client

    def _on_message(self, client: mqtt.Client, _data: Any, came: MQTTMessage) -> None:
        if self._left_behind(client):
            return
        self._count += 1
        try:
            self._take(came)
        except Exception:
            log.exception("a message could not be taken")
            self.drop("a message could not be taken; it comes again")  # without a new connection it never would

    def _take(self, came: MQTTMessage) -> None:
        if self._full_since is not None:
            return  # one was left out: those after it wait too, or their order would be lost
        now = self._out.mono_s()
        backlog = self._calm_since is not None and now - self._calm_since < CALM_S
        self._calm_since = now if backlog else None
        try:
            topic: str | bytes = came.topic
        except UnicodeDecodeError:
            topic = came._topic
        message = Message(
            topic=topic, payload=bytes(came.payload), at_ms=self._out.wall_ms(), mono_s=now, qos=came.qos, retain=came.retain,
            duplicate=came.dup, backlog=backlog and not came.retain, mid=came.mid, connection=self.number,
        )  # fmt: skip
        self._came.append(message)

    def _hand_over(self) -> None:
        """Put what came into the inbox, all at once."""
        if not self._came:
            return
        came, self._came = self._came, []
        try:
            if self._out.put_messages(came) < len(came) and self._full_since is None:
                self._full_since = time.monotonic()
        except Exception:
            log.exception("messages could not be put into the inbox")
            self.drop("messages could not be taken; they come again")

    def _say(self, *, up: bool, words: str) -> None:
        if words != self._words:
            (log.info if up else log.warning)("%s", words)
        self._words = words
        self._hand_over()  # what came before the change stays before it
        self._out.put(BrokerState(up, words))

    def _reach_words(self, error: Exception) -> str:
        where = f"{self._broker.host}:{self._broker.port}"
        if isinstance(error, ssl.SSLError):
            why = error.reason or error
            return f"TLS with the broker at {where} failed: {why}; check broker.tls and this board's clock; no plain connection is tried"
        why = getattr(error, "strerror", None) or str(error)
        return f"no broker at {where} ({why}); trying again; is it running, is broker.host right?"
