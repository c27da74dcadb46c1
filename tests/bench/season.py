"""The load of the budgets: eight series, a reading a minute each, for so many days, at the invented household.

Three sensor boxes send a pack a minute: drinking (pressure, water), garden (gap, headspace, air), cabin (gap, air, water). The water
does what a household's water does: it is drawn in bouts, refilled by rain and by loads, warms and cools with the day. The same day
number gives the same payloads, so two runs of a bench store the same rows.
"""

from __future__ import annotations

import json
import math
import random
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

MINUTE_MS = 60_000
DAY_MS = 1_440 * MINUTE_MS
START_MS = 1_782_885_600_000  # 2026-07-01T00:00 in Denver, 06:00 UTC
SERIES = (
    ("drinking", "pressure", "Pa"), ("drinking", "water", "Cel"), ("garden", "gap", "m"), ("garden", "headspace", "Cel"),
    ("garden", "air", "Cel"), ("cabin", "gap", "m"), ("cabin", "air", "Cel"), ("cabin", "water", "Cel"),
)  # fmt: skip
NODES = ("drinking", "garden", "cabin")
SEASON_DAYS = 120
SAMPLE = Path(__file__).parents[2] / "sample_configs" / "quern-bench.toml"


@dataclass(slots=True)
class Water:
    """Depths of the three tanks, m, moved minute by minute."""

    drinking_m: float = 1.35
    garden_m: float = 1.0
    cabin_m: float = 0.9

    def minute(self, minute: int, chance: random.Random) -> None:
        """Draws in bouts by day; a load every ninth day, rain every sixth."""
        of_day = minute % 1440
        if 360 <= of_day < 1320 and chance.random() < 0.03:
            self.drinking_m -= 0.0012
            self.garden_m -= 0.0014
            self.cabin_m -= 0.0009
        day = minute // 1440
        if day % 9 == 8 and 600 <= of_day < 620:
            self.drinking_m = min(self.drinking_m + 0.015, 1.5)
        if day % 6 == 5 and 900 <= of_day < 990:
            self.garden_m = min(self.garden_m + 0.0032, 1.1)
            self.cabin_m = min(self.cabin_m + 0.002, 1.0)


def minutes(days: int, start_ms: int = START_MS, seed: int = 7) -> Iterator[tuple[int, tuple[float, ...]]]:
    """Each minute's time and its eight values, in the order of `SERIES` and in the unit sent."""
    water, chance = Water(), random.Random(seed)
    noise = chance.gauss
    for minute in range(days * 1440):
        water.minute(minute, chance)
        day_part = math.sin(2 * math.pi * (minute - 560) / 1440)
        air = 19.0 - 0.05 * (minute / 1440) + 8.0 * day_part
        lid, cool = air + 2.0 * day_part, 15.0 + 1.2 * day_part
        head = 999.1 * 9.7937 * (water.drinking_m - 0.0254)
        garden_gap = (1.4732 - water.garden_m) * 343.2 / (331.3 + 0.606 * lid)
        cabin_gap = (1.3208 - water.cabin_m) * 343.2 / (331.3 + 0.606 * air)
        values = (
            round(head + noise(0, 6.0)), round(cool, 2), round(garden_gap + noise(0, 0.0008), 3), round(lid, 2),
            round(air + noise(0, 0.05), 2), round(cabin_gap + noise(0, 0.0008), 3), round(air, 2), round(cool - 1.0, 2),
        )  # fmt: skip
        yield start_ms + minute * MINUTE_MS, values


def packs(at_ms: int, values: tuple[float, ...], copy: int = 0) -> Iterator[tuple[str, str]]:
    """Topic and SenML payload of each box's pack for one minute; those of a further household have a number in their names."""
    for node in NODES:
        records: list[dict[str, object]] = [
            {"n": name, "u": unit, "v": value}
            for (of, name, unit), value in zip(SERIES, values, strict=True)
            if of == node
        ]
        records[0] = {"bt": at_ms / 1000, **records[0]}
        yield f"water/node/{node}{copy or ''}/readings", json.dumps(records, separators=(",", ":"))


def singles(at_ms: int, values: tuple[float, ...]) -> Iterator[tuple[str, str]]:
    """The same with one reading a message: what most small devices send."""
    for (node, name, unit), value in zip(SERIES, values, strict=True):
        record = {"bt": at_ms / 1000, "n": name, "u": unit, "v": value}
        yield f"water/node/{node}/readings", json.dumps([record], separators=(",", ":"))


def write_recording(path: Path, days: int, start_ms: int = START_MS, copies: int = 1) -> int:
    """Write the season as a recording that `holdwater replay` reads.

    Returns:
        How many readings are in it.
    """
    count = 0
    with path.open("w", encoding="utf-8") as file:
        for at_ms, values in minutes(days, start_ms):
            at = datetime.fromtimestamp((at_ms + 1500) / 1000, UTC).isoformat(timespec="milliseconds")
            for copy in range(copies):
                for topic, payload in packs(at_ms, values, copy):
                    line = {"at": at.replace("+00:00", "Z"), "topic": topic, "payload": payload}
                    file.write(json.dumps(line, separators=(",", ":")) + "\n")
                count += len(values)
    return count


def still_values(count: int) -> Iterator[tuple[float, ...]]:
    """Values of quiet night minutes, over and over: noise and slow temperatures, no draws."""
    night = [values for _, values in minutes(1)][:300]
    for turn in range(count):
        yield night[turn % len(night)]
