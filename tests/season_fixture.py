"""The invented season, played and recorded once for all tests of the demo."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from holdwater.demo.recording import Line, lines
from holdwater.demo.water import Season, Truth
from holdwater.demo.weather import local


class Watched(Season):
    """A season that tells each minute to a watcher as it passes."""

    watch: Any = None

    def minutes(self, after: Truth | None = None) -> Iterator[Truth]:
        """See `Season.minutes`."""
        for truth in super().minutes(after):
            self.watch(truth)
            yield truth


@dataclass
class Recorded:
    """The whole recording, and what was true while it was made."""

    season: Season
    lines: list[Line] = field(default_factory=list)
    end: Truth | None = None
    first_below: Truth | None = None
    ice: tuple[float, date | None] = (0.0, None)
    water_zero: date | None = None
    lowest_f: dict[date, float] = field(default_factory=dict)

    def look(self, truth: Truth) -> None:
        """Look at one minute."""
        day = local(truth.at_ms).date()
        self.lowest_f[day] = min(self.lowest_f.get(day, 99.0), truth.air_c * 1.8 + 32)
        if truth.ice > self.ice[0]:
            self.ice = (truth.ice, day)
        if self.water_zero is None and truth.water_c <= 0:
            self.water_zero = day
        if self.first_below is None and truth.on_hand["drinking"] < 90:
            self.first_below = truth
        self.end = truth

    def packs(self, node: str) -> Iterator[tuple[int, list[dict[str, Any]]]]:
        """Time of arrival and SenML of each message of a node."""
        for line in self.lines:
            if f"node/{node}/" in line.text:
                yield line.at_ms, json.loads(json.loads(line.text)["payload"])


def record() -> Recorded:
    """Play and record the whole season."""
    season = Watched()
    found = Recorded(season)
    season.watch = found.look
    found.lines = list(lines(season=season))
    return found
