"""The invented weather of Quern Bench, 1 July to 28 October 2026: rain, air, the air in the garden tank's headspace.

Pure and seeded: the same seed gives the same season. After the last day of the plan mild, dry autumn days follow.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from itertools import pairwise
from random import Random
from zoneinfo import ZoneInfo

ZONE = ZoneInfo("America/Denver")
FIRST_DAY = date(2026, 7, 1)
LAST_DAY = date(2026, 10, 28)
MINUTE_MS = 60_000
HEADSPACE_SWING_K = 20.0
LOW_HOUR, HIGH_HOUR = 6, 15  # coldest near sunrise, warmest in mid-afternoon

# date: (inches of rain, hour it begins, hours it lasts). Storms of the wet season come late in the afternoon.
RAIN: dict[date, tuple[float, float, float]] = {
    date(2026, 7, 9): (0.22, 17.4, 0.5), date(2026, 7, 13): (0.55, 18.1, 0.8), date(2026, 7, 18): (0.31, 17.2, 0.5),
    date(2026, 7, 25): (0.80, 17.5, 0.9), date(2026, 7, 30): (0.46, 18.4, 0.6), date(2026, 8, 3): (1.40, 18.2, 1.4),
    date(2026, 8, 7): (0.34, 17.8, 0.5), date(2026, 8, 15): (0.28, 18.0, 0.4), date(2026, 8, 20): (0.52, 17.3, 0.8),
    date(2026, 8, 24): (0.42, 18.5, 0.6), date(2026, 8, 27): (0.61, 17.6, 0.9), date(2026, 9, 3): (0.38, 17.0, 0.8),
    date(2026, 9, 11): (0.67, 16.5, 1.8), date(2026, 9, 22): (0.19, 15.5, 1.5), date(2026, 10, 6): (0.30, 16.2, 2.5),
    date(2026, 10, 21): (0.25, 15.4, 3.0),
}  # fmt: skip
FREEZE_WEEK: dict[date, tuple[int, int]] = {  # lowest and highest air, degF
    date(2026, 10, 13): (29, 44), date(2026, 10, 14): (24, 40), date(2026, 10, 15): (19, 36),
    date(2026, 10, 16): (17, 35), date(2026, 10, 17): (21, 41), date(2026, 10, 18): (26, 47),
    date(2026, 10, 19): (30, 52),
}  # fmt: skip
# day of the season: lowest, highest degF of a usual day; straight lines between
_USUAL = ((0, 53, 84), (25, 55, 83), (50, 52, 79), (75, 45, 71), (100, 38, 61), (120, 37, 56), (150, 36, 50))
_LEAST_F = 35.0  # outside the freeze week no night freezes


def midnight_ms(day: date) -> int:
    """Local midnight that begins a day, ms UTC."""
    return int(datetime.combine(day, time(), ZONE).astimezone(UTC).timestamp() * 1000)


def local(at_ms: int) -> datetime:
    """A time as the household's clock shows it."""
    return datetime.fromtimestamp(at_ms / 1000, ZONE)


def celsius(f: float) -> float:
    """Degrees Celsius of degrees Fahrenheit."""
    return (f - 32) / 1.8


@dataclass(frozen=True, slots=True)
class Sky:
    """The weather, from a seed."""

    seed: int

    def extremes_c(self, day: date) -> tuple[float, float]:
        """Lowest and highest air of a day, degC."""
        return _extremes_c(self.seed, day)

    def air_c(self, at_ms: int) -> float:
        """Outside air, degC."""
        return self.airs(at_ms)[0]

    def airs(self, at_ms: int) -> tuple[float, float]:
        """Outside air, and the air above the water in the garden tank, degC.

        Outside: half cosines between the low near sunrise and the high in the afternoon. The other swings by 20 K a day
        under a sunlit riser.
        """
        now = local(at_ms)
        return self.airs_at(now.date(), now.hour + now.minute / 60 + now.second / 3600)

    def airs_at(self, day: date, hour: float) -> tuple[float, float]:
        """The same at an hour of a local day, 0 to 24."""
        low_c, high_c = self.extremes_c(day)
        if hour < LOW_HOUR:
            start, from_c, to_c = HIGH_HOUR - 24, self.extremes_c(day - timedelta(days=1))[1], low_c
            length = LOW_HOUR - start
        elif hour < HIGH_HOUR:
            start, from_c, to_c, length = LOW_HOUR, low_c, high_c, HIGH_HOUR - LOW_HOUR
        else:
            start, from_c, to_c = HIGH_HOUR, high_c, self.extremes_c(day + timedelta(days=1))[0]
            length = 24 + LOW_HOUR - HIGH_HOUR
        air_c = from_c + (to_c - from_c) * (1 - math.cos(math.pi * (hour - start) / length)) / 2
        share = min(max((air_c - low_c) / (high_c - low_c), 0.0), 1.0)
        return air_c, (low_c + high_c) / 2 + 2 + HEADSPACE_SWING_K * (share - 0.5)

    def rain_in(self, from_ms: int, to_ms: int) -> float:
        """Rain between two times of one local day, inches; it begins and ends gently."""
        day = local(from_ms).date()
        if day not in RAIN:
            return 0.0
        inches, begins_h, lasts_h = RAIN[day]
        start_ms, length_ms = midnight_ms(day) + begins_h * 3_600_000, lasts_h * 3_600_000
        return inches * (_fallen((to_ms - start_ms) / length_ms) - _fallen((from_ms - start_ms) / length_ms))


@lru_cache(maxsize=1024)
def _extremes_c(seed: int, day: date) -> tuple[float, float]:
    low_f, high_f = FREEZE_WEEK.get(day) or _usual_f(seed, day)
    return celsius(low_f), celsius(high_f)


def _usual_f(seed: int, day: date) -> tuple[float, float]:
    index = (day - FIRST_DAY).days
    chance = Random(f"{seed} air {day}")  # noqa: S311 - weather, no secret
    (a, low_a, high_a), (b, low_b, high_b) = _around(index)
    share = min(max((index - a) / (b - a), 0.0), 1.0)
    low_f = max(low_a + share * (low_b - low_a) + chance.gauss(0, 2.0), _LEAST_F)
    high_f = high_a + share * (high_b - high_a) + chance.gauss(0, 3.0) - (6 if day in RAIN else 0)
    return low_f, max(high_f, low_f + 10)


def _around(index: int) -> tuple[tuple[int, int, int], tuple[int, int, int]]:
    for before, after in pairwise(_USUAL):
        if index < after[0]:
            return before, after
    return _USUAL[-2], _USUAL[-1]


def _fallen(share: float) -> float:
    """Part of a storm's rain that has fallen after that part of its time."""
    share = min(max(share, 0.0), 1.0)
    return share * share * (3 - 2 * share)
