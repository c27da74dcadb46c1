"""Counting: how many readings of each day are here, and how many the server has."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import urllib3

from holdwater.balance.days import day_bounds_ms, day_of
from holdwater.errors import OutsideError
from holdwater.mirror.lines import READING
from holdwater.mirror.server import Answer, Late, Server, told

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from holdwater.config.mirrors import MirrorSettings
    from holdwater.mirror.source import Source

Count = Callable[[int, int], int]


@dataclass(frozen=True, slots=True)
class DayCount:
    """Readings of one local day, here and there."""

    day: date
    here: int
    there: int


def compare(source: Source, count: Count, zone: ZoneInfo, start_ms: int, end_ms: int) -> Iterator[DayCount]:
    """Readings of each local day of a span, both ends included.

    Raises:
        OutsideError: the server does not answer.
    """
    day, last = day_of(start_ms, zone), day_of(end_ms, zone)
    while day <= last:
        begin, end = day_bounds_ms(day, zone)
        yield DayCount(day, source.count(begin, end), count(begin, end))
        day += timedelta(days=1)


def counter(server: Server, settings: MirrorSettings) -> Count:
    """How this server counts: by InfluxQL, or by PromQL where it does not know that.

    Raises:
        OutsideError: it answers neither, or not at all.
    """
    said: list[str] = []
    for made in (_by_influxql, _by_promql):
        count = made(server, settings)
        try:
            count(0, 1)
        except OutsideError as error:
            said.append(error.found)
            continue
        return count
    raise OutsideError(
        f"the server cannot be asked for counts: {'; '.join(dict.fromkeys(said))}", expected="one that answers InfluxQL or PromQL",
        where=settings.url, do="see that it runs, and that the token may read the bucket",
    )  # fmt: skip


def _by_influxql(server: Server, settings: MirrorSettings) -> Count:
    site = settings.site.replace("'", r"\'")

    def count(start_ms: int, end_ms: int) -> int:
        query = f'SELECT count("value") FROM "{READING}" WHERE "site" = \'{site}\' AND time >= {start_ms}ms AND time < {end_ms}ms'
        body = _asked(server, "/query", {"db": settings.bucket, "q": query, "epoch": "ms"})
        try:
            found = body["results"][0]
            if "error" in found:
                raise OutsideError(f"it says: {found['error']}")
            return int(found["series"][0]["values"][0][1]) if "series" in found else 0
        except (KeyError, IndexError, TypeError, ValueError):
            raise OutsideError("its answer is none of InfluxQL") from None

    return count


def _by_promql(server: Server, settings: MirrorSettings) -> Count:
    """`[d]` at t counts t - d < time <= t, so a span in ms is asked for at its last millisecond."""
    site = settings.site.replace('"', r"\"")

    def count(start_ms: int, end_ms: int) -> int:
        query = f'sum(count_over_time({READING}_value{{site="{site}"}}[{end_ms - start_ms}ms]))'
        fields = {"query": query, "time": f"{(end_ms - 1) / 1000:.3f}", "nocache": "1"}
        body = _asked(server, "/api/v1/query", fields)
        try:
            found = body["data"]["result"]
            return int(found[0]["value"][1]) if found else 0
        except (KeyError, IndexError, TypeError, ValueError):
            raise OutsideError("its answer is none of PromQL") from None

    return count


def _asked(server: Server, path: str, fields: dict[str, str]) -> Any:
    try:
        answer: Answer = server.get(path, fields)
    except (Late, urllib3.exceptions.HTTPError, OSError) as error:
        raise OutsideError(f"it does not answer ({type(error).__name__})") from None
    if answer.status != 200:
        raise OutsideError(f"{path} answers {answer.status}: {told(answer.data) or answer.reason}")
    try:
        return json.loads(answer.data)
    except (ValueError, RecursionError):
        raise OutsideError(f"{path} answers something that is no JSON") from None
