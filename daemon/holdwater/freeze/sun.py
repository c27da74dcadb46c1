"""Sunset and sunrise by local date, and the night between them, with a defined answer where the sun stays up or down.

The sun's centre stands 0.833 degrees below the horizon at sunset: 34' of refraction and 16' of radius (Meeus,
Astronomical Algorithms, 1998, chapter 15). Times come from `astral`, which follows the series of the NOAA solar
calculator.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

import astral
import astral.sun

HOUR_MS = 3_600_000
CONVENTIONAL_NIGHT = timedelta(hours=12)  # around solar midnight, where the sun does not set or does not rise

NightKind = Literal["ordinary", "polar day", "polar night"]


@dataclass(frozen=True, slots=True)
class Place:
    """Where the air is measured: degrees north and east, and the zone whose local dates count."""

    latitude: float
    longitude: float
    zone: ZoneInfo


@dataclass(frozen=True, slots=True)
class Night:
    """The night that begins on the evening of `day`.

    Attributes:
        day: local date of the evening.
        sunset_ms: sunset, or 6 h before solar midnight where there is none.
        sunrise_ms: sunrise of the next morning, or 6 h after solar midnight where there is none.
        kind: ``ordinary``, ``polar day`` (the sun does not set) or ``polar night`` (the sun does not rise).
    """

    day: date
    sunset_ms: int
    sunrise_ms: int
    kind: NightKind = "ordinary"


def solar_noon(day: date, place: Place) -> datetime:
    """Solar noon of a local date: the noon at which the local clock of the place shows that date.

    Astral counts dates in UTC, so that west of about 90 W and east of 90 E an event may carry a neighbouring date.
    """
    observer = astral.Observer(place.latitude, place.longitude)
    nearest = datetime(day.year, day.month, day.day, 12, tzinfo=place.zone)
    days = (day + timedelta(days=step) for step in (-1, 0, 1))
    return min((astral.sun.noon(observer, each, tzinfo=UTC) for each in days), key=lambda noon: abs(noon - nearest))


def _event(noon: datetime, place: Place, *, rising: bool) -> datetime | None:
    """The sunrise before or the sunset after a solar noon, within 13 h of it; None when the sun does not cross the
    horizon."""
    observer = astral.Observer(place.latitude, place.longitude)
    find = astral.sun.sunrise if rising else astral.sun.sunset
    sign = -1 if rising else 1
    for step in (0, -1, 1):
        try:
            found = find(observer, noon.date() + timedelta(days=step), tzinfo=UTC)
        except ValueError:
            continue
        if timedelta(0) <= (found - noon) * sign <= timedelta(hours=13):
            return found
    return None


def sunset(day: date, place: Place) -> datetime | None:
    """Sunset of the evening of a local date, in UTC; None in polar day and polar night."""
    return _event(solar_noon(day, place), place, rising=False)


def sunrise(day: date, place: Place) -> datetime | None:
    """Sunrise of the morning of a local date, in UTC; None in polar day and polar night."""
    return _event(solar_noon(day, place), place, rising=True)


def night(day: date, place: Place) -> Night:
    """The night from the evening of a local date to the next morning.

    Where the sun does not set or does not rise the night is, by convention, the 12 hours around solar midnight.

    Args:
        day: local date of the evening.
        place: latitude -90..90, longitude -180..180, zone.
    """
    today, tomorrow = solar_noon(day, place), solar_noon(day + timedelta(days=1), place)
    down, up = _event(today, place, rising=False), _event(tomorrow, place, rising=True)
    kind: NightKind = "ordinary"
    if down is None or up is None or down >= up:
        midnight = today + (tomorrow - today) / 2
        kind = (
            "polar day"
            if astral.sun.elevation(astral.Observer(place.latitude, place.longitude), midnight) > -0.833
            else "polar night"
        )
        down, up = midnight - CONVENTIONAL_NIGHT / 2, midnight + CONVENTIONAL_NIGHT / 2
    return Night(day, _ms(down), _ms(up), kind)


def first_whole_hour(at_ms: int, zone: ZoneInfo) -> int:
    """The first whole hour of the local clock at or after a time, in ms UTC."""
    offset = datetime.fromtimestamp(at_ms / 1000, zone).utcoffset() or timedelta(0)
    shift_ms = int(offset.total_seconds() * 1000) % HOUR_MS
    return -((-at_ms - shift_ms) // HOUR_MS) * HOUR_MS - shift_ms


def local_hour_ms(day: date, hour: int, zone: ZoneInfo) -> int:
    """The time at which the local clock shows a whole hour of a date (the first of two, where clocks go back)."""
    return _ms(datetime(day.year, day.month, day.day, hour, tzinfo=zone))


def local_date(at_ms: int, zone: ZoneInfo) -> date:
    """The local date of a time."""
    return datetime.fromtimestamp(at_ms / 1000, zone).date()


def _ms(at: datetime) -> int:
    return round(at.timestamp() * 1000)
