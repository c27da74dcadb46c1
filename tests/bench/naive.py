"""The script most people would write: on_message, INSERT, commit. What every figure is compared with.

`python -m bench.naive PORT FILE`
"""

from __future__ import annotations

import json
import sqlite3
import sys
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

TABLE = "CREATE TABLE IF NOT EXISTS reading (ts REAL, series TEXT, value REAL)"
INSERT = "INSERT INTO reading VALUES (?, ?, ?)"


def main(port: int, path: str) -> None:
    """Store whatever comes."""
    database = sqlite3.connect(path)
    database.execute(TABLE)

    def on_connect(client: mqtt.Client, *_: Any) -> None:
        client.subscribe("water/node/+/readings", qos=1)

    def on_subscribe(*_: Any) -> None:
        print("ready", flush=True)

    def on_message(_client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        node = message.topic.split("/")[2]
        records = json.loads(message.payload)
        for record in records:
            row = (records[0]["bt"], f"{node}:{record['n']}", record["v"])
            database.execute(INSERT, row)
        database.commit()

    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="naive", clean_session=False)
    client.on_connect, client.on_subscribe, client.on_message = on_connect, on_subscribe, on_message
    client.connect("127.0.0.1", port)
    client.loop_forever()


if __name__ == "__main__":
    main(int(sys.argv[1]), sys.argv[2])
