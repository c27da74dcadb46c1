"""What is beside a sensor: temperatures, barometer, supply, by time; live, and over a stretch of record."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from holdwater_sensors.instrument import Instrument, Surroundings

HOUR_MS = 3_600_000

AROUND_MS = 2 * HOUR_MS
"""How old a temperature beside the sensor may be before the level is measured without it."""

Points = Sequence[tuple[int, float]]


class Looks(Protocol):
    """Whoever knows the value of a series at a time."""

    def at(self, series: str, ts_ms: int) -> float | None:
        """The value that stood at a time, if it is recent enough."""
        ...


class Surrounds:
    """The newest value of each series beside a sensor, by time; the live side."""

    def __init__(self) -> None:
        self._newest: dict[str, tuple[int, float]] = {}

    def note(self, series: str, ts_ms: int, value: float) -> None:
        """Remember a value."""
        self._newest[series] = (ts_ms, value)

    def at(self, series: str, ts_ms: int) -> float | None:
        """The value that stood at a time, if it is recent enough."""
        found = self._newest.get(series)
        return found[1] if found is not None and abs(ts_ms - found[0]) <= AROUND_MS else None


class RecordedSurrounds:
    """The same over a stretch of record."""

    def __init__(self, points: Mapping[str, Points]) -> None:
        self._points = points
        self._times: dict[str, list[int]] = {}

    def at(self, series: str, ts_ms: int) -> float | None:
        """The value that stood at a time, if it is recent enough."""
        times = self._times.get(series)
        points = self._points.get(series, ())
        if times is None:
            times = self._times[series] = [ts for ts, _ in points]
        found = bisect_right(times, ts_ms) - 1
        if found < 0 or ts_ms - times[found] > AROUND_MS:
            return None
        return points[found][1]


@dataclass(frozen=True, slots=True)
class Place:
    """What all sensors of a site share: the barometer's series and the local gravity, m/s2."""

    barometer_series: str | None = None
    gravity: float = 9.80665


def around(instrument: Instrument, looks: Looks, ts_ms: int, place: Place) -> Surroundings:
    """What surrounds an instrument at a time."""
    air, water = instrument.air_series, instrument.water_series
    rh, supply = instrument.rh_series, instrument.supply_series
    return Surroundings(
        None if air is None else looks.at(air, ts_ms),
        None if water is None else looks.at(water, ts_ms),
        None if place.barometer_series is None else looks.at(place.barometer_series, ts_ms),
        None if rh is None else looks.at(rh, ts_ms),
        None if supply is None else looks.at(supply, ts_ms),
        place.gravity,
    )


def companions(instruments: Iterable[Instrument], place: Place) -> set[str]:
    """Names of the series that instruments need beside their own."""
    named = [(i.air_series, i.water_series, i.rh_series, i.supply_series) for i in instruments]
    found = {name for names in named for name in names if name is not None}
    return found if place.barometer_series is None else found | {place.barometer_series}
