"""What the daemon has stored, and when to send again what it has not said it stored.

A receipt is a retained message ``{"store": …, "run": …, "upto": …, "ahead": [[first, last], …]}``: every pack of the
run up to `upto` is stored or given up, and the islands `ahead` are stored too.
"""

import json


class Receipt:
    """A receipt as sent by the daemon."""

    def __init__(self, store, run, upto, ahead):
        self.store = store
        self.run = run
        self.upto = upto
        self.ahead = ahead  # list of (first, last)

    def has(self, seq):
        """True when the pack of that number is stored."""
        return seq <= self.upto or any(first <= seq <= last for first, last in self.ahead)


def parse(payload):
    """The receipt in a payload, or None when it is not one: a node has nobody to complain to."""
    try:
        found = json.loads(payload)
        ahead = [(int(first), int(last)) for first, last in found["ahead"]]
        return Receipt(str(found["store"]), int(found["run"]), int(found["upto"]), ahead)
    except (ValueError, KeyError, TypeError):
        return None


class Patience:
    """How long to wait for a receipt: a fixed time, then back-off with full jitter, so that nodes do not all send at
    once.

    The wait after the n-th fruitless try is `patience_ms` + a random part of min(`most_ms`, `patience_ms` · 2^n).
    The fixed part must be longer than the daemon's `commit_every`, or each pack would be sent twice for nothing.

    Args:
        fraction: gives a random number from 0 up to 1.
        patience_ms: wait that a healthy daemon never needs.
        most_ms: longest random part.
    """

    def __init__(self, fraction, patience_ms=90000, most_ms=3600000):
        self._fraction = fraction
        self._patience_ms = patience_ms
        self._most_ms = most_ms
        self.tries = 0

    def good(self):
        """Something was stored: begin again with the short wait."""
        self.tries = 0

    def wait_ms(self):
        """The next wait; each call counts as a try."""
        reach = min(self._most_ms, self._patience_ms << min(self.tries, 20))
        self.tries += 1
        return self._patience_ms + int(self._fraction() * reach)

    def spread_ms(self):
        """A random wait after a new connection."""
        return int(self._fraction() * self._patience_ms)
