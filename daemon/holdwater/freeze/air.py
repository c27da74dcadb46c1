"""The air outside as a series: temperature and, where there is a humidity sensor, dew point."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from math import isfinite
from operator import attrgetter

from holdwater.freeze.sun import HOUR_MS


@dataclass(frozen=True, slots=True)
class Air:
    """One reading of the air: time in ms UTC, temperature and dew point in degC; dew point None where unknown."""

    at_ms: int
    air_c: float
    dew_c: float | None = None


@dataclass(frozen=True, slots=True)
class AirSeries:
    """Readings in order of time, one a moment. Make it with `air_series`."""

    readings: tuple[Air, ...]
    times: tuple[int, ...]

    def hour(self, end_ms: int) -> Air | None:
        """The value of the hour that ends at a time: the last reading of its 60 minutes; None when there is none.

        Half-hourly rows, rows at seven to the hour and means of an hour stamped at its end all fit this rule, and it
        never looks ahead.
        """
        place = bisect_right(self.times, end_ms) - 1
        if place < 0 or self.times[place] <= end_ms - HOUR_MS:
            return None
        return self.readings[place]

    def hours(self, start_ms: int, end_ms: int) -> list[Air | None]:
        """The values of the whole hours from `start_ms` to at most `end_ms`, both ends included."""
        return [self.hour(at_ms) for at_ms in range(start_ms, end_ms + 1, HOUR_MS)]

    def until(self, at_ms: int) -> AirSeries:
        """What was known at a time: the readings at or before it."""
        place = bisect_right(self.times, at_ms)
        return AirSeries(self.readings[:place], self.times[:place])


def air_series(readings: Iterable[Air]) -> AirSeries:
    """A series of readings that may come in any order, twice or not finite.

    Of several readings of one moment the last one given counts; a temperature that is not finite is no reading, a
    dew point that is not finite is unknown.
    """
    known: dict[int, Air] = {}
    for reading in readings:
        if isfinite(reading.air_c):
            dew_c = reading.dew_c if reading.dew_c is not None and isfinite(reading.dew_c) else None
            known[reading.at_ms] = Air(reading.at_ms, reading.air_c, dew_c)
    ordered = tuple(sorted(known.values(), key=attrgetter("at_ms")))
    return AirSeries(ordered, tuple(reading.at_ms for reading in ordered))
