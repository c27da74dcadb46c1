"""Every question of docs/mirror.md is asked of a real server and gets an answer."""

from __future__ import annotations

import json
import re
import time
from pathlib import Path

from place import MINUTE_MS, reading
from series_servers import ask

PAGE = (Path(__file__).parents[2] / "docs" / "mirror.md").read_text()
EMPTY = ("battery", "quality")
"""Words of the questions whose answer is nothing here: no box of the test sends its battery, and every level is good."""


def test_each_question_of_the_cookbook_is_answered(place, influx, victoria) -> None:
    """InfluxQL by influxd, MetricsQL by victoria-metrics; the newest gallons are those of the store."""
    now = time.time_ns() // 1_000_000
    lines = [reading(now - n * 20 * MINUTE_MS, 1.0) for n in range(90, 0, -1)]
    place.take(lines)
    for url in (influx[1].url, victoria.url):
        place.to(url).send()
    asked = re.search(r"```sql\n(.*?)```", PAGE, re.S)
    assert asked is not None
    queries = [line for line in asked[1].replace("drinking", "main").splitlines() if not line.startswith("--")]
    assert len(queries) == 6
    for query in queries:
        body = json.loads(ask(influx[0].port, "/query", {"db": "water", "q": query}))
        assert "error" not in body["results"][0], (query, body)
        assert ("series" in body["results"][0]) != any(word in query for word in EMPTY), query
    victoria.points()
    asked = re.search(r"```\n(last_over_time.*?)```", PAGE, re.S)
    assert asked is not None
    queries = asked[1].replace("drinking", "main").splitlines()
    assert len(queries) == 5
    for query in queries:
        body = json.loads(ask(victoria.port, "/api/v1/query", {"query": query}))
        assert body["status"] == "success"
        assert bool(body["data"]["result"]) != any(word in query for word in EMPTY), query
    body = json.loads(
        ask(victoria.port, "/api/v1/query", {"query": 'last_over_time(level_closing_m3{tank="main"}[1d])'})
    )
    hand = place.site.tanks["main"].stand(1.0).on_hand_m3
    assert abs(float(body["data"]["result"][0]["value"][1]) - hand) < 0.01 * hand
