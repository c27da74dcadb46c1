"""The least that the chosen parts allow: paho receives; rows are kept by the hundred, acknowledged after the commit, or dropped.

`python -m bench.floor PORT FILE [drop]`. No checks, no units, no rules: a bound, not a rival.
"""

from __future__ import annotations

import json
import sqlite3
import sys
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

BATCH = 16


class Sink:
    """Keeps what comes, a batch a commit."""

    def __init__(self, port: int, path: str, *, drop: bool) -> None:
        self._database = sqlite3.connect(path, isolation_level=None)
        self._database.execute("PRAGMA journal_mode = WAL")
        self._database.execute("PRAGMA synchronous = FULL")
        self._database.execute(
            "CREATE TABLE IF NOT EXISTS reading (ts INT, series TEXT, value REAL, PRIMARY KEY (ts, series)) WITHOUT ROWID"
        )
        self._rows: list[tuple[int, str, float]] = []
        self._owed: list[int] = []
        client = self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id="floor", clean_session=False, manual_ack=not drop
        )
        client.on_connect = lambda *_: client.subscribe("water/node/+/readings", qos=1)
        client.on_subscribe = lambda *_: print("ready", flush=True)
        client.on_message = (lambda *_: None) if drop else self._take
        client.connect("127.0.0.1", port)

    def _take(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        node = message.topic.split("/")[2]
        records = json.loads(message.payload)
        at_ms = round(records[0]["bt"] * 1000)
        self._rows += [(at_ms, f"{node}:{record['n']}", record["v"]) for record in records]
        self._owed.append(message.mid)
        if len(self._owed) >= BATCH:
            self._commit()

    def _commit(self) -> None:
        if not self._owed:
            return
        self._database.execute("BEGIN IMMEDIATE")
        self._database.executemany("INSERT OR IGNORE INTO reading VALUES (?, ?, ?)", self._rows)
        self._database.execute("COMMIT")
        for mid in self._owed:
            self._client.ack(mid, 1)
        self._rows.clear()
        self._owed.clear()

    def run(self) -> None:
        """Until killed; what waits is written when the line has been still for a fifth of a second."""
        while self._client.loop(timeout=0.2 if self._owed else 20.0) == mqtt.MQTT_ERR_SUCCESS:
            if self._client.socket() is not None and len(self._owed) and not self._more():
                self._commit()

    def _more(self) -> bool:
        import select

        return bool(select.select([self._client.socket()], [], [], 0.05)[0])


if __name__ == "__main__":
    Sink(int(sys.argv[1]), sys.argv[2], drop="drop" in sys.argv[3:]).run()
