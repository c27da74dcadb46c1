"""A publisher that knows what the broker took from it, and a look at what the store has of it."""

from __future__ import annotations

import time
from pathlib import Path

from holdwater.store.reader import open_reader
from place import payload, publisher

HOUR_MS = 3_600_000


class Sender:
    """Publishes numbered readings at QoS 1 and waits for the broker's word on each.

    Args:
        port: of the broker.
        name: client id.
        step_ms: reading time from one to the next.
        back_ms: how long before now the first one is.
    """

    def __init__(self, port: int, name: str = "sender", step_ms: int = 1, back_ms: int = 0) -> None:
        self._client = publisher(port, name)
        self._first_ms = round(time.time() * 1000) - back_ms
        self._step_ms = step_ms
        self.sent = 0

    def send(self, count: int) -> None:
        """Publish so many more; on return the broker has them all."""
        infos = []
        for number in range(self.sent, self.sent + count):
            at_s = (self._first_ms + number * self._step_ms) / 1000
            infos.append(
                self._client.publish(
                    "water/node/a/readings", payload(("pressure", "Pa", 100.0 + number), t_s=at_s), qos=1
                )
            )
        for info in infos:
            info.wait_for_publish(10)
            assert info.is_published()
        self.sent += count

    def expected(self) -> set[tuple[int, float]]:
        """What the store must hold in the end."""
        return {(self._first_ms + n * self._step_ms, 100.0 + n) for n in range(self.sent)}

    def found(self, folder: Path, most_s: float = 20.0) -> list[tuple[int, float]]:
        """What the store holds, once it holds as many as were sent or the time is over."""
        end = time.monotonic() + most_s
        while True:
            with open_reader(folder) as reader:
                rows = [(row.ts_ms, row.value) for row in reader.readings("a:pressure", 0, self._first_ms * 2)]
            if len(rows) >= self.sent or time.monotonic() > end:
                return rows
            time.sleep(0.1)

    def close(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()
