"""The node itself: takes samples into the ring, sends them, and lets go of what the daemon has stored.

Nothing here knows a board, a radio or a clock: they are handed in. `transport` has one method, ``publish(topic,
payload)``, which returns True when the message was taken for sending at QoS 1. A board calls `step` often, and
`on_message` for each message that arrives.
"""

from .pack import ABSOLUTE, SINCE_BOOT, body, senml
from .receipts import Patience, parse

WINDOW = 16  # packs under way at once: half of the daemon's smallest window, far below the 64 islands that it remembers


def new_run(urandom):
    """A number for this boot: 31 random bits, because a counter on a card that was wiped would repeat itself."""
    raw = urandom(4)
    return (raw[0] & 0x7F) << 24 | raw[1] << 16 | raw[2] << 8 | raw[3] or 1


class Node:
    """One sensor node.

    Args:
        name: its name on the topics.
        ring: a `ring.Ring`.
        transport: see above.
        run: number of this boot, from `new_run`.
        mono_ms: gives milliseconds since boot, never going back.
        fraction: gives a random number from 0 up to 1.
        wall_ms: gives milliseconds since 1970 UTC, or None while the clock is not set; leave out if there is no clock.
        prefix: first part of all topics.
        patience: a `receipts.Patience`; None makes the usual one.
    """

    def __init__(self, name, ring, transport, *, run, mono_ms, fraction, wall_ms=None, prefix="water", patience=None):
        self.name = name
        self.ring = ring
        self.run = run
        self._transport = transport
        self._mono_ms = mono_ms
        self._wall_ms = wall_ms
        self._patience = patience or Patience(fraction)
        self._topic = prefix + "/node/" + name
        self._seq = 0
        self._next = ring.oldest  # number of the next entry to send
        self._again_ms = None  # when to send the unanswered ones again
        self._ahead = []  # islands of the daemon, as numbers of entries (first, last)
        self.store = None  # name of the store that gave the last receipt

    @property
    def receipt_topic(self):
        """Topic to subscribe to."""
        return self._topic + "/receipt"

    def sample(self, readings):
        """Put readings taken just now into the ring: a list of (quantity, unit, value)."""
        wall = self._wall_ms() if self._wall_ms else None
        kind, at_ms = (SINCE_BOOT, self._mono_ms()) if wall is None else (ABSOLUTE, wall)
        self._seq += 1
        self.ring.append(self.run, self._seq, kind, at_ms, body(readings))

    def step(self):
        """Send what is due. Call it after each sample and every few seconds. Returns how many packs went out."""
        now = self._mono_ms()
        if self._again_ms is not None and now >= self._again_ms:
            self._next, self._again_ms = self.ring.oldest, None
        self._skip()
        self._next = max(self._next, self.ring.oldest)
        sent = 0
        while self._next < min(self.ring.head, self.ring.oldest + WINDOW):
            if not self._send(self._next, now):
                break
            self._next += 1
            sent += 1
        if self._next > self.ring.oldest and self._again_ms is None:
            self._again_ms = now + self._patience.wait_ms()
        return sent

    def connected(self):
        """Call after each new connection: unanswered packs go out again after a random wait."""
        self._again_ms = self._mono_ms() + self._patience.spread_ms()

    def on_message(self, topic, payload):
        """Take a message; anything but a receipt for this node is left alone."""
        receipt = parse(payload) if topic == self.receipt_topic else None
        if receipt is None:
            return
        if self.store is not None and receipt.store != self.store:
            # Another store: what the old one had may be gone with it, so all that is still in a slot goes again.
            self._ahead = []
            self.ring.undo()
            self._next = self.ring.oldest
        self.store = receipt.store
        self._trim(receipt)

    def _trim(self, receipt):
        upto = self.ring.number_of(receipt.run, receipt.upto)
        if upto is None:
            return
        before = self.ring.oldest
        if self.ring.number_of(receipt.run, 1) <= before:  # nothing of an earlier run waits below
            self._ahead = [self._numbers(receipt.run, island) for island in receipt.ahead]
            self.ring.done_to(upto + 1)
        if self.ring.oldest > before:
            self._patience.good()
            self._again_ms = None

    def _numbers(self, run, island):
        return (self.ring.number_of(run, island[0]), self.ring.number_of(run, island[1]))

    def _skip(self):
        """Give up what is at the front and cannot be sent; `keep` tells the daemon, who counts it as lost."""
        number = self.ring.oldest
        while number < self.ring.head and self._sendable(number) is None:
            number += 1
        self.ring.done_to(number)

    def _sendable(self, number):
        """The entry; None when it is damaged, or of an earlier boot without a clock, so that nobody knows its age."""
        entry = self.ring.read(number)
        if entry is not None and entry.kind == SINCE_BOOT and entry.run != self.run:
            return None
        return entry

    def _send(self, number, now):
        """Send one entry; True when it needs no sending or was taken."""
        entry = self._sendable(number)
        if entry is None or any(first <= number <= last for first, last in self._ahead):
            return True
        base_ms = entry.at_ms if entry.kind == ABSOLUTE else entry.at_ms - now
        keep = max(1, entry.seq - (number - self.ring.oldest))
        payload = senml(self.name, base_ms, entry, keep)
        return self._transport.publish(self._topic + "/readings", payload)
